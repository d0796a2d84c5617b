"""Equations of every statistic and region of a gauge table, and their error at gauges that are held out."""

import math
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import stats
from scipy.cluster.hierarchy import fcluster, linkage

from sitefinder.catalogue.equations import ZERO_OF, Equation
from sitefinder.errors import InputError, listed
from sitefinder.hydrology.censored import fit_censored_equation, fit_zero_probability, least_squares_of_censored
from sitefinder.hydrology.equations import HIGH_LEVERAGE, INTERVAL_SHARE
from sitefinder.hydrology.plausibility import MEAN_FLOW, suspect_gauges
from sitefinder.hydrology.regression import (
    MAX_INFLATION,
    NO_FORMS,
    Fit,
    compare_predictors,
    correlation_by_distance,
    design_of,
    fit_equation,
    generalised_least_squares,
    have_form,
    least_squares,
    predictor_of,
    sampling_covariance,
    statistic_of,
    term_of,
)
from sitefinder.hydrology.strength import mean_regressions
from sitefinder.settings.flows import RegressionLimits

# Cook's distance above 4 / n is looked at (common practice, no source).
HIGH_COOK = 4.0
# Residuals this unlikely under a normal distribution are reported.
SMALL_P = 0.05


# One equation in a row: number of gauges, errors, and coverage of held-out gauges.
def _summary_row(region, column, predictors, fit, zero, held, groups, widening):
    diagnostics = fit.diagnostics
    is_known = np.isfinite(held.residuals)
    return {
        "region": region.name,
        "statistic": statistic_of(column),
        "fit": fit.equation.table.removeprefix("fitted by sitefinder, "),
        "predictors": ", ".join(predictors),
        "gauges": len(diagnostics.gauges),
        "zeros": int(zero.sum()),
        "standard_error_log10": fit.equation.standard_error_log10,
        "standard_error_percent": diagnostics.standard_error_percent,
        "r_squared": diagnostics.fit.r_squared,
        "bias_correction": fit.equation.bias_correction,
        "leave_one_out_rmse_log10": diagnostics.leave_one_out_rmse_log10,
        "normality_p": diagnostics.normality_p,
        "groups_held_out": len(np.unique(groups)),
        "held_out_inside_percent": 100.0 * float(held.covered[is_known].mean()) if is_known.any() else np.nan,
        "interval_widening": widening,
    }


# A row for each coefficient of one equation.
def _coefficient_rows(region, statistic, predictors, diagnostics, forms):
    fit = diagnostics.fit
    t = fit.coefficients / fit.standard_errors
    freedom = len(diagnostics.gauges) - len(fit.coefficients)
    return pd.DataFrame(
        {
            "region": region.name,
            "statistic": statistic,
            "term": ["constant", *(term_of(name, forms) for name in predictors)],
            "coefficient": fit.coefficients,
            "standard_error": fit.standard_errors,
            "t": t,
            "p": 2 * stats.t.sf(np.abs(t), freedom),
            "variance_inflation": [np.nan, *diagnostics.variance_inflation],
        }
    )


# A row for each gauge of the region; figures of the fit only for the gauges that it used.
def _gauge_rows(region, column, became, fit=None, predictors=(), held=None, forms=NO_FORMS):
    columns = {
        "region": region.name,
        "statistic": statistic_of(column),
        "gauge": region.gauges.index.astype(str),
        "became": became.to_numpy(),
        "observed_m3s": region.gauges[column].to_numpy(dtype=np.float64),
    }
    figures = ("fitted_m3s", "residual_log10", "left_out_log10", "leverage", "cook", "group", "held_out_log10")
    figures += ("held_out_half_width_log10",)
    columns |= {name: np.full(len(region.gauges), np.nan) for name in figures}
    if fit is not None:
        used = region.gauges.index.get_indexer(fit.diagnostics.gauges)
        found = fit.diagnostics.fit
        fitted = design_of(region.gauges.iloc[used], list(predictors), forms) @ found.coefficients
        values = (10.0**fitted, found.residuals, found.left_out, found.leverage, found.cook, region.groups[used])
        for name, value in zip(figures, (*values, held.residuals, held.half_width), strict=True):
            columns[name][used] = value
    return pd.DataFrame(columns)


