"""Water rights, read from a layer of points, lines or areas, or from a table (CSV) of places."""

from __future__ import annotations

from typing import TYPE_CHECKING

import geopandas
import numpy as np
import pandas as pd
import shapely

from sitefinder.errors import InputError, listed
from sitefinder.hydrology.abstractions import rights_of
from sitefinder.io.crs import crs_name, crs_of_layer, transform_to_run
from sitefinder.io.decisions import is_table
from sitefinder.io.gauges import read_text_table
from sitefinder.io.point_tables import table_lineage
from sitefinder.io.vector import LayerRead, numbers_of, read_layer, validate_near_region
from sitefinder.network.topology import REPAIR_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path
    from typing import Any

    import numpy.typing as npt

    from sitefinder.settings import WaterRightSource

NAME = "abstractions"
# Columns of a table's places, in its coordinate system.
PLACE = ("x", "y")


def read_water_rights(
    source: WaterRightSource, folder: Path, crs: str, bounds: Sequence[float] | None
) -> LayerRead:
    """Water rights with columns under names of the program, see `sitefinder.hydrology.abstractions.rights_of`.

    Parameters
    ----------
    source : sitefinder.settings.WaterRightSource
        A layer, or a table with the columns ``x`` and ``y`` in the system that the settings state.
    folder : Path
        Folder that relative paths start from.
    crs : str
        Coordinate system of the run.
    bounds : sequence of float or None
        Of the run [m]; None where they are not known.

    Returns
    -------
    sitefinder.io.vector.LayerRead

    Raises
    ------
    InputError
    """
    if is_table(source.path):
        read = _read_table(source, folder / source.path, crs)
    else:
        read = read_layer(source, folder, crs, what=NAME, geometry="any")
    if bounds is not None:
        validate_near_region(read, bounds)
    return read._replace(frame=rights_of(read.frame, source, _places_of_return(source, read)))


# A table as a layer of points.
def _read_table(source: WaterRightSource, path: Path, crs: str) -> LayerRead:
    text = read_text_table(path, "table of abstractions", "inputs.abstractions.path")
    absent = [name for name in (*PLACE, source.id_column, source.name_column) if name and name not in text]
    if absent or text.empty:
        raise InputError.of(
            f"the table of abstractions lacks columns {listed(absent)}" if absent else "the table has no rows",
            file=source.path,
            expected="a row for each right, with x and y in the coordinate system that crs states",
            found=f"columns {listed(text.columns, 20)}" if len(text.columns) else "an empty file",
            fix="add the columns" if absent else "name another table",
        )
    x, y = (numbers_of(text[name]) for name in PLACE)
    odd = ~(np.isfinite(x) & np.isfinite(y))
    if odd.any():
        raise InputError.of(
            "abstractions of the table have no place",
            file=source.path,
            rows=listed(np.flatnonzero(odd) + 2),
            expected="numbers in x and y",
            found=listed(dict.fromkeys(text.loc[odd, "x"] + ", " + text.loc[odd, "y"])),
            fix="complete them, with a decimal point",
        )
    rows = pd.RangeIndex(len(text))
    ids = text[source.id_column] if source.id_column else pd.Series([f"row {row}" for row in rows])
    own = crs_of_layer(None, source.crs, NAME, source.path)
    points, operation = transform_to_run(
        shapely.points(x, y), own, crs, ids.to_numpy(), NAME, source.path, source.operation
    )
    names = text[source.name_column] if source.name_column else ""
    # Empty cells are as those of a layer.
    cells = text.astype(object).where(text != "", None)
    frame = geopandas.GeoDataFrame(
        cells.assign(source_row=rows, feature_id=ids.astype("str"), feature_name=names), geometry=points, crs=crs
    )
    lineage = table_lineage(source, path, NAME) | {
        "crs": crs_name(own),
        "operation": operation.description,
        "features_read": len(frame),
        "features_used": len(frame),
        "features": f"{len(frame)} rows read",
    }
    return LayerRead(frame, pd.DataFrame(columns=REPAIR_COLUMNS, dtype="str"), lineage, operation)


# Where the water of each row comes back, in the run's system; None where it does not. None without such columns.
def _places_of_return(source: WaterRightSource, read: LayerRead) -> npt.NDArray[Any] | None:
    columns = source.return_x_column, source.return_y_column
    frame = read.frame
    if None in columns or not all(column in frame for column in columns):
        return None
    cells = [frame[column] for column in columns]
    stated = np.array([cell.notna() & (cell.astype(str).str.strip() != "") for cell in cells], dtype=bool)
    x, y = (numbers_of(cell) for cell in cells)
    odd = (stated[0] | stated[1]) & ~(np.isfinite(x) & np.isfinite(y))
    if odd.any():
        raise InputError.of(
            "water rights have a place of return that is none",
            file=f"{source.path}, columns {' and '.join(map(str, columns))}",
            features=listed(frame["feature_id"][odd]),
            expected="two numbers in the layer's coordinate system, or nothing in both",
            found=listed(
                " and ".join("nothing" if pd.isna(one) else str(one) for one in pair)
                for pair in zip(cells[0][odd], cells[1][odd], strict=True)
            ),
            fix="complete or empty them",
        )
    places = np.full(len(frame), None, dtype=object)
    known = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    transformer = read.operation.transformer
    there = (x[known], y[known]) if transformer is None else transformer.transform(x[known], y[known])
    places[known] = shapely.points(*there)
    return places
