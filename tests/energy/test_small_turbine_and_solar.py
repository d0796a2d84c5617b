"""The comparison of small hydropower with solar that README shows: laws that hold whatever the prices are."""

import importlib.util

import numpy as np
import pytest


@pytest.fixture(scope="module")
def compare(repository):
    path = repository / "tests" / "benchmarks" / "small_turbine_and_solar.py"
    spec = importlib.util.spec_from_file_location("small_turbine_and_solar", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.comparison


@pytest.fixture(scope="module")
def table(compare):
    """The table at the price that README states."""
    return compare()[0]


def test_a_kilowatt_hour_of_a_larger_stream_costs_less(table):
    assert (np.diff(table["lcoe"]) < 0).all()
    assert (np.diff(table["energy_mwh"]) > 0).all()


def test_no_plant_gives_more_than_falling_water_holds(table):
    # 9.80665 kW per m³/s and m; nine tenths of the mean flow, 2.7 m, every hour of the year.
    limit_mwh = 9.80665 * 0.9 * table["mean_flow_m3s"] * 2.7 * 8.76

    assert (table["energy_mwh"] < limit_mwh).all()
    assert (table["energy_mwh"] > 0.2 * limit_mwh).all()


def test_solar_by_the_sun_alone_is_the_annuity_of_its_price_by_hand(table):
    # config/costs/generic.toml: 1200 a kW, 20 a year, 1489 kWh; 5 % over 30 years is 0.06505144 in any table.
    assert table["solar"].tolist() == pytest.approx([(1200 * 0.06505144 + 20) / 1489] * 5, rel=1e-6)
    assert (table["solar_firm"] > table["solar"]).all()


def test_the_difference_is_below_zero_where_hydropower_is_the_cheaper(table):
    assert ((table["lcoe"] < table["solar_firm"]) == (table["difference"] < 0)).all()


def test_what_a_kilowatt_hour_earns_moves_the_size_and_not_the_prices_beside_it(compare, table):
    dear = compare(price_per_kwh=0.60)[0]

    # Where the greatest of price times energy less cost is chosen, a higher price never leads to less energy.
    # Power may fall where it leads to another class.
    assert (dear["energy_mwh"] >= table["energy_mwh"]).all()
    assert dear["power_kw"].sum() > table["power_kw"].sum()
    assert dear["solar"].tolist() == table["solar"].tolist()
