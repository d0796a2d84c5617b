"""The coordinate system of a layer, and its geometries taken to the run's."""

import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError

from sitefinder.errors import InputError, listed
from sitefinder.io.operations import SAME, Way, crs_name, has_unknown_datum, out_of_place, same_crs, way_between
from sitefinder.io.repairs import has_finite_coordinates

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
        if has_unknown_datum(found):
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


# Whether a stated system only adds the datum that the file's own lacks.
def _completes(stated, found):
    return (
        has_unknown_datum(found)
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


def moved(geometries, own_crs, run_crs, ids, what, where, wanted=None):
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
    wanted : str, optional
        See `sitefinder.io.operations.way_between`.

    Returns
    -------
    moved : ndarray of shapely geometry, shape (n,)
    way : Way
        One operation for the whole layer, the best that can be had where the layer lies.

    Raises
    ------
    InputError
        If coordinates cannot be moved; see `sitefinder.io.operations.way_between`.
    """
    # Coordinates that are no numbers are judged afterwards, with the other faults of a geometry.
    numbers = has_finite_coordinates(geometries) & ~(shapely.is_missing(geometries) | shapely.is_empty(geometries))
    if not numbers.any():
        run = CRS(run_crs)
        told = SAME if same_crs(own_crs, run) else f"{crs_name(own_crs)} to {crs_name(run)}: nothing to move"
        return geometries.copy(), Way(None, told, None)
    way = way_between(own_crs, run_crs, shapely.total_bounds(geometries[numbers]), what, where, wanted)
    result = geometries.copy()
    if way.transformer is None:
        return result, way
    result[numbers] = shapely.transform(geometries[numbers], way.transformer.transform, interleaved=False)
    lost = numbers & ~has_finite_coordinates(result)
    if lost.any():
        raise out_of_place(what, where, own_crs, f"coordinates in {listed(ids[lost])} that cannot be moved")
    return result, way
