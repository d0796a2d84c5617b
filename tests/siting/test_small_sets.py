"""Sets of candidates on small random trees, all found again by walks: what each takes, and which block which."""

import itertools

import numpy as np
import pandas as pd
import pytest
from small_trees import random_case, taken_by

from sitefinder.siting.candidates import (
    blocked_by,
    boundary_of_path,
    covered_stations,
    subset,
    validate_starts,
    validate_stations,
)
from sitefinder.siting.passed import to_outlet_m
from sitefinder.siting.potential import MAX_CLASSES, class_edges
from sitefinder.siting.profiles import path_down
from sitefinder.siting.selection import choose_best_set

CASES = 12


@pytest.fixture(scope="module")
def cases():
    rng = np.random.default_rng(11)
    return [random_case(rng) for _ in range(CASES)]


def pieces_of(stations, profile_m, stretches):
    return [taken_by(stations, profile_m, row) for row in stretches.table.itertuples()]


# As candidates are handed to the choice: the ponds alone, and where each begins.
def ends_and_ponds(stretches):
    pond = [
        stretches.taken[begin:end] for begin, end in zip(stretches.pond_start, stretches.start[1:], strict=True)
    ]
    start = np.append(0, np.cumsum([len(own) for own in pond]))
    return (
        stretches.table["intake"].to_numpy(),
        stretches.table["tailrace"].to_numpy(),
        start,
        np.concatenate(pond).astype(np.int32),
    )


def test_a_part_of_a_set_has_the_rows_and_the_stations_of_its_candidates(cases):
    rng = np.random.default_rng(12)
    for stations, profile_m, stretches, _ in cases:
        kept = rng.random(len(stretches.table)) < 0.5

        some = subset(stretches, kept)

        pieces = pieces_of(stations, profile_m, stretches)
        rows = np.flatnonzero(kept)
        pd.testing.assert_frame_equal(some.table, stretches.table.iloc[rows].reset_index(drop=True))
        for number, row in enumerate(rows):
            assert set(some.taken[some.start[number] : some.start[number + 1]].tolist()) == pieces[row]
            own, before = some.pond_start[number] - some.start[number], stretches.pond_start[row]
            assert own == before - stretches.start[row]
        covered = covered_stations(stretches, kept, len(stations))
        assert np.flatnonzero(covered).tolist() == sorted(set().union(*(pieces[row] for row in rows)))


def test_the_best_set_of_all_is_chosen_and_each_other_candidate_is_blocked_by_what_it_shares_most_with(cases):
    ties = 0
    for stations, profile_m, stretches, value in cases:
        pieces, ends = pieces_of(stations, profile_m, stretches), ends_and_ponds(stretches)
        downstream = stations["downstream"].to_numpy()

        boundary = boundary_of_path(downstream, *ends)
        chosen = choose_best_set(downstream, ends[1], value, *boundary).chosen

        # All subsets without a station in common.
        best = 0.0
        positive = [number for number in range(len(value)) if value[number] > 0.0]
        clash = {(one, other) for one, other in itertools.combinations(positive, 2) if pieces[one] & pieces[other]}
        for bits in itertools.product((False, True), repeat=len(positive)):
            taken = [number for number, bit in zip(positive, bits, strict=True) if bit]
            if not any(pair in clash for pair in itertools.combinations(taken, 2)):
                best = max(best, value[taken].sum())
        assert value[chosen].sum() == best
        assert not any(
            pieces[one] & pieces[other] for one, other in itertools.combinations(np.flatnonzero(chosen), 2)
        )
        # Lengths of one size, so that two sites may have as much of a candidate.
        segment_m = np.minimum(stations["segment_length_m"].to_numpy(), 50.0)
        blocker = blocked_by(chosen, downstream, *ends[:2], segment_m, *ends[2:])
        for number in range(len(value)):
            shared = {
                site: segment_m[sorted(pieces[number] & pieces[site])].sum()
                for site in np.flatnonzero(chosen).tolist()
                if pieces[number] & pieces[site] and not chosen[number]
            }
            greatest = max(shared.values(), default=None)
            owners = [site for site, length_m in shared.items() if length_m == greatest]
            ties += len(owners) > 1
            assert blocker[number] == (min(owners) if owners else -1)
    assert ties > 0


def test_ways_down_and_to_the_outlet_are_those_of_the_drawn_tree(cases):
    for stations, *_ in cases:
        downstream, step_m = stations["downstream"].to_numpy(), stations["to_downstream_m"].to_numpy()
        way_m = to_outlet_m(downstream, step_m)
        for station in range(len(stations)):
            path, at = [station], station
            while downstream[at] >= 0:
                at = downstream[at]
                path.append(at)
            assert way_m[station] == pytest.approx(step_m[path[:-1]].sum())
            for lower in path:
                assert path_down(station, lower, downstream).tolist() == path[: path.index(lower) + 1]
            for aside in set(range(station, len(stations))) - set(path):
                with pytest.raises(ValueError, match=f"station {aside} is not downstream of station {station}"):
                    path_down(station, aside, downstream)


@pytest.mark.parametrize("start", [[1, 2, 4], [0, 2, 3], [0, 5, 4], [0, 4], [0, 1, 2, 4]])
def test_starts_run_from_nought_to_the_end_and_never_fall(start):
    validate_starts("pond", np.array([0, 2, 4]), 2, 4)
    validate_starts("pond", np.array([0, 0, 4]), 2, 4)

    with pytest.raises(ValueError, match="pond_start must run from 0 to 4 in 3 entries and never fall"):
        validate_starts("pond", np.array(start), 2, 4)


def test_stations_are_numbers_from_nought_to_below_their_count():
    validate_stations("intake", np.array([0, 4]), 5)

    for wrong in (-1, 5):
        with pytest.raises(ValueError, match=f"intake must hold station numbers below 5; entry 1 is {wrong}"):
            validate_stations("intake", np.array([0, wrong]), 5)


@pytest.mark.parametrize("seed", range(5))
def test_classes_go_by_one_two_and_five_from_below_the_least_to_above_the_greatest(seed):
    values = 10 ** np.random.default_rng(seed).uniform(-2.3 + seed, 1.6 + seed, 30)

    edges = class_edges([*values, 0.0, np.nan])

    assert edges[0] == 0.0
    ladder = [float(f"{step}e{decade}") for decade in range(-4, 9) for step in (1, 2, 5)]
    first = ladder.index(edges[1])
    assert edges[1:].tolist() == ladder[first : first + len(edges) - 1]
    # The last border is the first above all; below the second lies a value, or there are as many as there may be.
    assert edges[-2] <= values.max() < edges[-1]
    assert len(edges) - 1 <= MAX_CLASSES
    assert values.min() < edges[1]
    assert len(edges) - 1 == MAX_CLASSES or values.min() >= ladder[first - 1]
    assert class_edges([0.0, np.nan]).tolist() == [0.0, 1.0]
    assert class_edges([np.nan]).tolist() == []
    # A value on a border lies above it.
    assert class_edges([2.0, 5.0]).tolist() == [0.0, 5.0, 10.0]
