"""Coordinate systems: the operation to the run's system with its accuracy, map scale, vertical datums."""

import re
import warnings
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import shapely
from pyproj import CRS, Proj, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.exceptions import CRSError, ProjError
from pyproj.transformer import TransformerGroup

from sitefinder.errors import ConfigError, InputError, listed
from sitefinder.units import METRES_PER_VERTICAL_UNIT


def has_finite_coordinates(geometries):
    """Whether all coordinates of each geometry are finite; missing and empty geometries count as finite.

    Parameters
    ----------
    geometries : ndarray of shapely geometry, shape (n,)

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    coordinates, index = shapely.get_coordinates(geometries, return_index=True)
    odd = ~np.isfinite(coordinates).all(axis=1)
    return np.bincount(index[odd], minlength=len(geometries)) == 0


# No system of the earth has greater coordinates, in whatever unit of length: it is 4e7 m around (own choice).
GREATEST_COORDINATE = 1e9


def has_coordinates_of_the_earth(geometries):
    """Whether no coordinate of a geometry is greater than `GREATEST_COORDINATE`; as `has_finite_coordinates`."""
    coordinates, index = shapely.get_coordinates(geometries, return_index=True)
    odd = (np.abs(coordinates) > GREATEST_COORDINATE).any(axis=1)
    return np.bincount(index[odd], minlength=len(geometries)) == 0


LONGITUDE_LATITUDE = "OGC:CRS84"
# Confidence with which a coordinate system must match a code to be called by it [%]; a file format that spells
# the same system differently gives about 70.
MIN_CONFIDENCE = 70
SAME = "none (same coordinate system)"


class Operation(NamedTuple):
    """Coordinate operation from a layer's system to the run's.

    Attributes
    ----------
    transformer : pyproj.Transformer or None
        From the layer's to the run's, east before north on both sides; None where the two are the same.
    description : str
        Name and accuracy of the operation, for the provenance table.
    pipeline : str or None
        The same operation as a PROJ pipeline in the axis order of the two systems, as a warper takes it.
    """

    transformer: Transformer | None
    description: str
    pipeline: str | None

    def inverse(self, x, y):
        """Coordinates of the run's system in the layer's."""
        if self.transformer is None:
            return np.asarray(x), np.asarray(y)
        return self.transformer.transform(x, y, direction="INVERSE")


def operation_between(own_crs, run_crs, bounds, what, where, operation_name=None):
    """The coordinate operation from a layer's system to the run's.

    Parameters
    ----------
    own_crs : pyproj.CRS
        The layer's.
    run_crs : str or pyproj.CRS
        The run's.
    bounds : sequence of float, shape (4,)
        Minimum x, minimum y, maximum x and maximum y of the layer, in its own system.
    what, where : str
        Name of the layer, file and layer, for messages.
    operation_name : str, optional
        Part of the name of the operation that the settings require. Without it, the best one that is available
        on this computer for the layer's area.

    Returns
    -------
    Operation

    Raises
    ------
    InputError
        If coordinates are outside what the layer's system allows, x and y are exchanged, or degrees are declared
        as metres; if only a ballpark operation is known, which may be wrong by hundreds of metres; or if none has
        the required name.
    """
    run = CRS.from_user_input(run_crs)
    _check_axes(own_crs, bounds, what, where)
    if _same_crs(own_crs, run):
        return Operation(None, SAME, None)
    degrees = _degrees(own_crs, bounds, what, where)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            area = {"area_of_interest": AreaOfInterest(*degrees), "allow_ballpark": False}
            group = TransformerGroup(own_crs, run, always_xy=True, **area)
            # Some versions of pyproj lose name and accuracy of an operation when they exchange its axes.
            named = TransformerGroup(own_crs, run, always_xy=False, **area).transformers
        except ProjError:
            group = None
    operations = [] if group is None else list(zip(group.transformers, named, strict=True))
    lacking = [] if group is None else group.unavailable_operations
    if operation_name is not None:
        part = operation_name.casefold()
        operations = [pair for pair in operations if part in pair[1].description.casefold()]
    if not operations:
        raise _no_operation(own_crs, run, what, where, operation_name, group, lacking)
    best, name = operations[0]
    accuracy = "accuracy unknown" if name.accuracy < 0 else f"accuracy {name.accuracy:g} m"
    missing = "; a better one lacks its grid on this computer" if caught and operation_name is None else ""
    return Operation(best, f"{name.description} ({accuracy}{missing})", _pipeline(best, own_crs, run))


# The error where no operation is usable, with what can be done about it.
def _no_operation(own_crs, run, what, where, operation_name, group, lacking):
    between = f"{crs_name(own_crs)} to {crs_name(run)}"
    grids = sorted({grid.short_name for operation in lacking for grid in operation.grids})
    if operation_name is not None:
        names = [] if group is None else [operation.description for operation in group.transformers]
        names += [f"{operation.name} (lacks its grid)" for operation in lacking]
        return InputError.of(
            f"no operation for the {what} layer has the name in the settings",
            file=where,
            expected=f"an operation from {between} with {operation_name!r} in its name",
            found=listed(names, shown=20) if names else "only a ballpark operation",
            fix="correct operation beside the path, or leave it out",
        )
    helps = f"install PROJ's data package, or the grid {grids[0]} from it; or " if grids else ""
    return InputError.of(
        f"no accurate operation leads from the {what} layer's coordinate system to the run's",
        file=where,
        expected=f"a known operation from {between}",
        found="only a ballpark operation, which may be wrong by hundreds of metres"
        + (f"; better operations lack the grids {listed(grids)}" if grids else ""),
        fix=f"{helps}convert the layer with a tool that has the operation; or, where the file's system "
        "is wrong, correct it or state crs",
    )


# The operation with axes in the order that the systems themselves state: a warper counts on that order.
def _pipeline(transformer, own_crs, run):
    words = [word.removeprefix("+") for word in transformer.definition.split()]
    words = words[1:] if words[0] == "proj=pipeline" else ["step", *words]
    exchange = ["step", "proj=axisswap", "order=2,1"]
    before, after = (exchange if _north_comes_first(system) else [] for system in (own_crs, run))
    return " ".join("+" + word for word in ["proj=pipeline", *before, *words, *after])


def _north_comes_first(crs):
    return crs.axis_info[0].direction.lower() in ("north", "south")


# From a system to longitude and latitude. Most layers of a run share a system, and to look for the way takes as
# long as to read a small layer.
@lru_cache(maxsize=16)
def _to_degrees(crs):
    return Transformer.from_crs(crs, LONGITUDE_LATITUDE, always_xy=True)


# Reject coordinates that make sense only with x and y exchanged, or only as degrees.
def _check_axes(own_crs, bounds, what, where):
    west, south, east, north = (float(value) for value in bounds)
    to_degrees = _to_degrees(own_crs)
    found = f"coordinates from {west:g}, {south:g} to {east:g}, {north:g}"
    middle = ((west + east) / 2, (south + north) / 2)
    if own_crs.is_geographic:
        holds = _are_degrees(west, south, east, north)
        exchanged = not holds and _are_degrees(south, west, north, east)
        degrees_called_metres = False
    else:
        holds = _in_area(own_crs, *to_degrees.transform(*middle))
        exchanged = not holds and _in_area(own_crs, *to_degrees.transform(*middle[::-1]))
        degrees_called_metres = not holds and _are_degrees(west, south, east, north) and _in_area(own_crs, *middle)
    if exchanged:
        raise _out_of_place(
            what, where, own_crs, f"{found}, which fit with x and y exchanged", "exchange x and y in the file"
        )
    if degrees_called_metres:
        raise _out_of_place(
            what,
            where,
            own_crs,
            f"{found}, which fit as degrees",
            "state the geographic system that the file is in, such as EPSG:4326; degrees have no length",
        )


# Bounds in degrees; an error where the system does not allow them.
def _degrees(own_crs, bounds, what, where):
    degrees = _to_degrees(own_crs).transform_bounds(*bounds)
    if not np.isfinite(degrees).all() or not _are_degrees(*degrees):
        raise _out_of_place(what, where, own_crs, "coordinates from {:g}, {:g} to {:g}, {:g}".format(*bounds))
    return degrees


# Longitudes may run to 360; no latitude passes a pole.
def _are_degrees(west, south, east, north):
    return max(abs(south), abs(north)) <= 90 and max(abs(west), abs(east)) <= 360


# Whether a point is in a system's area of use; False where the system states none.
def _in_area(crs, longitude, latitude):
    area = crs.area_of_use
    code = _code(crs)
    if area is None and code is not None:
        area = CRS.from_user_input(code).area_of_use
    if area is None or not np.isfinite([longitude, latitude]).all():
        return False
    in_longitude = area.west <= longitude <= area.east
    if area.west > area.east:
        in_longitude = longitude >= area.west or longitude <= area.east
    return bool(in_longitude and area.south <= latitude <= area.north)


# The error of a layer whose coordinates do not fit its system.
def _out_of_place(what, where, own_crs, found, fix=None):
    return InputError.of(
        f"the {what} layer does not fit its coordinate system",
        file=where,
        expected=f"coordinates that {crs_name(own_crs)} can hold",
        found=found,
        fix=fix or "check the layer's coordinate system; degrees and metres may be confused",
    )


# Whether two coordinate systems are equal apart from spelling and axis order.
def _same_crs(one, other):
    if one.equals(other, ignore_axis_order=True):
        return True
    codes = [_code(system) for system in (one, other)]
    return codes[0] is not None and codes[0] == codes[1]


def crs_name(crs):
    """Short name of a coordinate system: its code where it has one.

    Parameters
    ----------
    crs : pyproj.CRS

    Returns
    -------
    str
    """
    return _code(crs) or crs.name


# Whether a coordinate system states no datum.
def _has_unknown_datum(crs):
    geodetic = crs.geodetic_crs
    return geodetic is None or geodetic.datum is None or geodetic.datum.name.lower().startswith("unknown")


# Code of a system; none where the datum is unknown, since a look-up would give the code of a similar datum.
def _code(crs):
    try:
        code = None if _has_unknown_datum(crs) else crs.to_authority(min_confidence=MIN_CONFIDENCE)
    except CRSError:
        return None
    return ":".join(code) if code else None


# Semi-axes of one ellipsoid under two names differ by less than this; those of different ones by metres.
SAME_ELLIPSOID_M = 0.01


def crs_of_layer(found, stated, what, where):
    """The coordinate system that file and settings agree on.

    Parameters
    ----------
    found : pyproj.CRS or None
        From the file.
    stated : str or None
        From the settings.
    what, where : str
        Name of the layer, file and layer, for messages.

    Returns
    -------
    pyproj.CRS

    Raises
    ------
    InputError
        If both are missing, the one in the settings is unknown, or the two differ.
    """
    found = None if found is None else _horizontal(CRS(found))
    if stated is None:
        if found is None:
            raise InputError.of(
                f"the {what} layer has no coordinate system",
                file=where,
                expected="a coordinate system in the file, or crs = … beside its path in the settings",
                found="none",
                fix="state crs in the settings if you know it; sitefinder does not guess",
            )
        if _has_unknown_datum(found):
            raise InputError.of(
                f"the {what} layer has a coordinate system without a datum",
                file=where,
                expected="a coordinate system with a known datum",
                found=f"{crs_name(found)}, datum unknown",
                fix="state crs beside the layer's path in the settings if you know the datum; "
                "sitefinder does not guess",
            )
        return found
    try:
        stated_crs = _horizontal(CRS.from_user_input(stated))
    except CRSError:
        raise InputError.of(
            f"the coordinate system stated for the {what} layer is unknown",
            file=where,
            expected="a code such as EPSG:32633, or WKT",
            found=stated,
            fix="correct crs beside the layer's path in the settings",
        ) from None
    if found is not None and not (_same_crs(found, stated_crs) or _completes(stated_crs, found)):
        raise InputError.of(
            f"the coordinate system stated for the {what} layer is not the one in its file",
            file=where,
            expected=f"{crs_name(stated_crs)}, as the settings state",
            found=f"{crs_name(found)}, in the file",
            fix="leave crs out of the settings, or correct the file",
        )
    return stated_crs


# The horizontal part of a system, without heights and without a datum shift bound to it.
def _horizontal(crs):
    if crs.is_bound:
        crs = crs.source_crs
    return crs.sub_crs_list[0] if crs.is_compound else crs.to_2d()


# Whether a stated system only adds the datum that the file's own lacks.
def _completes(stated, found):
    return (
        _has_unknown_datum(found)
        and stated.is_geographic == found.is_geographic
        and stated.ellipsoid is not None
        and found.ellipsoid is not None
        and abs(stated.ellipsoid.semi_major_metre - found.ellipsoid.semi_major_metre) < SAME_ELLIPSOID_M
        and _conversion_text(stated) == _conversion_text(found)
    )


# The map projection with its parameters; nothing for degrees.
def _conversion_text(crs):
    operation = crs.coordinate_operation
    return [] if operation is None else [(item.name, round(item.value, 9)) for item in operation.params]


def transform_to_run(geometries, own_crs, run_crs, ids, what, where, operation_name=None):
    """Geometries in the run's coordinate system, and the operation that took them there.

    Parameters
    ----------
    geometries : ndarray of shapely geometry, shape (n,)
        In the layer's own coordinate system.
    own_crs : pyproj.CRS
        The layer's.
    run_crs : str
        The run's.
    ids : ndarray of str, shape (n,)
        Names of the features in messages.
    what, where : str
        Name of the layer, file and layer, for messages.
    operation_name : str, optional
        See `sitefinder.io.crs.operation_between`.

    Returns
    -------
    transform_to_run : ndarray of shapely geometry, shape (n,)
    operation : Operation
        One operation for the whole layer, the best that is available for its area.

    Raises
    ------
    InputError
        If coordinates cannot be moved; see `sitefinder.io.crs.operation_between`.
    """
    # Coordinates that are not finite are reported later, with the other problems of a geometry.
    numbers = has_finite_coordinates(geometries) & ~(shapely.is_missing(geometries) | shapely.is_empty(geometries))
    if not numbers.any():
        run = CRS(run_crs)
        unused = f"{crs_name(own_crs)} to {crs_name(run)}: nothing to move"
        description = SAME if _same_crs(own_crs, run) else unused
        return geometries.copy(), Operation(None, description, None)
    bounds = shapely.total_bounds(geometries[numbers])
    operation = operation_between(own_crs, run_crs, bounds, what, where, operation_name)
    result = geometries.copy()
    if operation.transformer is None:
        return result, operation
    result[numbers] = shapely.transform(geometries[numbers], operation.transformer.transform, interleaved=False)
    lost = numbers & ~has_finite_coordinates(result)
    if lost.any():
        raise _out_of_place(what, where, own_crs, f"coordinates in {listed(ids[lost])} that cannot be moved")
    return result, operation


# Points along each side of the rectangle at which the scale is computed.
PLACES = 5
# Largest distortion of lengths and of areas (own choice): half of what a catchment may be off.
MAX_LENGTH, MAX_AREA = 0.04, 0.02


def map_scale(crs, bounds):
    """Scale of length and area of a projected system over a rectangle.

    Parameters
    ----------
    crs : str
        Projected, in metres.
    bounds : sequence of float, shape (4,)
        West, south, east and north in that system [m].

    Returns
    -------
    lengths : tuple of float, shape (2,)
        Minimum and maximum scale of a length in any direction [m/m].
    areas : tuple of float, shape (2,)
        Minimum and maximum scale of an area [m²/m²].

    Notes
    -----
    Tissot's indicatrix at 25 points, by PROJ: its semi-axes are the scales of length.
    """
    west, south, east, north = bounds
    x_m, y_m = np.meshgrid(np.linspace(west, east, PLACES), np.linspace(south, north, PLACES))
    system = CRS.from_user_input(crs)
    to_degrees = Transformer.from_crs(system, system.geodetic_crs or LONGITUDE_LATITUDE, always_xy=True)
    factors = Proj(system).get_factors(*to_degrees.transform(x_m.ravel(), y_m.ravel()))
    lengths = (float(np.min(factors.tissot_semiminor)), float(np.max(factors.tissot_semimajor)))
    return lengths, (float(np.min(factors.areal_scale)), float(np.max(factors.areal_scale)))


def scale_note(crs, bounds):
    """Scale distortion of the run's system as text; an error where it is too large.

    Parameters
    ----------
    crs : str
    bounds : sequence of float, shape (4,)
        See `map_scale`.

    Returns
    -------
    str
        For the provenance table. Areas and lengths are not corrected: for UTM in its own zone they are within 0.2
        % of those on the ground.

    Raises
    ------
    ConfigError
    """
    lengths, areas = map_scale(crs, bounds)
    description = f"areas on the map are {_percent(areas)} of the ground's, lengths {_percent(lengths)}"
    if max(abs(scale - 1) for scale in lengths) > MAX_LENGTH or max(abs(scale - 1) for scale in areas) > MAX_AREA:
        raise ConfigError.of(
            "run.crs distorts lengths or areas too much where the DEM is",
            expected=f"lengths within {MAX_LENGTH:.0%} and areas within {MAX_AREA:.0%} of the ground's",
            found=f"{crs}: {description}",
            fix="choose the UTM zone, or another system, of your region",
        )
    return description


def _percent(scales):
    minimum, maximum = (f"{100 * scale:.2f}" for scale in scales)
    return f"{minimum} %" if minimum == maximum else f"{minimum} to {maximum} %"


# How files write the unit of their cells; "feet" alone may be either foot.
CELL_UNITS = {
    "metre": ("metre",),
    "metres": ("metre",),
    "meter": ("metre",),
    "meters": ("metre",),
    "m": ("metre",),
    "ft": ("foot", "us_survey_foot"),
    "foot": ("foot", "us_survey_foot"),
    "feet": ("foot", "us_survey_foot"),
    "internationalfoot": ("foot",),
    "ussurveyfoot": ("us_survey_foot",),
    "ussurveyfeet": ("us_survey_foot",),
    "footus": ("us_survey_foot",),
    "ftus": ("us_survey_foot",),
    "usft": ("us_survey_foot",),
}
# Two units are the same where their metres agree to this share; the two feet differ by 2 parts in a million.
SAME_UNIT = 1e-8


class Heights(NamedTuple):
    """Vertical reference of a file; each field is None, or empty, where the file states nothing.

    ``datum`` is the name to show and ``names`` all its names; ``axis_m`` are the metres in a unit of the vertical
    axis, ``cell_unit`` is the unit that the file states for its cells.
    """

    datum: str | None
    names: tuple
    axis_m: float | None
    cell_unit: str | None


def heights_of(crs, cell_unit):
    """Vertical reference of a raster, from its coordinate system and the unit of its cells.

    Parameters
    ----------
    crs : pyproj.CRS or None
    cell_unit : str or None
        Unit of the cells as the file states it.

    Returns
    -------
    Heights
    """
    vertical = None if crs is None else _vertical(crs)
    if vertical is None:
        return Heights(None, (), None, cell_unit or None)
    axis = vertical.axis_info[-1]
    names = {vertical.name}
    if vertical.is_geographic:
        names = {f"ellipsoid of {vertical.datum.name}", "ellipsoid", f"{vertical.name} ellipsoid"}
    elif vertical.datum is not None:
        names.add(vertical.datum.name)
    shown = f"ellipsoid of {vertical.datum.name}" if vertical.is_geographic else vertical.name
    return Heights(shown, tuple(sorted(map(_plain, names))), axis.unit_conversion_factor, cell_unit or None)


# The vertical part of a system.
def _vertical(crs):
    if crs.is_bound:
        crs = crs.source_crs
    if crs.is_compound:
        return next((part for part in crs.sub_crs_list if part.is_vertical), None)
    if crs.is_vertical:
        return crs
    return crs if crs.is_geographic and len(crs.axis_info) == 3 else None


# A name without what spellings differ in: case, blanks, and the words height and depth.
def _plain(name):
    words = re.sub(r"\(.*?\)|\b(height|depth|heights)\b", " ", name.lower())
    return re.sub(r"[^a-z0-9]", "", words)


def check_heights(heights, source, what):
    """Check that a DEM's files have the vertical datum and unit in the settings.

    Parameters
    ----------
    heights : dict of str to Heights
        By the name of the file.
    source : sitefinder.settings.DemSource
        States ``vertical_unit`` and ``vertical_datum``.
    what : str
        Name of the raster in messages.

    Raises
    ------
    InputError
    """
    datums = {}
    for file, each in heights.items():
        if each.datum is not None:
            datums.setdefault(each.names, (each.datum, []))[1].append(file)
    if len(datums) > 1:
        raise InputError.of(
            f"parts of the {what} raster have different vertical datums",
            file=source.path,
            expected="one vertical datum for all",
            found="; ".join(f"{name} in {listed(files, shown=2)}" for name, files in datums.values()),
            fix="bring all parts to one datum beforehand",
        )
    for datum, files in datums.values():
        if not _is_called(heights[files[0]], source.vertical_datum):
            raise InputError.of(
                f"the vertical datum stated for the {what} raster is not the one in its file",
                file=source.path,
                expected=f"{source.vertical_datum}, as the settings state",
                found=f"{datum}, in {listed(files, shown=2)}",
                fix="state the file's in vertical_datum, or correct the file",
            )
    wrong = {file: unit for file, each in heights.items() if (unit := _other_unit(each, source.vertical_unit))}
    if wrong:
        units = sorted(set(wrong.values()))
        raise InputError.of(
            f"the vertical unit stated for the {what} raster is not the one in its file",
            file=source.path,
            expected=f"{source.vertical_unit}, as the settings state",
            found=f"{listed(units)}, in {listed(wrong, shown=2)}",
            fix="correct vertical_unit, or bring all parts of a mosaic to one unit beforehand",
        )


# Whether a stated name or code is the datum of a file.
def _is_called(each, stated):
    if _plain(stated) in each.names:
        return True
    try:
        stated_crs = heights_of(CRS.from_user_input(stated), None)
    except CRSError:
        return False
    return bool(set(stated_crs.names) & set(each.names))


# The unit that a file states where it is another than the settings'; else nothing.
def _other_unit(each, stated):
    metres = METRES_PER_VERTICAL_UNIT[stated]
    if each.axis_m is not None and abs(each.axis_m / metres - 1) > SAME_UNIT:
        return f"a vertical axis of {each.axis_m:.9g} m"
    if each.cell_unit is not None:
        stated_crs = CELL_UNITS.get(re.sub(r"[^a-z]", "", each.cell_unit.lower()))
        if stated_crs is not None and stated not in stated_crs:
            return f"cells in {each.cell_unit}"
    return None
