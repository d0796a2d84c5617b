"""Two runs compared, on pairs of deliveries made by hand: one kind of change each, the answer known beforehand."""

import pickle

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.comparison.causes import StageGraph, differences, reaching
from sitefinder.comparison.changes import compare_runs, sums_by_change
from sitefinder.comparison.matching import UNKNOWN_CAUSE
from sitefinder.schema import CHANGE_LAYERS, LAYERS, check_table
from sitefinder.steps.graph import STEPS

GRAPH = StageGraph(STEPS)
CRS = "EPSG:32633"
PLAIN = {"text": "", "integer": 1, "real": 1.0, "boolean": False}
# Three reaches of 500 m down one stream, and one that joins it from the side at its first confluence.
LINES = {
    "A1": [(0, 1000), (0, 500)],
    "A2": [(0, 500), (0, 0)],
    "A3": [(0, 0), (0, -500)],
    "B1": [(500, 500), (0, 500)],
}
SETTINGS = {"costs.price_per_kwh": "0.2", "ranking.allow": "[]", "heads.quantile": "0.5"}
STAGES = {"heads": "1", "energy": "2"}
DIGESTS = {"dem": "d1", "streams": "s1", "roads": "r1"}
# Tables by what was asked for.
KNOWN = {}


# Rows with what is given, and something harmless in every other declared column. Most runs have the same of most
# layers, which are made once.
def rows_of(layer_name, rows, lines=None):
    lines = None if lines is None else list(lines)
    asked = pickle.dumps((layer_name, rows, lines))
    if asked not in KNOWN:
        KNOWN[asked] = made_rows_of(layer_name, rows, lines)
    return KNOWN[asked].copy()


def made_rows_of(layer_name, rows, lines):
    layer = LAYERS[layer_name]
    columns = {
        column.name: [
            row.get(column.name, column.values[-1] if column.values else PLAIN[column.dtype]) for row in rows
        ]
        for column in layer.columns
    }
    frame = pd.DataFrame(columns)
    if lines is not None:
        frame = geopandas.GeoDataFrame(frame, geometry=lines, crs=CRS)
    if not rows:
        frame = (
            geopandas.GeoDataFrame(frame, geometry=geopandas.GeoSeries([], crs=CRS)) if layer.geometry else frame
        )
    return check_table(frame, layer_name)


def site(name, rank, line, *, scheme_type="diversion", reach="A2", energy_mwh=100.0, pond_length_m=0.0, **values):
    return {
        "site_id": f"{name}/{scheme_type}",
        "rank": rank,
        "line": shapely.LineString(line),
        "scheme_type": scheme_type,
        "reach_id": reach,
        "energy_mwh": energy_mwh,
        "power_kw": energy_mwh / 4,
        "pond_length_m": pond_length_m,
        "verdict": "open",
        **values,
    }


def hit(reach, rule, feature, from_m, to_m, action="exclude"):
    return {
        "reach_id": reach,
        "rule": rule,
        "action": action,
        "feature_id": feature,
        "from_m": from_m,
        "to_m": to_m,
        "overlap_m": to_m - from_m,
    }


def run_of(*, lines=None, reaches=None, sites=(), hits=(), rules=None, settings=None, digests=None, stages=None):
    """A run: lines by reach id, values of single reaches, sites, rule hits, and what provenance says."""
    lines = LINES if lines is None else lines
    drawn = {name: shapely.LineString(line) for name, line in lines.items()}
    values = [
        {
            "reach_id": name,
            "from_m": 0.0,
            "to_m": line.length,
            "length_m": line.length,
            "verdict": "open",
            **(reaches or {}).get(name, {}),
        }
        for name, line in drawn.items()
    ]
    notes = [("input", name, "", digest) for name, digest in (DIGESTS | (digests or {})).items()]
    notes += [("setting", name, value, "") for name, value in (SETTINGS | (settings or {})).items()]
    notes += [("stage", name, value, "") for name, value in (STAGES | (stages or {})).items()]
    for number, (name, rule) in enumerate((rules or {}).items(), 1):
        stated = {key: value for key, value in rule.items() if key != "digest"}
        notes += [
            ("setting", f"rules[{number}].{key}", value, "") for key, value in {"name": name, **stated}.items()
        ]
        notes.append(("input", f"rule {name}", "", rule.get("digest", f"digest of {name}")))
    provenance = [dict(zip(("kind", "name", "value", "digest"), row, strict=True)) for row in notes]
    stretches = [
        {**each, "stretch_id": f"stretch {each['site_id']}", "length_m": each["line"].length} for each in sites
    ]
    return {
        "reaches": rows_of("reaches", values, drawn.values()),
        "sites": rows_of(
            "sites",
            [{**each, "length_m": each["line"].length} for each in sites],
            [shapely.Point(each["line"].coords[-1]) for each in sites],
        ),
        "stretches": rows_of("stretches", stretches, [each["line"] for each in sites]),
        "rule_hits": rows_of("rule_hits", list(hits)),
        "provenance": rows_of("provenance", provenance),
    }


