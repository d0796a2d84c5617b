"""The value of stretches: one by hand, many by brute force, and what must hold for all."""

import inspect
import itertools
import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pandas.testing
import pytest
from capital_by_part import capital_parts
from one_plant import many_plant_outputs
from plain_turbines import survival
from scipy.stats import norm

from sitefinder.catalogue.costs import with_screen
from sitefinder.energy import sizing, valuation
from sitefinder.energy.costs import yearly_cost
from sitefinder.energy.fish_survival import survival_by_group
from sitefinder.energy.hydraulics import net_head_m
from sitefinder.energy.plant import hydraulic_power_kw, yearly_energy_mwh
from sitefinder.energy.runners import suction_head_m
from sitefinder.energy.turbines import efficiency_table
from sitefinder.energy.valuation import (
    expected_by_kind,
    size_options,
    turbine_options,
    value_any,
    value_fish_safe,
    value_stretches,
)
from sitefinder.hydrology.flow_errors import FlowModel, stated_flow_errors
from sitefinder.settings import FishGroup

BINS = 200
# Engineering 12 %, contingency 15 %, and 5 % interest over a year and a half of even spending.
ON_TOP = 1.12 * 1.15 * (1.05**1.5 - 1) / (1.5 * np.log(1.05))


def stretch(**changes):
    row = {
        "intake": 0,
        "scheme_type": "at_barrier",
        "head_m": 3.2,
        "conduit_length_m": 0.0,
        "pond_length_m": 0.0,
        "weir_height_m": 0.0,
        "has_fish_pass": False,
        "road_distance_m": 150.0,
        "line_distance_m": 400.0,
    }
    return row | changes


@pytest.fixture(scope="module")
def region():
    """Thirty-six stretches at twelve stations with lognormal flows, a tenth of the mean as environmental flow."""
    random = np.random.default_rng(7)
    mean = np.sort(10 ** random.uniform(-1.0, 1.0, 12))
    exceedance = (np.arange(BINS) + 0.5) / BINS
    curve = mean[:, None] * np.exp(0.9 * norm.isf(exceedance) - 0.9**2 / 2)
    environmental_flow = np.minimum(0.1 * mean[:, None], curve)
    rows = []
    for scheme_type, intake in itertools.product(["at_barrier", "diversion", "new_weir"], range(12)):
        head = random.uniform(0.6, 9.0)
        weir = {"weir_height_m": min(head, 3.0), "pond_length_m": 400.0} if scheme_type == "new_weir" else {}
        conduit = random.uniform(50, 600) if scheme_type == "diversion" else 0.0
        rows.append(stretch(scheme_type=scheme_type, intake=intake, head_m=head, conduit_length_m=conduit, **weir))
    return pd.DataFrame(rows, index=np.arange(100, 136)), curve, environmental_flow


def test_one_stretch_worked_by_hand(turbine_class, generic_costs, settings):
    stretches = pd.DataFrame([stretch()], index=["weir"])
    curve, environmental_flow = np.full((1, BINS), 2.0), np.full((1, BINS), 0.4)

    values = value_stretches(stretches, curve, environmental_flow, [turbine_class()], generic_costs, settings).loc[
        "weir"
    ]

    # Head: 3.20 m less 0.15 m at rack and gates and 0.05 m at the exit, no canal.
    head = 3.00
    # Flow: 2.0 less 0.4 m³/s at all times, so the design flow is 1.6 m³/s whatever its exceedance.
    flow = 1.6
    # Power: 9.80665 kW per m³/s and m; turbine 0.8, gear and generator 0.9.
    power = 9.80665 * 1.6 * 3.00 * 0.8 * 0.9  # 33.8918 kW
    # Energy: 8760 h, ready 95 % of them.
    energy = power * 8760 * 0.95 / 1000  # 282.047 MWh
    # Capital, EUR of 2024.
    turbine = 10_000 * power**0.5 / head
    powerhouse = 56_000 * flow**0.6 * head**0.3
    intake = 20_000 * flow**0.6
    transformer = 1_600 * power**0.65
    fish_pass = 30_000 * 3.2
    road, line, land, permits = 80 * 150, 5_000 + 60 * 400, 3 * 500, 20_000
    works = turbine + powerhouse + intake + transformer + fish_pass + road + line + land + permits
    capital = works * ON_TOP
    # A year: 5 % over 40 years is 0.0582781612; the overhaul, a tenth after 20 years, adds 0.1 / 1.05^20.
    yearly = 0.0582781612 * (1 + 0.0376889483) * capital + 0.025 * capital
    assert values["any_turbine"] == 0
    assert values["any_units"] == 1
    assert values["any_flow_design_m3s"] == pytest.approx(1.6, rel=1e-12)
    assert values["any_power_kw"] == pytest.approx(power, rel=1e-12)
    assert values["any_power_kw"] == pytest.approx(33.8918, abs=0.00005)
    assert values["any_energy_mwh"] == pytest.approx(energy, rel=1e-12)
    assert values["any_capacity_factor"] == pytest.approx(0.95, rel=1e-12)
    assert values["any_firm_power_kw"] == pytest.approx(power, rel=1e-12)
    assert values["any_capital_cost"] == pytest.approx(capital, rel=1e-12)
    assert values["any_lcoe_per_kwh"] == pytest.approx(yearly / (1000 * energy), rel=1e-8)
    assert values["any_net_annual_value"] == pytest.approx(0.99 * 150 * energy - yearly, rel=1e-7)
    assert values["costs_left_out"] == ""


