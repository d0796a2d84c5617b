"""Vector layers of the user's in the run's coordinate system, with a row for everything that was repaired."""

import difflib
import warnings
from pathlib import Path
from typing import NamedTuple

import geopandas
import numpy as np
import pandas as pd
import pyogrio

from sitefinder.errors import InputError, all_of, listed
from sitefinder.io.curves import curved_features, fine_arcs
from sitefinder.io.digests import content_digest
from sitefinder.io.layer_crs import crs_name, crs_of_layer, moved
from sitefinder.io.operations import Way
from sitefinder.io.repairs import Repair, features_told, kinds_present, simple_geometries, without_duplicates
from sitefinder.streams.lines import REPAIR_COLUMNS

# Columns that sitefinder adds; a layer that has its own of this name cannot be read without confusion.
OWN_COLUMNS = ("source_row", "source_part", "feature_id", "feature_name")


class LayerRead(NamedTuple):
    """A layer as read: its features, what was repaired, where it came from, and the way to the run's system."""

    frame: geopandas.GeoDataFrame
    repairs: pd.DataFrame
    lineage: dict
    way: Way


def read_layer(source, folder, crs, *, what, geometry, allow_empty=False):
    """A vector layer in the run's coordinate system, one row for each simple geometry.

    Parameters
    ----------
    source : config.LayerSource
        File, layer and columns.
    folder : Path
        Folder that a relative path starts from.
    crs : str
        Coordinate system of the run, projected, in metres.
    what : str
        Name of the layer in messages and in the repairs, for example ``"streams"``.
    geometry : {"line", "polygon", "point", "any"}
        Kind of geometry that is kept; others are dropped and counted.
    allow_empty : bool
        True where a layer without features is right.

    Returns
    -------
    LayerRead
        ``frame``: the file's columns with ``source_row`` (int64, number of the feature in the file from 0),
        ``source_part`` (int64, number of the part within the feature), ``feature_id`` (text: the user's id, or
        ``"row N"``), ``feature_name`` (text, empty where there is none) and a two-dimensional geometry.
        ``repairs``: columns layer, feature, problem, action; the feature is empty where all are meant.
        ``lineage``: name, path (as given), layer, digest (SHA-256 of the content), source, date, licence, crs
        operation (coordinate transformation with its accuracy), features_read, features_used, and features: these
        two with the reasons of those dropped, as text.

    Raises
    ------
    InputError
        If the file or layer is missing or cannot be read, has no coordinate system or another than the settings
        state, lacks the id or name column, is empty or without geometry of the right kind, or lies where its
        coordinate system cannot be.

    Notes
    -----
    Invalid polygons are repaired by GEOS's ``make_valid`` with its method "structure", which keeps ground that is
    drawn twice; the method "linework" would make a hole of it. The repair is done in the run's coordinate system,
    so that its areas are in square metres and nothing turns invalid afterwards.
    """
    layer = _layer_name(source, folder, what)
    where = f'{source.path}, layer "{layer}"'
    table, said = _read_table(Path(folder) / source.path, layer, where, what)
    _check_columns(table, source, where)
    if table.empty and not allow_empty:
        raise _is_empty(what, where, "no features")
    own_crs = crs_of_layer(table.crs, source.crs, what, where)
    ids = _feature_ids(table, source)
    geometries, way = moved(table.geometry.to_numpy(), own_crs, crs, ids, what, where, source.operation)
    rows, simple, repairs = simple_geometries(geometries, geometry, ids)
    frame = _assembled(table, rows, simple, ids, source, crs)
    attributes = [name for name in table.columns if name not in (table.geometry.name, source.id_column)]
    frame, duplicates = without_duplicates(frame, attributes)
    curved = curved_features(Path(folder) / source.path, layer)
    if curved:
        said.append(f"curves in {curved} features")
    repairs = [Repair("", text, "read all the same") for text in said] + repairs + duplicates
    if frame.empty and not allow_empty:
        raise _nothing_of_use(table, geometries, geometry, repairs, what, where)

    lineage = {
        "name": what,
        "path": source.path,
        "layer": layer,
        "digest": content_digest(Path(folder) / source.path),
        "source": source.source,
        "date": source.date,
        "licence": source.licence,
        "crs": crs_name(own_crs),
        "operation": way.told,
        "features_read": len(table),
        "features_used": int(frame["source_row"].nunique()),
        "features": features_told(len(table), frame["source_row"], repairs),
    }
    listed_repairs = pd.DataFrame([(what, *repair[:3]) for repair in repairs], columns=REPAIR_COLUMNS, dtype="str")
    return LayerRead(frame, listed_repairs, lineage, way)


