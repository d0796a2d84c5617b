"""Gravity by latitude against the normal gravity of the World Geodetic System 1984.

Somigliana's closed form with the constants of WGS 84 (National Geospatial-Intelligence Agency, standard
NGA.STND.0036, 2014; from memory), at three latitudes, worked beforehand to six decimals; and the 3rd General
Conference on Weights and Measures (1901): 9.80665 m/s², exactly.
"""

import pytest

from sitefinder.energy.hydraulics import kw_per_m3s_m, normal_gravity_m_s2
from sitefinder.settings import EnergySettings


@pytest.mark.parametrize(("latitude_deg", "gravity"), [(0.0, 9.780325), (45.0, 9.806198), (90.0, 9.832185)])
def test_normal_gravity(latitude_deg, gravity):
    assert normal_gravity_m_s2(latitude_deg) == pytest.approx(gravity, abs=0.5e-6)
    assert normal_gravity_m_s2(-latitude_deg) == normal_gravity_m_s2(latitude_deg)


def test_standard_gravity_is_that_of_about_45_degrees():
    assert normal_gravity_m_s2(45.5) == pytest.approx(9.80665, abs=1e-5)


def test_a_run_takes_the_gravity_of_its_latitude():
    equator = kw_per_m3s_m(EnergySettings(turbines=["m.toml"], gravity_latitude_deg=0.0))

    assert equator == pytest.approx(9.780325, abs=0.5e-6)
