"""Survival of migrating fish past plants in a row, and the choice of sites that leaves enough of them alive."""

import itertools

import numpy as np
import pytest

from sitefinder.siting import selection as survival_choice
from sitefinder.siting.candidates import boundary_of_path
from sitefinder.siting.fish_passage import (
    MigrationPath,
    entered_at,
    fish_losses,
    plants_to_outlet,
    survival_to_outlet,
    worst_from_above,
)
from sitefinder.siting.selection import choose_best_set, choose_for_fish

# Shares whose products meet the bars below exactly, or miss them clearly.
SHARES = (1.0, 0.98, 0.95, 0.9, 0.6, 0.0)


# Every candidate's piece and every way of fish, walked station by station.
class Region:
    def __init__(self, seed, stations=14, candidates=6):
        rng = np.random.default_rng(seed)
        below = np.arange(stations) + rng.integers(1, 4, stations)
        below[0] = 1
        self.downstream = np.where(below < stations, below, -1).astype(np.int32)
        self.scheme_type, self.intake, self.tailrace, self.ponds, self.pieces = [], [], [], [], []
        starts = np.flatnonzero(self.downstream >= 0)
        for _ in range(candidates):
            scheme_type = str(rng.choice(["diversion", "new_weir", "at_barrier"]))
            way = self.way(int(rng.choice(starts)))[
                : 2 + (int(rng.integers(0, 3)) if scheme_type == "diversion" else 0)
            ]
            pond = []
            if scheme_type == "new_weir":
                pond = [way[0]]
                for above in range(way[0] - 1, -1, -1):
                    if self.downstream[above] in pond and rng.random() < 0.5:
                        pond.append(above)
            self.scheme_type.append(scheme_type)
            self.intake.append(way[0])
            self.tailrace.append(way[-1])
            self.ponds.append(pond)
            self.pieces.append(set(way[1:]) | set(pond))
        self.value = rng.integers(-1, 12, (candidates, 2)).astype(float)
        self.survival = rng.choice(SHARES, (candidates, 2))
        self.spawning = rng.random(stations) < 0.3
        self.plants = np.where(rng.random(stations) < 0.15, 0.9, 1.0)
        self.pond_start = np.concatenate([[0], np.cumsum([len(pond) for pond in self.ponds])])
        self.pond = np.array([station for pond in self.ponds for station in pond], dtype=np.int32)

    def way(self, station):
        way = [station]
        while self.downstream[way[-1]] >= 0:
            way.append(int(self.downstream[way[-1]]))
        return way

    def migration_path(self, minimum):
        return MigrationPath(self.spawning, self.plants, self.survival, minimum)

    # A set is allowed where nothing overlaps and no spawning ground is worse off than the bar, or than existing
    # plants already leave it.
    def is_allowed(self, options, minimum):
        chosen = [c for c, option in enumerate(options) if option >= 0]
        if any(self.value[c, options[c]] <= 0 for c in chosen):
            return False
        if any(self.pieces[a] & self.pieces[b] for a, b in itertools.combinations(chosen, 2)):
            return False
        for start in np.flatnonzero(self.spawning):
            way = self.way(int(start))
            alive = before = float(np.prod(self.plants[way]))
            for c in chosen:
                entered = self.tailrace[c] if self.scheme_type[c] == "at_barrier" else self.intake[c]
                if entered in way:
                    alive *= self.survival[c, options[c]]
            if alive < min(minimum, before) - 1e-8:
                return False
        return True

    def best_of_all_sets(self, minimum):
        options = itertools.product((-1, 0, 1), repeat=len(self.pieces))
        worth = [
            sum(self.value[c, option] for c, option in enumerate(each) if option >= 0)
            for each in options
            if self.is_allowed(each, minimum)
        ]
        return max(worth)

    def chosen(self, minimum):
        entered = entered_at(self.scheme_type, np.array(self.intake), np.array(self.tailrace))
        ends = (np.array(self.intake, dtype=np.int32), np.array(self.tailrace, dtype=np.int32))
        way = self.migration_path(minimum)
        return choose_for_fish(self.downstream, *ends, entered, self.value, way, self.pond_start, self.pond)


