"""From candidates to sites: who may be chosen, what wins, the ranking, and why a reach carries none."""

import itertools

import numpy as np
import pandas as pd
import pytest

from sitefinder.schema.columns import REJECTION_REASONS
from sitefinder.settings import CostSettings, RankingSettings
from sitefinder.settings.run import SelectionSettings
from sitefinder.siting import selection
from sitefinder.siting.candidates import Stretches
from sitefinder.siting.fish_passage import MigrationPath
from sitefinder.siting.limits import RiverUse
from sitefinder.siting.selection import (
    PREFIXES,
    VALUED,
    Offers,
    alternatives,
    choose_sites,
    rejection_reason,
    valued_for,
)

NOBODY = np.zeros(0, dtype=bool)


class GivenSettings:
    """The sections that the choice reads."""

    def __init__(self, max_lcoe_per_kwh=None, selection=None, **ranking):
        self.selection = SelectionSettings(**selection or {})
        self.costs = CostSettings(file="costs.toml", price_per_kwh=0.3, max_lcoe_per_kwh=max_lcoe_per_kwh)
        self.ranking = RankingSettings(**{"min_free_flowing_m": 0.0, **ranking})


# A chain of stations 50 m apart.
def chain(count):
    downstream = np.append(np.arange(1, count), -1)
    segment_m = np.where(np.arange(count) == 0, 0.0, 50.0)
    columns = {"downstream": downstream, "segment_length_m": segment_m, "to_downstream_m": 50.0}
    return pd.DataFrame(columns)


# Candidates on a chain, without ponds, from (intake, tailrace); those at existing weirs may follow each other.
def candidates(pairs, scheme_type="at_barrier"):
    intake, tailrace = np.array(pairs, dtype=np.int64).reshape(-1, 2).T
    lengths = tailrace - intake
    start = np.concatenate([[0], np.cumsum(lengths)])
    taken = [np.arange(lower, upper, -1) for upper, lower in pairs]
    return Stretches(
        pd.DataFrame(
            {
                "intake": intake,
                "tailrace": tailrace,
                "scheme_type": scheme_type,
                "road_distance_m": 100.0 * np.asarray(intake),
            }
        ),
        start,
        start[1:],
        np.concatenate([*taken, np.zeros(0)]).astype(np.int32),
    )


# A valuation whose safe choice has less value than any choice.
def valuation(net_value, *, energy=None, cost=None, turbine=None):
    count = len(net_value)
    columns = {}
    for prefix, share in zip(PREFIXES, (1.0, 0.5, 0.25), strict=True):
        for name in VALUED:
            columns[prefix + name] = np.ones(count)
        columns[prefix + "net_annual_value"] = np.array(net_value, dtype=float) * share
        columns[prefix + "energy_mwh"] = np.array(energy or [1.0] * count) * share
        columns[prefix + "lcoe_per_kwh"] = np.array(cost or [0.1] * count)
        columns[prefix + "turbine"] = np.array([0] * count if turbine is None else turbine)
        columns[prefix + "screened"] = np.full(count, prefix == "safe_")
    return pd.DataFrame(columns)


def chosen_rows(
    pairs,
    valued,
    *,
    steps=(),
    choice=None,
    stations=12,
    settings=None,
    way=None,
    schemes="at_barrier",
    intake_weir_m=0.0,
    columns=None,
    **more,
):
    choice = np.zeros(len(pairs), dtype=int) if choice is None else np.array(choice)
    settings = settings or GivenSettings()
    own = candidates(pairs, schemes)
    own = own._replace(table=own.table.assign(intake_weir_m=intake_weir_m, **columns or {}))
    offers = choose_sites(own, list(steps), valued, choice, chain(stations), settings, way, **more)
    return np.flatnonzero(offers.chosen).tolist(), offers


def test_the_valuation_is_the_one_that_the_rules_leave():
    valued = valued_for(valuation([10.0] * 4), np.array([0, 1, -1, 2]))

    assert valued["net_annual_value"].tolist() == pytest.approx([10.0, 5.0, np.nan, 2.5], nan_ok=True)
    assert valued["turbine"].tolist() == [0, 0, -1, 0]
    assert valued["units"].tolist() == [1, 1, 0, 1]
    assert valued["grade"].tolist() == [1, 1, -1, 1]
    assert valued["screened"].tolist() == [False, True, False, False]
    assert list(valued) == list(VALUED)
    screened = {prefix + "screened": np.full(4, True) for prefix in PREFIXES}
    valued = valued_for(valuation([10.0] * 4).assign(**screened), np.array([0, 1, -1, 2]))
    assert valued["screened"].tolist() == [True, True, False, True]


