"""The flow that must stay in the stream, at every station and every bin of its duration curve."""

import numpy as np

from sitefinder.hydrology.duration_curve import BIN_EXCEEDANCE, flow_at


def environmental_flow_by_bin(curve_m3s, mean_m3s, rules, area_km2=None, year=None, closed_months=()):
    """Environmental flow: the greatest of the rules, and never above the natural flow.

    Parameters
    ----------
    curve_m3s : ndarray, shape (n, K)
        Natural flow of each station at bins of equal probability, from high to low [m³/s].
    mean_m3s : ndarray, shape (n,)
        Mean flow [m³/s].
    rules : list of EnvironmentalFlowRule
        At least one; for the kinds see Notes.
    area_km2 : ndarray, shape (n,), optional
        Catchment, which a rule by area needs [km²].
    year : sitefinder.hydrology.seasons.YearBins, optional
        Natural flow of each day of the year, ordered within its month. Rules by month need it.
    closed_months : sequence of int
        Months in which nothing may be taken; need `year` too.

    Returns
    -------
    ndarray of float64, shape (n, K), or that of ``year.flow_m3s``
        [m³/s]; NaN where the flow is. What is usable, the flow less this, is never negative.

    Raises
    ------
    ValueError
        If there is no rule, a rule's kind is unknown, or an input that a rule needs is missing.

    Notes
    -----
    The rules are the user's choice and local law decides. A low-flow rule takes the flow of the station's own
    natural curve, so it does not know of water that others draw.

    ``share_of_mean``, ``exceedance_flow`` (times a share, where one is given), ``flow_per_area``: one flow, or one
    a month with ``of_month``. ``share_of_flow``: a share of the flow of the moment. ``hands_off``: all flow up to
    a threshold; above it a share may be taken, up to a greatest abstraction. ``bands``: a share of the flow may be
    taken that goes by its band. With ``between = "steps"`` it is that of the highest threshold that the flow
    reaches, and nothing below the lowest; with ``"linear"`` it is linear in flow between thresholds and level
    beyond them. ``stepped_table``: by a low-flow index, ``environmental_flow + further · (index − index_from)`` of
    the last row that the index reaches, and the first row's flow below; so "for each further 10 l/s" is read pro
    rata.

    Examples
    --------
    >>> from sitefinder.settings.flows import EnvironmentalFlowRule
    >>> tenth = EnvironmentalFlowRule(kind="share_of_mean", share=0.1)
    >>> environmental_flow_by_bin(np.array([[30.0, 9.5, 0.5]]), np.array([13.3]), [tenth]).round(2).tolist()
    [[1.33, 1.33, 0.5]]
    """
    if not rules:
        raise ValueError("environmental flow needs at least one rule; a share of 0 leaves nothing in the stream")
    if year is None and (len(closed_months) or any(rule.is_seasonal for rule in rules)):
        raise ValueError("a rule by month needs the flows of each month")
    curve, mean = np.asarray(curve_m3s, dtype=np.float64), np.asarray(mean_m3s, dtype=np.float64)
    flow = curve if year is None else year.flow_m3s
    environmental_flow = np.zeros_like(flow)
    for rule in rules:
        required = np.broadcast_to(_of_rule(rule, curve, flow, mean, area_km2, year), flow.shape)
        holds = _where_it_holds(rule, mean, year)
        environmental_flow = np.maximum(
            environmental_flow, required if holds is None else np.where(holds, required, 0.0)
        )
    if len(closed_months):
        environmental_flow = np.where(np.isin(year.month, closed_months), flow, environmental_flow)
    return np.minimum(environmental_flow, flow)


# Stations and bins in which a rule holds, in a shape that meets the flow's; None for all.
def _where_it_holds(rule, mean, year):
    holds = None
    if rule.mean_above_m3s is not None:
        holds = mean[:, None] > rule.mean_above_m3s
    if rule.mean_max_m3s is not None:
        below = mean[:, None] <= rule.mean_max_m3s
        holds = below if holds is None else holds & below
    if rule.months is not None:
        of_months = np.isin(year.month, rule.months)
        holds = of_months if holds is None else holds & of_months
    return holds


