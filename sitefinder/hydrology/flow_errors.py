"""How the regressed flows may be wrong: the level and the shape of duration curves, drawn from their errors."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy.special import chdtri, ndtri, stdtrit

from sitefinder.hydrology.environmental_flow import environmental_flow_by_bin
from sitefinder.hydrology.equations import INTERVAL_SHARE
from sitefinder.hydrology.seasons import YearBins

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sitefinder.settings.flows import EnvironmentalFlowRule

# Independent parts into which the error of a curve is divided: at its level first, then its slope and so on.
MAX_COMPONENTS = 3
# As many are used as give this share of the variance of the quantiles' errors (own choice).
EXPLAINED_SHARE = 0.95
# Degrees of freedom that are tried for the t factor of an interval; the last one is as good as normal.
DEGREES = np.array([1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 60, 100, 200, 1000], dtype=np.float64)


class FlowErrors(NamedTuple):
    """Natural flows of n stations, and what draws of them need.

    Attributes
    ----------
    curve_m3s : ndarray of float64, shape (n, 200)
        Duration curves in bins of equal time, of any number, from high to low; their mean is `mean_m3s`.
    mean_m3s, area_km2 : ndarray of float64, shape (n,)
    bins_m3s : ndarray of float64, shape (n, bins)
        The flows that energy goes by, without abstractions: the curves, or the days of a year by month.
    taken_m3s : ndarray of float64, shape (n, bins), or None
        What abstractions take of them.
    month : ndarray of int8, shape (bins,), or None
    mean_log_sd, mean_log_bias, degrees : ndarray of float64, shape (n,)
        Standard deviation of the mean flow's prediction in natural logs, the log of the mean over its median, and
        the degrees of freedom of Student's t.
    quantile_z : ndarray of float64, shape (m,)
        Standard normal quantile of non-exceedance of each regressed quantile, falling.
    quantile_log_sd, quantile_log_bias : ndarray of float64, shape (n, m)
    span : float
        Errors of two quantiles correlate by exp(-|z - z'| / span).
    judged_curve_ratio, judged_bins_ratio : ndarray of float64, shape (n, 200) and (n, bins), or None
        The flows that rules of the environmental flow go by, over those of curve and bins, where they are others.
    stated_left_m3s : ndarray of float64, shape (n,), or None
        What must not be used of flows that the user states, in place of the rules.
    """

    curve_m3s: np.ndarray
    mean_m3s: np.ndarray
    area_km2: np.ndarray
    bins_m3s: np.ndarray
    taken_m3s: np.ndarray | None
    month: np.ndarray | None
    mean_log_sd: np.ndarray
    mean_log_bias: np.ndarray
    degrees: np.ndarray
    quantile_z: np.ndarray
    quantile_log_sd: np.ndarray
    quantile_log_bias: np.ndarray
    span: float
    judged_curve_ratio: np.ndarray | None = None
    judged_bins_ratio: np.ndarray | None = None
    stated_left_m3s: np.ndarray | None = None

    def at(self, stations):
        """Those of some stations, by their numbers."""
        per_station = {
            name: getattr(self, name)[stations]
            for name in (
                "curve_m3s",
                "mean_m3s",
                "area_km2",
                "mean_log_sd",
                "mean_log_bias",
                "degrees",
                "quantile_log_sd",
                "quantile_log_bias",
            )
        }
        # One table stays one where bins are the curves themselves.
        same = self.bins_m3s is self.curve_m3s
        per_station["bins_m3s"] = per_station["curve_m3s"] if same else self.bins_m3s[stations]
        for name in ("taken_m3s", "judged_curve_ratio", "judged_bins_ratio", "stated_left_m3s"):
            table = getattr(self, name)
            per_station[name] = None if table is None else table[stations]
        return self._replace(**per_station)

    @property
    def components(self):
        """How many independent parts the error of a curve has."""
        return _loadings(self.quantile_z, self.span).shape[1]


class FlowModel(NamedTuple):
    """What flows may be: their errors, and the rules that the environmental flow goes by."""

    errors: FlowErrors
    rules: Sequence[EnvironmentalFlowRule]
    closed_months: Sequence[int] = ()

    def at(self, stations):
        """That of some stations, by their numbers."""
        return self._replace(errors=self.errors.at(stations))

    def without_errors(self):
        """That of flows which are as expected for sure."""
        nothing = ("mean_log_sd", "mean_log_bias", "quantile_log_sd", "quantile_log_bias")
        none = {name: np.zeros_like(getattr(self.errors, name)) for name in nothing}
        return self._replace(errors=self.errors._replace(**none))


class DrawnFlows(NamedTuple):
    """Drawn flows, a row for each station and draw.

    ``bins_m3s`` and ``environmental_flow_m3s`` have the shape (n · draws, bins); ``factor`` is each bin's flow
    over that of the estimate, and ``level`` the mean flow's, shape (n · draws,).
    """

    bins_m3s: np.ndarray
    environmental_flow_m3s: np.ndarray
    factor: np.ndarray
    level: np.ndarray


def flow_errors(
    estimate,
    area_km2,
    span,
    bins_m3s=None,
    taken_m3s=None,
    month=None,
    judged_curve_ratio=None,
    judged_bins_ratio=None,
) -> FlowErrors:
    """The errors of an estimate of natural flows.

    Parameters
    ----------
    estimate : sitefinder.hydrology.estimate.FlowEstimate
        Of n stations. Where measured flows reduced the error of the mean, those of the quantiles are reduced in
        proportion.
    area_km2 : ndarray of float64, shape (n,)
    span : float
        See `FlowErrors`.
    bins_m3s, taken_m3s, month, judged_curve_ratio, judged_bins_ratio : optional
        See `FlowErrors`; by default the curves, without abstractions and months.

    Returns
    -------
    FlowErrors

    Notes
    -----
    The degrees of freedom are those whose t gives the interval of the mean flow its width. A station whose
    quantiles have no errors of their own has the error of its mean at every flow.
    """
    low, high, mean = estimate.mean_low_m3s, estimate.mean_high_m3s, estimate.mean_m3s
    known = low > 0
    median = np.sqrt(np.where(known, low * high, 1.0))
    bias = np.log(np.where(known, mean, 1.0) / median)
    log_sd = np.where(known, np.nan_to_num(estimate.mean_log_sd), 0.0)
    half = np.log(np.where(known, high, 1.0) / np.where(known, low, 1.0)) / 2.0
    found = estimate.quantile_errors
    if found is None:
        z, quantile_sd, quantile_bias = np.zeros(1), log_sd[:, None], np.zeros((len(mean), 1))
    else:
        z = -ndtri(found.percent / 100.0)
        less = np.divide(log_sd, found.mean_log_sd, out=np.ones(len(mean)), where=found.mean_log_sd > 0)
        quantile_sd = np.nan_to_num(found.log_sd) * less[:, None]
        quantile_bias = np.nan_to_num(found.log_bias) * less[:, None] ** 2
    return FlowErrors(
        curve_m3s=estimate.curve_m3s,
        mean_m3s=mean,
        area_km2=np.asarray(area_km2, dtype=np.float64),
        bins_m3s=estimate.curve_m3s if bins_m3s is None else bins_m3s,
        taken_m3s=taken_m3s,
        month=month,
        mean_log_sd=log_sd,
        mean_log_bias=np.where(log_sd > 0, bias, 0.0),
        degrees=_degrees_of(np.divide(half, log_sd, out=np.zeros(len(mean)), where=log_sd > 0)),
        quantile_z=z,
        quantile_log_sd=quantile_sd,
        quantile_log_bias=quantile_bias,
        span=span,
        judged_curve_ratio=judged_curve_ratio,
        judged_bins_ratio=judged_bins_ratio,
    )


# Degrees of freedom for which Student's t has this factor at the interval's ends; infinite for the normal one.
def _degrees_of(factor):
    factors = stdtrit(DEGREES, 0.5 + INTERVAL_SHARE / 2.0)
    inverse = np.interp(-np.asarray(factor), -factors, 1.0 / DEGREES)
    inverse = np.where(factor <= factors[-1], 0.0, inverse)
    return np.divide(1.0, inverse, out=np.full(inverse.shape, np.inf), where=inverse > 0)


def stated_flow_errors(bins_m3s, month, left_m3s, error_share) -> FlowErrors:
    """The errors of flows that the user states: each flow of a place is off by the same factor.

    Parameters
    ----------
    bins_m3s : ndarray of float64, shape (n, bins)
        Flows of a mean year, each month's from high to low.
    month : ndarray of int8, shape (bins,)
    left_m3s : ndarray of float64, shape (n,)
        What must not be used.
    error_share : ndarray of float64, shape (n,)
        Standard error of the mean over the mean; the factor is lognormal with mean 1.

    Returns
    -------
    FlowErrors
    """
    count, log_sd = len(bins_m3s), np.sqrt(np.log1p(np.asarray(error_share, dtype=np.float64) ** 2))
    return FlowErrors(
        curve_m3s=-np.sort(-bins_m3s, axis=1),
        mean_m3s=bins_m3s.mean(axis=1),
        area_km2=np.zeros(count),
        bins_m3s=bins_m3s,
        taken_m3s=None,
        month=month,
        mean_log_sd=log_sd,
        mean_log_bias=log_sd**2 / 2.0,
        degrees=np.full(count, np.inf),
        quantile_z=np.zeros(1),
        quantile_log_sd=log_sd[:, None],
        quantile_log_bias=log_sd[:, None] ** 2 / 2.0,
        span=1.0,
        stated_left_m3s=np.asarray(left_m3s, dtype=np.float64),
    )


def t_scale(uniform, degrees):
    """What a normal error is multiplied by so that it is one of Student's t.

    Parameters
    ----------
    uniform : ndarray of float64, shape (draws,)
        Between 0 and 1.
    degrees : ndarray of float64, shape (n,)
        Degrees of freedom; infinite for none of it.

    Returns
    -------
    ndarray of float64, shape (n, draws)
        Root of the degrees of freedom over a chi-squared number of as many.
    """
    # Stations of one region have few different degrees.
    degrees, own = np.unique(degrees, return_inverse=True)
    known, uniform = np.isfinite(degrees), np.asarray(uniform)
    freedom, scale = degrees[known][:, None], np.ones((len(degrees), len(uniform)))
    scale[known] = np.sqrt(freedom / chdtri(freedom, 1.0 - uniform[None, :]))
    return scale[own]


# Weight of each component in the error of each quantile, shape (m, components); each row has the sum of squares 1.
def _loadings(z, span):
    alike = np.exp(-np.abs(z[:, None] - z[None, :]) / span)
    variance, vectors = np.linalg.eigh(alike)
    order = np.argsort(-variance, kind="stable")
    share = np.cumsum(variance[order]) / variance.sum()
    count = min(int(np.searchsorted(share, EXPLAINED_SHARE)) + 1, MAX_COMPONENTS, len(z))
    kept = order[:count]
    # The sign of an eigenvector is arbitrary: a positive error raises the flow, by its greatest part.
    vectors = vectors[:, kept] * np.sign(vectors[:, kept].sum(axis=0) + 1e-12)
    loadings = vectors * np.sqrt(variance[kept])
    return loadings / np.sqrt((loadings**2).sum(axis=1))[:, None]


# Share of each quantile's error in that of each bin, shape (m, bins): linear in z between quantiles, level beyond.
def _of_bins(z, count):
    bins, rising = -ndtri((np.arange(count) + 0.5) / count), z[::-1]
    return np.array([np.interp(bins, rising, part) for part in np.eye(len(z))[:, ::-1]])


# Product of each row with a matrix, which the rows beside it change in no digit: a library of linear algebra takes
# several rows at once, and adds up otherwise where fewer are left.
def _each_row(rows, matrix):
    return (rows[:, None, :] @ matrix)[:, 0, :]


def draw_flows(model, normals, uniform) -> DrawnFlows:
    r"""Flows as they may be, drawn from the errors of the equations.

    Parameters
    ----------
    model : FlowModel
        Of n stations; the environmental flow goes by the flow that is drawn.
    normals : ndarray of float64, shape (n, draws, components) or (1, draws, components)
        Standard normals.
    uniform : ndarray of float64, shape (draws,)
        For the degrees of freedom, see `t_scale`.

    Returns
    -------
    DrawnFlows

    Notes
    -----
    The error of a quantile in natural logs is its standard deviation times a standard normal number :math:`g(z)`;
    two of them correlate by :math:`\exp(-|z - z'| / L)` (own choice of form; *L* is measured, see
    `sitefinder/README.md`). What the principal components beyond the first few hold is spread over these. The
    error of the mean flow is its own standard deviation times the mean of *g* over the water, scaled to the
    variance 1: the curve's shape errs by the quantiles, and its level is then brought to the mean flow that is
    drawn, as the estimate's is. All errors of a station are multiplied by the same factor of Student's t.
    """
    errors, draws = model.errors, normals.shape[1]
    count = len(errors.mean_m3s)
    loadings, of_bins = (
        _loadings(errors.quantile_z, errors.span),
        _of_bins(errors.quantile_z, errors.curve_m3s.shape[1]),
    )
    g = np.broadcast_to(normals @ loadings.T, (count, draws, len(loadings)))
    scale = t_scale(uniform, errors.degrees)[..., None]
    water = np.nan_to_num(_each_row(errors.curve_m3s, of_bins.T))
    total = water.sum(axis=1, keepdims=True)
    water = np.divide(water, total, out=np.full(water.shape, 1.0 / water.shape[1]), where=total > 0)
    spread = np.linalg.norm(_each_row(water, loadings), axis=1)
    of_mean = np.einsum("nm,ndm->nd", water, g) / spread[:, None]
    log_level = errors.mean_log_sd[:, None] * scale[..., 0] * of_mean - errors.mean_log_bias[:, None]
    own = errors.quantile_log_sd[:, None, :] * scale * g - errors.quantile_log_bias[:, None, :]
    factor = np.exp(own @ of_bins)
    curve = errors.curve_m3s[:, None, :]
    drawn_mean = (curve * factor).mean(axis=2)
    level = np.exp(log_level)
    wanted = level * curve.mean(axis=2)
    factor *= np.divide(wanted, drawn_mean, out=np.ones_like(wanted), where=drawn_mean > 0)[..., None]
    shape = (count * draws, factor.shape[2])
    # A shape that errs much may rise somewhere; the curve is what it is once sorted. Few do: to look costs less.
    drawn = curve * factor
    rises = ~(drawn[..., 1:] <= drawn[..., :-1]).all(axis=2)
    drawn[rises] = -np.sort(-drawn[rises], axis=1)
    factor = np.divide(drawn, curve, out=factor, where=curve > 0).reshape(shape)
    drawn = drawn.reshape(shape)
    bins, factor = _on_bins(errors, drawn, factor, draws)
    if errors.stated_left_m3s is not None:
        left = np.minimum(np.repeat(errors.stated_left_m3s, draws)[:, None], bins)
        return DrawnFlows(bins, left, factor, level.ravel())
    area_km2, mean = np.repeat(errors.area_km2, draws), (errors.mean_m3s[:, None] * level).ravel()
    judged, judged_bins = drawn, bins
    if errors.judged_curve_ratio is not None:
        judged = drawn * np.repeat(errors.judged_curve_ratio, draws, axis=0)
        mean = judged.mean(axis=1)
        of_bins = errors.judged_bins_ratio
        judged_bins = judged if of_bins is None else bins * np.repeat(of_bins, draws, axis=0)
    year = None if errors.month is None else YearBins(errors.month, judged_bins, np.ones(len(bins)))
    environmental_flow = environmental_flow_by_bin(
        judged, mean, model.rules, area_km2, year, model.closed_months, None if judged_bins is bins else bins
    )
    if errors.taken_m3s is not None:
        bins = np.maximum(bins - np.repeat(errors.taken_m3s, draws, axis=0), 0.0)
        environmental_flow = np.minimum(environmental_flow, bins)
    return DrawnFlows(bins, environmental_flow, factor, level.ravel())


# Flows and factors on the bins that energy goes by. A day of the year has the factor of its place in the curve.
def _on_bins(errors, curve, factor, draws):
    if errors.bins_m3s is errors.curve_m3s:
        return curve, factor
    rank = np.argsort(np.argsort(-errors.bins_m3s, axis=1, kind="stable"), axis=1, kind="stable")
    place = (rank + 0.5) / errors.bins_m3s.shape[1] * factor.shape[1]
    of_bins = np.take_along_axis(factor, np.repeat(place.astype(np.int64), draws, axis=0), axis=1)
    return np.repeat(errors.bins_m3s, draws, axis=0) * of_bins, of_bins


def scenarios(components, count):
    """Evenly spread normal numbers for an expectation.

    Parameters
    ----------
    components : int
    count : int
        Even; the second half mirrors the first.

    Returns
    -------
    normals : ndarray of float64, shape (1, count, components)
        The first component has the midpoints of equal shares of the normal distribution.
    uniform : ndarray of float64, shape (count,)

    Notes
    -----
    The others are the additive recurrence of [1]_, which is evenly spread in any number of dimensions.

    References
    ----------
    .. [1] M. Roberts, "The unreasonable effectiveness of quasirandom sequences," 2018 (from memory).
    """
    half = count // 2
    golden = 2.0
    for _ in range(30):
        golden = (1.0 + golden) ** (1.0 / (components + 1.0))
    steps = golden ** -np.arange(1.0, components + 1.0)
    points = (0.5 + np.arange(1, half + 1)[:, None] * steps) % 1.0
    first = (np.arange(half) + 0.5) / count
    normals = ndtri(np.column_stack([first, points[:, : components - 1]]))
    return np.concatenate([normals, -normals])[None], np.tile(points[:, -1], 2)
