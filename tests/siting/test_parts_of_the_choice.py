"""Parts of the choice of sites by themselves: sums of losses, ponds, names, limits as one, and alternatives."""

import itertools
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.sparse import csr_array

from sitefinder.settings import RankingSettings
from sitefinder.siting import selection
from sitefinder.siting.candidates import Stretches
from sitefinder.siting.fish_passage import MigrationPath, fish_losses
from sitefinder.siting.limits import Limit
from sitefinder.siting.potential import class_edges, distribution
from sitefinder.siting.selection import Offers, alternatives, ponds_of, without_prefix


@pytest.mark.parametrize("kinds", [(0.3,), (0.3, 0.45), (0.1, 0.25, 1.2), (2.0,), (), (0.3, np.inf), (0.25,)])
def test_levels_are_all_sums_of_losses_up_to_the_maximum(kinds):
    kinds, maximum = np.unique([0.0, *kinds]), 1.0
    single = [each for each in kinds if 0.0 < each <= maximum]
    sums = {0.0}
    for count in range(1, 12):
        sums |= {
            round(sum(each), 9)
            for each in itertools.combinations_with_replacement(single, count)
            if sum(each) <= 1.0
        }

    levels = selection._levels(kinds, maximum)

    assert levels.exact
    assert levels.used == pytest.approx(sorted(sums))
    for place, used in enumerate(levels.used):
        for column, kind in enumerate(kinds):
            expected = used + kind
            found = levels.following[place, column]
            if expected > maximum + 1e-12:
                assert found == -1
            else:
                assert found >= 0
                assert levels.used[found] == pytest.approx(expected)


def test_a_loss_of_exactly_the_maximum_is_allowed_and_sums_that_differ_by_rounding_are_one():
    levels = selection._levels(np.array([0.0, 0.1, 0.2, 0.3]), 0.3 + 1e-9)

    assert levels.used == pytest.approx([0.0, 0.1, 0.2, 0.3])
    assert levels.following.tolist() == [[0, 1, 2, 3], [1, 2, 3, -1], [2, 3, -1, -1], [3, -1, -1, -1]]


def test_sums_that_differ_by_more_than_rounding_are_two():
    levels = selection._levels(np.array([0.0, 0.3, 0.3 + 1e-8]), 0.35)

    assert levels.used.tolist() == [0.0, 0.3, 0.3 + 1e-8]
    assert levels.following.tolist() == [[0, 1, 2], [1, -1, -1], [2, -1, -1]]


def test_a_survival_above_all_does_not_make_up_for_a_loss_elsewhere():
    # 1.08 by 0.78 would be 0.84; whoever survives more than all is alive, no more.
    downstream = np.array([1, 2, -1], dtype=np.int32)
    survival = np.array([[1.08, 1.08, 1.08], [0.78, 0.78, 0.78]])
    path = MigrationPath(np.array([True, False, False]), np.ones(3), survival, 0.8)

    found = selection.choose_for_fish(
        downstream, np.array([0, 1]), np.array([1, 2]), np.array([0, 1]), np.array([[3.0, 0.0], [5.0, 0.0]]), path
    )

    assert found.option.tolist() == [0, -1]
    assert found.total_value == 3.0


def test_too_many_sums_are_rounded_up_to_equal_steps(monkeypatch):
    monkeypatch.setattr(selection, "MAX_LEVELS", 4)

    levels = selection._levels(np.array([0.0, 0.11, 0.25, 0.26, 1.5]), 1.0)

    assert not levels.exact
    assert levels.used.tolist() == [0.0, 0.25, 0.5, 0.75, 1.0]
    # Whole steps stay, all others are rounded up; beyond the maximum there is nothing.
    assert levels.following.tolist() == [
        [0, 1, 1, 2, -1],
        [1, 2, 2, 3, -1],
        [2, 3, 3, 4, -1],
        [3, 4, 4, -1, -1],
        [4, -1, -1, -1, -1],
    ]
    # As many different sums as there may be are exact.
    monkeypatch.setattr(selection, "MAX_LEVELS", 5)
    assert selection._levels(np.array([0.0, 0.25]), 1.0).exact
    monkeypatch.setattr(selection, "MAX_LEVELS", 4)
    assert not selection._levels(np.array([0.0, 0.25]), 1.0).exact


def test_256_different_sums_of_losses_are_exact_and_257_are_not():
    few, many = (selection._levels(np.array([0.0, 1.0 / steps]), 1.0 + 1e-9) for steps in (255, 256))

    assert (few.exact, len(few.used)) == (True, 256)
    assert (many.exact, len(many.used)) == (False, 257)


def test_ponds_of_candidates_are_the_ends_of_what_they_take():
    taken = np.array([5, 4, 9, 8, 7, 3, 2], dtype=np.int32)
    stretches = Stretches(pd.DataFrame(index=range(4)), np.array([0, 2, 5, 5, 7]), np.array([2, 3, 5, 5]), taken)

    start, pond = ponds_of(stretches)

    assert start.tolist() == [0, 0, 2, 2, 4]
    assert pond.tolist() == [8, 7, 3, 2]


