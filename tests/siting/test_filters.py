"""Filters of rules: what the text means, where it is wrong, and what a missing value makes of it."""

import datetime
import itertools

import geopandas
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Point

from sitefinder.config import RuleSettings, Settings, checked
from sitefinder.config.filters import Compared, Either, parse_filter
from sitefinder.errors import ConfigError, InputError
from sitefinder.siting.filters import matching


def rule(where, **settings_):
    return RuleSettings(name="reserve", action="exclude", path="reserves.gpkg", where=where, **settings_)


def layer(**columns):
    count = len(next(iter(columns.values())))
    ids = [f"f{row}" for row in range(count)]
    return geopandas.GeoDataFrame({"feature_id": ids, **columns}, geometry=[Point(0, 0)] * count, crs="EPSG:32633")


PARKS = {
    "category": ["reserve", "landscape", "reserve", None, ""],
    "zone": [1, 2, 3, 4, 5],
    "area_ha": [0.5, 12.0, 40.0, np.nan, 3.0],
    "listed": pd.array([True, False, None, True, False], dtype="boolean"),
}


@pytest.mark.parametrize(
    ("where", "meant", "missing"),
    [
        ("category = 'reserve'", "f0 f2", "f3 f4"),
        ("category != 'reserve'", "f1", "f3 f4"),
        ("category <> 'reserve'", "f1", "f3 f4"),
        ("not category = 'reserve'", "f1", "f3 f4"),
        ("category in ('reserve', 'landscape')", "f0 f1 f2", "f3 f4"),
        ("category not in ('reserve')", "f1", "f3 f4"),
        ("category is null", "f3 f4", ""),
        ("category is not null and zone > 1", "f1 f2", ""),
        ("category = ''", "f4", "f3"),
        ("zone < 2 or zone >= 4", "f0 f3 f4", ""),
        ("zone <= 2.5", "f0 f1", ""),
        ("zone = 1 or zone = 2 and category = 'reserve'", "f0", ""),
        ("(zone = 1 or zone = 2) and category = 'landscape'", "f1", ""),
        ("area_ha > 1e1", "f1 f2", "f3"),
        ("area_ha > 10 or zone = 4", "f1 f2 f3", ""),
        ("area_ha > 10 and zone = 4", "", "f3"),
        ("listed = true", "f0 f3", "f2"),
        ("NOT Listed_2 IS NULL", None, None),
        ("listed in (true, false)", "f0 f1 f3 f4", "f2"),
        ('"zone" = 3', "f2", ""),
    ],
)
def test_a_filter_means_what_it_says(where, meant, missing):
    parks = layer(**PARKS)
    if meant is None:
        parks, meant, missing = layer(Listed_2=["a", None]), "f0", ""

    match = matching(parks, rule(where))

    assert " ".join(parks["feature_id"][match.meant]) == meant
    assert " ".join(parks["feature_id"][match.category_missing]) == missing


def test_dates_are_compared_as_dates():
    surveyed = layer(seen=[datetime.date(2019, 12, 31), datetime.date(2020, 1, 1), None])
    surveyed["seen"] = pd.to_datetime(surveyed["seen"])

    match = matching(surveyed, rule("seen >= '2020-01-01'"))

    assert match.meant.tolist() == [False, True, False]
    assert match.category_missing.tolist() == [False, False, True]
    assert matching(surveyed, rule("seen = '2019-12-31'")).meant.tolist() == [True, False, False]


def test_names_of_columns_and_texts_may_hold_anything():
    odd = layer(**{'the "best" kind': ["O'Neil's", "b"]})

    match = matching(odd, rule("""  "the ""best"" kind"='O''Neil''s'  """))

    assert match.meant.tolist() == [True, False]


@pytest.mark.parametrize(
    ("where", "message"),
    [
        ("", "at character 1: expected a column, not or an opening parenthesis (found the end)"),
        ("zone", "at character 5: expected =, !=, <, <=, >, >=, in (…), not in (…), is null or is not null"),
        ("zone = ", "at character 8: expected a value (found the end)"),
        ("zone = one", "at character 8: expected a value; text stands in single quotation marks (found one)"),
        (
            "zone = null",
            "at character 8: expected a value; write is null for a value that is missing (found null)",
        ),
        ("zone in 1", "at character 9: expected ( (found 1)"),
        ("zone in (1 2)", "at character 12: expected a comma or ) (found 2)"),
        ("zone not 1", "at character 10: expected in (found 1)"),
        ("zone = 1 zone = 2", "at character 10: expected and, or or the end (found zone)"),
        ("(zone = 1", "at character 10: expected ) (found the end)"),
        ("zone = 'a", "at character 8: quotation mark ' that is not closed"),
        ("zone = 1; drop table x", "at character 9: found ';', which no filter holds"),
        ("'zone' = 1", "a column stands without quotation marks, or in double ones (found 'zone')"),
        ("zone = 3px", "at character 8: found '3', which no filter holds"),
        ("(" * 60 + "zone = 1" + ")" * 60, "more than 50 conditions within each other"),
        ("not " * 60 + "zone = 1", "more than 50 conditions within each other"),
    ],
)
def test_what_is_wrong_is_told_with_its_place(where, message):
    with pytest.raises(ValueError, match="character") as caught:
        parse_filter(where)

    assert message in str(caught.value)