# Moody's step by hand: losses of the peak grow as (reference diameter / diameter)^n; diameter with flow^0.5.
def moody(turbine, unit_m3s):
    if turbine.runner is None:
        return 1.0
    peak, runner = max(value for _, value in turbine.efficiency), turbine.runner
    ratio = runner.reference_diameter_m / (runner.diameter_factor * math.sqrt(unit_m3s))
    return (1 - (1 - peak) * ratio**runner.scale_exponent) / peak


# Of the screen and the fish of the brute force: length, share guided, share that must survive.
FISH_M, GUIDED, BAR = 0.12, 0.6, 0.85


# Share of these fish that survive a unit, by the angle of the water and the numbers of Franke and others (1997).
def by_hand_survival(turbine, head, unit_m3s):
    if turbine.strike is None:
        proven = turbine.survival.evidence == "tested"
        return turbine.survival.share if proven else 0.0
    strike, energy = turbine.strike, 9.80665 * head
    diameter = turbine.runner.diameter_factor * unit_m3s**0.5
    specific = turbine.setting.speed_factor * head**turbine.setting.speed_exponent
    omega = 2 * math.pi * specific * energy**0.75 / unit_m3s**0.5
    flow = 0.8 * unit_m3s / (omega * diameter**3)
    euler = energy / (omega * diameter) ** 2 * turbine.peak_efficiency
    if strike.form == "axial":
        alpha = math.atan(math.pi * euler / (2 * flow * strike.radius_ratio))
        bracket = math.cos(alpha) / (8 * flow) + math.sin(alpha) / (math.pi * strike.radius_ratio)
    else:
        width = strike.inlet_width_share
        alpha = math.atan(flow / (2 * math.pi * euler * width))
        bracket = math.sin(alpha) * width / (2 * flow) + math.cos(alpha) / math.pi
    deaths = np.interp(FISH_M, *np.transpose(strike.correlation))
    return 1 - min(deaths * strike.blades * FISH_M / diameter * bracket, 1)


@pytest.fixture
def of_fish(settings, generic_costs, screen):
    """Settings and costs for these fish, with a screen whose bypass none die in."""
    fish = settings.fish.model_copy(
        update={
            "groups": [FishGroup(name="fry", lengths_m=[FISH_M])],
            "min_survival": BAR,
            "evidence": ["tested", "modelled"],
        }
    )
    rack = screen(guidance=((0.001, GUIDED),), head_loss_m=0.08, bypass_share=0.06)
    return settings.model_copy(update={"fish": fish}), with_screen(generic_costs, rack)


# Every class, number of units and design flow at every stretch, by the plain functions: without a screen, and with
# one where fish need it. Column ``alive`` is the share of fish that survive the units.
def brute_force(region, turbines, costs, settings):
    stretches, curve, environmental_flow = region
    plants, found = [], []
    listed, step = settings.energy.design_exceedance_percent, settings.energy.design_step_percent
    every_percent = np.union1d(listed, np.arange(min(listed), max(listed), step))
    assert len(every_percent) == 61  # 10, 11 and so on to 70: no more than that is left to the search
    for place, (_, row) in enumerate(stretches.iterrows()):
        at_place = []
        usable = np.sort(np.maximum(curve[row["intake"]] - environmental_flow[row["intake"]], 0.0))[::-1]
        head = float(net_head_m(row["head_m"], row["conduit_length_m"], settings.energy))
        for number, turbine in enumerate(turbines):
            if not turbine.head_range_m[0] <= head <= turbine.head_range_m[1]:
                continue
            table = efficiency_table(turbine)
            for units in range(1, turbine.units_max + 1):
                cap = turbine.flow_range_m3s[1]
                if turbine.power_max_kw:
                    cap = min(cap, turbine.power_max_kw / hydraulic_power_kw(1.0, head, table[-1]))
                for percent in every_percent:
                    # Between bin midpoints, 0.25 %, 0.75 % and so on.
                    flow = np.interp(percent / 100, (np.arange(BINS) + 0.5) / BINS, usable)
                    flow = min(flow, units * cap)
                    if flow / units < turbine.flow_range_m3s[0]:
                        continue
                    alive = by_hand_survival(turbine, head, flow / units)
                    # A claim proves nothing of the turbine, and so nothing of what passes the screen.
                    proven = turbine.strike is not None or turbine.survival.evidence == "tested"
                    behind = GUIDED + (1 - GUIDED) * alive
                    for screened in (False, True) if alive < BAR <= behind and proven else (False,):
                        lost, bypass = (0.08, 0.06 * flow) if screened else (0.0, 0.0)
                        scale = moody(turbine, flow / units)
                        power = hydraulic_power_kw(flow, head - lost, table[-1]) * scale
                        if power < settings.energy.min_power_kw:
                            continue
                        plants.append((place, number, units, flow, power, screened, alive))
                        left = environmental_flow[row["intake"]] + bypass
                        lowest = turbine.lowest_relative_flow
                        at_place.append((left, head - lost, flow, table, lowest, units, scale))
        if at_place:
            found.append(many_plant_outputs(curve[row["intake"]], *map(np.array, zip(*at_place, strict=True))))
    columns = [
        "place",
        "turbine",
        "units",
        "flow_design_m3s",
        "power_kw",
        "screened",
        "alive",
    ]
    plants = pd.DataFrame(plants, columns=columns)
    power_mean_kw, firm_kw = (
        np.concatenate([getattr(own, name) for own in found]) for name in ("power_mean_kw", "firm_power_kw")
    )
    plants["energy_mwh"] = yearly_energy_mwh(power_mean_kw, settings.energy.availability)
    plants["firm_power_kw"] = firm_kw
    chosen = stretches.iloc[plants["place"]]
    plant = [plants[name] for name in ("turbine", "units", "flow_design_m3s", "power_kw", "screened")]
    parts = capital_parts(chosen, curve, *plant, turbines, costs, settings)
    plants["capital_cost"] = parts.sum(axis=1).to_numpy()
    yearly = yearly_cost(
        plants["capital_cost"], costs.operation, settings.costs.discount_rate, settings.costs.lifetime_years
    )
    # The plant consumes a hundredth of its energy.
    plants["net_annual_value"] = 0.99 * settings.costs.price_per_kwh * 1000 * plants["energy_mwh"] - yearly
    plants["lcoe_per_kwh"] = yearly / (1000 * plants["energy_mwh"])
    return plants