# Rows of a comparison by the id that they have in either run: those of reaches, those of sites, or both in turn.
def compared(old, new, *kinds, **options):
    notes = compare_runs(old, new, GRAPH, **options)
    for name, table in notes._asdict().items():
        check_table(table, name, CHANGE_LAYERS)
    parts = [rows_of_kind(notes.changes, kind) for kind in kinds]
    return parts[0] if len(parts) == 1 else parts


def rows_of_kind(changes, kind):
    rows = changes[changes["kind"] == kind]
    return rows.set_index(rows["id_new"].where(rows["id_new"] != "", rows["id_old"]))


UPPER, LOWER = [(0, 900), (0, 600)], [(0, 300), (0, 50)]
TWO = (site("A1@400", 1, UPPER, reach="A1"), site("A2@450", 2, LOWER))
NESTS = {"nests": {"action": "exclude", "path": "nests.gpkg"}}


def test_the_same_run_twice_is_unchanged():
    run = run_of(sites=TWO, hits=[hit("A1", "nests", "N1", 0.0, 9.0)], rules=NESTS)
    for name, table in run.items():
        check_table(table, name)  # what these tests are made of is what a run delivers

    notes = compare_runs(run, run, GRAPH)

    assert set(notes.changes["change"]) == {"unchanged"}
    assert len(notes.changes) == 6
    assert len(notes.changed_values) == len(notes.causes) == 0


def test_a_site_with_another_rank_alone_moved():
    old = run_of(sites=TWO)
    new = run_of(sites=[{**TWO[0], "rank": 2}, {**TWO[1], "rank": 1}], settings={"ranking.rank_by": "energy"})

    rows = compared(old, new, "site")

    assert rows["change"].tolist() == ["moved in rank", "moved in rank"]
    assert rows[["rank_old", "rank_new"]].to_numpy().tolist() == [[1, 2], [2, 1]]
    assert set(rows["cause"]) == {"setting ranking.rank_by: not set → energy"}


def test_a_new_feature_on_its_stretch_newly_excludes_a_site_and_the_reach_by_name():
    old = run_of(sites=TWO)
    barred = {"verdict": "excluded", "reasons": "nests", "only_reason": "nests", "mark_exclude": True}
    new = run_of(sites=TWO[:1], hits=[hit("A2", "nests", "N7", 250.0, 290.0)], rules=NESTS, reaches={"A2": barred})

    sites, reaches = compared(old, new, "site", "reach")

    lost = sites.loc["A2@450/diversion"]
    assert (lost["change"], lost["rules"], lost["cause"]) == ("newly excluded", "nests (N7)", "rule nests is new")
    assert (lost["id_new"], lost["matched_by"]) == ("", "")
    assert reaches["change"].to_dict() == {
        "A1": "unchanged",
        "A2": "newly excluded",
        "A3": "unchanged",
        "B1": "unchanged",
    }
    assert (reaches.loc["A2", "rules"], reaches.loc["A2", "cause"]) == ("nests (N7)", "rule nests is new")


def test_taking_the_feature_away_admits_both_again():
    barred = {"verdict": "excluded", "reasons": "nests", "only_reason": "nests", "mark_exclude": True}
    old = run_of(sites=TWO[:1], hits=[hit("A2", "nests", "N7", 250.0, 290.0)], rules=NESTS, reaches={"A2": barred})
    new = run_of(sites=TWO)

    sites, reaches = compared(old, new, "site", "reach")

    found = sites.loc["A2@450/diversion"]
    assert (found["change"], found["rules"]) == ("re-admitted", "no longer nests (N7)")
    assert (reaches.loc["A2", "change"], reaches.loc["A2", "rules"]) == ("re-admitted", "no longer nests (N7)")
    assert reaches.loc["A2", "cause"] == "rule nests is gone"


