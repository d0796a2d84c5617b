"""The national power laws of mean annual flow, whose temperature is in tenths of a degree Fahrenheit.

R. M. Vogel, I. Wilson, C. Daly, "Regional regression models of annual streamflow for the United States," J. Irrig.
Drain. Eng., vol. 125, no. 3, pp. 148-157, 1999. The form, Q = exp(a) A^b P^c T^d in m³/s, km², mm a year and
degrees Fahrenheit × 10, and the coefficients are from memory, those of region 1 to a middling degree, the others
less. So this is a test of plausibility, and of units, not of digits. Area, precipitation and observed flow of the
gauges: N. Addor et al., Hydrol. Earth Syst. Sci., vol. 21, pp. 5293-5313, 2017; temperature: derived from its
daily forcing; ratios: derived.
"""

import math

import pandas as pd
import pytest

from sitefinder.catalogue.equations import Equation, Predictor
from sitefinder.hydrology.equations import apply_equation

REGIONS = {
    "New England": (-9.4301, 1.01238, 1.21308, -0.51180),
    "Mid-Atlantic": (-2.7070, 0.97938, 1.62510, -2.05100),
    "South Atlantic-Gulf": (-10.1020, 0.98445, 2.25990, -1.60700),
    "Ohio": (-4.8910, 0.99319, 2.32521, -2.50930),
}
# region, area [km²], precipitation [mm a year], temperature [°F], observed flow [m³/s], ratio by hand
GAUGES = [
    ("New England", 573.60, 1317.9, 43.63, 14.427, 0.937),
    ("Mid-Atlantic", 113.54, 1145.1, 49.03, 1.771, 1.101),
    ("South Atlantic-Gulf", 427.77, 1130.6, 55.67, 4.601, 1.067),
    ("Ohio", 784.85, 1314.6, 45.79, 18.612, 1.138),
]


def equation_of(region, temperature_unit="degf10", precipitation_unit="mm"):
    constant, *exponents = REGIONS[region]
    terms = [("area", "km2"), ("precipitation", precipitation_unit), ("temperature", temperature_unit)]
    return Equation(
        statistic="mean",
        form="ln",
        constant=constant,
        predictors=[
            Predictor(name=name, unit=unit, coefficient=exponent, minimum=1e-3, maximum=1e6)
            for (name, unit), exponent in zip(terms, exponents, strict=True)
        ],
        flow_unit="m3s",
        standard_error_percent=30.0,
        gauges=50,
        source="Vogel et al. (1999), from memory",
        table="from memory",
    )


def gauge(area_km2, precipitation_mm, temperature_degf):
    celsius = (temperature_degf - 32) / 1.8
    return pd.DataFrame(
        {"area_km2": [area_km2], "precipitation_mm": [precipitation_mm], "temperature_degc": [celsius]}
    )


@pytest.mark.parametrize(("region", "area", "precipitation", "temperature", "observed", "ratio"), GAUGES)
def test_a_gauges_flow_is_of_the_observed_order(region, area, precipitation, temperature, observed, ratio):
    applied = apply_equation(equation_of(region), gauge(area, precipitation, temperature))

    assert 0.7 < applied.flow_m3s[0] / observed < 1.4
    # The same worked out elsewhere; three digits of the ratio are printed, temperature to 0.01 °F.
    assert applied.flow_m3s[0] / observed == pytest.approx(ratio, abs=1e-3)


@pytest.mark.parametrize("region", REGIONS)
def test_a_wrong_unit_shows_by_its_power(region):
    place = gauge(500.0, 1200.0, 50.0)
    _, _, of_precipitation, of_temperature = REGIONS[region]
    right = apply_equation(equation_of(region), place).flow_m3s

    degrees = apply_equation(equation_of(region, temperature_unit="degf"), place).flow_m3s
    inches = apply_equation(equation_of(region, precipitation_unit="in"), place).flow_m3s

    # Degrees in place of their tenths, and inches in place of millimetres: 10^−d and 25.4^−c.
    assert degrees / right == pytest.approx(10**-of_temperature)
    assert inches / right == pytest.approx(25.4**-of_precipitation)
    assert not 0.7 < float(degrees[0] / right[0]) < 1.4
    assert math.isfinite(float(right[0]))
