"""Blade strike by the published model against fish that are followed one by one, and against its limits.

Models: G. F. Franke and others (1997), Development of environmentally advanced hydropower turbine system design
concepts, INEEL/EXT-97-00639, from works that restate it; K. von Raben (1957), from memory. Fish followed one by
one: the deterministic way of Deng, Carlson, Ploskey and Richmond (2005), PNNL-15370, as its abstract has it.
Trials with live fish are in test_radinger_2022_turbine_trials.py, worked examples in
test_franke_1997_worked_examples.py.
"""

import math

import numpy as np
import pytest

from sitefinder.catalogue.turbines import StrikeLaw
from sitefinder.energy.blade_strike import (
    VON_RABEN_MUTILATION,
    runner_numbers,
    strikes,
    von_raben_strikes,
)
from sitefinder.units import M3S_PER_CUBIC_FOOT_SECOND, METRES_PER_FOOT


def axial(blades, **changes):
    fields = {
        "form": "axial",
        "blades": blades,
        "hub_ratio": 0.45,
        "correlation_range": (0.1, 0.2),
        "source": "the reports below",
    }
    return StrikeLaw.model_validate(fields | changes)


# Strikes per fish of straight fish that drift with the water through a plane of turning blades, one by one: the
# deterministic way of Deng, Carlson, Ploskey and Richmond (2005), PNNL-15370. Each fish lies along the absolute
# velocity of the water; blades are lines that turn at the radius of passage.
def followed(blades, diameter_m, speed_rad_s, axial_m_s, swirl_m_s, fish_m, radius_ratio, random, fish=4000):
    radius = radius_ratio * diameter_m / 2
    velocity = math.hypot(axial_m_s, swirl_m_s)
    along = fish_m * axial_m_s / velocity  # in the direction of the axis
    across = fish_m * swirl_m_s / velocity  # around it
    struck = 0
    for start in random.uniform(0, 2 * math.pi / blades, fish):
        # The blade nearest upstream of the nose turns past the fish while this goes through; in the blades' frame
        # each point of the body crosses the plane at its own time and angle.
        parts = np.linspace(0.0, 1.0, 2000)
        time = parts * along / axial_m_s
        # Where the body crosses, relative to the blades, which turn with the swirl of a turbine's water.
        angle = start + across * parts / radius + speed_rad_s * time
        crossed = np.floor(angle / (2 * math.pi / blades))
        struck += crossed[-1] - crossed[0]
    return struck / fish


def test_strikes_are_those_of_fish_followed_one_by_one():
    random = np.random.default_rng(11)
    diameter, rpm, head, flow, efficiency, fish = 1.4, 260.0, 4.2, 9.0, 0.88, 0.18
    law, omega = axial(4), 2 * math.pi * rpm / 60
    numbers = runner_numbers(flow, head, diameter, omega)
    # Euler: the swirl in front of the runner that gives the head; no hub, as in the published numbers.
    radius = law.radius_ratio * diameter / 2
    swirl = 9.80665 * head * efficiency / (omega * radius)
    axial_velocity = flow / (math.pi * diameter**2 / 4)

    by_hand = followed(4, diameter, omega, axial_velocity, swirl, fish, law.radius_ratio, random)

    assert strikes(law, numbers, efficiency) * fish / diameter == pytest.approx(by_hand, rel=0.03)


def test_a_fish_that_is_not_swirled_is_struck_as_by_von_raben():
    # Without head there is no swirl, and both models count the blades that pass while the fish goes through.
    law = axial(5, hub_ratio=0.0)
    numbers = runner_numbers(6.0, 0.0, 1.5, 20.0)

    assert von_raben_strikes(law, numbers, 0.9) == pytest.approx(strikes(law, numbers, 0.9), rel=1e-12)


@pytest.mark.parametrize("form", ["axial", "radial"])
def test_part_load_strikes_as_a_runner_of_that_flow_does(form):
    law = axial(4) if form == "axial" else axial(13, form="radial", inlet_width_share=0.4)
    speed = 18.0
    full = runner_numbers(10.0, 5.0, 1.6, speed)

    for share in (0.3, 0.6, 0.9):
        own = runner_numbers(10.0 * share, 5.0, 1.6, speed)
        assert strikes(law, full, 0.9, share) == pytest.approx(strikes(law, own, 0.9), rel=1e-12)
        assert strikes(law, full, 0.9, share) > strikes(law, full, 0.9)


def test_the_radial_form_is_that_of_the_report():
    # By the report's angle, cot(alpha) = 2 pi E eta (B / D) / Q, step by step.
    law = axial(13, form="radial", inlet_width_share=0.4)
    numbers = runner_numbers(8.0, 5.0, 1.6, 15.0)
    alpha = math.atan(numbers.discharge / (2 * math.pi * numbers.energy * 0.85 * 0.4))
    bracket = math.sin(alpha) * 0.4 / (2 * numbers.discharge) + math.cos(alpha) / math.pi

    assert strikes(law, numbers, 0.85) == pytest.approx(13 * bracket, rel=1e-12)


def test_units_do_not_matter_to_dimensionless_numbers():
    metric = runner_numbers(10.0, 5.0, 1.6, 18.0)
    # Feet and seconds, with gravity in feet.
    energy = 9.80665 / METRES_PER_FOOT * (5.0 / METRES_PER_FOOT) / (18.0 * 1.6 / METRES_PER_FOOT) ** 2
    flow = 10.0 / M3S_PER_CUBIC_FOOT_SECOND / (18.0 * (1.6 / METRES_PER_FOOT) ** 3)

    assert (metric.energy, metric.discharge) == pytest.approx((energy, flow), rel=1e-12)
    assert 0.4 < VON_RABEN_MUTILATION < 0.5