def test_a_feature_beside_the_stretch_excludes_no_site():
    # The stretch runs from 200 m to 450 m down its reach.
    old = run_of(sites=TWO)
    new = run_of(sites=TWO[:1], hits=[hit("A2", "nests", "N7", 20.0, 190.0)], rules=NESTS)

    lost = compared(old, new, "site").loc["A2@450/diversion"]

    assert (lost["change"], lost["rules"]) == ("vanished", "")


def test_a_feature_that_lay_there_before_newly_excludes_no_site():
    hits = [hit("A2", "nests", "N7", 250.0, 251.0)]
    old = run_of(sites=TWO, hits=hits, rules=NESTS)
    new = run_of(sites=TWO[:1], hits=hits, rules=NESTS, settings={"costs.price_per_kwh": "0.1"})

    lost = compared(old, new, "site").loc["A2@450/diversion"]

    assert (lost["change"], lost["cause"]) == ("vanished", "setting costs.price_per_kwh: 0.2 → 0.1")


def test_the_same_feature_under_an_edited_rule_does():
    hits = [hit("A2", "nests", "N7", 250.0, 251.0)]
    old = run_of(sites=TWO, hits=hits, rules={"nests": {"action": "exclude", "min_overlap_m": "10.0"}})
    new = run_of(sites=TWO[:1], hits=hits, rules={"nests": {"action": "exclude", "min_overlap_m": "0.0"}})

    lost = compared(old, new, "site").loc["A2@450/diversion"]

    assert (lost["change"], lost["rules"]) == ("newly excluded", "nests (N7)")
    assert lost["cause"] == "rule nests: min_overlap_m 10.0 → 0.0"


@pytest.mark.parametrize(
    ("action", "scheme_type", "allow", "change"),
    [
        ("exclude", "at_barrier", "[]", "newly excluded"),
        ("conditional", "at_barrier", "[]", "newly excluded"),
        ("conditional", "at_barrier", "['conditional']", "vanished"),
        ("no_diversion", "diversion", "[]", "newly excluded"),
        ("no_diversion", "at_barrier", "[]", "vanished"),
        ("no_new_barrier", "new_weir", "[]", "newly excluded"),
        ("no_new_barrier", "diversion", "[]", "vanished"),
        ("fish_safe_only", "diversion", "[]", "vanished"),
        ("note", "diversion", "[]", "vanished"),
    ],
)
def test_what_bars_a_site_depends_on_its_scheme_type_and_on_what_is_allowed(action, scheme_type, allow, change):
    sites = [site("A2@450", 1, LOWER, scheme_type=scheme_type)]
    old = run_of(sites=sites, settings={"ranking.allow": allow})
    rules = {"fish": {"action": action}}
    hits = [hit("A2", "fish", "F1", 300.0, 400.0, action)]
    new = run_of(sites=[], hits=hits, rules=rules, settings={"ranking.allow": allow})

    lost = compared(old, new, "site").iloc[0]

    assert lost["change"] == change
    # A limit on turbines bars nothing, and is listed all the same.
    assert lost["rules"] == ("fish (F1)" if change == "newly excluded" or action == "fish_safe_only" else "")


@pytest.mark.parametrize(("pond_m", "change"), [(40.0, "vanished"), (250.0, "newly excluded")])
def test_a_feature_in_the_pond_of_a_new_weir_excludes_it(pond_m, change):
    # The intake is 200 m below the confluence; the feature lies 20 m up the side arm.
    sites = [site("A2@450", 1, LOWER, scheme_type="new_weir", pond_length_m=pond_m)]
    new = run_of(sites=[], hits=[hit("B1", "nests", "N1", 400.0, 480.0)], rules=NESTS)

    lost = compared(run_of(sites=sites), new, "site").iloc[0]

    assert lost["change"] == change


def test_a_lost_site_names_its_reach_and_the_site_that_takes_its_place():
    other = site("A2@400", 1, [(0, 450), (0, 100)], energy_mwh=120.0)
    new = run_of(sites=[other], reaches={"A2": {"rejection_reason": "blocked by a better site"}})

    rows = compared(run_of(sites=TWO[1:]), new, "site")

    assert rows.loc["A2@450/diversion", ["change", "because", "replaced_by"]].tolist() == [
        "vanished",
        "blocked by a better site",
        "A2@400/diversion",
    ]
    assert rows.loc["A2@400/diversion", "change"] == "appeared"


