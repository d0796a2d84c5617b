"""Error of an elevation that is read beside the channel: place of the line, and roughness from cell to cell."""

from typing import NamedTuple

import numpy as np

from sitefinder.network.ordering import main_upstream
from sitefinder.profile.fitting import (
    NORMAL_MAD,
    RESIDUALS_OVER_M,
    SLOPE_CHANGES_OVER_M,
    mean_along,
    median_along,
    slopes_along,
)

# Stations so far apart lie in cells of their own, in cells.
LAG_CELLS = 1.0
# Correlation length of what cells do, in cells: a cell is a mean of ground beyond its own (resampling reaches over
# two), and a valley narrower than a cell lies in the same way in several. Own choice, on the Eno River, where 1 to
# 3 cells bring 81 to 86 % of heads from cells of 60 m into the 90 % interval (tests/benchmarks/held_heads.py).
ALIKE_CELLS = 2.0


class ReadingErrors(NamedTuple):
    """Errors of n stations beyond that of the DEM, float64 of shape (n,), root mean square [m].

    ``read_m`` is that of the elevations as read, which the fit sees; ``alike_over_m`` its correlation length along
    the stream [m]. ``ends_m`` is what the ends of links may be higher or lower for lying elsewhere on the ground
    than on the map, which no fit sees; 0 at other stations.
    """

    read_m: np.ndarray
    ends_m: np.ndarray
    alike_over_m: float


def reading_errors(
    raw_m,
    offset_m,
    link,
    downstream,
    to_downstream_m,
    profile_m,
    is_break,
    rmse_m,
    correlation_length_m,
    place_error_m,
    cell_m,
) -> ReadingErrors:
    r"""Errors of the elevation at each station beyond that of the DEM.

    Parameters
    ----------
    raw_m : ndarray of float64, shape (n,)
        Elevations as read [m], NaN where there is none or where it is refused.
    offset_m : ndarray of float64, shape (n,)
        How far to the left of the drawn line they were read [m].
    link : ndarray of int, shape (n,)
        Link of each station; its stations follow each other.
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, or -1.
    to_downstream_m : ndarray of float64, shape (n,)
        Distance to it [m].
    profile_m : ndarray of float64, shape (n,)
        The fitted long profile [m].
    is_break : ndarray of bool, shape (n,)
        True right above a step.
    rmse_m : ndarray of float64, shape (n,)
        Error that the fit took the elevations to have [m].
    correlation_length_m : ndarray of float64, shape (n,)
        Correlation length of that error along the stream [m].
    place_error_m : float
        Error of the place along the stream that ``rmse_m`` holds already [m].
    cell_m : float
        Width of a cell of the DEM [m].

    Returns
    -------
    ReadingErrors

    Notes
    -----
    *Place of the line.* A transect at right angles to the drawn line meets a channel at a distance :math:`d` not
    where it is nearest to the station, if line and channel are not parallel, but :math:`d\,|\sin\alpha|` up or
    down the channel. The angle's tangent is the change of the offset along the line, which the run itself has.
    Times the slope it is an error in height.

    *Ends of links.* Other stations represent the ground beside them. The end of a link represents a confluence or
    a parting, wherever that is on the ground, and a line that lies beside its channel is off along it as well.
    Errors of a map have no direction (common practice, no source), so along the stream they are of the size that
    the offsets around have across it.

    *Cells.* The lowest cell of a transect lies above or below the water by what the ground rises within a cell and
    by which of the noisy cells is lowest, and differently at each station. How much is shown by
    how far each elevation is from the line between those a cell up and a cell down the stream (pseudo-residuals
    [1]_, their median as a robust variance), unlike by residuals of the fit, which are nought wherever the
    elevations fall by themselves. From that variance is taken what the DEM's own error and the change of the
    stream's slope do to it; what is left counts as alike over `ALIKE_CELLS`, of which neighbours show a part.

    References
    ----------
    .. [1] T. Gasser, L. Sroka and C. Jennen-Steinmetz, "Residual variance and residual pattern in nonlinear
       regression," Biometrika, vol. 73, pp. 625-633, 1986 (from memory).

    Examples
    --------
    A line 40 to 30 m beside a channel, to which it comes nearer by 5 m over each 10 m, on a slope of 2 %:

    >>> at = np.arange(3)
    >>> errors = reading_errors(
    ...     10.0 - 0.2 * at, 40.0 - 5.0 * at, np.zeros(3, int), np.array([1, 2, -1], dtype=np.int32),
    ...     np.array([10.0, 10.0, 0.0]), 10.0 - 0.2 * at, np.zeros(3, bool), np.full(3, 0.1), np.full(3, 50.0),
    ...     3.0, 10.0,
    ... )
    >>> errors.read_m.round(2).tolist(), errors.ends_m.round(2).tolist()
    ([0.36, 0.31, 0.27], [0.7, 0.0, 0.7])
    """
    main = main_upstream(downstream, to_downstream_m)
    slope, _ = slopes_along(profile_m, main, downstream, to_downstream_m, is_break)
    of_line_m = slope * _off_along_stream(offset_m, link, to_downstream_m)
    of_cells_m = _roughness(
        raw_m, main, downstream, to_downstream_m, slope, rmse_m, correlation_length_m, LAG_CELLS * cell_m
    )
    # Offsets of the size of the place error are those of cells, not of the map.
    known = ~np.isnan(raw_m)
    squared_m2 = np.where(known, offset_m**2, 0.0)
    beside_m2 = mean_along(squared_m2, known, main, downstream, to_downstream_m, RESIDUALS_OVER_M)
    of_ends_m = slope * np.sqrt(np.maximum(beside_m2 - place_error_m**2, 0.0))
    is_end = np.append(True, link[1:] != link[:-1]) | np.append(link[1:] != link[:-1], True)
    return ReadingErrors(np.hypot(of_line_m, of_cells_m), np.where(is_end, of_ends_m, 0.0), ALIKE_CELLS * cell_m)


