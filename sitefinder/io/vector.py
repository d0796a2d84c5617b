"""The user's vector layers in the run's coordinate system, with a row for each repair."""

import difflib
import re
import shutil
import tempfile
import warnings
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import geopandas
import numpy as np
import pandas as pd
import pyogrio
import shapely
from geopandas.array import from_shapely
from pyproj import CRS, Transformer
from pyproj.exceptions import ProjError
from shapely import GeometryType

from sitefinder.errors import InputError, all_of, listed
from sitefinder.io.bound_files import files_of, logs_of, unchanged
from sitefinder.io.credits import licence_with_credit
from sitefinder.io.crs import (
    Operation,
    crs_name,
    crs_of_layer,
    has_coordinates_of_the_earth,
    has_finite_coordinates,
    transform_to_run,
)
from sitefinder.io.digests import content_digest
from sitefinder.io.opening import CSV_ENDINGS, OFFLINE, validate_file, validate_layer
from sitefinder.network.topology import REPAIR_COLUMNS

# Geometry types that hold no curves, without the suffixes of heights and measures.
STRAIGHT = ("Point", "LineString", "Polygon", "MultiPoint", "MultiLineString", "MultiPolygon")
CURVED = ("CIRCULARSTRING", "COMPOUNDCURVE", "CURVEPOLYGON", "MULTICURVE", "MULTISURFACE")
# GDAL cuts arcs each 4 degrees, which takes 0.08 % off a circle; 1 degree takes 0.005 %.
OPTIONS = {"OGR_ARC_STEPSIZE": "1", **OFFLINE}


# Inside this context, arcs are read as straight segments of 1 degree each, and nothing is fetched from a network.
@contextmanager
def _reading():
    before = {name: pyogrio.get_gdal_config_option(name) for name in OPTIONS}
    pyogrio.set_gdal_config_options(OPTIONS)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


# What GDAL warns of each time that it opens a file; a layer that is read says it once, among the repairs.
@contextmanager
def _warnings_said_already():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


# Number of features of a layer with curved geometry; of its kinds of geometry the file states one.
def _curved_features(path, layer, kind):
    if (kind or "").split(" ")[0].removesuffix("25D") in STRAIGHT:
        return 0
    with _warnings_said_already():
        name = layer.replace('"', '\\"')
        # OGR's own language on a name that the file itself gives; nothing of the settings is in it.
        kinds = pyogrio.read_dataframe(
            path, sql=f'SELECT OGR_GEOMETRY FROM "{name}"', sql_dialect="OGRSQL", read_geometry=False
        )["OGR_GEOMETRY"]
    plain = kinds.fillna("").str.upper().str.split(" ").str[0]
    return int(plain.isin(CURVED).sum())


# What geometry types count as; a collection counts as what is in it.
KIND_OF_TYPE = {
    GeometryType.POINT: "point",
    GeometryType.LINESTRING: "line",
    GeometryType.LINEARRING: "line",
    GeometryType.POLYGON: "polygon",
    GeometryType.MULTIPOINT: "point",
    GeometryType.MULTILINESTRING: "line",
    GeometryType.MULTIPOLYGON: "polygon",
}
# The same by the number of the type, from that of no geometry (-1).
_KIND_OF_NUMBER = np.array([KIND_OF_TYPE.get(kind, "other") for kind in sorted(GeometryType)], dtype=object)
COLLECTION = [GeometryType.GEOMETRYCOLLECTION]
MULTI = [GeometryType.MULTIPOINT, GeometryType.MULTILINESTRING, GeometryType.MULTIPOLYGON]
# GEOS now and then hands back a part that crosses itself by rounding; repaired once more it is valid
# (2 of 26 000 parts of random rings needed it, none a third pass).
REPAIR_PASSES = 2


# Letters of two bytes in UTF-8 that were read as two letters.
MISREAD = re.compile("[\u00c2-\u00df][\u0080-\u00bf]")


class Repair(NamedTuple):
    """A problem of a feature and what was done; the feature is empty where the layer as a whole is concerned.

    ``dropped_row`` is the feature's number in the file where all or some of it was dropped, else -1.
    """

    feature: str
    problem: str
    action: str
    dropped_row: int = -1