def accounted(gauges):
    """How many gauges of each statistic became what.

    Parameters
    ----------
    gauges : DataFrame
        Of `RegionalFits`.

    Returns
    -------
    DataFrame
        A row a statistic and fate: ``statistic``, ``became``, ``gauges`` and ``zero``, how many of these have a
        statistic of zero.
    """
    zero = gauges.assign(zero=gauges["observed_m3s"] == 0)
    grouped = zero.groupby(["statistic", "became"], sort=False)
    return grouped.agg(gauges=("gauge", "size"), zero=("zero", "sum")).reset_index()


# Warnings about one equation, as texts.
def _warnings_of_fit(fit, widening, settings):
    found, ids = fit.diagnostics.fit, fit.diagnostics.gauges
    gauges, coefficients = len(ids), len(found.coefficients)
    notes = []
    if gauges < settings.min_gauges:
        notes.append(f"only {gauges} gauges in the fit, the others are zero or lack a number")
    if widening > 1.0:
        notes.append(f"interval widened {widening:.2f} times: it {fit.equation.interval_widening_reason}")
    if (far := found.leverage > HIGH_LEVERAGE * coefficients / gauges).any():
        notes.append(f"leverage above 3 k / n: {listed(ids[far])}")
    if (influential := found.cook > HIGH_COOK / gauges).any():
        notes.append(f"influence (Cook's distance above 4 / n): {listed(ids[influential])}")
    if fit.diagnostics.normality_p < SMALL_P:
        notes.append(f"residuals are hardly normal (Shapiro-Wilk p = {fit.diagnostics.normality_p:.2g})")
    if (fit.diagnostics.variance_inflation > MAX_INFLATION).any():
        notes.append(f"predictors are nearly collinear (variance inflation above {MAX_INFLATION:g})")
    if settings.method == "generalised" and found.model_error_variance == 0:
        notes.append("sampling errors alone explain the scatter; no error is left to the model")
    return notes


# Fewer groups than this say little about ungauged areas; each gauge is then a group of its own (own choice: a
# region of 25 gauges, the default minimum, still has as many when one of its groups of five is held out).
MIN_GROUPS = 4
# With fewer neighbourhoods than this, what they show is too little to excuse an interval that holds under nine of
# ten; with more, one standard error of that share is granted to chance (own choice: on the 671 gauges of
# tests/benchmarks/flow_holdout.py regions with few neighbourhoods missed most held-out gauges).
TELLING_GROUPS = 10
EARTH_RADIUS_KM = 6371.0088


class HeldOut(NamedTuple):
    """Each gauge against a fit without its group, logs to base 10; NaN where that fit was impossible.

    ``half_width`` is that of the 90 % interval, and ``covered`` whether it holds the gauge.
    """

    residuals: np.ndarray
    half_width: np.ndarray
    covered: np.ndarray


def places_km(x, y, is_geographic):
    """Places in space [km], so that their straight distances serve as distances on the ground.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Eastings and northings [m], or longitudes and latitudes [degrees].
    is_geographic : bool
        Whether they are degrees.

    Returns
    -------
    ndarray, shape (n, 2) or (n, 3)
        On a sphere of the mean radius, a chord is short of the arc by 0.4 % at 2000 km.
    """
    if not is_geographic:
        return np.column_stack([x, y]) / 1000.0
    longitude, latitude = np.radians(x), np.radians(y)
    east = np.cos(latitude) * np.cos(longitude), np.cos(latitude) * np.sin(longitude)
    return EARTH_RADIUS_KM * np.column_stack([*east, np.sin(latitude)])


