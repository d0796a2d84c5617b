"""The explicit friction factor against the equation that it stands for.

C. F. Colebrook, "Turbulent flow in pipes, with particular reference to the transition region between the smooth
and rough pipe laws," J. Inst. Civ. Eng., vol. 11, pp. 133-156, 1939, from memory:
1/√f = -2 log10(ε/(3.7 D) + 2.51/(Re √f)), solved here by root finding. P. K. Swamee and A. K. Jain (1976) give a
range of relative roughness from 1e-6 to 1e-2 and of Reynolds numbers from 5e3 to 1e8 (from memory); rough pipes at
small Reynolds numbers are the worst.
"""

import numpy as np
import pytest
from scipy.optimize import brentq

from sitefinder.energy.hydraulics import friction_factor


def colebrook(reynolds, roughness):
    return brentq(
        lambda f: 1 / np.sqrt(f) + 2 * np.log10(roughness / 3.7 + 2.51 / (reynolds * np.sqrt(f))), 1e-3, 1.0
    )


@pytest.mark.parametrize("reynolds", [1e5, 1e6, 1e7])
@pytest.mark.parametrize("roughness", [1e-6, 1e-4, 1e-3, 1e-2])
def test_friction_factor_of_pipes_as_plants_have_them(reynolds, roughness):
    # A pipe of 0.1 m at 1 m/s has a Reynolds number of 1e5.
    assert friction_factor(reynolds, roughness) == pytest.approx(colebrook(reynolds, roughness), rel=0.015)


@pytest.mark.parametrize("roughness", [1e-6, 1e-4, 1e-3, 1e-2])
def test_friction_factor_at_the_lowest_reynolds_number_of_its_range(roughness):
    assert friction_factor(5e3, roughness) == pytest.approx(colebrook(5e3, roughness), rel=0.035)
