"""Figures and places as printed sheets tell them: with unit, or in words where they are not known."""

import math

import numpy as np
from pyproj import CRS, Transformer

from sitefinder.report.text_tables import NOT_KNOWN, decimals, figure, is_missing


def is_known(value):
    """Whether a cell of a table holds something."""
    return not is_missing(value) and value != ""


def amount(value, unit="", places=None):
    """A number with its unit, three digits or so many places after the point.

    Examples
    --------
    >>> amount(9.6053, "m", 2), amount(1234.5, "kW"), amount(float("nan"), "kW")
    ('9.61 m', '1 234 kW', 'not known')
    """
    if not is_known(value) or not math.isfinite(value):
        return NOT_KNOWN
    shown = figure(float(value)) if places is None else decimals(float(value), places)
    return f"{shown} {unit}".rstrip()


def span(low, high, unit="", places=None):
    """Two numbers and their unit as "1.2 to 3.4 m"; only what is known of them.

    Examples
    --------
    >>> span(1.234, 5.678, "m", 1), span(float("nan"), 5.678, "m", 1)
    ('1.2 to 5.7 m', 'not known to 5.7 m')
    """
    if not is_known(low) and not is_known(high):
        return NOT_KNOWN
    return f"{amount(low, '', places)} to {amount(high, unit, places)}"


def words(value, otherwise=NOT_KNOWN):
    """A text of a table, or what to say where there is none."""
    return str(value) if is_known(value) else otherwise


def degrees_minutes_seconds(degrees, axis):
    """A coordinate as degrees, minutes and seconds to a tenth, about 3 m.

    Parameters
    ----------
    degrees : float
        Negative in the south and west.
    axis : {"lat", "lon"}

    Returns
    -------
    str
        Seconds are rounded first, so that 60 seconds never stand there.

    Examples
    --------
    >>> degrees_minutes_seconds(39.79497, "lat"), degrees_minutes_seconds(-0.5, "lon")
    ('39° 47′ 41.9″ N', '0° 30′ 00.0″ W')
    """
    if not is_known(degrees):
        return NOT_KNOWN
    tenths = round(abs(degrees) * 36_000)
    minutes, tenths = divmod(tenths, 600)
    whole, minutes = divmod(minutes, 60)
    side = {"lat": "NS", "lon": "EW"}[axis][degrees < 0 and whole + minutes + tenths > 0]
    return f"{whole}° {minutes:02d}′ {tenths // 10:02d}.{tenths % 10}″ {side}"


def decimal_degrees(lon, lat):
    """Latitude and longitude to a millionth of a degree, about a tenth of a metre."""
    return f"{lat:.6f}, {lon:.6f}" if is_known(lon) and is_known(lat) else NOT_KNOWN


def grid_places(crs, lon, lat):
    """Places in the run's grid.

    Parameters
    ----------
    crs : str
    lon, lat : sequence of float
        WGS 84 [°].

    Returns
    -------
    ndarray, shape (n, 2)
        East and north [m], NaN where not known.
    """
    into = Transformer.from_crs("OGC:CRS84", crs, always_xy=True)
    places = np.column_stack(into.transform(np.asarray(lon, dtype=float), np.asarray(lat, dtype=float)))
    places[~np.isfinite(places)] = np.nan
    return places


def grid_text(place):
    """A place in the grid as "E 411 805, N 4 405 509", to the metre."""
    if not np.isfinite(place).all():
        return NOT_KNOWN
    return "E {}, N {}".format(*(decimals(float(metres), 0) for metres in place))


def crs_text(crs):
    """Name of the run's coordinate system, and its code as the settings give it."""
    name = CRS.from_user_input(crs).name
    return name if crs == name else f"{name} ({crs})"
