"""Costs: laws that move the right way, parts worked by hand, money that is not mixed."""

import numpy as np
import pandas as pd
import pytest

from sitefinder.catalogue.costs import ProjectCosts
from sitefinder.energy.costs import (
    capital_recovery_factor,
    check_same_money,
    discount_factor,
    is_cost_extrapolated,
    is_extrapolated,
    operation_per_year,
    place_costs,
    project_laws,
    turbine_cost,
    value_of_energy,
    yearly_cost,
)
from sitefinder.energy.sizing import score_of, search_prices, yearly_payment
from sitefinder.energy.solar_benchmark import solar_lcoe_per_kwh
from sitefinder.errors import ConfigError
from sitefinder.settings import CostSettings


def test_capital_rises_with_power_and_falls_a_kilowatt_and_with_head(generic_turbines):
    power = np.geomspace(0.5, 5000, 60)
    head = np.linspace(0.5, 40, 60)

    for turbine in generic_turbines:
        by_power = turbine_cost(turbine.cost, power, 3.0)
        by_head = turbine_cost(turbine.cost, 20.0, head)

        assert np.all(np.diff(by_power) > 0), turbine.name
        assert np.all(np.diff(by_power / power) < 0), turbine.name
        assert np.all(np.diff(by_head) <= 0), turbine.name


def test_more_units_of_one_power_cost_more(generic_turbines):
    for turbine in generic_turbines:
        costs = turbine_cost(turbine.cost, 20.0, 3.0, units=np.arange(1, 5))

        assert np.all(np.diff(costs) > 0), turbine.name


def test_capital_recovery_factor_pays_the_debt_back_to_nothing():
    payment, debt = capital_recovery_factor(0.07, 25), 1.0

    for _ in range(25):
        debt = debt * 1.07 - payment

    assert debt == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("rate", [0.02, 0.05, 0.10])
def test_an_annuity_has_the_value_of_its_capital_by_discounting_each_payment(rate):
    payments = capital_recovery_factor(rate, 30) * discount_factor(rate, np.arange(1, 31))

    assert payments.sum() == pytest.approx(1.0, rel=1e-13)


# From the definition, as compound-interest tables have them, to 8 decimals.
@pytest.mark.parametrize(
    ("rate", "years", "tabled"),
    [
        (0.05, 20, 0.08024259),
        (0.05, 30, 0.06505144),
        (0.06, 50, 0.06344429),
        (0.08, 30, 0.08882743),
        (0.10, 20, 0.11745962),
    ],
)
def test_capital_recovery_factors_are_those_of_interest_tables(rate, years, tabled):
    assert capital_recovery_factor(rate, years) == pytest.approx(tabled, abs=0.5e-8)


def test_capital_recovery_factor_runs_into_its_limit_at_a_rate_of_zero():
    # The series is (1 + r (n + 1) / 2) / n to first order.
    assert capital_recovery_factor(1e-9, 20) == pytest.approx((1 + 1e-9 * 10.5) / 20, rel=1e-14)
    assert capital_recovery_factor(0.0, 20) == 1 / 20


def test_operation_has_a_minimum_sum_and_the_overhaul_is_discounted(generic_costs):
    operation = generic_costs.operation.model_copy(
        update={"share_of_capital": 0.02, "min_per_year": 1000.0, "overhaul_share": 0.3}
    )

    small, large = yearly_cost(np.array([20_000.0, 100_000.0]), operation, 0.05, 40)

    # At 5 % over 40 years the recovery factor is 0.0582782; the overhaul after 20 counts 0.3 / 1.05^20 = 0.113067.
    capital_factor = 0.0582781612 * (1 + 0.1130668449)
    assert small == pytest.approx(capital_factor * 20_000 + 1000, rel=1e-8)
    assert large == pytest.approx(capital_factor * 100_000 + 2000, rel=1e-8)


def test_solar_costs_what_its_capital_and_yield_say(generic_costs):
    solar = generic_costs.solar.model_copy(
        update={"capital_per_kw": 1000, "yield_kwh_per_kw": 1000, "operation_per_kw": 15, "lifetime_years": 25}
    )

    assert solar_lcoe_per_kwh(solar, 0.0) == pytest.approx((1000 / 25 + 15) / 1000)


