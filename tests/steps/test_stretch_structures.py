"""What lies between intake and powerhouse of the sample's sites: named everywhere, and what rules may forbid."""

import json
import re

import numpy as np
import pytest
import shapely
import unpacked
from pdf_text import page_texts

from sitefinder.report.on_stream import things_by_site
from sitefinder.rules.overlaps import along_link, overlaps
from sitefinder.settings import RuleSettings
from sitefinder.siting.passed import BITS, builds_barrier
from sitefinder.steps.rules import judge
from sitefinder.steps.selection import choose
from sitefinder.vocabulary import NEVER_PAST


@pytest.fixture(scope="module")
def layers(sample_run, read_layers):
    return read_layers(sample_run.folder / "sites.gpkg")


# Structures at a stream, by the nearest point of the stream, recomputed from the delivered layers alone.
@pytest.fixture(scope="module")
def on_stream(layers):
    structures = layers["structures"][layers["structures"]["reach_id"] != ""]
    lines = layers["reaches"].geometry.to_numpy()
    tree = shapely.STRtree(lines)
    nearest = lines[tree.nearest(structures.geometry.to_numpy())]
    places = shapely.line_interpolate_point(
        nearest, shapely.line_locate_point(nearest, structures.geometry.to_numpy())
    )
    return dict(zip(structures["structure_id"], places, strict=True))


def test_every_structure_on_the_line_of_a_site_is_named_in_the_geopackage(layers, on_stream):
    sites = layers["stretches"][layers["stretches"]["site_id"] != ""]
    named = layers["stretch_structures"]
    found = 0

    for line, site_id in zip(sites.geometry, sites["site_id"], strict=True):
        within = {name for name, place in on_stream.items() if line.distance(place) < 0.01}
        own = named[named["site_id"] == site_id]
        assert within <= set(own["object_id"]), site_id
        found += len(within)

    assert found >= 3


def test_each_thing_of_a_site_lies_on_its_line_at_the_stated_distance(layers):
    lines = layers["stretches"].set_index("site_id").geometry
    named = layers["stretch_structures"]

    for row in named.itertuples():
        line = lines[row.site_id]
        beyond = row.distance_m < 0 or row.distance_m > line.length
        if not beyond:
            assert line.project(row.geometry) == pytest.approx(row.distance_m, abs=1.0)
            assert line.distance(row.geometry) < 0.01


def test_page_and_sheet_name_what_the_geopackage_names(sample_run, layers):
    named = layers["stretch_structures"]
    page = (sample_run.folder / "report.html").read_text(encoding="utf-8")
    sites = json.loads(re.search(r'id="data">(.*?)</script>', page, re.DOTALL)[1])["sites"]
    on_page = dict(
        zip(
            unpacked.texts(sites["id"], sites["count"]),
            unpacked.lists(sites["things"], sites["count"]),
            strict=True,
        )
    )
    sheets = re.sub(r"\s", "", "".join(page_texts(sample_run.folder / "field-sheets.pdf")))

    for site, texts in things_by_site(named).items():
        assert on_page[site][: len(texts)] == texts
        for text in texts:
            # Hyphens and line breaks are the typesetter's.
            assert re.sub(r"\s", "", text) in sheets, text


def test_an_intake_weir_is_paid_for_where_there_is_one_and_is_a_new_barrier(layers):
    sites, costs = layers["sites"].set_index("site_id"), layers["site_costs"]
    paid = costs[costs["part"].isin(["intake_weir", "weir"])].groupby("site_id")["cost"].sum()
    passes = costs[costs["part"] == "fish_pass"].set_index("site_id")["cost"]

    pays = sites.index.isin(paid.index[paid > 0])
    assert (pays == sites["new_barrier"]).all()
    assert sites["new_barrier"].any()
    assert (passes[sites.index[sites["intake_weir_m"] > 0]] > 0).all()
    at_weir = sites["flags"].str.contains("intake_at_structure")
    assert (sites.loc[at_weir, "intake_weir_m"] == 0).all()
    assert at_weir.any()


# Choice under one more rule that applies everywhere.
def choice_under(sample_run, **rule):
    results = sample_run.results
    settings, stationing = results["settings"], results["stationing"]
    new = RuleSettings(name="everywhere", path="nowhere.gpkg", **rule)
    where = results["inputs"].layers["region"].frame.assign(feature_id="1", feature_name="")
    hits = along_link([overlaps(stationing.segments, where, new)])
    settings = settings.model_copy(update={"rules": [new]})
    judged = judge(settings, stationing, results["stretches"], hits, results["stream_things"])
    given = [results[name] for name in ("inputs", "stationing", "stretches", "energy")]
    no_ground = np.zeros(len(stationing.stations))
    chosen = choose(settings, *given, no_ground, judged, results["water_bodies"]).offers.chosen
    return results["stretches"].table, chosen, judged.choice


# Candidates with both ends inside the region, where that rule applies.
def inside_region(sample_run, table):
    stations = sample_run.results["stationing"].stations
    region = sample_run.results["inputs"].layers["region"].frame.union_all()
    within = shapely.contains_xy(region, stations["x_m"].to_numpy(), stations["y_m"].to_numpy())
    return within[table["intake"].to_numpy()] & within[table["tailrace"].to_numpy()]


def test_a_rule_of_no_new_barrier_leaves_no_site_with_a_new_weir_and_others_are_still_found(sample_run):
    table, chosen, choice = choice_under(sample_run, action="no_new_barrier")

    assert chosen.any()
    assert not builds_barrier(table)[chosen].any()
    # What it leaves are weirs that exist: at their drop, or at the intake of a diversion.
    diversions = table[chosen & (table["scheme_type"] == "diversion")]
    assert (diversions["intake_thing"] >= 0).all()
    inside = inside_region(sample_run, table)
    assert inside.mean() > 0.9
    assert (choice[builds_barrier(table) & inside] == -1).all()


def test_a_rule_may_forbid_to_go_past_a_fall(sample_run):
    table, chosen, choice = choice_under(sample_run, action="note", never_past=["fall"])
    past_fall = (table["passed_kinds"].to_numpy() & BITS["fall"]) > 0

    assert past_fall.any()
    assert (choice[past_fall] == -1).all()
    assert (choice[~past_fall] >= 0).all()
    assert chosen.any()


def test_nothing_selected_goes_past_navigation_or_abstractions_in_use_but_may_with_other_settings(sample_run):
    results = sample_run.results
    table = results["stretches"].table
    settings = results["settings"]
    forbidden = BITS["navigation"] | BITS["abstraction_weir"] | BITS["abstraction"]
    given = [results[name] for name in ("inputs", "stationing", "stretches", "energy", "spawning_m")]

    def offers_with(kinds):
        stretches = settings.stretches.model_copy(update={"never_past": kinds})
        own = settings.model_copy(update={"stretches": stretches})
        more = [results[name] for name in ("verdicts", "water_bodies", "closed_energy", "river_parts")]
        return choose(own, *given, *more).offers

    past = (table["passed_kinds"].to_numpy() & forbidden) > 0
    strict, free = offers_with(settings.stretches.never_past), offers_with([])
    assert not past[strict.chosen].any()
    assert np.array_equal(strict.chosen, results["sites"].offers.chosen)
    barred = dict(free.ladder)[NEVER_PAST.name] & ~dict(strict.ladder)[NEVER_PAST.name]
    assert barred.any()
    assert past[barred].all()