# Number of simple geometries of each kind, including those in collections.
def _kinds_present(geometries):
    _, parts = _exploded(np.arange(len(geometries)), geometries, COLLECTION + MULTI)
    kinds = _kinds(parts[~(shapely.is_missing(parts) | shapely.is_empty(parts))])
    return {kind: int((kinds == kind).sum()) for kind in ("point", "line", "polygon") if (kinds == kind).any()}


def simple_geometries(geometries, kind, ids):
    """Points, lines or polygons, one part a row, from geometries of any type.

    Parameters
    ----------
    geometries : ndarray of shapely geometry, shape (n,)
        May hold None. Coordinates in metres, where areas are to be in square metres.
    kind : {"line", "polygon", "point", "any"}
        Kind of geometry to keep.
    ids : ndarray of str, shape (n,)
        Names of the features in the repairs.

    Returns
    -------
    rows : ndarray of int64, shape (m,)
        The geometry that each part comes from, ascending.
    parts : ndarray of shapely geometry, shape (m,)
        Valid, two-dimensional, none of them empty, no line without length.
    repairs : list of Repair
        In the order of the steps, within a step in the order of the features.
    """
    repairs = []
    rows = np.arange(len(geometries))
    absent = shapely.is_missing(geometries) | shapely.is_empty(geometries)
    repairs += [Repair(ids[row], "no geometry", "dropped", row) for row in rows[absent]]
    rows, parts = rows[~absent], geometries[~absent]

    if (with_height := shapely.has_z(parts)).any():
        repairs.append(Repair("", "heights on the coordinates", f"left out in {with_height.sum()} features"))
        parts = shapely.force_2d(parts)
    number = has_finite_coordinates(parts)
    repairs += [Repair(ids[row], "coordinates that are not numbers", "dropped", row) for row in rows[~number]]
    rows, parts = rows[number], parts[number]
    near = has_coordinates_of_the_earth(parts)
    repairs += [Repair(ids[row], "coordinates greater than the earth has", "dropped", row) for row in rows[~near]]
    rows, parts = rows[near], parts[near]
    if (together := np.isin(shapely.get_type_id(parts), COLLECTION)).any():
        repairs.append(Repair("", "collections of geometries", f"taken apart in {together.sum()} features"))
        rows, parts = _exploded(rows, parts, COLLECTION)
    hollow = shapely.is_empty(parts)
    rows, parts = rows[~hollow], parts[~hollow]

    right = np.ones(len(parts), dtype=bool) if kind == "any" else _kinds(parts) == kind
    wrong = pd.Series(_kinds(parts[~right])).groupby(rows[~right])
    for row, kinds in wrong.agg(lambda found: " and ".join(sorted(set(found)))).items():
        repairs.append(Repair(ids[row], f"{kinds} geometry in a layer of {kind}s", "dropped", row))
    rows, parts = rows[right], parts[right]
    for _ in range(REPAIR_PASSES):
        rows, parts, made_valid = _made_valid(rows, parts, ids)
        rows, parts = _exploded(rows, parts, MULTI)
        repairs += made_valid
    counts = np.bincount(rows, minlength=len(geometries))
    several = np.flatnonzero(counts > 1)
    repairs += [Repair(ids[row], "several parts", f"split into {counts[row]}") for row in several]
    pointlike = (_kinds(parts) == "line") & (shapely.length(parts) == 0)
    repairs += [
        Repair(ids[row], "line without length", f"dropped; x {x:.0f}, y {y:.0f}", row)
        for row, (x, y) in zip(rows[pointlike], _places(parts[pointlike]), strict=True)
    ]
    return rows[~pointlike], parts[~pointlike], repairs


# First vertex of each line.
def _places(lines):
    return shapely.get_coordinates(shapely.get_point(lines, 0))


