"""Capital-cost laws in megawatts and feet against their derived points.

O'Connor P.W., Zhang Q., DeNeale S.T., Chalise D.R., Centurion E. (2015), Hydropower Baseline Cost Modeling,
Version 2, Oak Ridge National Laboratory, ORNL/TM-2015/471. Coefficients from memory, US dollars of 2014, power in
MW, head in feet; the points are derived from them.
"""

import numpy as np
import pytest

from sitefinder.catalogue.costs import CostLaw, OperationCosts
from sitefinder.energy.costs import operation_per_year, turbine_cost
from sitefinder.units import METRES_PER_FOOT

LAWS = {
    "new stream reach": (9_605_710, 0.977, -0.126),
    "dam without power": (11_489_245, 0.976, -0.240),
    "conduit": (9_297_820, 0.810, -0.102),
    "unit addition": (4_163_746, 0.741, 0.0),
    "generator rewind": (250_147, 0.817, 0.0),
    "operation a year": (225_417, 0.547, 0.0),
}


def law_of(name, head_unit="ft"):
    coefficient, power_exponent, head_exponent = LAWS[name]
    return CostLaw(
        coefficient=coefficient,
        power_exponent=power_exponent,
        head_exponent=head_exponent,
        power_unit="MW",
        head_unit=head_unit,
        covers="plant",
        currency="USD",
        year=2014,
        power_range_kw=(100, 1_000_000),
        source="O'Connor et al. (2015), ORNL/TM-2015/471, from memory",
    )


@pytest.mark.parametrize(
    ("name", "power_mw", "head_ft", "dollars"),
    [
        ("new stream reach", 1.0, 20, 6_585_665.85),
        ("dam without power", 1.0, 20, 5_598_146.91),
        ("conduit", 1.0, 20, 6_849_771.35),
        ("new stream reach", 0.5, 10, 3_651_095.27),
        ("dam without power", 0.5, 10, 3_361_137.00),
        ("conduit", 0.5, 10, 4_193_212.17),
        ("new stream reach", 5.0, 30, 30_151_289.26),
        ("dam without power", 5.0, 30, 24_433_017.93),
        ("conduit", 5.0, 30, 24_203_628.02),
    ],
)
def test_law_gives_its_point_from_kilowatts_and_metres(name, power_mw, head_ft, dollars):
    cost = turbine_cost(law_of(name), 1000 * power_mw, METRES_PER_FOOT * head_ft, units=3)

    # Printed to a cent; the law covers the whole plant, so the number of units does not matter.
    assert cost == pytest.approx(dollars, abs=0.005)


def test_feet_taken_for_metres_cost_a_sixth_more():
    right = turbine_cost(law_of("new stream reach"), 1000.0, 3.0)
    wrong = turbine_cost(law_of("new stream reach", head_unit="m"), 1000.0, 3.0)

    # Derived: 3.28084^0.126 = 1.161.
    assert wrong / right == pytest.approx(1.161, abs=0.0005)


def test_kilowatts_taken_for_megawatts_cost_hundreds_of_times_too_much():
    right = turbine_cost(law_of("new stream reach"), 5.0, 3.0)
    wrong = turbine_cost(law_of("new stream reach").model_copy(update={"power_unit": "kW"}), 5.0, 3.0)

    # A thousand to the law's exponent.
    assert wrong / right == pytest.approx(1000**0.977, rel=1e-12)


@pytest.mark.parametrize(
    ("power_mw", "head_ft", "law_dollars", "lesser_dollars"),
    [
        (1.0, 20, 225_417.00, 164_641.65),
        (0.5, 10, 154_284.84, 91_277.38),
        (5.0, 30, 543_654.84, 543_654.84),
    ],
)
def test_operation_is_the_lesser_of_its_law_and_a_share_of_capital(power_mw, head_ft, law_dollars, lesser_dollars):
    law = law_of("operation a year")
    capital = turbine_cost(law_of("new stream reach"), 1000 * power_mw, METRES_PER_FOOT * head_ft)
    operation = OperationCosts(share_of_capital=0.025, law=law, source=law.source)

    # Printed to a cent.
    assert turbine_cost(law, 1000 * power_mw, 1.0) == pytest.approx(law_dollars, abs=0.005)
    assert operation_per_year(capital, operation, 1000 * power_mw) == pytest.approx(lesser_dollars, abs=0.005)


@pytest.mark.parametrize("name", LAWS)
def test_cost_rises_with_power_falls_a_kilowatt_and_does_not_rise_with_head(name):
    power, head = np.geomspace(10, 1e6, 50), np.linspace(1, 100, 50)

    by_power, by_head = turbine_cost(law_of(name), power, 5.0), turbine_cost(law_of(name), 1000.0, head)

    assert np.all(np.diff(by_power) > 0)
    assert np.all(np.diff(by_power / power) < 0)
    assert np.all(np.diff(by_head) <= 0)
