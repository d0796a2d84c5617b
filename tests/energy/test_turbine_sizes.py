"""Sizes of one class by similarity, the streams that a class needs, and what civil works it asks for."""

import numpy as np
import pandas as pd
import pytest
from pydantic import ValidationError

from sitefinder.catalogue.turbines import family
from sitefinder.energy.plant import hydraulic_power_kw
from sitefinder.energy.turbines import fits_stream, turbine_table
from sitefinder.energy.valuation import turbine_options, value_stretches


def sizes(**changes):
    return {"reference_diameter_m": 1.0, "diameters_m": [1.0, 0.5, 2.0], "source": "an example"} | changes


def test_similar_turbines_take_flow_and_give_power_by_the_square_of_the_diameter(turbine_class):
    stated = turbine_class(
        power_max_kw=20.0,
        min_width_m=1.5,
        sizes=sizes(),
        sources=turbine_class().sources.model_dump() | {"power_max_kw": "invented", "min_width_m": "invented"},
    )

    reference, half, double = family(stated)

    assert [each.name for each in (reference, half, double)] == [
        "plain turbine",
        "plain turbine, 0.5 m",
        "plain turbine, 2 m",
    ]
    assert half.flow_range_m3s == (0.025, 1.25)
    assert (half.power_max_kw, double.power_max_kw) == (5.0, 80.0)
    assert (half.min_width_m, double.min_width_m) == (0.75, 3.0)
    # At one head and full flow the power of falling water grows just as the power that the size states.
    maximum = [hydraulic_power_kw(each.flow_range_m3s[1], 3.0, 0.72) for each in (half, reference, double)]
    assert maximum[1] / maximum[0] == pytest.approx(reference.power_max_kw / half.power_max_kw)
    assert maximum[2] / maximum[1] == pytest.approx(double.power_max_kw / reference.power_max_kw)


def test_a_class_without_sizes_and_the_reference_size_are_themselves(turbine_class):
    plain = turbine_class()

    assert family(plain) == [plain]
    assert family(turbine_class(sizes=sizes(diameters_m=[1.0]))) == [plain]


def test_other_exponents_and_losses_that_grow_in_small_turbines(turbine_class):
    stated = turbine_class(
        efficiency=((0.0, 0.93), (1.0, 0.93)),
        sizes=sizes(reference_diameter_m=3.0, diameters_m=[0.3], flow_exponent=2.5, loss_exponent=0.2),
    )

    (small,) = family(stated)

    assert small.flow_range_m3s[1] == pytest.approx(5.0 * 0.1**2.5)
    # Moody's step (from memory: losses as the 0.2th power of the diameter, for propellers) takes 0.93 at 3 m to
    # 0.89 at 0.3 m: large classic turbines reach about 0.90, small ones less (common practice, no source).
    assert small.peak_efficiency == pytest.approx(1 - 0.07 * 10**0.2)
    assert 0.88 < small.peak_efficiency < 0.90


def test_the_bladeless_rotor_comes_in_two_sizes_of_five_kilowatts_and_a_quarter_of_that(generic_turbines):
    bodies = [turbine for turbine in generic_turbines if turbine.name.startswith("bladeless rotor")]

    # Common practice, no source; the smaller size has half the diameter.
    assert [turbine.power_max_kw for turbine in bodies] == [5.0, 1.25]
    assert all(turbine.peak_efficiency <= 0.55 for turbine in bodies)


def test_sizes_say_where_they_come_from_and_each_comes_once(turbine_class):
    with pytest.raises(ValidationError, match="each diameter must be listed once"):
        turbine_class(sizes=sizes(diameters_m=[0.5, 0.5]))
    with pytest.raises(ValidationError, match=r"sizes\.source"):
        turbine_class(sizes=sizes(source=""))


def test_rotors_of_other_sizes_sweep_the_square_of_their_diameter(generic_rotors):
    large, small = generic_rotors

    assert large.diameter_m == 2 * small.diameter_m
    assert large.swept_area_m2 == pytest.approx(4 * small.swept_area_m2)
    assert large.min_depth_m == 2 * small.min_depth_m


def stretch(**changes):
    row = {
        "intake": 0,
        "scheme_type": "at_barrier",
        "head_m": 3.0,
        "conduit_length_m": 0.0,
        "pond_length_m": 0.0,
        "weir_height_m": 0.0,
        "has_fish_pass": True,
        "road_distance_m": 0.0,
        "line_distance_m": 0.0,
        "settlement_distance_m": 0.0,
        "stream_width_m": 10.0,
        "stream_depth_m": 1.0,
    }
    return row | changes


