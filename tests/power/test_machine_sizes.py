"""Sizes of one class by similarity, the streams that a class needs, and what civil works it asks for."""

import numpy as np
import pandas as pd
import pytest
from pydantic import ValidationError

from sitefinder.config import FishSettings
from sitefinder.power.energy import hydraulic_power_kw
from sitefinder.power.machine_sizes import family
from sitefinder.power.machines import fits_stream, machine_table
from sitefinder.power.valuation import capital_parts, machine_options, value_stretches


def sizes(**changes):
    return {"reference_diameter_m": 1.0, "diameters_m": [1.0, 0.5, 2.0], "source": "an example"} | changes


def test_similar_machines_take_flow_and_give_power_by_the_square_of_the_diameter(machine_class):
    stated = machine_class(
        power_most_kw=20.0,
        least_width_m=1.5,
        sizes=sizes(),
        sources=machine_class().sources.model_dump() | {"power_most_kw": "invented", "least_width_m": "invented"},
    )

    reference, half, double = family(stated)

    assert [each.name for each in (reference, half, double)] == [
        "plain machine",
        "plain machine, 0.5 m",
        "plain machine, 2 m",
    ]
    assert half.flow_range_m3s == (0.025, 1.25)
    assert (half.power_most_kw, double.power_most_kw) == (5.0, 80.0)
    assert (half.least_width_m, double.least_width_m) == (0.75, 3.0)
    # At one head and full flow the power of falling water grows just as the power that the size states.
    most = [hydraulic_power_kw(each.flow_range_m3s[1], 3.0, 0.72) for each in (half, reference, double)]
    assert most[1] / most[0] == pytest.approx(reference.power_most_kw / half.power_most_kw)
    assert most[2] / most[1] == pytest.approx(double.power_most_kw / reference.power_most_kw)


def test_a_class_without_sizes_and_the_reference_size_are_themselves(machine_class):
    plain = machine_class()

    assert family(plain) == [plain]
    assert family(machine_class(sizes=sizes(diameters_m=[1.0]))) == [plain]


def test_other_exponents_and_losses_that_grow_in_small_machines(machine_class):
    stated = machine_class(
        efficiency=((0.0, 0.93), (1.0, 0.93)),
        sizes=sizes(reference_diameter_m=3.0, diameters_m=[0.3], flow_exponent=2.5, loss_exponent=0.2),
    )

    (small,) = family(stated)

    assert small.flow_range_m3s[1] == pytest.approx(5.0 * 0.1**2.5)
    # Moody's step (from memory: losses as the 0.2th power of the diameter, for propellers) takes 0.93 at 3 m to
    # 0.89 at 0.3 m: large classic machines reach about 0.90, small ones less (common practice, no source).
    assert small.peak_efficiency == pytest.approx(1 - 0.07 * 10**0.2)
    assert 0.88 < small.peak_efficiency < 0.90


def test_the_bladeless_rotor_comes_in_two_sizes_of_five_kilowatts_and_a_quarter_of_that(generic_machines):
    bodies = [machine for machine in generic_machines if machine.name.startswith("bladeless rotor")]

    # Common practice, no source; the smaller size has half the diameter.
    assert [machine.power_most_kw for machine in bodies] == [5.0, 1.25]
    assert all(machine.peak_efficiency <= 0.55 for machine in bodies)


def test_sizes_say_where_they_come_from_and_each_stands_once(machine_class):
    with pytest.raises(ValidationError, match="each diameter must stand once"):
        machine_class(sizes=sizes(diameters_m=[0.5, 0.5]))
    with pytest.raises(ValidationError, match=r"sizes\.source"):
        machine_class(sizes=sizes(source=""))


def test_rotors_of_other_sizes_sweep_the_square_of_their_diameter(generic_rotors):
    large, small = generic_rotors

    assert large.diameter_m == 2 * small.diameter_m
    assert large.swept_area_m2 == pytest.approx(4 * small.swept_area_m2)
    assert large.least_depth_m == 2 * small.least_depth_m


