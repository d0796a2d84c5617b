"""Exponents of the drainage-area ratio by percentile of flow.

W. H. Asquith, M. C. Roussel, J. Vrabel, "Statewide analysis of the drainage-area ratio method for 34 streamflow
percentile ranges in Texas," U.S. Geol. Surv. Sci. Invest. Rep. 2006-5286, 2006; the exponents were read in the
data of the public package dartx, which restates the report's (not in the report itself). The areas of the worked
ratio were read in a US Geological Survey text on the method, Q_y = Q_x (A_y / A_x)^φ.
"""

import numpy as np
import pytest

from sitefinder.config.gauging import NearGauges
from sitefinder.flows.near_gauges import area_ratio_exponent, fading

# Non-exceedance from and to [%], exponent, as printed.
PRINTED = """
    0 6 0.885, 6 12 0.886, 12 18 0.887, 18 24 0.888, 24 30 0.889, 30 34 0.890, 34 36 0.891, 36 38 0.892,
    38 40 0.893, 40 42 0.894, 42 44 0.895, 44 46 0.897, 46 48 0.899, 48 50 0.902, 50 52 0.905, 52 54 0.908,
    54 56 0.912, 56 58 0.916, 58 60 0.920, 60 62 0.924, 62 64 0.927, 64 66 0.930, 66 68 0.932, 68 70 0.934,
    70 76 0.935, 76 80 0.934, 80 84 0.933, 84 86 0.931, 86 88 0.927, 88 90 0.920, 90 92 0.906, 92 94 0.890,
    94 95 0.865, 95 96 0.850, 96 97 0.830, 97 98 0.806, 98 99 0.773, 99 100 0.737
"""
CLASSES = [tuple(float(part) for part in row.split()) for row in PRINTED.split(",")]


@pytest.mark.parametrize(("lower", "upper", "exponent"), CLASSES)
def test_each_class_of_percentiles_has_its_printed_exponent(lower, upper, exponent):
    within = np.array([lower, (lower + upper) / 2, upper - 0.01])

    assert area_ratio_exponent(1 - within / 100).tolist() == [exponent] * 3


def test_one_exponent_may_stand_for_all():
    # 195 of 244 square miles: the ratio is printed as 0.7991803; with φ = 1 it is that of the flows.
    settings = NearGauges(exponent=1.0)

    phi = area_ratio_exponent(np.array([0.05, 0.5, 0.95]), settings.exponent)

    assert (195 / 244) ** phi == pytest.approx([0.7991803] * 3, abs=0.5e-7)


def test_the_usual_limits_of_the_ratio_are_the_default():
    settings = NearGauges()

    weight = fading(
        np.array([0.49, 0.51, 195 / 244, 1.49, 1.51]), settings.least_area_ratio, settings.most_area_ratio
    )

    assert (weight > 0).tolist() == [False, True, True, True, False]