def test_a_nominal_rate_counts_without_inflation():
    money = CostSettings(file="", price_per_kwh=0.1, discount_rate=0.071, rate_kind="nominal", inflation=0.02)

    # 1.05 times 1.02 is 1.071.
    assert money.real_rate == pytest.approx(0.05, rel=1e-12)
    assert CostSettings(file="", price_per_kwh=0.1, discount_rate=0.05).real_rate == 0.05


def test_a_nominal_rate_as_high_as_inflation_is_no_real_interest():
    money = CostSettings(file="", price_per_kwh=0.1, discount_rate=0.03, rate_kind="nominal", inflation=0.03)

    assert capital_recovery_factor(money.real_rate, 20) == 1 / 20


def test_real_and_nominal_payments_pay_the_same_plant():
    # In nominal money payments grow with inflation; discounted at the nominal rate they have the same value as
    # level real payments are at the real rate.
    money = CostSettings(file="", price_per_kwh=0.1, discount_rate=0.08, rate_kind="nominal", inflation=0.025)
    years = np.arange(1, 31)
    payment = capital_recovery_factor(money.real_rate, 30)

    energy_value = (payment * 1.025**years / 1.08**years).sum()

    assert energy_value == pytest.approx(1.0, rel=1e-12)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"rate_kind": "nominal"}, "inflation belong together"),
        ({"inflation": 0.02}, "inflation belong together"),
        ({"own_use_price_per_kwh": 0.3}, "belongs together with own_use_share, own_use_kwh_per_year, or both"),
        ({"own_use_share": 0.3}, "belongs together with own_use_share, own_use_kwh_per_year, or both"),
    ],
)
def test_settings_of_money_that_belong_together(changes, message):
    with pytest.raises(ValueError, match=message):
        CostSettings(file="", price_per_kwh=0.1, **changes)


@pytest.mark.parametrize(
    ("own", "expected"),
    [
        ({}, [100.0, 1000.0]),
        ({"own_use_price_per_kwh": 0.3, "own_use_share": 0.25}, [75 + 75, 750 + 750]),
        ({"own_use_price_per_kwh": 0.3, "own_use_kwh_per_year": 2000}, [300, 600 + 800]),
        (
            {"own_use_price_per_kwh": 0.3, "own_use_share": 0.5, "own_use_kwh_per_year": 2000},
            [150 + 50, 600 + 800],
        ),
    ],
)
def test_own_use_counts_at_its_price_up_to_its_share_and_amount(own, expected):
    money = CostSettings(file="", price_per_kwh=0.1, own_consumption_share=0.0, **own)

    np.testing.assert_allclose(value_of_energy(np.array([1000.0, 10_000.0]), money), expected)


@pytest.mark.parametrize("own", [{}, {"own_use_price_per_kwh": 0.3, "own_use_kwh_per_year": 2000}])
def test_what_the_plant_consumes_earns_nothing(own):
    money = CostSettings(file="", price_per_kwh=0.1, own_consumption_share=0.02, **own)
    without = money.model_copy(update={"own_consumption_share": 0.0})
    kwh = np.array([1000.0, 10_000.0])

    # What is left to sell or to use is 98 %.
    np.testing.assert_allclose(value_of_energy(kwh, money), value_of_energy(0.98 * kwh, without))


def test_the_search_goes_by_the_same_value_and_yearly_cost(generic_costs, settings):
    law = {"coefficient": 300, "power_exponent": 0.6, "covers": "plant", "power_range_kw": (1, 100)}
    law |= {"currency": "EUR", "year": 2024, "source": "an example"}
    operation = generic_costs.operation.model_validate(generic_costs.operation.model_dump() | {"law": law})
    costs = generic_costs.model_copy(update={"operation": operation})
    own = {"own_use_price_per_kwh": 0.4, "own_use_share": 0.8, "own_use_kwh_per_year": 30_000}
    money = settings.costs.model_copy(update=own | {"discount_rate": 0.04})
    settings = settings.model_copy(update={"costs": money})
    prices = search_prices(costs, settings)

    for capital, power, energy_mwh in [(50_000.0, 5.0, 20.0), (900_000.0, 80.0, 400.0)]:
        # Shares on top, and interest at 4 % while the capital is spent evenly over the time of construction.
        years = costs.construction.duration_years
        interest = (1.04**years - 1) / (years * np.log(1.04))
        whole = capital * (1 + costs.engineering.share) * (1 + costs.contingency.share) * interest
        yearly = yearly_cost(whole, operation, 0.04, money.lifetime_years, power)
        energy_value = value_of_energy(1000 * energy_mwh, money)

        assert yearly_payment(capital, power, prices) == pytest.approx(yearly, rel=1e-12)
        assert score_of(energy_mwh, capital, power, prices) == pytest.approx(energy_value - yearly, rel=1e-12)
        # The law is the lesser for the large plant, and for the small one the minimum holds.
        assert operation_per_year(whole, operation, power) == pytest.approx(
            max(min(0.025 * whole, 300 * power**0.6), 1500), rel=1e-12
        )


