"""The declared tables: that the declaration is whole, and that the check lists all that is wrong."""

import pickle
from typing import get_args

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, MultiPolygon, Point, box

from sitefinder import settings as config
from sitefinder.errors import TableError
from sitefinder.schema import ACTIONS, EVIDENCE, LAYERS, SCHEME_TYPES, check_table, columns_table, empty_table

UNIT_OF_SUFFIX = {
    "_m": {"m"},
    "_km": {"km"},
    "_km2": {"km²"},
    "_m3s": {"m³/s"},
    "_w": {"W"},
    "_wh": {"Wh/yr"},
    "_kw": {"kW"},
    "_mwh": {"MWh/yr"},
    "_mw": {"MW"},
    "_gwh": {"GWh/yr"},
    "_percent": {"%"},
    "_per_kwh": {"currency/kWh"},
    "_kw_per_km": {"kW/km"},
    "_per_km": {"1/km"},
    "_per_kw": {"currency/kW"},
}


def curve(**changes):
    columns = {
        "site_id": ["a", "a", "b"],
        "exceedance_percent": [5.0, 95.0, 95.0],
        "flow_m3s": [3.0, 0.4, np.nan],
        "environmental_flow_m3s": [0.2, 0.2, 0.1],
    }
    return pd.DataFrame(columns | changes)


def stretches(**changes):
    frame = pd.DataFrame({column.name: [None, None] for column in LAYERS["stretches"].columns})
    texts = {column.name: "" for column in LAYERS["stretches"].columns if column.dtype == "text"}
    marks = {column.name: False for column in LAYERS["stretches"].columns if column.dtype == "boolean"}
    known = {"stretch_id": ["s1", "s2"], "scheme_type": "diversion", "verdict": "open", "rank": [1, None]}
    lines = [LineString([(0, 0), (1, 1)]), LineString([(1, 1), (2, 2)])]
    return gpd.GeoDataFrame(frame.assign(**texts | marks | known | changes), geometry=lines, crs="EPSG:32633")


def test_layers_come_in_the_order_of_delivery():
    promised = "sites stretches conduits reaches catchments structures stretch_structures drops rule_areas"
    promised += " rule_hits decisions observations turbine_options site_costs flow_curves site_simulations"
    beside = "site_months depleted_reaches site_land site_water_rights substations "
    beside += "site_profiles ranking_criteria ranking_sensitivity fish_safe_gain"
    beside += " fish_groups fish_totals fish_sites fish_passage fish_reaches fish_assumptions hydrokinetic"

    totals = ["districts", "streams", "water_bodies", "cumulative_limits", "screening_cascade"]
    totals += ["reach_districts", "reach_features", "totals"]
    totals += ["supply_curve", "sites_by_price", "distributions", "flow_equations", "minimum_heads"]
    notes = ["provenance", "repairs", "columns"]
    assert list(LAYERS) == [*promised.split(), *beside.split(), *totals, *notes]


def test_no_layer_has_a_column_twice_or_one_called_fid():
    for layer in LAYERS.values():
        names = [column.name.lower() for column in layer.columns]
        assert len(names) == len(set(names)), layer.name
        assert not {"fid", "geom", "geometry", "row_id"} & set(names), layer.name


def test_keys_are_declared_columns_that_are_never_null():
    for layer in LAYERS.values():
        by_name = {column.name: column for column in layer.columns}
        assert not any(by_name[name].nullable for name in layer.key), layer.name


def test_a_unit_in_a_name_is_the_unit_of_the_column():
    for layer in LAYERS.values():
        for column in layer.columns:
            endings = [ending for ending in UNIT_OF_SUFFIX if column.name.endswith(ending)]
            if endings:
                assert column.unit in UNIT_OF_SUFFIX[max(endings, key=len)], (layer.name, column.name)


def test_the_same_name_has_the_same_type_and_unit_in_every_layer():
    seen = {}
    for layer in LAYERS.values():
        for column in layer.columns:
            kept = seen.setdefault(column.name, (column.dtype, column.unit))
            assert kept == (column.dtype, column.unit), (layer.name, column.name)


def test_every_column_has_a_meaning_of_its_own_words():
    for layer in LAYERS.values():
        for column in layer.columns:
            assert len(column.meaning) > 10, (layer.name, column.name)
            assert column.meaning != column.name.replace("_", " "), (layer.name, column.name)


