"""5 kW of hydropower and of solar: the arithmetic of the trade, and the full cost beside it.

The trade's figures are common practice, no source: machines alone for 22 000 (water) and 5 000 (sun), mean power
of 50 % and 17 % of full power, and 300 000 kWh at full power.
"""

import pandas as pd
import pytest

from sitefinder.power.comparison import TradeFigures, cost_steps, solar_cost_steps, trade_arithmetic

TRADE = TradeFigures()
# Capital recovery at 5 %: over 30 years as interest tables have it, over 40 by the definition.
RECOVERY_30, RECOVERY_40 = 0.06505144, 0.05827816


@pytest.fixture
def steps(generic_machines, generic_costs, settings):
    """Cost of a kWh by step, for a machine that starts its own rotation and for one with a built basin."""
    place = {
        "intake": 0,
        "layout": "at_barrier",
        "head_m": 2.7,
        "conduit_length_m": 0.0,
        "pond_length_m": 0.0,
        "weir_height_m": 0.0,
        "has_fish_pass": True,
        "road_distance_m": 50.0,
        "line_distance_m": 100.0,
    }
    by_name = {machine.name: machine for machine in generic_machines}
    names = {"rolling-body": "rolling-body bladeless machine", "vortex": "gravitation water vortex"}
    return {
        short: cost_steps(by_name[name], pd.DataFrame([place]), generic_costs, settings, TRADE)
        for short, name in names.items()
    }


def test_the_arithmetic_of_the_trade_gives_its_figures_and_holds_over_6_85_years_only():
    hydropower, solar = trade_arithmetic(TRADE)

    assert hydropower == pytest.approx(0.147, abs=0.0005)
    assert solar == pytest.approx(0.098, abs=0.0005)
    assert TRADE.years_at_full_power == pytest.approx(6.85, abs=0.005)
    # Over one year 5 kW give 43 800 kWh at full power; the same money over that would be 6.85 times as much a kWh.
    assert TRADE.power_kw * 8760 == 43_800
    over_one_year = TRADE.machine_capital / (TRADE.capacity_factor * 43_800)
    assert over_one_year == pytest.approx(6.85 * hydropower, rel=0.001)


def test_machines_alone_over_their_lives_and_with_interest_by_hand(steps, generic_costs, settings):
    hydropower, solar = steps["rolling-body"], solar_cost_steps(generic_costs, settings, TRADE, 0.95)

    # 21 900 and 7 446 kWh a year; 40 and 30 years.
    assert hydropower["lifetime"] == pytest.approx(22_000 / 40 / 21_900, rel=1e-12)
    assert solar["lifetime"] == pytest.approx(5_000 / 30 / 7_446, rel=1e-12)
    assert hydropower["interest"] == pytest.approx(22_000 * RECOVERY_40 / 21_900, rel=1e-6)
    assert solar["interest"] == pytest.approx(5_000 * RECOVERY_30 / 7_446, rel=1e-6)


def test_the_full_cost_by_hand(steps, generic_costs):
    # The whole capital with its overhaul in mid-life (0.1 / 1.05^20), and operation of 2.5 % of it.
    capital = steps["rolling-body"]["place"] * 21_900 / RECOVERY_40
    upkeep = max(0.025 * capital, 1_500)

    full = (RECOVERY_40 * capital * (1 + 0.1 * 0.3768895) + upkeep) / 21_900

    assert steps["rolling-body"]["operation"] == pytest.approx(full, rel=1e-6)


def test_each_thing_that_is_paid_makes_a_kwh_dearer(steps):
    for name, costs in steps.items():
        assert costs.loc["own machine":].is_monotonic_increasing, name


def test_a_built_basin_costs_more_than_a_machine_that_starts_its_own_rotation(steps):
    civil = {name: costs["civil works"] - costs["own machine"] for name, costs in steps.items()}

    assert civil["vortex"] > 1.5 * civil["rolling-body"]


def test_hydropower_by_day_and_night_is_held_against_solar_for_the_same_hours(generic_costs, settings):
    solar = solar_cost_steps(generic_costs, settings, TRADE, 0.95)

    assert solar["same hours"] > 2 * solar["operation"]
    assert solar_cost_steps(generic_costs, settings, TRADE, 0.5)["same hours"] == pytest.approx(solar["operation"])
