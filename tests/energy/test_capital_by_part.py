"""Capital of plants as the table of parts has it: each by its definition, their sum what the search found."""

import capital_by_part
import numpy as np
import pandas as pd
import pytest

from sitefinder.catalogue.costs import CostFile
from sitefinder.energy.blade_strike import numbers_of_class, runner_numbers, strikes, von_raben_strikes
from sitefinder.energy.capital import CAPITAL_PARTS, capital_parts
from sitefinder.energy.costs import needs_fish_pass, place_costs, screen_cost, water_fee_per_year
from sitefinder.energy.valuation import value_stretches
from sitefinder.energy.works import canal_section
from sitefinder.io.catalogue_files import read_costs

BINS = 100
# One mean flow at the intake of each row, none of them 1 m³/s, where every power of it is alike.
CURVE = np.linspace(8.0, 0.2, BINS) * np.array([[1.0], [0.4], [2.5]])


def stretch(scheme_type, intake, **changes):
    row = {
        "intake": intake,
        "scheme_type": scheme_type,
        "head_m": 6.0,
        "conduit_length_m": 0.0,
        "pond_length_m": 0.0,
        "weir_height_m": 0.0,
        "has_fish_pass": False,
        "road_distance_m": 120.0,
        "line_distance_m": 300.0,
        "settlement_distance_m": np.nan,
        "intake_weir_m": 0.0,
        "intake_drop_m": 0.0,
    }
    return row | changes


STRETCHES = pd.DataFrame(
    [
        stretch("at_barrier", 0, head_m=2.5, has_fish_pass=True),
        stretch("new_weir", 1, head_m=3.0, weir_height_m=2.2, pond_length_m=150.0),
        stretch("diversion", 2, conduit_length_m=450.0, intake_weir_m=1.4),
        stretch("diversion", 0, head_m=12.0, conduit_length_m=30.0, intake_drop_m=0.8),
    ],
    index=[7, 3, 9, 5],
)
# Horizontal to vertical, of a cut above the canal (common practice, no source).
SIDE_SLOPE = 1.0
# What was found of the ground on the way of each conduit; NaN where there is none.
GROUND = pd.DataFrame(
    {
        "headrace_length_m": [np.nan, np.nan, 450.0, 300.0],
        "canal_length_m": [np.nan, np.nan, 320.0, 0.6],
        "penstock_length_m": [np.nan, np.nan, 70.0, 300.0],
        "bench_m": [np.nan, np.nan, 65.0, 20.0],
        "cut_m2": [np.nan, np.nan, 90.0, 0.0],
        "cut_m3": [np.nan, np.nan, 40.0, 0.0],
        "aqueduct_length_m": [np.nan, np.nan, 25.0, 12.0],
        "tunnel_length_m": [np.nan, np.nan, 35.0, 0.0],
        "crossings": [np.nan, np.nan, 2.0, 0.0],
        "road_crossings": [np.nan, np.nan, 1.0, 3.0],
        "building_crossings": [np.nan, np.nan, 0.0, 1.0],
    },
    index=STRETCHES.index,
)


# Plants of these sizes; none is that which a search would choose.
def plants(stretches):
    return stretches.assign(
        turbine=[0, 1, 2, 2], units=[1, 2, 1, 3], flow_design_m3s=[3.0, 1.7, 5.5, 0.6],
        power_kw=[55.0, 35.0, 260.0, 50.0], screened=[False, True, True, False],
    )  # fmt: skip


@pytest.mark.parametrize("conduit", ["canal", "pipe"])
@pytest.mark.parametrize("file", ["generic", "hall-2003"])
def test_each_part_is_what_its_definition_says(
    conduit, file, repository, generic_turbines, generic_costs, settings
):
    costs = read_costs(repository / "config" / "costs" / f"{file}.toml").model_copy(
        update={"screen": generic_costs.screen}
    )
    settings = settings.model_copy(update={"energy": settings.energy.model_copy(update={"conduit": conduit})})
    chosen = plants(STRETCHES)
    plant = [chosen[name] for name in ("turbine", "units", "flow_design_m3s", "power_kw", "screened")]
    flow_mean = CURVE[chosen["intake"]].mean(axis=1)

    parts = capital_parts(chosen, flow_mean, generic_turbines, costs, settings)

    plain = capital_by_part.capital_parts(STRETCHES, CURVE, *plant, generic_turbines, costs, settings)
    assert tuple(parts) == CAPITAL_PARTS
    assert parts.index.tolist() == STRETCHES.index.tolist()
    for name in CAPITAL_PARTS:
        expected = plain[name] if name in plain else np.zeros(len(chosen))
        assert parts[name].to_numpy() == pytest.approx(np.asarray(expected), rel=1e-8), name


