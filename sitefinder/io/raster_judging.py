"""What a look at parts of the user's rasters says against them, in a check and before a run takes them."""

import math

import numpy as np

from sitefinder.dem.judging import find_gaps, ground_slopes, share_in_valleys
from sitefinder.errors import InputError
from sitefinder.io.raster import USUAL_NODATA, bounds_in_run, cells_at, opened, read_cells, validate_heights

# Cells that are looked at, in blocks spread evenly over the raster; smaller rasters are looked at whole (own
# choice).
LOOKED_AT_CELLS, BLOCK_CELLS = 1_000_000, 256
# Mean difference of neighbours in standard deviations of all cells: 0.02 to 0.06 on the four DEMs of sample-region
# and tests/real, 1.03 to 1.14 for the same cells in any order (`tests/real/test_dem_judging.py`).
MAX_ROUGHNESS = 0.6
# The mean slope of a whole region: 0.03 to 0.21 there. A mean of 2 is a wall of 63°; a DEM in feet taken for
# metres is not found by this, one in centimetres or kilometres mostly is (own choice).
IMPOSSIBLE_SLOPE, MAX_USUAL_SLOPE, MIN_USUAL_SLOPE = 2.0, 0.7, 5e-4
# Distance around a point of a stream: the farther of both [cells, m]. Of the points of the sample's and the Logan
# River's lines, also 50 m beside their place, 97 % and more are lower than the ground around them; of any points,
# half are.
AROUND_CELLS, AROUND_M, DIRECTIONS = 3.0, 200.0, 8
STREAM_POINTS = 500
MIN_SHARE_IN_VALLEYS, UPSIDE_DOWN_SHARE = 0.75, 0.25
# More rain than anywhere on earth falls in no year: the greatest annual mean is just under 12 m (from memory).
MAX_PRECIPITATION_MM = 15_000.0
# Covariates whose unit allows no negative value, by the end of their name, and the greatest value of a share.
NEVER_NEGATIVE, PERCENT = ("_mm", "_percent", "_km2", "_m3s"), "_percent"


def judge_dem(facts, factor, *, nodata_is_stated):
    """Look at parts of a DEM, refuse what no DEM holds, and note what is unlikely.

    Parameters
    ----------
    facts : sitefinder.io.raster.RasterFacts
    factor : float
        Metres in a unit of the cells.
    nodata_is_stated : bool
        Whether the settings state the nodata value: then gaps of another value are noted and not refused.

    Returns
    -------
    list of list of str
        For each note what was found, and what to do.

    Raises
    ------
    InputError
        If a block cannot be read, no cell has data, heights are impossible, gaps have no nodata value,
        neighbouring cells have nothing to do with each other, or slopes are those of another unit.
    """
    blocks = [block for block in looked_at_blocks(facts) if _has_data(block)]
    if not blocks:
        raise _without_data(facts)
    for block in blocks:
        validate_heights(block, factor, facts)
    blocks = [block * factor for block in blocks]
    notes = _gap_notes(facts, blocks, factor, nodata_is_stated)
    slopes = ground_slopes(blocks, *_cell_size_m(facts))
    if slopes is None:
        return notes
    if slopes.roughness > MAX_ROUGHNESS:
        raise InputError.of(
            "the dem raster holds no ground",
            file=facts.lineage["path"],
            expected="neighbouring cells that are alike",
            found=f"neighbours {slopes.roughness:.2f} standard deviations of all cells apart, as any two are",
            fix="give a DEM; this raster holds noise, classes or something else",
        )
    found = f"a mean slope of {100 * slopes.mean:.3g} %"
    if slopes.mean > IMPOSSIBLE_SLOPE:
        raise InputError.of(
            "the dem raster is impossibly steep",
            file=facts.lineage["path"],
            expected=f"a mean slope below {100 * IMPOSSIBLE_SLOPE:g} %",
            found=found,
            fix="correct inputs.dem.vertical_unit, or convert cells in centimetres or millimetres",
        )
    if not MIN_USUAL_SLOPE <= slopes.mean <= MAX_USUAL_SLOPE:
        notes.append(
            [f"{found}, which few regions have", "check inputs.dem.vertical_unit and the unit of the cells"]
        )
    return notes


