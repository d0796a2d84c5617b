"""The best set without overlap, ponds and tributaries included: against all subsets, an integer program and greed.

The outside judge on larger trees is a set-packing integer program solved by HiGHS (scipy.optimize.milp): Huangfu
and Hall, "Parallelizing the dual revised simplex method", Math. Prog. Comp. 10:119-142, 2018.
"""

from typing import NamedTuple

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from sitefinder.siting.candidates import blocked_by, boundary_of_path
from sitefinder.siting.selection import choose_best_set


class Case(NamedTuple):
    """A random tree with candidates on it; `pieces` are sets of stations, found without the code under test."""

    downstream: np.ndarray
    intake: np.ndarray
    tailrace: np.ndarray
    pond_start: np.ndarray
    pond: np.ndarray
    value: np.ndarray
    segment_m: np.ndarray
    pieces: list


def random_case(rng, stations, candidates):
    """Tributaries join in mid-stretch, and every third candidate has a pond that may reach up several of them."""
    below = np.arange(stations) + rng.integers(1, 4, stations)
    below[0] = 1
    downstream = np.where(below < stations, below, -1).astype(np.int32)
    can_begin = np.flatnonzero(downstream >= 0)
    intake, tailrace, ponds, pieces = [], [], [], []
    for _ in range(candidates):
        intake.append(int(rng.choice(can_begin)))
        way = []
        station = intake[-1]
        for _ in range(int(rng.integers(1, 5))):
            if downstream[station] >= 0:
                station = int(downstream[station])
                way.append(station)
        tailrace.append(way[-1])
        pond = []
        if rng.random() < 0.35:
            pond = [intake[-1]]
            for above in range(intake[-1] - 1, -1, -1):
                if downstream[above] in pond and rng.random() < 0.6:
                    pond.append(above)
            rng.shuffle(pond)
        ponds.append(pond)
        pieces.append(set(way) | set(pond))
    pond_start = np.concatenate([[0], np.cumsum([len(pond) for pond in ponds])])
    return Case(
        downstream,
        np.array(intake, dtype=np.int32),
        np.array(tailrace, dtype=np.int32),
        pond_start,
        np.array([station for pond in ponds for station in pond], dtype=np.int32),
        rng.integers(-2, 12, candidates).astype(float),
        # Quarters of a metre, so that sums are exact; some stations stand at the place of another.
        rng.integers(0, 40, stations) / 4.0,
        pieces,
    )


def chosen_of(case):
    boundary = boundary_of_path(case.downstream, case.intake, case.tailrace, case.pond_start, case.pond)
    return choose_best_set(case.downstream, case.tailrace, case.value, *boundary)


def best_of_all_subsets(case):
    count = len(case.pieces)
    clashes = [
        sum(1 << other for other in range(count) if other != c and case.pieces[c] & case.pieces[other])
        for c in range(count)
    ]
    # Every subset without overlap, grown by one candidate at a time.
    subsets = [(0, 0.0)]
    for c in range(count):
        subsets += [(held | 1 << c, total + case.value[c]) for held, total in subsets if not held & clashes[c]]
    return max(total for _, total in subsets)


def greedy_total(case):
    taken, total = set(), 0.0
    for c in np.argsort(-case.value, kind="stable"):
        if case.value[c] > 0 and not taken & case.pieces[c]:
            taken |= case.pieces[c]
            total += case.value[c]
    return total


def is_free_of_overlap(case, chosen):
    stations = [station for c in np.flatnonzero(chosen) for station in case.pieces[c]]
    return len(stations) == len(set(stations))


@pytest.mark.parametrize("seed", range(10))
def test_the_choice_is_the_best_of_all_subsets(seed):
    rng = np.random.default_rng(seed)
    better_than_greedy = with_pond = 0
    for _ in range(50):
        case = random_case(rng, int(rng.integers(2, 30)), int(rng.integers(0, 16)))

        choice = chosen_of(case)

        assert choice.total_value == best_of_all_subsets(case)
        assert choice.total_value == case.value[choice.chosen].sum()
        assert is_free_of_overlap(case, choice.chosen)
        assert np.all(case.value[choice.chosen] > 0)
        assert choice.total_value >= greedy_total(case)
        better_than_greedy += choice.total_value > greedy_total(case)
        with_pond += case.pond.size > 0
    # The cases are hard enough to distinguish the two, and ponds are among them.
    assert better_than_greedy >= 1
    assert with_pond >= 25


