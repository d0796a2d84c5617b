"""Features that must not be published exactly, generalised to cells of a square grid.

A cell is a fixed square of the run's coordinate system: its corners are whole multiples of its side. What is made
of a feature depends on the cells that it lies in and on nothing else, so that whoever has the result learns no
more of the place than the cell, from whatever is computed with it. Positions are generalised, never displaced at
random: the result is coarse, and true.

References
----------
A. D. Chapman, "Current Best Practices for Generalizing Sensitive Species Occurrence Data," GBIF Secretariat,
Copenhagen, 2020, doi:10.15468/doc-5jp4-5g10: generalise to a grid, do not randomise, and state what was done.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

if TYPE_CHECKING:
    import numpy.typing as npt

    from sitefinder.settings import RuleSettings

# A buffer that would show what a hidden layer is of is rounded up to this share of the cell (own choice).
BUFFER_STEP_SHARE = 0.1
# Whether a feature in the cell counts by the rule's filter; unknown where the value to filter by is missing.
APPLIES, YES = "applies", "yes"


def cells_of_features(
    geometry: npt.NDArray[np.object_],
    selected: npt.NDArray[np.bool_],
    missing: npt.NDArray[np.bool_],
    cell_m: float,
) -> pd.DataFrame:
    """Cells in which features of a layer lie that count, or that may count.

    Parameters
    ----------
    geometry : ndarray of shapely geometry, shape (n,)
        Points, lines or polygons, in metres.
    selected, missing : ndarray of bool, shape (n,)
        See `sitefinder.rules.filters.Matching`.
    cell_m : float
        Side of a cell [m].

    Returns
    -------
    DataFrame
        ``column`` and ``row`` (int64: the cell's western and southern edge over its side) and ``applies`` ("yes",
        or None where only features without a value to filter by lie there), by row and column, each cell once. A
        point on an edge lies in the cell east or north of it; a line or polygon in every cell that it touches.

    Examples
    --------
    >>> nests = shapely.points([[1200.0, 300.0], [1900.0, 10.0], [-1.0, 0.0]])
    >>> certain = np.array([True, True, False])
    >>> cells_of_features(nests, certain, ~certain, 1000.0).values.tolist()
    [[-1, 0, None], [1, 0, 'yes']]
    """
    best: dict[tuple[int, int], bool] = {}
    for shape, is_certain in zip(geometry[selected | missing], selected[selected | missing], strict=True):
        for place in _cells_of(shape, cell_m):
            best[place] = best.get(place, False) or bool(is_certain)
    ordered = sorted(best, key=lambda place: (place[1], place[0]))
    found = pd.DataFrame(ordered, columns=["column", "row"], dtype=np.int64)
    return found.assign(**{APPLIES: pd.Series([YES if best[place] else None for place in ordered], dtype=object)})


# Cells, as column and row, that a geometry touches.
def _cells_of(shape: Any, cell_m: float) -> list[tuple[int, int]]:
    west, south, east, north = (math.floor(edge / cell_m) for edge in shape.bounds)
    if shapely.get_dimensions(shape) == 0:
        return [(west, south)]
    columns, rows = (each.ravel() for each in np.meshgrid(np.arange(west, east + 1), np.arange(south, north + 1)))
    shapely.prepare(shape)
    touched = shapely.intersects(shape, squares(columns, rows, cell_m))
    return list(zip(columns[touched].tolist(), rows[touched].tolist(), strict=True))


def cells_within(polygons: npt.NDArray[np.object_], bounds: Sequence[float], cell_m: float) -> pd.DataFrame:
    """Cells of an area that polygons cover whole; a cell that is covered in part is not covered.

    Parameters
    ----------
    polygons : ndarray of shapely geometry, shape (n,)
    bounds : sequence of float, shape (4,)
        West, south, east and north of the area [m].
    cell_m : float
        Side of a cell [m].

    Returns
    -------
    DataFrame
        ``column`` and ``row``, as of `cells_of_features`.
    """
    west, south, east, north = (math.floor(edge / cell_m) for edge in bounds)
    columns, rows = (each.ravel() for each in np.meshgrid(np.arange(west, east + 1), np.arange(south, north + 1)))
    whole = shapely.union_all(polygons)
    shapely.prepare(whole)
    is_within = shapely.covers(whole, squares(columns, rows, cell_m))
    return pd.DataFrame({"column": columns[is_within], "row": rows[is_within]}, dtype=np.int64)


def squares(columns: npt.NDArray[np.int64], rows: npt.NDArray[np.int64], cell_m: float) -> npt.NDArray[np.object_]:
    """The squares of cells.

    Parameters
    ----------
    columns, rows : ndarray of int64, shape (n,)
    cell_m : float
        Side of a cell [m].

    Returns
    -------
    ndarray of shapely polygon, shape (n,)
    """
    boxes: npt.NDArray[np.object_] = shapely.box(
        columns * cell_m, rows * cell_m, (columns + 1) * cell_m, (rows + 1) * cell_m
    )
    return boxes


def near(cells: pd.DataFrame, bounds: Sequence[float], distance_m: float, cell_m: float) -> pd.DataFrame:
    """Those cells that lie within a distance of an area; what is farther off is nobody's business.

    Parameters
    ----------
    cells : DataFrame
        With ``column`` and ``row``.
    bounds : sequence of float, shape (4,)
        West, south, east and north of the area [m].
    distance_m, cell_m : float
        The distance, and the side of a cell [m].

    Returns
    -------
    DataFrame
    """
    west, south, east, north = bounds
    column, row = cells["column"] * cell_m, cells["row"] * cell_m
    is_near = (column <= east + distance_m) & (column + cell_m >= west - distance_m)
    is_near &= (row <= north + distance_m) & (row + cell_m >= south - distance_m)
    return cells[is_near].reset_index(drop=True)


def cell_ids(cells: pd.DataFrame) -> list[str]:
    """Ids of cells, by which one is the same in every edition.

    Examples
    --------
    >>> cell_ids(pd.DataFrame({"column": [-1, 250], "row": [0, 2500]}))
    ['cell -1 0', 'cell 250 2500']
    """
    return [f"cell {column} {row}" for column, row in zip(cells["column"], cells["row"], strict=True)]


def public_buffer_m(rule: RuleSettings, largest_disc_m: float, cell_m: float) -> float:
    """Buffer [m] about cells within which lies whatever the rule reaches from a feature in them.

    Parameters
    ----------
    rule : sitefinder.settings.RuleSettings
    largest_disc_m : float
        Radius of the largest disc that the rule makes of a point [m].
    cell_m : float
        Side of a cell [m].

    Returns
    -------
    float
        The rule's own, where it is no secret. That of a hidden layer, or one with discs, is rounded up.

    Examples
    --------
    >>> from sitefinder.settings import RuleSettings
    >>> nests = {"name": "nests", "action": "exclude", "path": "nests.gpkg", "buffer_m": 310.0}
    >>> public_buffer_m(RuleSettings(**nests, publish="generalised"), 0.0, 2000.0)
    310.0
    >>> public_buffer_m(RuleSettings(**nests, publish="hidden"), 0.0, 2000.0)
    400.0
    """
    reach_m = rule.buffer_m + largest_disc_m
    if rule.publish != "hidden" and largest_disc_m == 0:
        return reach_m
    step_m = BUFFER_STEP_SHARE * cell_m
    return math.ceil(reach_m / step_m) * step_m
