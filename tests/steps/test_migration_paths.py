"""Migrating fish past all sites and plants of the sample region, followed from reach to reach of the delivery.

The network is built again from the ends of the delivered lines, and survivals are those of the turbine
options, so that nothing of the program's own stations or sums is used.
"""

import geopandas
import numpy as np
import pytest
import shapely
from partial_run import tables_of

from sitefinder.preparation import STORE
from sitefinder.siting import selection as survival_choice
from sitefinder.steps.selection import fish_alive, with_fish

pytestmark = pytest.mark.slow

START = """
extends = "sample.toml"
rules_left_out = {left_out}

[run]
output_folder = "../sample-region/{name}"

# No figure of chance is looked at.
[uncertainty]
simulations = 50
"""
LAYERS = ("sites", "stretches", "reaches", "streams", "structures", "turbine_options")
# Without the rule that asks for fish-safe turbines on the stem, and with the survival of existing plants stated.
STEM = ["migration stem"]
# Fish of the sample's own spawning grounds pass few sites: they also start at the top of the main river.
FREE = """
[fish]
existing_survival = 0.9
spawning_rules = ["spawning ground", "upper spawning ground"]
{passage}
[[rules_added]]
name = "upper spawning ground"
path = "../sample-region/upper.gpkg"
id_column = "spawning_id"
action = "note"
"""
BOUND = FREE.format(passage="min_passage_survival = 0.7")
# Existing plants alone take more by default than a high minimum allows, and then no site may take any.
HARMLESS = "existing_survival = 1.0\n"
WEIRS = '[stretches]\nscheme_types = ["new_weir"]\nlongest_m = 200.0\n\n[costs]\nprice_per_kwh = 1.0\n'


# Settings of a name, run once, as its tables.
@pytest.fixture(scope="module")
def delivered(sample_run):
    found = {}
    store = sample_run.settings.parent.parent / "sample-region" / "out" / STORE
    reaches = sample_run.delivered.tables["reaches"]
    of_sites = sample_run.delivered.tables["sites"]["stream"].mode()[0]
    top = reaches.loc[reaches.loc[reaches["stream"] == of_sites, "area_km2"].idxmin()]
    upper = geopandas.GeoDataFrame({"spawning_id": ["U1"]}, geometry=[top.geometry.buffer(30.0)], crs=reaches.crs)
    upper.to_file(sample_run.settings.parent.parent / "sample-region" / "upper.gpkg", driver="GPKG")

    def layers(name, text, left_out, wanted=LAYERS):
        if name not in found:
            path = sample_run.settings.with_name(f"{name}.toml")
            path.write_text(START.format(name=name, left_out=left_out) + text, encoding="utf-8")
            found[name] = tables_of(path, *wanted, store=store)
        return found[name]

    return layers


@pytest.fixture(scope="module")
def free(delivered):
    return delivered("free", FREE.format(passage=""), STEM)


@pytest.fixture(scope="module")
def bound(delivered):
    return delivered("bound", BOUND, STEM)


# Reaches from each one down to the end of the mapped network, itself first.
def ways_down(reaches):
    ends = {row.reach_id: shapely.get_coordinates(row.geometry)[[0, -1]].round(3) for row in reaches.itertuples()}
    at = {}
    for name, (first, _) in ends.items():
        at.setdefault(tuple(first), []).append(name)
    area_km2 = reaches.set_index("reach_id")["area_km2"].to_dict()
    ways = {}
    for name in ends:
        way = [name]
        while below := at.get(tuple(ends[way[-1]][1])):
            # Where a stream parts, the arm that lies on the main way has the greater catchment.
            way.append(max(below, key=area_km2.get))
        ways[name] = way
    return ways


# Reaches with spawning ground whose whole path can be followed: no intake and no plant in the reach itself.
def followed(layers):
    reaches = layers["reaches"].set_index("reach_id", drop=False)
    chosen = layers["stretches"][layers["stretches"]["site_id"] != ""].set_index("site_id")
    options = layers["turbine_options"]
    survival = options[options["chosen"]].set_index("site_id")["survival"]
    powered = layers["structures"][layers["structures"]["powered"]]["reach_id"].tolist()
    ways = ways_down(layers["reaches"])
    intakes = {name: shapely.get_point(line, 0) for name, line in chosen.geometry.items()}
    in_reach = {name: reaches.distance(point).idxmin() for name, point in intakes.items()}
    for reach in reaches[reaches["spawning_m"] > 0].index:
        below = ways[reach][1:]
        if reach in in_reach.values() or reach in powered:
            continue
        sites = [name for name in intakes if in_reach[name] in below]
        plants = [place for place in powered if place in below]
        alive = np.prod([survival[name] for name in sites]) * 0.9 ** len(plants)
        yield reach, alive, len(sites) + len(plants)


def test_each_spawning_reach_has_the_product_of_survivals_along_its_migration_path(free):
    notes = free["reaches"].set_index("reach_id")["survival_to_outlet"]
    found = list(followed(free))

    assert len(found) >= 5
    assert max(count for _, _, count in found) >= 3
    for reach, alive, _ in found:
        assert notes[reach] == pytest.approx(alive, rel=1e-9), reach
    assert notes[free["reaches"].set_index("reach_id")["spawning_m"] == 0].isna().all()


