"""Rotors in the open current: their power, the room they need, and that no current gives more than its fall."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plain_turbines import survival
from pydantic import ValidationError

from sitefinder.catalogue.turbines import BETZ_LIMIT, HydrokineticRotor, RotorSources
from sitefinder.energy.hydrokinetic import (
    LOSS_OVER_SHAFT,
    current_power_kw,
    hydrokinetic_potential,
    rotor_power_kw,
)
from sitefinder.energy.plant import hydraulic_power_kw


@pytest.fixture(scope="module")
def rotor():
    """A maker of rotors of 1 m² that turn a third of the current's energy at every speed into power."""

    def make(**changes):
        fields = {
            "name": "plain rotor",
            "diameter_m": 1.0,
            "height_m": 1.0,
            "speed_range_m_s": (0.5, 4.0),
            "rated_speed_m_s": 2.5,
            "power_coefficient": ((1.0, 0.3),),
            "generator_efficiency": 1.0,
            "scheme_types": ("kinetic",),
            "min_depth_m": 1.2,
            "min_width_m": 2.0,
            "spacing_along": 10.0,
            "spacing_across": 2.0,
            "max_blockage": 0.25,
            "survival": survival(0.98, "claimed"),
            "cost": {
                "coefficient": 9000.0,
                "power_exponent": 0.9,
                "currency": "EUR",
                "year": 2024,
                "power_range_kw": (0.1, 100.0),
                "source": "an example",
            },
            "civil_share": 0.4,
            "sources": dict.fromkeys(RotorSources.model_fields, "an example"),
        }
        return HydrokineticRotor.model_validate(fields | changes)

    return make


def test_a_square_metre_gives_what_the_hand_made_checks_say(rotor):
    # 1 m² at 2 m/s and a power coefficient of 0.35: 1400 W, exact with 1000 kg/m³.
    assert current_power_kw(1.0, 2.0, 0.35) == pytest.approx(1.4, rel=1e-12)
    # About 0.5 kW for each m² at 1.5 m/s and 0.3.
    assert rotor_power_kw(rotor(), 1.5) == pytest.approx(0.5, abs=0.01)
    assert rotor_power_kw(rotor(), 1.5) == pytest.approx(0.50625, rel=1e-12)


def test_power_is_zero_outside_the_speeds_and_constant_above_the_rated_one(rotor):
    power = rotor_power_kw(rotor(), [0.0, 0.49, 0.5, 2.5, 3.9, 4.0, 4.01])

    rated = 0.5 * 2.5**3 * 0.3
    np.testing.assert_allclose(power, [0, 0, 0.5 * 0.125 * 0.3, rated, rated, rated, 0], atol=1e-12)


def test_gear_and_generator_take_their_share(rotor):
    lossy = rotor(generator_efficiency=0.9, gear_efficiency=0.95)

    assert rotor_power_kw(lossy, 1.5) == pytest.approx(0.50625 * 0.9 * 0.95)


def test_a_disc_and_a_rectangle_sweep_their_areas(rotor):
    assert rotor(diameter_m=2.0, height_m=0.5).swept_area_m2 == 1.0
    assert rotor(height_m=None).swept_area_m2 == pytest.approx(np.pi / 4)