def test_a_changed_value_is_reported_with_both_values_and_the_setting_behind_it():
    old = run_of(sites=TWO)
    new = run_of(sites=[TWO[0], {**TWO[1], "net_annual_value": 7.5}], settings={"costs.price_per_kwh": "0.3"})

    notes = compare_runs(old, new, GRAPH)

    rows = rows_of_kind(notes.changes, "site")
    assert rows["change"].to_dict() == {"A1@400/diversion": "unchanged", "A2@450/diversion": "changed in value"}
    assert rows.loc["A2@450/diversion", "cause"] == "setting costs.price_per_kwh: 0.2 → 0.3"
    assert notes.changed_values[["id_new", "column", "unit", "old", "new"]].to_numpy().tolist() == [
        ["A2@450/diversion", "net_annual_value", "currency/yr", "1.0", "7.5"]
    ]


@pytest.mark.parametrize("heads_m", [(2.0, 2.01), (2.01, 2.0)])
def test_numbers_that_differ_by_less_than_asked_are_the_same(heads_m):
    old, new = (run_of(reaches={"A1": {"head_m": head_m}}) for head_m in heads_m)

    # The difference is 0.004975 of the greater number, and 0.005 of the lesser one.
    strict, lenient = (compared(old, new, "reach", min_change=share) for share in (0.00496, 0.00499))

    assert (strict.loc["A1", "change"], lenient.loc["A1", "change"]) == ("changed in value", "unchanged")


def test_a_value_that_is_no_longer_known_has_changed():
    old, new = run_of(reaches={"A1": {"head_m": 2.0}}), run_of(reaches={"A1": {"head_m": np.nan}})

    notes = compare_runs(old, new, GRAPH).changed_values

    assert notes[["column", "old", "new"]].to_numpy().tolist() == [["head_m", "2.0", ""]]
    assert len(compare_runs(new, new, GRAPH).changed_values) == 0


def test_a_reach_that_is_changed_by_rules_names_those_that_came_and_went():
    limits = {"old": {"verdict": "restricted", "reasons": "landscape"}, "new": {"verdict": "conditional"}}
    rules = [{"landscape": {"action": "no_diversion"}}, {"water works": {"action": "conditional"}}]
    old = run_of(
        reaches={"A1": limits["old"]}, rules=rules[0], hits=[hit("A1", "landscape", "L1", 0, 9, "no_diversion")]
    )
    new = run_of(
        reaches={"A1": {**limits["new"], "reasons": "water works (category missing)"}},
        rules=rules[1],
        hits=[hit("A1", "water works", "W1", 0, 9, "conditional")],
    )

    row = compared(old, new, "reach").loc["A1"]

    assert row["change"] == "changed by rules"
    assert row["rules"] == "water works (W1); no longer landscape (L1)"
    assert row["cause"] == "rule landscape is gone; rule water works is new"


# The same stream drawn some metres beside, with other ids.
def drawn_anew(moved_m=5.0, ids=("X", "Y", "Z", "W")):
    return {name: [(x + moved_m, y) for x, y in line] for name, line in zip(ids, LINES.values(), strict=True)}


def test_reaches_and_sites_with_other_ids_are_found_again_by_place():
    old = run_of(sites=TWO)
    moved = [
        site("X@1", 1, [(5, 900), (5, 600)], reach="X"),
        site("Y@1", 2, [(5, 300), (5, 50)], reach="Y"),
    ]
    new = run_of(lines=drawn_anew(), sites=moved, digests={"streams": "s2"})

    reaches, sites = compared(old, new, "reach", "site")

    assert reaches["id_old"].to_dict() == {"X": "A1", "Y": "A2", "Z": "A3", "W": "B1"}
    assert sites["id_old"].to_dict() == {"X@1/diversion": "A1@400/diversion", "Y@1/diversion": "A2@450/diversion"}
    assert set(reaches["matched_by"]) | set(sites["matched_by"]) == {"place"}
    assert set(reaches["change"]) | set(sites["change"]) == {"unchanged"}


