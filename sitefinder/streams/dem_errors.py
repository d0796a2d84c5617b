"""Error of the DEM as it is stated: one figure, a preset by kind of DEM, or the footprints of its surveys."""

from typing import Literal, NamedTuple

import numpy as np
import shapely
from pydantic import Field, field_validator

from sitefinder.config import Section, one_error_stated
from sitefinder.streams.profile_error import rmse_from_le90, rmse_from_le95

# Where neither settings nor preset state one [m] (own choice).
USUAL_CORRELATION_LENGTH_M = 100.0
# From each measure of error to the root mean square error.
TO_RMSE = {"rmse": np.asarray, "le90": rmse_from_le90, "le95": rmse_from_le95}
OUTSIDE = -1


class ErrorSources(Section):
    """Where each figure of a preset comes from."""

    error: str = Field(min_length=1, description="author, year, title, table or page")
    error_correlation_length_m: str = Field(min_length=1)
    kind: str = Field(min_length=1)


class DemErrorFile(Section):
    """A file with the error of one kind of DEM; the error is stated in exactly one of three ways."""

    name: str = Field(min_length=1)
    kind: Literal["terrain", "surface"]
    error_le90_m: float | None = Field(None, gt=0)
    error_le95_m: float | None = Field(None, gt=0)
    error_rmse_m: float | None = Field(None, gt=0, validate_default=True)
    error_correlation_length_m: float = Field(ge=0)
    sources: ErrorSources

    @field_validator("error_rmse_m")
    @classmethod
    def _one_error(cls, value, info):
        return one_error_stated(value, info.data, ("error_le90_m", "error_le95_m", "error_rmse_m"))


class DemError(NamedTuple):
    """Error of a whole DEM: root mean square and correlation length [m], and whether it shows trees and roofs."""

    rmse_m: float
    correlation_length_m: float
    is_surface: bool


def stated_error(source, preset=None):
    """The error that settings state, with what they leave to the preset.

    Parameters
    ----------
    source : sitefinder.config.DemSource
    preset : DemErrorFile, optional
        The file that ``source.error_preset`` names.

    Returns
    -------
    DemError
        LE90 and LE95 are taken as those of normal errors without bias.

    Examples
    --------
    >>> from sitefinder.config import DemSource
    >>> dem = DemSource(path="dem.tif", vertical_unit="metre", vertical_datum="EGM96", error_le90_m=16.0)
    >>> round(stated_error(dem).rmse_m, 2)
    9.73
    """
    holder = source if preset is None else preset
    rmse_m = next(
        float(TO_RMSE[measure](value))
        for measure in TO_RMSE
        if (value := getattr(holder, f"error_{measure}_m")) is not None
    )
    length_m, kind = source.error_correlation_length_m, source.kind
    if length_m is None:
        length_m = USUAL_CORRELATION_LENGTH_M if preset is None else preset.error_correlation_length_m
    if kind is None:
        kind = "terrain" if preset is None else preset.kind
    return DemError(rmse_m, length_m, kind == "surface")


def footprints_at(x_m, y_m, polygons, day, rmse_m):
    """The footprint that holds at each place: of several the latest, of equal dates the most exact.

    Parameters
    ----------
    x_m, y_m : ndarray of float64, shape (n,)
        Places [m].
    polygons : ndarray of Polygon, shape (k,)
        In the same coordinates.
    day : ndarray of int64, shape (k,)
        Date of each survey, in days from any origin.
    rmse_m : ndarray of float64, shape (k,)
        Root mean square error of each survey [m].

    Returns
    -------
    footprint : ndarray of int64, shape (n,)
        Number of the polygon, of equals the first; -1 outside all of them. A place on a border lies in both.
    count : ndarray of int64, shape (n,)
        How many polygons lie over each place.

    Notes
    -----
    The later survey holds because makers of joined DEMs lay the newer over the older (common practice, no source).

    Examples
    --------
    >>> old, new = shapely.box(0, 0, 2, 1), shapely.box(1, 0, 3, 1)
    >>> at = np.array([0.5, 1.5, 2.5, 9.0]), np.full(4, 0.5)
    >>> footprint, count = footprints_at(*at, np.array([old, new]), np.array([0, 365]), np.array([0.1, 0.5]))
    >>> footprint.tolist(), count.tolist()
    ([0, 1, 1, -1], [1, 2, 1, 0])
    """
    order = np.lexsort([np.arange(len(polygons)), rmse_m, -np.asarray(day, dtype=np.int64)])
    precedence = np.empty(len(polygons), dtype=np.int64)
    precedence[order] = np.arange(len(polygons))
    place, polygon = shapely.STRtree(polygons).query(shapely.points(x_m, y_m), predicate="intersects")
    best = np.full(len(x_m), len(polygons), dtype=np.int64)
    np.minimum.at(best, place, precedence[polygon])
    footprint = np.where(best < len(polygons), np.append(order, OUTSIDE)[best], OUTSIDE)
    return footprint, np.bincount(place, minlength=len(x_m))