def refuse_distant(read, bounds):
    """Stop where no feature of a layer comes near the ground that the run is about.

    Parameters
    ----------
    read : LayerRead
        A layer; an empty one passes, since `read_layer` has judged that already.
    bounds : sequence of float, shape (4,)
        West, south, east and north of the run's ground, in the run's coordinate system [m].

    Raises
    ------
    InputError
        If no feature's bounding box meets the bounds.
    """
    if read.frame.empty:
        return
    boxes = read.frame.geometry.bounds.to_numpy()
    if not _meet(boxes, bounds):
        exchanged = _meet(_exchanged(boxes, read.way), bounds)
        raise InputError.of(
            f"the {read.lineage['name']} layer lies in another place",
            file=f'{read.lineage["path"]}, layer "{read.lineage["layer"]}"',
            expected=f"features between {_corners(bounds)}",
            found=f"features between {_corners(read.frame.total_bounds)}, from {read.lineage['crs']}",
            fix="exchange x and y in the file: that way round the layer lies here"
            if exchanged
            else "check the layer's coordinate system, or name the layer of this region",
        )


# Whether any box meets the bounds; a box of no numbers meets none.
def _meet(boxes, bounds):
    west, south, east, north = bounds
    return bool(
        ((boxes[:, 0] <= east) & (boxes[:, 2] >= west) & (boxes[:, 1] <= north) & (boxes[:, 3] >= south)).any()
    )


# The middle of each box [m] as it would be with x and y exchanged in the layer's own coordinates.
def _exchanged(boxes, way):
    x, y = way.inverse((boxes[:, 0] + boxes[:, 2]) / 2, (boxes[:, 1] + boxes[:, 3]) / 2)
    if way.transformer is not None:
        y, x = way.transformer.transform(y, x)
    return np.column_stack([y, x, y, x])


# Two corners of a box as text [m].
def _corners(bounds):
    west, south, east, north = bounds
    return f"{west:.0f}, {south:.0f} and {east:.0f}, {north:.0f}"


# The layer to read: the one named, or the only one with geometry.
def _layer_name(source, folder, what):
    path = Path(folder) / source.path
    if not path.exists():
        raise InputError.of(
            f"the {what} layer's file does not exist",
            file=source.path,
            expected=f"a file that GDAL reads, in {folder}",
            found="no such file",
            fix="correct the path, which starts from the settings file's folder",
        )
    try:
        found = pyogrio.list_layers(path)
    except pyogrio.errors.DataSourceError as error:
        raise _unreadable(what, source.path, error) from None
    names = [str(name) for name in found[:, 0]]
    if source.layer is not None:
        if source.layer in names:
            return source.layer
        near = difflib.get_close_matches(source.layer, names, n=1)
        raise InputError.of(
            f"the {what} layer is not in its file",
            file=source.path,
            expected=f'a layer "{source.layer}"',
            found=f"layers {listed(names, shown=20)}" if names else "no layer",
            fix=f"did you mean {near[0]}?" if near else "name one of these layers",
        )
    with_geometry = [str(name) for name, kind in found if kind is not None]
    if len(with_geometry) == 1:
        return with_geometry[0]
    raise InputError.of(
        f"it is not clear which layer of the file holds the {what}",
        file=source.path,
        expected="one layer with geometry, or a layer named in the settings",
        found=f"layers {listed(with_geometry, shown=20)}" if with_geometry else "no layer with geometry",
        fix="name the layer with layer = … beside its path" if with_geometry else "name another file",
    )


# The layer as the file has it, and what the reader said about it (measures or curves given up, for example).
def _read_table(path, layer, where, what):
    # Coordinates that are no numbers are judged with the other faults of a geometry, feature by feature.
    with warnings.catch_warnings(record=True) as caught, np.errstate(invalid="ignore"), fine_arcs():
        warnings.simplefilter("always")
        try:
            table = pyogrio.read_dataframe(path, layer=layer)
        except (pyogrio.errors.DataSourceError, pyogrio.errors.GeometryError, ValueError) as error:
            raise _unreadable(what, where, error) from None
    if not isinstance(table, geopandas.GeoDataFrame):
        raise InputError.of(
            f"the {what} layer has no geometry",
            file=where,
            expected="a layer of points, lines or polygons",
            found="a plain table",
            fix="name another layer",
        )
    return table, [str(warning.message) for warning in caught]


