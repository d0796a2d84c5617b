"""The search of the design flow: from coarse to fine as if every flow were judged, and the curve it chose from."""

import itertools

import numpy as np
import pandas as pd
import pandas.testing
import pytest
from one_plant import plant_output

from sitefinder.energy.hydraulics import WaterDepths, net_head_m
from sitefinder.energy.plant import yearly_energy_mwh
from sitefinder.energy.sizing import design_flows
from sitefinder.energy.turbines import efficiency_table
from sitefinder.energy.valuation import size_options, turbine_options, value_stretches
from sitefinder.settings import EnergySettings

BINS = 200
SHARE = (np.arange(BINS) + 0.5) / BINS


def with_energy(settings, choose_by="net_value", **changes):
    return settings.model_copy(
        update={
            "energy": settings.energy.model_copy(update=changes),
            "ranking": settings.ranking.model_copy(update={"choose_by": choose_by}),
        }
    )


@pytest.fixture(scope="module")
def region():
    """A hundred and twenty stretches at forty stations: dry and flashy streams, floods that drown the head."""
    random = np.random.default_rng(11)
    mean, spread = 10 ** random.uniform(-1.0, 1.3, (40, 1)), random.uniform(0.3, 1.6, (40, 1))
    curve = mean * np.exp(spread * np.sort(random.normal(size=(40, BINS)), axis=1)[:, ::-1] - spread**2 / 2)
    curve[:5, 120:] = 0.0
    environmental_flow = np.minimum(random.uniform(0.0, 0.3, (40, 1)) * mean, curve)
    depth = 0.5 * mean**0.4 * (curve / mean) ** 0.4
    rows = [
        {
            "intake": number % 39,
            "tailrace": number % 39 + 1,
            "scheme_type": scheme_type,
            "head_m": random.uniform(0.6, 8.0),
            "conduit_length_m": random.uniform(20.0, 900.0) if scheme_type == "diversion" else 0.0,
            "pond_length_m": 0.0,
            "weir_height_m": 2.0,
            "has_fish_pass": bool(number % 2),
            "road_distance_m": random.uniform(0.0, 500.0),
            "line_distance_m": random.uniform(0.0, 500.0),
        }
        for number in range(24)
        for scheme_type in ("at_barrier", "diversion", "new_weir")
    ]
    return pd.DataFrame(rows), curve, environmental_flow, WaterDepths(depth, depth[:, 100])


@pytest.mark.slow
@pytest.mark.parametrize("design_by", ["choice", "lcoe_per_kwh", "capacity_factor"])
@pytest.mark.parametrize("choose_by", ["net_value", "energy"])
@pytest.mark.parametrize("conduit", ["canal", "pipe"])
def test_from_coarse_to_fine_is_as_good_as_every_flow(
    region, generic_turbines, generic_costs, settings, conduit, choose_by, design_by
):
    stretches, curve, environmental_flow, depths = region
    data = (stretches, curve, environmental_flow, generic_turbines, generic_costs)
    given = {"conduit": conduit, "design_by": design_by, "design_capacity_factor": 0.55}
    # Every flow is a first one: nothing is left to halve.
    every = with_energy(
        settings,
        choose_by,
        design_exceedance_percent=np.arange(5.0, 95.5, 0.5).tolist(),
        design_step_percent=100.0,
        **given,
    )
    coarse = with_energy(
        settings, choose_by, design_exceedance_percent=[5.0, 40.0, 95.0], design_step_percent=0.5, **given
    )

    fine = value_stretches(*data, coarse, depths)

    pandas.testing.assert_frame_equal(fine, value_stretches(*data, every, depths), check_exact=True)
    assert (fine["any_turbine"] >= 0).sum() > 36


def test_a_finer_search_is_never_worse_and_the_first_flows_alone_may_be_asked_for(
    region, generic_turbines, generic_costs, settings
):
    stretches, curve, environmental_flow, depths = region

    values = [
        value_stretches(
            stretches,
            curve,
            environmental_flow,
            generic_turbines,
            generic_costs,
            with_energy(settings, design_step_percent=step),
            depths,
        )["any_net_annual_value"]
        for step in (100.0, 5.0, 1.0, 0.5)
    ]

    for coarse, fine in itertools.pairwise(values):
        assert (fine >= coarse)[coarse.notna()].all()
    assert values[-1].sum() > values[0].sum()


def test_a_higher_capacity_factor_asks_for_smaller_plants_that_reach_it(
    region, turbine_class, generic_costs, settings
):
    stretches, curve, environmental_flow, depths = region
    turbine = turbine_class(flow_range_m3s=(0.01, 100.0))

    sizes = []
    for factor in (0.4, 0.6, 0.8):
        given = with_energy(settings, design_by="capacity_factor", design_capacity_factor=factor)
        values = value_stretches(stretches, curve, environmental_flow, [turbine], generic_costs, given, depths)
        assert (values["any_capacity_factor"].dropna() >= factor).all()
        sizes.append(values["any_flow_design_m3s"])

    for greater, smaller in itertools.pairwise(sizes):
        both = greater.notna() & smaller.notna()
        assert (smaller <= greater)[both].all()
        assert (smaller < greater)[both].any()
        assert not (greater.isna() & smaller.notna()).any()


