"""What the cells of a DEM say against it: unmarked gaps, noise, a wrong unit, streams out of valleys."""

from typing import NamedTuple

import numpy as np

# How the table of repairs begins what it says of such a DEM.
IMPLAUSIBLE_GROUND = "implausible ground: "
# Values that files often hold where they have no data (common practice, no source).
USUAL_GAPS = (0.0, -1.0, -9.0, -99.0, -999.0, -9999.0, -32767.0, -32768.0, 255.0, 999.0, 9999.0, 32767.0, 65535.0)
# Cells of one value are a gap where nearly all of their borders are steps of at least this number of metres, and
# this number of times the step that nine in ten neighbours elsewhere stay below (own choice).
GAP_STEP_M, GAP_STEP_TIMES, GAP_BORDER_SHARE, MIN_GAP_BORDERS = 10.0, 10.0, 0.9, 12
STEP_QUANTILE = 0.9
# A usual value is a gap also where it forms patches and the middle of its steps is this number of times that of
# all: patches of water have smaller steps than the ground, contours of whole metres the same ones (own choice).
PATCH_STEP_TIMES = 4.0
MIN_DIFFERENCES = 100


class Gap(NamedTuple):
    """A value that cells without data seem to have, and the number of such cells among those looked at."""

    value: float
    cells: int


class GroundSlopes(NamedTuple):
    """Mean slope between neighbours [m/m], and their mean difference over the standard deviation."""

    mean: float
    roughness: float


def find_gaps(blocks) -> list[Gap]:
    """Values that look like unmarked gaps: plateaus or pits of exactly one value with cliffs all around.

    Parameters
    ----------
    blocks : list of ndarray of float64, shape (rows, columns)
        Elevations [m], NaN without data; parts of a DEM.

    Returns
    -------
    list of Gap
        In order of value. Only usual values of gaps count, and those beyond all other cells: a flat roof between
        higher and lower ground is none.
    """
    pairs = [pair for block in blocks for pair in ((block[:, :-1], block[:, 1:]), (block[:-1], block[1:]))]
    one = np.concatenate([pair[0].ravel() for pair in pairs]) if pairs else np.empty(0)
    other = np.concatenate([pair[1].ravel() for pair in pairs]) if pairs else np.empty(0)
    known = np.isfinite(one) & np.isfinite(other) & (one != other)
    one, other = one[known], other[known]
    if one.size < MIN_GAP_BORDERS:
        return []
    step_m = np.abs(one - other)
    usual_step_m = float(np.median(step_m))
    cliff_m = max(GAP_STEP_M, GAP_STEP_TIMES * float(np.quantile(step_m, STEP_QUANTILE)))
    if step_m.max() < cliff_m:
        # Many small gaps, whose own borders are more than a tenth of all.
        cliff_m = max(GAP_STEP_M, GAP_STEP_TIMES * usual_step_m)
    is_cliff = step_m >= cliff_m
    at_cliffs, cliffs = np.unique(np.concatenate([one[is_cliff], other[is_cliff]]), return_counts=True)
    looked_at = {*at_cliffs[cliffs >= MIN_GAP_BORDERS].tolist(), *USUAL_GAPS}
    found = []
    for value in sorted(looked_at):
        if not any((block == value).any() for block in blocks):
            continue
        own_m = step_m[(one == value) | (other == value)]
        if own_m.size < MIN_GAP_BORDERS:
            continue
        is_usual = value in USUAL_GAPS
        patch_m = _steps_around_patches(value, blocks) if is_usual else own_m[:0]
        between_cliffs = np.count_nonzero(own_m >= cliff_m) / own_m.size >= GAP_BORDER_SHARE
        is_patch = patch_m.size >= MIN_GAP_BORDERS and np.median(patch_m) >= PATCH_STEP_TIMES * usual_step_m
        if is_patch or (between_cliffs and (is_usual or _is_beyond(value, blocks))):
            found.append(Gap(value, sum(int(np.count_nonzero(block == value)) for block in blocks)))
    return found


# Steps [m] from cells of a value with two neighbours or more of the same one, to the others; of one block or more.
def _steps_around_patches(value, blocks):
    found = []
    for block in blocks:
        rows, columns = block.shape
        around = np.full((4, rows, columns), np.nan)
        around[0, 1:], around[1, :-1] = block[:-1], block[1:]
        around[2, :, 1:], around[3, :, :-1] = block[:, :-1], block[:, 1:]
        is_patch = (block == value) & ((around == value).sum(axis=0) >= 2)
        step_m = np.abs(around[:, is_patch] - value)
        found.append(step_m[np.isfinite(step_m) & (step_m > 0)])
    return np.concatenate(found)


# Whether all other cells are higher, or all are lower.
def _is_beyond(value, blocks):
    with np.errstate(invalid="ignore"):
        lower = any((block < value).any() for block in blocks)
        higher = any((block > value).any() for block in blocks)
    return not (lower and higher)


def ground_slopes(blocks, width_m, height_m) -> GroundSlopes | None:
    """How steep and how rough the ground is.

    Parameters
    ----------
    blocks : list of ndarray of float64, shape (rows, columns)
        Elevations [m], NaN without data.
    width_m, height_m : float
        Of a cell [m].

    Returns
    -------
    GroundSlopes or None
        None where too few cells lie side by side.
    """
    steps_m = [np.abs(np.diff(block, axis=axis)).ravel() for block in blocks for axis in (0, 1)]
    size_m = [height_m, width_m] * len(blocks)
    slopes = [step_m / size for step_m, size in zip(steps_m, size_m, strict=True)]
    step_m, slope = (np.concatenate(parts) if parts else np.empty(0) for parts in (steps_m, slopes))
    is_known = np.isfinite(step_m)
    if is_known.sum() < MIN_DIFFERENCES:
        return None
    spread_m = float(np.nanmean([np.nanstd(block) for block in blocks]))
    roughness = float(step_m[is_known].mean()) / spread_m if spread_m > 0 else 0.0
    return GroundSlopes(float(slope[is_known].mean()), roughness)


def share_in_valleys(own_m, around_m) -> float | None:
    """Share of points on streams that lie lower than the ground around them.

    Parameters
    ----------
    own_m : ndarray of float64, shape (n,)
        Elevation at points along the streams [m], NaN without data.
    around_m : ndarray of float64, shape (n, directions)
        Elevation at one distance from each, in directions that go all around [m].

    Returns
    -------
    float or None
        None where too few points have a value. About one half where streams lie anyhow on the ground, near zero
        where it is upside down.

    Notes
    -----
    The mean all around is that of the point itself on a plane, however steep; it is higher in a valley and lower
    on a ridge.
    """
    with np.errstate(invalid="ignore"):
        depth_m = np.mean(around_m, axis=1) - own_m
    depth_m = depth_m[np.isfinite(depth_m) & (depth_m != 0.0)]
    if depth_m.size < MIN_DIFFERENCES // 2:
        return None
    return float(np.count_nonzero(depth_m > 0) / depth_m.size)