def test_words_agree_with_those_of_the_settings():
    assert get_args(config.Action) == ACTIONS
    assert set(get_args(config.SchemeType)) <= set(SCHEME_TYPES)
    evidence = config.FishSettings.model_fields["evidence"].annotation
    assert get_args(get_args(evidence)[0]) == EVIDENCE


def test_there_is_a_mark_for_every_action_on_sites_stretches_and_reaches():
    expected = {f"mark_{action}" for action in ACTIONS} | {"mark_unknown"}
    for name in ("sites", "stretches", "reaches"):
        marks = {column.name for column in LAYERS[name].columns if column.name.startswith("mark_")}
        assert marks == expected, name


def test_the_columns_table_names_every_column_once():
    table = columns_table()

    assert len(table) == sum(len(layer.columns) for layer in LAYERS.values())
    head = table.set_index(["layer", "column"]).loc[("sites", "head_m")]
    assert head["unit"] == "m"


@pytest.mark.parametrize("name", LAYERS)
def test_an_empty_table_has_the_declared_columns_and_types(name):
    plain = {"text": "object", "integer": "int64", "real": "float64", "boolean": "bool"}

    table = empty_table(name, crs="EPSG:32633")

    columns = LAYERS[name].columns
    expected = [column.name for column in columns] + (["geometry"] if LAYERS[name].geometry else [])
    assert list(table.columns) == expected
    for column in columns:
        wide = "Int64" if column.dtype == "integer" and column.nullable else plain[column.dtype]
        assert str(table[column.name].dtype) == wide, column.name


def test_a_checked_table_is_in_order_and_the_given_one_unaltered():
    given = curve()[["environmental_flow_m3s", "flow_m3s", "site_id", "exceedance_percent"]].iloc[::-1]
    before = given.copy(deep=True)

    checked = check_table(given, "flow_curves")

    pd.testing.assert_frame_equal(given, before)
    assert list(checked.columns) == ["site_id", "exceedance_percent", "flow_m3s", "environmental_flow_m3s"]
    assert list(checked.index) == [0, 1, 2]
    assert list(checked["site_id"]) == ["b", "a", "a"]


def test_checking_twice_changes_nothing():
    once = check_table(stretches(), "stretches")

    pd.testing.assert_frame_equal(check_table(once, "stretches"), once)


def test_integers_that_gaps_made_floats_are_integers_again():
    checked = check_table(stretches(rank=[3.0, np.nan]), "stretches")

    assert str(checked["rank"].dtype) == "Int64"
    assert checked["rank"][0] == 3
    assert checked["rank"].isna().tolist() == [False, True]


def test_missing_text_becomes_none_whatever_stood_for_it():
    checked = check_table(stretches(stream=[np.nan, pd.NA]), "stretches")

    assert checked["stream"].tolist() == [None, None]


def test_categories_and_narrow_numbers_are_widened():
    frame = curve(site_id=pd.Categorical(["a", "a", "b"]), flow_m3s=np.array([1, 2, 3], dtype="float32"))

    checked = check_table(frame, "flow_curves")

    assert checked["site_id"].tolist() == ["a", "a", "b"]
    assert checked["flow_m3s"].tolist() == [1.0, 2.0, 3.0]
    assert checked["flow_m3s"].dtype == np.float64


def test_one_polygon_may_come_where_several_may():
    frame = gpd.GeoDataFrame(
        {"site_id": ["a", "b"], "is_whole": True}
        | {name: [1.0, 2.0] for name in ("area_km2", "inflow_km2", "drawn_km2")},
        geometry=[box(0, 0, 1, 1), MultiPolygon([box(2, 2, 3, 3)])],
        crs="EPSG:32633",
    )

    checked = check_table(frame, "catchments")

    assert checked.geometry.geom_type.tolist() == ["Polygon", "MultiPolygon"]
    assert checked.crs == "EPSG:32633"


def test_an_active_geometry_of_any_name_comes_back_as_geometry():
    frame = stretches().rename_geometry("line")

    checked = check_table(frame, "stretches")

    assert checked.columns[-1] == "geometry"
    assert checked.active_geometry_name == "geometry"


