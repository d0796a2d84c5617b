"""Conversions against exact definitions and against scipy's table of constants.

The international foot, inch and mile are exact by agreement of 1959 (U.S. National Bureau of Standards, Federal
Register 24 FR 5348); the US survey foot is 1200/3937 m. The rounded factors 0.02832 (cubic feet to cubic metres),
2.590 (square miles to square kilometres) and 1.609 (miles to kilometres) were read in U.S. Geological Survey,
Water-Resources Investigations Report 93-4013, conversion factors. The outside library is scipy.constants, which
takes its figures from CODATA and NIST.
"""

import numpy as np
import pytest
from scipy import constants

from sitefinder import units
from sitefinder.report.text import gigawatt_hours


def test_cubic_feet_a_second_are_exact():
    assert pytest.approx(0.028316846592, rel=1e-15) == units.M3S_PER_CUBIC_FOOT_SECOND
    assert pytest.approx(0.02832, abs=5e-6) == units.M3S_PER_CUBIC_FOOT_SECOND


def test_square_miles_are_exact():
    assert units.KM2_PER_SQUARE_MILE == 2.589988110336
    assert pytest.approx(2.590, abs=5e-4) == units.KM2_PER_SQUARE_MILE
    assert pytest.approx(1.609344**2, rel=1e-15) == units.KM2_PER_SQUARE_MILE


def test_lengths_and_areas_agree_with_scipy():
    assert constants.foot == pytest.approx(units.METRES_PER_FOOT, rel=1e-15)
    assert constants.survey_foot == pytest.approx(units.METRES_PER_US_SURVEY_FOOT, rel=1e-15)
    assert constants.inch * 1000 == pytest.approx(units.MILLIMETRES_PER_INCH, rel=1e-15)
    assert constants.mile**2 / 1e6 == pytest.approx(units.KM2_PER_SQUARE_MILE, rel=1e-15)
    assert constants.foot**3 == pytest.approx(units.M3S_PER_CUBIC_FOOT_SECOND, rel=1e-15)


def test_gravity_is_the_standard_one():
    assert constants.g == units.GRAVITY_M_S2
    # 9.81 instead would raise every power by 0.0342 % (derived).
    assert pytest.approx(0.000342, abs=5e-7) == 9.81 / units.GRAVITY_M_S2 - 1


def test_the_density_of_water_is_within_its_range_at_stream_temperatures():
    """At 5, 10 and 15 °C by IAPWS-95, computed with the general package iapws (derived)."""
    assert pytest.approx(np.array([999.9666, 999.7025, 999.1026]), rel=0.001) == units.WATER_DENSITY_KG_M3


def test_a_year_and_a_day_have_their_hours_and_seconds():
    assert units.HOURS_PER_YEAR == 365 * 24
    assert constants.day == units.SECONDS_PER_DAY
    assert constants.year / 3600 == units.HOURS_PER_YEAR


def test_power_and_energy_have_the_thousands_of_their_prefixes():
    assert constants.kilo == units.WATTS_PER_KILOWATT == units.KILOWATT_HOURS_PER_MEGAWATT_HOUR
    assert constants.mega / constants.kilo == units.KILOWATTS_PER_MEGAWATT
    assert constants.giga / constants.mega == units.MEGAWATT_HOURS_PER_GIGAWATT_HOUR
    assert constants.mega == units.WATT_HOURS_PER_MEGAWATT_HOUR
    # 3 MWh are 0.003 GWh, in the text too.
    assert gigawatt_hours(12_340.0) == "12.3"
    assert gigawatt_hours(3.0) == "0.003"


def test_every_unit_goes_to_the_kept_one_of_its_kind():
    kept = {name: unit for name, (unit, _) in units.TO_INTERNAL_UNIT.items()}

    # A kept unit is its own, with factor one.
    assert all(units.TO_INTERNAL_UNIT[unit] == (unit, 1.0) for unit in kept.values())
    assert (kept["mi2"], kept["in"], kept["ft"], kept["ft3s"]) == ("km2", "mm", "m", "m3s")
    assert units.TO_INTERNAL_UNIT["ft3s"][1] == units.M3S_PER_CUBIC_FOOT_SECOND
    assert units.TO_INTERNAL_UNIT["mi2"][1] == units.KM2_PER_SQUARE_MILE
    assert units.TO_INTERNAL_UNIT["in"][1] == 25.4
    assert units.TO_INTERNAL_UNIT["ft"][1] == 0.3048
    assert units.TO_INTERNAL_UNIT["ls"][1] == 0.001
    assert units.TO_INTERNAL_UNIT["fraction"][1] == 100.0


def test_the_two_feet_of_elevation_differ_by_two_in_a_million():
    international, survey = (units.METRES_PER_VERTICAL_UNIT[name] for name in ("foot", "us_survey_foot"))

    # 1200/3937 over 0.3048 is 1 + 2e-6 to seven digits (derived): a peak of 4000 m moves by 8 mm.
    assert survey / international - 1 == pytest.approx(2.0e-6, rel=1e-4)
    assert units.METRES_PER_VERTICAL_UNIT["metre"] == 1.0


def test_degrees_fahrenheit_agree_with_scipy():
    fahrenheit = np.array([-40.0, 0.0, 32.0, 43.63, 212.0])
    celsius = constants.convert_temperature(fahrenheit, "Fahrenheit", "Celsius")

    assert units.from_internal_unit(celsius, "degf") == pytest.approx(fahrenheit, abs=1e-11)
    assert units.from_internal_unit(celsius, "degf10") == pytest.approx(10 * fahrenheit, abs=1e-10)
    assert units.TO_INTERNAL_UNIT["degf10"][0] == "degc"


def test_miles_and_slopes_are_exact():
    assert units.TO_INTERNAL_UNIT["mi"] == ("km", pytest.approx(constants.mile / 1000, rel=1e-15))
    # A foot in a mile is one part in 5280.
    assert units.TO_INTERNAL_UNIT["ft_per_mi"] == ("m_per_km", pytest.approx(1000 / 5280, rel=1e-15))


def test_a_number_in_another_unit_is_divided_by_the_size_of_that_unit():
    for unit, (_, size) in units.TO_INTERNAL_UNIT.items():
        rise = units.from_internal_unit(37.5, unit) - units.from_internal_unit(0.0, unit)
        assert rise == pytest.approx(37.5 / size, rel=1e-12)
