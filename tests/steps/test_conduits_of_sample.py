"""Conduits of the sample region: against Dijkstra's search over all cells, and what its sites hold."""

import json

import numpy as np
import pytest
import shapely
from conduit_search import ratios_to_cheapest

import sitefinder as sf
from sitefinder.siting.candidates import subset
from sitefinder.steps.candidates import value_all
from sitefinder.steps.conduits import find_ways, join_ways, searches
from sitefinder.vocabulary import CONDUIT_UNRESOLVED

pytestmark = pytest.mark.slow

# Searches over all cells, of a second each; `tests/benchmarks/conduit_costs.py` has 50 and more.
CASES = 4
# Ends of the true canals along their stream.
ENDS = ("from_m", "to_m")
# Diversions that the best case leaves out, of which the way is looked for all the same.
LEFT_OUT = 800


@pytest.fixture(scope="module")
def search(sample_run):
    results = sample_run.results
    given = [results[name] for name in ("inputs", "surface", "stationing", "heads")]
    table = results["candidates"].table
    diversions = table[table["scheme_type"] == "diversion"]
    # The region is one square of the grid.
    ((_, search),) = searches(sf.read_settings(sample_run.settings), *given, diversions)
    return search


def test_the_cost_of_a_conduit_is_that_of_the_cheapest_way_over_all_cells_within_10_percent(search):
    ratio = ratios_to_cheapest(search, CASES, seed=7)

    print(np.round(np.sort(ratio), 3).tolist())
    assert np.min(ratio) > 0.95
    assert np.max(ratio) < 1.1


def test_diversions_that_do_not_pay_at_best_do_not_pay_with_their_ways(sample_run):
    results, settings = sample_run.results, sf.read_settings(sample_run.settings)
    candidates, best_case = results["candidates"], results["best_case"]
    table = candidates.table
    diverts = (table["scheme_type"] == "diversion").to_numpy()
    may_pay, at_best = (best_case[name].to_numpy() for name in ("may_pay", "any_net_annual_value"))
    # Those that come nearest to paying, and any others.
    left_out = np.flatnonzero(diverts & ~may_pay & ~np.isnan(at_best))
    nearest = left_out[np.argsort(-at_best[left_out])[: LEFT_OUT // 2]]
    others = np.random.default_rng(3).choice(left_out, LEFT_OUT // 2, replace=False)
    rows = np.union1d(nearest, others)
    chosen = np.isin(np.arange(len(table)), rows)

    given = [results[name] for name in ("inputs", "surface", "stationing", "heads")]
    some = subset(candidates, chosen)
    ways = find_ways(settings, *given, some)
    valued = value_all(
        settings, results["inputs"], join_ways(some, ways), results["flows"], results["water_depths"]
    )

    assert may_pay.sum() < 0.2 * diverts.sum()
    assert (ways.table["conduit_route"] != "").mean() > 0.5
    for prefix in ("any", "safe"):
        assert not (valued[f"{prefix}_net_annual_value"] > 0).any()


def test_no_conduit_of_a_site_cuts_deeper_than_the_setting(sample_run):
    sites = sample_run.results["sites_table"]
    known = sites[sites["conduit_route"] != ""]

    assert len(known)
    assert known["deepest_cut_m"].max() <= sf.read_settings(sample_run.settings).conduits.max_cut_m
    assert known["tunnel_length_m"].max() == 0
    assert (known["headrace_length_m"] + known["penstock_length_m"]).to_numpy() == pytest.approx(
        known["conduit_length_m"].to_numpy()
    )


def test_the_lines_of_conduits_are_as_long_as_is_said_and_lead_from_intake_to_powerhouse(sample_run):
    lines, sites = sample_run.results["conduits_table"], sample_run.results["sites_table"]
    stretches = sample_run.results["stretches_table"].set_index("site_id")

    for _, site in sites[sites["conduit_route"] != ""].iterrows():
        own = lines[lines["site_id"] == site["site_id"]].set_index("part")
        assert own.geometry["headrace"].length == pytest.approx(site["headrace_length_m"], abs=0.5)
        # A penstock is given along its slope.
        drop_m = site["head_m"]
        flat_m = own.geometry["penstock"].length
        assert flat_m <= site["penstock_length_m"] <= np.hypot(flat_m, drop_m + 1.0)
        way = stretches.geometry[site["site_id"]]
        assert shapely.distance(shapely.Point(own.geometry["headrace"].coords[0]), way) < 1.0
        assert shapely.distance(shapely.Point(own.geometry["penstock"].coords[-1]), way) < 1.0


def test_a_conduit_that_the_ground_does_not_resolve_is_as_long_as_the_stream(sample_run):
    table = sample_run.results["stretches"].table
    unresolved = table[table["conduit_unresolved"]]

    assert len(unresolved)
    assert (unresolved["conduit_length_m"] == unresolved["length_m"]).all()
    assert unresolved["deepest_cut_m"].isna().all()
    flagged = sample_run.results["sites_table"]["flags"].str.contains(CONDUIT_UNRESOLVED.name)
    assert not (flagged & (sample_run.results["sites_table"]["conduit_route"] != "")).any()


def test_a_conduit_is_no_longer_than_the_true_canal_along_the_hillside_and_shorter_only_by_cutting(
    sample_run, repository
):
    # The true canals follow the ground before the DEM's noise, without any cut: the cheapest way may cut corners.
    truth = json.loads((repository / "sample-region" / "truth.json").read_text(encoding="utf-8"))
    results, settings = sample_run.results, sf.read_settings(sample_run.settings)
    stations, candidates = results["stationing"].stations, results["candidates"]
    places, table = stations[["x_m", "y_m"]].to_numpy(), candidates.table
    given = [results[name] for name in ("inputs", "surface", "stationing", "heads")]

    ratios = {}
    for way in truth["conduits"]:
        stream = truth["streams"][way["stream"]]
        ends = [
            [np.interp(way[end], stream["distance_m"], stream[axis]) for axis in ("x_m", "y_m")] for end in ENDS
        ]
        off_m = sum(
            np.hypot(*(places[table[name]] - end).T)
            for name, end in zip(("intake", "tailrace"), ends, strict=True)
        )
        off_m = np.where(table["scheme_type"] == "diversion", off_m, np.inf)
        if off_m.min() > 50.0:
            continue
        ways = find_ways(settings, *given, subset(candidates, np.arange(len(table)) == off_m.argmin())).table
        length_m = ways["headrace_length_m"].iat[0] + ways["penstock_length_m"].iat[0]
        of_stream_m = table["length_m"].iat[off_m.argmin()]
        scale = (way["to_m"] - way["from_m"]) / of_stream_m
        ratio = length_m * scale / (way["headrace_m"] + way["penstock_m"])
        ratios.setdefault((way["stream"], way["from_m"]), []).append(ratio)
        if ratio < 0.95:
            assert ways["deepest_cut_m"].iat[0] > 0.3

    print({place: np.round(found, 3).tolist() for place, found in ratios.items()})
    assert len(ratios) >= 2
    for found in ratios.values():
        assert min(found) > 0.7
        # Of two banks the cheaper one was free to choose.
        assert max(found) < 1.05