# What plants are best in: settings of ranking and energy, the column that states it, and whether less is better.
CRITERIA = [
    ({"choose_by": "net_value"}, {}, "net_annual_value", False),
    ({"choose_by": "energy"}, {}, "energy_mwh", False),
    ({"choose_by": "energy"}, {"design_by": "lcoe_per_kwh"}, "lcoe_per_kwh", True),
    (
        {"choose_by": "net_value"},
        {"design_by": "capacity_factor", "design_capacity_factor": 0.6},
        "net_annual_value",
        False,
    ),
]


@pytest.mark.slow
@pytest.mark.parametrize("choice", ["any", "safe", "as_built"])
@pytest.mark.parametrize(
    ("ranking", "energy", "score", "minimum"), CRITERIA, ids=["value", "energy", "cost", "factor"]
)
def test_search_finds_what_brute_force_finds(
    region, generic_turbines, of_fish, made_once, choice, ranking, energy, score, minimum
):
    settings, generic_costs = of_fish
    settings = settings.model_copy(
        update={
            "ranking": settings.ranking.model_copy(update=ranking),
            "energy": settings.energy.model_copy(update=energy),
        }
    )
    stretches, curve, environmental_flow = region

    values = value_stretches(stretches, curve, environmental_flow, generic_turbines, generic_costs, settings)

    # Brute force does not go by the criterion, so that it serves all of them.
    plants = made_once("plants", lambda _: brute_force(region, generic_turbines, generic_costs, settings))
    is_safe = plants["screened"] | (plants["alive"] >= BAR)
    plants = plants[is_safe if choice == "safe" else ~plants["screened"] & (is_safe | (choice == "any"))]
    if "design_capacity_factor" in energy:
        # Of each class and number of units the greatest that runs so much.
        plants = plants[plants["energy_mwh"] * 1000 >= 0.6 * 8760 * plants["power_kw"]]
        sizes = plants.groupby(["place", "turbine", "units"])["flow_design_m3s"]
        plants = plants[plants["flow_design_m3s"] == sizes.transform("max")]
    by_place = plants.groupby("place")[score]
    best = (by_place.min() if minimum else by_place.max()).reindex(range(len(stretches))).to_numpy()
    np.testing.assert_allclose(values[f"{choice}_{score}"], best, rtol=1e-9, equal_nan=True)
    assert np.array_equal(values[f"{choice}_turbine"] < 0, np.isnan(best))
    if choice == "safe":
        assert 2 < values["safe_screened"].sum() < (values["safe_turbine"] >= 0).sum()
    # The plant that is named is the one that scores so: its own row of the brute force agrees in every figure.
    names = ["energy_mwh", "power_kw", "capital_cost", "net_annual_value", "firm_power_kw", "screened"]
    for place in np.flatnonzero(~np.isnan(best)):
        row = values.iloc[place]
        same = plants[
            (plants["place"] == place)
            & (plants["turbine"] == row[f"{choice}_turbine"])
            & (plants["units"] == row[f"{choice}_units"])
            & np.isclose(plants["flow_design_m3s"], row[f"{choice}_flow_design_m3s"], rtol=1e-12)
        ]
        assert len(same) >= 1
        for name in names:
            assert same.iloc[0][name] == pytest.approx(row[f"{choice}_{name}"], rel=1e-9, abs=1e-9), name


