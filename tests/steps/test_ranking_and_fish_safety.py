"""Sites of the sample region by other rankings, what fish-safe turbines win there, and how one gets to them."""

from itertools import pairwise

import numpy as np
import pytest
import shapely
from greedy_choice import best_and_greedy

from sitefinder.delivery.depleted_reaches import find_depleted_reaches
from sitefinder.delivery.site_tables import make_sites, rank_sites
from sitefinder.settings import RankingSettings
from sitefinder.siting.selection import choose_sites
from sitefinder.steps.candidates import value_all
from sitefinder.steps.evidence import value_by_evidence
from sitefinder.steps.rules import mark_fish_safe_only
from sitefinder.steps.selection import fish_safe_gain_table, offer_steps, weigh_fish_safety

RANKED_FROM = ["stationing", "heads", "flows", "water_depths", "months", "selected_sites", "site_energy"]
GAIN_OF = ["stationing", "stretches", "flows", "water_depths", "energy", "verdicts"]


@pytest.fixture(scope="module")
def given(sample_run):
    return sample_run.results["settings"], sample_run.results["inputs"]


def with_section(settings, name, **changes):
    section = getattr(settings, name).model_copy(update=changes)
    return settings.model_copy(update={name: section})


@pytest.fixture(scope="module")
def by_score(sample_run, given):
    settings, inputs = given
    weights = {"net_annual_value": 2.0, "road_distance_m": 1.0, "settlement_distance_m": 1.0}
    ranking = RankingSettings(rank_by="score", score={"weights": weights})
    settings = settings.model_copy(update={"ranking": ranking})
    results = sample_run.results
    given = [results[name] for name in RANKED_FROM]
    found = rank_sites(settings, inputs, *given)
    depleted_from = ["stationing", "flows", "water_depths", "channel_shapes", "months"]
    depleted = find_depleted_reaches(settings, inputs, *[results[name] for name in depleted_from], found)
    around = [results[name] for name in ("stretches", "river_parts", "site_land", "site_water_rights")]
    sites = make_sites(settings, inputs, results["stationing"], results["heads"], found, depleted, *around)
    return sites, found.criteria, found.sensitivity


def test_a_ranking_by_score_orders_the_same_sites_and_shows_its_criteria(sample_run, by_score):
    plain, scored = sample_run.delivered.tables["sites"], by_score[0]

    assert set(plain["site_id"]) == set(scored["site_id"])
    assert plain["site_id"].tolist() != scored["site_id"].tolist()
    assert scored["score"].is_monotonic_decreasing
    assert scored["score"].between(0, 1).all()
    points = by_score[1].groupby("site_id")["points"].sum()
    assert points.loc[scored["site_id"]].to_numpy() == pytest.approx(scored["score"].to_numpy())
    assert len(by_score[1]) == 3 * len(scored)
    assert len(by_score[2]) == 3 * min(len(scored), 20)
    assert scored["prob_in_top_n"].sum() == pytest.approx(min(10, len(scored)))


def test_a_ranking_by_one_figure_has_no_criteria(sample_run):
    tables = sample_run.delivered.tables

    assert len(tables["ranking_criteria"]) == len(tables["ranking_sensitivity"]) == 0


def test_interval_bounds_are_in_order_and_shares_add_up(sample_run):
    sites = sample_run.delivered.tables["sites"]

    for name in ("power_kw", "energy_mwh"):
        assert (sites[f"{name}_p90"] < sites[f"{name}_p50"]).all()
        assert (sites[f"{name}_p50"] < sites[f"{name}_p10"]).all()
        # The stated figure is that of the mean flow, and lies within its own interval.
        assert sites[name].between(sites[f"{name}_p90"], sites[f"{name}_p10"]).all()
    assert (sites["lcoe_per_kwh_p90"] > sites["lcoe_per_kwh_p50"]).all()
    assert (sites["lcoe_per_kwh_p50"] > sites["lcoe_per_kwh_p10"]).all()
    for kind in ("energy", "lcoe"):
        shares = sites[[name for name in sites if name.startswith(f"{kind}_variance_share_")]]
        assert shares.sum(axis=1).to_numpy() == pytest.approx(np.ones(len(sites)))


def test_totals_of_districts_are_narrower_than_the_sums_of_their_sites(sample_run):
    districts, sites = sample_run.delivered.tables["districts"], sample_run.delivered.tables["sites"]

    for row in districts.itertuples():
        mine = sites[sites["district"] == row.district]
        if len(mine) > 1:
            # Own errors cancel in part, what is shared does not; half a hundredth is left to the chance of 500
            # simulations, since sites on one stem share nearly all.
            apart = (mine["energy_mwh_p10"] - mine["energy_mwh_p90"]).sum()
            assert row.energy_mwh_p10 - row.energy_mwh_p90 < 1.005 * apart
            assert row.energy_mwh_p90 < row.energy_mwh < row.energy_mwh_p10
            yearly = (mine["lcoe_per_kwh"] * mine["energy_mwh"]).sum()
            assert row.lcoe_per_kwh == pytest.approx(yearly / mine["energy_mwh"].sum())


