"""Flows of a place in several regions, weighted by area.

US Geological Survey, NSS Services (National Streamflow Statistics): recorded answers for the 7-day, 10-year low
flow at a place in Tennessee and for that of April to June at one in Iowa, with the shares of the catchment in
percent, read there. The service sums weight × flow and does not divide by the sum of the weights, which in Iowa is
99.9905 %.
"""

import numpy as np
import pandas as pd
import pytest

from sitefinder.catalogue.equations import Equation
from sitefinder.hydrology.regions import RegionWeights, apply_regional, by_statistic
from sitefinder.units import KM2_PER_SQUARE_MILE, M3S_PER_CUBIC_FOOT_SECOND

# area [mi²], region, flow by that region's equation [ft³/s], weight [%]
TENNESSEE = (
    18.77,
    [("1418", 0.231954068113531, 92.17488438336163), ("1419", 0.776429295570855, 7.825115617612058)],
)
IOWA = (225.0, [("one", 22.1179702007597, 8.17634983236648), ("another", 5.10786777368609, 91.81417149453831)])


# The flow of each region as its equation gave it: the exponent of the area is 0, so that the factor is the flow.
def weighted(place, renormalise):
    area_mi2, regions = place
    equations = [
        Equation(
            statistic="7q10",
            form="log10",
            factor=flow_ft3s,
            predictors=[{"name": "area", "unit": "mi2", "coefficient": 0.0, "minimum": 0.01, "maximum": 1e4}],
            flow_unit="ft3s",
            standard_error_percent=50.0,
            gauges=50,
            source="recorded answer of the service",
            table="recorded answer of the service",
            region=region,
        )
        for region, flow_ft3s, _ in regions
    ]
    share = np.array([[percent / 100 for _, _, percent in regions]])
    weights = RegionWeights(tuple(region for region, _, _ in regions), share, renormalise)
    stations = pd.DataFrame({"area_km2": [area_mi2 * KM2_PER_SQUARE_MILE]})
    applied = apply_regional(by_statistic(equations, weights)["7q10"], stations, weights)
    return applied.flow_m3s[0] / M3S_PER_CUBIC_FOOT_SECOND


def test_tennessee_is_reproduced_to_all_printed_digits():
    # All 17 figures that a computer holds are printed; logs and exponentials there and back cost the last one.
    assert weighted(TENNESSEE, renormalise=False) == pytest.approx(0.27455988417358135, rel=1e-14)


def test_iowa_is_reproduced_with_weights_as_they_are():
    assert weighted(IOWA, renormalise=False) == pytest.approx(6.4981890968790861, rel=1e-14)


def test_iowa_with_weights_divided_by_their_sum_is_the_other_answer():
    # Derived: 6.498189 over 0.999905, printed to six decimals.
    assert weighted(IOWA, renormalise=True) == pytest.approx(6.498805, abs=0.5e-6)
    assert weighted(TENNESSEE, renormalise=True) == pytest.approx(0.27455988417358135, rel=1e-9)
