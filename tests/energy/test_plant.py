"""Power and energy against closed forms, worked before the code was."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as trials
from hypothesis import strategies as st
from one_plant import plant_output
from scipy.optimize import brentq
from scipy.stats import norm

from sitefinder.energy.hydraulics import net_head_m
from sitefinder.energy.plant import hydraulic_power_kw, yearly_energy_mwh
from sitefinder.settings import EnergySettings
from sitefinder.units import HOURS_PER_YEAR

EVERY_FLOW_WHOLE = np.ones(101)
RHO_G = 9.80665  # kW of 1 m³/s and 1 m


# Midpoints of equal shares of time.
def exceedance(bins):
    return (np.arange(bins) + 0.5) / bins


# Q = 10 (1 - p). With 1000 bins every kink of these tests lies on an edge, so a plain mean is exact.
STRAIGHT_LINE = 10.0 * (1.0 - exceedance(1000))


@pytest.mark.parametrize(
    ("lowest_relative_flow", "shut_down_m3s", "mean_flow_m3s"),
    [(0.0, np.inf, 2.800), (0.3, np.inf, 2.728), (0.0, 9.0, 2.400), (0.3, 9.0, 2.328)],
)
def test_order_of_operations_gives_the_flows_worked_by_hand(lowest_relative_flow, shut_down_m3s, mean_flow_m3s):
    # Design flow 4, environmental flow 1. Usable 0..4 over 4/10 of the time gives 0.8, full flow over half the
    # time 2.0; units that stand below 1.2 lose 0.072; standing above 9, when all flow stays, loses 4 over
    # a tenth of the time.
    left = np.where(shut_down_m3s < STRAIGHT_LINE, STRAIGHT_LINE, 1.0)
    output = plant_output(STRAIGHT_LINE, left, 1.0, 4.0, EVERY_FLOW_WHOLE, lowest_relative_flow)

    assert output.flow_used_m3s == pytest.approx(mean_flow_m3s, abs=1e-12)
    assert output.power_mean_kw == pytest.approx(RHO_G * mean_flow_m3s, abs=1e-11)


def test_firm_power_is_not_the_power_at_q95_when_floods_drown_the_head():
    flow = 10.0 * (1.0 - exceedance(20_000))
    head = 2.0 - 0.19 * flow

    output = plant_output(flow, 0.0, head, 4.0, EVERY_FLOW_WHOLE)

    # Worked beforehand: 9.34 kW at 0.5 m³/s, but 5.50 kW is exceeded 95 % of the time.
    assert hydraulic_power_kw(0.5, 2.0 - 0.19 * 0.5) == pytest.approx(9.34, abs=0.005)
    assert output.firm_power_kw == pytest.approx(5.50, abs=0.005)
    # By another route: low flows below q and floods above r take 5 % of the time together at equal power.
    low = brentq(lambda q: q * (2 - 0.19 * q) - 4 * (2 - 0.19 * (9.5 + q)), 0.0, 0.5)
    assert output.firm_power_kw == pytest.approx(hydraulic_power_kw(low, 2 - 0.19 * low), rel=1e-4)


def test_capacity_factor_of_a_straight_curve():
    output = plant_output(STRAIGHT_LINE, 0.0, 1.0, 4.0, EVERY_FLOW_WHOLE)

    # Qd - Qd²/(2 Qm) = 4 - 16/20
    assert output.flow_used_m3s == pytest.approx(3.2, abs=1e-12)
    assert output.flow_used_m3s / 4.0 == pytest.approx(0.8, abs=1e-6)


def test_capacity_factor_of_an_exponential_curve():
    flow = -5.0 * np.log(exceedance(200_000))

    output = plant_output(flow, 0.0, 1.0, 5.0, EVERY_FLOW_WHOLE)

    # Qm (1 - e^(-Qd/Qm)) with both 5
    assert output.flow_used_m3s / 5.0 == pytest.approx(0.6321206, abs=1e-6)


@pytest.mark.parametrize(
    ("flow_design_m3s", "capacity_factor"), [(5.0, 0.8731230), (10.0, 0.6772071), (15.0, 0.5353165)]
)
def test_capacity_factor_of_a_lognormal_curve(flow_design_m3s, capacity_factor):
    # Mean 10, coefficient of variation 1; E[min(Q, Qd)] = m Phi(d - s) + Qd (1 - Phi(d)).
    spread = np.sqrt(np.log(2.0))
    flow = np.exp(np.log(10.0) - spread**2 / 2 + spread * norm.isf(exceedance(400_000)))

    output = plant_output(flow, 0.0, 1.0, flow_design_m3s, EVERY_FLOW_WHOLE)

    assert output.flow_used_m3s / flow_design_m3s == pytest.approx(capacity_factor, abs=1e-6)


def test_units_are_switched_on_in_turn():
    # Each of two units is at its best (0.9) at half its flow and has 0.6 when full.
    efficiency = np.interp(np.linspace(0, 1, 101), [0, 0.5, 1.0], [0.5, 0.9, 0.6])

    quarter = plant_output([1.0], 0.0, 1.0, 4.0, efficiency, units=2)
    half = plant_output([2.0], 0.0, 1.0, 4.0, efficiency, units=2)

    # 1 m³/s is half the flow of one unit; 2 m³/s is best shared by both at their half.
    assert quarter.power_mean_kw == pytest.approx(RHO_G * 1.0 * 0.9)
    assert half.power_mean_kw == pytest.approx(RHO_G * 2.0 * 0.9)


def test_one_unit_runs_full_where_two_would_be_shut_down():
    output = plant_output([1.1], 0.0, 1.0, 2.0, EVERY_FLOW_WHOLE, lowest_relative_flow=0.75, units=2)

    # Two units would have 0.55 each of their flow; one takes its 1.0 and spills 0.1.
    assert output.flow_used_m3s == 1.0


def test_losses_come_off_the_gross_head():
    energy = EnergySettings(turbines=["m.toml"], canal_slope=0.001, rack_and_gate_loss_m=0.2, exit_loss_m=0.05)

    net = net_head_m(np.array([3.0, 3.0, 0.1]), np.array([0.0, 500.0, 0.0]), energy)

    np.testing.assert_allclose(net, [2.75, 2.25, 0.0], rtol=0, atol=1e-12)


# The first trial may compile, so none is timed; the same trials each time, so that a failure comes back.
STEADY = trials(deadline=None, derandomize=True)
FLOWS = st.lists(st.floats(0.0, 20.0), min_size=1, max_size=12)


@STEADY
@given(
    flow=FLOWS,
    environmental=st.floats(0.0, 5.0),
    more=st.floats(0.0, 5.0),
    units=st.integers(1, 4),
    lowest=st.floats(0.0, 0.9),
)
def test_more_environmental_flow_by_bin_never_raises_energy(
    flow, environmental, more, units, lowest, generic_turbines_tables
):
    for efficiency in generic_turbines_tables:
        kept = plant_output(flow, environmental, 2.0, 3.0, efficiency, lowest, units)
        kept_more = plant_output(flow, environmental + more, 2.0, 3.0, efficiency, lowest, units)

        assert kept_more.power_mean_kw <= kept.power_mean_kw * (1 + 1e-12) + 1e-12


@STEADY
@given(flow=FLOWS, head=st.floats(0.0, 10.0), more=st.floats(0.0, 5.0), units=st.integers(1, 4))
def test_more_head_never_lowers_energy_and_water_gives_no_more_than_it_has(
    flow, head, more, units, generic_turbines_tables
):
    for efficiency in generic_turbines_tables:
        low = plant_output(flow, 0.0, head, 3.0, efficiency, 0.2, units)
        high = plant_output(flow, 0.0, head + more, 3.0, efficiency, 0.2, units)

        assert high.power_mean_kw >= low.power_mean_kw
        potential = yearly_energy_mwh(hydraulic_power_kw(np.mean(flow), head), 1.0)
        assert yearly_energy_mwh(low.power_mean_kw, 1.0) <= potential * (1 + 1e-12)


def test_a_year_has_8760_hours():
    assert HOURS_PER_YEAR == 365 * 24
    assert yearly_energy_mwh(1.0, 0.5) == pytest.approx(4.38)