def test_the_chosen_set_has_no_less_value_than_a_greedy_one(sample_run, given):
    settings, results = given[0], sample_run.results
    of_choice = results["stretches"], results["sites"].offers, results["stationing"].stations
    chosen, greedy = best_and_greedy(*of_choice, settings.ranking.min_free_flowing_m)

    print(f"sample region: best set {chosen:.0f}, greedy {greedy:.0f} a year, {chosen / greedy - 1:+.2%}")
    assert chosen >= greedy > 0


def test_fish_safe_turbines_win_what_the_best_set_without_them_lacks(sample_run):
    gain, sites = sample_run.delivered.tables["fish_safe_gain"], sample_run.delivered.tables["sites"]
    run = gain[gain["as_set"]].set_index("district")

    # Two questions by four grades, and the bar a point lower and higher for those of the settings.
    assert len(gain) == (2 * 4 + 2) * len(run)
    assert (run["sites_changed"] == 0).all()
    for district, row in run.iterrows():
        mine = sites[sites["district"] == district]
        protected = mine[mine["mark_fish_safe_only"]]
        assert (row["sites"], row["sites_only_safe"]) == (len(mine), len(protected))
        # Both selections by the curve that the choice goes by; sites have the mean of their simulations.
        assert row["energy_mwh"] == pytest.approx(mine["energy_mwh"].sum(), rel=0.02)
        assert row["energy_only_safe_mwh"] == pytest.approx(protected["energy_mwh"].sum(), rel=0.02)
        assert row["gain_mwh"] == pytest.approx(row["energy_mwh"] - row["energy_any_mwh"])
    assert run["energy_only_safe_mwh"].sum() > 0
    assert run["sites_any"].sum() > 0
    reaches = sample_run.delivered.tables["reaches"]
    free = reaches["verdict"].isin(["open", "restricted"]) & reaches["mark_fish_safe_only"]
    assert run["only_safe_length_km"].sum() == pytest.approx(reaches.loc[free, "length_m"].sum() / 1000)


def test_weaker_evidence_never_lowers_the_value_of_the_best_set(sample_run, given):
    settings, inputs = given
    results = sample_run.results
    # A bar that no class meets as tested once the screw is left out, but several as claimed.
    strict = with_section(settings, "fish", min_survival=0.97, evidence=["tested"])
    inputs = inputs._replace(turbines=[each for each in inputs.turbines if each.name != "Archimedes screw"])
    stationing, stretches, flows, depths, _, verdicts = (results[name] for name in GAIN_OF)
    energy = value_all(strict, inputs, stretches, flows, depths)

    found = weigh_fish_safety(
        strict,
        inputs,
        stationing,
        stretches,
        energy,
        value_by_evidence(
            strict,
            inputs,
            stretches,
            flows,
            depths,
            results["months"],
            results["closed_months"],
            mark_fish_safe_only(verdicts),
            energy,
        ),
        *(sample_run.results[name] for name in ("spawning_m", "verdicts", "water_bodies")),
    )

    shown = sample_run.delivered.tables["reaches"], sample_run.results["district_lengths"]
    table = fish_safe_gain_table(strict, inputs, stationing, stretches, verdicts, found, *shown)
    energy_by = table.groupby("evidence")["energy_only_safe_mwh"].sum()
    value = {}
    for case, sites in found.by_case.items():
        if case.bar_change:
            continue
        value[case.question, case.evidence] = sites.valued["net_annual_value"].sum()
    without = found.without.valued["net_annual_value"].sum()
    for question in ("as_built", "screened"):
        by_grade = [value[question, grade] for grade in ("tested", "modelled", "claimed", "none")]
        assert without <= by_grade[0]
        assert by_grade == sorted(by_grade)
        assert by_grade[0] < by_grade[-1]
    # What may have a screen has no less than what may not.
    assert all(value["screened", grade] >= value["as_built", grade] for grade in ("tested", "modelled", "claimed"))
    assert set(energy_by.index) == {"tested", "modelled", "claimed", "none"}
    # A lower bar gains, and a higher one loses.
    by_bar = {case.bar_change: sites for case, sites in found.by_case.items() if case[:2] == found.own[:2]}
    worth = [by_bar[change].valued["net_annual_value"].sum() for change in sorted(by_bar)]
    assert sorted(by_bar) == [-0.01, 0.0, 0.01]
    assert worth == sorted(worth, reverse=True)


