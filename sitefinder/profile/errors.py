"""Error of the DEM and, by simulation, of the long profile; and the minimum head that it resolves."""

from collections.abc import Callable
from typing import Literal, NamedTuple

import numpy as np
import pandas as pd
import shapely
from pydantic import Field, field_validator
from scipy.special import ndtri

from sitefinder.compiled import kernel
from sitefinder.profile.fitting import SLOPE_CHANGES_OVER_M, fit_long_profile, of_stations
from sitefinder.profile.monotone import monotone_profile
from sitefinder.settings import Section, one_error_stated

# Simulations that are held in double precision at once; limits memory besides the result.
SIMULATIONS_AT_ONCE = 16
# Correlation length of the slopes in a simulation with roughness [m].
ROUGH_OVER_M = 300.0
# The generator's streams: noise, the streams' roughness, and errors of reading.
ROUGHNESS_KEY, READING_KEY = 2**63, 2**62


def simulate_profile_errors(
    profile_m,
    downstream,
    to_downstream_m,
    rmse_m,
    correlation_length_m,
    simulations,
    seed,
    quantile=0.5,
    weight=None,
    first_draw=0,
    *,
    refit=None,
    roughness=0.0,
    is_break=None,
    readings=None,
):
    r"""Errors of the long profile in simulated surveys of a stream that looks like it.

    Parameters
    ----------
    profile_m : ndarray of float64, shape (n,)
        Fitted profile [m], taken for the truth; NaN where there is none.
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    to_downstream_m : ndarray of float64, shape (n,)
        Distance from each station to the next downstream [m]; of no account at outlets.
    rmse_m : float or ndarray of float64, shape (n,)
        Root mean square error of the DEM at a station [m].
    correlation_length_m : float or ndarray of float64, shape (n,)
        Distance along the stream [m] at which the correlation of the DEM's errors has fallen to 1/e. Zero
        for independent errors (stations at the same place still share theirs). Between two stations that differ
        in it, half of the way counts with each.
    simulations : int
        Number of simulated surveys.
    seed : int
        Seed of the noise, 0 to 2⁶⁴ - 1.
    quantile, weight
        As in the fit of the profile itself (`monotone_profile`).
    first_draw : int
        Number of the first simulation. Simulation k of a seed is the same whichever others are made, so that
        workers can share them out.
    refit : callable, optional
        Takes surveyed elevations and gives the profile fitted to them [m]; absent: `monotone_profile`.
    roughness : float
        Standard deviation of the logarithm of the true slope about the profile's; 0 takes the profile as it is.
    is_break : ndarray of bool, shape (n,), optional
        True right above a step, whose height is true as it is.
    readings : sitefinder.profile.readings.ReadingErrors, optional
        Further errors of the elevations.

    Returns
    -------
    ndarray of float32, shape (n, simulations)
        Refitted profile less the profile [m].

    Raises
    ------
    ValueError
        If an argument is out of its range or a length differs.

    Notes
    -----
    A parametric bootstrap [1]_: the noise has the DEM's stated error and not the spread of the residuals about
    the fit, since a DEM that is wrong over a whole pool shows no residual there. The noise is Gaussian; from
    the outlet up it is the Markov chain ``e[i] = rho · e[downstream] + sqrt(1 - rho²) · normal`` with
    ``rho = exp(-distance / length)``, in units of the standard deviation. Two stations of the same tree then
    correlate as ``exp(-d / length)`` with d the way along the streams between them, exactly, and tributaries
    share the error of their confluence.

    A bootstrap from a monotone fit is too narrow, since the fit's flats let the next one average too much [2]_.
    With a roughness each draw has a true stream of its own: the drop from station to station times a lognormal
    factor of mean 1, correlated over `ROUGH_OVER_M`.

    References
    ----------
    .. [1] B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap. New York: Chapman & Hall, 1993,
       sec. 6.5.
    .. [2] B. Sen, M. Banerjee and M. Woodroofe, "Inconsistency of bootstrap: the Grenander estimator," Ann.
       Statist., vol. 38, pp. 1953-1977, 2010 (from memory).
    """
    profile_m = np.asarray(profile_m, dtype=np.float64)
    count = profile_m.size
    downstream = np.ascontiguousarray(downstream, dtype=np.int32)
    to_downstream_m = np.ascontiguousarray(to_downstream_m, dtype=np.float64)
    rmse_m = of_stations("rmse_m", rmse_m, count)
    correlation_length_m = of_stations("correlation_length_m", correlation_length_m, count, endless=True)
    _validate_bad_simulations(simulations, seed, first_draw)
    # A fit that is not needed for its result, but refuses bad stations, weights and quantile with its own words.
    monotone_profile(profile_m, weight, downstream, quantile, to_downstream_m)

    if refit is None:

        def refit(surveyed_m):
            return monotone_profile(surveyed_m, weight, downstream, quantile, to_downstream_m)

    correlation = _correlation_with_downstream(to_downstream_m, downstream, correlation_length_m)
    if readings is not None:
        near = _correlation_with_downstream(to_downstream_m, downstream, np.full(count, readings.alike_over_m))
        at_one_place = _correlation_with_downstream(to_downstream_m, downstream, np.zeros(count))
    alike = _correlation_with_downstream(to_downstream_m, downstream, np.full(count, ROUGH_OVER_M))
    is_break = np.zeros(count, dtype=bool) if is_break is None else is_break
    errors_m = np.empty((count, simulations), dtype=np.float32)
    for begin in range(0, simulations, SIMULATIONS_AT_ONCE):
        end = min(begin + SIMULATIONS_AT_ONCE, simulations)
        block_m = np.empty((end - begin, count))
        for row in range(end - begin):
            noise = _standard_normals(count, seed, first_draw + begin + row)
            _correlate_upstream(noise, downstream, correlation)
            true_m = profile_m
            if roughness > 0.0:
                logarithm = _standard_normals(count, seed, ROUGHNESS_KEY + first_draw + begin + row)
                _correlate_upstream(logarithm, downstream, alike)
                factor = np.where(is_break, 1.0, np.exp(roughness * logarithm - roughness**2 / 2.0))
                true_m = _with_drops_times(factor, profile_m, downstream)
            surveyed_m = true_m + rmse_m * noise
            off_place_m = 0.0
            if readings is not None:
                normals = _standard_normals(2 * count, seed, READING_KEY + first_draw + begin + row)
                of_read, of_ends = normals[:count], normals[count:]
                _correlate_upstream(of_read, downstream, near)
                _correlate_upstream(of_ends, downstream, at_one_place)
                surveyed_m += readings.read_m * of_read
                off_place_m = readings.ends_m * of_ends
            block_m[row] = refit(surveyed_m) - true_m + off_place_m
        errors_m[:, begin:end] = block_m.T
    return errors_m