def neighbour_groups(places, group_size):
    """Groups of neighbouring gauges of about equal size.

    Parameters
    ----------
    places : ndarray, shape (n, d)
        As of `places_km`.
    group_size : int
        Gauges in a group on average.

    Returns
    -------
    ndarray of int, shape (n,)
        The group of each gauge, from Ward's hierarchical clustering, which makes groups of like size; every gauge
        alone where there would be fewer than four groups.

    Examples
    --------
    >>> towns = np.array([0.0, 1.0, 30.0, 31.0, 60.0, 61.0, 90.0, 91.0, 120.0, 121.0])
    >>> neighbour_groups(towns[:, None], 2).tolist() == [1, 1, 2, 2, 3, 3, 4, 4, 5, 5]
    True
    """
    count = round(len(places) / group_size)
    if count < MIN_GROUPS or group_size == 1:
        return np.arange(1, len(places) + 1)
    found = fcluster(linkage(places, method="ward"), count, criterion="maxclust")
    # Numbered in the order of the rows, not of the tree.
    return np.unique(found, return_index=True)[1].argsort().argsort()[found - 1] + 1


def hold_out(fit, design, response, groups):
    """Every group against a fit without it.

    Parameters
    ----------
    fit : callable
        Takes the rows kept (bool, shape (n,)) and gives a `sitefinder.hydrology.regression.LeastSquares`, or None.
    design : ndarray, shape (n, k)
    response : ndarray, shape (n,)
    groups : ndarray of int, shape (n,)

    Returns
    -------
    HeldOut
    """
    rows, columns = design.shape
    residuals, half_width = np.full(rows, np.nan), np.full(rows, np.nan)
    for group in np.unique(groups):
        is_used = groups != group
        without = fit(is_used) if is_used.sum() > columns + 1 else None
        if without is None:
            continue
        rest = design[~is_used]
        own = np.einsum("ij,jk,ik->i", rest, without.covariance, rest)
        factor = stats.t.ppf(0.5 + INTERVAL_SHARE / 2, int(is_used.sum()) - columns)
        residuals[~is_used] = response[~is_used] - rest @ without.coefficients
        half_width[~is_used] = factor * np.sqrt(without.model_error_variance + own)
    return HeldOut(residuals, half_width, np.abs(residuals) <= half_width)


def interval_widening(held_out, groups):
    """Factor on the interval's half width in logs with which it covers nine of ten held-out gauges.

    Parameters
    ----------
    held_out : HeldOut
    groups : ndarray of int, shape (n,)
        Those that were held out together.

    Returns
    -------
    float
        1 where the interval held enough as it is: nine of ten, or with ten groups and more no further under that
        than one standard error of the share. It is never narrowed.

    Notes
    -----
    Else the factor is the ⌈0.9 (n + 1)⌉th smallest of the residuals over their half widths, the rule of split
    conformal prediction (Lei, G'Sell, Rinaldo, Tibshirani & Wasserman 2018, J. Am. Stat. Assoc. 113:1094-1111,
    from memory), with whole neighbourhoods held out. Similarity of gauges in a group is not corrected for.
    """
    ratio = np.sort(np.abs(held_out.residuals / held_out.half_width))
    ratio = ratio[np.isfinite(ratio)]
    if ratio.size == 0:
        return 1.0
    chance = math.sqrt(INTERVAL_SHARE * (1.0 - INTERVAL_SHARE) / ratio.size)
    granted = chance if len(np.unique(groups)) >= TELLING_GROUPS else 0.0
    if np.mean(ratio <= 1.0) >= INTERVAL_SHARE - granted:
        return 1.0
    return max(1.0, float(ratio[_widening_place(ratio.size) - 1]))


# Number of held-out gauges that an interval should cover, for nine in ten new ones.
def _widening_place(gauges):
    return min(math.ceil(INTERVAL_SHARE * (gauges + 1)), gauges)