def stretch(**changes):
    row = {
        "intake": 0,
        "layout": "at_barrier",
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
def wheel(machine_class):
    """A class that must stand in 0.3 m of water, 2 m wide."""
    said = machine_class().sources.model_dump() | {"least_depth_m": "invented", "least_width_m": "invented"}
    return machine_class(least_depth_m=0.3, least_width_m=2.0, sources=said)


PLACES = pd.DataFrame(
    [
        stretch(),
        stretch(stream_depth_m=0.29),
        stretch(stream_width_m=1.99),
        stretch(stream_depth_m=0.29, layout="diversion"),
        stretch(stream_depth_m=np.nan, stream_width_m=np.nan),
        stretch(stream_depth_m=0.3, stream_width_m=2.0, layout="new_weir"),
    ]
)


def test_a_machine_that_stands_in_the_stream_needs_its_depth_and_width_and_a_canal_is_dug(wheel, machine_class):
    table = machine_table([wheel, machine_class(name="other")], FishSettings())

    fits = fits_stream(table, PLACES)

    assert fits[:, 0].tolist() == [True, False, False, True, True, True]
    assert fits[:, 1].all()
    assert fits_stream(table, PLACES.drop(columns=["stream_width_m", "stream_depth_m"])).all()


def test_where_the_stream_is_too_small_for_any_machine_the_valuation_says_so(wheel, generic_costs, settings):
    curve = np.full((1, 20), 1.0)

    values = value_stretches(PLACES, curve, 0 * curve, [wheel], generic_costs, settings)

    barred = [False, True, True, False, False, False]
    assert values["any_stream_too_small"].tolist() == barred
    assert values["safe_stream_too_small"].tolist() == barred
    assert (values["any_machine"] == -1).tolist() == barred
    options = machine_options(PLACES, curve, 0 * curve, [wheel], generic_costs, settings)
    assert sorted(set(options["stretch"])) == [0, 3, 4, 5]


def test_a_place_that_no_size_of_stream_would_help_is_not_called_too_small(wheel, generic_costs, settings):
    curve = np.full((1, 20), 1.0)
    too_high = pd.DataFrame([stretch(head_m=30.0, stream_depth_m=0.1)])

    values = value_stretches(too_high, curve, 0 * curve, [wheel], generic_costs, settings)

    assert values["any_machine"].tolist() == [-1]
    assert not values["any_stream_too_small"].any()


def test_another_machine_takes_the_place_of_one_that_the_stream_is_too_small_for(
    wheel, machine_class, generic_costs, settings
):
    curve = np.full((1, 20), 1.0)
    machines = [wheel, machine_class(name="poorer", efficiency=((0.0, 0.5), (1.0, 0.5)))]

    values = value_stretches(PLACES, curve, 0 * curve, machines, generic_costs, settings)

    assert values["any_machine"].tolist() == [0, 1, 1, 0, 0, 0]
    assert not values["any_stream_too_small"].any()


def test_a_vortex_pays_for_a_basin_and_a_bladeless_rotor_does_not(generic_machines, generic_costs, settings):
    # Common practice, no source: the one turns in a built basin, the other in a plain channel.
    names = [machine.name for machine in generic_machines]
    plants = [names.index("gravitation water vortex"), names.index("bladeless rotor turbine")]
    places = pd.DataFrame([stretch(head_m=2.0), stretch(head_m=2.0)])
    size = ([1, 1], [0.5, 0.5], [4.0, 4.0], [False, False])

    parts = capital_parts(places, np.full((1, 20), 1.0), plants, *size, generic_machines, generic_costs, settings)

    factors = [generic_machines[number].civil_factor for number in plants]
    assert parts["civil"].iloc[0] / parts["civil"].iloc[1] == pytest.approx(factors[0] / factors[1])
    assert parts["civil"].iloc[0] > 2 * parts["civil"].iloc[1]
