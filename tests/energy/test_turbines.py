"""Turbine classes: curves that mean what they say, and who may use which for the sake of fish."""

import re

import numpy as np
import pytest
from one_plant import plant_output
from plain_turbines import survival
from pydantic import ValidationError

from sitefinder.energy.turbines import efficiency_table, never_throttled_from, turbine_table

SAYS_WHENCE = re.compile(
    r"no source|from memory|\(\d{4}\)|Queen's University|web page|encyclopedia page|own choice"
)


# Of the turbine alone, by the power of one unit of 1 m³/s under 1 m.
def efficiency(turbine, relative_flow):
    table, lowest = efficiency_table(turbine), turbine.lowest_relative_flow
    power = plant_output([relative_flow], 0.0, 1.0, 1.0, table, lowest).power_mean_kw
    return power / (9.80665 * relative_flow * turbine.gear_efficiency * turbine.generator_efficiency)


def test_efficiency_is_straight_between_points_and_zero_below_the_lowest_flow(turbine_class):
    turbine = turbine_class(efficiency=((0.2, 0.4), (0.6, 0.8), (1.0, 0.7)), lowest_relative_flow=0.3)

    values = [efficiency(turbine, relative) for relative in (0.1, 0.29, 0.3, 0.4, 0.6, 0.8, 1.0)]

    np.testing.assert_allclose(values, [0.0, 0.0, 0.5, 0.6, 0.8, 0.75, 0.7], atol=1e-12)


@pytest.mark.parametrize(("lowest", "expected"), [(0.2, 5.0), (0.5, 3.0)])
def test_a_plant_is_never_throttled_from_the_head_that_the_steepest_fall_of_its_curve_needs(lowest, expected):
    # At x = 1/2 the curve has come down from 0.9 to 0.475: f = 0.2375, f' = 0.475 - 0.425 = 0.05, so that x² + 2 x
    # f / f' is 1/4 + 0.2375 / 0.05 = 5; from there on it is level, and needs 3. Units that stop at half their flow
    # never come down that far.
    found = never_throttled_from(np.array([0.9, 0.475, 0.475]), lowest)

    assert found == pytest.approx(expected, rel=1e-8)


def test_a_table_of_no_classes_has_their_columns_all_the_same():
    table = turbine_table([])

    assert (table.efficiency.shape, table.scale_gain.shape) == ((0, 101), (0,))


def test_generic_curves_are_straight_between_their_points_and_never_pass_their_peak_nor_one(generic_turbines):
    for turbine in generic_turbines:
        flows, points = zip(*turbine.efficiency, strict=True)
        for relative in np.linspace(0.005, 1.0, 200):
            by_hand = np.interp(relative, flows, points) * (relative >= turbine.lowest_relative_flow)
            assert efficiency(turbine, relative) == pytest.approx(by_hand, rel=1e-12, abs=1e-12)
        assert max(points) == turbine.peak_efficiency < 1


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"head_range_m": (5.0, 2.0)}, "the minimum must come before the maximum"),
        ({"efficiency": ((0.0, 0.8), (0.9, 0.8))}, "relative flows must rise and end at 1"),
        ({"efficiency": ((0.0, 0.8), (0.505, 0.8), (1.0, 0.8))}, "whole hundredths"),
        ({"efficiency": ((0.0, 0.9), (0.5, 0.9), (1.0, 0.2))}, "must not fall as flow rises"),
        ({"efficiency": ((0.0, 0.0), (1.0, 0.0))}, "full flow must be above 0"),
        ({"efficiency": ((0.0, 1.2), (1.0, 0.8))}, "less than or equal to 1"),
        ({"efficiency": ((0.5, 0.8), (1.0, 0.8)), "lowest_relative_flow": 0.3}, "must begin at or below"),
        ({"scheme_types": ("somewhere",)}, "at_barrier"),
        ({"generator_efficency": 0.9}, "Extra inputs are not permitted"),
    ],
)
def test_a_class_that_does_not_hold_together_is_refused(turbine_class, changes, message):
    with pytest.raises(ValidationError, match=message):
        turbine_class(**changes)


def test_a_figure_without_a_source_is_refused(turbine_class):
    with pytest.raises(ValidationError, match=r"survival\.source"):
        turbine_class(survival=survival(0.99) | {"source": ""})


@pytest.mark.parametrize(
    ("stated", "message"),
    [
        (survival(0.98) | {"trials": ()}, 'evidence = "tested" needs trials'),
        (survival(0.98) | {"trials": ({"study": "one", "lengths_m": (0.1, 0.2), "fish": 9},)}, "species"),
        (survival(0.98, "claimed") | {"share_range": None}, "needs share_range"),
        (survival(0.98, "none") | {"share_range": (0.1, 0.5)}, "must lie in share_range"),
        (survival(0.98, "claimed") | {"evidence": "modelled"}, r"that of a \[strike\] law"),
    ],
)
def test_a_share_without_what_its_grade_promises_is_refused(turbine_class, stated, message):
    with pytest.raises(ValidationError, match=message):
        turbine_class(survival=stated)


def test_a_class_that_states_survival_behind_a_screen_is_told_where_screens_are(turbine_class):
    with pytest.raises(ValidationError, match=r"fish\.screens"):
        turbine_class(survival_screened=survival(0.99))


# What a class says of its figures, and whether it has the figure at all.
def sources_said(turbine):
    said = {
        name: text for name, text in turbine.sources.model_dump().items() if getattr(turbine, name, 1) is not None
    }
    said |= {"cost": turbine.cost.source}
    for name in ("survival", "strike", "sizes"):
        if getattr(turbine, name, None) is not None:
            said[name] = getattr(turbine, name).source
    return said


def test_each_generic_class_says_where_its_figures_come_from(generic_turbines, generic_rotors):
    for turbine in (*generic_turbines, *generic_rotors):
        for figure, text in sources_said(turbine).items():
            # A named work, or the plain word that there is none or that it was not read again.
            assert SAYS_WHENCE.search(text), (turbine.name, figure, text)


def test_each_generic_class_has_gear_and_generator_apart(generic_turbines, generic_rotors):
    for turbine in (*generic_turbines, *generic_rotors):
        assert 0.9 <= turbine.generator_efficiency < 1
        assert 0.9 <= turbine.gear_efficiency <= 1


@pytest.mark.parametrize("figure", ["gear_efficiency", "power_max_kw", "min_depth_m", "min_width_m"])
def test_a_figure_that_may_be_left_out_needs_a_source_where_it_is_given(turbine_class, figure):
    with pytest.raises(ValidationError, match=f"sources must state the source of {figure}"):
        turbine_class(**{figure: 0.9})


def test_a_vortex_needs_more_civil_works_than_a_rotor_in_a_plain_channel(generic_turbines):
    factor = {turbine.name: turbine.civil_factor for turbine in generic_turbines}

    # Common practice, no source: the vortex turns in a built basin, the bladeless rotor in a plain channel.
    assert factor["gravitation water vortex"] > 1.0 > factor["bladeless rotor turbine"]