# How far up or down the channel from its nearest point a transect meets it [m].
def _off_along_stream(offset_m, link, to_downstream_m):
    count = len(offset_m)
    number = np.arange(count)
    before, after = np.maximum(number - 1, 0), np.minimum(number + 1, count - 1)
    before = np.where(link[before] == link, before, number)
    after = np.where(link[after] == link, after, number)
    along_m = np.where(before < number, to_downstream_m[before], 0.0)
    along_m += np.where(after > number, to_downstream_m, 0.0)
    change = np.divide(np.abs(offset_m[after] - offset_m[before]), along_m, out=np.zeros(count), where=along_m > 0)
    return np.abs(offset_m) * change / np.sqrt(1.0 + change**2)


# Standard deviation of what is independent from cell to cell, beyond the known error [m]; 0 where none shows.
def _roughness(raw_m, main, downstream, to_downstream_m, slope, rmse_m, correlation_length_m, lag_m):
    if not len(raw_m):
        return np.zeros(0)
    up, up_m = _walked(main, to_downstream_m[np.maximum(main, 0)], lag_m)
    down, down_m = _walked(downstream, to_downstream_m, lag_m)
    whole_m = np.maximum(up_m + down_m, np.finfo(float).tiny)
    of_up, of_down = down_m / whole_m, up_m / whole_m
    scale = 1.0 + of_up**2 + of_down**2
    off_m = raw_m - of_up * raw_m[up] - of_down * raw_m[down]
    reaches = (up_m >= lag_m) & (down_m >= lag_m)
    shown_m = NORMAL_MAD * median_along(
        np.where(reaches, np.abs(off_m) / np.sqrt(scale), np.nan), main, downstream
    )
    # Off a chord's middle, a slope that walks at random leads by so much: Var = rate · lag³ / 6.
    bent_m2 = slope**2 / SLOPE_CHANGES_OVER_M * lag_m**3 / (6.0 * scale)
    ways = up_m, down_m, of_up, of_down
    known_m2 = rmse_m**2 * _left_in_differences(correlation_length_m, *ways) + bent_m2
    alike_m = np.full(len(raw_m), ALIKE_CELLS / LAG_CELLS * lag_m)
    left = np.where(reaches, _left_in_differences(alike_m, *ways), 1.0)
    return np.sqrt(np.maximum(shown_m**2 - known_m2, 0.0) / left)


# Variance that a pseudo-residual of unit scale keeps of an error that is alike over a length.
def _left_in_differences(length_m, up_m, down_m, of_up, of_down):
    alike = length_m > 0.0
    length_m = np.where(alike, length_m, 1.0)
    with_up, with_down = (np.where(alike, np.exp(-way_m / length_m), 0.0) for way_m in (up_m, down_m))
    scale = 1.0 + of_up**2 + of_down**2
    shared = 2.0 * (of_up * with_up + of_down * with_down) - 2.0 * of_up * of_down * with_up * with_down
    return 1.0 - shared / scale


# The first station at least a way on from each, or the last there is; and the way to it [m].
def _walked(following, step_m, way_m):
    at, gone_m = np.arange(len(following)), np.zeros(len(following))
    while (moving := (gone_m < way_m) & (following[at] >= 0)).any():
        gone_m = np.where(moving, gone_m + step_m[at], gone_m)
        at = np.where(moving, following[at], at)
    return at, gone_m
