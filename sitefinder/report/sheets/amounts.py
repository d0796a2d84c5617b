"""Figures and coordinates on the printed sheets: with unit, or "not known"."""

import math
from functools import cache

import numpy as np
from pyproj import CRS, Transformer

from sitefinder.report.languages import numeral, say, say_as
from sitefinder.report.text import NOT_KNOWN, decimals, figure, is_missing, money_figure

# Sides of the globe from the equator and from Greenwich, and the context of their letters.
SIDES, SIDE = {"lat": "NS", "lon": "EW"}, "side of the globe"
STEPS = (1.0, 2.0, 5.0, 10.0)


def round_step(rough):
    """The smallest 1, 2 or 5 times a power of ten that is not below a number.

    Examples
    --------
    >>> round_step(130.0), round_step(0.2), round_step(3.0)
    (200.0, 0.2, 5.0)
    """
    power = 10.0 ** math.floor(math.log10(rough))
    return next(step * power for step in STEPS if step * power >= rough * (1 - 1e-9))


def is_known(value):
    """Whether a cell of a table is not empty."""
    return not is_missing(value) and value != ""


def amount(value, unit="", places=None):
    """A number with its unit, to three significant digits or a number of decimals.

    Examples
    --------
    >>> amount(9.6053, "m", 1), amount(1234.5, "kW"), amount(float("nan"), "kW")
    ('9.6 m', '1,234 kW', 'not known')
    """
    if not is_known(value) or not math.isfinite(value):
        return say(NOT_KNOWN)
    shown = figure(float(value)) if places is None else decimals(float(value), places)
    return f"{shown} {unit}".rstrip()


def money(value, currency):
    """An amount of money to three significant digits.

    Examples
    --------
    >>> money(951_768.3, "EUR"), money(0.0, "EUR"), money(float("nan"), "EUR")
    ('952,000 EUR', '0 EUR', 'not known')
    """
    if not is_known(value) or not math.isfinite(value):
        return say(NOT_KNOWN)
    return f"{money_figure(float(value))} {currency}"


def percent(share):
    """A share as a whole percentage.

    Examples
    --------
    >>> percent(0.714), percent(float("nan"))
    ('71 %', 'not known')
    """
    return f"{100 * share:.0f} %" if is_known(share) and math.isfinite(share) else say(NOT_KNOWN)


def span(low, high, unit="", places=None):
    """Two numbers and their unit, such as "1.2 to 3.4 m"; unknown ones are "not known".

    Examples
    --------
    >>> span(1.234, 5.678, "m", 1), span(float("nan"), 5.678, "m", 1)
    ('1.2 to 5.7 m', 'not known to 5.7 m')
    """
    if not is_known(low) and not is_known(high):
        return say(NOT_KNOWN)
    return say("{low} to {high}", low=amount(low, "", places), high=amount(high, unit, places))


def words(value, otherwise=None):
    """A text of a table as it is, or another text if it is empty: "not known" if none is given."""
    return str(value) if is_known(value) else say(NOT_KNOWN) if otherwise is None else otherwise


def listed(names):
    """Names as a list in a sentence.

    Examples
    --------
    >>> listed(["roads"]), listed(["roads", "lakes", "settlements"])
    ('roads', 'roads, lakes and settlements')
    """
    return say(" and ").join(filter(None, [", ".join(names[:-1]), names[-1]]))


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
        Seconds are rounded first, so that 60 seconds never occur.

    Examples
    --------
    >>> degrees_minutes_seconds(39.79497, "lat"), degrees_minutes_seconds(-0.5, "lon")
    ('39° 47′ 41.9″ N', '0° 30′ 00.0″ W')
    """
    if not is_known(degrees):
        return say(NOT_KNOWN)
    tenths = round(abs(degrees) * 36_000)
    minutes, tenths = divmod(tenths, 600)
    whole, minutes = divmod(minutes, 60)
    side = SIDES[axis][degrees < 0 and whole + minutes + tenths > 0]
    seconds = numeral(f"{tenths // 10:02d}.{tenths % 10}")
    return f"{whole}° {minutes:02d}′ {seconds}″ {say_as(SIDE, side)}"


def decimal_degrees(lon, lat):
    """Latitude and longitude to a millionth of a degree, about a tenth of a metre, as devices take them."""
    return f"{lat:.6f}, {lon:.6f}" if is_known(lon) and is_known(lat) else say(NOT_KNOWN)


def grid_places(crs, lon, lat):
    """Coordinates in the grid of the run.

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
    places = np.column_stack(_into_grid(crs).transform(np.asarray(lon, dtype=float), np.asarray(lat, dtype=float)))
    places[~np.isfinite(places)] = np.nan
    return places


def grid_text(place):
    """Grid coordinates to the metre, in groups as on maps.

    Examples
    --------
    >>> grid_text([411_805.2, 4_405_509.4])
    'E 411 805, N 4 405 509'
    """
    if not np.isfinite(place).all():
        return say(NOT_KNOWN)
    east, north = (f"{metres:,.0f}".replace(",", " ") for metres in place)
    return say("E {east}, N {north}", east=east, north=north)


def crs_text(crs):
    """Name of the run's coordinate system, and its code as the settings give it."""
    name = CRS.from_user_input(crs).name
    return name if crs == name else f"{name} ({crs})"


# Reading a coordinate system takes longer than the conversion.
@cache
def _into_grid(crs):
    return Transformer.from_crs("OGC:CRS84", crs, always_xy=True)
