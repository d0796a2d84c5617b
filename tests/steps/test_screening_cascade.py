"""The screening cascade of a delivery against a recomputation from its other layers, in plain pandas.

Nothing of the program is used for it: what a rule does in a reach is read from the metres of ``rule_hits`` and the
settings in ``provenance``, and a reach is followed from step to step until one stops it, where the program sums
masks.
"""

import ast

import geopandas
import pandas as pd
import pytest
import shapely
from partial_run import tables_of
from small_sample import FEW_TURBINES, HEADS_AS_SURVEYED, write_few_turbines

from sitefinder.preparation import STORE

pytestmark = pytest.mark.slow

AMOUNTS = ("reaches", "km", "mw", "gwh")
NO_STREAM = ("standing water", "developed", "tidal")
# Step of the first rule: after everything, what cannot be measured and what is no natural stream.
FIRST_RULE = 9
# What is looked at; of the sample region's own run as its GeoPackage has it.
LAYERS = ("screening_cascade", "reaches", "rule_hits", "reach_districts", "stretches", "provenance")
# Shorter overlaps are the rounding of a touch [m].
TOUCH_M = 1e-6

HARD = f"""
extends = "sample.toml"

[run]
output_folder = "../sample-region/hard"

# The search for conduits is in the sample region's own cascade, and so are long stretches, all turbines and
# likely heads.
{HEADS_AS_SURVEYED}{FEW_TURBINES}
[conduits]
route = "straight_line"

[stretches]
longest_m = 150.0

# No figure of a simulation is in a cascade.
[uncertainty]
simulations = 50

[inputs.lakes]
path = "../sample-region/hard.gpkg"

[inputs.districts]
path = "../sample-region/hard.gpkg"

[inputs.tidal]
path = "../sample-region/hard.gpkg"
layer = "tidal"

[inputs.plants]
path = "../sample-region/hard.gpkg"
layer = "plants"

[[rules_added]]
name = "remark"
path = "../sample-region/hard.gpkg"
layer = "meadows"
action = "note"
buffer_m = 200.0

[[rules_added]]
name = "surroundings"
path = "../sample-region/protected.gpkg"
id_column = "protected_id"
action = "conditional"
buffer_m = 150.0
min_overlap_share = 0.5

[[rules_added]]
name = "uncertain ground"
path = "../sample-region/hard.gpkg"
layer = "doubtful"
column = "category"
values = ["bog"]
action = "no_diversion"
min_overlap_m = 100.0

[[rules_added]]
name = "half surveyed"
path = "../sample-region/hard.gpkg"
layer = "meadows"
action = "exclude"
covered_by = {{path = "../sample-region/hard.gpkg", layer = "surveyed"}}
"""

ALLOWED = """
extends = "hard.toml"

[run]
output_folder = "../sample-region/allowed"

[ranking]
allow = ["unresolved", "unknown", "conditional", "incomplete"]
"""