def without_duplicates(frame, attributes):
    """The frame without rows that repeat geometry and attributes of another; where attributes differ, both stay.

    Parameters
    ----------
    frame : GeoDataFrame
        With ``feature_id`` and ``source_row``, in the file's order.
    attributes : list of str
        Columns in which two rows of one geometry may differ; the id is not among them.

    Returns
    -------
    frame : GeoDataFrame
        Rows renumbered.
    repairs : list of Repair
    """
    shape = pd.Series(shapely.to_wkb(shapely.normalize(frame.geometry.to_numpy())), index=frame.index)
    if not (repeated := shape.duplicated()).any():
        return frame, []
    first = pd.Series(frame.index, index=frame.index).groupby(shape).transform("first")
    content = frame[attributes].astype(object).map(str)
    content["shape"] = shape
    same = content.duplicated()
    repairs = [
        Repair(
            frame.at[row, "feature_id"],
            "same geometry as another feature",
            ("dropped, the same as " if same[row] else "kept, since its attributes differ from ")
            + str(frame.at[first[row], "feature_id"]),
            frame.at[row, "source_row"] if same[row] else -1,
        )
        for row in frame.index[repeated]
    ]
    return frame[~same].reset_index(drop=True), repairs


def features_summary(count, used_rows, repairs):
    """How many features were read and used, and why the others were not.

    Parameters
    ----------
    count : int
        Features read.
    used_rows : Series of int
        Number in the file of the feature of each geometry used.
    repairs : list of Repair

    Returns
    -------
    str
        A feature's reason is the first for which any part of it was dropped.

    Examples
    --------
    >>> features_summary(3, pd.Series([0, 0, 2]), [Repair("b", "no geometry", "dropped", 1)])
    '3 features read, 2 used, 1 dropped (1 × no geometry)'
    """
    first = {}
    for repair in repairs:
        if repair.dropped_row >= 0:
            first.setdefault(int(repair.dropped_row), repair.problem)
    used = set(used_rows.tolist())
    unused = [row for row in range(count) if row not in used]
    reasons = pd.Series([first.get(row, "no geometry left") for row in unused], dtype="str")
    summary = f"{count} features read, {len(used)} used"
    if not len(reasons):
        return summary
    whys = ", ".join(f"{number} × {why}" for why, number in reasons.value_counts(sort=False).items())
    return f"{summary}, {len(reasons)} dropped ({whys})"


# Invalid polygons repaired, with the areas before and after; those without area are dropped.
def _made_valid(rows, parts, ids):
    broken = np.flatnonzero((_kinds(parts) == "polygon") & ~shapely.is_valid(parts))
    if not len(broken):
        return rows, parts, []
    reasons = shapely.is_valid_reason(parts[broken])
    drawn = shapely.area(parts[broken])
    parts = parts.copy()
    # "structure" keeps everything inside a ring; "linework" makes holes of what is drawn twice.
    parts[broken] = shapely.make_valid(parts[broken], method="structure", keep_collapsed=False)
    kept = shapely.area(parts[broken])
    repairs = []
    for row, reason, before, after in zip(rows[broken], reasons, drawn, kept, strict=True):
        problem = "invalid polygon: " + reason.split("[")[0].strip().lower()
        action = (
            f"made valid, area {before:.1f} m² as drawn, {after:.1f} m² now" if after > 0 else "dropped, no area"
        )
        repairs.append(Repair(ids[row], problem, action, -1 if after > 0 else row))
    whole = ~shapely.is_empty(parts)
    return rows[whole], parts[whole], repairs


# Geometries of the given types replaced by their parts, until none is left; the others are unchanged.
def _exploded(rows, geometries, types):
    while np.isin(shapely.get_type_id(geometries), types).any():
        whole = ~np.isin(shapely.get_type_id(geometries), types)
        parts, of = shapely.get_parts(geometries[~whole], return_index=True)
        rows, order = np.concatenate([rows[whole], rows[~whole][of]]), np.concatenate([geometries[whole], parts])
        ascending = np.argsort(rows, kind="stable")
        rows, geometries = rows[ascending], order[ascending]
    return rows, geometries


# Kind of each geometry as text.
def _kinds(geometries):
    return _KIND_OF_NUMBER[shapely.get_type_id(geometries) + 1]