def test_a_site_is_not_taken_for_one_of_another_scheme_type_on_the_same_stretch():
    old = run_of(sites=TWO[1:])
    new = run_of(
        lines=drawn_anew(), sites=[site("Y@1", 1, [(5, 300), (5, 50)], reach="Y", scheme_type="new_weir")]
    )

    rows = compared(old, new, "site")

    assert sorted(rows["change"]) == ["appeared", "vanished"]


def test_ids_that_went_to_other_places_are_not_believed():
    # The ids were given out in another order.
    new = run_of(lines=drawn_anew(moved_m=0.0, ids=("A3", "B1", "A1", "A2")))

    rows = compared(run_of(), new, "reach")

    assert rows["id_old"].to_dict() == {"A3": "A1", "B1": "A2", "A1": "A3", "A2": "B1"}
    assert set(rows["matched_by"]) == {"place"}


def test_a_network_elsewhere_is_all_new():
    rows = compared(run_of(), run_of(lines=drawn_anew(moved_m=5000.0), digests={"streams": "s2"}), "reach")

    assert sorted(rows["change"]) == ["appeared"] * 4 + ["vanished"] * 4
    assert set(rows["cause"]) == {"input streams changed"}


def test_a_rule_excludes_a_site_also_where_the_network_was_redrawn():
    new = run_of(lines=drawn_anew(), sites=[], hits=[hit("Y", "nests", "N7", 220.0, 420.0)], rules=NESTS)

    lost = compared(run_of(sites=TWO[1:]), new, "site").iloc[0]

    assert (lost["change"], lost["rules"]) == ("newly excluded", "nests (N7)")


def test_sums_over_all_rows_are_the_totals_of_both_runs():
    rng = np.random.default_rng(3)  # any numbers do
    old = run_of(sites=TWO, reaches={name: {"theoretical_kw": rng.uniform(1, 9)} for name in LINES})
    others = [site("A2@400", 1, [(0, 450), (0, 100)], energy_mwh=120.0), {**TWO[0], "rank": 2, "power_kw": 3.0}]
    kept = {name: LINES[name] for name in ("A1", "A2")} | {"C9": [(900, 0), (900, -300)]}
    new = run_of(lines=kept, sites=others)

    changes = compare_runs(old, new, GRAPH).changes

    for run, tables in (("old", old), ("new", new)):
        for kind, layer, columns in (
            ("reach", "reaches", ["length_m", "theoretical_kw"]),
            ("site", "sites", ["length_m", "power_kw", "energy_mwh"]),
        ):
            rows = changes[(changes["kind"] == kind) & (changes[f"id_{run}"] != "")]
            assert sorted(rows[f"id_{run}"]) == sorted(tables[layer][LAYERS[layer].key[0]])
            for name in columns:
                assert rows[f"{name}_{run}"].sum() == pytest.approx(tables[layer][name].sum(), rel=1e-12)
    by_change = sums_by_change(changes)
    assert by_change["energy_mwh_new"].sum() == pytest.approx(220.0)
    assert by_change[["old", "new"]].sum().tolist() == [6, 5]


def test_results_that_differ_without_a_reason_say_so():
    row = compared(run_of(), run_of(reaches={"A1": {"head_m": 9.0}}), "reach").loc["A1"]

    assert row["cause"] == UNKNOWN_CAUSE


def test_a_difference_that_touches_only_what_stayed_is_not_reported():
    # Other districts, another price; here the district is as it was and only the site's value differs.
    old = run_of(sites=TWO, digests={"districts": "d1"})
    new = run_of(
        sites=[TWO[0], {**TWO[1], "net_annual_value": 7.5}],
        digests={"districts": "d2"},
        settings={"costs.price_per_kwh": "0.3"},
        stages={"energy": "3"},
    )

    row = compared(old, new, "site").loc["A2@450/diversion"]

    # The stage of energy is as it was for all its other figures.
    assert row["cause"] == "setting costs.price_per_kwh: 0.2 → 0.3"


def test_differences_are_reported_by_input_setting_rule_and_stage():
    rules = {"park": {"action": "exclude", "buffer_m": "0.0"}, "fish": {"action": "conditional"}}
    old = run_of(rules=rules)
    new = run_of(
        rules={
            "fish": {"action": "conditional", "digest": "other"},
            "park": {"action": "exclude", "buffer_m": "9.0"},
        },
        digests={"roads": "r2", "lakes": "l1"},
        settings={"heads.quantile": "0.4", "inputs.roads.path": "elsewhere.gpkg", "run.name": "Other name"},
        stages={"heads": "2"},
    )

    notes = differences(old["provenance"], new["provenance"], GRAPH).table["difference"].tolist()

    assert notes == [
        "rule park: buffer_m 0.0 → 9.0",
        "layer of rule fish changed",
        "order of the rules changed",
        "input roads changed",
        "input lakes is new",
        "setting heads.quantile: 0.5 → 0.4",
        "code of stage heads changed",
    ]