@pytest.mark.parametrize("seed", range(6))
def test_the_chosen_set_has_the_greatest_value_of_all_sets_without_overlap(seed):
    rng = np.random.default_rng(seed)
    upper = rng.integers(0, 9, 9)
    pairs = [(int(a), int(min(a + n, 11))) for a, n in zip(upper, rng.integers(1, 5, 9), strict=True)]
    worth = rng.integers(-4, 20, 9)
    taken = [set(range(a + 1, b + 1)) for a, b in pairs]
    best = 0
    for subset in itertools.product([False, True], repeat=9):
        rows = [row for row in range(9) if subset[row]]
        if sum(len(taken[row]) for row in rows) == len(set().union(*[taken[row] for row in rows])):
            best = max(best, sum(worth[row] for row in rows))

    rows, _ = chosen_rows(pairs, valuation(worth.tolist()))

    assert sum(worth[row] for row in rows) == best
    assert all(worth[row] > 0 for row in rows)


def test_energy_may_decide_in_place_of_value():
    pairs = [(0, 4), (2, 6)]
    valued = valuation([10.0, 9.0], energy=[5.0, 6.0])

    assert chosen_rows(pairs, valued)[0] == [0]
    assert chosen_rows(pairs, valued, settings=GivenSettings(choose_by="energy"))[0] == [1]


def test_candidates_that_fail_a_step_have_no_turbine_or_are_above_cost_limit_are_never_chosen():
    pairs = [(0, 2), (2, 4), (4, 6), (6, 8), (8, 10)]
    valued = valuation([10.0, 10.0, 10.0, -1.0, 10.0], cost=[0.1, 0.1, 0.1, 0.1, 0.4], turbine=[0, 0, -1, 0, 0])
    steps = [("too little flow", np.array([True, False, True, True, True]))]

    rows, offers = chosen_rows(pairs, valued, steps=steps, settings=GivenSettings(max_lcoe_per_kwh=0.3))

    assert rows == [0]
    notes = {name: passing.tolist() for name, passing in offers.ladder}
    assert list(notes) == ["too little flow", "no suitable turbine", "above the cost limit"]
    assert notes["too little flow"] == [True, False, True, True, True]
    assert notes["no suitable turbine"] == [True, False, False, True, True]
    assert notes["above the cost limit"] == [True, False, False, False, False]


def test_hard_limits_bar_what_is_beyond_them_and_reaches_say_which():
    pairs = [(0, 2), (2, 4), (4, 6)]
    valued = valuation([10.0, 10.0, 10.0])
    valued["any_power_kw"] = [4.9, 5.0, 50.0]
    settings = GivenSettings(min_power_kw=5.0, max_road_distance_m=200.0)

    rows, offers = chosen_rows(pairs, valued, settings=settings)

    assert rows == [1]
    assert [name for name, _ in offers.ladder] == [
        "no suitable turbine",
        "too little power",
        "too far from a road",
        "above the cost limit",
    ]
    assert reasons(pairs, valued, stations=7, settings=settings) == ["too little power", "", "too far from a road"]


def test_sites_keep_their_distance_along_the_stream():
    # From the tailrace at station 3 down to the next intakes: 0, 50, 100 m.
    pairs = [(1, 3), (3, 5), (4, 6), (5, 7)]
    valued = valuation([10.0, 9.0, 8.0, 7.0])

    def chosen(length_m):
        settings = GivenSettings(min_free_flowing_m=length_m)
        return chosen_rows(pairs, valued, settings=settings, schemes="diversion")

    # Plants end to end would be one plant, even where no distance is set.
    assert chosen(0.0)[0] == [0, 2]
    assert chosen(50.0)[0] == [0, 2]
    assert chosen(100.0)[0] == [0, 3]
    assert chosen(101.0)[0] == [0]
    # The second has 100 m in common with either, its own spacing counted; the lower number is reported.
    assert chosen(100.0)[1].blocked_by.tolist() == [-1, 0, 3, -1]