# One rule's flow, in a shape that meets the flow's.
def _of_rule(rule, curve, flow, mean, area_km2, year):
    if rule.kind == "share_of_mean":
        return rule.share * (_of_months(year, _mean) if rule.of_month else mean[:, None])
    if rule.kind == "share_of_flow":
        return rule.share * flow
    if rule.kind == "exceedance_flow":

        def exceeded(curves):
            return _exceeded(curves, rule.exceedance_percent)

        found = _of_months(year, exceeded) if rule.of_month else exceeded(curve)
        return found if rule.share is None else rule.share * found
    if rule.kind == "flow_per_area":
        if area_km2 is None:
            raise ValueError("a rule by area needs the catchment's area")
        return rule.flow_m3s_km2 * np.asarray(area_km2, dtype=np.float64)[:, None]
    if rule.kind == "hands_off":
        return _hands_off(rule, curve, flow, mean)
    if rule.kind == "bands":
        return flow * (1.0 - _share_taken(rule, curve, flow, mean))
    if rule.kind == "stepped_table":
        return _from_table(rule.steps_m3s, _exceeded(curve, rule.exceedance_percent))
    raise ValueError(f"unknown kind of environmental flow rule {rule.kind!r}")


def _mean(curves):
    return curves.mean(axis=1)[:, None]


# Flow exceeded for this share of the time in curves of any number of bins, as a column.
def _exceeded(curves, percent):
    return flow_at(_exceedance_of_bins(curves.shape[1]), curves, percent)[:, None]


# What a function makes of each month's own curve, on every bin of that month.
def _of_months(year, function):
    found = np.empty(year.flow_m3s.shape)
    for month in np.unique(year.month):
        bins = year.month == month
        found[:, bins] = function(year.flow_m3s[:, bins])
    return found


# A threshold that is stated as a flow, a share of the mean or an exceeded flow, as a column.
def _threshold(flow_m3s, share_of_mean, exceedance_percent, curve, mean):
    if flow_m3s is not None:
        return np.full((len(mean), 1), flow_m3s)
    if share_of_mean is not None:
        return share_of_mean * mean[:, None]
    return _exceeded(curve, exceedance_percent)


def _hands_off(rule, curve, flow, mean):
    below = (rule.hands_off_m3s, rule.hands_off_share_of_mean, rule.exceedance_percent)
    taken = rule.take_share * np.maximum(flow - _threshold(*below, curve, mean), 0.0)
    if rule.take_max_m3s is not None:
        taken = np.minimum(taken, rule.take_max_m3s)
    if rule.take_max_share_of_mean is not None:
        taken = np.minimum(taken, rule.take_max_share_of_mean * mean[:, None])
    return flow - taken


# Share of the flow that its band lets be taken.
def _share_taken(rule, curve, flow, mean):
    from_m3s = [
        _threshold(band.from_m3s, band.from_share_of_mean, band.from_exceedance_percent, curve, mean)
        for band in rule.bands
    ]
    shares = [band.take_share for band in rule.bands]
    if rule.between == "steps":
        taken = np.zeros_like(flow)
        for threshold, share in zip(from_m3s, shares, strict=True):
            taken = np.where(flow >= threshold, share, taken)
        return taken
    taken = np.full(flow.shape, shares[0])
    for number in range(1, len(shares)):
        below, width = from_m3s[number - 1], from_m3s[number] - from_m3s[number - 1]
        # Clipped before the division too, which would overflow where a band is next to nothing wide.
        within = np.clip(flow - below, 0.0, width)
        position = np.divide(within, width, out=np.ones_like(flow), where=width > 0)
        taken = np.where(
            flow >= below, shares[number - 1] + position * (shares[number] - shares[number - 1]), taken
        )
    return taken


def _from_table(rows, index):
    required = np.full(index.shape, rows[0][1])
    for index_from, environmental, further in rows:
        required = np.where(index >= index_from, environmental + further * (index - index_from), required)
    return required


def _exceedance_of_bins(count):
    return BIN_EXCEEDANCE if count == BIN_EXCEEDANCE.size else (np.arange(count) + 0.5) / count
