"""Canals and pipes: losses by hand, throttling against closed form and brute force, and what must hold always."""

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import settings as trials
from hypothesis import strategies as st
from numpy.polynomial import Polynomial
from one_plant import plant_output

from sitefinder.energy.hydraulics import net_head_m, pipe_diameter_m, pipe_loss_m, waterway, waterway_lengths_m
from sitefinder.energy.plant import yearly_energy_mwh
from sitefinder.energy.turbines import efficiency_table, turbine_table
from sitefinder.energy.valuation import value_stretches
from sitefinder.settings import EnergySettings

EVERY_FLOW_WHOLE = np.ones(101)
RHO_G = 9.80665  # kW of 1 m³/s and 1 m
STEADY = trials(deadline=None, derandomize=True)


def pipe(**changes):
    return EnergySettings(turbines=["m.toml"], conduit="pipe", **changes)


def test_the_velocity_gives_the_diameter():
    # π/4 m³/s through a pipe of 1 m flow at 1 m/s.
    assert pipe_diameter_m(np.pi / 4, 1.0) == pytest.approx(1.0, rel=1e-15)
    assert pipe_diameter_m(np.pi, 1.0) == pytest.approx(2.0, rel=1e-15)


def test_manning_by_hand():
    way = waterway(pipe(pipe_friction="manning", pipe_manning_n=0.01, pipe_velocity_m_s=1.0, pipe_form_loss=0.0))

    # D = 1 m, R = 0.25 m; v = R^(2/3) S^(1/2) / n, so S = (0.01 / 0.25^(2/3))² = 0.000634960, and 100 m lose
    loss = pipe_loss_m(np.pi / 4, 100.0, way)

    assert loss == pytest.approx(0.0634960, abs=0.5e-7)


def test_darcy_and_weisbach_by_hand():
    way = waterway(
        pipe(pipe_velocity_m_s=2.0, pipe_roughness_mm=1.0, pipe_form_loss=1.5, water_temperature_degc=20)
    )

    loss = pipe_loss_m(np.pi / 2, 200.0, way)

    # D = 1 m, Re = 2 / 1.0035e-6 = 1.993e6, Re^0.9 = 466 900; 0.001/3.7 + 5.74/466 900 = 2.8256e-4, whose
    # logarithm is -3.54889, so f = 0.25 / 12.5946 = 0.019850; (0.019850 · 200 / 1 + 1.5) · 2² / (2 · 9.80665)
    assert loss == pytest.approx(1.1156, abs=0.0001)


@pytest.mark.parametrize("friction", ["darcy_weisbach", "manning"])
def test_longer_and_faster_pipes_lose_more_and_larger_flows_less(friction):
    slow, fast = (waterway(pipe(pipe_friction=friction, pipe_velocity_m_s=speed)) for speed in (1.0, 2.0))

    assert 0 < pipe_loss_m(1.0, 100.0, slow) < pipe_loss_m(1.0, 200.0, slow)
    assert pipe_loss_m(1.0, 100.0, slow) < pipe_loss_m(1.0, 100.0, fast)
    assert pipe_loss_m(1.0, 100.0, slow) > pipe_loss_m(2.0, 100.0, slow)
    assert pipe_loss_m(1.0, 0.0, slow) == 0.0


def test_a_canal_loses_its_fall_and_a_pipe_does_not():
    canal = EnergySettings(turbines=["m.toml"], canal_slope=0.001)

    assert net_head_m(3.0, 500.0, canal) == pytest.approx(2.3)
    assert net_head_m(3.0, 500.0, pipe(canal_slope=0.001)) == pytest.approx(2.8)
    # The penstock below a canal loses by friction, as a pipe of its length does.
    assert pipe_loss_m(1.0, 50.0, waterway(canal)) == pipe_loss_m(1.0, 50.0, waterway(pipe())) > 0.0


def test_slope_is_charged_over_the_canal_and_friction_over_the_penstock():
    canal, piped = EnergySettings(turbines=["m.toml"], canal_slope=0.001), pipe()
    conduits = pd.DataFrame(
        {"conduit_length_m": [550.0, 0.0], "headrace_length_m": [500.0, 0.0], "penstock_length_m": [50.0, 0.0]}
    )

    headrace_m, pipe_m = waterway_lengths_m(conduits, canal)
    assert (headrace_m.tolist(), pipe_m.tolist()) == ([500.0, 0.0], [50.0, 0.0])
    headrace_m, pipe_m = waterway_lengths_m(conduits, piped)
    assert (headrace_m.tolist(), pipe_m.tolist()) == ([0.0, 0.0], [550.0, 0.0])
    # Without its parts all is headrace.
    headrace_m, pipe_m = waterway_lengths_m(conduits[["conduit_length_m"]], canal)
    assert (headrace_m.tolist(), pipe_m.tolist()) == ([550.0, 0.0], [0.0, 0.0])


