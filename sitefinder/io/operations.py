"""The way from one coordinate system to another: one operation with its accuracy, never a ballpark one."""

import warnings
from typing import NamedTuple

import numpy as np
from pyproj import CRS, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.exceptions import CRSError, ProjError
from pyproj.transformer import TransformerGroup

from sitefinder.errors import InputError, listed

LONGITUDE_LATITUDE = "OGC:CRS84"
# How alike two coordinate systems must be for one to be taken as the other's code [%]; a file format
# that writes another spelling of the same system gives about 70.
LEAST_CONFIDENCE = 70
SAME = "none (same coordinate system)"


class Way(NamedTuple):
    """How coordinates get from a layer's system to the run's.

    Attributes
    ----------
    transformer : pyproj.Transformer or None
        From the layer's to the run's, east before north on both sides; None where the two are the same.
    told : str
        The operation and its accuracy, for the provenance table.
    pipeline : str or None
        The same operation as a PROJ pipeline in the axis order of the two systems, as a warper takes it.
    """

    transformer: Transformer | None
    told: str
    pipeline: str | None

    def inverse(self, x, y):
        """Places of the run's system in the layer's."""
        if self.transformer is None:
            return np.asarray(x), np.asarray(y)
        return self.transformer.transform(x, y, direction="INVERSE")


def way_between(own_crs, run_crs, bounds, what, where, wanted=None):
    """The one operation that takes a layer to the run's coordinate system.

    Parameters
    ----------
    own_crs : pyproj.CRS
        The layer's.
    run_crs : str or pyproj.CRS
        The run's.
    bounds : sequence of float, shape (4,)
        Least x, least y, greatest x and greatest y of the layer, in its own system.
    what, where : str
        Name of the layer, file and layer, for messages.
    wanted : str, optional
        Part of the name of the operation that the settings ask for. Without it the best is taken that can be had
        on this machine where the layer lies.

    Returns
    -------
    Way

    Raises
    ------
    InputError
        If coordinates lie where the layer's system cannot hold them, x and y are exchanged, or degrees are called
        metres; if no operation is known but a ballpark one, which may be wrong by hundreds of metres; or if none
        has the name that is wanted.
    """
    run = CRS.from_user_input(run_crs)
    _check_axes(own_crs, bounds, what, where)
    if same_crs(own_crs, run):
        return Way(None, SAME, None)
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
    ways = [] if group is None else list(zip(group.transformers, named, strict=True))
    lacking = [] if group is None else group.unavailable_operations
    if wanted is not None:
        ways = [(way, name) for way, name in ways if wanted.casefold() in name.description.casefold()]
    if not ways:
        raise _no_way(own_crs, run, what, where, wanted, group, lacking)
    best, name = ways[0]
    accuracy = "accuracy unknown" if name.accuracy < 0 else f"accuracy {name.accuracy:g} m"
    missing = "; a better one lacks its grid on this machine" if caught and wanted is None else ""
    return Way(best, f"{name.description} ({accuracy}{missing})", _pipeline(best, own_crs, run))


# Why no operation serves, and what can be done about it.
def _no_way(own_crs, run, what, where, wanted, group, lacking):
    between = f"{crs_name(own_crs)} to {crs_name(run)}"
    grids = sorted({grid.short_name for operation in lacking for grid in operation.grids})
    if wanted is not None:
        names = [] if group is None else [way.description for way in group.transformers]
        names += [f"{operation.name} (lacks its grid)" for operation in lacking]
        return InputError.of(
            f"no operation for the {what} layer has the name that the settings state",
            file=where,
            expected=f"an operation from {between} with {wanted!r} in its name",
            found=listed(names, shown=20) if names else "no operation but a ballpark one",
            fix="correct operation beside the path, or leave it out",
        )
    helps = f"install PROJ's data package, or the grid {grids[0]} from it; or " if grids else ""
    return InputError.of(
        f"there is no good way from the {what} layer's coordinate system to the run's",
        file=where,
        expected=f"a known operation from {between}",
        found="only a ballpark one, which may be wrong by hundreds of metres"
        + (f"; better ones lack the grids {listed(grids)}" if grids else ""),
        fix=f"{helps}convert the layer by a named operation with a tool that has it; or, where the file's system "
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


# Refuses coordinates that make sense only with x and y exchanged, or only as degrees.
def _check_axes(own_crs, bounds, what, where):
    west, south, east, north = (float(value) for value in bounds)
    to_degrees = Transformer.from_crs(own_crs, LONGITUDE_LATITUDE, always_xy=True)
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
        raise out_of_place(
            what, where, own_crs, f"{found}, which fit with x and y exchanged", "exchange x and y in the file"
        )
    if degrees_called_metres:
        raise out_of_place(
            what,
            where,
            own_crs,
            f"{found}, which fit as degrees",
            "state the geographic system that the file is in, such as EPSG:4326; degrees have no length",
        )


# Bounds in degrees; refuses those that the system cannot hold.
def _degrees(own_crs, bounds, what, where):
    to_degrees = Transformer.from_crs(own_crs, LONGITUDE_LATITUDE, always_xy=True)
    degrees = to_degrees.transform_bounds(*bounds)
    if not np.isfinite(degrees).all() or not _are_degrees(*degrees):
        raise out_of_place(what, where, own_crs, "coordinates from {:g}, {:g} to {:g}, {:g}".format(*bounds))
    return degrees


# Longitudes may run to 360; no latitude passes a pole.
def _are_degrees(west, south, east, north):
    return max(abs(south), abs(north)) <= 90 and max(abs(west), abs(east)) <= 360


# Whether a place lies in the area that a system is made for; of a system that names none, nothing is known.
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


def out_of_place(what, where, own_crs, found, fix=None):
    """The error of a layer whose coordinates cannot be where its system says."""
    return InputError.of(
        f"the {what} layer does not fit its coordinate system",
        file=where,
        expected=f"coordinates that {crs_name(own_crs)} can hold",
        found=found,
        fix=fix or "check the layer's coordinate system; degrees and metres may be confused",
    )


def same_crs(one, other):
    """Whether two coordinate systems are the same but for spelling and order of axes.

    Parameters
    ----------
    one, other : pyproj.CRS

    Returns
    -------
    bool
    """
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


def has_unknown_datum(crs):
    """Whether a coordinate system does not say which datum it stands on."""
    geodetic = crs.geodetic_crs
    return geodetic is None or geodetic.datum is None or geodetic.datum.name.lower().startswith("unknown")


# Code of a system; none for one of unknown datum, to which a look-up gives the code of any datum that is alike.
def _code(crs):
    try:
        code = None if has_unknown_datum(crs) else crs.to_authority(min_confidence=LEAST_CONFIDENCE)
    except CRSError:
        return None
    return ":".join(code) if code else None
