"""How true a projected system is to length and area where the run lies."""

import numpy as np
from pyproj import CRS, Proj, Transformer

from sitefinder.errors import ConfigError
from sitefinder.io.operations import LONGITUDE_LATITUDE

# Places to a side of the ground at which the scale is asked.
PLACES = 5
# Largest departure of lengths and of areas from the truth (own choice): half of what a catchment may be off.
MOST_LENGTH, MOST_AREA = 0.04, 0.02


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
        Least and greatest scale of a length in any direction [m/m].
    areas : tuple of float, shape (2,)
        Least and greatest scale of an area [m²/m²].

    Notes
    -----
    Tissot's ellipse of distortion at 25 places, by PROJ: its half-axes are the scales of length.
    """
    west, south, east, north = bounds
    x_m, y_m = np.meshgrid(np.linspace(west, east, PLACES), np.linspace(south, north, PLACES))
    system = CRS.from_user_input(crs)
    to_degrees = Transformer.from_crs(system, system.geodetic_crs or LONGITUDE_LATITUDE, always_xy=True)
    factors = Proj(system).get_factors(*to_degrees.transform(x_m.ravel(), y_m.ravel()))
    lengths = (float(np.min(factors.tissot_semiminor)), float(np.max(factors.tissot_semimajor)))
    return lengths, (float(np.min(factors.areal_scale)), float(np.max(factors.areal_scale)))


def checked_scale(crs, bounds):
    """What to tell of the scale of the run's system; refuses one that is far from the truth.

    Parameters
    ----------
    crs : str
    bounds : sequence of float, shape (4,)
        See `map_scale`.

    Returns
    -------
    str
        Departure of areas from the truth, for the provenance table. Areas and lengths are left as they are on the
        map: for UTM in its own zone they are within 0.2 % of the truth.

    Raises
    ------
    ConfigError
    """
    lengths, areas = map_scale(crs, bounds)
    told = f"areas on the map are {_percent(areas)} of the ground's, lengths {_percent(lengths)}"
    if (
        max(abs(scale - 1) for scale in lengths) > MOST_LENGTH
        or max(abs(scale - 1) for scale in areas) > MOST_AREA
    ):
        raise ConfigError.of(
            "run.crs is not true to size where the DEM lies",
            expected=f"lengths within {MOST_LENGTH:.0%} and areas within {MOST_AREA:.0%} of the ground's",
            found=f"{crs}: {told}",
            fix="choose the UTM zone, or another system, of your region",
        )
    return told


def _percent(scales):
    least, most = (f"{100 * scale:.2f}" for scale in scales)
    return f"{least} %" if least == most else f"{least} to {most} %"
