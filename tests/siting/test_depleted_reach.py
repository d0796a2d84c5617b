"""The depleted reach between intake and tailrace, on a drawn tree, and flows and depths worked by hand."""

import numpy as np
import pytest

from sitefinder.siting.depleted_reach import (
    depleted_path,
    exceeded_m3s,
    flow_left_m3s,
    places_of,
    share_of_time_shallow,
)

# A stem 0 → 2 → 3 → 5 → 7 → 8, with tributaries 1 → 2, 4 → 5 and 6 → 7.
DOWNSTREAM = np.array([2, 2, 3, 5, 5, 7, 7, 8, -1])
STEP_M = np.array([10.0, 1.0, 20.0, 40.0, 2.0, 80.0, 4.0, 160.0, 0.0])


@pytest.mark.parametrize(
    ("intake", "tailrace", "stations", "distances_m", "joins", "rows", "kinds"),
    [
        (0, 8, [0, 2, 3, 5, 7, 8], [0, 10, 30, 70, 150, 310], [2, 5, 7], [0, 1, 3, 4, 5], 3),
        # What joins at the intake itself is in its flow; what joins at the tailrace is listed once, as its end.
        (2, 7, [2, 3, 5, 7], [0, 20, 60, 140], [5, 7], [0, 2, 3], 1),
        (2, 3, [2, 3], [0, 20], [], [0, 1], 0),
        (7, 8, [7, 8], [0, 160], [], [0, 1], 0),
    ],
)
def test_a_depleted_reach_has_its_distances_and_the_tributaries_below_its_intake(
    intake, tailrace, stations, distances_m, joins, rows, kinds
):
    path = depleted_path(intake, tailrace, DOWNSTREAM, STEP_M)
    listed, kind = places_of(path)

    assert path.station.tolist() == stations
    assert path.distance_m.tolist() == distances_m
    assert path.station[path.joins].tolist() == joins
    assert listed.tolist() == rows
    assert kind == ["below the intake", *["below a tributary"] * kinds, "above the tailrace"]


def test_what_is_left_passes_the_intake_or_joins_below_it_and_is_never_negative():
    intake_m3s, used_m3s = np.array([4.0, 2.0, 1.0]), np.array([3.0, 0.5, 1.5])
    natural_m3s = np.array([[4.0, 2.0, 1.0], [6.0, 2.5, 1.25], [3.0, 1.0, 0.5]])

    left_m3s = flow_left_m3s(intake_m3s, used_m3s, natural_m3s)

    # In the last place separate estimates give less than at the intake, which takes nothing from what passes it.
    assert left_m3s.tolist() == [[1.0, 1.5, 0.0], [3.0, 2.0, 0.25], [1.0, 1.5, 0.0]]


def test_a_reach_is_shallow_while_any_known_place_of_it_is():
    depth_m = np.array([[0.4, 0.3, 0.2, 0.1], [0.2, 0.5, 0.5, 0.5], [np.nan, 0.0, 0.0, 0.0]])

    assert share_of_time_shallow(depth_m, 0.2) == 0.25
    assert share_of_time_shallow(depth_m, 0.21) == 0.75
    assert np.isnan(share_of_time_shallow(depth_m[2:], 0.2))


@pytest.mark.parametrize(
    ("share", "flow_m3s"),
    # Four bins of a quarter of the time each have their middles at 0.125, 0.375, 0.625 and 0.875 of it.
    [(0.125, 8.0), (0.375, 4.0), (0.5, 3.0), (0.625, 2.0), (0.875, 1.0), (1.0, 1.0), (0.0, 8.0)],
)
def test_exceeded_flows_lie_between_the_middles_of_their_bins(share, flow_m3s):
    assert exceeded_m3s(np.array([2.0, 8.0, 1.0, 4.0]), share) == pytest.approx(flow_m3s, rel=1e-12)