@pytest.mark.parametrize(
    ("name", "plain"),
    [("any_power_kw", "power_kw"), ("safe_lcoe_per_kwh", "lcoe_per_kwh"), ("as_built_turbine", "turbine")]
    + [("power_kw", "power_kw"), ("many_power_kw", "many_power_kw")],
)
def test_a_column_of_a_valuation_has_a_name_without_its_turbine_choice(name, plain):
    assert without_prefix(name) == plain


def test_limits_stand_below_each_other_as_one():
    limits = [
        Limit("a", csr_array(np.array([[1.0, 0.0, 2.0]])), np.array([3.0])),
        Limit("b", csr_array(np.array([[0.0, 4.0, 0.0], [5.0, 0.0, 0.0]])), np.array([6.0, 7.0])),
    ]

    amounts, maximum = selection._stacked(limits, 3)

    assert amounts.toarray().tolist() == [[1, 0, 2], [0, 4, 0], [5, 0, 0]]
    assert maximum.tolist() == [3, 6, 7]
    nothing, none = selection._stacked([], 3)
    assert (nothing.shape, none.shape) == ((0, 3), (0,))


@pytest.mark.parametrize(
    ("maximum", "listed"), [(0, []), (1, [2, 6, 4]), (2, [2, 1, 6, 4, 5]), (9, [2, 1, 0, 6, 4, 5])]
)
def test_alternatives_are_so_many_of_each_site_and_reach_the_best_first(maximum, listed):
    # Candidates 0 to 2 are blocked by 7, 6 by 8; 4 and 5 are kept out in reach 3, and 3 in neither way.
    blocked = np.array([7, 7, 7, -1, -1, -1, 8, -1, -1])
    kept_out = np.isin(np.arange(9), [4, 5])
    value = np.array([1.0, 2.0, 3.0, 9.0, 5.0, 5.0, 1.0, 9.0, 9.0])
    valued, none = pd.DataFrame({"net_annual_value": value}), np.zeros(9, dtype=bool)
    offers = Offers(valued, none, blocked, [], none, kept_out, True, none, 0.0)

    assert alternatives(offers, maximum, np.full(9, 3)).tolist() == listed


def test_those_kept_out_are_listed_by_reach_after_those_that_sites_block():
    blocked = np.array([-1, -1, 3, -1])
    kept_out = np.array([True, True, False, False])
    valued, none = pd.DataFrame({"net_annual_value": [1.0, 2.0, 3.0, 4.0]}), np.zeros(4, dtype=bool)
    offers = Offers(valued, none, blocked, [], none, kept_out, True, none, 0.0)

    assert alternatives(offers, 5, np.array([1, 0, 0, 0])).tolist() == [2, 1, 0]


@pytest.mark.parametrize(
    ("ranking", "steps"),
    [
        ({}, {}),
        ({"min_power_kw": 50.0}, {"power too small": [True, True, False, False]}),
        ({"min_power_kw": 0.5}, {"power too small": [True, True, True, False]}),
        ({"max_road_distance_m": 100.0}, {"road too far": [False, True, True, False]}),
    ],
)
def test_limits_of_single_sites_are_steps_where_they_are_set_and_hold_at_their_value(ranking, steps):
    table = pd.DataFrame({"road_distance_m": [100.1, 100.0, 0.0, np.nan]})
    stretches = Stretches(table, None, None, None)
    valued = pd.DataFrame({"power_kw": [50.0, 51.0, 49.9, np.nan]})

    found = {
        name: step.tolist() for name, step in selection._limits(stretches, valued, RankingSettings(**ranking))
    }

    assert list(found.values()) == list(steps.values())


@pytest.mark.parametrize(
    ("choose_by", "limit", "enough"),
    [
        ("net_value", None, [True, False, False, False, True]),
        ("net_value", 0.2, [True, False, False, False, False]),
        ("energy", None, [False, False, True, True, True]),
        ("energy", 0.2, [False, False, True, False, False]),
    ],
)
def test_what_is_chosen_by_is_above_nothing_and_the_lcoe_up_to_its_limit(choose_by, limit, enough):
    valued = pd.DataFrame(
        {
            "net_annual_value": [1.0, 0.0, -1.0, np.nan, np.inf],
            "energy_mwh": [np.nan, 0.0, 2.0, 3.0, 4.0],
            "lcoe_per_kwh": [0.2, 0.1, 0.2, np.nan, 0.21],
        }
    )
    settings = SimpleNamespace(
        ranking=RankingSettings(choose_by=choose_by), costs=SimpleNamespace(max_lcoe_per_kwh=limit)
    )

    value, is_enough = selection._value(valued, settings)

    assert is_enough.tolist() == enough
    column = "energy_mwh" if choose_by == "energy" else "net_annual_value"
    assert value == pytest.approx(valued[column].to_numpy(), nan_ok=True)