def test_a_law_of_operation_needs_the_power(generic_costs):
    law = {"coefficient": 300, "covers": "plant", "power_range_kw": (1, 100), "currency": "EUR", "year": 2024}
    operation = generic_costs.operation.model_validate(
        generic_costs.operation.model_dump() | {"law": law | {"source": "an example"}}
    )

    with pytest.raises(ValueError, match="needs the plant's power"):
        yearly_cost(1000.0, operation, 0.05, 20)


def test_a_law_without_exponents_is_so_much_a_kilowatt(turbine_class):
    law = turbine_class().cost.model_dump(exclude={"power_exponent", "head_exponent"})
    per_kw = turbine_class(cost=law).cost

    np.testing.assert_allclose(turbine_cost(per_kw, np.array([1.0, 40.0]), 3.0), [10_000.0, 400_000.0])


def test_a_law_is_extrapolated_outside_its_powers_and_heads(turbine_class):
    law = turbine_class().cost.model_copy(update={"head_range_m": (2.0, 30.0)})

    outside = is_extrapolated(law, np.array([0.5, 1.0, 100.0, 150.0, 150.0, 50.0]), 3.0, [1, 1, 1, 1, 2, 1])

    # The law is for 1 to 100 kW a turbine; 150 kW are within it as two turbines.
    assert outside.tolist() == [True, False, False, True, False, False]
    assert is_extrapolated(law, 50.0, np.array([1.0, 2.0, 31.0])).tolist() == [True, False, True]


def test_a_law_in_megawatts_and_feet_is_turned_to_kilowatts_and_metres(turbine_class):
    law = turbine_class().cost.model_copy(
        update={"coefficient": 600.0, "power_exponent": 0.5, "head_exponent": -0.5}
        | {"power_unit": "MW", "head_unit": "ft"}
    )

    # 4 MW at 9 ft of 0.3048 m each: 600 · 2 / 3.
    assert turbine_cost(law, 4000.0, 9 * 0.3048) == pytest.approx(400.0)


# Costs by laws of whole plants: one by power and head, and one by power alone; for diversions both are added.
def by_whole_plants(costs):
    law = {"covers": "plant", "currency": "EUR", "year": 2024, "source": "an example", "power_range_kw": (10, 100)}
    by_head = {"coefficient": 6, "power_exponent": 0.8, "head_exponent": -0.5, "head_range_m": (2, 20)}
    by_head["scheme_types"] = ["at_barrier", "diversion"]
    by_power = {"coefficient": 40, "power_exponent": 0.5, "scheme_types": ["new_weir", "diversion"]}
    project = {"laws": [law | by_head, law | by_power], "source": "an example"}
    return costs.model_copy(update={"project": ProjectCosts.model_validate(project)})


def test_laws_of_whole_plants_have_the_head_in_their_coefficients(generic_costs):
    laws = project_laws(
        by_whole_plants(generic_costs), ["diversion", "new_weir", "at_barrier"], np.array([4.0, 9.0, 0.0])
    )

    # 6 over the root of 4; without a second law nothing; without a head more than anybody pays, but a number.
    assert laws[:2].tolist() == [[3.0, 0.8, 40.0, 0.5], [40.0, 0.5, 0.0, 0.0]]
    assert laws[2, 1:].tolist() == [0.8, 0.0, 0.0]
    assert 1e100 < laws[2, 0] < np.inf
    none = project_laws(generic_costs, ["diversion", "new_weir"], np.array([4.0, 9.0]))
    assert none.shape == (2, 4)
    assert np.isnan(none).all()


