"""Power of falling water against worked figures of the engineering literature.

- A fluid-mechanics textbook's illustrative example 16.4: net head 106 m, 17 m³/s, 90 %. Inputs read there; the
  15.91 MW are derived from them with g = 9.81 m/s².
- U.S. Department of Energy, web page "Planning a Microhydropower System": power in watts is net head in feet times
  flow in US gallons a minute over 10, for an efficiency of 50 to 70 per cent; read there.
"""

import pytest

from sitefinder.energy.plant import hydraulic_power_kw
from sitefinder.units import GRAVITY_M_S2, METRES_PER_FOOT

# US gallon of 231 cubic inches a minute, exactly.
M3S_PER_US_GALLON_MINUTE = 231 * 0.0254**3 / 60


def test_textbook_turbine():
    power = hydraulic_power_kw(17.0, 106.0, 0.90)

    # Printed with g = 9.81, 0.034 % more than with the standard gravity that the code uses.
    assert power * 9.81 / GRAVITY_M_S2 == pytest.approx(15_909.858, abs=0.0005)
    assert power == pytest.approx(15_910, rel=0.0004)


def test_rule_of_the_department_of_energy_lies_in_its_stated_efficiencies():
    watts = 1000 * hydraulic_power_kw(M3S_PER_US_GALLON_MINUTE, METRES_PER_FOOT)

    # Derived: one foot and one gallon a minute hold 0.188581 W, so a tenth of a watt is 53 %.
    assert watts == pytest.approx(0.188581, abs=0.5e-6)
    assert 0.1 / watts == pytest.approx(0.53028, abs=0.5e-5)
    assert 0.50 <= 0.1 / watts <= 0.70