# Two gauges are taken as nested where their distance over the square root of their mean area is at most 0.5 and
# their areas are within a factor of five: the screen for redundant gauges of Gruber & Stedinger (2008) and
# Veilleux (2009), from memory. Theirs measures between centroids; gauges are all we have.
MAX_STANDARD_DISTANCE = 0.5
MAX_AREA_RATIO = 5.0


# Pairs of gauges so close, for their catchment size, that one is probably in the other's catchment.
def _nested_by_place(area_km2, places_km):
    first, second = np.triu_indices(len(area_km2), 1)
    distance = np.linalg.norm(places_km[first] - places_km[second], axis=1)
    one, other = area_km2[first], area_km2[second]
    with np.errstate(invalid="ignore", divide="ignore"):
        near = distance <= MAX_STANDARD_DISTANCE * np.sqrt((one + other) / 2)
        alike = np.maximum(one, other) <= MAX_AREA_RATIO * np.minimum(one, other)
    return list(zip(first[near & alike].tolist(), second[near & alike].tolist(), strict=True))


def nested_by_chain(ids, downstream):
    """Pairs of gauges of which one drains to the other, by the next gauge downstream of each.

    Parameters
    ----------
    ids, downstream : sequence of str
        Empty text where there is no gauge downstream; an id that is not in `ids` ends the chain.

    Returns
    -------
    list of (int, int)
        Rows, upstream first.

    Examples
    --------
    >>> nested_by_chain(["a", "b", "c"], ["b", "c", ""])
    [(0, 1), (0, 2), (1, 2)]
    """
    row_of = {name: row for row, name in enumerate(ids)}
    pairs = []
    for row in range(len(ids)):
        visited, below = {row}, row_of.get(downstream[row])
        # Down the chain; a circle ends where it meets itself.
        while below is not None and below not in visited:
            pairs.append((row, below))
            visited.add(below)
            below = row_of.get(downstream[below])
    return pairs


ALL = "all"
FITTED = "fitted"
IN_PROBABILITY = "zero, in the probability of zero"
CENSORED = "zero, counted as less than the limit"


class RegionalFits(NamedTuple):
    """What was fitted, as tables.

    Attributes
    ----------
    equations : list of Equation
    summary : DataFrame
        A row a region and statistic.
    coefficients : DataFrame
        A row a coefficient: its error, t, p and variance inflation.
    gauges : DataFrame
        A row a gauge and statistic: what ``became`` of it, and how the fit sees it.
    candidates : DataFrame
        A row a set of predictors that was compared.
    warnings : DataFrame
        ``region``, ``statistic`` (empty: all) and ``warning``.
    suspects : DataFrame
        Implausible gauges: ``region`` and the columns of
        `sitefinder.hydrology.plausibility.suspect_gauges`.
    mean_regressions : list of sitefinder.hydrology.strength.MeanRegression
        Strength of those of the mean flow.
    """

    equations: list
    summary: pd.DataFrame
    coefficients: pd.DataFrame
    gauges: pd.DataFrame
    candidates: pd.DataFrame
    warnings: pd.DataFrame
    suspects: pd.DataFrame
    mean_regressions: list


class Region(NamedTuple):
    """The gauges of one region, with everything that its statistics share."""

    name: str
    gauges: pd.DataFrame
    places_km: np.ndarray | None
    groups: np.ndarray


