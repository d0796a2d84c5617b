"""Passage of fish up one barrier, on cases worked by hand."""

import numpy as np
import pytest

from sitefinder.settings.fish import FishGroup, FishPassSettings
from sitefinder.siting.barriers import (
    BURST_LENGTHS_PER_S,
    BURST_LENGTHS_PER_S_RANGE,
    TRIALS,
    leap_m,
    max_leap_m,
    pass_efficiency,
    passage_up,
    share_over_drop,
    share_that_finds,
    stated_passable,
    suits_pools,
)

PASSES = FishPassSettings()
SALMON = FishGroup(name="salmon", lengths_m=[0.9, 0.7], pass_efficiency=0.6)


def test_a_fish_of_70_cm_leaps_two_and_a_half_metres():
    # (10 · 0.7)² / (2 · 9.80665)
    assert leap_m(0.7) == pytest.approx(49.0 / 19.6133)


def test_the_shortest_fish_of_a_group_decides_what_it_leaps():
    # Half of 2.498 m is leapt by all; at three quarters of it half of them do.
    up = passage_up(SALMON, PASSES, [1.2, 0.75 * leap_m(0.7), 2.6], [False] * 3)

    assert up.share == pytest.approx([1.0, 0.5, 0.0])
    assert up.basis.tolist() == ["leap"] * 3


def test_a_group_that_leaps_nothing_needs_a_pass_at_any_drop():
    eel = FishGroup(name="eel", lengths_m=[0.6], max_leap_m=0.0)

    up = passage_up(eel, PASSES, [1.5, 0.1, 0.0, 0.1], [False, False, False, True])
    assert up.share.tolist() == [0.0, 0.0, 1.0, pass_efficiency(eel, PASSES)]


def test_a_pass_helps_where_the_drop_is_too_high_and_harms_nowhere():
    up = passage_up(SALMON, PASSES, [0.5, 4.0, np.nan, np.nan], [True, True, True, False])

    assert up.share == pytest.approx([1.0, 0.6, 0.6, 0.0])
    assert up.basis.tolist() == ["leap", "pass", "pass", "drop_unknown"]


def test_a_pass_works_by_the_trials_of_its_type_unless_the_group_states_better():
    trout = FishGroup(name="trout", lengths_m=[0.3])

    assert pass_efficiency(trout, PASSES) == pytest.approx(0.77 * 0.40)
    assert pass_efficiency(trout, FishPassSettings(type="nature_like")) == pytest.approx(0.48 * 0.70)
    assert pass_efficiency(SALMON, FishPassSettings(type="denil")) == 0.6


@pytest.mark.parametrize("passes", [FishPassSettings(pool_drop_m=0.31), FishPassSettings(pool_depth_m=0.29)])
def test_pools_that_do_not_suit_a_group_let_none_of_it_up(passes):
    up = passage_up(SALMON, passes, [4.0], [True])

    assert (up.share[0], up.basis[0]) == (0.0, "pools_unsuitable")


def test_less_attraction_flow_than_in_the_trials_leads_fewer_fish_to_the_pass():
    finds = share_that_finds(np.array([0.5, 0.25, 0.0]), np.array([10.0, 10.0, 10.0]), PASSES)

    assert finds.tolist() == [1.0, 0.5, 0.0]
    assert passage_up(SALMON, PASSES, [4.0] * 3, [True] * 3, finds, 0.5).share == pytest.approx([0.3, 0.15, 0.0])


@pytest.mark.parametrize(
    ("pass_m3s", "beside_m3s", "share"),
    # 5 % of what the turbines draw is enough; half of it leads half of the fish, more finds no more than all.
    [(0.02, 0.4, 1.0), (0.01, 0.4, 0.5), (0.0101, 0.2, 1.0), (9.0, 0.4, 1.0), (0.1, 0.0, 1.0), (0.0, 0.0, 1.0)],
)
def test_a_pass_is_found_by_its_share_of_the_flow_and_by_all_where_no_turbine_draws(pass_m3s, beside_m3s, share):
    passes = FishPassSettings(full_attraction_share=0.05)

    assert share_that_finds([pass_m3s], [beside_m3s], passes) == pytest.approx([share])


def test_what_the_user_states_of_a_structure_wins():
    stated = stated_passable(["no", "", "partly"])

    up = passage_up(SALMON, PASSES, [0.1, 0.1, 9.0], [True] * 3, stated=stated)

    assert up.share.tolist() == [0.0, 1.0, 0.5]
    assert up.basis.tolist() == ["stated", "leap", "stated"]


def test_the_share_over_a_drop_never_rises_with_the_drop():
    drops = np.linspace(0.0, 5.0, 200)

    share = share_over_drop(drops, 1.7)

    assert (np.diff(share) <= 0).all()
    assert share[[0, -1]].tolist() == [1.0, 0.0]