# Lengths of fish and the bar come from a generator. Some streams are too small for any turbine.
@pytest.mark.parametrize("energy", [{}, {"design_by": "capacity_factor", "design_capacity_factor": 0.6}])
def test_by_several_settings_of_fish_each_stretch_is_valued_as_by_each_of_them_alone(
    region, generic_turbines, of_fish, monkeypatch, energy
):
    settings, costs = of_fish
    settings = settings.model_copy(update={"energy": settings.energy.model_copy(update=energy)})
    random, (stretches, *flows) = np.random.default_rng(11), region
    turbines = [turbine.model_copy(update={"min_width_m": 2.0}) for turbine in generic_turbines]
    width_m = np.where(random.random(len(stretches)) < 0.3, 1.0, 50.0)
    stretches = stretches.assign(stream_width_m=width_m, stream_depth_m=5.0)
    lengths_m, bar = random.uniform(0.05, 0.6, 2).round(2).tolist(), random.uniform(0.7, 0.95)
    fishes = [
        settings.fish.model_copy(
            update={
                "groups": [FishGroup(name="fish", lengths_m=lengths_m)],
                "min_survival": bar + change,
                "evidence": ["tested", "modelled", "claimed"][:grades],
            }
        )
        for grades, change in itertools.product((1, 2, 3), (0.0, -0.01, 0.01))
    ]
    data, searched = (stretches, *flows, turbines, costs), []
    search = valuation.best_of_stretches
    monkeypatch.setattr(
        valuation, "best_of_stretches", lambda *given: searched.append(len(given[3])) or search(*given)
    )

    found = value_fish_safe(*data, settings, fishes)

    in_one_go = sum(searched)
    searched.clear()
    for values, fish in zip(found, fishes, strict=True):
        alone = value_stretches(*data, settings.model_copy(update={"fish": fish}))
        columns = [name for name in alone if not name.startswith("any_")]
        pandas.testing.assert_frame_equal(values, alone[columns], check_exact=True)
    assert any(values["safe_stream_too_small"].any() for values in found)
    assert len({tuple(values["safe_net_annual_value"]) for values in found}) > 2
    assert in_one_go < 0.7 * sum(searched)


def test_what_has_more_value_than_a_floor_is_found_as_without_it(
    region, generic_turbines, generic_costs, settings
):
    data = (*region, generic_turbines, generic_costs, settings)
    free = value_stretches(*data)
    floor = float(free["any_net_annual_value"].median())

    found = value_stretches(*data, floor=np.full(len(free), floor))

    for choice in ("any", "safe"):
        columns = [name for name in free if name.startswith(f"{choice}_")]
        value = free[f"{choice}_net_annual_value"]
        above = value > floor
        assert 5 < above.sum() < len(free) - 5
        pandas.testing.assert_frame_equal(found.loc[above, columns], free.loc[above, columns], check_exact=True)
        # Of the others a plant is there where one fits, and it is none that is better than the best.
        assert (found[f"{choice}_turbine"] >= 0).tolist() == (free[f"{choice}_turbine"] >= 0).tolist()
        below = ~above & value.notna()
        assert (found[f"{choice}_net_annual_value"] <= value)[below].all()
    assert (found["any_net_annual_value"] < free["any_net_annual_value"])[below].any()


def test_options_hold_the_best_of_both_choices(region, generic_turbines, generic_costs, settings):
    stretches, curve, environmental_flow = region

    values = value_stretches(stretches, curve, environmental_flow, generic_turbines, generic_costs, settings)
    options = turbine_options(stretches, curve, environmental_flow, generic_turbines, generic_costs, settings)

    for choice in ("any", "safe"):
        best = options[options[f"is_best_{choice}"]].set_index("stretch")
        fits = values[values[f"{choice}_turbine"] >= 0]
        assert best.index.tolist() == fits.index.tolist()
        for name in ("turbine", "screened", "units", "energy_mwh", "capital_cost", "net_annual_value"):
            expected = fits[f"{choice}_{name}"].rename(name).rename_axis("stretch")
            pandas.testing.assert_series_equal(best[name], expected, check_exact=True)
    assert not options.duplicated(["stretch", "turbine", "screened", "flow_design_m3s"]).any()
    assert options.index.tolist() == list(range(len(options)))


def test_a_bar_for_fish_never_adds_value(region, generic_turbines, generic_costs, settings):
    stretches, curve, environmental_flow = region

    values = value_stretches(stretches, curve, environmental_flow, generic_turbines, generic_costs, settings)

    safe = values[values["safe_turbine"] >= 0]
    assert len(safe) > 12
    assert (safe["safe_net_annual_value"] <= safe["any_net_annual_value"]).all()
    assert (values["safe_turbine"] < 0)[values["any_turbine"] < 0].all()


def test_a_screen_is_paid_for_in_money_water_and_head(turbine_class, generic_costs, settings, screen):
    needs_screen = turbine_class(survival=survival(0.9))
    curve, environmental_flow = np.full((1, BINS), 2.1), np.zeros((1, BINS))
    costs = with_screen(generic_costs, screen())
    # The largest unit takes 2 m³/s, so that the bypass of 5 % finds its water.
    needs_screen = needs_screen.model_copy(update={"flow_range_m3s": (0.1, 2.0)})

    values = value_stretches(
        pd.DataFrame([stretch()]), curve, environmental_flow, [needs_screen], costs, settings
    ).iloc[0]

    # Half of the fish take the bypass and live, of the others 90 %: 0.5 + 0.5 x 0.9.
    assert values["safe_survival"] == pytest.approx(0.95)
    assert values["any_survival"] == pytest.approx(0.90)
    assert (values["safe_screened"], values["any_screened"], values["as_built_turbine"]) == (True, False, -1)
    # Head: 3.00 m less the 0.10 m of the screen, at 2 m³/s.
    power = 9.80665 * 2.0 * 2.9 * 0.8 * 0.9
    assert values["safe_power_kw"] == pytest.approx(power)
    assert values["safe_energy_mwh"] == pytest.approx(power * 8760 * 0.95 / 1000)
    # 2 m³/s and 5 % at 0.5 m/s are 4.2 m² at 6000, and the bypass at 10 000; turbine and transformer are smaller.
    full = 9.80665 * 2.0 * 3.0 * 0.8 * 0.9
    smaller = 10_000 / 3.0 * (full**0.5 - power**0.5) + 1_600 * (full**0.65 - power**0.65)
    extra = values["safe_capital_cost"] - values["any_capital_cost"]
    assert extra == pytest.approx((4.2 * 6_000 + 10_000 - smaller) * ON_TOP)