def test_streams_and_sites_state_the_least_favourable_path_through_them(free):
    reaches, streams = free["reaches"], free["streams"]
    worst = reaches["survival_to_outlet"].min()

    with_ground = streams[streams["spawning_m"] > 0]
    assert with_ground["spawning_m"].sum() == pytest.approx(reaches["spawning_m"].sum())
    assert streams["min_survival"].min() == pytest.approx(worst)
    stem = streams.loc[streams["sites"].idxmax()]
    assert stem["min_survival"] == pytest.approx(worst)
    # Sites above all spawning ground are on no fish's way.
    on_way = free["sites"]["passage_survival"]
    assert on_way.notna().any()
    assert on_way.isna().any()
    assert on_way.min() == pytest.approx(worst)


def test_the_min_passage_survival_is_kept_and_costs_value(free, bound):
    before, after = free["reaches"]["survival_to_outlet"].min(), bound["reaches"]["survival_to_outlet"].min()

    assert before < 0.7 <= after
    for reach, alive, _ in followed(bound):
        assert alive >= 0.7, reach
    value = [layers["sites"]["net_annual_value"].sum() for layers in (free, bound)]
    assert value[1] < value[0]
    print(f"minimum survival {before:.3f} to {after:.3f}, net value {value[0]:.0f} to {value[1]:.0f}")


def test_sites_dropped_for_fish_passage_are_given_as_the_rejection_reason(free, bound):
    sites = bound["sites"]
    safe_by_passage_limit, kept_out = (
        sites["fish_safe_by_passage_limit"],
        bound["stretches"]["blocked_by"] == "passage survival",
    )

    assert not free["sites"]["fish_safe_by_passage_limit"].any()
    assert sites.loc[safe_by_passage_limit, "fish_safe"].all()
    assert (sites.loc[safe_by_passage_limit, "survival"] >= 0.95).all()
    assert safe_by_passage_limit.any()
    assert kept_out.any()
    assert (bound["stretches"].loc[kept_out, "site_id"] == "").all()
    lost = set(free["sites"]["site_id"]) - set(sites["site_id"])
    because = bound["reaches"].set_index("reach_id")["rejection_reason"]
    reasons = because[free["sites"].set_index("site_id").loc[sorted(lost), "reach_id"]]
    assert "fish passage survival too low" in set(reasons)
    assert set(reasons) <= {"", "fish passage survival too low", "blocked by a better site"}
    print(
        f"{safe_by_passage_limit.sum()} of {len(sites)} sites made fish-safe, "
        f"{len(lost)} of {len(free['sites'])} gone"
    )


def test_diverted_lengths_of_streams_add_up_to_those_of_the_sites(free):
    sites, streams = free["sites"], free["streams"]

    diverted = sites.loc[sites["scheme_type"] == "diversion", "length_m"]
    assert len(diverted) > 0
    assert streams["diverted_m"].sum() == pytest.approx(diverted.sum())
    assert streams["sites"].sum() == len(sites)
    assert streams["energy_mwh"].sum() == pytest.approx(sites["energy_mwh"].sum())
    assert streams["length_m"].sum() == pytest.approx(free["reaches"]["length_m"].sum())
    named = free["reaches"].groupby("stream")["length_m"].sum()
    assert streams.groupby("stream")["length_m"].sum().to_dict() == pytest.approx(named.to_dict())
    for name, of_stream in sites.groupby("stream"):
        assert streams.loc[streams["stream"] == name, "sites"].sum() == len(of_stream)


def test_ponded_lengths_of_streams_add_up_to_those_of_the_new_weirs(delivered):
    layers = delivered("weirs", WEIRS, [], ("sites", "streams"))

    flooded_m = layers["sites"]["flooded_length_m"]
    assert flooded_m.sum() > 0
    assert layers["streams"]["ponded_m"].sum() == pytest.approx(flooded_m.sum())
    assert layers["streams"]["diverted_m"].sum() == 0


def test_sites_of_a_choice_with_rounded_losses_are_flagged(delivered, monkeypatch):
    # Few sums of losses fit below so high a minimum.
    exact = delivered("exact", f"[fish]\nmin_passage_survival = 0.9\n{HARMLESS}", [], ["sites"])["sites"]
    monkeypatch.setattr(survival_choice, "MAX_LEVELS", 2)

    sites = delivered("rounded", f"[fish]\nmin_passage_survival = 0.8\n{HARMLESS}", [], ["sites"])["sites"]

    def is_rounded(table):
        return table["flags"].str.split("; ").map(lambda flags: "survival_rounded" in flags)

    on_way = sites["passage_survival"].notna()
    assert on_way.any()
    assert (is_rounded(sites) == on_way).all()
    assert sites["passage_survival"].min() >= 0.8
    assert exact["passage_survival"].notna().any()
    assert not is_rounded(exact).any()


@pytest.mark.parametrize(
    ("publish", "reports_survival"), [("exact", True), ("generalised", True), ("hidden", False)]
)
def test_spawning_grounds_come_out_no_closer_than_their_rule_allows(sample_run, publish, reports_survival):
    results, settings = sample_run.results, sample_run.results["settings"]
    rules = [rule.model_copy(update={"publish": publish}) for rule in settings.rules]
    settings = settings.model_copy(update={"rules": rules})
    stationing = results["stationing"]
    names = ("inputs", "stationing", "stretches", "spawning_m", "water_bodies", "sites")
    alive = fish_alive(settings, *(results[name] for name in names))

    reaches = with_fish(settings, stationing, alive, stationing.reaches)

    assert reaches["spawning_m"].notna().any() == (publish == "exact")
    assert reaches["survival_to_outlet"].notna().any() == reports_survival