def test_what_fish_lose_is_counted_from_the_uppermost_grounds_down():
    # A stem 0 → 1 → 3 → 4 and a tributary 2 → 3; spawning at 0, 1 and 2, and an existing plant at 4.
    downstream = np.array([1, 3, 3, 4, -1], dtype=np.int32)
    spawning = np.array([True, True, True, False, False])
    past_plants = np.array([1.0, 1.0, 1.0, 1.0, 0.9])
    survival = np.array([[0.5, 0.8, 1.0], [0.25, 1.0, 1.0], [0.0, 0.9, 1.0], [1.2, 0.7, 1.0]])

    amounts, maximum = fish_losses(
        downstream, np.array([1, 3, 2, 4]), MigrationPath(spawning, past_plants, survival, 0.45)
    )

    # Station 1 has a ground above it. Each of two grounds comes past the candidates at 3 and 4.
    with_any = [[-np.log(0.5), -np.log(0.25), 0.0, 0.0], [0.0, -np.log(0.25), np.inf, 0.0]]
    with_safe = [[-np.log(0.8), 0.0, 0.0, -np.log(0.7)], [0.0, 0.0, -np.log(0.9), -np.log(0.7)]]
    assert amounts.toarray() == pytest.approx(np.hstack([with_any, with_safe]))
    assert maximum == pytest.approx([-np.log(0.5)] * 2, abs=1e-8)
    # Where plants alone take more, nothing is left.
    lower = MigrationPath(spawning, np.array([1.0, 1.0, 1.0, 1.0, 0.3]), survival, 0.45)
    assert fish_losses(downstream, np.array([1, 3, 2, 4]), lower)[1].tolist() == [0.0, 0.0]
    gone = MigrationPath(spawning, np.array([1.0, 1.0, 1.0, 1.0, 0.0]), survival, 0.45)
    assert fish_losses(downstream, np.array([1, 3, 2, 4]), gone)[1].tolist() == [0.0, 0.0]


@pytest.mark.parametrize(
    ("values", "edges"),
    [
        ([1.0, 2.0], [0, 2, 5]),
        ([0.99], [0, 1]),
        ([1.0], [0, 2]),
        ([5.0, 9.99], [0, 10]),
        ([10.0], [0, 20]),
        ([np.nan, 0.2], [0, 0.5]),
        ([0.0, np.inf, 3.0], [0, 5]),
        ([], []),
        ([np.nan], []),
    ],
)
def test_edges_of_classes_by_hand(values, edges):
    assert class_edges(values).tolist() == pytest.approx(edges)


def test_classes_of_more_than_four_powers_of_ten_leave_the_lowest_together():
    edges = class_edges(10.0 ** np.arange(-6, 6))

    assert len(edges) == 13
    assert edges[[0, -1]].tolist() == [0.0, 200_000.0]
    assert edges[1] == 50.0


def test_a_distribution_without_classes_has_no_rows():
    table = distribution([np.nan], [5.0], np.zeros(0))

    assert len(table) == 0
    assert list(table) == ["bin", "from_value", "to_value", "number", "length_m"]
    assert distribution([0.5, 1.0, 3.0], [1.0, 2.0, 4.0], np.array([0.0, 1.0, 5.0])).values.tolist() == [
        [1, 0, 1, 1, 1],
        [2, 1, 5, 2, 6],
    ]


@pytest.mark.parametrize("prefer", [True, False])
def test_existing_structures_come_first_with_each_turbine_that_pays(prefer):
    settings = SimpleNamespace(prefer_existing=prefer)
    table = pd.DataFrame({"scheme_type": ["at_barrier", "diversion", "at_barrier", "at_barrier"]})
    value = np.array([[3.0, 2.0], [5.0, -1.0], [-2.0, 1.0], [-2.0, -1.0]])

    found = selection._existing_first(value, table, settings)

    # More than all candidates together could give: 1 + 3 + 5 + 1.
    more = np.array([[10.0, 10.0], [0.0, 0.0], [0.0, 10.0], [0.0, 0.0]])
    assert (found - value).tolist() == (more * prefer).tolist()
    # With one option each 1 + 3 + 5.
    alone = selection._existing_first(value[:, 0], table, settings)
    assert (alone - value[:, 0]).tolist() == [9.0 * prefer, 0.0, 0.0, 0.0]
    assert selection._existing_first(np.zeros((0, 2)), table[:0], settings).shape == (0, 2)


def test_a_barrier_must_leave_a_value_where_one_is_built_and_not_elsewhere():
    [(_, passes)] = selection._barrier_step(np.array([0.5, 0.0, -1.0, -1.0]), np.array([1.0, 1.0, 1.0, 0.0]))

    assert passes.tolist() == [True, False, False, True]
    assert list(selection._barrier_step(np.array([1.0, -1.0]), np.zeros(2))) == []