def test_where_the_bypass_finds_no_spare_water_the_turbine_gets_less(
    turbine_class, generic_costs, settings, screen
):
    needs_screen = turbine_class(survival=survival(0.9), flow_range_m3s=(2.0, 5.0))
    curve, nothing = np.full((1, BINS), 2.0), np.zeros((1, BINS))

    values = value_stretches(
        pd.DataFrame([stretch()]), curve, nothing, [needs_screen], with_screen(generic_costs, screen()), settings
    ).iloc[0]

    # Of 2 m³/s the bypass takes 0.1: the plant of 2 m³/s runs on 1.9 all year.
    assert values["safe_flow_design_m3s"] == pytest.approx(2.0)
    power = 9.80665 * 1.9 * 2.9 * 0.8 * 0.9
    assert values["safe_energy_mwh"] == pytest.approx(power * 8760 * 0.95 / 1000)
    assert values["safe_firm_power_kw"] == pytest.approx(power)


def test_fish_pass_a_plant_at_its_net_head_and_the_flow_of_one_unit(generic_turbines, generic_costs, settings):
    kaplan, curve = generic_turbines[0], np.full((1, BINS), 4.0)

    values = value_stretches(
        pd.DataFrame([stretch(head_m=6.2)]), curve, 0.0 * curve, [kaplan], generic_costs, settings
    ).iloc[0]

    # Racks and exit take 0.2 m; one group of fish is assumed, of which the worse length counts.
    unit_m3s = values["any_flow_design_m3s"] / values["any_units"]
    of_group = survival_by_group([kaplan], None, settings.fish, [0], [unit_m3s], [6.0]).as_built
    assert 0.5 < of_group[0, 0] < 1.0
    assert values["any_survival"] == pytest.approx(of_group[0, 0])


@pytest.mark.parametrize(
    ("value", "classes", "floor", "searches"),
    [
        # Where a plant is found, and where none fits whatever the stream, once is enough.
        (value_stretches, ["plain"], None, 1),
        (value_stretches, ["plain"], -1e9, 1),
        (value_stretches, ["plain", "for deep water"], None, 1),
        (value_stretches, ["for high heads"], None, 1),
        # A quick look that finds nothing is followed by a search, but not where the quick look alone is asked for.
        (value_stretches, ["for high heads"], -1e9, 2),
        (value_any, ["for high heads"], -1e9, 1),
        # Whether a larger stream would have a plant is asked where this one is too small for some class and lacks
        # some plant, be it a fish-safe one alone.
        (value_stretches, ["for deep water"], None, 2),
        (value_stretches, ["for high heads", "for deep water"], None, 2),
        (value_stretches, ["harmful", "for deep water"], None, 2),
        (value_any, ["for deep water"], None, 1),
    ],
)
def test_a_stretch_is_searched_again_only_where_that_may_find_more(
    value, classes, floor, searches, turbine_class, generic_costs, settings, monkeypatch
):
    of_name = {
        "plain": turbine_class(),
        "for deep water": turbine_class().model_copy(update={"min_depth_m": 0.5}),
        "for high heads": turbine_class(head_range_m=(20.0, 30.0)),
        "harmful": turbine_class(survival=survival(0.1)),
    }
    rows = pd.DataFrame([stretch(stream_depth_m=0.1, stream_width_m=9.0)])
    curve, calls = np.full((1, BINS), 2.0), []

    def counted(*arguments):
        calls.append(len(arguments))
        return sizing.best_of_stretches(*arguments)

    monkeypatch.setattr(valuation, "best_of_stretches", counted)

    floors = None if floor is None else np.array([floor])
    value(rows, curve, 0.0 * curve, [of_name[name] for name in classes], generic_costs, settings, floor=floors)

    assert len(calls) == searches


def test_a_stream_is_too_small_for_those_choices_alone_that_have_no_plant(turbine_class, generic_costs, settings):
    # Of two classes one fits and harms fish; the other, which does not, needs deeper water.
    classes = [turbine_class(survival=survival(0.1)), turbine_class().model_copy(update={"min_depth_m": 0.5})]
    rows, curve = pd.DataFrame([stretch(stream_depth_m=0.1, stream_width_m=9.0)]), np.full((1, BINS), 2.0)

    values = value_stretches(rows, curve, 0.0 * curve, classes, generic_costs, settings).iloc[0]

    assert [values[f"{choice}_turbine"] for choice in ("any", "as_built")] == [0, -1]
    assert [values[f"{choice}_stream_too_small"] for choice in ("any", "as_built")] == [False, True]


def test_a_size_from_which_on_a_class_is_safe_is_one_that_it_has():
    table = SimpleNamespace(flow_min_m3s=np.array([0.1]), flow_max_m3s=np.array([5.0]))

    (sizes,) = valuation._safe_sizes([np.array([[0.1], [0.2], [5.0], [5.2]])], table)

    assert sizes.ravel().tolist() == [0.0, 0.2, 5.0, np.inf]