def _validate_bad_simulations(simulations, seed, first_draw):
    if simulations < 1 or first_draw < 0:
        raise ValueError(f"simulations must be at least 1 and first_draw 0, found {simulations} and {first_draw}")
    if not 0 <= seed < 2**64:
        raise ValueError(f"seed must be between 0 and 2**64 - 1, found {seed}")


# Correlation of each station's error with that of the next downstream; nought at outlets. Two stations at the
# same place share their error even where the length is nought.
def _correlation_with_downstream(to_downstream_m, downstream, correlation_length_m):
    own, below = correlation_length_m, correlation_length_m[np.maximum(downstream, 0)]
    is_alike = (own > 0.0) & (below > 0.0)
    own, below = np.where(is_alike, own, 1.0), np.where(is_alike, below, 1.0)
    distance = 0.5 * (to_downstream_m / own) + 0.5 * (to_downstream_m / below)
    correlation = np.where(is_alike, np.exp(-distance), to_downstream_m == 0.0)
    return np.where(downstream >= 0, correlation, 0.0)


# A counter-based generator (Salmon, Moraes, Dror & Shaw 2011, "Parallel random numbers: as easy as 1, 2, 3") with
# seed and draw as its key: each draw is a stream of its own.
def _standard_normals(count, seed, draw):
    key = np.array([seed, draw], dtype=np.uint64)
    return np.random.Generator(np.random.Philox(key=key)).standard_normal(count)


# Upstream loop, in place.
@kernel(takes="float64[::1], int32[::1], float64[::1]", fills=("noise",))
def _correlate_upstream(noise, downstream, correlation):
    for i in range(noise.size - 1, -1, -1):
        if downstream[i] >= 0:
            rho = correlation[i]
            noise[i] = rho * noise[downstream[i]] + np.sqrt(1.0 - rho * rho) * noise[i]


# Upstream loop: a profile whose drops are those of another times a factor.
@kernel(takes="float64[::1], float64[::1], int32[::1]")
def _with_drops_times(factor, profile_m, downstream):
    made_m = profile_m.copy()
    for i in range(profile_m.size - 1, -1, -1):
        below = downstream[i]
        if below >= 0 and not np.isnan(profile_m[below]):
            made_m[i] = made_m[below] + factor[i] * (profile_m[i] - profile_m[below])
    return made_m