def test_all_problems_come_at_once():
    frame = curve(exceedance_percent=[5.0, 195.0, 95.0], site_id=["a", None, "b"], flow_m3s=["1", "2", "3"])
    frame = frame.rename(columns={"environmental_flow_m3s": "environmental_m3s"})

    with pytest.raises(TableError, match="table flow_curves: 5 problems") as raised:
        check_table(frame, "flow_curves")

    assert str(raised.value) == (
        "table flow_curves: 5 problems\n"
        "  environmental_flow_m3s: missing column\n"
        "    expected:  real: environmental flow at that flow\n"
        "  environmental_m3s: not declared; did you mean environmental_flow_m3s?\n"
        "  site_id: NULL is not allowed\n"
        "    rows:  1 of 3: NULL / 195.0\n"
        "  exceedance_percent: out of range\n"
        "    expected:  0 to 100 [%]\n"
        "    found:     195 to 195\n"
        "    rows:      1 of 3: NULL / 195.0\n"
        "  flow_m3s: wrong type\n"
        "    expected:  real [m³/s]\n"
        "    found:     string, for example '1'"
    )


def test_many_bad_rows_are_five_and_a_count():
    ids = [f"site {number}" for number in range(8)]
    frame = pd.DataFrame(
        {"site_id": ids, "exceedance_percent": 50.0, "flow_m3s": -1.0, "environmental_flow_m3s": 0.0}
    )

    with pytest.raises(TableError, match=r"rows: +8 of 8: site 0 / 50.0, site 1 / 50.0, .* and 3 more"):
        check_table(frame, "flow_curves")


def test_infinite_is_out_of_range():
    with pytest.raises(
        TableError, match=r"flow_m3s: out of range\n +expected: +0 or more .m³/s., finite\n +found: +inf"
    ):
        check_table(curve(flow_m3s=[np.inf, 1.0, 1.0]), "flow_curves")


def test_rows_of_the_same_key_are_named():
    with pytest.raises(
        TableError, match=r"exceedance_percent: the same in several rows\n +rows: +2 of 3: a / 5.0, a / 5.0"
    ):
        check_table(curve(exceedance_percent=[5.0, 5.0, 5.0]), "flow_curves")


def test_a_word_outside_the_list_is_refused():
    with pytest.raises(TableError, match=r"verdict: not one of the allowed values\n.*\n +found: +opn"):
        check_table(stretches(verdict="opn"), "stretches")


def test_halves_are_no_integers():
    with pytest.raises(
        TableError, match=r"rank: wrong type\n +expected: +integer\n +found: +floating, for example 1.5"
    ):
        check_table(stretches(rank=[1.5, None]), "stretches")


def test_truth_is_no_number():
    with pytest.raises(TableError, match=r"mark_note: wrong type\n +expected: +boolean\n +found: +integer"):
        check_table(stretches(mark_note=[0, 1]), "stretches")


def test_geometry_of_the_wrong_kind_or_missing_is_named():
    frame = stretches()
    frame.geometry = [Point(0, 0), None]

    with pytest.raises(
        TableError, match=r"missing or empty\n.*\n.*1 of 2: s2\n.*wrong kind\n.*\n.*Point\n.*1 of 2: s1"
    ):
        check_table(frame, "stretches")


def test_geometry_with_heights_is_refused():
    frame = stretches()
    frame.geometry = [LineString([(0, 0, 5), (1, 1, 5)]), LineString([(1, 1), (2, 2)])]

    with pytest.raises(TableError, match=r"geometry: has heights.*\n +rows: +1 of 2: s1"):
        check_table(frame, "stretches")


def test_a_layer_with_geometry_needs_some_and_one_without_takes_none():
    with pytest.raises(TableError, match=r"geometry: missing\n +expected: +LineString"):
        check_table(pd.DataFrame(stretches().drop(columns="geometry")), "stretches")

    located = gpd.GeoDataFrame(curve(), geometry=[Point(0, 0)] * 3, crs="EPSG:32633")
    with pytest.raises(TableError, match="geometry: not declared"):
        check_table(located, "flow_curves")


def test_the_row_outside_all_districts_needs_no_polygon():
    totals = {column.name: 0 for column in LAYERS["districts"].columns if column.name != "district"}
    frame = gpd.GeoDataFrame([{"district": ""} | totals], geometry=[None], crs="EPSG:32633")

    assert check_table(frame, "districts").geometry.isna().all()


def test_columns_found_twice_are_refused():
    twice = pd.concat([curve(), curve()[["flow_m3s"]]], axis=1)

    with pytest.raises(TableError, match=r"duplicate columns\n +found: +flow_m3s"):
        check_table(twice, "flow_curves")


def test_the_error_travels_between_processes():
    with pytest.raises(TableError, match="out of range") as raised:
        check_table(curve(flow_m3s=[-1.0, 1.0, 1.0]), "flow_curves")

    assert str(pickle.loads(pickle.dumps(raised.value))) == str(raised.value)