@pytest.mark.parametrize(
    ("as_built", "screened", "is_best"),
    [
        # Safe were units from 2 m³/s as built, and from 1 behind the screen: the same now, or only with the screen
        # closed to all. Smaller ones as built, or behind the screen, were not looked at; nor was what needs a
        # screen now.
        (2.0, 1.0, True),
        (2.0, np.inf, True),
        (1.5, np.inf, False),
        (2.0, 0.5, False),
        (3.0, 1.0, False),
        (3.0, np.inf, True),
    ],
)
def test_the_best_by_one_bar_for_fish_is_that_by_another_that_allows_no_more(as_built, screened, is_best):
    nothing = np.full((1, 3), -1), np.full((1, 3, len(sizing.FOUND)), np.nan), np.zeros((1, 3), dtype=bool)
    now = np.array([[as_built]]), np.array([[screened]])

    still = valuation._is_still_best(valuation._Best(*nothing), (np.array([[2.0]]), np.array([[1.0]])), now)

    assert still.tolist() == [is_best]


@pytest.mark.parametrize("has_screen", [False, True])
def test_a_plant_behind_a_screen_stays_the_best_by_the_sizes_that_are_safe_behind_it(has_screen):
    # A unit of 1.5 m³/s, where units are safe from 2 m³/s as built and from 1 behind the screen.
    found = np.zeros((1, 3, len(sizing.FOUND)))
    found[..., sizing.FLOW], found[..., sizing.UNITS], found[..., sizing.SCREENED] = 1.5, 1.0, has_screen
    best = valuation._Best(np.zeros((1, 3), dtype=np.int64), found, np.zeros((1, 3), dtype=bool))
    safe = np.array([[2.0]]), np.array([[1.0]])

    assert valuation._is_still_best(best, safe, safe).tolist() == [has_screen]


def test_the_first_class_is_listed_with_a_screen_too_and_set_for_the_head_behind_its_canal(
    turbine_class, generic_costs, settings, screen
):
    law = {"speed_factor": 2.294, "speed_exponent": -0.486, "sigma_factor": 1.5241, "sigma_exponent": 1.46}
    law |= {"max_depth_m": 9.0, "source": "an example"}
    turbine = turbine_class(survival=survival(0.9), flow_range_m3s=(0.1, 2.0), setting=law)
    rows = pd.DataFrame([stretch(scheme_type="diversion", conduit_length_m=500.0)])
    curve = np.full((1, BINS), 2.1)

    options = turbine_options(rows, curve, 0.0 * curve, [turbine], with_screen(generic_costs, screen()), settings)

    assert options["screened"].tolist() == [False, True]
    net_m = net_head_m(3.2, 500.0, settings.energy)
    assert net_m < 2.9
    assert options["suction_head_m"].tolist() == pytest.approx([suction_head_m(turbine.setting, net_m, 0.0)] * 2)


@pytest.mark.parametrize("percents", [[30.0], [30.0, 50.0], [30.0, 50.0, 70.0]])
def test_each_stretch_has_a_size_for_each_design_flow(percents, turbine_class, generic_costs, settings):
    energy = settings.energy.model_copy(update={"design_exceedance_percent": percents})
    rows = pd.DataFrame([stretch(), stretch(head_m=4.2)])
    curve = np.linspace(3.0, 1.0, BINS)[None, :]

    sizes = size_options(
        rows, curve, 0.0 * curve, [turbine_class()], generic_costs, settings.model_copy(update={"energy": energy}),
        [0, 0], [False, False],
    )  # fmt: skip

    assert sizes["stretch"].tolist() == [0] * len(percents) + [1] * len(percents)
    assert sizes["design_exceedance_percent"].tolist() == pytest.approx(2 * percents, abs=0.5)


@pytest.mark.parametrize(("name", "stations"), [("intake", [-1, 1]), ("intake", [0, 2]), ("tailrace", [1, 2])])
def test_any_end_that_is_no_station_is_refused(name, stations):
    rows = pd.DataFrame([stretch(), stretch()]).assign(intake=[0, 1], tailrace=[1, 1])
    depths = valuation._constant_levels(np.ones((2, BINS)))

    valuation._check_stretches(rows, depths, 2, "grid")
    with pytest.raises(ValueError, match="must be station numbers from 0 to 1"):
        valuation._check_stretches(rows.assign(**{name: stations}), depths, 2, "grid")


@pytest.mark.parametrize("shapes", [((1, 4), (1, 3)), ((4,), (4,))])
def test_flows_that_are_no_tables_of_one_shape_are_refused(shapes):
    with pytest.raises(ValueError, match="must have one shape"):
        valuation._checked_flows(*(np.ones(shape) for shape in shapes))


def test_energy_costs_what_a_year_does_over_it_be_it_ever_so_little_and_without_any_no_sum_is_enough(settings):
    found = np.ones((3, len(sizing.FOUND)))
    found[:, sizing.ENERGY], found[:, sizing.YEARLY] = [2.0, 0.0005, 0.0], 100.0

    columns = valuation._choice_columns(np.zeros(3, dtype=np.int64), found, settings)

    assert columns["lcoe_per_kwh"].tolist() == pytest.approx([100.0 / 2000.0, 100.0 / 0.5, np.inf])


def test_two_finds_are_one_plant_where_flow_units_and_screen_are_the_same():
    one = np.ones((4, len(sizing.FOUND)))
    other = one.copy()
    for row, figure in enumerate((sizing.FLOW, sizing.UNITS, sizing.SCREENED, sizing.SCORE)):
        other[row, figure] = 2.0

    assert valuation._is_same(one, other).tolist() == [False, False, False, True]


