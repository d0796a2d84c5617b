"""The nearest change that an explanation names is tried: a run with it does what the explanation says."""

import shutil
from functools import cache

import geopandas
import pytest
import shapely
import small_valley
from partial_run import results_of

from sitefinder.errors import InputError
from sitefinder.explanation.explaining import explained
from sitefinder.finished_runs import explain
from sitefinder.io.settings_files import read_settings
from sitefinder.preparation import STORE, output_folder
from sitefinder.running import run_and_deliver

PARK = """
[[rules]]
name = "park"
path = "park.gpkg"
id_column = "id"
action = "exclude"
buffer_m = 20.0
"""
# The park begins this far from the stream [m].
AWAY_M = 30.0
REACH, SITE = "B1@300", "B1@350/diversion"
TABLES = ("sites_table", "reaches_table")
EXPLAINED_FROM = (
    *("settings", "inputs", *TABLES, "structures_table", "site_costs_table", "decisions_table", "delivered_sites"),
    "site_water_rights_table",
    *("stationing", "stretches", "candidates", "structures", "catchments", "water_bodies", "river_parts"),
    *("dem_errors", "heads", "flows", "water_depths", "months", "closed_months", "money", "decisions"),
    *("best_case", "energy", "closed_energy", "rule_overlaps", "spawning_m", "verdicts", "sites"),
)


