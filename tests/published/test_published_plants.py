"""Capacity, energy and cost of published plants and worked examples against those of a run with their flow.

Each figure, its source, and whether it was read there or is from memory stand in tests/tools/published_plants.py.
Heads, design flows, capacities, energies and costs were read; of the rivers' flows a part only, the rest is from
memory, so a single energy may be off by a fifth where the formula is right. Tables: python
tests/benchmarks/published_plants.py.
"""

import numpy as np
import pytest
from published_plants import (
    NECKARWERK,
    OSNEY,
    OSNEY_YEARS_MWH,
    PLANTS,
    RAPPENBERGHALDE,
    built,
    plant_table,
    project_table,
    run_of,
)

pytestmark = pytest.mark.slow

SIZED_BY_FLOW = [plant for plant in PLANTS if plant.flow_design_m3s]
OF_KNOWN_FLOW = [plant for plant in PLANTS if plant.flow]


@pytest.fixture(scope="module")
def plants():
    return plant_table().set_index("name")


@pytest.fixture(scope="module")
def projects():
    return project_table().set_index("name")


@pytest.mark.parametrize("plant", SIZED_BY_FLOW, ids=lambda plant: plant.name)
def test_capacity_from_published_head_and_design_flow(plant, plants):
    # The published capacities are 0.72 to 0.90 of the water's power, some of them rated powers of generators; the
    # shipped classes have 0.70 (screw) and 0.80 (Kaplan turbine) for all of them.
    assert plants["power_ratio"][plant.name] == pytest.approx(1.0, abs=0.14)


def test_capacities_are_right_on_the_average(plants):
    ratio = plants["power_ratio"].dropna()

    # Nine plants: the shipped efficiencies are on the careful side, by no more than a tenth.
    assert len(ratio) == 9
    assert 0.89 < ratio.mean() < 1.03


@pytest.mark.parametrize("plant", OF_KNOWN_FLOW, ids=lambda plant: plant.name)
def test_energy_from_published_head_size_and_flow(plant, plants):
    # Of the Neckarwerk neither design flow nor the river's flow was read, which makes it the worst by far.
    tolerance = 0.45 if plant is NECKARWERK else 0.22

    assert plants["energy_ratio"][plant.name] == pytest.approx(1.0, abs=tolerance)


def test_energies_are_right_in_the_middle(plants):
    ratio = plants["energy_ratio"].dropna()

    # The median of seven; errors of flows from memory go both ways.
    assert len(ratio) == 7
    assert ratio.median() == pytest.approx(1.0, abs=0.10)


def test_energy_of_the_screw_on_the_thames_is_that_of_its_measured_years(plants):
    energy_mwh = plants["our_energy_mwh"][OSNEY.name]
    mean = np.mean(OSNEY_YEARS_MWH)
    standard_error = np.std(OSNEY_YEARS_MWH, ddof=1) / np.sqrt(len(OSNEY_YEARS_MWH))

    # 153 ± 19 MWh measured in nine years, with what went wrong in them; 179 MWh was promised.
    assert abs(energy_mwh - mean) < 2.0 * standard_error
    assert energy_mwh < OSNEY.energy_mwh


@pytest.mark.parametrize("plant", [OSNEY, RAPPENBERGHALDE], ids=lambda plant: plant.name)
def test_a_whole_run_from_a_dem_gives_the_published_plant(plant, plants, tmp_path):
    (site,) = run_of(plant, tmp_path).sites.to_dict("records")

    # The run chooses the turbine among all classes, and finds the published one.
    assert site["turbine"] == plant.turbine
    assert site["head_m"] == pytest.approx(plant.head_m, abs=0.005)
    assert site["flow_design_m3s"] == pytest.approx(plant.flow_design_m3s, rel=0.01)
    assert site["power_kw"] == pytest.approx(plant.power_kw, rel=0.14)
    assert site["energy_mwh"] == pytest.approx(plant.energy_mwh, rel=0.22)
    # With small errors of flow and head the expectation is that of the functions without them.
    assert site["power_kw"] == pytest.approx(plants["our_power_kw"][plant.name], rel=0.01)
    assert site["energy_mwh"] == pytest.approx(plants["our_energy_mwh"][plant.name], rel=0.02)


def test_losses_of_head_count_at_low_heads(plants):
    with_default_losses = built(OSNEY, rack_and_gate_loss_m=0.15, exit_loss_m=0.05)

    # 0.2 m of 1.7 m: power is in proportion, and published heads are those of the turbine.
    assert with_default_losses["power_kw"] / plants["our_power_kw"][OSNEY.name] == pytest.approx(
        1.5 / 1.7, rel=0.02
    )


def test_whole_project_costs_are_of_that_size(projects):
    ratio = projects["ratio"]

    # Real projects at low heads, all small, some of them the first of their kind, with works on weirs and for fish
    # that no source sets apart. Generic costs are below them: this holds them to their order, two-sided, no more.
    assert len(ratio) == 6
    assert ((ratio > 0.2) & (ratio < 1.6)).all()
    assert 0.35 < ratio.median() < 1.3
