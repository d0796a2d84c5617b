"""Coordinate systems of files as found: axes, datum, and whether coordinates fit them or a DEM."""

from typing import NamedTuple

import numpy as np
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError, ProjError

from sitefinder.io.crs import LONGITUDE_LATITUDE, crs_name, heights_of

# Points along each side of a box that are taken to another system.
_POINTS = 21


class SystemFound(NamedTuple):
    """A coordinate system: its code or name, axes in the system's own order with their unit, and its datum."""

    code: str
    name: str
    axes: str
    datum: str


class Fit(NamedTuple):
    """How features lie to a box: how many meet it, and how many would with x and y exchanged."""

    features: int
    meeting: int
    meeting_exchanged: int


def system_of(crs):
    """A coordinate system in words.

    Parameters
    ----------
    crs : pyproj.CRS or None

    Returns
    -------
    SystemFound or None
    """
    if crs is None:
        return None
    units = dict.fromkeys(axis.unit_name for axis in crs.axis_info)
    names = ", ".join(f"{axis.name.lower()} ({axis.direction})" for axis in crs.axis_info)
    datum = crs.geodetic_crs.datum if crs.geodetic_crs is not None else None
    return SystemFound(
        crs_name(crs), crs.name, f"{names} [{', '.join(units)}]", "unknown" if datum is None else datum.name
    )


def crs_of(text):
    """The coordinate system that a file states as text; None where it states none, or one that is unknown.

    Parameters
    ----------
    text : str or None

    Returns
    -------
    pyproj.CRS or None
    """
    try:
        return None if not text else CRS.from_user_input(text)
    except CRSError:
        return None


def vertical_datum_of(crs):
    """Name of the vertical datum that a system holds; None where it holds none.

    Parameters
    ----------
    crs : pyproj.CRS or None

    Returns
    -------
    str or None
    """
    return heights_of(crs, None).datum


def box_in(bounds, crs, other):
    """A box in another coordinate system.

    Parameters
    ----------
    bounds : sequence of float, shape (4,)
        Minimum x, minimum y, maximum x and maximum y.
    crs, other : pyproj.CRS
        The box's system, and the one wanted.

    Returns
    -------
    tuple of float, shape (4,), or None
        None where no operation leads there.
    """
    try:
        transformer = Transformer.from_crs(crs, other, always_xy=True)
        box = transformer.transform_bounds(*bounds, densify_pts=_POINTS)
    except (ProjError, CRSError):
        return None
    return tuple(map(float, box)) if np.isfinite(box).all() else None


def area_of_use(crs):
    """The box in which a system is meant to be used, in its own coordinates; None where it states none.

    Parameters
    ----------
    crs : pyproj.CRS

    Returns
    -------
    tuple of float, shape (4,), or None
    """
    if crs.area_of_use is None:
        return None
    return box_in(crs.area_of_use.bounds, CRS(LONGITUDE_LATITUDE), crs)


def fit_to(boxes, box):
    """How features lie to a box.

    Parameters
    ----------
    boxes : ndarray of float64, shape (n, 4)
        Of the features; NaN for one without a geometry, which is not counted.
    box : sequence of float, shape (4,)

    Returns
    -------
    Fit
    """
    boxes = boxes[np.isfinite(boxes).all(axis=1)]
    return Fit(len(boxes), _meeting(boxes, box), _meeting(boxes[:, [1, 0, 3, 2]], box))


def _meeting(boxes, box):
    west, south, east, north = box
    meets = (boxes[:, 0] <= east) & (boxes[:, 2] >= west) & (boxes[:, 1] <= north) & (boxes[:, 3] >= south)
    return int(meets.sum())


def covered_percent(bounds, crs, other_bounds, other_crs):
    """Share of a box that another one covers.

    Parameters
    ----------
    bounds : sequence of float, shape (4,)
        Of what covers.
    crs : pyproj.CRS or None
    other_bounds : sequence of float, shape (4,)
        Of what is covered.
    other_crs : pyproj.CRS or None

    Returns
    -------
    float or None
        None where a system is not known.
    """
    if crs is None or other_crs is None or (box := box_in(bounds, crs, other_crs)) is None:
        return None
    width = min(box[2], other_bounds[2]) - max(box[0], other_bounds[0])
    height = min(box[3], other_bounds[3]) - max(box[1], other_bounds[1])
    area = (other_bounds[2] - other_bounds[0]) * (other_bounds[3] - other_bounds[1])
    return 100.0 * max(width, 0.0) * max(height, 0.0) / area


def utm_code(bounds, crs):
    """Code of the UTM zone of a box's middle.

    Parameters
    ----------
    bounds : sequence of float, shape (4,)
    crs : pyproj.CRS

    Returns
    -------
    str or None
        On the datum WGS 84; None where the box has no place on the earth.
    """
    box = box_in(bounds, crs, CRS(LONGITUDE_LATITUDE))
    if box is None:
        return None
    longitude, latitude = (box[0] + box[2]) / 2.0, (box[1] + box[3]) / 2.0
    zone = min(max(int((longitude + 180.0) // 6.0) + 1, 1), 60)
    return f"EPSG:{32600 if latitude >= 0.0 else 32700}".removesuffix("00") + f"{zone:02d}"