def test_the_ground_on_the_way_adds_earthworks_and_crossings_by_the_width_of_the_canal(
    generic_turbines, generic_costs, settings
):
    chosen = plants(pd.concat([STRETCHES, GROUND], axis=1))

    parts = capital_parts(chosen, CURVE[chosen["intake"]].mean(axis=1), generic_turbines, generic_costs, settings)

    # The shortest of canals has a forebay and a spillway.
    forebay = parts["forebay"].to_numpy()
    assert forebay[2:] / [5.5, 0.6] == pytest.approx([forebay[2] / 5.5] * 2)
    assert [(parts[name] > 0).tolist() for name in ("forebay", "spillway")] == [[False, False, True, True]] * 2
    # A half hexagon's water is 2 sides wide of 3 wetted; the width grows with flow^(3/8), areas with flow^(3/4).
    energy, ground = settings.energy, getattr(generic_costs.canal, f"{settings.costs.ground}_per_m3")
    section = canal_section(1.0, energy.canal_slope, generic_costs.canal.manning_n)
    width_m = 2.0 / 3.0 * section.perimeter_m * np.array([5.5, 0.6]) ** 0.375
    crossings = generic_costs.crossings
    bench, across, cubes = np.array([65.0, 20.0]), np.array([90.0, 0.0]), np.array([40.0, 0.0])
    expected = ground * (width_m**2 / 2 * bench + width_m * across + SIDE_SLOPE * cubes)
    assert parts["earthworks"].tolist() == pytest.approx([0.0, 0.0, *expected])
    over = crossings.aqueduct_per_m * np.array([5.5, 0.6]) ** 0.375 * [25.0, 12.0]
    fixed = [
        35.0 * crossings.tunnel_per_m + 2 * crossings.per_stream + crossings.per_road,
        3 * crossings.per_road + crossings.per_building,
    ]
    assert parts["crossings"].tolist() == pytest.approx([0.0, 0.0, *(over + fixed)])


@pytest.mark.parametrize("has_ground", [False, True])
def test_the_parts_add_up_to_the_capital_that_the_search_found(
    has_ground, generic_turbines, generic_costs, settings
):
    stretches = pd.concat([STRETCHES, GROUND], axis=1) if has_ground else STRETCHES

    values = value_stretches(stretches, CURVE, 0.1 * CURVE, generic_turbines, generic_costs, settings)

    own = {name: values[f"any_{name}"] for name in ("turbine", "units", "flow_design_m3s", "power_kw")}
    chosen = stretches.assign(**own, screened=False)
    assert (chosen["turbine"] >= 0).all()
    parts = capital_parts(chosen, CURVE[chosen["intake"]].mean(axis=1), generic_turbines, generic_costs, settings)
    assert parts.sum(axis=1).tolist() == pytest.approx(values["any_capital_cost"].tolist(), rel=1e-9)


def test_a_weir_at_an_intake_costs_as_its_height_does_to_the_power_of_new_weirs_with_a_gate(generic_costs):
    rows = [
        stretch("diversion", 0, intake_weir_m=height, conduit_length_m=100.0, has_fish_pass=False)
        for height in (0.0, 1.0, 2.0)
    ]

    parts = place_costs(pd.DataFrame(rows), np.full(3, 4.0), generic_costs)

    weir = generic_costs.weir
    wide_m = weir.stream_width_m * 4.0**weir.width_exponent
    assert weir.height_exponent not in (0.0, 1.0)
    assert parts["intake_weir"].tolist() == pytest.approx(
        [
            0.0,
            weir.per_m_width * wide_m + weir.flushing_gate_per_m,
            weir.per_m_width * wide_m * 2.0**weir.height_exponent + 2.0 * weir.flushing_gate_per_m,
        ]
    )
    land = generic_costs.land
    assert parts["land"].tolist() == pytest.approx(
        [land.per_m2 * (land.plant_area_m2 + land.corridor_width_m * 100.0)] * 3
    )
    assert parts["weir"].tolist() == [0.0] * 3


def test_fish_climb_a_new_weir_and_without_one_the_head_of_the_stretch(generic_costs):
    rows = [stretch("new_weir", 0, head_m=3.0, weir_height_m=height) for height in (2.0, 0.8, 0.0)]

    parts = place_costs(pd.DataFrame(rows), np.full(3, 4.0), generic_costs)

    per_m = generic_costs.fish_pass.per_m_head
    assert parts["fish_pass"].tolist() == pytest.approx([2.0 * per_m, 0.8 * per_m, 3.0 * per_m])