def test_a_candidate_is_blocked_by_the_site_it_shares_most_stream_with():
    # The middle one shares 50 m with the first site and 150 m with the second.
    pairs = [(0, 3), (2, 6), (3, 8), (9, 11)]

    rows, offers = chosen_rows(pairs, valuation([10.0, 12.0, 10.0, -5.0]))

    assert rows == [0, 2]
    assert offers.blocked_by.tolist() == [-1, 2, -1, -1]


def test_a_candidate_that_could_not_stand_anyway_is_not_called_blocked():
    rows, offers = chosen_rows([(0, 4), (1, 3)], valuation([10.0, 5.0]), choice=[0, -1])

    assert rows == [0]
    assert offers.blocked_by.tolist() == [-1, -1]


def test_alternatives_are_the_best_of_those_that_a_site_keeps_out():
    valued = pd.DataFrame({"net_annual_value": [9.0, 3.0, 5.0, 5.0, 8.0, 4.0]})
    chosen = np.array([True, False, False, False, True, False])
    none = np.zeros(6, dtype=bool)
    offers = Offers(valued, chosen, np.array([-1, 0, 0, 0, -1, 4]), [], none, none, True, none, 0.0)

    assert alternatives(offers, 2, np.arange(6)).tolist() == [2, 3, 5]
    assert alternatives(offers, 0, np.arange(6)).tolist() == []


def test_the_best_that_only_fish_passage_keeps_out_are_listed_by_reach():
    valued = pd.DataFrame({"net_annual_value": [9.0, 3.0, 5.0, 4.0, 8.0]})
    chosen, kept_out = np.arange(5) == 0, np.array([False, False, True, True, True])
    none = np.zeros(5, dtype=bool)
    offers = Offers(valued, chosen, np.array([-1, 0, -1, -1, -1]), [], none, kept_out, True, none, 0.0)

    assert alternatives(offers, 1, np.array([0, 0, 2, 2, 1])).tolist() == [1, 4, 2]