def _gap_notes(facts, blocks, factor, nodata_is_stated):
    gaps = find_gaps(blocks)
    if not gaps:
        return []
    found = "; ".join(f"{gap.cells} cells of {gap.value / factor:g}" for gap in gaps) + " with cliffs all around"
    if nodata_is_stated:
        return [[found, "check whether they have data; more than one nodata value must be made one beforehand"]]
    first = f"{gaps[0].value / factor:g}"
    raise InputError.of(
        "the dem raster seems to have gaps without a nodata value",
        file=facts.lineage["path"],
        expected="cells without data that hold the nodata value"
        + ("" if facts.nodata is None else f" {facts.nodata:g}"),
        found=found,
        fix=f"state nodata = {first} in inputs.dem; if these cells are ground, state there what else is nodata",
    )


def judge_streams(facts, crs, factor, lines):
    """Note where streams do not lie in the valleys of a DEM.

    Parameters
    ----------
    facts : sitefinder.io.raster.RasterFacts
        Of the DEM.
    crs : str
        The run's system, which the lines are in.
    factor : float
        Metres in a unit of the cells.
    lines : sequence of shapely geometry

    Returns
    -------
    list of list of str
        For each note what was found, and what to do.

    Raises
    ------
    InputError
        If a block of the DEM cannot be read.
    """
    x_m, y_m = _points_along(lines)
    distance_m = max(AROUND_CELLS * max(_cell_size_m(facts)), AROUND_M)
    angle = 2.0 * math.pi * np.arange(DIRECTIONS) / DIRECTIONS
    own_m = cells_at(facts, x_m, y_m, crs, factor=factor)
    around_x_m = x_m[:, None] + distance_m * np.cos(angle)
    around_y_m = y_m[:, None] + distance_m * np.sin(angle)
    share = share_in_valleys(own_m, cells_at(facts, around_x_m, around_y_m, crs, factor=factor))
    if share is None or share >= MIN_SHARE_IN_VALLEYS:
        return []
    found = f"only {100 * share:.0f} % of the streams lie lower than the ground {distance_m:.0f} m around them"
    if share < UPSIDE_DOWN_SHARE:
        return [[found, "check whether the DEM is upside down; its heads may be those of ridges"]]
    return [[found, "check whether DEM and streams are of one place, and their coordinate systems"]]


# Points at even distances along all lines together.
def _points_along(lines):
    import shapely

    parts = shapely.get_parts(np.asarray(lines, dtype=object))
    length_m = shapely.length(parts)
    ends_m = np.cumsum(length_m)
    if not len(parts) or ends_m[-1] <= 0.0:
        return np.empty(0), np.empty(0)
    at_m = (np.arange(STREAM_POINTS) + 0.5) * ends_m[-1] / STREAM_POINTS
    row = np.minimum(np.searchsorted(ends_m, at_m), len(parts) - 1)
    points = shapely.line_interpolate_point(parts[row], at_m - (ends_m[row] - length_m[row]))
    return shapely.get_x(points), shapely.get_y(points)


def judge_covariate(facts, crs, scale, bounds):
    """Look at parts of a covariate and refuse what its unit does not allow.

    Parameters
    ----------
    facts : sitefinder.io.raster.RasterFacts
    crs : str
        The run's system.
    scale : float
        Factor from the cells to the unit in its name.
    bounds : sequence of float
        West, south, east and north of the DEM in the run's system [m].

    Raises
    ------
    InputError
        If it does not lie on the DEM's ground, a block cannot be read, no cell has data, or cells hold a usual
        nodata value, are negative, above what is possible, or all zero where its name's unit does not allow that.
    """
    name = facts.lineage["name"]
    west, south, east, north = bounds_in_run(facts, crs)
    if west >= bounds[2] or east <= bounds[0] or south >= bounds[3] or north <= bounds[1]:
        raise InputError.of(
            f"the {name} raster lies in another place than the dem",
            file=facts.lineage["path"],
            expected=f"cells within {_box(bounds)} ({crs})",
            found=_box((west, south, east, north)),
            fix=f"correct inputs.covariates.{name}.path, or its crs",
        )
    blocks = [block for block in looked_at_blocks(facts) if _has_data(block)]
    if not blocks:
        raise _without_data(facts)
    values = np.concatenate([block[~np.isnan(block)] for block in blocks])
    problem = _covariate_problem(name, values, values * scale)
    if problem is not None:
        expected, found, fix = problem
        raise InputError.of(
            f"the {name} raster holds impossible values",
            file=facts.lineage["path"],
            expected=expected,
            found=found,
            fix=fix,
        )