def test_the_loss_goes_with_the_square_of_the_flow():
    power = [
        plant_output([flow], 0.0, 5.0, 4.0, EVERY_FLOW_WHOLE, pipe_loss_design_m=0.8).power_mean_kw
        for flow in (1.0, 2.0, 4.0, 9.0)
    ]

    # 0.8 m at 4 m³/s are 0.2 m at 2 and 0.05 m at 1 m³/s; above the design flow nothing changes.
    assert power == pytest.approx([RHO_G * 1 * 4.95, RHO_G * 2 * 4.8, RHO_G * 4 * 4.2, RHO_G * 4 * 4.2])


def test_a_plant_behind_a_long_pipe_is_throttled_to_its_best_flow():
    # P = Q (H - k Q²) is greatest at Q = √(H / 3k): with H = 3 and k = 3/16 at 2.3094 m³/s.
    output = plant_output([4.0], 0.0, 3.0, 4.0, EVERY_FLOW_WHOLE, pipe_loss_design_m=3.0)

    assert output.flow_used_m3s == pytest.approx(np.sqrt(3.0 / (3 * 3 / 16)), rel=1e-9)
    assert output.power_mean_kw == pytest.approx(RHO_G * 2.309401 * 2.0, rel=1e-6)


def test_from_the_stated_head_on_no_turbine_is_ever_throttled(generic_turbines):
    table = turbine_table(generic_turbines)
    for efficiency, lowest, ratio in zip(
        table.efficiency, table.lowest_relative_flow, table.open_from, strict=True
    ):
        relative = np.linspace(lowest, 1.0, 20_001)
        power = relative * np.interp(relative, np.arange(101) / 100, efficiency)

        assert ratio >= 3.0
        assert (np.diff(power * (ratio - relative**2)) > 0).all()
        # It is the least such ratio, or the 3 that several units need.
        if ratio > 3.0:
            assert (np.diff(power * (0.99 * ratio - relative**2)) < 0).any()
    assert (table.open_from > 3.0).sum() > 5


# Losses from a millimetre up, so that the brute force finds the roots of its polynomials.
@trials(STEADY, max_examples=25)
@given(
    flow=st.floats(0.01, 5.0),
    head=st.floats(0.1, 5.0),
    loss=st.just(0.0) | st.floats(0.001, 8.0),
    units=st.integers(1, 3),
    lowest=st.floats(0.0, 0.8),
)
def test_throttling_finds_the_best_flow_of_all(flow, head, loss, units, lowest, generic_turbines_tables):
    # Brute force: the stationary points of Q · eta · (H - k Q²) in each piece of the curve, which is a polynomial
    # there, and the ends of the pieces.
    for efficiency in generic_turbines_tables[:4]:
        best = 0.0
        for running in range(1, units + 1):
            full = 3.0 * running / units
            maximum = min(flow / full, 1.0)
            edges = np.unique(np.append(np.arange(101) / 100, [lowest, maximum]))
            edges = edges[(edges >= lowest) & (edges <= maximum)]
            points = list(edges)
            rest = Polynomial([head, 0.0, -loss * (running / units) ** 2])
            for left, right in itertools.pairwise(edges):
                slope = np.diff(np.interp([left, right], np.arange(101) / 100, efficiency))[0] / (right - left)
                base = np.interp(left, np.arange(101) / 100, efficiency) - slope * left
                roots = (Polynomial([0.0, base, slope]) * rest).deriv().roots()
                points += [root.real for root in roots if abs(root.imag) < 1e-12 and left < root.real < right]
            values = [full * x * np.interp(x, np.arange(101) / 100, efficiency) * rest(x) for x in points]
            best = max([best, *values])

        found = plant_output([flow], 0.0, head, 3.0, efficiency, lowest, units, pipe_loss_design_m=loss)

        assert found.power_mean_kw == pytest.approx(RHO_G * best, rel=1e-9, abs=1e-9)


FLOWS = st.lists(st.floats(0.0, 20.0), min_size=1, max_size=8)