@pytest.mark.parametrize("seed", range(4))
def test_the_choice_on_larger_trees_has_the_value_that_an_integer_program_finds(seed):
    rng = np.random.default_rng([7, seed])
    case = random_case(rng, 300, 250)
    case = case._replace(value=np.round(rng.lognormal(2.0, 1.0, 250) - 3.0, 3))
    holds = np.zeros((300, 250))
    for c, piece in enumerate(case.pieces):
        holds[list(piece), c] = 1.0

    choice = chosen_of(case)

    found = milp(
        -case.value,
        integrality=np.ones(250),
        bounds=Bounds(0, 1),
        constraints=LinearConstraint(holds, ub=1.0),
        options={"mip_rel_gap": 0.0},
    )
    assert found.status == 0
    assert choice.total_value == pytest.approx(-found.fun, rel=1e-9)
    assert is_free_of_overlap(case, choice.chosen)
    assert choice.total_value >= greedy_total(case)


@pytest.mark.parametrize("seed", range(5))
def test_boundaries_are_the_stations_that_drain_straight_into_the_piece(seed):
    rng = np.random.default_rng([1, seed])
    for _ in range(40):
        case = random_case(rng, 20, 8)

        start, station = boundary_of_path(case.downstream, case.intake, case.tailrace, case.pond_start, case.pond)

        for c, piece in enumerate(case.pieces):
            expected = {u for u in range(20) if case.downstream[u] in piece and u not in piece}
            found = station[start[c] : start[c + 1]].tolist()
            assert set(found) == expected
            assert len(found) == len(expected)


@pytest.mark.parametrize("seed", range(5))
def test_the_blocker_is_the_chosen_one_with_most_stream_in_common(seed):
    rng = np.random.default_rng([2, seed])
    for _ in range(40):
        case = random_case(rng, 20, 12)
        chosen = chosen_of(case).chosen

        blocker = blocked_by(
            chosen, case.downstream, case.intake, case.tailrace, case.segment_m, case.pond_start, case.pond
        )

        for c, piece in enumerate(case.pieces):
            shared_m = {
                other: sum(case.segment_m[station] for station in piece & case.pieces[other])
                for other in np.flatnonzero(chosen)
                if piece & case.pieces[other]
            }
            maximum = -1 if chosen[c] or not shared_m else min(shared_m, key=lambda o: (-shared_m[o], o))
            assert blocker[c] == maximum
            # The choice is best, so whatever has a value and was left must be in somebody's way.
            assert chosen[c] or case.value[c] <= 0 or blocker[c] >= 0


#  Main stem 0 → 2 → 3 → 4, tributary 1 → 3.
FORK = np.array([2, 3, 3, 4, -1], dtype=np.int32)
#  Main stem 0 → 2 → 4 → 5, tributary 1 → 3 → 4.
LONGER_FORK = np.array([2, 3, 4, 4, 5, -1], dtype=np.int32)


def choose(downstream, intake, tailrace, value, ponds=None):
    """Choice for candidates given as lists; `ponds` is a list of lists."""
    pond_start = pond = None
    if ponds is not None:
        pond_start = np.concatenate([[0], np.cumsum([len(stations) for stations in ponds])])
        pond = np.array([station for stations in ponds for station in stations], dtype=np.int32)
    boundary = boundary_of_path(downstream, intake, tailrace, pond_start, pond)
    return choose_best_set(downstream, tailrace, value, *boundary)


def test_a_tributary_that_joins_in_mid_stretch_keeps_its_own_site():
    # The whole main stem; the tributary down to its last station; and, worth more, on into the confluence.
    choice = choose(LONGER_FORK, [0, 1, 1], [5, 3, 4], [5.0, 2.0, 4.0])

    assert choice.chosen.tolist() == [True, True, False]
    assert choice.total_value == 7.0


def test_a_stretch_may_begin_at_the_tailrace_of_another():
    choice = choose(FORK, [0, 2], [2, 4], [1.0, 1.0])

    assert choice.chosen.tolist() == [True, True]


def test_a_pond_drowns_the_tailrace_above_it():
    without = choose(FORK, [0, 2], [2, 4], [1.0, 2.0])
    with_pond = choose(FORK, [0, 2], [2, 4], [1.0, 2.0], ponds=[[], [2]])

    assert without.chosen.tolist() == [True, True]
    assert with_pond.chosen.tolist() == [False, True]


