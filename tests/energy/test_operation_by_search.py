"""Operation of small plants against a search of all numbers of units and of a fine grid of flows."""

import numpy as np
import pytest

from sitefinder.energy.hydraulics import CANAL, WATERWAY
from sitefinder.energy.operation import fill_plants, plant_flow_head
from sitefinder.energy.turbines import never_throttled_from

NODES = np.linspace(0.0, 1.0, 5)
# By hand: poor below full flow, best at a half, and the same throughout. Flow times efficiency falls in none.
CURVES = {
    "rising": np.array([0.0, 0.02, 0.1, 0.4, 0.9]),
    "hump": np.array([0.3, 0.6, 0.9, 0.7, 0.6]),
    "level": np.full(5, 0.8),
}


# Greatest flow · efficiency · (head - loss), on a grid of relative flows with the limits of each unit and nodes.
def best_of_all(flow, design, units, curve, lowest, head, loss):
    best = 0.0
    for running in range(1, units + 1):
        full = design * running / units
        greatest = min(flow / full, 1.0)
        if greatest >= lowest:
            at = np.append(np.linspace(lowest, greatest, 2_001), np.clip(NODES, lowest, greatest))
            value = full * at * np.interp(at, NODES, curve) * (head - loss * (full * at / design) ** 2)
            best = max(best, value.max())
    return best


# Heads on both sides of three times the loss, from which on the pipe takes less than a third; losses above and
# below 1 m; a flow that is less than one unit takes, one between units, the design flow, and more.
@pytest.mark.parametrize("name", CURVES)
@pytest.mark.parametrize(("units", "lowest"), [(1, 0.0), (2, 0.0), (3, 0.3), (4, 0.6)])
@pytest.mark.parametrize(
    ("head", "loss"), [(1.2, 0.0), (2.4, 2.0), (0.75, 0.25), (0.3, 0.5), (9.0, 4.0), (20.0, 4.0)]
)
def test_power_is_the_best_of_all_units_and_flows(name, units, lowest, head, loss):
    curve, design = CURVES[name], 6.0
    for flow in (0.1, 1.3, 2.5, 3.9, 5.0, 6.0, 7.0):
        expected = best_of_all(flow, design, units, curve, lowest, head, loss)
        # From there on the search for less flow is not worth its time: with and without it the same comes out.
        for open_from in (np.inf, never_throttled_from(curve, lowest)):
            used, value = plant_flow_head(flow, design, units, curve, lowest, head, loss, open_from)

            assert value == pytest.approx(expected, rel=2e-6, abs=1e-12)
            assert value >= expected * (1.0 - 1e-13)
            assert 0.0 <= used <= min(flow, design) * (1.0 + 1e-15)
            if used > 0.0:
                shared = [used / (design * n / units) for n in range(1, units + 1)]
                gives = [
                    used * np.interp(x, NODES, curve) * (head - loss * (used / design) ** 2)
                    for x in shared
                    if lowest - 1e-12 <= x <= 1.0 + 1e-12
                ]
                assert max(gives) == pytest.approx(value, rel=1e-12)


def test_plants_of_two_sizes_run_by_their_own_flow_head_and_limits():
    # One held at its crest with a scale factor of 0.8 and a limit of power, one not held with one of 1.25.
    curve = np.array([[4.0, 1.0, 0.3], [6.0, 2.0, 1.0]])
    environmental = np.array([[0.5, 0.25, 0.25], [1.0, 0.5, 0.25]])
    rise = np.array([[0.9, 0.2, 0.0], [0.6, 0.1, 0.05]])
    efficiency = np.array([np.full(5, 0.7), np.full(5, 0.5)])
    conduit = CANAL._replace(kw_per_m3s_m=10.0)
    if hasattr(fill_plants, "compiled"):
        conduit = np.array([tuple(conduit)], dtype=WATERWAY)[0]
    filled = np.zeros((2, 3)), np.zeros((2, 3))

    fill_plants(
        curve, environmental, rise, np.array([0, 1]), np.array([1, 0]), np.array([True, False]),
        np.array([3.0, 5.0]), np.array([2.0, 3.0]), np.array([19.0, 1e9]), np.array([1, 1]), np.array([1, 0]),
        np.zeros(2), np.array([0.25, 0.5]), np.array([0.8, 1.25]), efficiency, np.array([0.0, 0.0]), conduit,
        np.zeros(3), *filled,
    )  # fmt: skip

    used = np.array([[2.0, 0.5, 0.0], [3.0, 1.0, 0.25]])
    heads = np.array([[3.0 - 0.6, 3.0 - 0.1, 3.0], [5.0 - 0.9 + 0.6, 5.0 - 0.2 + 0.1, 5.0 + 0.05]])
    # 10 kW for 1 m³/s and 1 m, times efficiency and scale; the first's limit is 19 kW.
    power = 10.0 * used * heads * np.array([[0.5 * 0.8], [0.7 * 1.25]])
    assert filled[1] == pytest.approx(used)
    assert filled[0] == pytest.approx(np.minimum(power, [[19.0], [1e9]]))
