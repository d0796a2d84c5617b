"""Passage of fish up one barrier, on cases worked by hand."""

import numpy as np
import pytest

from sitefinder.settings.fish import FishGroup, FishPassSettings
from sitefinder.siting.barriers import (
    leap_m,
    pass_efficiency,
    passage_up,
    share_over_drop,
    share_that_finds,
    stated_passable,
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

    assert passage_up(eel, PASSES, [0.1, 0.0], [False, False]).share.tolist() == [0.0, 1.0]


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