def test_a_wrong_filter_is_found_with_the_settings():
    table = {"name": "reserve", "action": "exclude", "path": "reserves.gpkg", "where": "zone => 3"}

    with pytest.raises(ConfigError) as caught:
        checked(Settings, {"rules": [table]}, "run.toml")

    assert "rules[1].where: at character 7: expected a value (found >)" in str(caught.value)


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({"where": "zone = 1", "column": "zone", "values": [1]}, "state where, or column and values, not both"),
        ({"least_overlap_m": 1, "least_overlap_share": 0.5}, "least_overlap_m or least_overlap_share, not both"),
        ({"touching_counts": True, "least_overlap_m": 5}, "touching_counts and a least overlap contradict"),
        ({"effect_distance_m": 50}, 'effect_distance_m needs effect = "downstream" or "upstream"'),
        ({"stops_at_drop_m": 2}, 'stops_at_drop_m needs effect = "downstream" or "upstream"'),
        ({"area_ha_column": "a", "area_m2_column": "b"}, "area_ha_column or area_m2_column, not both"),
        ({"closed_months": [10]}, "closes all months; state closed_months with another action"),
        ({"closed_months": [13]}, "input should be less than or equal to 12"),
    ],
)
def test_settings_that_contradict_each_other_are_refused(table, message):
    rules = [{"name": "reserve", "action": "exclude", "path": "reserves.gpkg", **table}]

    with pytest.raises(ConfigError) as caught:
        checked(Settings, {"rules": rules}, "run.toml")

    assert message in str(caught.value)


def test_an_unknown_column_names_the_nearest_and_its_place():
    with pytest.raises(InputError, match="no column categroy") as caught:
        matching(layer(**PARKS), rule("zone = 1 and categroy = 'reserve'"))

    assert str(caught.value) == (
        "the layer of rule reserve has no column categroy\n"
        "  file:      reserves.gpkg\n"
        "  where:     character 14 of zone = 1 and categroy = 'reserve'\n"
        "  expected:  the column that the rule filters by\n"
        "  found:     columns feature_id, category, zone, area_ha, listed\n"
        "  fix:       did you mean category?"
    )


@pytest.mark.parametrize(
    ("where", "headline"),
    [
        ("zone = '1'", "asks for values that its column cannot hold"),
        ("category = 1", "asks for values that its column cannot hold"),
        ("listed = 1", "asks for values that its column cannot hold"),
        ("zone in (1, 'b')", "asks for values that its column cannot hold"),
        ("category < 'm'", "puts text in an order"),
        ("listed > false", "puts true or false in an order"),
    ],
)
def test_values_of_another_kind_than_the_column_are_refused(where, headline):
    with pytest.raises(InputError, match=headline) as caught:
        matching(layer(**PARKS), rule(where))

    assert f"character 1 of {where}" in str(caught.value)


def test_a_date_that_is_none_is_refused():
    with pytest.raises(InputError, match="asks for a date that is none"):
        matching(layer(seen=pd.to_datetime(["2020-01-01"])), rule("seen = 'spring'"))


def test_a_filter_that_means_nothing_is_refused_unless_that_is_said_to_be_right():
    parks = layer(zone=[1, 2])

    with pytest.raises(InputError, match="means no feature") as caught:
        matching(parks, rule("zone > 7"))

    assert "expected:  zone > 7\n  found:     zone: 1, 2" in str(caught.value)
    assert not matching(parks, rule("zone > 7", may_be_empty=True)).meant.any()


def test_nothing_of_a_filter_is_handed_to_a_database():
    parsed = parse_filter("name = 'x''; DROP TABLE parks; --' or zone = 1")

    assert isinstance(parsed, Either)
    assert parsed.conditions[0] == Compared("name", "=", ("x'; DROP TABLE parks; --",), 1)


CONDITIONS = st.recursive(
    st.tuples(st.just("is"), st.sampled_from(["a", "b", "c"]), st.integers(0, 2)),
    lambda inner: st.one_of(
        st.tuples(st.just("not"), inner),
        st.tuples(st.sampled_from(["and", "or"]), inner, inner),
    ),
    max_leaves=8,
)


def written(condition):
    if condition[0] == "is":
        return f"{condition[1]} = {condition[2]}"
    if condition[0] == "not":
        return f"not ({written(condition[1])})"
    return f"({written(condition[1])}) {condition[0]} ({written(condition[2])})"


# Python's own logic with None for what is not known, by the printed tables of the logic of three values.
def three_valued(condition, row):
    if condition[0] == "is":
        value = row[condition[1]]
        return None if np.isnan(value) else value == condition[2]
    if condition[0] == "not":
        inner = three_valued(condition[1], row)
        return None if inner is None else not inner
    parts = {three_valued(condition[1], row), three_valued(condition[2], row)}
    deciding = condition[0] == "or"
    return deciding if deciding in parts else None if None in parts else not deciding


@given(CONDITIONS)
@settings(deadline=None, max_examples=100)
def test_any_filter_agrees_with_the_tables_of_three_values(condition):
    rows = list(itertools.product([0.0, 1.0, 2.0, np.nan], repeat=3))
    table = layer(**dict(zip("abc", np.array(rows).T, strict=True)))

    match = matching(table, rule(written(condition), may_be_empty=True))

    for number, values in enumerate(rows):
        truth = three_valued(condition, dict(zip("abc", values, strict=True)))
        assert match.meant[number] == (truth is True)
        assert match.category_missing[number] == (truth is None)
