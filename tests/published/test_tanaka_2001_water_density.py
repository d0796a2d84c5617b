"""Density and viscosity of water against the international formulation.

- M. Tanaka, G. Girard, R. Davis, A. Peuto, and N. Bignell, "Recommended table for the density of water between
  0 °C and 40 °C based on recent experimental reports," Metrologia, vol. 38, pp. 301-309, 2001. Coefficients and
  values from memory.
- IAPWS-95 and the IAPWS viscosity of 2008 at 101.325 kPa, computed with a general-purpose package.
"""

import pytest

from sitefinder.energy.hydraulics import kinematic_viscosity_m2_s, kw_per_m3s_m, water_density_kg_m3
from sitefinder.settings import EnergySettings

# °C, kg/m³ and 1e-6 m²/s by IAPWS.
IAPWS = [
    (4.0, 999.9749, 1.5673),
    (5.0, 999.9666, 1.5182),
    (10.0, 999.7025, 1.3063),
    (15.0, 999.1026, 1.1386),
    (20.0, 998.2072, 1.0034),
    (25.0, 997.0476, 0.89266),
    (30.0, 995.6495, 0.80071),
]


@pytest.mark.parametrize(
    ("temperature_degc", "density"), [(0.0, 999.8428), (10.0, 999.7027), (20.0, 998.2067), (30.0, 995.6488)]
)
def test_density_has_the_values_of_the_table(temperature_degc, density):
    # Half of the last digit.
    assert water_density_kg_m3(temperature_degc) == pytest.approx(density, abs=0.00005)


@pytest.mark.parametrize(("temperature_degc", "density", "viscosity"), IAPWS)
def test_density_and_viscosity_lie_by_the_international_formulation(temperature_degc, density, viscosity):
    # The two formulations differ by at most 0.0007 kg/m³ here; the viscosity is good to 2.5 %.
    assert water_density_kg_m3(temperature_degc) == pytest.approx(density, abs=0.00075)
    assert kinematic_viscosity_m2_s(temperature_degc) == pytest.approx(viscosity * 1e-6, rel=0.025)


def test_a_run_takes_the_density_of_its_temperature():
    energy = EnergySettings(turbines=["m.toml"], water_temperature_degc=10.0)

    # 999.7027 kg/m³ at 9.80665 m/s², in kW.
    assert kw_per_m3s_m(energy) == pytest.approx(9.803734, abs=1e-6)