def test_a_plant_that_an_earlier_choice_has_too_has_its_firm_power():
    def choice(*plants):
        names = ("turbine", "screened", "units", "flow_design_m3s", "power_kw", "firm_power_kw")
        return {name: np.array(values) for name, values in zip(names, zip(*plants, strict=True), strict=True)}

    one, other, screened = (
        (0, False, 1, 2.0, 40.0, 11.0),
        (1, False, 1, 2.0, 40.0, 12.0),
        (0, True, 1, 2.0, 40.0, 13.0),
    )
    earlier = [choice(one, one, one, one), choice(one, screened, one, other)]

    firm_kw, is_new = valuation._known_firm_kw(choice(one, screened, other, other), earlier)

    assert is_new.tolist() == [False, False, True, False]
    assert firm_kw.tolist()[:2] + firm_kw.tolist()[3:] == [11.0, 13.0, 12.0]


def test_where_no_turbine_fits_the_row_stays(turbine_class, generic_costs, settings):
    rows = [
        stretch(head_m=30.0),
        stretch(intake=1),
        stretch(head_m=0.21),
        stretch(scheme_type="diversion"),
        stretch(),
    ]
    curve = np.array([[1.0] * BINS, [0.0] * BINS])
    turbines = [turbine_class(scheme_types=("at_barrier",))]

    values = value_stretches(pd.DataFrame(rows), curve, 0 * curve, turbines, generic_costs, settings)

    # Too high, no water, too low, wrong scheme type; the last fits.
    assert values["any_turbine"].tolist() == [-1, -1, -1, -1, 0]
    assert values["safe_units"].tolist() == [0, 0, 0, 0, 1]
    numbers = values.filter(regex="^any_(?!turbine|units|screened|stream_too_small|grade)")
    assert numbers.iloc[:4].isna().all(axis=None)
    assert numbers.iloc[4].notna().all()


def test_no_stretches_give_an_empty_table_with_all_columns(turbine_class, generic_costs, settings):
    rows = pd.DataFrame([stretch()])

    none = value_stretches(
        rows.iloc[:0], np.ones((1, BINS)), np.zeros((1, BINS)), [turbine_class()], generic_costs, settings
    )
    one = value_stretches(
        rows, np.ones((1, BINS)), np.zeros((1, BINS)), [turbine_class()], generic_costs, settings
    )

    assert len(none) == 0
    assert none.columns.tolist() == one.columns.tolist()
    assert (none.dtypes == one.dtypes).all()


def test_options_of_no_stretches_are_none(region, generic_turbines, generic_costs, settings):
    stretches, curve, environmental_flow = region

    options = turbine_options(
        stretches.iloc[:0], curve, environmental_flow, generic_turbines, generic_costs, settings
    )

    assert len(options) == 0
    assert {"stretch", "is_best_any", "is_best_safe"} <= set(options.columns)


def test_an_unknown_flow_or_head_fits_no_turbine(turbine_class, generic_costs, settings):
    rows = pd.DataFrame([stretch(intake=0), stretch(intake=1, head_m=np.nan), stretch(intake=1)])
    curve = np.array([[np.nan] * BINS, [1.0] * BINS])

    values = value_stretches(rows, curve, 0 * curve, [turbine_class()], generic_costs, settings)

    assert values["any_turbine"].tolist() == [-1, -1, 0]


def test_costs_without_a_distance_are_said_to_be_left_out(turbine_class, generic_costs, settings):
    nan = np.nan
    rows = pd.DataFrame(
        [
            stretch(),
            stretch(road_distance_m=nan),
            stretch(line_distance_m=nan),
            stretch(road_distance_m=nan, line_distance_m=nan),
        ]
    )

    values = value_stretches(
        rows, np.ones((1, BINS)), np.zeros((1, BINS)), [turbine_class()], generic_costs, settings
    )

    assert values["costs_left_out"].tolist() == ["", "road", "line", "road; line"]
    # 150 m of road at 80 and 400 m of line at 60, with shares on top.
    left_out = values["any_capital_cost"].iloc[0] - values["any_capital_cost"]
    np.testing.assert_allclose(left_out, np.array([0, 12_000, 24_000, 36_000]) * ON_TOP)


def test_rows_do_not_depend_on_their_neighbours_and_nothing_given_is_altered(
    region, generic_turbines, generic_costs, settings
):
    stretches, curve, environmental_flow = region
    before = stretches.copy(), curve.copy(), environmental_flow.copy()

    whole = value_stretches(stretches, curve, environmental_flow, generic_turbines, generic_costs, settings)
    shuffled = stretches.sample(frac=1.0, random_state=3)
    turned = value_stretches(shuffled, curve, environmental_flow, generic_turbines, generic_costs, settings)

    pandas.testing.assert_frame_equal(turned.loc[stretches.index], whole, check_exact=True)
    pandas.testing.assert_frame_equal(stretches, before[0])
    assert np.array_equal(curve, before[1])
    assert np.array_equal(environmental_flow, before[2])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            {"scheme_type": "on_stilts"},
            "scheme types must be among at_barrier, diversion, new_weir \\(found on_stilts\\)",
        ),
        ({"intake": 1}, "intakes and tailraces must be station numbers from 0 to 0"),
        ({"intake": -1}, "intakes and tailraces must be station numbers from 0 to 0"),
    ],
)
def test_a_table_that_cannot_be_right_is_refused(turbine_class, generic_costs, settings, change, message):
    curve = np.ones((1, BINS))

    with pytest.raises(ValueError, match=message):
        value_stretches(
            pd.DataFrame([stretch(**change)]), curve, 0 * curve, [turbine_class()], generic_costs, settings
        )