# Reaches of two segments each; the first station has no segment.
def reasons(pairs, valued, *, stations=13, standing=(), developed=(), tidal=(), **options):
    _, offers = chosen_rows(pairs, valued, stations=stations, **options)
    reach = np.append(-1, (np.arange(stations - 1)) // 2).astype(np.int32)
    marks = [np.isin(np.arange(stations), given) for given in (standing, developed, tidal)]
    return rejection_reason(reach, marks[0], candidates(pairs), offers, *marks[1:]).tolist()


def test_a_reach_gets_the_first_step_that_none_of_its_candidates_gets_past():
    # One candidate a reach from the third on: reach n has the segments of stations 2n + 1 and 2n + 2.
    pairs = [(4, 6), (6, 8), (8, 10), (10, 12)]
    valued = valuation([10.0, 10.0, 10.0, -1.0], turbine=[0, 0, -1, 0])
    steps = [("too little flow", np.array([False, True, True, True]))]

    notes = reasons(pairs, valued, standing=[1, 2], steps=steps)

    assert notes == [
        "standing water",
        "too little head",
        "too little flow",
        "",
        "no suitable turbine",
        "above the cost limit",
    ]


def test_the_best_candidate_of_a_reach_speaks_for_it():
    # Both lie in the first reach: one fails at flow, the other only at its price.
    steps = [("too little flow", np.array([False, True]))]

    notes = reasons([(0, 2), (0, 1)], valuation([10.0, -1.0]), stations=3, steps=steps)

    assert notes == ["above the cost limit"]


def test_a_reach_whose_candidates_lost_to_a_neighbour_is_blocked():
    # The long one would reach from the first reach into the second, where a better one stands.
    notes = reasons([(0, 3), (2, 4)], valuation([5.0, 10.0]), stations=5)

    assert notes == ["blocked by a better site", ""]


def test_a_reach_of_which_a_site_takes_a_part_carries_it():
    assert reasons([(1, 3)], valuation([5.0]), stations=5) == ["", ""]


def test_standing_and_developed_water_name_a_reach_only_when_all_of_it_is_so():
    notes = reasons(
        np.zeros((0, 2), dtype=int).tolist(),
        valuation([]),
        stations=9,
        standing=[1, 2, 3],
        developed=[4, 5, 6],
    )

    assert notes == ["standing water", "developed", "developed", "too little head"]
    marks = {"standing": [1, 5], "developed": [2, 3], "tidal": [4, 6, 7, 8]}
    assert reasons([], valuation([]), stations=11, **marks) == ["developed", *["tidal"] * 3, "too little head"]


def test_without_candidates_nothing_is_chosen_and_every_reach_has_too_little_head():
    rows, offers = chosen_rows([], valuation([]), steps=[("too little flow", NOBODY)])

    assert rows == []
    assert len(offers.valued) == 0
    assert reasons([], valuation([]), stations=5) == ["too little head", "too little head"]
    assert alternatives(offers, 3, np.zeros(0, dtype=int)).tolist() == []


# Three candidates in a row below a spawning ground, each in a reach of its own, and a fourth that overlaps one.
def three_below_spawning(
    minimum, *, worth=(10.0, 9.0, 8.0, 3.0), choice=None, survival=(0.9, 0.99, 0.995), settings=None, safe_cost=0.1
):
    pairs = [(0, 2), (2, 4), (4, 6), (1, 2)]
    way = MigrationPath(np.arange(7) == 0, np.ones(7), np.tile(survival, (4, 1)), minimum)
    given = {"choice": choice, "stations": 7, "way": way, "settings": settings}
    valued = valuation(list(worth)).assign(safe_lcoe_per_kwh=safe_cost)
    rows, offers = chosen_rows(pairs, valued, **given)
    return rows, offers, reasons(pairs, valued, **given)


def test_without_a_minimum_survival_fish_passage_changes_no_choice():
    rows, offers, notes = three_below_spawning(None)

    assert rows == [0, 1, 2]
    assert notes == ["", "", ""]
    assert not offers.safe_by_passage_limit.any()
    assert not offers.kept_out.any()


def test_what_only_fish_passage_keeps_out_says_so():
    # 0.9 cubed is 0.729. No turbine is safer, so the site with the lowest value goes.
    rows, offers, notes = three_below_spawning(0.8, survival=(0.9, 0.5, 0.5))

    assert rows == [0, 1]
    assert offers.kept_out.tolist() == [False, False, True, False]
    assert offers.blocked_by.tolist() == [-1, -1, -1, 0]
    assert notes == ["", "", "fish passage survival too low"]
    assert offers.exact


def test_a_site_fish_safe_by_passage_limit_has_the_numbers_of_that_turbine():
    # Safe turbines have half the value: 10 + 9 + 4 with 0.8 alive beats 10 + 9 without the third.
    rows, offers, notes = three_below_spawning(0.8)

    assert rows == [0, 1, 2]
    assert offers.safe_by_passage_limit.tolist() == [False, False, True, False]
    assert offers.valued["net_annual_value"].tolist() == [10.0, 9.0, 4.0, 3.0]
    assert offers.valued["screened"].tolist() == [False, False, True, False]
    assert notes == ["", "", ""]


def test_a_site_that_a_rule_wants_fish_safe_counts_with_that_survival_and_is_not_called_safe_by_passage_limit():
    rows, offers, _ = three_below_spawning(0.87, choice=[0, 1, 1, 0])

    # 0.9 by 0.99 by 0.99 is 0.882.
    assert rows == [0, 1, 2]
    assert not offers.safe_by_passage_limit.any()


def test_a_site_that_a_rule_wants_safe_as_built_counts_with_that_survival_and_stays_so():
    # 0.995 by 0.9 by 0.995 is 0.891; were the first or the third only safe with a screen it would be 0.882 or so.
    rows, offers, _ = three_below_spawning(0.89, choice=[2, 0, 2, 0])

    assert rows == [0, 1, 2]
    assert not offers.safe_by_passage_limit.any()
    assert offers.valued["net_annual_value"].tolist()[:3] == pytest.approx([2.5, 9.0, 2.0])


def test_where_any_turbine_may_stand_and_only_the_safe_one_keeps_a_limit_that_one_stands():
    pairs = [(0, 2), (2, 4), (4, 6), (6, 8)]
    valued = valuation([10.0] * 4, cost=[0.5, 0.5, 0.5, 0.1])
    valued["safe_lcoe_per_kwh"] = 0.2
    # Any turbine; one that is safe as built, whose cost is above the limit too; none; and any, which keeps it.
    choice = [0, 2, -1, 0]

    rows, offers = chosen_rows(pairs, valued, choice=choice, settings=GivenSettings(max_lcoe_per_kwh=0.3))

    assert rows == [0, 3]
    assert offers.valued["lcoe_per_kwh"].tolist() == pytest.approx([0.2, 0.5, np.nan, 0.1], nan_ok=True)
    assert offers.valued["net_annual_value"].tolist() == pytest.approx([5.0, 2.5, np.nan, 10.0], nan_ok=True)
    assert offers.valued["screened"].tolist() == [True, False, False, False]


# Limits count together, whichever comes last: of cost, of power, of the distance to a road (100 m a station).
@pytest.mark.parametrize("others", [{}, {"min_power_kw": 0.5}, {"max_road_distance_m": 1e6}])
def test_a_turbine_must_keep_every_limit_to_be_taken_for_another(others):
    pairs = [(0, 2), (2, 4), (4, 6)]
    # Only the safe one keeps the limit of cost; only the other does; only the safe one fits at all.
    valued = valuation([10.0] * 3, cost=[0.5, 0.1, 0.1], turbine=[0, 0, -1])
    valued["safe_lcoe_per_kwh"] = [0.2, 0.5, 0.1]
    valued["safe_turbine"] = 0

    rows, offers = chosen_rows(pairs, valued, settings=GivenSettings(max_lcoe_per_kwh=0.3, **others))

    assert rows == [0, 1, 2]
    assert offers.valued["net_annual_value"].tolist() == [5.0, 10.0, 5.0]


@pytest.mark.parametrize("others", [{}, {"min_power_kw": 0.5}])
def test_no_site_becomes_fish_safe_for_passage_at_a_cost_above_the_limit(others):
    # As above, 0.9 cubed is 0.729: a third site needs a fish-safe turbine, whose cost is above the limit here.
    settings = GivenSettings(max_lcoe_per_kwh=0.3, **others)

    assert three_below_spawning(0.8, settings=settings)[0] == [0, 1, 2]
    rows, offers, _ = three_below_spawning(0.8, settings=settings, safe_cost=0.4)

    assert rows == [0, 1]
    assert not offers.safe_by_passage_limit.any()


def test_fish_passage_makes_a_site_safe_only_where_the_rules_leave_any_turbine():
    # 0.9 cubed is 0.729. Of the three, rules leave the first two turbines that are safe as built; these survive as
    # 0.9 too, and the safe one, which would let all three stand, is not for them.
    given = {"worth": (20.0, 18.0, 8.0, -1.0), "survival": (0.9, 0.99, 0.9)}
    kept, offers, _ = three_below_spawning(0.8, choice=[2, 2, 0, 0], **given)

    assert kept == [0, 1, 2]
    assert offers.safe_by_passage_limit.tolist() == [False, False, True, False]
    # A quarter of the value as built, and half of it safe.
    assert offers.valued["net_annual_value"].tolist()[:3] == [5.0, 4.5, 4.0]
    assert three_below_spawning(0.8, choice=[2, 2, 2, 0], **given)[0] == [0, 1]


# One stream in one water body, of which existing plants use some segments.
def river(stations, developed=()):
    number = np.arange(stations)
    part = np.where(number > 0, 0, -1)
    return RiverUse(part, part, np.isin(number, developed), np.zeros(stations, dtype=bool))


def test_a_limit_leaves_the_best_sites_that_it_has_room_for_and_says_which_it_keeps_out():
    # 0.3 km with at most two plants; the last one overlaps the first.
    pairs, valued = [(0, 2), (2, 4), (4, 6), (1, 2)], valuation([10.0, 9.0, 8.0, 3.0])
    given = {"stations": 7, "use": river(7), "settings": GivenSettings(max_plants_per_km=7.0)}

    rows, offers = chosen_rows(pairs, valued, **given)
    free, without = chosen_rows(pairs, valued, **given, left_out=["plants per km of stream"])

    assert rows == [0, 1]
    assert offers.over_limit.tolist() == offers.kept_out.tolist() == [False, False, True, False]
    assert offers.blocked_by.tolist() == [-1, -1, -1, 0]
    assert reasons(pairs, valued, **given) == ["", "", "cumulative limit reached"]
    assert free == [0, 1, 2]
    assert not without.over_limit.any()
    assert (offers.gap, offers.exact, without.gap, without.exact) == (0.0, True, 0.0, True)


def test_without_the_free_flowing_length_a_site_may_end_where_a_plant_begins():
    # The plant uses the segment right below the tailrace.
    given = {"stations": 5, "use": river(5, developed=[3]), "schemes": "diversion"}
    settings = GivenSettings(min_free_flowing_m=100.0)

    assert chosen_rows([(0, 2)], valuation([1.0]), **given, settings=settings)[0] == []
    left_out = ["free-flowing length between plants"]
    assert chosen_rows([(0, 2)], valuation([1.0]), **given, settings=settings, left_out=left_out)[0] == [0]


@pytest.mark.parametrize(
    ("any_kw", "safe_kw", "choice", "alone", "with_fish"),
    [(10.0, 30.0, 0, [0], []), (30.0, 10.0, 0, [], []), (10.0, 30.0, 1, [], []), (10.0, 30.0, 2, [0], [0])],
)
def test_a_substation_has_room_for_the_turbine_that_fish_may_ask_for(any_kw, safe_kw, choice, alone, with_fish):
    # 25 kW are free, and as built it has 20 kW. Without a minimum survival any turbine stands; both count.
    valued = valuation([1.0]).assign(any_power_kw=any_kw, safe_power_kw=safe_kw, as_built_power_kw=20.0)
    way = MigrationPath(np.arange(5) == 0, np.ones(5), np.ones((1, 3)), None)
    given = {
        "choice": [choice],
        "stations": 5,
        "use": river(5),
        "columns": {"substation_id": "S", "substation_free_kw": 25.0},
        "settings": GivenSettings(within_free_capacity=True),
    }

    assert chosen_rows([(0, 2)], valued, **given)[0] == alone
    assert chosen_rows([(0, 2)], valued, **given, way=way)[0] == with_fish


@pytest.mark.parametrize(("no_barrier_value", "rows"), [(4.0, [0]), (6.0, [])])
def test_a_new_barrier_must_be_worth_it_with_the_fish_safe_turbine_too(no_barrier_value, rows):
    # Worth 10 with any turbine, and 5 with the one that fish need here.
    way = MigrationPath(np.arange(5) == 0, np.ones(5), np.array([[0.5, 0.9, 0.9]]), 0.8)
    settings = GivenSettings(selection={"no_new_barrier_value_per_year": no_barrier_value})
    given = {"stations": 5, "schemes": "diversion", "intake_weir_m": 1.0, "settings": settings}

    found, offers = chosen_rows([(1, 3)], valuation([10.0]), **given, way=way)

    assert found == rows
    assert offers.safe_by_passage_limit.tolist() == [bool(rows)]


@pytest.mark.parametrize("plants", [5, None])
@pytest.mark.parametrize(("free_kw", "rows", "safe"), [(3.0, [0, 1, 2], [2]), (2.9, [0, 1], [])])
def test_where_a_limit_binds_beside_fish_the_best_options_within_both_are_chosen(plants, free_kw, rows, safe):
    # Three sites of 1 kW, each letting 0.9 live, or 0.99 at half the value; 0.8 have to. A cap leaves room.
    pairs, survival = [(0, 2), (2, 4), (4, 6)], np.tile([0.9, 0.99, 0.99], (3, 1))
    way = MigrationPath(np.arange(7) == 0, np.ones(7), survival, 0.8)
    settings = GivenSettings(within_free_capacity=True, max_plants_per_water_body=plants)
    given = {"stations": 7, "use": river(7), "settings": settings}
    columns = {"substation_id": "S", "substation_free_kw": free_kw}

    found, offers = chosen_rows(pairs, valuation([10.0, 9.0, 8.0]), **given, way=way, columns=columns)

    assert found == rows
    assert np.flatnonzero(offers.safe_by_passage_limit).tolist() == safe
    assert offers.exact
    assert offers.gap == pytest.approx(0.0, abs=1e-9)


def test_a_choice_with_losses_rounded_up_has_a_gap_that_is_not_known(monkeypatch):
    exact = three_below_spawning(0.8)[1]
    monkeypatch.setattr(selection, "MAX_LEVELS", 1)
    rounded = three_below_spawning(0.8)[1]

    assert (exact.exact, exact.gap) == (True, 0.0)
    assert not rounded.exact
    assert np.isnan(rounded.gap)


# All sets of candidates without overlap on a chain.
# A diversion also takes the segment above its intake: two plants end to end are one plant.
def sets_without_overlap(pairs, diverts):
    taken = [set(range(a + 1 - own, b + 1)) for (a, b), own in zip(pairs, diverts, strict=True)]
    for subset in itertools.product([False, True], repeat=len(pairs)):
        rows = [row for row in range(len(pairs)) if subset[row]]
        if sum(len(taken[row]) for row in rows) == len(set().union(*[taken[row] for row in rows])):
            yield rows


@pytest.mark.parametrize("seed", range(8))
def test_existing_structures_come_first_and_then_the_greatest_value(seed):
    rng = np.random.default_rng(seed)
    upper = rng.integers(0, 9, 9)
    pairs = [(int(a), int(min(a + n, 11))) for a, n in zip(upper, rng.integers(1, 5, 9), strict=True)]
    worth = rng.integers(-4, 20, 9)
    existing = rng.random(9) < 0.4
    scheme_type = np.where(existing, "at_barrier", "diversion")

    def rank(rows):
        return sum(existing[row] for row in rows), sum(worth[row] for row in rows)

    best = max(
        rank(rows) for rows in sets_without_overlap(pairs, ~existing) if all(worth[row] > 0 for row in rows)
    )

    preferring = GivenSettings(selection={"prefer_existing": True})
    rows, _ = chosen_rows(pairs, valuation(worth.tolist()), settings=preferring, schemes=scheme_type)

    assert rank(rows) == best


def test_in_a_valley_with_a_weir_the_preference_takes_the_weir_and_what_is_left_beside_it():
    # The value of a diversion past the weir is above that of the plant at the weir with the diversion below it.
    pairs, worth = [(0, 6), (2, 3), (4, 6)], [50.0, 8.0, 20.0]
    scheme_type = ["diversion", "at_barrier", "diversion"]

    plain, _ = chosen_rows(pairs, valuation(worth), schemes=scheme_type)
    preferring = GivenSettings(selection={"prefer_existing": True})
    preferred, offers = chosen_rows(pairs, valuation(worth), settings=preferring, schemes=scheme_type)

    assert plain == [0]
    assert preferred == [1, 2]
    assert offers.blocked_by[0] == 2
    # Values are not changed by it.
    assert offers.valued["net_annual_value"].tolist() == worth


@pytest.mark.parametrize("seed", range(8))
def test_the_value_of_no_new_barrier_is_taken_from_each_site_that_builds_one(seed):
    rng = np.random.default_rng(100 + seed)
    upper = rng.integers(0, 9, 9)
    pairs = [(int(a), int(min(a + n, 11))) for a, n in zip(upper, rng.integers(1, 5, 9), strict=True)]
    worth = rng.integers(-4, 20, 9)
    intake_weir_m = np.where(rng.random(9) < 0.5, 1.0, 0.0)
    left = worth - 7 * (intake_weir_m > 0)
    best = max(sum(left[row] for row in rows) for rows in sets_without_overlap(pairs, [False] * 9))

    settings = GivenSettings(selection={"no_new_barrier_value_per_year": 7.0})
    rows, offers = chosen_rows(pairs, valuation(worth.tolist()), settings=settings, intake_weir_m=intake_weir_m)

    assert sum(left[row] for row in rows) == best
    reached = dict(offers.ladder)
    too_little = (worth > 0) & (left <= 0)
    assert not reached["not worth a new barrier"][too_little].any()
    assert reached["above the cost limit"][too_little].all()


def test_every_reason_that_can_be_given_is_declared():
    steps = ["outside the region", "no flow estimate", "flow regression too weak to rank", "too little flow"]
    steps += [
        "head unresolved",
        "catchment incomplete",
        "excluded by rules",
        "excluded by a decision",
        "would pass what may not be bypassed",
        "no feasible conduit",
    ]
    _, offers, _ = three_below_spawning(0.8)
    own = ["", "standing water", "developed", "tidal", "too little head", "network unresolved"]
    own += ["stream too shallow or narrow", "too little power", "too far from a road", "not worth a new barrier"]

    named = [
        *own,
        *steps,
        *(name for name, _ in offers.ladder),
        "too close to an existing plant",
        "cumulative limit reached",
        "fish passage survival too low",
        "blocked by a better site",
    ]

    assert sorted(named) == sorted(REJECTION_REASONS)