def test_trials_of_fish_passes_are_those_of_the_review():
    """Means and ranges in per cent: Bunt and others, River Res. Appl. 28:457-478, 2012, abstract."""
    published = {
        "pool_and_weir": ((77, 29, 100), (40, 0, 100)),
        "vertical_slot": ((63, 0, 100), (45, 0, 100)),
        "denil": ((61, 21, 100), (51, 0, 97)),
        "nature_like": ((48, 0, 100), (70, 0, 100)),
    }

    found = {
        name: (
            tuple(round(100 * each) for each in (trials.attraction, *trials.attraction_range)),
            tuple(round(100 * each) for each in (trials.passage, *trials.passage_range)),
        )
        for name, trials in TRIALS.items()
    }

    assert found == published
    # Of all fish as many get up as find the pass and of these get up it.
    trout = FishGroup(name="trout", lengths_m=[0.3])
    for name, ((attraction, *_), (passage, *_)) in published.items():
        efficiency = pass_efficiency(trout, FishPassSettings(type=name))
        assert efficiency == pytest.approx(attraction * passage / 100**2)


def test_the_burst_speed_is_in_the_middle_of_its_range():
    low, high = BURST_LENGTHS_PER_S_RANGE

    assert low < BURST_LENGTHS_PER_S < high
    assert (high - low) / BURST_LENGTHS_PER_S == pytest.approx(0.4)
    assert (low + high) / 2.0 == BURST_LENGTHS_PER_S == 10.0
    # The height goes with the square of the speed: (8 · 0.7)² and (12 · 0.7)² / (2 · 9.80665).
    heights_m = [leap_m(0.7) * (speed / BURST_LENGTHS_PER_S) ** 2 for speed in (low, high)]
    assert heights_m == pytest.approx([31.36 / 19.6133, 70.56 / 19.6133])


def test_a_group_leaps_what_is_stated_of_it_and_else_what_its_shortest_fish_does():
    assert max_leap_m(SALMON) == leap_m(0.7)
    assert max_leap_m(SALMON.model_copy(update={"max_leap_m": 0.0})) == 0.0


@pytest.mark.parametrize(
    ("drop_m", "share"), [(0.0, 1.0), (0.9, 1.0), (1.0, 1.0), (1.5, 0.5), (1.8, 0.2), (2.0, 0.0), (2.1, 0.0)]
)
def test_beyond_half_of_what_a_group_leaps_in_proportion_fewer_do(drop_m, share):
    assert share_over_drop([drop_m], 2.0) == pytest.approx([share])
    # In proportion to what it leaps, so that of small fish as many get over a fifth of it.
    assert share_over_drop([drop_m / 5.0], 0.4) == pytest.approx([share])


@pytest.mark.parametrize(
    ("drop_m", "depth_m", "suits"),
    [(0.30, 0.30, True), (0.31, 0.30, False), (0.30, 0.29, False), (0.31, 0.29, False)],
)
def test_pools_suit_a_group_up_to_its_drop_and_from_its_depth_on(drop_m, depth_m, suits):
    group = FishGroup(name="trout", lengths_m=[0.3], max_pool_drop_m=0.30, min_pool_depth_m=0.30)
    passes = FishPassSettings(pool_drop_m=drop_m, pool_depth_m=depth_m)

    assert suits_pools(group, passes) == suits
    assert (pass_efficiency(group, passes) > 0.0) == suits


def test_a_pass_that_nobody_finds_is_used_by_those_that_leap_nothing_and_not_where_they_leap():
    drops_m, finds = [9.0, *[0.75 * leap_m(0.7)] * 2], np.array([0.0, 0.5, 1.0])

    # Where as many get up either way, which here is nobody, the pass is named.
    up = passage_up(SALMON, PASSES, drops_m, [True] * 3, finds)

    assert up.share == pytest.approx([0.0, 0.5, 0.6])
    assert up.basis.tolist() == ["pass", "leap", "pass"]


@pytest.mark.parametrize(
    ("words", "share"),
    [
        (["yes", "TRUE", " 1 ", 1], 1.0),
        (["partly", "Partial", "0.5", 0.5], 0.5),
        (["no", "false", "0", 0], 0.0),
        (["", "perhaps", "1.01", "-0.01", None, "nan"], np.nan),
        (["0.999"], 0.999),
        (["1.0", "0.0"], None),
    ],
)
def test_words_for_what_fish_pass_are_read_as_layers_write_them(words, share):
    expected = [float(word) for word in words] if share is None else [share] * len(words)

    assert stated_passable(words) == pytest.approx(expected, nan_ok=True)
