"""A raster as it is: system, extent, cells, nodata and gaps, vertical unit and datum, from parts of it."""

from typing import NamedTuple

import numpy as np

from sitefinder.dem.judging import find_gaps
from sitefinder.errors import InputError
from sitefinder.inspection.systems import SystemFound, system_of
from sitefinder.io.crs import CELL_UNITS
from sitefinder.io.raster import PLAIN_CELLS, USUAL_NODATA, RasterFacts, file_facts_of, raster_facts
from sitefinder.io.raster_judging import judge_dem, looked_at_blocks
from sitefinder.settings import CovariateSource
from sitefinder.units import METRES_PER_VERTICAL_UNIT

DEM, OTHER = "dem", "inspected"


class RasterFound(NamedTuple):
    """A raster.

    Attributes
    ----------
    crs : SystemFound or None
    vertical_datum, vertical_unit : str or None
        As the file states them; the unit as settings write it, where the file's is one of these.
    bounds : tuple of float, shape (4,)
        In the raster's own coordinates.
    rows, columns, bands : int
    cell_width, cell_height : float
        In the unit of the coordinates.
    dtype : str
    nodata : float or None
        As the file states it.
    suspected_nodata : list of float
        Values of cells that seem to be without data.
    looked_at : int
        Cells looked at; the two that follow are of these.
    gap_percent : float or None
    minimum, maximum : float or None
    covered_percent : float or None
        Share of the DEM's extent that it covers; None for the DEM itself, and where one has no known place.
    problems : list of str
        What a run would say of it as a DEM, each with what to do.
    """

    crs: SystemFound | None
    vertical_datum: str | None
    vertical_unit: str | None
    bounds: tuple
    rows: int
    columns: int
    bands: int
    cell_width: float
    cell_height: float
    dtype: str
    nodata: float | None
    suspected_nodata: list
    looked_at: int
    gap_percent: float | None
    suspected_percent: float | None
    minimum: float | None
    maximum: float | None
    covered_percent: float | None
    problems: list


class RasterRead(NamedTuple):
    """What was found of a raster, and its bounds and coordinate system, to which layers are compared."""

    found: RasterFound
    bounds: tuple
    crs: object


def inspect_raster(path, name, *, is_dem) -> RasterRead:
    """Look at a raster: its header, and about a million cells in blocks.

    Parameters
    ----------
    path : str or Path
        A file, or an address within an archive.
    name : str
        The file as messages name it.
    is_dem : bool
        Whether it is judged as a DEM.

    Returns
    -------
    RasterRead

    Raises
    ------
    InputError
        If it is no raster that can be read.
    """
    what = DEM if is_dem else OTHER
    source = CovariateSource(path=str(path))
    folder = path.parent
    _, header = file_facts_of(source, folder, what)
    transform, problems = header.transform, []
    bounds = _bounds(transform, header.shape)
    try:
        facts = raster_facts(source, folder, what)
    except InputError as error:
        problems.append(str(error).replace(str(path), name))
        facts = None
    units, datums = _vertical(header)
    blocks = []
    if _cells_are_plain(header):
        facts = facts or _bare_facts(path, what, name, header, bounds)
        facts = facts._replace(lineage={**facts.lineage, "name": what, "path": name})
        blocks = list(looked_at_blocks(facts))
    suspected = _suspected(blocks) if is_dem else _usual(blocks)
    factor = METRES_PER_VERTICAL_UNIT.get(units or "metre", 1.0)
    if blocks and is_dem and facts.crs is not None:
        problems += _judged(facts, factor, suspected)
    # What is suspected is none of the ground's values.
    known = [block[np.isfinite(block) & ~np.isin(block, suspected)] for block in blocks]
    values = np.concatenate(known) if known else np.empty(0)
    looked_at = sum(block.size for block in blocks)
    gaps = sum(int(np.isnan(block).sum()) for block in blocks)
    found = RasterFound(
        system_of(header.crs),
        datums,
        units,
        bounds,
        int(header.shape[0]),
        int(header.shape[1]),
        header.bands,
        abs(transform.a),
        abs(transform.e),
        header.dtype,
        header.nodata,
        suspected,
        looked_at,
        100.0 * gaps / looked_at if looked_at else None,
        100.0 * sum(int(np.isin(block, suspected).sum()) for block in blocks) / looked_at if looked_at else None,
        float(values.min()) if values.size else None,
        float(values.max()) if values.size else None,
        None,
        problems,
    )
    return RasterRead(found, bounds, header.crs)


# Minimum x, minimum y, maximum x and maximum y of the four corners, also of a rotated raster.
def _bounds(transform, shape):
    a, b, left, d, e, top = tuple(transform)[:6]
    corners = [(column, row) for row in (0, shape[0]) for column in (0, shape[1])]
    x = [left + a * column + b * row for column, row in corners]
    y = [top + d * column + e * row for column, row in corners]
    return min(x), min(y), max(x), max(y)


# Whether blocks of cells can be read: north up, and one band of unscaled numbers.
def _cells_are_plain(header):
    transform = header.transform
    is_number = np.issubdtype(header.dtype, np.floating) or np.issubdtype(header.dtype, np.integer)
    is_north_up = not (transform.b or transform.d or transform.e >= 0)
    has_parts = all(part.exists() for part in header.parts)
    return is_north_up and header.bands == 1 and header.scaling == PLAIN_CELLS and is_number and has_parts


# Facts of a raster without a known coordinate system.
def _bare_facts(path, what, name, header, bounds):
    size = (abs(header.transform.a), abs(header.transform.e))
    return RasterFacts(
        str(path), header.crs, header.nodata, header.shape, bounds, *size, None, {"name": what, "path": name}
    )


# The unit and datum of elevations that all of its files state; None where they state none, or several.
def _vertical(header):
    datums = {each.datum for each in header.heights.values()} - {None}
    units = {unit for each in header.heights.values() if (unit := _unit(each)) is not None}
    return units.pop() if len(units) == 1 else None, datums.pop() if len(datums) == 1 else None


def _unit(heights):
    for unit, metres in METRES_PER_VERTICAL_UNIT.items():
        if heights.axis_m is not None and abs(heights.axis_m / metres - 1.0) < 1e-8:
            return unit
    named = CELL_UNITS.get("".join(filter(str.isalpha, (heights.cell_unit or "").lower())), ())
    return named[0] if len(named) == 1 else None


def _usual(blocks):
    found = {float(value) for block in blocks for value in USUAL_NODATA if (block == value).any()}
    return sorted(found)


def _suspected(blocks):
    usual = _usual(blocks)
    cleared = [np.where(np.isin(block, usual), np.nan, block) for block in blocks]
    return sorted({*usual, *(gap.value for gap in find_gaps(cleared))})


# What a check would say, first as the file is, then with the suspected value taken as nodata.
def _judged(facts, factor, suspected):
    problems = []
    for nodata in [facts.nodata, *suspected[:1]] if suspected else [facts.nodata]:
        try:
            stated = nodata != facts.nodata
            notes = judge_dem(facts._replace(nodata=nodata), factor, nodata_is_stated=stated)
            problems += [f"{found}\n  fix:  {fix}" for found, fix in notes]
        except InputError as error:
            problems.append(str(error))
    return list(dict.fromkeys(problems))