# What a covariate should hold, what it holds, and what to do; None where nothing is wrong.
def _covariate_problem(name, cells, values):
    mark = (
        f"state nodata in inputs.covariates.{name} if that value means no data; else correct the file or its scale"
    )
    usual = cells[np.isin(cells, USUAL_NODATA) | np.isinf(cells)]
    if usual.size:
        return "values of the ground", f"cells of {usual[0]:g}", mark
    if not name.endswith(NEVER_NEGATIVE):
        return None
    if values.min() < 0.0:
        return "no negative values", f"cells down to {values.min():g}", mark
    if values.max() == 0.0 and not name.endswith(PERCENT):
        return "values above zero", "zero everywhere", f"correct the file, or inputs.covariates.{name}.scale"
    most = (
        100.0 if name.endswith(PERCENT) else MAX_PRECIPITATION_MM if name.startswith("precipitation") else math.inf
    )
    # A share may be a little more than everything, by rounding.
    if values.max() > most * 1.001:
        return f"at most {most:,g}", f"cells up to {values.max():,.6g}", mark
    return None


def _without_data(facts):
    nodata = "none is stated" if facts.nodata is None else f"nodata value {facts.nodata:g}"
    return InputError.of(
        f"the {facts.lineage['name']} raster has no data",
        file=facts.lineage["path"],
        expected="cells with data",
        found=f"only cells without, in all places that were looked at ({nodata})",
        fix="check the file, and the nodata value that is stated for it",
    )


def _has_data(block):
    return not np.isnan(block).all()


def _box(bounds):
    return f"{bounds[0]:,.0f} to {bounds[2]:,.0f} east, {bounds[1]:,.0f} to {bounds[3]:,.0f} north"


# Width and height of a cell [m]; of one in degrees as on a sphere, which is enough for slopes.
def _cell_size_m(facts):
    if not facts.crs.is_geographic:
        unit_m = facts.crs.axis_info[0].unit_conversion_factor if facts.crs.axis_info else 1.0
        return facts.cell_width * unit_m, facts.cell_height * unit_m
    degree_m = math.pi * 6_371_000.0 / 180.0
    middle = math.radians((facts.bounds[1] + facts.bounds[3]) / 2.0)
    return facts.cell_width * degree_m * math.cos(middle), facts.cell_height * degree_m


def looked_at_blocks(facts):
    """Blocks of cells spread evenly over a raster, about a million cells at most.

    Parameters
    ----------
    facts : sitefinder.io.raster.RasterFacts

    Yields
    ------
    ndarray of float64, shape (rows, columns)
        In the raster's own unit, NaN without data.

    Raises
    ------
    InputError
        If a block cannot be read.
    """
    rows, columns = facts.shape
    corners = [(row, column) for row in range(0, rows, BLOCK_CELLS) for column in range(0, columns, BLOCK_CELLS)]
    most = max(LOOKED_AT_CELLS // BLOCK_CELLS**2, 1)
    if len(corners) > most:
        corners = [corners[place] for place in np.linspace(0, len(corners) - 1, most).round().astype(int).tolist()]
    with opened(facts) as raster:
        for row, column in corners:
            size = min(BLOCK_CELLS, rows - row), min(BLOCK_CELLS, columns - column)
            yield read_cells(raster, facts, row, column, *size)
