"""Depth of uniform flow against printed examples and against the roots that scipy finds."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from sitefinder.energy import open_channel
from sitefinder.energy.open_channel import critical_depth_m, depth_elasticity, resistance, uniform_depth_m
from sitefinder.units import GRAVITY_M_S2, M3S_PER_CUBIC_FOOT_SECOND, METRES_PER_FOOT

FLOWS, WIDTHS = st.floats(1e-3, 500.0), st.floats(0.3, 100.0)
SLOPES, ROUGHNESSES = st.floats(1e-5, 0.2), st.floats(0.01, 0.2)
STEEP = 0.002


def depth_m(flow_m3s, width_m, slope, manning_n, jarrett_from_slope=np.inf):
    channel = resistance(np.array([slope]), manning_n, jarrett_from_slope)
    return float(uniform_depth_m(np.array([[flow_m3s]]), np.array([[width_m]]), channel)[0, 0])


def jarrett_n(slope, radius_m):
    # Jarrett (1984), J. Hydraul. Eng. 110:1519-1539: 0.39 S^0.38 R^-0.16, R in feet.
    return 0.39 * slope**0.38 * (radius_m / METRES_PER_FOOT) ** -0.16


@pytest.mark.parametrize(
    ("flow_m3s", "width_m", "slope", "manning_n", "printed_m", "within_m"),
    [
        # San Diego State University, CIVE 530, midterm 1 of autumn 2008, problem 4 (read on its page): depth of
        # 1.6 m, hydraulic radius of 1.043 m, velocity of 3.428 m/s. Froude number 0.87.
        (32.91, 6.0, 0.0025, 0.015, 1.6, 0.001),
        # The same course, midterm 2 of spring 2007, problem 1: depth of 0.8 m, velocity of 2.387 m/s.
        (9.548, 5.0, 0.0025, 0.015, 0.8, 0.001),
        # Critical slope of 600 ft³/s in a channel 10 ft wide with n of 0.025, printed as 0.0132 at a depth of
        # 4.82 ft (solution of an exercise of a fluid mechanics course, read on coursehero.com): both depths meet.
        (600.0 * M3S_PER_CUBIC_FOOT_SECOND, 10.0 * METRES_PER_FOOT, 0.0132, 0.025, 4.82 * METRES_PER_FOOT, 0.005),
    ],
)
def test_depths_are_those_of_printed_examples(flow_m3s, width_m, slope, manning_n, printed_m, within_m):
    assert depth_m(flow_m3s, width_m, slope, manning_n) == pytest.approx(printed_m, abs=within_m)


def test_supercritical_flow_is_held_at_the_critical_depth():
    # A channel 10 m wide with a slope of 1 in 300 and n of 0.015 carries 175.58 m³/s at 3 m, less than the
    # critical depth of 3.16 m (worked on edurev.in, question 1408436).
    assert depth_m(175.58, 10.0, 1 / 300, 0.015) == pytest.approx(3.16, abs=0.01)
    # Rougher by a fifth, it flows deeper than that.
    assert depth_m(175.58, 10.0, 1 / 300, 0.018) > 3.3


@pytest.mark.parametrize(("radius_m", "slope", "printed"), [(0.3, 0.03, 0.102), (1.0, 0.015, 0.065)])
def test_roughness_of_steep_streams_is_that_of_jarrett(radius_m, slope, printed):
    # The examples of the function n_jarrett1984 of a public R package, which takes 0.32 for 0.3225 in metres.
    channel = resistance(np.array([slope]), 0.04, STEEP)

    velocity = channel.factor[0] * radius_m ** channel.exponent[0]

    used = radius_m ** (2 / 3) * slope**0.5 / velocity
    assert used == pytest.approx(jarrett_n(slope, radius_m), rel=1e-12)
    assert round(used * 0.32 / (0.39 * METRES_PER_FOOT**0.16), 3) == printed


@given(FLOWS, WIDTHS, SLOPES, ROUGHNESSES, st.booleans())
def test_depth_is_the_root_that_scipy_finds(flow_m3s, width_m, slope, manning_n, by_jarrett):
    def carried_m3s(depth):
        radius_m = width_m * depth / (width_m + 2 * depth)
        n = jarrett_n(slope, radius_m) if by_jarrett and slope >= STEEP else manning_n
        return width_m * depth * radius_m ** (2 / 3) * slope**0.5 / n

    normal_m = brentq(lambda depth: carried_m3s(depth) - flow_m3s, 1e-9, 1e9, xtol=1e-13, rtol=1e-12)
    critical_m = (flow_m3s**2 / width_m**2 / GRAVITY_M_S2) ** (1 / 3)

    found = depth_m(flow_m3s, width_m, slope, manning_n, STEEP if by_jarrett else np.inf)
    assert found == pytest.approx(max(normal_m, critical_m), rel=1e-8)
    # Which is to say that the Froude number is 1 at most.
    assert flow_m3s / (width_m * found) <= (1 + 1e-9) * np.sqrt(GRAVITY_M_S2 * found)


@given(FLOWS, st.floats(0.5, 50.0), SLOPES, st.floats(0.0, 0.5), st.booleans())
def test_elasticity_is_the_slope_of_the_depth_on_logarithms(flow_m3s, width_m, slope, width_exponent, by_jarrett):
    channel = resistance(np.array([slope]), 0.04, STEEP if by_jarrett else np.inf)
    step = np.array([-1e-5, 0.0, 1e-5])
    flow, width = flow_m3s * np.exp(step), width_m * np.exp(width_exponent * step)
    depth = uniform_depth_m(flow[None], width[None], channel)[0]
    is_critical = np.isclose(depth, critical_depth_m(flow, width), rtol=1e-6)
    if is_critical.any() and not is_critical.all():
        return  # A corner: the two depths meet within the step.

    found = depth_elasticity(flow[1:2], width[1:2], depth[1:2], channel, width_exponent)

    assert found[0] == pytest.approx(np.log(depth[2] / depth[0]) / 2e-5, abs=1e-5)


def test_nothing_flows_at_no_depth_and_an_unknown_flow_at_an_unknown_one():
    channel = resistance(np.array([0.01]), 0.04)

    found = uniform_depth_m(np.array([[0.0, np.nan]]), np.array([[0.0, np.nan]]), channel)

    np.testing.assert_array_equal(found, [[0.0, np.nan]])


@pytest.mark.parametrize("exponent", [2.0 / 3.0, 0.83])
@pytest.mark.parametrize(("flow", "width"), [(0.02, 0.3), (3.0, 2.0), (40.0, 1.5), (5.0, 60.0)])
def test_normal_depth_lets_the_flow_through_to_the_last_digits(exponent, flow, width):
    depth = open_channel._normal_depth_m(flow, width, 2.5, exponent)

    # Area times factor times a power of the hydraulic radius.
    assert width * depth * 2.5 * (width * depth / (width + 2.0 * depth)) ** exponent == pytest.approx(
        flow, rel=1e-13
    )