def _unreadable(what, where, error):
    return InputError.of(
        f"the {what} layer cannot be read",
        file=where,
        expected="a vector file that GDAL reads",
        found=str(error).splitlines()[0],
        fix="open it in a GIS and save it as GeoPackage",
    )


def _is_empty(what, where, found):
    return InputError.of(
        f"the {what} layer is empty",
        file=where,
        expected="at least one feature",
        found=found,
        fix="name another layer; for a rule that may be without features, set may_be_empty = true",
    )


# Why no feature is left: all are of another kind, or each has its own fault.
def _nothing_of_use(table, geometries, geometry, repairs, what, where):
    present = kinds_present(geometries)
    if present and geometry != "any" and geometry not in present:
        return InputError.of(
            f"the {what} layer has no {geometry} geometry",
            file=where,
            expected=f"{geometry} features",
            found=", ".join(f"{count} × {kind}" for kind, count in present.items()),
            fix="name the right layer, or the right file",
        )
    faults = pd.Series([repair.problem for repair in repairs]).value_counts(sort=False)
    found = ", ".join(f"{count} × {problem}" for problem, count in faults.items())
    return _is_empty(what, where, f"{len(table)} features, none of use ({found})")


# Refuses a layer that lacks the columns the settings name, or has one that would be confused with ours.
def _check_columns(table, source, where):
    columns = [str(name) for name in table.columns if name != table.geometry.name]
    problems = []
    for setting in ("code_column", "id_column", "name_column"):
        wanted = getattr(source, setting, None)
        if wanted is not None and wanted not in columns:
            near = difflib.get_close_matches(wanted, columns, n=1)
            problems.append(
                InputError.of(
                    f"the layer has no column {wanted}",
                    file=where,
                    expected=f"the column that {setting} names",
                    found=f"columns {listed(columns, shown=20)}" if columns else "no columns",
                    fix=f"did you mean {near[0]}?" if near else f"correct {setting}",
                )
            )
    taken = [
        name for name in OWN_COLUMNS if name in columns and name not in (source.id_column, source.name_column)
    ]
    if taken:
        problems.append(
            InputError.of(
                f"the layer has a column named {taken[0]}, a name that sitefinder gives itself",
                file=where,
                expected=f"no column named {listed(OWN_COLUMNS)}",
                found=f"columns {listed(columns, shown=20)}",
                fix="rename the column, or name it as id_column or name_column if it is that",
            )
        )
    if len(problems) == 1:
        raise problems[0]
    if problems:
        raise all_of(InputError, where, [str(problem) for problem in problems])


# Text by which the user knows a feature: the own id where there is one, otherwise its row, counted from 0.
def _feature_ids(table, source):
    by_row = pd.Series([f"row {row}" for row in range(len(table))], dtype="object")
    if source.id_column is None:
        return by_row.to_numpy()
    column = table[source.id_column].reset_index(drop=True)
    return _as_text(column).where(column.notna(), by_row).to_numpy()


# Values as text; numbers that a file format turned into floats are written as the integers they were.
def _as_text(column):
    if pd.api.types.is_float_dtype(column):
        return column.map(lambda value: str(int(value)) if float(value).is_integer() else str(value)).astype(
            "object"
        )
    return column.astype("object").map(str)


# The frame that is handed out: the file's columns, ours, and one simple geometry a row.
def _assembled(table, rows, simple, ids, source, crs):
    attributes = pd.DataFrame(table.drop(columns=table.geometry.name)).iloc[rows].reset_index(drop=True)
    attributes["source_row"] = rows.astype("int64")
    attributes["source_part"] = attributes.groupby("source_row").cumcount().astype("int64")
    attributes["feature_id"] = pd.Series(ids[rows], dtype="str")
    if source.name_column is None:
        names = pd.Series("", index=attributes.index, dtype="str")
    else:
        names = _as_text(attributes[source.name_column]).where(attributes[source.name_column].notna(), "")
    attributes["feature_name"] = names.astype("str")
    return geopandas.GeoDataFrame(attributes, geometry=simple, crs=crs)