@STEADY
@given(
    flow=FLOWS,
    environmental=st.floats(0.0, 5.0),
    more=st.floats(0.0, 5.0),
    head=st.floats(0.0, 8.0),
    higher=st.floats(0.0, 5.0),
    loss=st.floats(0.0, 6.0),
    units=st.integers(1, 4),
    lowest=st.floats(0.0, 0.9),
)
def test_behind_a_pipe_more_environmental_flow_never_raises_and_more_head_never_lowers_energy(
    flow, environmental, more, head, higher, loss, units, lowest, generic_turbines_tables
):
    for efficiency in generic_turbines_tables:
        plant = (3.0, efficiency, lowest, units)
        as_it_is = plant_output(flow, environmental, head, *plant, pipe_loss_design_m=loss).power_mean_kw
        kept_more = plant_output(flow, environmental + more, head, *plant, pipe_loss_design_m=loss).power_mean_kw
        raised = plant_output(flow, environmental, head + higher, *plant, pipe_loss_design_m=loss).power_mean_kw

        assert kept_more <= as_it_is * (1 + 1e-12) + 1e-12
        assert raised >= as_it_is * (1 - 1e-12)
        # The water of a year has no more than rho g Q H.
        assert yearly_energy_mwh(as_it_is, 1.0) <= 8.76 * RHO_G * np.mean(flow) * head * (1 + 1e-12)


BINS = 200
CURVE = 3.0 * np.exp(0.9 * np.linspace(2.5, -2.5, BINS))[None, :]


def diversion(length_m, head_m=4.0):
    row = {
        "intake": 0,
        "scheme_type": "diversion",
        "head_m": head_m,
        "conduit_length_m": length_m,
        "pond_length_m": 0.0,
    }
    row |= {"weir_height_m": 0.0, "has_fish_pass": False, "road_distance_m": 100.0, "line_distance_m": 100.0}
    return row | {"settlement_distance_m": np.nan}


def with_energy(settings, **changes):
    return settings.model_copy(update={"energy": settings.energy.model_copy(update=changes)})


@pytest.mark.parametrize("friction", ["darcy_weisbach", "manning"])
def test_a_stretch_with_a_pipe_against_the_plain_functions(friction, turbine_class, generic_costs, settings):
    only = {"design_exceedance_percent": [30.0]}
    settings = with_energy(settings, conduit="pipe", pipe_friction=friction, gravity_latitude_deg=60.0, **only)
    turbine = turbine_class(flow_range_m3s=(0.1, 50.0), units_max=1, lowest_relative_flow=0.2)

    values = value_stretches(
        pd.DataFrame([diversion(300.0)]), CURVE, 0 * CURVE, [turbine], generic_costs, settings
    ).iloc[0]

    flow = np.interp(0.30, (np.arange(BINS) + 0.5) / BINS, CURVE[0])
    loss = pipe_loss_m(flow, 300.0, waterway(settings.energy))
    gravity = 9.819169  # at 60°, of WGS 84
    output = plant_output(
        CURVE[0], 0.0, 3.8, flow, efficiency_table(turbine), 0.2, 1, pipe_loss_design_m=loss, kw_per_m3s_m=gravity
    )
    assert 0.1 < loss < 1.0
    assert values["any_flow_design_m3s"] == pytest.approx(flow)
    assert values["any_power_kw"] == pytest.approx(gravity * flow * (3.8 - loss) * 0.72, rel=1e-6)
    assert values["any_energy_mwh"] == pytest.approx(yearly_energy_mwh(output.power_mean_kw, 0.95), rel=1e-6)
    assert values["any_firm_power_kw"] == pytest.approx(output.firm_power_kw, rel=1e-6)


@pytest.mark.parametrize("conduit", ["canal", "pipe"])
def test_a_short_cut_across_the_neck_of_a_meander_has_a_higher_value(
    conduit, turbine_class, generic_costs, settings
):
    # One design flow, so that both plants are of the same size.
    settings = with_energy(settings, conduit=conduit, design_exceedance_percent=[30.0], design_step_percent=100.0)
    turbine = turbine_class(flow_range_m3s=(0.1, 50.0))

    # One fall and one length of stream; the neck is a tenth as wide.
    rows = pd.DataFrame([diversion(1000.0), diversion(100.0)], index=["straight", "meander"])
    values = value_stretches(rows, CURVE, 0 * CURVE, [turbine], generic_costs, settings)

    better = values.loc["meander"], values.loc["straight"]
    assert better[0]["any_energy_mwh"] > better[1]["any_energy_mwh"]
    assert better[0]["any_capital_cost"] < better[1]["any_capital_cost"]
    assert better[0]["any_net_annual_value"] > better[1]["any_net_annual_value"]