@pytest.fixture
def wheel(turbine_class):
    """A class that must stand in 0.3 m of water, 2 m wide."""
    said = turbine_class().sources.model_dump() | {"min_depth_m": "invented", "min_width_m": "invented"}
    return turbine_class(min_depth_m=0.3, min_width_m=2.0, sources=said)


PLACES = pd.DataFrame(
    [
        stretch(),
        stretch(stream_depth_m=0.29),
        stretch(stream_width_m=1.99),
        stretch(stream_depth_m=0.29, scheme_type="diversion"),
        stretch(stream_depth_m=np.nan, stream_width_m=np.nan),
        stretch(stream_depth_m=0.3, stream_width_m=2.0, scheme_type="new_weir"),
    ]
)


def test_a_turbine_in_the_stream_needs_its_depth_and_width_and_a_canal_is_dug(wheel, turbine_class):
    table = turbine_table([wheel, turbine_class(name="other")])

    fits = fits_stream(table, PLACES)

    assert fits[:, 0].tolist() == [True, False, False, True, True, True]
    assert fits[:, 1].all()
    assert fits_stream(table, PLACES.drop(columns=["stream_width_m", "stream_depth_m"])).all()


def test_where_the_stream_is_too_small_for_any_turbine_the_valuation_says_so(wheel, generic_costs, settings):
    curve = np.full((1, 20), 1.0)

    values = value_stretches(PLACES, curve, 0 * curve, [wheel], generic_costs, settings)

    barred = [False, True, True, False, False, False]
    assert values["any_stream_too_small"].tolist() == barred
    assert values["safe_stream_too_small"].tolist() == barred
    assert (values["any_turbine"] == -1).tolist() == barred
    options = turbine_options(PLACES, curve, 0 * curve, [wheel], generic_costs, settings)
    assert sorted(set(options["stretch"])) == [0, 3, 4, 5]


def test_a_place_that_no_size_of_stream_would_help_is_not_called_too_small(wheel, generic_costs, settings):
    curve = np.full((1, 20), 1.0)
    too_high = pd.DataFrame([stretch(head_m=30.0, stream_depth_m=0.1)])

    values = value_stretches(too_high, curve, 0 * curve, [wheel], generic_costs, settings)

    assert values["any_turbine"].tolist() == [-1]
    assert not values["any_stream_too_small"].any()


def test_another_turbine_takes_the_place_of_one_that_the_stream_is_too_small_for(
    wheel, turbine_class, generic_costs, settings
):
    curve = np.full((1, 20), 1.0)
    turbines = [wheel, turbine_class(name="poorer", efficiency=((0.0, 0.5), (1.0, 0.5)))]

    values = value_stretches(PLACES, curve, 0 * curve, turbines, generic_costs, settings)

    assert values["any_turbine"].tolist() == [0, 1, 1, 0, 0, 0]
    assert not values["any_stream_too_small"].any()


def test_a_vortex_pays_for_a_basin_and_a_bladeless_rotor_does_not(generic_turbines, generic_costs, settings):
    # Common practice, no source: the one turns in a built basin, the other in a plain channel.
    by_name = {turbine.name: turbine for turbine in generic_turbines}
    vortex, bladeless = by_name["gravitation water vortex"], by_name["bladeless rotor turbine"]
    place, curve = pd.DataFrame([stretch(head_m=2.0)]), np.full((1, 20), 0.5)
    without_civil = generic_costs.model_copy(
        update={"powerhouse": generic_costs.powerhouse.model_copy(update={"coefficient": 0.0})}
    )

    def civil_cost(turbine):
        options = [
            turbine_options(place, curve, 0 * curve, [turbine], costs, settings)
            for costs in (generic_costs, without_civil)
        ]
        flow, same_flow = (option["flow_design_m3s"].iloc[0] for option in options)
        assert flow == same_flow == pytest.approx(0.5)
        return options[0]["capital_cost"].iloc[0] - options[1]["capital_cost"].iloc[0]

    ratio = civil_cost(vortex) / civil_cost(bladeless)

    assert ratio == pytest.approx(vortex.civil_factor / bladeless.civil_factor)
    assert ratio > 2