def test_generic_rotors_keep_the_limit_of_betz_and_give_what_is_practical(generic_rotors):
    assert pytest.approx(0.5926, abs=5e-5) == BETZ_LIMIT  # 16/27, exact
    for each in generic_rotors:
        speeds = np.linspace(*each.speed_range_m_s, 200)
        share = rotor_power_kw(each, speeds) / current_power_kw(each.swept_area_m2, speeds)
        assert share.max() <= BETZ_LIMIT
        # From water to wire 0.25 to 0.40 in practice (from memory), at the speed that it is made for.
        assert (
            0.25
            <= rotor_power_kw(each, each.rated_speed_m_s)
            / current_power_kw(each.swept_area_m2, each.rated_speed_m_s)
            <= 0.40
        )


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"power_coefficient": ((1.0, 0.6),)}, r"maximum power coefficient is 16/27 = 0\.5926 \(found 0\.6\)"),
        ({"power_coefficient": ((0.5, 0.3), (0.9, 0.3))}, "must rise and end at 1"),
        ({"rated_speed_m_s": 5.0}, "must lie in speed_range"),
        ({"speed_range_m_s": (3.0, 1.0)}, "the minimum must come before the maximum"),
        ({"min_depth_m": 0.9}, "must cover the rotor"),
        ({"scheme_types": ("at_barrier",)}, "kinetic"),
    ],
)
def test_a_rotor_that_does_not_hold_together_is_refused(rotor, changes, message):
    with pytest.raises(ValidationError, match=message):
        rotor(**changes)


# The potential of one reach whose stream stands still in its numbers.
def potential(rotor, width_m=20.0, depth_m=2.0, speed=1.5, length_m=1000.0, fall_kw=np.nan):
    bins = [np.full((1, 4), value) for value in (width_m, depth_m, speed)]
    at_mean = np.array([width_m]), np.array([depth_m])
    found = hydrokinetic_potential(rotor, *bins, at_mean, np.array([length_m]), np.array([fall_kw]))
    return type(found)(*(part[0] for part in found))


def test_a_reach_holds_rows_by_width_blockage_and_length(rotor):
    # 20 m wide: (20 - 2) / 2 + 1 = 10 by width; a quarter of 40 m² is 10 rotors of 1 m². 1000 m: 100 rows.
    full = potential(rotor())

    assert (full.rotors, full.because) == (1000, "")
    assert full.power_kw == pytest.approx(1000 * 0.5 * 2.5**3 * 0.3)
    assert full.power_mean_kw == pytest.approx(1000 * 0.50625)
    assert full.operating_fraction == 1.0
    assert potential(rotor(max_blockage=0.05)).rotors == 200
    assert potential(rotor(), length_m=39.9).rotors == 30


def test_rotors_stand_apart_by_their_diameters_and_block_by_the_area_that_they_sweep(rotor):
    # 2 m wide and 1 m high, in rows 20 m apart. 21.8 m: 1 + 19.8 / 4 = 5.95 by width; a quarter of 87.2 m² is 10.9
    # of 2 m², a tenth 4.36.
    broad = rotor(diameter_m=2.0)

    assert potential(broad, width_m=21.8, depth_m=4.0).rotors == 5 * 50
    assert potential(rotor(diameter_m=2.0, max_blockage=0.1), width_m=21.8, depth_m=4.0).rotors == 4 * 50


def test_the_power_coefficient_is_that_of_the_speed_as_a_share_of_the_rated_one(rotor):
    # Three quarters of 2.5 m/s lie halfway from 0.1 to 0.3.
    slow_to_start = rotor(power_coefficient=((0.5, 0.1), (1.0, 0.3)))

    assert rotor_power_kw(slow_to_start, 1.875) == pytest.approx(0.5 * 1.875**3 * 0.2)


def test_a_single_rotor_is_worked_out_as_many_are(rotor):
    one = potential(rotor(), width_m=2.0, depth_m=4.0, length_m=10.0)

    assert (one.rotors, one.operating_fraction) == (1, 1.0)
    assert one.power_mean_kw == pytest.approx(0.50625)


def test_without_a_depth_in_some_bin_there_is_no_flow_estimate(rotor):
    bins = np.full((1, 4), 20.0), np.array([[2.0, 2.0, 2.0, np.nan]]), np.full((1, 4), 1.5)

    found = hydrokinetic_potential(
        rotor(), *bins, (np.array([20.0]), np.array([2.0])), np.array([1000.0]), np.array([np.nan])
    )

    assert found.because.tolist() == ["no flow estimate"]


