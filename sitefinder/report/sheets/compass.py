"""Where a compass points on the grid of the sheets: magnetic declination and convergence of the meridians.

Chulliat, A., et al., "The US/UK World Magnetic Model for 2025-2030", NOAA, 2025: the model of the main field, as
the library pygeomag computes it. Iron in the ground, bridges and power lines turn a compass
by more than its error.
"""

import datetime
from functools import cache
from typing import NamedTuple

from pyproj import CRS, Proj

from sitefinder.report.languages import day, numeral, say

# The years that the model is made for, and the day that stands for them where the delivery has no date.
FIRST_YEAR, END_YEAR = 2025.0, 2030.0
USUAL_DAY = datetime.date(2027, 7, 1)
DAYS_A_YEAR = 365.25


class Compass(NamedTuple):
    """Angles [°], positive to the east, on a day.

    ``declination_deg`` is from true to magnetic north, ``change_deg`` by how much it grows in a year,
    ``convergence_deg`` from true to grid north.
    """

    day: datetime.date
    declination_deg: float
    change_deg: float
    convergence_deg: float

    @property
    def from_grid_deg(self):
        """From grid north to magnetic north [°]."""
        return self.declination_deg - self.convergence_deg


def compass_at(crs, lon, lat, date=""):
    """Where a compass points at a place.

    Parameters
    ----------
    crs : object
        The grid: a projected coordinate system, anything that pyproj understands.
    lon, lat : float
        WGS 84 [°]. The height above the ellipsoid is taken as 0: a kilometre matters less than 0.01°.
    date : str
        Day as YYYY-MM-DD; empty for one in the middle of the model's years.

    Returns
    -------
    Compass or None
        None where the day is none of the model's years, or the place is too near to a magnetic pole for a compass.
    """
    on = datetime.date.fromisoformat(date) if date else USUAL_DAY
    year = on.year + (on.timetuple().tm_yday - 1) / DAYS_A_YEAR
    if not FIRST_YEAR <= year < END_YEAR:
        return None
    now, later = (_field(lon, lat, each) for each in (year, min(year + 1.0, END_YEAR)))
    if now.in_blackout_zone or now.in_caution_zone:
        return None
    convergence_deg = _projection(crs).get_factors(lon, lat).meridian_convergence
    change_deg = (later.d - now.d) / (min(year + 1.0, END_YEAR) - year)
    return Compass(on, now.d, change_deg, convergence_deg)


def _field(lon, lat, year):
    from pygeomag import GeoMag  # noqa: PLC0415 (only sheets need it)
    from pygeomag.wmm.wmm_2025 import WMM_2025  # noqa: PLC0415

    return GeoMag(coefficients_data=WMM_2025).calculate(glat=lat, glon=lon, alt=0.0, time=year)


@cache
def _projection(crs):
    return Proj(CRS.from_user_input(crs))


def compass_text(compass):
    """The angle that a reader of the map needs, and what it is made of.

    Examples
    --------
    >>> compass_text(Compass(datetime.date(2027, 7, 1), 4.04, 0.18, 0.7))
    'magnetic north is 3.3° east of grid north (declination 4.0° east on 2027-07-01, 0.2° east a year)'
    """
    return say(
        "magnetic north is {angle} of grid north (declination {declination} on {day}, {change} a year)",
        angle=_side(compass.from_grid_deg),
        declination=_side(compass.declination_deg),
        day=day(compass.day.isoformat()),
        change=_side(compass.change_deg),
    )


def _side(degrees):
    size = numeral(f"{abs(degrees):.1f}")
    return say("{angle}° east", angle=size) if degrees >= 0 else say("{angle}° west", angle=size)