def test_the_lowest_cost_is_not_always_the_greatest_value(region, generic_turbines, generic_costs, settings):
    stretches, curve, environmental_flow, depths = region
    data = (stretches, curve, environmental_flow, generic_turbines, generic_costs)

    by_cost = value_stretches(*data, with_energy(settings, design_by="lcoe_per_kwh"), depths)
    by_value = value_stretches(*data, settings, depths)

    fits = by_value["any_turbine"] >= 0
    assert fits.sum() > 60
    assert (by_cost["any_lcoe_per_kwh"] <= by_value["any_lcoe_per_kwh"])[fits].all()
    assert (by_value["any_net_annual_value"] >= by_cost["any_net_annual_value"])[fits].all()
    assert (by_cost["any_flow_design_m3s"] != by_value["any_flow_design_m3s"]).any()


def test_the_flows_to_try_hold_the_first_ones_once():
    flows = design_flows(EnergySettings(turbines=["m.toml"], design_step_percent=0.1))

    assert len(flows.shares) == 601
    assert (np.diff(flows.shares) > 0.0009).all()
    assert flows.shares[flows.coarse].tolist() == [0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.7]


def test_the_curve_of_sizes_is_what_the_plain_functions_give(turbine_class, generic_costs, settings, region):
    stretches, curve, environmental_flow, _ = region
    rows = stretches[stretches["scheme_type"] == "at_barrier"].iloc[6:9]
    turbine = turbine_class(flow_range_m3s=(0.001, 100.0), lowest_relative_flow=0.3)
    no_use = turbine_class(name="does not fit", head_range_m=(9.0, 9.5))
    chosen = np.ones(len(rows), dtype=int)
    data = (rows, curve, environmental_flow, [no_use, turbine], generic_costs, settings)

    sizes = size_options(*data, chosen, np.zeros(len(rows), dtype=bool))

    for label, row in rows.iterrows():
        own = sizes[sizes["stretch"] == label]
        usable = np.maximum(curve[row["intake"]] - environmental_flow[row["intake"]], 0.0)
        head = float(net_head_m(row["head_m"], 0.0, settings.energy))
        flows = [np.interp(percent / 100, SHARE, usable) for percent in (10, 15, 20, 25, 30, 40, 50, 60, 70)]
        flows = [flow for flow in flows if 9.80665 * 0.72 * head * flow >= 1.0]
        assert own["flow_design_m3s"].tolist() == pytest.approx(flows, rel=1e-12)
        assert own["design_exceedance_percent"].tolist() == [10, 15, 20, 25, 30, 40, 50, 60, 70][: len(flows)]
        assert (own["turbine"] == 1).all()
        plain = (curve[row["intake"]], environmental_flow[row["intake"]], head)
        outputs = [plant_output(*plain, flow, efficiency_table(turbine), 0.3) for flow in flows]
        energy = [yearly_energy_mwh(output.power_mean_kw, settings.energy.availability) for output in outputs]
        assert own["energy_mwh"].tolist() == pytest.approx(energy, rel=1e-9)


def test_the_chosen_size_is_at_least_as_good_as_all_of_its_curve(
    region, generic_turbines, generic_costs, settings
):
    stretches, curve, environmental_flow, depths = region
    data = (stretches, curve, environmental_flow, generic_turbines, generic_costs, settings)
    values = value_stretches(*data, depths)
    rows = stretches[values["safe_turbine"] >= 0]
    own = values.loc[rows.index]

    sizes = size_options(rows, *data[1:], own["safe_turbine"].to_numpy(), own["safe_screened"].to_numpy(), depths)

    best = own["safe_net_annual_value"].loc[sizes["stretch"]].to_numpy()
    assert (sizes["net_annual_value"] <= best * (1 + np.sign(best) * 1e-12)).all()
    assert sizes.groupby("stretch").size().max() == 9
    assert not sizes.duplicated(["stretch", "flow_design_m3s"]).any()
    assert sizes.index.tolist() == list(range(len(sizes)))
    # Where the best is one of the first flows, it is in the curve.
    options = turbine_options(rows, *data[1:], depths)
    assert len(options.merge(sizes, on=["stretch", "turbine", "screened", "flow_design_m3s", "energy_mwh"])) > 0


def test_sizes_of_no_stretches_are_none(region, generic_turbines, generic_costs, settings):
    stretches, curve, environmental_flow, depths = region
    none = np.zeros(0, dtype=int)

    sizes = size_options(
        stretches.iloc[:0],
        curve,
        environmental_flow,
        generic_turbines,
        generic_costs,
        settings,
        none,
        none > 0,
        depths,
    )

    assert len(sizes) == 0
    assert {"stretch", "turbine", "screened", "flow_design_m3s", "design_exceedance_percent"} <= set(sizes.columns)
