"""The coordinate system of a layer, and the way from it to the run's, with its accuracy."""

import warnings

import numpy as np
import shapely
from pyproj import CRS, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.exceptions import CRSError, ProjError
from pyproj.transformer import TransformerGroup

from sitefinder.errors import InputError, listed
from sitefinder.io.repairs import has_finite_coordinates

LONGITUDE_LATITUDE = "OGC:CRS84"
# How alike two coordinate systems must be for one to be taken as the other's code [%]; a file format
# that writes another spelling of the same system gives about 70.
LEAST_CONFIDENCE = 70
# Half-axes of one ellipsoid under two names differ by less than this; those of two differ by metres.
SAME_ELLIPSOID_M = 0.01


def crs_of_layer(found, stated, what, where):
    """The one coordinate system that file and settings agree on.

    Parameters
    ----------
    found : pyproj.CRS or None
        What the file says.
    stated : str or None
        What the settings say.
    what, where : str
        Name of the layer, file and layer, for messages.

    Returns
    -------
    pyproj.CRS

    Raises
    ------
    InputError
        If neither says any, the settings' cannot be understood, or the two differ.
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
        meant = _horizontal(CRS.from_user_input(stated))
    except CRSError:
        raise InputError.of(
            f"the coordinate system stated for the {what} layer is unknown",
            file=where,
            expected="a code such as EPSG:32633, or WKT",
            found=stated,
            fix="correct crs beside the layer's path in the settings",
        ) from None
    if found is not None and not (same_crs(found, meant) or _completes(meant, found)):
        raise InputError.of(
            f"the coordinate system stated for the {what} layer is not the one in its file",
            file=where,
            expected=f"{crs_name(meant)}, as the settings state",
            found=f"{crs_name(found)}, in the file",
            fix="leave crs out of the settings, or correct the file",
        )
    return meant


# The horizontal part of a system, without heights and without a shift that the file wrote beside it.
def _horizontal(crs):
    if crs.is_bound:
        crs = crs.source_crs
    return crs.sub_crs_list[0] if crs.is_compound else crs.to_2d()


def _has_unknown_datum(crs):
    geodetic = crs.geodetic_crs
    return geodetic is None or geodetic.datum is None or geodetic.datum.name.lower().startswith("unknown")


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


# Code of a system; none for one of unknown datum, to which a look-up gives the code of any datum that is alike.
def _code(crs):
    code = None if _has_unknown_datum(crs) else crs.to_authority(min_confidence=LEAST_CONFIDENCE)
    return ":".join(code) if code else None


def moved(geometries, own_crs, run_crs, ids, what, where):
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
        How messages call the features.
    what, where : str
        Name of the layer, file and layer, for messages.

    Returns
    -------
    moved : ndarray of shapely geometry, shape (n,)
    operation : str
        One operation for the whole layer, the best that can be had where the layer lies.

    Raises
    ------
    InputError
        If coordinates lie where the layer's system cannot hold them, or no operation is known but a ballpark one,
        which may be wrong by hundreds of metres.
    """
    run = CRS.from_user_input(run_crs)
    if same_crs(own_crs, run):
        return geometries.copy(), "none (same coordinate system)"
    # Coordinates that are no numbers are judged afterwards, with the other faults of a geometry.
    numbers = has_finite_coordinates(geometries) & ~(shapely.is_missing(geometries) | shapely.is_empty(geometries))
    if not numbers.any():
        return geometries.copy(), f"{crs_name(own_crs)} to {crs_name(run)}: nothing to move"
    transformer, operation = _operation(own_crs, run, shapely.total_bounds(geometries[numbers]), what, where)
    result = geometries.copy()
    result[numbers] = shapely.transform(geometries[numbers], transformer.transform, interleaved=False)
    lost = numbers & ~has_finite_coordinates(result)
    if lost.any():
        raise _out_of_place(what, where, own_crs, f"coordinates in {listed(ids[lost])} that cannot be moved")
    return result, operation


# The best operation between two systems where the layer lies, and its name with the accuracy.
def _operation(own_crs, run, bounds, what, where):
    to_degrees = Transformer.from_crs(own_crs, LONGITUDE_LATITUDE, always_xy=True)
    west, south, east, north = degrees = to_degrees.transform_bounds(*bounds)
    if not np.isfinite(degrees).all() or max(abs(south), abs(north)) > 90 or max(abs(west), abs(east)) > 360:
        raise _out_of_place(what, where, own_crs, "coordinates from {:g}, {:g} to {:g}, {:g}".format(*bounds))
    area = AreaOfInterest(west, south, east, north)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            group = TransformerGroup(own_crs, run, always_xy=True, area_of_interest=area, allow_ballpark=False)
        except ProjError:
            group = None
    if group is None or not group.transformers:
        raise InputError.of(
            f"there is no good way from the {what} layer's coordinate system to the run's",
            file=where,
            expected=f"a known operation from {crs_name(own_crs)} to {crs_name(run)}",
            found="only a ballpark one, which may be wrong by hundreds of metres",
            fix="convert the layer with a tool that has the grids for this datum, and name the result",
        )
    best = group.transformers[0]
    accuracy = "accuracy unknown" if best.accuracy < 0 else f"accuracy {best.accuracy:g} m"
    missing = "; a better one lacks its grid on this machine" if caught else ""
    return best, f"{best.description} ({accuracy}{missing})"


def _out_of_place(what, where, own_crs, found):
    return InputError.of(
        f"the {what} layer does not fit its coordinate system",
        file=where,
        expected=f"coordinates that {crs_name(own_crs)} can hold",
        found=found,
        fix="check the layer's coordinate system; degrees and metres may be confused",
    )