@pytest.mark.parametrize(
    ("scheme_type", "power_kw", "head_m", "is_outside"),
    [
        ("diversion", 50.0, 4.0, False),
        ("diversion", 50.0, 30.0, True),
        ("new_weir", 50.0, 30.0, False),
        ("new_weir", 5.0, 4.0, True),
        ("at_barrier", 50.0, 1.0, True),
        # A law of a whole plant does not ask how many units share its power.
        ("at_barrier", 150.0, 4.0, True),
    ],
)
def test_a_plant_is_outside_its_laws_where_one_that_is_meant_for_it_does_not_reach(
    scheme_type, power_kw, head_m, is_outside, generic_costs, turbine_class
):
    plant = [scheme_type], np.array([power_kw]), np.array([head_m]), np.array([2])

    outside = is_cost_extrapolated(by_whole_plants(generic_costs), turbine_class(), *plant)

    assert outside.tolist() == [is_outside]
    # By turbines and parts the turbine's law alone is asked, for 1 to 100 kW each.
    assert is_cost_extrapolated(generic_costs, turbine_class(), *plant).tolist() == [False]


def place(**changes):
    row = {
        "scheme_type": "at_barrier",
        "head_m": 2.0,
        "weir_height_m": 0.0,
        "pond_length_m": 0.0,
        "has_fish_pass": False,
        "road_distance_m": 100.0,
        "line_distance_m": 200.0,
    }
    return row | changes


def test_a_place_pays_for_what_it_lacks(generic_costs):
    places = pd.DataFrame(
        [
            place(),
            place(has_fish_pass=True),
            place(scheme_type="diversion"),
            place(scheme_type="new_weir", weir_height_m=2.0, head_m=2.5, pond_length_m=500.0),
            place(road_distance_m=np.nan, line_distance_m=np.nan),
        ]
    )

    parts = place_costs(places, np.full(5, 4.0), generic_costs)

    weir, fish_pass = generic_costs.weir, generic_costs.fish_pass.per_m_head
    # A mean flow of 4 m³/s makes a stream twice as wide as one of 1 m³/s.
    weir_cost = weir.per_m_width * 2 * weir.stream_width_m * 2.0**weir.height_exponent
    np.testing.assert_allclose(parts["weir"], [0, 0, 0, weir_cost, 0])
    np.testing.assert_allclose(parts["pond"], [0, 0, 0, 500 * weir.pond_per_m, 0])
    # Fish climb the weir, 2.0 m, not the head of the stretch.
    np.testing.assert_allclose(parts["fish_pass"], [2 * fish_pass, 0, 0, 2 * fish_pass, 2 * fish_pass])
    np.testing.assert_allclose(parts["road"], [100 * generic_costs.road.per_m] * 4 + [0])
    line = generic_costs.line
    np.testing.assert_allclose(parts["line"], [line.fixed + 200 * line.per_m] * 4 + [line.fixed])
    np.testing.assert_allclose(parts["permits"], generic_costs.permits.fixed)
    # Nothing is known of a headrace, so that none takes land.
    np.testing.assert_allclose(parts["land"], generic_costs.land.per_m2 * generic_costs.land.plant_area_m2)


def test_the_line_leads_to_the_grid_or_to_the_settlement(generic_costs):
    places = pd.DataFrame([place(settlement_distance_m=50.0)])
    own_line = generic_costs.line.model_copy(update={"per_m": 20.0, "fixed": 700.0})
    costs = generic_costs.model_copy(update={"settlement_line": own_line})
    line = generic_costs.line

    to_grid = place_costs(places, np.ones(1), costs)["line"]
    to_settlement = place_costs(places, np.ones(1), costs, "settlement")["line"]
    alike = place_costs(places, np.ones(1), generic_costs, "settlement")["line"]

    np.testing.assert_allclose(to_grid, line.fixed + 200 * line.per_m)
    np.testing.assert_allclose(to_settlement, 700 + 50 * 20)
    np.testing.assert_allclose(alike, line.fixed + 50 * line.per_m)


def test_a_barrier_need_not_get_a_pass_where_the_cost_file_says_so(generic_costs):
    lenient = generic_costs.fish_pass.model_copy(update={"at_existing_barriers": False})
    costs = generic_costs.model_copy(update={"fish_pass": lenient})

    parts = place_costs(
        pd.DataFrame([place(), place(scheme_type="new_weir", weir_height_m=2.0)]), np.ones(2), costs
    )

    assert parts["fish_pass"].tolist() == [0.0, 2 * lenient.per_m_head]


def test_money_of_two_kinds_is_not_added(turbine_class, generic_costs):
    law = turbine_class().cost.model_dump() | {"currency": "USD", "year": 2014}

    with pytest.raises(ConfigError, match="foreign: its cost law is in USD of 2014, the cost file in EUR of 2024"):
        check_same_money([turbine_class(), turbine_class(name="foreign", cost=law)], generic_costs)
