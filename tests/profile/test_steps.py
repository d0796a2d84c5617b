"""Steps of the profile: closed forms on even slopes, ponds and walls."""

import numpy as np
import pytest

from sitefinder.profile.breaks import find_steps, slopes_around

SEGMENT_M = 50.0


# One link of segments that fall by so much each [m].
def link(falls):
    profile_m = np.concatenate([[0.0], -np.cumsum(falls)])
    count = len(profile_m)
    downstream = np.append(np.arange(1, count), -1).astype(np.int32)
    segment_m = np.append(0.0, np.full(count - 1, SEGMENT_M))
    return profile_m, downstream, segment_m


def steps(falls, *, se=0.1, min_m=1.0, standard_errors=3.0):
    profile_m, downstream, segment_m = link(falls)
    slopes = slopes_around(profile_m, downstream, segment_m)
    drop_se_m = np.full(len(profile_m), se)
    found = find_steps(profile_m, drop_se_m, slopes, segment_m, min_m=min_m, standard_errors=standard_errors)
    return found[0].tolist(), found[1]


@pytest.mark.slow
def test_slopes_are_medians_of_three_segments_on_each_side():
    profile_m, downstream, segment_m = link([1.0, 2.0, 9.0, 3.0, 5.0, 0.5, 1.5, 4.0])

    slopes = slopes_around(profile_m, downstream, segment_m)

    # Of the fourth segment: 1, 2, 9 above and 5, 0.5, 1.5 below, each over 50 m; the first has nothing above.
    assert slopes.above[4] * SEGMENT_M == pytest.approx(2.0)
    assert slopes.below[4] * SEGMENT_M == pytest.approx(1.5)
    assert slopes.above[1] == slopes.below[1] == pytest.approx(3.0 / SEGMENT_M)
    assert slopes.below[8] == slopes.above[8] == pytest.approx(1.5 / SEGMENT_M)
    assert np.isnan(slopes.above[0])


def test_slopes_below_follow_the_path_over_a_confluence_and_those_above_stay_in_their_link():
    # Two links of two segments meet and go on in one of two; the last station of each upper link points to the
    # first of the lower one, at the same place.
    downstream = np.array([1, 2, 6, 4, 5, 6, 7, 8, -1], dtype=np.int32)
    segment_m = np.array([0.0, 50, 50, 0, 50, 50, 0, 50, 50])
    profile_m = np.array([9.0, 8, 6, 11, 10, 6, 6, 5, 4])

    slopes = slopes_around(profile_m, downstream, segment_m)

    assert slopes.below[[2, 5]].tolist() == pytest.approx([1 / 50, 1 / 50])
    assert slopes.above[7] == pytest.approx(1 / 50)
    assert slopes.above[5] == pytest.approx(1 / 50)


def test_a_link_of_one_segment_alone_has_no_slope_around():
    slopes = slopes_around(*link([2.0]))

    assert (slopes.above[1], slopes.below[1]) == (0.0, 0.0)


def test_a_weir_with_its_pond_is_found_with_its_drop():
    # The stream falls 0.4 m a segment, the pond nothing; the weir of 2 m stands in the middle of a segment.
    found, excess_m = steps([0.4, 0.4, 0.0, 0.0, 0.0, 2.2, 0.4, 0.4, 0.4])

    assert found == [6]
    assert excess_m == pytest.approx([2.0])


def test_an_even_slope_holds_no_step_however_steep():
    assert steps([3.0] * 8)[0] == []


def test_the_second_of_two_steps_in_a_row_does_not_hide_the_first():
    assert steps([0.2, 0.2, 0.2, 2.0, 0.2, 2.0, 0.2, 0.2, 0.2])[0] == [4, 6]


@pytest.mark.parametrize(("drop", "se", "is_found"), [(1.2, 0.1, True), (0.9, 0.1, False), (1.2, 0.41, False)])
def test_a_step_must_pass_both_an_amount_and_its_standard_errors(drop, se, is_found):
    assert bool(steps([0.0, 0.0, 0.0, drop, 0.0, 0.0, 0.0], se=se)[0]) == is_found


def test_a_segment_without_elevation_or_just_below_a_confluence_holds_no_step():
    assert steps([2.0, 0.0, 0.0, 0.0])[0] == []
    assert steps([0.0, np.nan, 0.0, 0.0])[0] == []


@pytest.mark.parametrize(
    ("drop", "se", "is_found"), [(1.0, 0.0, True), (0.99, 0.0, False), (1.5, 0.5, True), (1.49, 0.5, False)]
)
def test_a_step_of_just_the_amount_and_just_its_standard_errors_is_one(drop, se, is_found):
    assert bool(steps([0.0, 0.0, 0.0, drop, 0.0, 0.0, 0.0], se=se)[0]) == is_found


def test_the_slopes_of_both_sides_count_half_each():
    # 0.3 m a segment above and 0.1 m below: of 2 m the stream itself falls 0.2 m.
    found, excess_m = steps([0.3, 0.3, 0.3, 2.0, 0.1, 0.1, 0.1])

    assert found == [4]
    assert excess_m == pytest.approx([1.8])
