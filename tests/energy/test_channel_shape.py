"""Width, depth and speed of streams: what flows is what the section carries, by geometry or as measured."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sitefinder.energy.hydraulics import MeasuredSection, channel_shapes, water_depths
from sitefinder.settings import ChannelSettings, TailwaterSettings
from sitefinder.vocabulary import HYDRAULIC_GEOMETRY, MANNING, MEASURED_SECTION

MEAN = np.array([0.3, 1.0, 40.0, 0.0, np.nan])


def shapes_of(sections=(), tailwater=None, **channel):
    return channel_shapes(MEAN, tailwater or TailwaterSettings(), ChannelSettings(**channel), sections)


# The first call may have to load or compile kernels.
@given(st.floats(0.01, 100.0), st.integers(0, 2))
@settings(deadline=None)
def test_width_times_depth_times_speed_is_the_flow(flow_m3s, station):
    width_m, depth_m, speed = shapes_of().at(np.array([station]), np.array([[flow_m3s]]))

    assert (width_m * depth_m * speed)[0, 0] == pytest.approx(flow_m3s)


def test_at_a_station_width_depth_and_speed_grow_by_the_exponents_of_the_source():
    # 0.26, 0.40 and 0.34 (Leopold and Maddock 1953, as restated by others); they add up to 1.
    parts = shapes_of().at(np.array([1]), np.array([[1.0, 4.0]]))

    np.testing.assert_allclose([part[0, 1] / part[0, 0] for part in parts], [4**0.26, 4**0.40, 4**0.34])


def test_down_a_river_width_grows_as_the_root_of_the_mean_flow():
    shapes = shapes_of()

    # Leopold and Maddock (1953), as restated by Pelletier (2021): width by 0.5, depth by 0.4.
    assert shapes.width_m[2] / shapes.width_m[1] == pytest.approx(40**0.5)
    assert shapes.depth_m[2] / shapes.depth_m[1] == pytest.approx(40**0.4)


def test_depth_is_that_of_the_tailwater():
    curve = np.array([[3.0, 1.0, 0.2]])
    tailwater = TailwaterSettings(station_exponent=0.3)

    _, depth_m, _ = channel_shapes([1.4], tailwater, ChannelSettings()).at(np.array([0]), curve)

    by_tailwater = water_depths(curve, np.array([0.2, 0.5, 0.8]), np.array([1.4]), tailwater).depth_m
    np.testing.assert_allclose(depth_m, by_tailwater)


def test_turning_tailwater_off_leaves_the_streams_their_depth():
    off = shapes_of(tailwater=TailwaterSettings(method="none"))

    np.testing.assert_array_equal(off.depth_m, shapes_of().depth_m)


def test_a_measured_section_holds_at_the_flow_at_which_it_was_measured():
    section = MeasuredSection(np.array([1, 2]), np.array([0.0, 80.0]), 2.5, 9.0, 0.6)

    shapes = shapes_of([section])

    width_m, depth_m, speed = shapes.at(np.array([1, 2]), np.array([[2.5], [2.5]]))
    np.testing.assert_allclose(width_m[:, 0], 9.0)
    np.testing.assert_allclose(depth_m[:, 0], 0.6)
    np.testing.assert_allclose(speed[:, 0], 2.5 / (9.0 * 0.6))
    assert shapes.is_measured.tolist() == [False, True, True, False, False]
    assert shapes.width_m[0] == shapes_of().width_m[0]


def test_of_two_sections_the_nearer_counts_in_either_order():
    near = MeasuredSection(np.array([1]), np.array([10.0]), 1.0, 5.0, 0.5)
    far = MeasuredSection(np.array([1]), np.array([90.0]), 1.0, 50.0, 5.0)

    for order in ([near, far], [far, near]):
        assert shapes_of(order).width_m[1] == pytest.approx(5.0)


def test_no_flow_gives_a_dry_bed_and_an_unknown_flow_an_unknown_one():
    flow = np.array([[0.0], [np.nan]])

    width_m, depth_m, speed = shapes_of().at(np.array([1, 4]), flow)

    assert (width_m[0, 0], depth_m[0, 0], speed[0, 0]) == (0.0, 0.0, 0.0)
    assert np.isnan([width_m[1, 0], depth_m[1, 0], speed[1, 0]]).all()
    on_a_dry_stream = MeasuredSection(np.array([3]), np.array([0.0]), 1.0, 5.0, 0.5)
    assert not shapes_of([on_a_dry_stream]).is_measured[3]


def test_a_stream_with_a_slope_has_the_depth_of_uniform_flow():
    slope = np.array([0.0005, 0.03, np.nan, 0.01, 0.01])
    channel = ChannelSettings()

    shapes = channel_shapes(MEAN, TailwaterSettings(), channel, slope=slope)

    plain = shapes_of()
    assert shapes.method.tolist()[:3] == [MANNING, MANNING, HYDRAULIC_GEOMETRY]
    np.testing.assert_array_equal(shapes.width_m, plain.width_m)
    # 1 m³/s, 7.2 m wide, on a slope of 3 %, by hand: 0.237 m deep the hydraulic radius is 0.222 m or 0.729 ft, n
    # 0.39 · 0.264 · 0.729^-0.16 = 0.108 and the velocity 0.222^(2/3) · 0.03^(1/2) / 0.108 = 0.587 m/s: 1.00 m³/s.
    assert shapes.depth_m[1] == pytest.approx(0.237, abs=0.001)
    assert shapes.depth_m[2] == plain.depth_m[2]
    # Steeper is shallower, by Jarrett's n only a little.
    steeper = channel_shapes(MEAN, TailwaterSettings(), channel, slope=2 * slope).depth_m
    assert 0.9 * shapes.depth_m[1] < steeper[1] < shapes.depth_m[1]
    # And width, depth and speed still carry the flow.
    width_m, depth_m, speed = shapes.at(np.array([0, 1]), np.array([[0.1, 0.5], [0.2, 6.0]]))
    np.testing.assert_allclose(width_m * depth_m * speed, [[0.1, 0.5], [0.2, 6.0]])


def test_a_measured_section_counts_more_than_a_slope():
    section = MeasuredSection(np.array([1]), np.array([0.0]), 2.5, 9.0, 0.6)

    shapes = channel_shapes(MEAN, TailwaterSettings(), ChannelSettings(), [section], np.full(5, 0.01))

    assert shapes.method[1] == MEASURED_SECTION
    assert shapes.at(np.array([1]), np.array([[2.5]]))[1][0, 0] == pytest.approx(0.6)
    assert np.isnan(shapes.slope[1])
