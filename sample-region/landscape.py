"""An invented landscape: uplift, rivers that cut, hillslopes that creep, on a square grid.

References
----------
.. [1] J. Braun, S. D. Willett, "A very efficient O(n), implicit and parallel method to solve the stream power
   equation governing fluvial incision and landscape evolution," Geomorphology, vol. 180-181, pp. 170-179, 2013.
.. [2] R. Barnes, C. Lehman, D. Mulla, "Priority-flood: an optimal depression-filling and watershed-labeling
   algorithm for digital elevation models," Computers & Geosciences, vol. 62, pp. 117-127, 2014.
"""

import heapq
from typing import NamedTuple

import numpy as np
import plan
from numba import njit
from scipy.ndimage import gaussian_filter, zoom
from scipy.spatial import cKDTree

# Steady rivers have slope = (uplift / erodibility) / sqrt(area): with 26 m, 0.0034 at 60 km² and 0.026 at 1 km²,
# which is low-head country in the valleys and hills of some hundreds of metres between them.
UPLIFT_M_PER_YEAR = 1e-4
STEEPNESS_M = 26.0
ERODIBILITY_PER_YEAR = UPLIFT_M_PER_YEAR / STEEPNESS_M
CREEP_M2_PER_YEAR = 0.007

# How deep and wide the courses of planned rivers are cut before erosion begins.
TRENCH_M, TRENCH_HALF_WIDTH_M = 18.0, 70.0

ROW_STEP = np.array([-1, -1, -1, 0, 0, 1, 1, 1])
COLUMN_STEP = np.array([-1, 0, 1, -1, 1, -1, 0, 1])


class Stage(NamedTuple):
    """One part of the run: grid coarsened by ``coarseness``, ``steps`` of ``years`` each."""

    coarseness: int
    steps: int
    years: float


# Valleys are found on a coarse grid, where steps are cheap, and sharpened on finer ones.
STAGES = (Stage(4, 220, 2e4), Stage(2, 25, 1e4), Stage(1, 7, 4e3))