def head_standard_error(errors_m, upper, lower):
    """Standard error of the heads between pairs of stations, from simulated profile errors.

    Parameters
    ----------
    errors_m : ndarray of float32, shape (n, simulations)
        From `simulate_profile_errors` [m].
    upper, lower : ndarray of int, shape (m,)
        Station numbers of the ends of each stretch.

    Returns
    -------
    ndarray of float64, shape (m,)
        Root mean square over the draws of the error of the head [m]; NaN where an end has no elevation.

    Raises
    ------
    ValueError
        If a station number is out of range, or the lengths of `upper` and `lower` differ.

    Notes
    -----
    About zero and not about the mean of the simulations: a fit that leans one way (a step that is rounded off, a
    lower quantile) is in error by that as well, and who reads the figure as one standard error is not misled.

    Examples
    --------
    >>> errors = np.array([[3.0, -3.0], [-1.0, 1.0]], dtype=np.float32)
    >>> head_standard_error(errors, np.array([0]), np.array([1]))
    array([4.])
    """
    upper = np.asarray(upper, dtype=np.int64)
    lower = np.asarray(lower, dtype=np.int64)
    if upper.shape != lower.shape or upper.ndim != 1:
        raise ValueError(
            f"upper and lower must have the same length, found shapes {upper.shape} and {lower.shape}"
        )
    for name, stations in (("upper", upper), ("lower", lower)):
        if stations.size and (stations.min() < 0 or stations.max() >= len(errors_m)):
            raise ValueError(f"{name} must hold station numbers from 0 to {len(errors_m) - 1}")
    return _root_mean_square_difference(errors_m, upper, lower)


@kernel(takes="float32[:, ::1], int64[::1], int64[::1]")
def _root_mean_square_difference(errors_m, upper, lower):
    head_se_m = np.empty(upper.size)
    simulations = errors_m.shape[1]
    for k in range(upper.size):
        total = 0.0
        for draw in range(simulations):
            difference = np.float64(errors_m[upper[k], draw]) - np.float64(errors_m[lower[k], draw])
            total += difference * difference
        head_se_m[k] = np.sqrt(total / simulations)
    return head_se_m


def rmse_from_le90(le90_m):
    """Root mean square error [m] of normal errors without bias, of which 90 % are within ``le90_m`` [m].

    Examples
    --------
    >>> round(float(rmse_from_le90(16.0)), 2)
    9.73
    """
    return np.asarray(le90_m, dtype=np.float64) / ndtri(0.95)


def rmse_from_le95(le95_m):
    """Root mean square error [m] of normal errors without bias, of which 95 % are within ``le95_m`` [m].

    Examples
    --------
    >>> round(float(rmse_from_le95(16.70)), 2)
    8.52
    """
    return np.asarray(le95_m, dtype=np.float64) / ndtri(0.975)


# Default where neither settings nor preset state one [m] (own choice).
USUAL_CORRELATION_LENGTH_M = 100.0
# From each measure of error to the root mean square error.
TO_RMSE: dict[str, Callable[..., np.ndarray]] = {
    "rmse": np.asarray,
    "le90": rmse_from_le90,
    "le95": rmse_from_le95,
}
OUTSIDE = -1


class ErrorSources(Section):
    """Where each figure of a preset comes from."""

    error: str = Field(min_length=1, description="author, year, title, table or page")
    error_correlation_length_m: str = Field(min_length=1)
    kind: str = Field(min_length=1)


class DemErrorFile(Section):
    """A file with the error of one kind of DEM; the error is stated in exactly one of three ways."""

    name: str = Field(min_length=1)
    kind: Literal["terrain", "surface"]
    error_le90_m: float | None = Field(None, gt=0)
    error_le95_m: float | None = Field(None, gt=0)
    error_rmse_m: float | None = Field(None, gt=0, validate_default=True)
    error_correlation_length_m: float = Field(ge=0)
    sources: ErrorSources

    @field_validator("error_rmse_m")
    @classmethod
    def _one_error(cls, value, info):
        return one_error_stated(value, info.data, ("error_le90_m", "error_le95_m", "error_rmse_m"))


class DemError(NamedTuple):
    """Error of a whole DEM: root mean square and correlation length [m], and whether it shows trees and roofs."""

    rmse_m: float
    correlation_length_m: float
    is_surface: bool