@pytest.mark.parametrize("seed", range(60))
@pytest.mark.parametrize("minimum", [0.85, 0.95**2, 1.0])
def test_the_chosen_options_have_the_greatest_value_of_all_sets_that_keep_the_bar(seed, minimum):
    region = Region(seed)

    found = region.chosen(minimum)

    assert found.exact
    assert region.is_allowed(found.option.tolist(), minimum)
    assert found.total_value == region.best_of_all_sets(minimum)


def test_those_trials_distinguish_a_bar_that_matters_from_one_that_does_not():
    free = [Region(seed).chosen(1e-6).total_value for seed in range(60)]
    bound = [Region(seed).chosen(0.85).total_value for seed in range(60)]

    assert (np.array(bound) <= np.array(free)).all()
    assert np.mean(np.array(bound) < np.array(free)) > 0.3


@pytest.mark.parametrize("seed", range(40))
def test_rounded_losses_keep_the_bar_and_are_said_not_to_be_exact(seed, monkeypatch):
    region = Region(seed)
    monkeypatch.setattr(survival_choice, "MAX_LEVELS", 2)

    found = region.chosen(0.8)

    assert region.is_allowed(found.option.tolist(), 0.8)
    assert found.total_value <= region.best_of_all_sets(0.8)


@pytest.mark.parametrize("seed", range(20))
def test_without_spawning_ground_the_choice_is_the_best_set_without_fish(seed):
    region = Region(seed)
    region.spawning[:] = False

    found = region.chosen(0.99)

    ends = (np.array(region.intake, dtype=np.int32), np.array(region.tailrace, dtype=np.int32))
    boundary = boundary_of_path(region.downstream, *ends, region.pond_start, region.pond)
    best = choose_best_set(region.downstream, ends[1], region.value.max(axis=1), *boundary)
    assert found.total_value == best.total_value


# A row of stations with a candidate from each to the next.
def row_of_sites(count, survival, minimum, *, spawning=0, values=(10.0, 6.0)):
    downstream = np.append(np.arange(1, count + 1), -1).astype(np.int32)
    upper = np.arange(count, dtype=np.int32)
    is_spawning = np.arange(count + 1) == spawning
    way = MigrationPath(is_spawning, np.ones(count + 1), np.tile(survival, (count, 1)).astype(float), minimum)
    return choose_for_fish(downstream, upper, upper + 1, upper, np.tile(values, (count, 1)).astype(float), way)


def test_five_sites_in_a_row_of_95_in_100_leave_774_in_1000():
    # 0.95 to the power of five is 0.7737809375.
    downstream = np.append(np.arange(1, 6), -1).astype(np.int32)
    five = survival_to_outlet(downstream, np.arange(5), np.full(5, 0.95))

    assert five[0] == pytest.approx(0.774, abs=0.0005)
    assert five[[4, 5]].tolist() == [pytest.approx(0.95), 1.0]
    # As a bar it lets all five stand, and one thousandth more costs one of them.
    assert (row_of_sites(5, (0.95, 0.0), 0.95**5).option >= 0).sum() == 5
    assert (row_of_sites(5, (0.95, 0.0), 0.775).option >= 0).sum() == 4


def test_sites_are_fish_safe_by_passage_limit_where_that_costs_less_than_dropping_one():
    # Five at 0.95 leave 0.774; one of them at 0.98 leaves 0.798, two 0.823.
    found = row_of_sites(5, (0.95, 0.98), 0.8)

    assert sorted(found.option.tolist()) == [0, 0, 0, 1, 1]
    assert found.total_value == 3 * 10 + 2 * 6
    # At 4 each, two safe turbines cost more than one site.
    assert sorted(row_of_sites(5, (0.95, 0.98), 0.8, values=(10.0, 4.0)).option.tolist()) == [-1, 0, 0, 0, 0]


