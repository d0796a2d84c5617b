"""What is carried down the network, against plain walks upstream from each station."""

import numpy as np
import pytest

from sitefinder.network.catchments import carried_down, share_above


# Any tree will do, as long as each station drains to one of a higher number, or out.
def random_tree(seed, count):
    generator = np.random.default_rng(seed)
    downstream = np.array([generator.integers(i + 1, count + 1) for i in range(count)])
    downstream[downstream == count] = -1
    own = generator.integers(0, 5, count)
    return downstream.astype(np.int32), own, generator.random(count) < generator.choice([0.0, 0.05, 0.3])


def upstream_of(downstream, station):
    """The station itself and all above, by asking of each one whether its way down passes here."""
    found = []
    for start in range(len(downstream)):
        at = start
        while at >= 0 and at != station:
            at = downstream[at]
        if at == station:
            found.append(start)
    return found


# Whether the water of a station passes a mark on its way to another one further down.
def passes_a_mark(downstream, is_marked, start, station):
    at = start
    while True:
        if is_marked[at]:
            return True
        if at == station:
            return False
        at = downstream[at]


@pytest.mark.parametrize("seed", range(40))
def test_shares_and_marks_are_those_of_a_walk_from_every_station(seed):
    downstream, own, is_marked = random_tree(seed, 25)
    above = [upstream_of(downstream, station) for station in range(25)]
    area = np.array([own[stations].sum() for stations in above], dtype=np.float64)

    share = share_above(is_marked, area, downstream)

    for station, stations in enumerate(above):
        held = [start for start in stations if passes_a_mark(downstream, is_marked, start, station)]
        expected = own[held].sum() / area[station] if area[station] > 0 else float(bool(held))
        # A mark above that holds no ground of its own does not make a share of ground.
        assert share[station] == pytest.approx(expected)
    assert carried_down(is_marked, downstream).tolist() == [bool(is_marked[stations].any()) for stations in above]


def test_a_dam_fades_as_free_rivers_join_and_two_dams_in_a_row_count_once():
    # Stations 0 → 1 → 3 → 4, and 2 → 3; areas 10, 20, 60, 80, 100 km².
    downstream = np.array([1, 3, 3, 4, -1], dtype=np.int32)
    area_km2 = np.array([10.0, 20.0, 60.0, 80.0, 100.0])

    one = share_above(np.array([False, True, False, False, False]), area_km2, downstream)
    two = share_above(np.array([True, True, False, False, False]), area_km2, downstream)

    assert one.tolist() == [0.0, 1.0, 0.0, 20 / 80, 20 / 100]
    assert two.tolist() == [1.0, 1.0, 0.0, 20 / 80, 20 / 100]


def test_an_unknown_catchment_below_a_dam_counts_as_held_whole():
    downstream = np.array([1, -1], dtype=np.int32)

    share = share_above(np.array([True, False]), np.array([5.0, np.nan]), downstream)

    assert share.tolist() == [1.0, 1.0]
    assert share_above(np.array([False, False]), np.array([5.0, np.nan]), downstream).tolist() == [0.0, 0.0]


def test_no_stations_carry_nothing():
    none = np.zeros(0, dtype=np.int32)

    assert share_above(none.astype(bool), none.astype(float), none).size == 0
    assert carried_down(none.astype(bool), none).size == 0