def test_spacing_and_hard_limits_never_raise_the_value_of_the_set(sample_run, given):
    settings, inputs = given
    results = sample_run.results
    stationing, stretches, energy, verdicts = (
        results[n] for n in ("stationing", "stretches", "energy", "verdicts")
    )
    value, notes = {}, set()
    cases = {
        "none": {"min_free_flowing_m": 0.0},
        "spacing": {"min_free_flowing_m": 400.0},
        "power": {"min_free_flowing_m": 0.0, "min_power_kw": 60.0},
        "road": {"min_free_flowing_m": 0.0, "max_road_distance_m": 200.0},
    }
    for name, changes in cases.items():
        changed = with_section(settings, "ranking", **changes)
        steps = offer_steps(changed, inputs, stationing, stretches, energy, verdicts)
        offers = choose_sites(stretches, steps, energy, verdicts.choice, stationing.stations, changed)
        value[name] = offers.valued["net_annual_value"].to_numpy()[offers.chosen].sum()
        notes |= {step for step, _ in offers.ladder}
        picked = stretches.table[offers.chosen]
        if name == "power":
            assert offers.valued["power_kw"].to_numpy()[offers.chosen].min() >= 60.0
        if name == "road":
            assert picked["road_distance_m"].max() <= 200.0
        if name == "spacing":
            assert nearest_way_down_m(stationing.stations, picked) >= 400.0
        if name == "none":
            assert nearest_way_down_m(stationing.stations, picked) < 400.0

    assert all(value[name] < value["none"] for name in ("spacing", "power", "road"))
    assert {"too little power", "too far from a road"} <= notes


# Least way from a tailrace down to the next intake [m].
def nearest_way_down_m(stations, picked):
    downstream, step_m = stations["downstream"].to_numpy(), stations["to_downstream_m"].to_numpy()
    intakes, min_m = set(picked["intake"]), np.inf
    for tailrace in picked["tailrace"]:
        station, way_m = tailrace, 0.0
        while station >= 0 and station not in intakes:
            way_m += step_m[station]
            station = downstream[station]
        min_m = min(min_m, way_m) if station >= 0 else min_m
    return min_m


def test_distances_by_road_are_the_shortest_of_all(sample_run, given):
    inputs = given[1]
    sites = sample_run.delivered.tables["sites"]
    roads = np.asarray(inputs.layers["roads"].frame.geometry, dtype=object)
    # Bellman and Ford's relaxation over the roads, cut at every place where they touch or cross.
    merged = shapely.get_parts(shapely.node(shapely.union_all(roads)))
    villages = np.asarray(inputs.layers["settlements"].frame.geometry, dtype=object)
    edges, cuts = [], {}
    for kind, shapes in (("site", sites.geometry.to_numpy()), ("village", villages)):
        for number, shape in enumerate(shapes):
            line = int(np.argmin(shapely.distance(merged, shape)))
            at_m = shapely.line_locate_point(
                merged[line], shapely.get_point(shapely.shortest_line(merged[line], shape), 0)
            )
            cuts.setdefault(line, []).append((at_m, (kind, number)))
            edges.append(((kind, number), ("road", kind, number), shapely.distance(merged[line], shape)))
    for line, piece in enumerate(merged):
        ends = [tuple(np.round(xy, 3)) for xy in (piece.coords[0], piece.coords[-1])]
        stops = sorted(
            [(0.0, ends[0]), (piece.length, ends[1])] + [(at, ("road", *name)) for at, name in cuts.get(line, [])],
            key=lambda stop: stop[0],
        )
        for (from_m, one), (to_m, other) in pairwise(stops):
            if one != other:
                edges.append((one, other, to_m - from_m))
    ways = {("village", number): 0.0 for number in range(len(villages))}
    shorter = True
    while shorter:
        shorter = False
        for one, other, length_m in [*edges, *((other, one, length_m) for one, other, length_m in edges)]:
            if ways.get(one, np.inf) + length_m < ways.get(other, np.inf) - 1e-9:
                ways[other], shorter = ways[one] + length_m, True
    expected = np.array([ways.get(("site", number), np.nan) for number in range(len(sites))])

    assert np.isfinite(expected).sum() > len(sites) / 2
    # Roads that cross without a common vertex are joined there and not here, so no way here is shorter.
    found = sites["settlement_road_m"].to_numpy()
    assert (found >= expected - 0.01).all()
    assert np.median(found / expected) == pytest.approx(1.0, abs=1e-3)
    assert (found >= sites["settlement_distance_m"].to_numpy() - 0.01).all()


def test_the_bank_and_the_climb_are_those_of_the_nearest_road(sample_run, given):
    inputs = given[1]
    sites, stretches = sample_run.delivered.tables["sites"], sample_run.delivered.tables["stretches"]
    roads = shapely.union_all(np.asarray(inputs.layers["roads"].frame.geometry, dtype=object))
    lines = stretches[stretches["site_id"] != ""].set_index("site_id").geometry
    sides = 0
    for site in sites.itertuples():
        line = lines[site.site_id]
        to = shapely.get_point(shapely.shortest_line(roads, site.geometry), 0)
        # The area of end, last vertex before it, and road shows the side.
        back = shapely.line_interpolate_point(line, max(line.length - 1.0, 0.0))
        ring = shapely.LinearRing([back, site.geometry, to])
        assert site.road_bank == ("left" if shapely.is_ccw(ring) else "right")
        assert abs(site.road_climb_m) < 200.0
        sides += site.road_bank == "left"
    assert 0 < sides < len(sites)