@pytest.fixture(scope="module")
def valley(tmp_path_factory):
    """A small valley with a park beside its stream."""
    folder = tmp_path_factory.mktemp("valley")
    path = small_valley.write_valley(folder)
    stream_m = 5_000_000.0 - 55.0
    park = shapely.box(500_200, stream_m + AWAY_M, 500_500, stream_m + AWAY_M + 20.0)
    geopandas.GeoDataFrame({"id": ["P1"]}, geometry=[park], crs="EPSG:32633").to_file(folder / "park.gpkg")
    path.write_text(path.read_text(encoding="utf-8") + PARK, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def tried(valley):
    """A function that runs the valley with changes: ids of its sites, why its reach has none, an explanation.

    Each run makes no more than these two tables, and what an explanation reads where there is to be one.
    """
    store = valley.parent / "store"

    @cache
    def made(changes, is_explained):
        wanted = EXPLAINED_FROM if is_explained else TABLES
        return results_of(read_settings(valley, changes), *wanted, store=store)

    def trying(*changes, what=None):
        results = made(changes, what is not None)
        [reason] = results["reaches_table"]["rejection_reason"]
        found = None
        if what is not None:
            found = explained(results["settings"], results["inputs"], results, what)
        return results["sites_table"]["site_id"].tolist(), reason, found

    return trying


def changes_of(found, setting):
    return next(each for each in found["changes"] if each["setting"] == setting)


@pytest.mark.parametrize(
    ("setting", "stays"),
    [
        ("costs.price_per_kwh", 1.005),
        ('rules_changed."park".buffer_m', 0.99),
        pytest.param("heads.resolved_standard_errors", 0.99, marks=pytest.mark.exhaustive),
        pytest.param("stretches.min_flow_mean_m3s", 0.99, marks=pytest.mark.exhaustive),
    ],
)
def test_what_would_refuse_a_site_does_and_a_hundredth_less_does_not(tried, setting, stays):
    sites, _, found = tried(what=SITE)
    assert sites == [SITE]
    change = changes_of(found, setting)

    assert tried(change["option"])[:2] == ([], change["then"])
    assert tried(f"{setting}={change['to'] * stays}")[0] == [SITE]


@pytest.mark.parametrize(
    ("refusing", "reason", "setting", "fails"),
    [
        ("costs.price_per_kwh=0.1", "above the cost limit", "costs.price_per_kwh", 0.99),
        pytest.param(
            "costs.max_lcoe_per_kwh=0.1",
            "above the cost limit",
            "costs.max_lcoe_per_kwh",
            0.98,
            marks=pytest.mark.exhaustive,
        ),
        pytest.param(
            "stretches.min_flow_mean_m3s=7.0",
            "too little flow",
            "stretches.min_flow_mean_m3s",
            1.01,
            marks=pytest.mark.exhaustive,
        ),
        pytest.param(
            "heads.resolved_standard_errors=90.0",
            "head unresolved",
            "heads.resolved_standard_errors",
            1.01,
            marks=pytest.mark.exhaustive,
        ),
        pytest.param(
            "ranking.min_power_kw=5000.0",
            "too little power",
            "ranking.min_power_kw",
            1.01,
            marks=pytest.mark.exhaustive,
        ),
        ("ranking.max_road_distance_m=2.0", "too far from a road", "ranking.max_road_distance_m", 0.98),
        ('rules_changed."park".buffer_m=44.0', "excluded by rules", 'rules_changed."park".buffer_m', 1.01),
    ],
)
def test_what_would_admit_a_site_does_and_a_little_less_does_not(tried, refusing, reason, setting, fails):
    sites, why, found = tried(refusing, what=REACH)
    assert (sites, why) == ([], reason)
    change = changes_of(found, setting)

    assert found["changes"][0] == change
    assert change["then"] == ""
    assert tried(change["option"])[0] == [SITE]
    assert tried(f"{setting}={change['to'] * fails}")[:2] == ([], reason)


def test_a_doubt_that_may_be_let_pass_and_a_rule_that_may_be_left_out_are_named_too(tried):
    _, _, found = tried("heads.resolved_standard_errors=90.0", what=REACH)
    allowed = changes_of(found, "ranking.allow")
    _, _, barred = tried('rules_changed."park".buffer_m=44.0', what=REACH)
    left_out = changes_of(barred, "rules_left_out")

    assert tried("heads.resolved_standard_errors=90.0", allowed["option"])[0] == [SITE]
    assert left_out["option"] == 'rules_left_out=["park"]'
    assert tried(left_out["option"])[0] == [SITE]


def test_the_buffers_named_are_the_distance_of_the_park(tried):
    _, _, site = tried(what=SITE)
    _, _, barred = tried('rules_changed."park".buffer_m=44.0', what=REACH)

    adds, lifts = (changes_of(found, 'rules_changed."park".buffer_m')["to"] for found in (site, barred))
    assert adds == pytest.approx(AWAY_M, abs=0.11)
    assert adds - lifts == pytest.approx(0.1)


def test_what_follows_the_refusal_is_said(tried):
    _, reason, found = tried("stretches.min_flow_mean_m3s=7.0", 'rules_changed."park".buffer_m=44.0', what=REACH)
    assert reason == "too little flow"
    change = changes_of(found, "stretches.min_flow_mean_m3s")

    assert change["then"] == "excluded by rules"
    assert tried(change["option"], 'rules_changed."park".buffer_m=44.0')[1] == "excluded by rules"


def test_several_rules_are_said_where_no_change_of_one_opens_the_reach(tried):
    _, _, found = tried('rules_changed."park".buffer_m=44.0', what=REACH)

    assert found["changes_of_verdict"] == []
    assert "Several rules limit the reach (migration, park)" in found["note_of_verdict"]


def test_a_run_is_known_by_its_folder_and_what_is_not_kept_is_not_made(valley, tried):
    settings = read_settings(valley, ["costs.price_per_kwh=0.1"])
    # It goes on with what the same run of two tables kept.
    tried("costs.price_per_kwh=0.1", what=REACH)
    shutil.copytree(valley.parent / "store", output_folder(settings) / STORE)
    run_and_deliver(settings)

    found = explain(output_folder(settings), "500310,4999950").found

    assert found["about"]["id"] == REACH
    assert found["about"]["distance_m"] == pytest.approx(5.0)
    assert found["verdict"]["rejection_reason"] == "above the cost limit"
    with pytest.raises(InputError, match="not all results of this run are kept") as caught:
        explain(read_settings(valley, ["costs.price_per_kwh=0.11"]), REACH)
    assert "stages would run: " in str(caught.value)


@pytest.mark.parametrize(
    ("what", "found"),
    [
        ("B1@351", "the nearest names are B1@3"),
        ("no such thing", "nothing delivered is called no such thing"),
        ("500310,4990000", "no delivered reach is near this place"),
        ("structure:B1@300", "nothing delivered is called B1@300"),
    ],
)
def test_what_is_not_there_is_an_error(tried, what, found):
    with pytest.raises(InputError) as caught:
        tried(what=what)

    assert found in str(caught.value)