def test_a_stream_of_less_than_a_cubic_metre_a_second_is_narrower_and_one_without_water_needs_no_weir(
    generic_costs,
):
    rows = pd.DataFrame([stretch("new_weir", 0, weir_height_m=2.0)] * 3)

    weir = place_costs(rows, np.array([1.0, 0.25, 0.0]), generic_costs)["weir"]

    assert (weir / weir[0]).tolist() == pytest.approx([1.0, 0.25**generic_costs.weir.width_exponent, 0.0])


def test_a_low_weir_at_an_intake_needs_a_fish_pass_as_a_high_one_does(generic_costs):
    rows = [stretch("diversion", 0, intake_weir_m=height) for height in (0.0, 0.7, 1.4)]

    assert needs_fish_pass(pd.DataFrame(rows), generic_costs).tolist() == [False, True, True]


def test_a_screen_costs_by_its_area_times_its_own_factor(generic_costs):
    screen, prices = generic_costs.screen.design, generic_costs.screen
    dear = screen.model_copy(update={"cost_factor": 3.0})

    cost = screen_cost(
        generic_costs.model_copy(update={"screen": prices.model_copy(update={"design": dear})}), 2.0
    )

    assert cost == pytest.approx(prices.bypass_fixed + 3.0 * prices.per_m2 * screen.area_m2(2.0))


def test_a_water_fee_by_power_alone_needs_no_more_than_the_power(generic_costs):
    operation = generic_costs.operation.model_dump() | {"water_fee": {"per_kw": 0.5, "source": "an example"}}
    costs = CostFile.model_validate(generic_costs.model_dump() | {"operation": operation})

    assert water_fee_per_year(costs.operation.water_fee, 100.0) == pytest.approx(50.0)
    assert water_fee_per_year(None, 100.0) == 0.0


def test_the_numbers_of_a_runner_of_known_speed_are_those_of_its_class(generic_turbines):
    # The same numbers by flow, diameter and speed of any size of the class, by their definitions.
    for turbine in (each for each in generic_turbines if each.strike is not None):
        by_law = numbers_of_class(turbine, 4.0)
        for flow in (0.3, 7.0):
            diameter = turbine.runner.diameter_factor * flow**0.5
            energy = 9.80665 * 4.0
            specific = turbine.setting.speed_factor * 4.0**turbine.setting.speed_exponent
            omega = 2 * np.pi * specific * energy**0.75 / flow**0.5

            found = runner_numbers(flow, 4.0, diameter, omega)

            assert found.energy == pytest.approx(energy / (omega * diameter) ** 2, rel=1e-12)
            assert found.discharge == pytest.approx(flow / (omega * diameter**3), rel=1e-12)
            assert tuple(by_law) == pytest.approx(tuple(found), rel=1e-12)


def test_half_the_water_is_struck_by_the_form_of_the_notes_and_von_rabens_axial_runner_by_hand(generic_turbines):
    for turbine in (each for each in generic_turbines if each.strike is not None):
        law, numbers, efficiency = turbine.strike, numbers_of_class(turbine, 3.0), 0.8
        is_axial = law.form == "axial"
        r = law.radius_ratio if is_axial else 2.0 * law.inlet_width_share
        for relative in (0.5, 1.0):
            # Franke's tangent by the flow that passes, and its bracket; both forms written out.
            own = relative * numbers.discharge
            if is_axial:
                angle = np.arctan(np.pi * numbers.energy * efficiency / (2.0 * own * r))
                bracket = np.cos(angle) / (8.0 * own) + np.sin(angle) / (np.pi * r)
            else:
                angle = np.arctan(own / (np.pi * numbers.energy * efficiency * r))
                bracket = np.sin(angle) * r / 2.0 / (2.0 * own) + np.cos(angle) / np.pi
            found = strikes(law, numbers, efficiency, relative)
            assert found == pytest.approx(law.blades * bracket, rel=1e-9)
            raben = von_raben_strikes(law, numbers, efficiency, relative)
            if is_axial:
                # Blades that pass while the fish's axial length does: N · L cos / (8 Q), the hub's area taken off.
                own = own / (1.0 - law.hub_ratio**2)
                angle = np.arctan(np.pi * numbers.energy * efficiency / (2.0 * own * r))
                assert raben == pytest.approx(law.blades * np.cos(angle) / (8.0 * own), rel=1e-9)
            else:
                assert np.isnan(raben)