def fit_regions(gauges, places_km=None, *, table, settings, limits=None):
    """An equation for each statistic and region of a gauge table.

    Parameters
    ----------
    gauges : DataFrame
        As of `sitefinder.io.gauges.read_gauges`, with the columns that the settings name.
    places_km : ndarray, shape (n, d), optional
        As of `sitefinder.hydrology.regional_fit.places_km`; NaN where a gauge has no place.
    table : sitefinder.settings.GaugeTable
    settings : sitefinder.settings.FitSettings
    limits : sitefinder.settings.flows.RegressionLimits, optional
        Beyond which the regression of a mean flow is weak; absent: those of the defaults.

    Returns
    -------
    RegionalFits

    Raises
    ------
    InputError
        If no region has enough gauges, or the method asks for years of record or their spread that are not there.

    Notes
    -----
    A gauge counts for a region whether its statistic is zero or not, since zeros are fitted too. Intervals are
    tried on whole neighbourhoods held out, and widened where they hold fewer than nine of ten gauges, see
    `sitefinder.hydrology.regional_fit.interval_widening`.
    """
    if settings.method != "ordinary" and table.record_years_column is None:
        raise InputError.of(
            f"a {settings.method} fit needs the years of record",
            expected="record_years_column of the gauges",
            found="none",
            fix='name the column, or set fit.method = "ordinary"',
        )
    columns = settings.statistics or [column for column in gauges.columns if statistic_of(column)]
    names = gauges[settings.region_column] if settings.region_column else pd.Series(ALL, index=gauges.index)
    kinds = ("equations", "summary", "coefficients", "gauges", "candidates", "warnings", "suspects")
    parts, small = {key: [] for key in kinds}, {}
    for name in sorted(names.unique(), key=lambda text: (len(text), text)):
        inside = (names == name).to_numpy()
        region = _region(name, gauges[inside], None if places_km is None else places_km[inside], settings)
        parts["suspects"].append(_suspects(region, table))
        enough = len(region.gauges) >= settings.min_gauges
        if not enough:
            small[name] = int(inside.sum())
        else:
            _warn_of_region(parts, region, table, settings)
        for column in columns:
            if enough:
                _fit_statistic(parts, region, column, table, settings)
            else:
                became = f"region has fewer than {settings.min_gauges} gauges"
                parts["gauges"].append(_gauge_rows(region, column, pd.Series(became, index=region.gauges.index)))
    if len(small) == 1:
        ((name, count),) = small.items()
        _warn(parts, name, "", f"{count} gauges are fewer than {settings.min_gauges}; not fitted")
    elif small:
        named = listed([f"{name} ({count})" for name, count in small.items()])
        _warn(
            parts,
            ALL,
            "",
            f"{len(small)} regions have fewer than {settings.min_gauges} gauges; not fitted: {named}",
        )
    if not parts["equations"]:
        raise InputError.of(
            "nothing could be fitted",
            expected=f"a region with at least {settings.min_gauges} gauges",
            found=listed([row["warning"] for row in parts["warnings"]]),
            fix="lower fit.min_gauges, join regions, or name fewer predictors",
        )
    warnings = pd.DataFrame(parts["warnings"], columns=["region", "statistic", "warning"])
    return RegionalFits(
        parts["equations"],
        pd.DataFrame(parts["summary"]),
        pd.concat(parts["coefficients"], ignore_index=True),
        pd.concat(parts["gauges"], ignore_index=True),
        pd.concat(parts["candidates"], ignore_index=True) if parts["candidates"] else pd.DataFrame(),
        warnings,
        pd.concat(parts["suspects"], ignore_index=True),
        mean_regressions(parts["equations"], RegressionLimits() if limits is None else limits),
    )


# Suspects among all gauges of a region, whether it gets equations or not.
def _suspects(region, table):
    known = region.gauges if MEAN_FLOW in region.gauges else region.gauges.assign(**{MEAN_FLOW: np.nan})
    found = suspect_gauges(known, table.predictors, table.forms)
    found.insert(0, "region", region.name)
    return found


def _region(name, gauges, places_km, settings):
    if places_km is None or np.isnan(places_km).any():
        return Region(name, gauges, None, np.arange(len(gauges)))
    return Region(name, gauges, places_km, neighbour_groups(places_km, settings.group_size))


def _warn(parts, region, statistic, warning):
    parts["warnings"].append({"region": region, "statistic": statistic, "warning": warning})


