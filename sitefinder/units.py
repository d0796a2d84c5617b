"""Physical constants and the conversions at the edge; inside, everything is SI."""

# Standard acceleration of gravity, exactly (3rd CGPM, 1901).
GRAVITY_M_S2 = 9.80665
# Fresh water for screening; 999.70 at 10 °C by IAPWS-95, so this is 0.03 % high.
WATER_DENSITY_KG_M3 = 1000.0
# 365 days; the cost figures that this project is tested on use the same year.
HOURS_PER_YEAR = 8760.0
DAYS_PER_YEAR = 365.0
SECONDS_PER_DAY = 86_400.0
SECONDS_PER_HOUR = 3_600.0

# International foot, inch and mile, exactly (1959 agreement).
METRES_PER_FOOT = 0.3048
METRES_PER_US_SURVEY_FOOT = 1200.0 / 3937.0
METRES_PER_MILE = 5280.0 * METRES_PER_FOOT
MILLIMETRES_PER_INCH = 25.4
KM2_PER_SQUARE_MILE = 2.589988110336
M3S_PER_CUBIC_FOOT_SECOND = METRES_PER_FOOT**3
# Degrees Fahrenheit by definition: water freezes at 32 and boils 180 degrees above that.
DEGC_PER_DEGF = 100.0 / 180.0
DEGF_AT_ZERO_DEGC = 32.0

M2_PER_KM2 = 1.0e6
METRES_PER_KILOMETRE = 1.0e3
SQUARE_METRES_PER_SQUARE_KILOMETRE = 1.0e6
MILLIMETRES_PER_METRE = 1.0e3
WATTS_PER_KILOWATT = 1.0e3
KILOWATTS_PER_MEGAWATT = 1.0e3
VOLTS_PER_KILOVOLT = 1.0e3
KILOWATT_HOURS_PER_MEGAWATT_HOUR = 1.0e3
WATT_HOURS_PER_MEGAWATT_HOUR = 1.0e6
MEGAWATT_HOURS_PER_GIGAWATT_HOUR = 1.0e3

# How many metres one unit of elevation is, by the name the settings use.
METRES_PER_VERTICAL_UNIT = {
    "metre": 1.0,
    "foot": METRES_PER_FOOT,
    "us_survey_foot": METRES_PER_US_SURVEY_FOOT,
}

# One unit of a predictor or a flow in the unit that sitefinder keeps it in: (kept unit, factor).
# ``degf10`` are tenths of a degree Fahrenheit, as some American equations take temperature.
TO_INTERNAL_UNIT = {
    "km2": ("km2", 1.0),
    "mi2": ("km2", KM2_PER_SQUARE_MILE),
    "mm": ("mm", 1.0),
    "in": ("mm", MILLIMETRES_PER_INCH),
    "m": ("m", 1.0),
    "ft": ("m", METRES_PER_FOOT),
    "m3s": ("m3s", 1.0),
    "ls": ("m3s", 1.0e-3),
    "ft3s": ("m3s", M3S_PER_CUBIC_FOOT_SECOND),
    "percent": ("percent", 1.0),
    "fraction": ("percent", 100.0),
    "none": ("none", 1.0),
    "km": ("km", 1.0),
    "mi": ("km", METRES_PER_MILE / METRES_PER_KILOMETRE),
    "m_per_km": ("m_per_km", 1.0),
    "ft_per_mi": ("m_per_km", METRES_PER_FOOT / METRES_PER_MILE * METRES_PER_KILOMETRE),
    "degc": ("degc", 1.0),
    "degf": ("degc", DEGC_PER_DEGF),
    "degf10": ("degc", DEGC_PER_DEGF / 10.0),
}
# What zero of a unit is in the kept unit, where that is not zero.
ZERO_IN_INTERNAL_UNIT = {"degf": -DEGF_AT_ZERO_DEGC * DEGC_PER_DEGF, "degf10": -DEGF_AT_ZERO_DEGC * DEGC_PER_DEGF}


def from_internal_unit(value: float, unit: str) -> float:
    """A number in the kept unit as one of a unit of `TO_INTERNAL_UNIT`.

    Examples
    --------
    >>> from_internal_unit(50.8, "in"), round(from_internal_unit(10.0, "degf10"), 9)
    (2.0, 500.0)
    """
    if unit in ZERO_IN_INTERNAL_UNIT:
        value = value - ZERO_IN_INTERNAL_UNIT[unit]
    return value / TO_INTERNAL_UNIT[unit][1]


# m³/s in one unit of flow of a water right, by the name that the settings use. A year has 365 days; the acre
# is the international one, 43 560 square feet.
M3S_PER_FLOW_UNIT = {
    "m3_per_s": 1.0,
    "l_per_s": 1.0e-3,
    "ft3_per_s": M3S_PER_CUBIC_FOOT_SECOND,
    "m3_per_day": 1.0 / SECONDS_PER_DAY,
    "megalitre_per_day": 1.0e3 / SECONDS_PER_DAY,
    "m3_per_year": 1.0 / (DAYS_PER_YEAR * SECONDS_PER_DAY),
    "acre_foot_per_year": 43_560.0 * M3S_PER_CUBIC_FOOT_SECOND / (DAYS_PER_YEAR * SECONDS_PER_DAY),
}

# Units of memory and disk, decimal and binary (IEC 80000-13).
GIGABYTES_PER_UNIT = {
    "MB": 1e-3,
    "GB": 1.0,
    "TB": 1e3,
    "MiB": 2**20 / 1e9,
    "GiB": 2**30 / 1e9,
    "TiB": 2**40 / 1e9,
}


def gigabytes_of(text: str) -> float:
    """A size of memory or disk as a person writes it.

    Parameters
    ----------
    text : str
        A number and its unit: MB, GB, TB, MiB, GiB or TiB, in any case.

    Returns
    -------
    float
        In gigabytes, 10⁹ bytes.

    Raises
    ------
    ValueError
        If it is no positive, finite number with one of these units.

    Examples
    --------
    >>> gigabytes_of("2 GiB"), gigabytes_of("500MB")
    (2.147483648, 0.5)
    """
    by_name = {name.lower(): factor for name, factor in GIGABYTES_PER_UNIT.items()}
    number = text.strip().rstrip("BbIiGgMmTt")
    unit = text.strip()[len(number) :].lower()
    try:
        size = float(number) * by_name[unit]
    except (KeyError, ValueError):
        size = 0.0
    if not 0.0 < size < float("inf"):
        raise ValueError(f'expected a size such as "2 GiB" or "500 MB", found "{text}"')
    return size
