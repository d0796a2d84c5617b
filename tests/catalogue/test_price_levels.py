"""Money of several years and currencies: converted by index and rate, reported; refused if a figure is missing."""

import pytest

from sitefinder.catalogue.costs import CostFile, to_common_currency
from sitefinder.errors import ConfigError

INDEX = {"source": "an index", "by_year": {2010: 80.0, 2014: 100.0, 2024: 125.0}}
RATES = {"USD": {"source": "a rate", "by_year": {2014: 0.75}}}


@pytest.fixture
def costs(generic_costs):
    """The generic costs with an index and a rate that are easy to compute with."""
    return CostFile.model_validate(generic_costs.model_dump() | {"price_index": INDEX, "exchange": RATES})


def of_money(turbine_class, currency, year):
    return turbine_class(cost=turbine_class().cost.model_dump() | {"currency": currency, "year": year})


def test_nothing_is_converted_where_all_is_to_common_currency(turbine_class, costs):
    one = to_common_currency([turbine_class()], costs)

    assert one.conversions == []
    assert one.costs.model_dump() == costs.model_dump()
    assert one.turbines == [turbine_class()]


def test_a_law_of_another_year_follows_the_index(turbine_class, costs):
    (turbine,), _, (conversion,) = to_common_currency([of_money(turbine_class, "EUR", 2014)], costs)

    assert turbine.cost.coefficient == pytest.approx(10_000 * 1.25)
    assert (turbine.cost.currency, turbine.cost.year) == ("EUR", 2024)
    assert conversion == ("turbine plain turbine", "EUR of 2014", "EUR of 2024", 1.25, "an index")


def test_a_law_in_another_currency_is_exchanged_in_its_own_year_and_then_follows_the_index(turbine_class, costs):
    (turbine,), _, (conversion,) = to_common_currency([of_money(turbine_class, "USD", 2014)], costs)

    assert turbine.cost.coefficient == pytest.approx(10_000 * 0.75 * 1.25)
    assert conversion.source == "a rate; an index"


def test_the_fixed_part_of_a_law_is_money_too(turbine_class, costs):
    law = turbine_class().cost.model_dump() | {"fixed": 400.0, "currency": "USD", "year": 2014}

    (turbine,), _, _ = to_common_currency([turbine_class(cost=law)], costs)

    assert turbine.cost.fixed == pytest.approx(400.0 * 0.75 * 1.25)


def test_all_entries_move_to_the_year_that_is_asked_for(turbine_class, costs):
    one = to_common_currency([turbine_class()], costs, 2014)

    # 100 / 125, for every sum and for nothing else.
    assert one.costs.year == 2014
    assert one.costs.powerhouse.coefficient == pytest.approx(0.8 * costs.powerhouse.coefficient)
    assert one.costs.powerhouse.flow_exponent == costs.powerhouse.flow_exponent
    assert one.costs.penstock.steel_per_kg == pytest.approx(0.8 * costs.penstock.steel_per_kg)
    assert one.costs.penstock.handling_constant_m == costs.penstock.handling_constant_m
    assert one.costs.screen.per_m2 == pytest.approx(0.8 * costs.screen.per_m2)
    assert one.costs.solar.storage.capital_per_kwh == pytest.approx(0.8 * costs.solar.storage.capital_per_kwh)
    assert one.costs.operation.share_of_capital == costs.operation.share_of_capital
    assert one.costs.operation.min_per_year == pytest.approx(0.8 * costs.operation.min_per_year)
    assert one.costs.contingency == costs.contingency


def test_an_entry_may_state_a_year_of_its_own(costs):
    road = costs.road.model_copy(update={"price_year": 2010})

    _, restated, conversions = to_common_currency([], costs.model_copy(update={"road": road}))

    assert restated.road.per_m == pytest.approx(costs.road.per_m * 125 / 80)
    assert restated.road.price_year is None
    assert [(each.name, each.money) for each in conversions] == [("road", "EUR of 2010")]


def test_going_to_another_year_and_back_changes_nothing(turbine_class, costs):
    there = to_common_currency([turbine_class()], costs, 2010)

    back = to_common_currency(there.turbines, there.costs, 2024)

    assert back.costs.weir.per_m_width == pytest.approx(costs.weir.per_m_width, rel=1e-14)
    assert back.turbines[0].cost.coefficient == pytest.approx(10_000.0, rel=1e-14)


def test_all_figures_that_are_missing_are_reported_at_once(turbine_class, costs):
    turbines = [
        of_money(turbine_class, "USD", 2009),
        of_money(turbine_class, "GBP", 2014),
        of_money(turbine_class, "EUR", 1999),
    ]

    with pytest.raises(ConfigError) as caught:
        to_common_currency(turbines, costs)

    assert str(caught.value).splitlines() == [
        "costs in several price years or currencies: 3 problems",
        "  turbine plain turbine: exchange.USD has no year 2009 (it has 2014 to 2014)",
        "  turbine plain turbine: no exchange rates from GBP to EUR (found USD)",
        "  turbine plain turbine: price_index has no year 1999 (it has 2010 to 2024)",
        "  fix:  correct these keys in the file",
    ]


def test_without_an_index_another_year_is_refused(turbine_class, costs):
    bare = costs.model_copy(update={"price_index": None})

    with pytest.raises(ConfigError, match="no price_index to convert from 2014 to 2024"):
        to_common_currency([of_money(turbine_class, "EUR", 2014)], bare)


def test_every_sum_of_the_cost_file_is_known_to_be_one(costs):
    # A figure of money that the conversion forgot would stay in the old year's: all numbers that are neither
    # exponents, lengths, shares, years nor speeds must be declared.
    plain = ("exponent", "_m_s", "width_m", "share", "years", "days_held", "efficiency", "yield", "factor", "year")
    plain += (
        "manning_n",
        "stress_mpa",
        "corrosion_m",
        "handling",
        "length_per_head",
        "seconds",
        "area_m2",
        "height_m",
    )
    for name in type(costs).model_fields:
        entry = getattr(costs, name)
        for part in filter(None, (entry, getattr(entry, "storage", None))):
            for field in getattr(type(part), "model_fields", {}):
                value = getattr(part, field)
                if isinstance(value, float) and not any(word in field for word in plain):
                    assert field in part.MONEY, (name, field)
