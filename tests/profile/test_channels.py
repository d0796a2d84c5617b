"""The channel beside a drawn line: which points of a transect are a stream's own, and the lowest among them."""

import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.profile.thalweg import find_channels, owned_points

NAN = np.nan


def channels(elevation_m, owned=None, step_m=10.0, **settings):
    elevation_m = np.array(elevation_m, dtype=float)
    rows, columns = elevation_m.shape
    x_m = np.tile((np.arange(columns) - columns // 2) * step_m, (rows, 1))
    owned = np.ones(elevation_m.shape, dtype=bool) if owned is None else np.array(owned, dtype=bool)
    return find_channels(x_m, np.zeros_like(x_m), elevation_m, owned, step_m=step_m, **settings)


def confluence():
    """A main stem to the east along y = 0 in two links, and a tributary from the north that joins at x = 0."""
    lines = np.array(
        [
            shapely.LineString([(-200, 0), (0, 0)]),
            shapely.LineString([(0, 200), (0, 0)]),
            shapely.LineString([(0, 0), (200, 0)]),
        ],
        dtype=object,
    )
    links = pd.DataFrame(
        {"geometry": lines, "downstream_link": [2, 2, -1], "main_upstream": [-1, -1, 0], "is_divergence": False}
    )
    return pd.DataFrame({"link": [0, 1, 2], "geometry": lines}), links


def owned_across(x_m, y_m, link, half_width_m=40.0, along_x=True, side_arm=False):
    """Points each 10 m across a station; `along_x` for a stream that runs north and south."""
    segments, links = confluence()
    links["is_divergence"] = [False, side_arm, False]
    offset = np.arange(-half_width_m, half_width_m + 1, 10.0)[None, :]
    across = (x_m + offset, y_m + 0 * offset) if along_x else (x_m + 0 * offset, y_m + offset)
    return owned_points(*across, np.array([link]), segments, links)[0].tolist()


def test_the_lowest_cell_gives_the_elevation():
    found = channels([[9.0, 4.0, 5.0, 6.0, 7.0], [-1.0, -3.5, 2.0, 2.0, 2.0]])

    assert found.raw_m.tolist() == [4.0, -3.5]
    assert found.offset_m.tolist() == [-10.0, -10.0]
    assert found.x_m.tolist() == [-10.0, -10.0]


def test_a_channel_60_m_off_the_line_is_found():
    # A valley floor 2 m lower, 60 m to the left.
    found = channels([[8, 8, 8, 8, 8, 8, 8, 7, 7, 7, 7, 7, 6, 7, 8]])

    assert found.offset_m.tolist() == [50.0]
    assert found.raw_m.tolist() == [6.0]
    assert not found.doubtful[0]


def test_noise_on_a_flat_floor_leaves_the_channel_near_the_line():
    # 0.15 m lower at 30 m is less than a hundredth of the way; 0.35 m lower is more.
    assert channels([[5.0, 5.0, 5.0, 5.0, 5.0, 5.0, 4.85]]).offset_m.tolist() == [0.0]
    assert channels([[5.0, 5.0, 5.0, 5.0, 5.0, 5.0, 4.65]]).offset_m.tolist() == [30.0]


def test_of_equal_cells_the_nearest_is_the_channel_and_then_the_one_to_the_right():
    found = channels([[3.0, 5.0, 5.0, 3.0, 9.0], [3.0, 5.0, 5.0, 5.0, 3.0], [5.0, 5.0, 5.0, 5.0, 5.0]])

    assert found.offset_m.tolist() == [10.0, -20.0, 0.0]


def test_ground_that_still_falls_at_the_end_of_the_transect_is_doubtful():
    found = channels([[9.0, 8.0, 7.0, 6.0, 5.0], [9.0, 8.0, 7.0, 6.0, 8.0]])

    assert found.doubtful.tolist() == [True, False]


def test_a_transect_without_data_has_no_channel_and_stays_at_its_station():
    found = channels([[NAN, 8.0, NAN], [NAN, NAN, NAN]])

    assert found.raw_m[0] == 8.0
    assert np.isnan(found.raw_m[1])
    assert found.offset_m.tolist() == [0.0, 0.0]
    assert not found.doubtful.any()


def test_ground_of_another_stream_is_passed_over():
    found = channels([[2.0, 6.0, 5.0, 6.0, 3.0]], owned=[[False, True, True, True, True]])

    assert found.raw_m.tolist() == [3.0]


@pytest.mark.parametrize("above_m", [20.0, 40.0])
def test_a_tributary_above_the_confluence_does_not_reach_over_to_the_main_stem(above_m):
    # At 20 m above, points farther than 20 m to a side are nearer to the main stem.
    owned = owned_across(0.0, above_m, 1)

    assert owned == [abs(offset) <= above_m for offset in range(-40, 41, 10)]


def test_the_last_station_of_a_tributary_keeps_its_own_place_only():
    owned = owned_across(0.0, 0.0, 1)

    assert owned == [False] * 4 + [True] + [False] * 4


@pytest.mark.parametrize(("x_m", "link"), [(-20.0, 0), (20.0, 2)])
def test_the_main_stem_has_the_ground_of_what_joins_it(x_m, link):
    # To the north the tributary, 20 m away, is nearer from 20 m on; it lies no lower than the main stem.
    assert owned_across(x_m, 0.0, link, along_x=False) == [True] * 9


@pytest.mark.parametrize(("x_m", "link"), [(-20.0, 0), (20.0, 2)])
def test_the_ground_of_a_side_arm_that_comes_back_is_its_own(x_m, link):
    assert owned_across(x_m, 0.0, link, along_x=False, side_arm=True) == [True] * 7 + [False, False]


def test_a_channel_between_banks_goes_before_lower_ground_behind_a_bank():
    # A pond at 5 m; behind its left bank the hillside falls to the tailwater.
    pond = [[8.0, 7.0, 5.1, 5.0, 5.1, 6.0, 3.0]]

    assert channels(pond, min_bank_m=0.8).raw_m.tolist() == [5.0]
    # Banks of a metre are none where the DEM errs by as much, and the lowest ground counts.
    assert channels(pond, min_bank_m=1.2).raw_m.tolist() == [3.0]


def test_of_two_channels_between_banks_the_lower_one_counts():
    found = channels([[9.0, 4.0, 6.0, 5.0, 6.0, 7.0, 8.0]], min_bank_m=0.8)

    assert found.raw_m.tolist() == [4.0]
    assert found.offset_m.tolist() == [-20.0]


def test_unknown_ground_is_no_bank():
    assert channels([[8.0, 7.0, 5.0, NAN, 4.0]], min_bank_m=0.8).raw_m.tolist() == [4.0]


def test_a_bank_at_the_border_of_another_streams_ground_is_not_taken_for_the_channel():
    # The channel, at 3 m, lies where the other stream's line is nearer: what is left of the transect is a bank.
    raised = channels([[7.0, 6.0, 5.0, 3.0, 6.0]], owned=[[True, True, True, False, False]])
    # The cell of the bank reaches over the border.
    wide = channels([[7.0, 5.0, 5.0, 5.0, 3.0]], owned=[[True, True, True, False, False]])
    # A channel of its own that the border leaves whole, and the other's lower one far away.
    whole = channels([[7.0, 4.0, 6.0, 7.0, 7.0, 7.0, 3.0]], owned=[[True] * 4 + [False] * 3])

    assert np.isnan(raised.raw_m[0])
    assert np.isnan(wide.raw_m[0])
    assert whole.raw_m.tolist() == [4.0]
    assert raised.offset_m.tolist() == [0.0]


@pytest.mark.parametrize("turned", [1, -1])
@pytest.mark.parametrize(
    ("apart", "beyond_m", "is_given"),
    [(1, 3.9, False), (3, 3.9, False), (4, 3.9, True), (3, 4.0, True), (1, NAN, True)],
)
def test_lower_ground_of_another_stream_within_three_points_of_the_lowest_own_one_hides_the_channel(
    turned, apart, beyond_m, is_given
):
    # The lowest own ground, 4 m, is in the second of ten columns; the other stream has the last ones.
    elevation_m, owned = np.full(10, 9.0), np.arange(10) < 1 + apart
    elevation_m[1], elevation_m[1 + apart :] = 4.0, beyond_m

    found = channels([np.append(9.0, elevation_m)[::turned]], owned=[np.append(True, owned)[::turned]])

    assert np.isnan(found.raw_m[0]) != is_given
    assert found.offset_m.tolist() == [-30.0 * turned]


def test_a_channel_at_either_end_is_doubtful_and_one_point_alone_is_its_own_end():
    found = channels([[5.0, 8.0, 9.0], [9.0, 8.0, 5.0], [9.0, 8.0, 9.0], [NAN, NAN, NAN]])

    assert found.doubtful.tolist() == [True, True, False, False]
    assert channels([[5.0]]).doubtful.tolist() == [True]


def test_each_station_may_have_banks_of_its_own_height():
    pond = [8.0, 7.0, 5.1, 5.0, 5.1, 6.0, 3.0]

    assert channels([pond, pond], min_bank_m=np.array([0.8, 1.2])).raw_m.tolist() == [5.0, 3.0]
    # A bank just as high as is asked for is one.
    assert channels([pond], min_bank_m=1.0).raw_m.tolist() == [5.0]


def test_a_point_as_near_to_another_stream_is_its_own_and_one_a_little_nearer_is_not():
    # 20 m up the tributary, points 20 m to the side are as near to the main stem.
    assert owned_across(0.0, 20.0, 1, half_width_m=20.0) == [True] * 5
    assert owned_across(0.0, 19.9, 1, half_width_m=20.0) == [False, True, True, True, False]