def stated_error(source, preset=None):
    """The error that settings state, with what they leave to the preset.

    Parameters
    ----------
    source : sitefinder.settings.DemSource
    preset : DemErrorFile, optional
        The file that ``source.error_preset`` names.

    Returns
    -------
    DemError
        LE90 and LE95 are taken as those of normal errors without bias.

    Examples
    --------
    >>> from sitefinder.settings import DemSource
    >>> dem = DemSource(path="dem.tif", vertical_unit="metre", vertical_datum="EGM96", error_le90_m=16.0)
    >>> round(stated_error(dem).rmse_m, 2)
    9.73
    """
    holder = source if preset is None else preset
    rmse_m = next(
        float(TO_RMSE[measure](value))
        for measure in TO_RMSE
        if (value := getattr(holder, f"error_{measure}_m")) is not None
    )
    length_m, kind = source.error_correlation_length_m, source.kind
    if length_m is None:
        length_m = USUAL_CORRELATION_LENGTH_M if preset is None else preset.error_correlation_length_m
    if kind is None:
        kind = "terrain" if preset is None else preset.kind
    return DemError(rmse_m, length_m, kind == "surface")


def footprints_at(x_m, y_m, polygons, day, rmse_m):
    """The footprint that applies at each point: of several the latest, of equal dates the most accurate.

    Parameters
    ----------
    x_m, y_m : ndarray of float64, shape (n,)
        Places [m].
    polygons : ndarray of Polygon, shape (k,)
        In the same coordinates.
    day : ndarray of int64, shape (k,)
        Date of each survey, in days from any origin.
    rmse_m : ndarray of float64, shape (k,)
        Root mean square error of each survey [m].

    Returns
    -------
    footprint : ndarray of int64, shape (n,)
        Number of the polygon, of equals the first; -1 outside all of them. A place on a border lies in both.
    count : ndarray of int64, shape (n,)
        Number of polygons over each point.

    Notes
    -----
    The later survey applies because makers of merged DEMs put the newer over the older (common practice, no
    source).

    Examples
    --------
    >>> old, new = shapely.box(0, 0, 2, 1), shapely.box(1, 0, 3, 1)
    >>> at = np.array([0.5, 1.5, 2.5, 9.0]), np.full(4, 0.5)
    >>> footprint, count = footprints_at(*at, np.array([old, new]), np.array([0, 365]), np.array([0.1, 0.5]))
    >>> footprint.tolist(), count.tolist()
    ([0, 1, 1, -1], [1, 2, 1, 0])
    """
    order = np.lexsort([np.arange(len(polygons)), rmse_m, -np.asarray(day, dtype=np.int64)])
    precedence = np.empty(len(polygons), dtype=np.int64)
    precedence[order] = np.arange(len(polygons))
    place, polygon = shapely.STRtree(polygons).query(shapely.points(x_m, y_m), predicate="intersects")
    best = np.full(len(x_m), len(polygons), dtype=np.int64)
    np.minimum.at(best, place, precedence[polygon])
    footprint = np.where(best < len(polygons), np.append(order, OUTSIDE)[best], OUTSIDE)
    return footprint, np.bincount(place, minlength=len(x_m))


# A fit is smoother than the stream it represents. In the simulation the slope varies about the fit's, by so much
# that it changes by its own size over SLOPE_CHANGES_OVER_M.
ROUGHNESS = (ROUGH_OVER_M / SLOPE_CHANGES_OVER_M / 2.0) ** 0.5


def simulate_fit_errors(
    fitted,
    known,
    downstream,
    to_downstream_m,
    rmse_m,
    correlation_length_m,
    simulations,
    seed,
    quantile=0.5,
    place_error_m=0.0,
    known_break=None,
    readings=None,
    first_draw=0,
):
    """Errors of a fitted long profile in simulated surveys, each fitted as the profile itself was.

    Parameters
    ----------
    fitted : LongProfile
        From `sitefinder.profile.fitting.fit_long_profile`.
    known : ndarray of bool, shape (n,)
        Stations with a raw elevation; rejected ones are left out of the simulated surveys too.
    downstream, to_downstream_m, rmse_m, correlation_length_m, quantile, place_error_m, known_break
        As in the fit.
    simulations : int
        Number of simulated surveys.
    seed : int
        Seed of the noise, 0 to 2⁶⁴ - 1.
    readings, first_draw
        As of `simulate_profile_errors`.

    Returns
    -------
    ndarray of float32, shape (n, simulations)
        Refitted profile less the true one [m].

    Raises
    ------
    ValueError
        As of `simulate_profile_errors`.
    """
    surveyed = known & ~fitted.is_spike

    def refit(elevation_m):
        return fit_long_profile(
            np.where(surveyed, elevation_m, np.nan),
            downstream,
            to_downstream_m,
            rmse_m,
            correlation_length_m,
            quantile,
            place_error_m=place_error_m,
            known_break=known_break,
        ).profile_m

    return simulate_profile_errors(
        fitted.profile_m,
        downstream,
        to_downstream_m,
        fitted.rmse_m,
        correlation_length_m,
        simulations,
        seed,
        quantile,
        first_draw=first_draw,
        refit=refit,
        roughness=ROUGHNESS,
        is_break=fitted.is_break,
        readings=readings,
    )