def test_a_missing_column_is_named(turbine_class, generic_costs, settings):
    rows = pd.DataFrame([stretch()]).drop(columns=["head_m", "has_fish_pass"])

    with pytest.raises(ValueError, match="stretches lack the columns has_fish_pass, head_m"):
        value_stretches(rows, np.ones((1, BINS)), np.ones((1, BINS)), [turbine_class()], generic_costs, settings)


def test_what_pays_needs_no_better_plant_than_one_above_the_ceiling(
    region, generic_turbines, generic_costs, settings
):
    data = (*region, generic_turbines, generic_costs, settings)
    free = value_stretches(*data)
    value = free["any_net_annual_value"]
    ceiling = float(value.median())
    floor = np.full(len(free), ceiling - value.std())

    found = value_stretches(*data, floor=floor, ceiling=ceiling)
    brief = value_any(*data, floor=floor, ceiling=ceiling)

    left_out = ["any_firm_power_kw", "any_survival", "any_grade", "any_stream_too_small"]
    kept = [name for name in found if name.startswith("any_") and name not in left_out]
    assert brief.columns.tolist() == [*kept, "costs_left_out"]
    above = value > ceiling
    assert 5 < above.sum() < len(free) - 5
    for name in ("any_net_annual_value", "any_turbine", "any_energy_mwh"):
        pandas.testing.assert_series_equal(brief.loc[above, name], found.loc[above, name], check_exact=True)
    # Some plant that is above, which is not always the best, and no others.
    some = found.loc[above, "any_net_annual_value"]
    assert ((some > ceiling) & (some <= value[above])).all()
    assert (some < value[above]).any()
    assert (found.loc[above, ["safe_turbine", "as_built_turbine"]] < 0).all(axis=None)
    # All others as with the floor alone.
    with_floor = value_stretches(*data, floor=floor)
    pandas.testing.assert_frame_equal(found[~above], with_floor[~above], check_exact=True)
    between = ~above & (value > floor)
    assert between.sum() > 3
    pandas.testing.assert_series_equal(
        brief.loc[between, "any_net_annual_value"], value[between], check_exact=True
    )


def test_water_that_is_worked_out_beforehand_gives_the_same_values(
    region, generic_turbines, generic_costs, settings
):
    stretches, curve, environmental_flow = region
    stretches = stretches.assign(tailrace=stretches["intake"])
    errors = stated_flow_errors(curve, None, environmental_flow.mean(axis=1), np.full(len(curve), 0.3))
    model, some = FlowModel(errors, ()), stretches.iloc[: len(stretches) // 2]
    given = curve, environmental_flow, generic_turbines, generic_costs, settings

    water = expected_by_kind(stretches, curve, generic_costs, settings, None, model)
    found = value_stretches(some, *given, model=model, water=water)

    expected = value_stretches(some, *given, model=model)
    pandas.testing.assert_frame_equal(found, expected, check_exact=True)
    as_it_is = value_stretches(some, *given)
    assert (found["any_energy_mwh"] < as_it_is["any_energy_mwh"]).any()


def test_the_search_finds_the_same_where_it_is_not_compiled(
    region, generic_turbines, generic_costs, settings, monkeypatch
):
    stretches, *flows = region
    data = (stretches.iloc[:3], *flows, generic_turbines, generic_costs, settings)
    compiled = value_stretches(*data)

    monkeypatch.setattr(sizing, "_search", inspect.unwrap(sizing._search))
    plain = value_stretches(*data)

    assert (compiled["any_turbine"] >= 0).all()
    pandas.testing.assert_frame_equal(plain, compiled, check_exact=True)


def test_after_a_quick_look_places_without_a_plant_are_searched_unless_they_have_enough(monkeypatch):
    # Of three places the first has plants for all choices asked, the second none, the third one above the ceiling.
    asked = []

    def search(places, *worth):
        asked.append((places.tolist(), bool(worth)))
        turbine = (
            np.array([[0, 0, 0], [-1, -1, -1], [0, -1, -1]])[places] if worth else np.full((len(places), 3), 7)
        )
        score = np.array([1.0, np.nan, 9.0])[places] if worth else np.full(len(places), 5.0)
        return turbine, np.repeat(score[:, None, None], 3, axis=1), None

    monkeypatch.setattr(valuation, "best_of_stretches", lambda places, fits, *rest: search(places, *rest))
    monkeypatch.setattr(valuation, "FITS", 1)
    monkeypatch.setattr(valuation, "_of_rows", lambda searched, rows: tuple(each[rows] for each in searched))
    searched, fits = (np.arange(3), np.ones((3, 1), dtype=bool)), np.ones((3, 1), dtype=bool)
    for floor, ceiling, again in ((0.0, 6.0, [1]), (0.0, None, [1, 2]), (0.0, 9.0, [1, 2]), (None, None, [])):
        asked.clear()
        worth = valuation._Worth(*(None if each is None else np.full(3, each) for each in (floor, ceiling)))

        best = valuation._best(searched, fits, {"any": 0, "safe": 1, "as built": 2}, worth)

        assert asked == [([0, 1, 2], True), *([(again, False)] if again else [])]
        assert np.flatnonzero((best.turbine == 7).all(axis=1)).tolist() == again
        assert not best.too_small.any()