def _warn_of_region(parts, region, table, settings):
    ids = region.gauges.index.astype(str).tolist()
    years = table.record_years_column
    if years:
        short = region.gauges[years] < settings.short_record_years
        if short.any():
            names = listed(region.gauges.index[short])
            _warn(parts, region.name, "", f"records under {settings.short_record_years:g} years: {names}")
    if table.x_column and region.places_km is None:
        _warn(parts, region.name, "", "gauges without coordinates: distances are not used, each is held out alone")
    pairs = []
    if settings.downstream_column:
        pairs = nested_by_chain(ids, region.gauges[settings.downstream_column].tolist())
    elif region.places_km is not None and "area_km2" in region.gauges:
        pairs = _nested_by_place(region.gauges["area_km2"].to_numpy(), region.places_km)
    if pairs:
        named = listed([f"{ids[one]} and {ids[other]}" for one, other in pairs], 3)
        how = "nested gauges" if settings.downstream_column else "gauges so near that they may be nested"
        _warn(parts, region.name, "", f"{how}, which measure the same water twice: {named}")


def _fit_statistic(parts, region, column, table, settings):
    statistic = statistic_of(column)
    gauges, weights = region.gauges, None if settings.method == "ordinary" else table.record_years_column
    predictors = _chosen_predictors(parts, region, column, table, settings, weights)
    if predictors is None:
        became = pd.Series("no set of predictors could be fitted", index=gauges.index)
        parts["gauges"].append(_gauge_rows(region, column, became))
        return
    has_logs = have_form(gauges, predictors, table.forms)
    zero = (gauges[column] == 0).to_numpy() & has_logs
    sampling = _sampling_errors(region, column, table, settings)
    censored = bool(zero.any()) and settings.zero_flows == "censored"
    try:
        if censored:
            fit = fit_censored_equation(
                gauges,
                column,
                predictors,
                zero,
                table.source,
                region.name,
                settings.censored_below_m3s,
                table.forms,
            )
        else:
            fit = fit_equation(
                gauges, column, predictors, table.source, weights, region.name, sampling, table.forms
            )
    except InputError as error:
        _warn(parts, region.name, statistic, str(error).replace("\n", "; "))
        became = pd.Series("the fit failed", index=gauges.index)
        parts["gauges"].append(_gauge_rows(region, column, became))
        return
    dropped = fit.diagnostics.dropped.set_index("gauge")["reason"]
    became = dropped.reindex(gauges.index).fillna(FITTED)
    became[zero] = CENSORED if censored else IN_PROBABILITY
    held, groups = _held_out(
        region, column, predictors, fit, zero if censored else None, weights, sampling, table.forms
    )
    widening = interval_widening(held, groups)
    equation = _named(fit.equation, region, widening, held, groups)
    fit = Fit(equation, fit.diagnostics)
    equations = [equation]
    if zero.any() and not censored:
        equations.append(_zero_equation(parts, region, column, predictors, zero, has_logs, table))
    parts["equations"] += equations
    parts["summary"].append(_summary_row(region, column, predictors, fit, zero, held, groups, widening))
    parts["coefficients"].append(_coefficient_rows(region, statistic, predictors, fit.diagnostics, table.forms))
    parts["gauges"].append(_gauge_rows(region, column, became, fit, predictors, held, table.forms))
    for warning in _warnings_of_fit(fit, widening, settings):
        _warn(parts, region.name, statistic, warning)


def _chosen_predictors(parts, region, column, table, settings, weights):
    if not settings.candidates:
        return list(table.predictors)
    compared = compare_predictors(
        region.gauges, column, table.predictors, settings.candidates, settings.max_candidates, weights, table.forms
    )
    statistic = statistic_of(column)
    shown = compared.assign(predictors=[", ".join(names) for names in compared["predictors"]])
    shown.insert(0, "region", region.name)
    shown.insert(1, "statistic", statistic)
    parts["candidates"].append(shown)
    best = compared.iloc[0]
    if best["why_not"]:
        _warn(parts, region.name, statistic, f"no set of predictors can be chosen: {best['why_not']}")
        return None
    return list(best["predictors"])