# Writes settings of the sample region with standing, tidal and used water over whole reaches, doubtful features, a
# layer that covers half of it, and one district of two; gives their folder.
def write_hard(sample_run):
    folder = sample_run.settings.parent
    data = folder.parent / "sample-region"
    reaches = sample_run.delivered.tables["reaches"].sort_values("area_km2", kind="stable", ignore_index=True)

    def write(layer, shapes, **columns):
        frame = geopandas.GeoDataFrame(columns, geometry=shapes, crs=reaches.crs)
        frame.to_file(data / "hard.gpkg", layer=layer, driver="GPKG")

    around = reaches.geometry.buffer(45.0).tolist()
    lake = geopandas.read_file(data / "layers.gpkg", layer="lakes").to_crs(reaches.crs)
    write("lakes", [*lake.geometry, around[30]], lake_id=["L1", "L2"], name=["one", "other"])
    districts = geopandas.read_file(data / "layers.gpkg", layer="districts").to_crs(reaches.crs)
    # Cut so that reaches lie across its border.
    part = shapely.box(*shapely.box(*districts.total_bounds).centroid.buffer(3000).bounds)
    write("districts", [districts.geometry.iloc[0].intersection(part)], name=[districts["name"].iloc[0]])
    write("tidal", [around[-1]])
    write("plants", [around[60]])
    # In reaches that no earlier step bars.
    protected = geopandas.read_file(data / "protected.gpkg").to_crs(reaches.crs).make_valid().union_all()
    other = shapely.union_all([protected, around[30], around[60], around[-1]])
    is_barred = reaches["rejection_reason"].isin(NO_STREAM) | reaches["flags"].str.contains(
        "unresolved|incomplete|weak"
    )
    is_free = (reaches["verdict"] == "open") & ~is_barred & (reaches["length_m"] > 150.0)
    free = reaches[is_free & (reaches.distance(other) > 150.0)].index
    doubtful = [around[place] for place in free[:: len(free) // 5][:5]]
    write("doubtful", doubtful, category=["bog", None, "field", None, "bog"])
    write("meadows", around[100:140:7])
    west, south, east, north = reaches.total_bounds
    write("surveyed", [shapely.box(west - 500, south - 500, (west + east) / 2, north + 500)])
    write_few_turbines(sample_run.settings, "crossflow turbine", "Archimedes screw")
    (folder / "hard.toml").write_text(HARD, encoding="utf-8")
    (folder / "allowed.toml").write_text(ALLOWED, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def delivered(sample_run, read_layers, made_once):
    """The layers of three runs by name: the sample region, the hard one, and that with more allowed."""

    def made(_):
        folder = write_hard(sample_run)
        store = folder.parent / "sample-region" / "out" / STORE
        return {name: tables_of(folder / f"{name}.toml", *LAYERS, store=store) for name in ("hard", "allowed")}

    return {"sample": read_layers(sample_run.delivered.path)} | made_once("screening-cascade", made)


@pytest.fixture(scope="module", params=["sample", "hard", "allowed"])
def layers(request, delivered):
    return delivered[request.param]


def settings_of(layers):
    notes = layers["provenance"]
    return notes[notes["kind"] == "setting"].set_index("name")["value"].to_dict()


# The rules in their order, as dicts of text.
def rules_of(settings):
    rules, number = [], 1
    while f"rules[{number}].name" in settings:
        start = f"rules[{number}]."
        rules.append({key.removeprefix(start): settings[key] for key in settings if key.startswith(start)})
        number += 1
    return rules


# Metres of the pieces of a reach, each place once.
def metres(pieces):
    total, reached = 0.0, float("-inf")
    for from_m, to_m in sorted(zip(pieces["from_m"], pieces["to_m"], strict=True)):
        total += max(0.0, to_m - max(from_m, reached))
        reached = max(reached, to_m)
    return total


# "yes", "unknown" or "no" by rule and reach, from the metres under features that are meant and may be meant.
def effects(layers, rules):
    lengths = layers["reaches"].set_index("reach_id")["length_m"]
    minimum = {rule["name"]: (float(rule["min_overlap_m"]), float(rule["min_overlap_share"])) for rule in rules}
    found = {}
    for (rule, reach), hits in layers["rule_hits"].groupby(["rule", "reach_id"]):
        min_m, share = minimum[rule]
        enough_m = max(min(max(min_m, share * lengths[reach]), lengths[reach]) - TOUCH_M, TOUCH_M / 2)
        certain = hits[hits["doubt"] == ""]
        if len(certain) and metres(certain) >= enough_m:
            found[rule, reach] = "yes"
        else:
            found[rule, reach] = "unknown" if metres(hits) >= enough_m else "no"
    return found


# Of each reach the steps that concern it, the steps that bar it, and in order the first of these.
def ways_of_reaches(layers):
    settings = settings_of(layers)
    rules, allow = rules_of(settings), ast.literal_eval(settings["ranking.allow"])
    held = effects(layers, rules)
    rows = []
    for reach in layers["reaches"].itertuples():
        flags = reach.flags.split("; ")
        met = {0}
        barred = set()
        plain = [
            (1, "network_unresolved" in flags, True),
            (2, pd.isna(reach.flow_mean_m3s), True),
            (3, "flow_regression_too_weak" in flags, "weak_flow" not in allow),
            (4, "head_unresolved" in flags, "unresolved" not in allow),
            (5, "catchment_incomplete" in flags, "incomplete" not in allow),
            *((6 + place, reach.rejection_reason == kind, True) for place, kind in enumerate(NO_STREAM)),
        ]
        for number, rule in enumerate(rules, FIRST_RULE):
            effect, action = held.get((rule["name"], reach.reach_id), "no"), rule["action"]
            stops = (action == "exclude" or (action == "conditional" and "conditional" not in allow)) * (
                effect == "yes"
            )
            stops = stops or (effect == "unknown" and action != "note" and "unknown" not in allow)
            plain.append((number, effect != "no", stops))
        for number, concerns, stops in plain:
            if concerns:
                met.add(number)
                if stops:
                    barred.add(number)
        last = FIRST_RULE + len(rules)
        names = {"open", "restricted"} | ({"unknown", "conditional"} & set(allow))
        (met if reach.verdict in names else barred).add(last)
        rows.append((reach.reach_id, met, barred, min(barred, default=last + 1)))
    return pd.DataFrame(rows, columns=["reach_id", "met", "barred", "first"]), rules, last


# What each step is to have affected, excluded and left over in order and alone, as sets of reaches.
def expected_groups(ways, last):
    for step in range(last + 1):
        meets = ways["met"].map(lambda steps, step=step: step in steps)
        bars = ways["barred"].map(lambda steps, step=step: step in steps)
        here = ways["first"] >= step
        yield (
            "in order",
            step,
            {"affected": here & meets, "excluded": ways["first"] == step, "remaining": ways["first"] > step},
        )
        if FIRST_RULE <= step < last:
            yield "alone", step, {"affected": meets, "excluded": bars, "remaining": ~bars}


def totals(reach_ids, parts):
    parts = parts[parts["reach_id"].isin(reach_ids)]
    kw = (parts["theoretical_kw"].fillna(0.0) * parts["part_m"] / parts["length_m"]).sum()
    # 8760 hours in a year of 365 days.
    return (parts["reach_id"].nunique(), parts["part_m"].sum() / 1000, kw / 1e3, kw * 8760 / 1e6)


def areas(layers):
    reaches = layers["reaches"][["reach_id", "length_m", "theoretical_kw"]]
    shared = layers["reach_districts"].rename(columns={"length_m": "part_m"}).merge(reaches, on="reach_id")
    yield "region", "", reaches.assign(part_m=reaches["length_m"])
    for name, parts in shared.groupby("district"):
        yield ("district" if name else "outside districts"), name, parts


def test_every_figure_of_the_cascade_is_found_again_from_reaches_and_rule_hits(layers):
    screening_cascade = layers["screening_cascade"].set_index(["scope", "district", "way", "step"]).sort_index()
    ways, rules, last = ways_of_reaches(layers)

    checked = set()
    for scope, district, parts in areas(layers):
        for way, step, groups in expected_groups(ways, last):
            row = screening_cascade.loc[(scope, district, way, step)]
            checked.add((scope, district, way, step))
            for prefix, chosen in groups.items():
                found = [row[f"{prefix}_{name}"] for name in AMOUNTS]
                expected = totals(ways["reach_id"][chosen], parts)
                assert found == pytest.approx(expected, rel=1e-9, abs=1e-9), (scope, district, way, step, prefix)
            if FIRST_RULE <= step < last:
                rule = rules[step - FIRST_RULE]
                assert (row["kind"], row["rule"], row["action"]) == ("rule", rule["name"], rule["action"])

    # No row beyond those, but for areas in which no reach lies.
    other = [row for row in screening_cascade.itertuples() if row.Index not in checked]
    assert all(row.affected_reaches == row.excluded_reaches == row.remaining_reaches == 0 for row in other)
    assert {row.Index[0] for row in other} <= {"outside districts"}


def test_rule_hits_state_for_each_rule_and_reach_whether_it_holds_there(layers):
    found = effects(layers, rules_of(settings_of(layers)))

    notes = layers["rule_hits"].groupby(["rule", "reach_id"])["holds"].agg(["nunique", "first"])
    assert (notes["nunique"] == 1).all()
    assert notes["first"].to_dict() == found


def test_districts_add_up_to_the_region_at_every_step(layers):
    screening_cascade = layers["screening_cascade"]
    sums = [f"{prefix}_{name}" for prefix in ("affected", "excluded", "remaining") for name in ("km", "mw", "gwh")]
    whole = screening_cascade["scope"] == "region"

    region = screening_cascade[whole].set_index(["way", "step"])[sums].sort_index()
    parts = screening_cascade[~whole].groupby(["way", "step"])[sums].sum().sort_index()

    pd.testing.assert_frame_equal(parts, region, rtol=1e-9, atol=1e-9, check_index_type=False)


def test_what_a_step_excludes_and_leaves_is_what_remained_after_the_step_before_it(layers):
    in_order = layers["screening_cascade"][layers["screening_cascade"]["way"] == "in order"]

    for _, rows in in_order.sort_values("step").groupby(["scope", "district"]):
        for name in AMOUNTS:
            left = rows[f"remaining_{name}"].to_numpy()
            assert left[:-1] == pytest.approx((left + rows[f"excluded_{name}"].to_numpy())[1:], rel=1e-9, abs=1e-9)
        # Verdicts and the ladder of rules agree: when all rules have had their say, what is left is open.
        assert rows["excluded_reaches"].iloc[-1] == 0
        assert rows["kind"].iloc[[0, -1]].tolist() == ["everything", "open"]


def test_the_hard_region_has_something_at_every_kind_of_step(delivered):
    screening_cascade = delivered["hard"]["screening_cascade"]
    region = screening_cascade[(screening_cascade["scope"] == "region") & (screening_cascade["way"] == "in order")]

    barred = region.groupby("kind")["excluded_reaches"].sum()
    assert (barred[["head unresolved", *NO_STREAM, "rule"]] > 0).all()
    by_rule = region[region["kind"] == "rule"].set_index("rule")
    assert (by_rule["affected_reaches"] > 0).all()
    # A limit bars where its layer does not say, a note never.
    assert (
        0
        < by_rule.loc["uncertain ground", "excluded_reaches"]
        < by_rule.loc["uncertain ground", "affected_reaches"]
    )
    assert by_rule.loc["remark", "excluded_reaches"] == 0
    assert {"district", "outside districts"} <= set(screening_cascade["scope"])


def test_every_reach_has_a_site_or_a_rejection_reason(layers):
    reaches = layers["reaches"]
    chosen = layers["stretches"][layers["stretches"]["site_id"] != ""]
    length_m = sum(reaches.geometry.intersection(line).length for line in chosen.geometry)

    assert (reaches.loc[length_m > 0.01, "rejection_reason"] == "").all()
    if (chosen["pond_length_m"] == 0).all():
        assert (reaches.loc[length_m <= 0.01, "rejection_reason"] != "").all()