# Columns that sitefinder adds; a layer must not have columns of these names.
# Features of a layer above which it is read by area, where its format has an index of places: reading all of a
# smaller one takes a second, and says of every feature whether it is sound.
LARGE_FEATURES = 100_000
# Formats that number features by their place in the file, with the number of the first.
FIRST_NUMBER = {"FlatGeobuf": 0, "ESRI Shapefile": 0, "GPKG": 1}
OWN_COLUMNS = ("source_row", "source_part", "feature_id", "feature_name")


class LayerRead(NamedTuple):
    """A layer as read: its features, repairs, lineage, and the coordinate operation to the run's system."""

    frame: geopandas.GeoDataFrame
    repairs: pd.DataFrame
    lineage: dict
    operation: Operation


def read_layer(source, folder, crs, *, what, geometry, allow_empty=False, area=None) -> LayerRead:
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
    area : sequence of float, shape (4,), optional
        West, south, east and north [m] of the ground on which features matter. Of a layer of more than
        `LARGE_FEATURES` in a format that finds them by place, only those whose boxes meet it are read; none is
        missing there, and no more is said of the others than their number.

    Returns
    -------
    LayerRead
        ``frame``: the file's columns with ``source_row`` (int64, number of the feature in the file from 0),
        ``source_part`` (int64, number of the part within the feature), ``feature_id`` (text: the user's id, or
        ``"row N"``), ``feature_name`` (text, empty where there is none) and a two-dimensional geometry.
        ``repairs``: columns layer, feature, problem, action; the feature is empty for the layer as a whole.
        ``lineage``: name, path (as given), layer, digest (SHA-256 of the content), source, date, licence, crs
        operation (coordinate transformation with its accuracy), features_read, features_used, and features: these
        two with the reasons of those dropped, as text.

    Raises
    ------
    InputError
        If the file or layer is missing or cannot be read, has no coordinate system or another than the settings
        state, lacks the id or name column, is empty or without geometry of the right kind, or has coordinates
        that its system does not allow.

    Notes
    -----
    Invalid polygons are repaired by GEOS's ``make_valid`` with its method "structure", which keeps area that is
    drawn twice; the method "linework" would make a hole of it. The repair is done in the run's coordinate system,
    so that its areas are in square metres and nothing turns invalid afterwards.
    """
    path = Path(folder) / source.path
    _validate_there(path, source, folder, what)
    with unchanged(*files_of(path)), _to_read(path) as place, _reading():
        layer, kind = _layer_named(place, source, what)
        where = f'{source.path}, layer "{layer}"'
        table, numbers, reader_notes, in_file = _read_near(place, layer, source, crs, area, where, what)
        digest, curved = content_digest(path, logs_of(path)), _curved_features(place, layer, kind)
    _check_columns(table, source, where)
    if table.empty and not allow_empty:
        raise _empty_layer(what, where, "no features")
    own_crs = crs_of_layer(table.crs, source.crs, what, where)
    ids = _feature_ids(table, source, numbers)
    geometries, operation = transform_to_run(
        table.geometry.to_numpy(), own_crs, crs, ids, what, where, source.operation
    )
    rows, simple, repairs = simple_geometries(geometries, geometry, ids)
    frame = _assembled(table, rows, simple, ids, source, crs)
    attributes = [name for name in table.columns if name not in (table.active_geometry_name, source.id_column)]
    frame, duplicates = without_duplicates(frame, attributes)
    if curved:
        reader_notes.append(f"curves in {curved} features")
    if misread := int(frame["feature_name"].str.contains(MISREAD).sum()):
        reader_notes.append(f"{misread} names that look like UTF-8, read in another alphabet")
    repairs = [Repair("", text, "read nevertheless") for text in reader_notes] + repairs + duplicates
    if frame.empty and not allow_empty:
        raise _no_usable_feature(table, geometries, geometry, repairs, what, where)

    features = features_summary(len(table), frame["source_row"], repairs)
    if in_file > len(table):
        features = f"{in_file} features in the file, of those near the region {features}"
    lineage = {
        "name": what,
        "path": source.path,
        "layer": layer,
        "digest": digest,
        "source": source.source,
        "date": source.date,
        "licence": licence_with_credit(source.licence, source.attribution),
        "crs": crs_name(own_crs),
        "operation": operation.description,
        "features_read": len(table),
        "features_used": int(frame["source_row"].nunique()),
        "features": features,
    }
    frame["source_row"] = numbers[frame["source_row"].to_numpy()]
    listed_repairs = pd.DataFrame([(what, *repair[:3]) for repair in repairs], columns=REPAIR_COLUMNS, dtype="str")
    return LayerRead(frame, listed_repairs, lineage, operation)


def validate_near_region(read, bounds):
    """Check that at least one feature of a layer is near the run's area.

    Parameters
    ----------
    read : LayerRead
        A layer; an empty one passes, since `read_layer` has checked that already.
    bounds : sequence of float, shape (4,)
        West, south, east and north of the run's area, in the run's coordinate system [m].

    Raises
    ------
    InputError
        If no feature's bounding box meets the bounds.
    """
    if read.frame.empty:
        return
    boxes = read.frame.geometry.bounds.to_numpy()
    if not _meet(boxes, bounds):
        exchanged = _meet(_with_axes_exchanged(boxes, read.operation), bounds)
        raise InputError.of(
            f"the {read.lineage['name']} layer is not in this region",
            file=f'{read.lineage["path"]}, layer "{read.lineage["layer"]}"',
            expected=f"features between {_corners(bounds)}",
            found=f"features between {_corners(read.frame.total_bounds)}, from {read.lineage['crs']}",
            fix="exchange x and y in the file: then the layer is in this region"
            if exchanged
            else "check the layer's coordinate system, or name the layer of this region",
        )


# Whether any box intersects the bounds; a box with NaN intersects none.
def _meet(boxes, bounds):
    west, south, east, north = bounds
    return bool(
        ((boxes[:, 0] <= east) & (boxes[:, 2] >= west) & (boxes[:, 1] <= north) & (boxes[:, 3] >= south)).any()
    )


# The centre of each box [m] with x and y exchanged in the layer's own coordinates.
def _with_axes_exchanged(boxes, operation):
    x, y = operation.inverse((boxes[:, 0] + boxes[:, 2]) / 2, (boxes[:, 1] + boxes[:, 3]) / 2)
    if operation.transformer is not None:
        y, x = operation.transformer.transform(y, x)
    return np.column_stack([y, x, y, x])


# Two corners of a box as text [m].
def _corners(bounds):
    west, south, east, north = bounds
    return f"{west:.0f}, {south:.0f} and {east:.0f}, {north:.0f}"


def layers_of_file(path, what, name):
    """Names of the layers of a vector file, and the kind of geometry of each.

    Parameters
    ----------
    path : Path
        One that `sitefinder.io.opening.validate_layer` has accepted.
    what : str
        Name of the layer in messages.
    name : str
        The file as messages name it.

    Returns
    -------
    list of tuple of (str, str or None)
        None for a table without geometry.

    Raises
    ------
    InputError
        If the file cannot be read.
    """
    try:
        with _to_read(path) as place, _reading(), _warnings_said_already():
            return [(str(layer), kind) for layer, kind in pyogrio.list_layers(place)]
    except pyogrio.errors.DataSourceError as error:
        raise _unreadable(what, name, error) from None


def layer_in_parts(path, layer, features, what, name):
    """What the header of a layer states, then its features as in the file, some thousand at a time.

    Parameters
    ----------
    path, what, name
        See `layers_of_file`.
    layer : str
    features : int
        Of a part, at most.

    Yields
    ------
    dict or DataFrame
        First what `pyogrio.read_info` gives; then tables, with a geometry where the layer has one.

    Raises
    ------
    InputError
        If it cannot be read.
    """
    # Texts of CSV that are numbers are read as numbers, as far as GDAL sees that.
    options = {"AUTODETECT_TYPE": "YES"} if path.suffix.lower() in CSV_ENDINGS else {}
    try:
        with unchanged(*files_of(path)), _to_read(path) as place, _reading(), np.errstate(invalid="ignore"):
            with _warnings_said_already():
                yield pyogrio.read_info(place, layer=layer, **options)
            first = 0
            while True:
                with _warnings_said_already():
                    part = pyogrio.read_dataframe(
                        place, layer=layer, skip_features=first, max_features=features, **options
                    )
                if len(part):
                    yield part
                if len(part) < features:
                    return
                first += features
    except UnicodeDecodeError as error:
        raise InputError.of(
            f"the {what} layer is not in UTF-8",
            file=name,
            expected="texts in UTF-8, or in an alphabet that the file states",
            found=f"the byte {error.object[error.start]:#04x}",
            fix="save it as UTF-8 from the program that wrote it",
        ) from None
    except (pyogrio.errors.DataSourceError, pyogrio.errors.GeometryError, ValueError) as error:
        raise _unreadable(what, name, error) from None
    except shapely.errors.GEOSException as error:
        raise _no_geometry(what, name, error) from None


# Where to read a layer. Whoever opens a database that was not closed, even to read, writes what is in its log into
# it, and so changes the user's file: a copy is opened then.
@contextmanager
def _to_read(path):
    logs = logs_of(path)
    if not logs:
        yield path
        return
    with tempfile.TemporaryDirectory(prefix="sitefinder-") as folder:
        for file in (path, *logs):
            shutil.copyfile(file, Path(folder) / file.name)
        yield Path(folder) / path.name


def _validate_there(path, source, folder, what):
    validate_file(path, f"{what} layer", source.path)
    if not path.exists():
        raise InputError.of(
            f"the {what} layer's file does not exist",
            file=source.path,
            expected=f"a file that GDAL reads, in {folder}",
            found="no such file",
            fix="correct the path, which starts from the settings file's folder",
        )
    validate_layer(path, what, source.path)


# The layer to read, the one named or the only one with geometry, and the kind of geometry that the file states.
def _layer_named(path, source, what):
    try:
        with _warnings_said_already():
            found = pyogrio.list_layers(path)
    except pyogrio.errors.DataSourceError as error:
        raise _unreadable(what, source.path, error) from None
    layers = [(str(name), kind) for name, kind in found]
    names = [name for name, _ in layers]
    if source.layer is not None:
        if source.layer in names:
            return layers[names.index(source.layer)]
        near = difflib.get_close_matches(source.layer, names, n=1)
        raise InputError.of(
            f"the {what} layer is not in its file",
            file=source.path,
            expected=f'a layer "{source.layer}"',
            found=f"layers {listed(names, shown=20)}" if names else "no layer",
            fix=f"did you mean {near[0]}?" if near else "name one of these layers",
        )
    with_geometry = [(name, kind) for name, kind in layers if kind is not None]
    if len(with_geometry) == 1:
        return with_geometry[0]
    raise InputError.of(
        f"it is not clear which layer of the file holds the {what}",
        file=source.path,
        expected="one layer with geometry, or a layer named in the settings",
        found=f"layers {listed([name for name, _ in with_geometry], shown=20)}"
        if with_geometry
        else "no layer with geometry",
        fix="name the layer with layer = … beside its path" if with_geometry else "name another file",
    )


# The layer, or of a large one the features that meet an area; with it their numbers in the file, the reader's
# warnings, and how many features the file has.
def _read_near(path, layer, source, crs, area, where, what):
    with _warnings_said_already():
        info = {} if area is None else pyogrio.read_info(path, layer=layer)
    first = FIRST_NUMBER.get(info.get("driver"))
    in_file = info.get("features", -1)
    if first is not None and in_file > LARGE_FEATURES and info["capabilities"]["fast_spatial_filter"]:
        box = _box_of(area, crs, crs_of_layer(info["crs"] and CRS(info["crs"]), source.crs, what, where))
        if box is not None:
            table, notes = _read_table(path, layer, where, what, bbox=box, fid_as_index=True)
            # Of a layer that lies elsewhere, what is said of any other one is said.
            if len(table):
                numbers = table.index.to_numpy(dtype=np.int64) - first
                return table.reset_index(drop=True), numbers, notes, in_file
    table, notes = _read_table(path, layer, where, what)
    return table, np.arange(len(table)), notes, len(table)


# An area of the run's system in another one; None where it has no box there.
def _box_of(area, crs, own_crs):
    try:
        box = Transformer.from_crs(crs, own_crs, always_xy=True).transform_bounds(*area, errcheck=True)
    except ProjError:
        return None
    is_box = np.isfinite(box).all() and box[0] < box[2] and box[1] < box[3]
    return box if is_box else None


# The layer as in the file, and the reader's warnings (dropped measures or curves, for example).
def _read_table(path, layer, where, what, **options):
    # Coordinates that are not finite are reported with the other problems of a geometry, feature by feature.
    with warnings.catch_warnings(record=True) as caught, np.errstate(invalid="ignore"):
        warnings.simplefilter("always")
        try:
            table = pyogrio.read_dataframe(path, layer=layer, **options)
        except (pyogrio.errors.DataSourceError, pyogrio.errors.GeometryError, ValueError) as error:
            raise _unreadable(what, where, error) from None
        except shapely.errors.GEOSException as error:
            raise _no_geometry(what, where, error) from None
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


def _no_geometry(what, where, error):
    return InputError.of(
        f"the {what} layer holds a geometry that is none",
        file=where,
        expected="lines of two vertices or more, and rings of four",
        found=str(error).splitlines()[0],
        fix="check the validity of the layer's geometries in a GIS, and mend or delete those it lists",
    )


def _empty_layer(what, where, found):
    return InputError.of(
        f"the {what} layer is empty",
        file=where,
        expected="at least one feature",
        found=found,
        fix="name another layer; for a rule that may be without features, set may_be_empty = true",
    )


# Why no feature is left: all are of another kind, or each has its own problem.
def _no_usable_feature(table, geometries, geometry, repairs, what, where):
    present = _kinds_present(geometries)
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
    return _empty_layer(what, where, f"{len(table)} features, none usable ({found})")


# Reject a layer that lacks columns in the settings, or has one that would be confused with sitefinder's own.
def _check_columns(table, source, where):
    columns = [str(name) for name in table.columns if name != table.active_geometry_name]
    problems = []
    for setting in ("code_column", "id_column", "name_column"):
        column = getattr(source, setting, None)
        if column is not None and column not in columns:
            near = difflib.get_close_matches(column, columns, n=1)
            problems.append(
                InputError.of(
                    f"the layer has no column {column}",
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


# The user's id of each feature where there is one, otherwise its row, counted from 0.
def _feature_ids(table, source, numbers):
    by_row = pd.Series([f"row {row}" for row in numbers.tolist()], dtype="object")
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


# The resulting frame: the file's columns, sitefinder's own, and one simple geometry a row.
def _assembled(table, rows, simple, ids, source, crs):
    names = np.full(len(rows), "", dtype=object)
    if source.name_column is not None:
        named = table[source.name_column]
        names = _as_text(named).where(named.notna(), "").to_numpy()[rows]
    own = {
        "source_row": rows.astype("int64"),
        "source_part": (np.arange(len(rows)) - np.searchsorted(rows, rows)).astype("int64"),
        "feature_id": pd.array(ids[rows], dtype="str"),
        "feature_name": pd.array(names, dtype="str"),
        "geometry": from_shapely(simple, crs=crs),
    }
    geometry = table.active_geometry_name
    attributes = {name: column.array.take(rows) for name, column in table.items() if name != geometry}
    return geopandas.GeoDataFrame(attributes | own)


def no_such_column(layer, source, frame, key, column):
    """The error for a column that the settings name and the layer does not have.

    Parameters
    ----------
    layer : str
        Name of the layer in the settings' section ``inputs``.
    source : sitefinder.settings.LayerSource
    frame : GeoDataFrame
        The layer as read.
    key : str
        Setting that names the column.
    column : str

    Returns
    -------
    InputError
        With the nearest of the columns that there are.
    """
    columns = [str(name) for name in frame.columns if name not in (*OWN_COLUMNS, frame.geometry.name)]
    near = difflib.get_close_matches(column, columns, n=1)
    return InputError.of(
        f"the {layer} layer has no column {column}",
        file=source.path,
        expected=f"the column that {key} names",
        found=f"columns {listed(columns, shown=20)}",
        fix=f"did you mean {near[0]}?" if near else f"correct {key}",
    )


def numbers_of(column):
    """A column as float64, NaN where it holds nothing or what is no number."""
    return pd.to_numeric(column, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
