"""Access of fish up and survival down against every migration path walked by hand, on random networks."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from sitefinder.siting.fish_passage import at_stations, survival_to_outlet, weighted_above

SHARES = st.sampled_from([0.0, 0.25, 0.5, 0.8, 0.95, 1.0])


@st.composite
def rivers(draw):
    """Several drainage systems as one forest, with barriers of two groups of fish."""
    count = draw(st.integers(1, 25))
    below = [draw(st.sampled_from([*range(i + 1, min(i + 5, count)), -1])) for i in range(count)]
    barriers = draw(st.lists(st.tuples(st.integers(0, count - 1), SHARES, SHARES, SHARES, SHARES), max_size=12))
    length_m = draw(st.lists(st.sampled_from([0.0, 12.5, 50.0]), min_size=count, max_size=count))
    return np.array(below, dtype=np.int32), barriers, np.array(length_m)


def way_down(station, downstream):
    way = [station]
    while downstream[way[-1]] >= 0:
        way.append(int(downstream[way[-1]]))
    return way


# Every path from every station, barrier by barrier.
def walked(downstream, barriers, which):
    shares = np.ones((len(downstream), 2))
    for station in range(len(downstream)):
        way = way_down(station, downstream)
        for place, *figures in barriers:
            if place in way:
                shares[station] *= figures[2 * which], figures[2 * which + 1]
    return shares


@settings(deadline=None)
@given(rivers())
def test_both_directions_are_the_products_over_all_migration_paths(river):
    downstream, barriers, _ = river
    station = np.array([each[0] for each in barriers], dtype=np.int64)

    for which in (0, 1):
        share = np.array([each[1 + 2 * which : 3 + 2 * which] for each in barriers], dtype=float).reshape(-1, 2)
        found = survival_to_outlet(downstream, station, share)

        np.testing.assert_allclose(found, walked(downstream, barriers, which), rtol=1e-12)


@settings(deadline=None)
@given(rivers())
def test_groups_do_not_touch_each_other(river):
    downstream, barriers, _ = river
    station = np.array([each[0] for each in barriers], dtype=np.int64)
    share = np.array([each[1:3] for each in barriers], dtype=float).reshape(-1, 2)

    both = survival_to_outlet(downstream, station, share)

    for group in (0, 1):
        assert (survival_to_outlet(downstream, station, share[:, group]) == both[:, group]).all()


@settings(deadline=None)
@given(rivers(), st.data())
def test_what_one_barrier_changes_is_what_walking_all_paths_twice_gives(river, data):
    downstream, barriers, length_m = river
    if not barriers:
        return
    number = data.draw(st.integers(0, len(barriers) - 1))
    better = data.draw(SHARES)
    place, share = barriers[number][0], barriers[number][1]
    improved = [*barriers]
    improved[number] = (place, better, *barriers[number][2:])
    station = np.array([each[0] for each in barriers], dtype=np.int64)
    up = np.array([each[1:3] for each in barriers], dtype=float)

    above_m = weighted_above(downstream, length_m, at_stations(len(downstream), station, up))[place, 0]
    others = [each for row, each in enumerate(barriers) if row != number]
    comes_up_to = walked(downstream, others, 0)[place, 0]

    before, after = ((length_m * walked(downstream, each, 0)[:, 0]).sum() for each in (barriers, improved))
    np.testing.assert_allclose(comes_up_to * (better - share) * above_m, after - before, atol=1e-9)