def _sampling_errors(region, column, table, settings):
    if settings.method != "generalised":
        return None
    if column not in settings.year_to_year_log10:
        raise InputError.of(
            f"generalised least squares of {column} lacks its errors",
            expected=f"fit.year_to_year_log10 for {column}, the statistic's spread from year to year",
            found=f"for {listed(settings.year_to_year_log10)}",
            fix="give it, name the columns to fit in fit.statistics, or choose another fit.method",
        )
    correlation = np.eye(len(region.gauges))
    if region.places_km is not None:
        apart = np.linalg.norm(region.places_km[:, None] - region.places_km[None, :], axis=2)
        correlation = correlation_by_distance(apart, settings.correlation_theta, settings.correlation_alpha_per_km)
    years = region.gauges[table.record_years_column].to_numpy(dtype=np.float64)
    return sampling_covariance(settings.year_to_year_log10[column], years, correlation)


# Each gauge from a fit without its neighbourhood. Groups are those of the region, the same for all statistics.
def _held_out(region, column, predictors, fit, censored, weights, sampling, forms):
    used = region.gauges.index.get_indexer(fit.diagnostics.gauges)
    gauges, groups = region.gauges.iloc[used], region.groups[used]
    design = design_of(gauges, predictors, forms)
    with np.errstate(divide="ignore"):
        response = np.log10(gauges[column].to_numpy(dtype=np.float64))
    if censored is not None:
        below = censored[used]
        limit = float(np.log10(fit.limit_m3s))

        def fitted(is_used):
            return least_squares_of_censored(design[is_used], response[is_used], below[is_used], limit)

        held = hold_out(fitted, design, np.where(below, np.nan, response), groups)
        return held, groups
    if sampling is not None:
        errors = sampling[np.ix_(used, used)]

        def fitted(is_used):
            return generalised_least_squares(
                design[is_used], response[is_used], errors[np.ix_(is_used, is_used)], False
            )
    else:
        years = None if weights is None else gauges[weights].to_numpy(dtype=np.float64)

        def fitted(is_used):
            return least_squares(design[is_used], response[is_used], None if years is None else years[is_used])

    return hold_out(fitted, design, response, groups), groups


def _named(equation, region, widening, held, groups):
    changes = {"region": None if region.name == ALL else region.name}
    if widening > 1.0:
        inside, count = int(np.nansum(held.covered)), int(np.isfinite(held.residuals).sum())
        how = "neighbourhoods" if len(np.unique(groups)) < len(groups) else "single gauges"
        changes["interval_widening"] = widening
        changes["interval_widening_reason"] = f"held {inside} of {count} gauges when {how} were held out"
    return equation.model_copy(update=changes)


def _zero_equation(parts, region, column, predictors, zero, has_logs, table):
    known = has_logs & np.isfinite(region.gauges[column].to_numpy(dtype=np.float64))
    gauges, statistic = region.gauges[known], statistic_of(column)
    found = fit_zero_probability(design_of(gauges, predictors, table.forms), zero[known])
    if found.penalised:
        _warn(
            parts,
            region.name,
            statistic,
            f"{zero.sum()} zeros are parted from the others by the predictors, or nearly; the probability of zero "
            "comes from a penalised fit and is rough",
        )
    return Equation(
        statistic=ZERO_OF + statistic,
        form="logistic",
        logit_of="zero",
        constant=found.coefficients[0],
        predictors=tuple(
            predictor_of(name, coefficient, gauges[name], table.forms, log="log10")
            for name, coefficient in zip(predictors, found.coefficients[1:], strict=True)
        ),
        flow_unit="none",
        misclassified_percent=found.misclassified_percent,
        covariance=tuple(map(tuple, ((found.covariance + found.covariance.T) / 2).tolist())),
        gauges=int(known.sum()),
        source=table.source,
        table="fitted by sitefinder, logistic regression" + (" with Firth's penalty" if found.penalised else ""),
        region=None if region.name == ALL else region.name,
    )