def test_sites_above_the_spawning_ground_are_no_concern_of_the_fish():
    assert row_of_sites(5, (0.5, 0.0), 0.9, spawning=3).option.tolist() == [0, 0, 0, -1, -1]


def test_the_least_favourable_route_through_a_station_is_that_of_the_worst_spawning_ground_above():
    downstream = np.array([2, 2, 3, -1], dtype=np.int32)
    survival = survival_to_outlet(downstream, [0, 2, 2], [0.5, 0.9, 0.9])

    assert survival.tolist() == pytest.approx([0.405, 0.81, 0.81, 1.0])
    assert plants_to_outlet(downstream, [0, 2, 2]).tolist() == [3, 2, 2, 0]
    assert worst_from_above(downstream, np.array([True, True, False, False]), survival).tolist() == [0, 1, 0, 0]
    assert worst_from_above(downstream, np.array([False, True, False, False]), survival).tolist() == [-1, 1, 1, 1]
    # Of two from which as many survive it is the first by number, whichever comes from farther above.
    alike = np.array([0.8, 0.8, 0.9, 1.0])
    assert worst_from_above(downstream, np.array([True, True, False, False]), alike).tolist() == [0, 1, 0, 0]
    swapped = np.array([3, 3, 3, -1], dtype=np.int32)
    assert worst_from_above(swapped, np.array([False, True, True, True]), np.full(4, 0.5)).tolist() == [
        -1,
        1,
        2,
        1,
    ]


@pytest.mark.parametrize(("past", "left"), [(0.9, 0.9), (0.6, 0.6), (0.5, 0.5)])
def test_losses_are_those_on_the_way_from_each_uppermost_spawning_ground_and_plants_take_theirs_first(past, left):
    # 0 and 1 run into 2, and that into 3; 4 runs into 5; 6 is a stream of its own, the last.
    downstream = np.array([2, 2, 3, -1, 5, -1, -1], dtype=np.int32)
    # Above the ground at 2 is that at 0, and above that at 5 none. A share above one takes nothing.
    spawning = np.isin(np.arange(7), [0, 2, 5, 6])
    plants = np.where(np.arange(7) == 3, past, 1.0)
    entered = np.array([2, 0, 6, 1, 2, 4])
    any_share, safe_share = np.array([0.5, 0.8, 0.4, 0.3, 0.25, 0.2]), np.array([0.9, 1.05, 0.0, 0.7, 0.75, 0.4])
    path = MigrationPath(spawning, plants, np.column_stack([any_share, safe_share, np.zeros(6)]), 0.6)

    amounts, maximum = fish_losses(downstream, entered, path)

    on_the_way = np.array([[1, 1, 0, 0, 1, 0], [0] * 6, [0, 0, 1, 0, 0, 0]], dtype=bool)
    with np.errstate(divide="ignore"):
        expected = [
            np.concatenate(
                [np.where(own, -np.log(np.minimum(share, 1.0)), 0.0) for share in (any_share, safe_share)]
            )
            for own in on_the_way
        ]
    assert amounts.toarray() == pytest.approx(np.array(expected))
    # A billionth is for rounding; where plants take more than the minimum allows, nothing is left.
    assert maximum == pytest.approx([max(np.log(left / 0.6) + 1e-9, 0.0), *[-np.log(0.6) + 1e-9] * 2], abs=1e-15)


def test_where_plants_let_no_fish_live_no_more_may_be_lost():
    path = MigrationPath(np.array([True, False]), np.array([0.0, 1.0]), np.ones((1, 3)), 0.5)

    amounts, maximum = fish_losses(np.array([1, -1], dtype=np.int32), np.array([0]), path)

    assert (amounts.toarray().tolist(), maximum.tolist()) == ([[0.0, 0.0]], [0.0])