def test_a_setting_that_only_the_newer_program_knows_is_no_difference_at_its_default():
    new = run_of(settings={"heads.shrink": "True", "heads.simulations": "99"})["provenance"]

    defaults = {"heads.shrink": "True", "heads.simulations": "64"}
    notes = differences(run_of()["provenance"], new, GRAPH, defaults).table["difference"]

    assert notes.tolist() == ["setting heads.simulations: not set → 99"]


# Rows of causes that can lead to changed columns, for a run whose provenance differs in all of these.
def named_causes(layer, changed, shown=(), **differing):
    old, new = run_of(), run_of(**differing)
    causes = differences(old["provenance"], new["provenance"], GRAPH)
    return {causes.table["name"][row] for row in reaching(causes, layer, changed, shown)}


# What a hydrologist would say of each: roads and prices move no water, no rule moves a head, and only what comes
# after the selection depends on how sites are ranked.
@pytest.mark.parametrize(
    ("layer", "column", "possible"),
    [
        ("reaches", "order_strahler", {"streams", "dem"}),
        ("reaches", "head_m", {"streams", "dem", "heads.quantile"}),
        ("reaches", "flow_mean_m3s", {"streams", "dem", "heads.quantile", "equation file 1"} - {"heads.quantile"}),
        ("reaches", "theoretical_kw", {"streams", "dem", "heads.quantile", "equation file 1"}),
        # What pays is chosen, and how lucky the chosen are is taken off all heads, so that a price counts as well;
        # a conduit is sought where it can pay.
        *(
            (
                "sites",
                name,
                {"streams", "dem", "heads.quantile", "roads", "equation file 1", "costs.price_per_kwh"},
            )
            for name in ("road_distance_m", "conduit_length_m")
        ),
        ("sites", "solar_lcoe_per_kwh", {"costs.price_per_kwh"}),
    ],
)
def test_the_stage_graph_knows_what_can_have_changed_a_column(layer, column, possible):
    possible_ones = named_causes(
        layer,
        [column],
        digests={"dem": "d2", "streams": "s2", "roads": "r2", "equation file 1": "e2"},
        settings={"heads.quantile": "0.4", "costs.price_per_kwh": "0.3", "ranking.spacing_m": "200.0"},
        rules=NESTS,
    )

    assert possible_ones == possible


def test_the_selection_of_sites_can_have_changed_by_anything_that_makes_a_site():
    everything = {"dem", "streams", "roads", "heads.quantile", "costs.price_per_kwh", "ranking.spacing_m", "nests"}

    possible = named_causes(
        "reaches",
        ["rejection_reason"],
        digests={"dem": "d2", "streams": "s2", "roads": "r2"},
        settings={"heads.quantile": "0.4", "costs.price_per_kwh": "0.3", "ranking.spacing_m": "200.0"},
        rules=NESTS,
    )

    assert possible == everything


def test_a_verdict_has_changed_by_rules_and_not_by_the_limit_of_costs():
    possible = named_causes("sites", ["verdict"], settings={"costs.max_lcoe_per_kwh": "0.3"}, rules=NESTS)

    assert possible == {"nests"}


def test_what_no_stage_of_this_program_knows_can_have_changed_anything():
    possible = named_causes(
        "reaches", ["order_strahler"], settings={"weather.rain": "1"}, stages={"old_heads": "2"}
    )

    assert possible == {"weather.rain", "old_heads"}


def test_a_setting_of_another_version_counts_for_its_whole_section():
    differing = {"settings": {"heads.smoothing_m": "25.0"}}

    assert named_causes("reaches", ["head_m"], **differing) == {"heads.smoothing_m"}
    assert named_causes("reaches", ["order_strahler"], **differing) == set()


def test_settings_that_change_no_table_are_never_a_cause():
    assert named_causes("sites", ["energy_mwh"], settings={"fit.statistics": "mean"}) == set()
