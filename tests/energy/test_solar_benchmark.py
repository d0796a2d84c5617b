"""Solar beside a site: yield, capital, and storage for the hours without sun, worked by hand."""

import numpy as np
import pytest

from sitefinder.catalogue.costs import SolarCosts, StorageCosts
from sitefinder.energy.solar_benchmark import lcoe_minus_solar_per_kwh, solar_firm_lcoe_per_kwh, solar_lcoe_per_kwh

STORAGE = {
    "capital_per_kwh": 300.0,
    "operation_per_kwh": 3.0,
    "usable_share": 0.8,
    "round_trip_efficiency": 0.9,
    "days_held": 2.0,
    "lifetime_years": 10.0,
    "source": "an example",
}


def solar(**changes):
    figures = {
        "capital_per_kw": 1000.0,
        "yield_kwh_per_kw": 1000.0,
        "hours_share": 0.5,
        "operation_per_kw": 15.0,
        "lifetime_years": 25.0,
        "storage": StorageCosts(**STORAGE),
        "source": "an example",
    }
    return SolarCosts(**figures | changes)


def test_yield_and_capacity_factor_say_the_same():
    by_factor = solar(yield_kwh_per_kw=None, capacity_factor=1000 / 8760)

    assert solar_lcoe_per_kwh(by_factor, 0.05) == pytest.approx(solar_lcoe_per_kwh(solar(), 0.05), rel=1e-12)


@pytest.mark.parametrize("both", [{"capacity_factor": 0.17}, {"yield_kwh_per_kw": None}])
def test_exactly_one_of_them_is_stated(both):
    with pytest.raises(ValueError, match="exactly one of yield_kwh_per_kw and capacity_factor"):
        solar(**both)


def test_firm_cost_worked_by_hand_at_no_interest():
    # A site that runs 80 % of the hours: 1 - 0.5 / 0.8 = 0.375 of the energy goes through storage, so 0.625 +
    # 0.375 / 0.9 = 1.0416667 kWh are made for each one delivered, at (1000 / 25 + 15) / 1000 = 0.055. Each kWh a
    # day needs 0.375 · 2 / 0.8 = 0.9375 kWh of capacity, which cost 300 / 10 + 3 = 33 a year, over 365 days.
    by_hand = 1.0416666667 * 0.055 + 0.9375 * 33 / 365

    assert solar_firm_lcoe_per_kwh(solar(), 0.0, 0.8) == pytest.approx(by_hand, rel=1e-9)


def test_a_site_that_runs_no_longer_than_the_sun_needs_no_storage():
    firm = solar_firm_lcoe_per_kwh(solar(), 0.05, np.array([0.0, 0.2, 0.5]))

    np.testing.assert_allclose(firm, solar_lcoe_per_kwh(solar(), 0.05))


def test_the_longer_the_site_runs_the_costlier_is_solar_for_the_same_hours():
    hours = np.linspace(0.5, 1.0, 20)

    assert np.all(np.diff(solar_firm_lcoe_per_kwh(solar(), 0.05, hours)) > 0)


def test_without_a_price_of_storage_no_firm_cost_is_reported():
    firm = solar_firm_lcoe_per_kwh(solar(storage=None), 0.05, np.array([0.4, 0.9]))

    assert np.isnan(firm).all()
    assert np.isnan(solar_firm_lcoe_per_kwh(solar(), 0.05, np.array([np.nan, 0.9]))).tolist() == [True, False]


def test_the_premium_is_below_nothing_where_the_site_is_cheaper():
    np.testing.assert_allclose(lcoe_minus_solar_per_kwh(np.array([0.20, 0.10]), 0.15), [0.05, -0.05])