def evolve(cells, cell_m, gaps, seed, planned=False):
    """Elevation of an eroded landscape whose rivers leave through the gaps of a raised rim.

    Parameters
    ----------
    cells : int
        Rows and columns of the square grid; a multiple of 4.
    cell_m : float
        Size of a cell [m].
    gaps : sequence of (float, float)
        Places on the border where rivers leave, as (row, column) shares of the side, 0 to 1.
    seed : int
        Seed of the roughness that decides where valleys form.
    planned : bool
        Whether the rivers and rocks of `plan` are laid down beforehand.

    Returns
    -------
    ndarray of float64, shape (cells, cells)
        Elevation above the lowest gap [m].

    Notes
    -----
    Stream power law with area exponent 0.5 and slope exponent 1, solved implicitly from the outlets up [1]_;
    hillslope creep is linear diffusion, applied exactly as a Gaussian of variance 2 D t each step.
    """
    if cells % STAGES[0].coarseness:
        raise ValueError(f"cells must be a multiple of {STAGES[0].coarseness} (found {cells})")
    rng = np.random.default_rng([seed, 1])
    hardness = smooth_noise(rng, cells, 2000.0 / cell_m)
    coarse = cells // STAGES[0].coarseness
    # Roughness at three lengths, so that the first valleys wander instead of running along the grid.
    start = sum(weight * smooth_noise(rng, coarse, length) for weight, length in ((4, 20), (3, 6), (2, 1)))
    courses = plan.lay_courses(cells * cell_m, seed) if planned else None
    elevation = None
    for stage in STAGES:
        size, spacing = cells // stage.coarseness, cell_m * stage.coarseness
        rock = hardness[:: stage.coarseness, :: stage.coarseness]
        if planned:
            over_m, slope, away_m = _over_courses(courses, size, spacing)
            base, is_base = _planned_border(size, spacing, gaps, over_m + 18.0 + slope * rock.clip(-1, 1) * 100.0)
            share = np.arange(size) / (size - 1)
            steepness_m = plan.steepness_m(*np.meshgrid(share, share, indexing="ij"))
            # Along the planned rivers the rock is that of the plan alone.
            rock = rock * (1 - np.exp(-((away_m / 700.0) ** 2)))
        else:
            base, is_base = _border(size, spacing, gaps, rock)
            steepness_m = STEEPNESS_M
        if elevation is None:
            elevation = 10.0 + 2.0 * start
            if planned:
                # A trench holds the river in its bends until it has a valley of its own.
                elevation = 1.5 * start + over_m - TRENCH_M * np.exp(-((away_m / TRENCH_HALF_WIDTH_M) ** 2))
        else:
            elevation = zoom(elevation, size / elevation.shape[0], order=1, grid_mode=True, mode="nearest")
        erodibility = ERODIBILITY_PER_YEAR * (STEEPNESS_M / steepness_m) * 10 ** (0.18 * rock)
        blur = np.sqrt(2 * CREEP_M2_PER_YEAR * stage.years) / spacing
        land_m2 = np.full(elevation.size, spacing**2)
        rivers = plan.entries(size, STAGES[0].coarseness // stage.coarseness) if planned else []
        for row, column, river in rivers:
            land_m2[row * size + column] += river.erodes_as_km2 * 1e6
        for _ in range(stage.steps):
            elevation = gaussian_filter(elevation, blur, mode="nearest") + UPLIFT_M_PER_YEAR * stage.years
            elevation = np.where(is_base, _opened(base, elevation, rivers, spacing), elevation)
            receiver, order = drain(elevation, is_base)
            area_m2 = accumulate(receiver, order, land_m2)
            _incise(elevation, receiver, order, area_m2, erodibility, stage.years, spacing)
    return elevation


# What the ground first stands at [m], how fast it rises from the planned rivers, and how far away they are [m].
def _over_courses(courses, size, spacing):
    share = np.arange(size) / (size - 1)
    row, column = np.meshgrid(share, share, indexing="ij")
    tree = cKDTree(np.column_stack([courses.row, courses.column]))
    away, nearest = tree.query(np.column_stack([row.ravel(), column.ravel()]))
    away_m = (away * (size - 1) * spacing).reshape(size, size)
    slope = plan.ground_slope(row, column)
    return courses.level_m[nearest].reshape(size, size) + slope * away_m, slope, away_m


# The border of a planned region: gaps at their levels, elsewhere as high as the ground that was laid down.
def _planned_border(size, spacing, gaps, ground_m):
    row, column = np.mgrid[0:size, 0:size]
    is_border = (row == 0) | (column == 0) | (row == size - 1) | (column == size - 1)
    base = ground_m.copy()
    for number, (gap_row, gap_column) in enumerate(gaps):
        gap_m = np.hypot(row - gap_row * (size - 1), column - gap_column * (size - 1)) * spacing
        base = np.where(gap_m <= 0.75 * spacing, plan.GAP_LEVELS_M[number], base)
    return base, is_border


# The border where rivers come in: a little above them, rising to both sides, and never below what they have cut.
def _opened(base, elevation, rivers, spacing):
    opened = base
    for row, column, _ in rivers:
        rows, columns = np.ogrid[0 : base.shape[0], 0 : base.shape[1]]
        away_m = np.hypot(rows - row, columns - column) * spacing
        bank = elevation[row, column] + 2.0 + 0.03 * away_m
        opened = np.where(away_m < 700.0, np.minimum(opened, bank), opened)
        opened = np.maximum(opened, np.where(away_m < 700.0, elevation[row, column] + 2.0, -np.inf))
    return opened


def cell_centres(shape, transform):
    """Map coordinates of the centres of all cells of a north-up grid: x [m] and y [m], each of that shape."""
    row, column = np.mgrid[0 : shape[0], 0 : shape[1]]
    return to_map(transform, row, column)


def to_map(transform, row, column):
    """Map coordinates (x, y) [m] of the centres of cells of a north-up grid."""
    return transform.c + (column + 0.5) * transform.a, transform.f + (row + 0.5) * transform.e


def to_cell(transform, x_m, y_m):
    """Row and column of places, as numbers that are whole at the centres of cells of a north-up grid."""
    return (y_m - transform.f) / transform.e - 0.5, (x_m - transform.c) / transform.a - 0.5


def smooth_noise(rng, cells, length_cells):
    """Gaussian noise of mean 0 and standard deviation 1, correlated over ``length_cells``.

    Drawn on a wrapped grid, and scaled by what it came to, so that its spread is one at every size.
    """
    field = gaussian_filter(rng.normal(size=(cells, cells)), length_cells / 2, mode="wrap")
    return (field - field.mean()) / field.std()


# Border elevations [m] and where they hold: low at the gaps, rising away from them, so that most of the ground
# drains inwards and only a narrow outer slope leaves over the rim.
def _border(size, spacing, gaps, hardness):
    row, column = np.mgrid[0:size, 0:size]
    is_border = (row == 0) | (column == 0) | (row == size - 1) | (column == size - 1)
    away_m = np.full((size, size), np.inf)
    for gap_row, gap_column in gaps:
        gap_m = np.hypot(row - gap_row * (size - 1), column - gap_column * (size - 1)) * spacing
        away_m = np.minimum(away_m, gap_m)
    # A cell of the finest grid is the mouth; the wall beside it stands well over the flood plain.
    at_gap = away_m <= 0.75 * spacing
    reach_m = size * spacing
    rim = 22.0 + 215.0 * np.clip(away_m / (0.55 * reach_m), 0, 1) ** 0.8 * (1 + 0.12 * hardness)
    rim *= min(1.0, 0.35 + reach_m / 12_000.0)
    return np.where(at_gap, 0.0, rim), is_border


@njit(cache=True)
def drain(elevation, is_outlet):
    """Receiver of every cell (itself at outlets) and the cells in an order that starts at the outlets.

    Priority flood [2]_; a cell drains to its steepest strictly lower neighbour on the filled surface, and inside a
    pit to the cell it was flooded from. Both arrays are flat int64, shape (cells,).
    """
    rows, columns = elevation.shape
    receiver = np.full(rows * columns, -1, np.int64)
    order = np.empty(rows * columns, np.int64)
    filled = np.full((rows, columns), np.inf)
    heap = [(0.0, np.int64(0), np.int64(0)) for _ in range(0)]
    count = np.int64(0)
    for row in range(rows):
        for column in range(columns):
            if is_outlet[row, column]:
                filled[row, column] = elevation[row, column]
                receiver[row * columns + column] = row * columns + column
                heapq.heappush(heap, (elevation[row, column], count, np.int64(row * columns + column)))
                count += 1
    done = 0
    while heap:
        level, _, cell = heapq.heappop(heap)
        order[done] = cell
        done += 1
        row, column = cell // columns, cell % columns
        steepest, best = 0.0, -1
        for k in range(8):
            near_row, near_column = row + ROW_STEP[k], column + COLUMN_STEP[k]
            if near_row < 0 or near_column < 0 or near_row >= rows or near_column >= columns:
                continue
            near = near_row * columns + near_column
            if receiver[near] < 0:
                receiver[near] = cell
                filled[near_row, near_column] = max(elevation[near_row, near_column], level)
                heapq.heappush(heap, (filled[near_row, near_column], count, np.int64(near)))
                count += 1
            elif not is_outlet[row, column]:
                step = np.sqrt(float(ROW_STEP[k] ** 2 + COLUMN_STEP[k] ** 2))
                slope = (level - filled[near_row, near_column]) / step
                if slope > steepest:
                    steepest, best = slope, near
        if best >= 0:
            receiver[cell] = best
    return receiver, order[:done]


@njit(cache=True)
def accumulate(receiver, order, amount):
    """Sum of ``amount`` over each cell and everything that drains through it, float64, shape (cells,)."""
    total = amount.copy()
    for k in range(order.size - 1, -1, -1):
        cell = order[k]
        if receiver[cell] != cell:
            total[receiver[cell]] += total[cell]
    return total


# Implicit step of the stream power law [1], in place on the caller's fresh array, outlets first.
@njit(cache=True)
def _incise(elevation, receiver, order, area_m2, erodibility, years, spacing):
    columns = elevation.shape[1]
    flat, hardness = elevation.ravel(), erodibility.ravel()
    for k in range(order.size):
        cell = order[k]
        down = receiver[cell]
        if down == cell:
            continue
        straight = (cell // columns == down // columns) or (cell % columns == down % columns)
        length = spacing if straight else spacing * np.sqrt(2.0)
        cut = hardness[cell] * np.sqrt(area_m2[cell]) * years / length
        flat[cell] = (flat[cell] + cut * flat[down]) / (1 + cut)