@pytest.mark.parametrize(
    ("changes", "because"),
    [
        ({"depth_m": 1.19}, "too shallow"),
        ({"width_m": 1.9}, "too narrow"),
        ({"speed": 0.49}, "too slow"),
        ({"speed": 4.1}, "too slow"),
        ({"width_m": 2.0, "depth_m": 1.3}, "a row would block the stream"),
        ({"length_m": 9.0}, "reach too short"),
        ({"fall_kw": 0.5}, "too little fall to feed it"),
        ({"speed": np.nan, "depth_m": np.nan, "width_m": np.nan}, "no flow estimate"),
    ],
)
def test_a_reach_without_room_says_why(rotor, changes, because):
    none = potential(rotor(), **changes)

    assert none.because == because
    assert tuple(none[:4]) == (0, 0.0, 0.0, 0.0)


def test_a_rotor_rests_while_the_water_is_too_shallow(rotor):
    depth = np.array([[2.0, 2.0, 2.0, 1.0]])
    bins = np.full((1, 4), 20.0), depth, np.full((1, 4), 1.5)

    found = hydrokinetic_potential(
        rotor(), *bins, (np.array([20.0]), np.array([2.0])), np.array([1000.0]), np.array([np.nan])
    )

    assert found.operating_fraction[0] == 0.75
    assert found.power_mean_kw[0] == pytest.approx(0.75 * 1000 * 0.50625)


def test_a_stream_that_is_too_narrow_in_some_bins_alone_has_rotors(rotor):
    width = np.array([[20.0, 20.0, 20.0, 1.9]])
    bins = width, np.full((1, 4), 2.0), np.full((1, 4), 1.5)

    found = hydrokinetic_potential(
        rotor(), *bins, (np.array([20.0]), np.array([2.0])), np.array([1000.0]), np.array([np.nan])
    )

    assert (found.because[0], found.operating_fraction[0]) == ("", 0.75)


@settings(max_examples=150, deadline=None)
@given(
    width_m=st.floats(2.5, 200.0),
    depth_m=st.floats(1.3, 10.0),
    speed=st.floats(0.5, 4.0),
    length_m=st.floats(20.0, 5000.0),
    slope=st.floats(0.0, 0.01),
)
def test_rotors_never_take_more_than_the_fall_gives_nor_than_the_current_holds(
    rotor, width_m, depth_m, speed, length_m, slope
):
    fall_kw = hydraulic_power_kw(width_m * depth_m * speed, slope * length_m)

    found = potential(rotor(), width_m, depth_m, speed, length_m, fall_kw)

    assert found.power_mean_kw * LOSS_OVER_SHAFT <= fall_kw * (1 + 1e-9)
    rows = length_m / 10.0
    assert found.power_mean_kw <= rows * 0.25 * BETZ_LIMIT * current_power_kw(width_m * depth_m, speed) * (
        1 + 1e-9
    )


def test_a_stream_just_deep_and_wide_enough_has_room_and_the_fall_feeds_whole_rotors(rotor):
    # One row a wide stream: a quarter of 2 m by 4 m is two rotors of 1 m², of which one fits by width.
    assert potential(rotor(), width_m=2.0, depth_m=4.0).rotors == 100
    assert potential(rotor(), depth_m=1.2).because == ""
    assert potential(rotor(), length_m=10.0).rotors == 10
    # A rotor gives 0.50625 kW, and half as much again is lost: 3 of them need 2.278 kW, less than 4 do.
    # What gear and generator lose is lost behind the shaft and takes nothing from the current.
    for each in (rotor(), rotor(generator_efficiency=0.8, gear_efficiency=0.9)):
        found = [potential(each, fall_kw=fall_kw).rotors for fall_kw in (2.27, 2.29, 3.03, 3.04)]
        assert found == [2, 3, 3, 4]
    # Where nothing turns, no bound of the fall is asked for.
    assert potential(rotor(), speed=0.3, fall_kw=0.0).because == "too slow"