def test_two_that_end_at_the_same_confluence_station_exclude_each_other():
    choice = choose(FORK, [0, 1], [3, 3], [1.0, 2.0])

    assert choice.chosen.tolist() == [False, True]


def test_ties_go_to_taking_nothing_and_then_to_the_lower_number():
    assert choose(FORK, [0, 2], [2, 3], [0.0, -1.0]).chosen.tolist() == [False, False]
    assert choose(FORK, [2, 0, 2], [3, 3, 3], [2.0, 2.0, 2.0]).chosen.tolist() == [True, False, False]
    # One long stretch has the value of the two short ones above it: what lies below is left alone.
    assert choose(FORK, [0, 0, 2], [4, 2, 3], [3.0, 1.0, 2.0]).chosen.tolist() == [False, True, True]


def test_no_candidates_give_no_choice():
    choice = choose(FORK, [], [], [])

    assert choice.chosen.tolist() == []
    assert choice.total_value == 0.0


def test_candidates_that_meet_only_in_a_confluence_station_block_each_other():
    blocker = blocked_by([False, True], FORK, [0, 1], [3, 3], [0.0, 0.0, 10.0, 0.0, 10.0])

    assert blocker.tolist() == [1, -1]


def test_choosing_again_gives_the_same_and_leaves_what_was_given_alone():
    case = random_case(np.random.default_rng(3), 60, 60)
    before = [np.array(part) for part in case[:7]]

    first, second = chosen_of(case), chosen_of(case)

    assert np.array_equal(first.chosen, second.chosen)
    assert first.total_value == second.total_value
    assert all(np.array_equal(old, new) for old, new in zip(before, case[:7], strict=True))


@pytest.mark.parametrize(
    ("intake", "tailrace", "ponds", "message"),
    [
        ([0, 3], [2, 2], [[], []], "candidate 1 has intake 3 and tailrace 2"),
        ([1], [2], [[]], "candidate 0 has intake 1 and tailrace 2"),
        ([2], [2], [[]], "candidate 0 has intake 2 and tailrace 2"),
        ([9], [2], [[]], "intake must hold station numbers below 5; entry 0 is 9"),
        ([0], [-1], [[]], "tailrace must hold station numbers below 5; entry 0 is -1"),
        ([2], [3], [[0]], "the pond of candidate 0 must be connected to its path"),
        ([2], [3], [[2, 4]], "the pond of candidate 0 must be connected to its path"),
        ([2], [3], [[7]], "pond must hold station numbers below 5; entry 0 is 7"),
        ([2, 2], [3], [[]], r"the same length, found shapes \(2,\) and \(1,\)"),
        ([[2]], [[3]], [[]], r"the same length, found shapes \(1, 1\) and \(1, 1\)"),
        ([2], [3], [[], []], "pond_start must run from 0 to 0 in 2 entries"),
    ],
)
def test_an_impossible_candidate_is_named(intake, tailrace, ponds, message):
    with pytest.raises(ValueError, match=message):
        choose(FORK, intake, tailrace, np.ones(len(intake)), ponds)


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"value": [1.0, np.nan]}, "value must be finite; candidate 1 is not"),
        ({"value": [1.0]}, r"the same length, found \(2,\) and \(1,\)"),
        ({"boundary": [0, 2]}, "the boundary of candidate 1 must be upstream of its tailrace"),
        ({"boundary_start": [0, 1, 3]}, "boundary_start must run from 0 to 2"),
        ({"boundary": [0, 5]}, "boundary must hold station numbers below 5; entry 1 is 5"),
    ],
)
def test_a_bad_argument_of_the_choice_is_named(changed, message):
    given = {"tailrace": [2, 2], "value": [1.0, 1.0], "boundary_start": [0, 1, 2], "boundary": [0, 0], **changed}

    with pytest.raises(ValueError, match=message):
        choose_best_set(FORK, **given)


def test_blockers_of_overlapping_or_missing_choices_are_refused():
    with pytest.raises(ValueError, match="chosen candidates must not overlap; candidate 1"):
        blocked_by([True, True], FORK, [0, 1], [3, 3], np.ones(5))
    with pytest.raises(ValueError, match=r"must have shapes \(2,\) and \(5,\), found \(1,\) and \(5,\)"):
        blocked_by([True], FORK, [0, 1], [3, 3], np.ones(5))
    with pytest.raises(ValueError, match="pond_start and pond must be given together"):
        blocked_by([True], FORK, [0], [3], np.ones(5), pond_start=[0, 0])