# Tolerance of the distance between two stations about the requested length, as a share of it (own choice).
LENGTH_TOLERANCE = 0.25
WORST_PERCENT = 90.0


def minimum_heads(errors_m, downstream, to_downstream_m, lengths_m, standard_errors, counts=None) -> pd.DataFrame:
    """Minimum resolvable head between stations at a distance along the network.

    Parameters
    ----------
    errors_m : ndarray of float32, shape (n, simulations)
        Simulated errors of the profile [m], see `sitefinder.profile.errors.simulate_profile_errors`.
    downstream : ndarray of int32, shape (n,)
        Next station downstream, always of a higher number, or -1.
    to_downstream_m : ndarray of float64, shape (n,)
        Way to it [m].
    lengths_m : sequence of float
        Lengths of stretches [m], rising.
    standard_errors : float
        A head of fewer standard errors is not resolved.
    counts : ndarray of bool, shape (n,), optional
        Stations that may be an end; absent: all.

    Returns
    -------
    DataFrame
        A row a length for which there are pairs of stations: ``length_m``, ``pairs``, ``min_head_m`` (median
        over the pairs) and ``min_head_p90_m`` (exceeded by a tenth of them) [m].

    Notes
    -----
    The lower end of a pair is the station whose distance from the upper one is nearest to the length, within a
    quarter of it.

    Examples
    --------
    Errors of 3 m that are the same a step down cancel, and opposite ones add up:

    >>> errors_m = np.array([[3.0, -3.0], [3.0, -3.0], [-3.0, 3.0]], dtype=np.float32)
    >>> chain = np.array([1, 2, -1], dtype=np.int32), np.array([100.0, 100.0, 0.0])
    >>> minimum_heads(errors_m, *chain, [200.0], 1.0)["min_head_m"].tolist()
    [6.0]
    """
    lengths_m = np.asarray(lengths_m, dtype=np.float64)
    to_downstream_m = np.asarray(to_downstream_m, dtype=np.float64)
    lower = _stations_below(np.asarray(downstream, dtype=np.int32), to_downstream_m, lengths_m, LENGTH_TOLERANCE)
    known = ~np.isnan(errors_m).any(axis=1)
    if counts is not None:
        known &= counts
    rows = []
    for number, length_m in enumerate(lengths_m.tolist()):
        below = lower[:, number]
        upper = np.flatnonzero((below >= 0) & known & known[below])
        if len(upper):
            min_m = standard_errors * head_standard_error(errors_m, upper, below[upper])
            rows.append((length_m, len(upper), np.median(min_m), np.percentile(min_m, WORST_PERCENT)))
    return pd.DataFrame(rows, columns=["length_m", "pairs", "min_head_m", "min_head_p90_m"])


# For each station and length the station nearest to that way downstream, or -1.
@kernel(takes="int32[::1], float64[::1], float64[::1], float64")
def _stations_below(downstream, to_downstream_m, lengths_m, tolerance):
    lower = np.full((len(downstream), len(lengths_m)), -1, dtype=np.int64)
    for start in range(len(downstream)):
        station, distance_m, number = start, 0.0, 0
        while number < len(lengths_m):
            length_m, below = lengths_m[number], downstream[station]
            next_m = distance_m + to_downstream_m[station] if below >= 0 else np.inf
            if next_m < length_m:
                station, distance_m = below, next_m
                continue
            # The length is between this station and the next.
            if abs(next_m - length_m) <= abs(distance_m - length_m):
                nearest, off_m = below, next_m - length_m
            else:
                nearest, off_m = station, length_m - distance_m
            if nearest != start and off_m <= tolerance * length_m:
                lower[start, number] = nearest
            number += 1
    return lower
