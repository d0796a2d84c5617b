"""Filters of rules in CQL2: what the text means, where it is wrong, and what a missing value makes of it."""

import contextlib
import datetime
import fnmatch
import itertools
import operator
import sqlite3

import geopandas
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Point

from sitefinder.errors import ConfigError, InputError
from sitefinder.rules.filters import matching
from sitefinder.settings import RuleSettings, Settings, checked
from sitefinder.settings.rules import Both, Compared, Either, IsNull, Not, parse_filter


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
    ("where", "selected", "missing"),
    [
        ("category = 'reserve'", "f0 f2", "f3 f4"),
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
        ("zone BETWEEN 2 AND 4", "f1 f2 f3", ""),
        ("area_ha NOT BETWEEN 0.5 AND 12", "f2", "f3"),
        ("area_ha NOT BETWEEN 0.5 AND 12 AND zone = 3 OR zone = 1", "f0 f2", ""),
        ("category LIKE 'res%'", "f0 f2", "f3 f4"),
        ("category LIKE '_andscap_'", "f1", "f3 f4"),
        ("category LIKE 'Res%'", "", "f3 f4"),
        ("category NOT LIKE '%serve'", "f1", "f3 f4"),
        ("CASEI(category) LIKE CASEI('RES%')", "f0 f2", "f3 f4"),
        ("CASEI(category) IN (CASEI('Landscape'), 'x')", "f1", "f3 f4"),
        ("NOT listed = TRUE AND zone > 1", "f1 f4", "f2"),
    ],
)
def test_a_filter_means_what_it_says(where, selected, missing):
    parks = layer(**PARKS)
    if selected is None:
        parks, selected, missing = layer(Listed_2=["a", None]), "f0", ""

    match = matching(parks, rule(where))

    assert " ".join(parks["feature_id"][match.selected]) == selected
    assert " ".join(parks["feature_id"][match.category_missing]) == missing


@pytest.mark.parametrize("zone", [None, "UTC", "Etc/GMT-3"])
def test_dates_are_compared_as_dates(zone):
    surveyed = layer(visit=[datetime.date(2019, 12, 31), datetime.date(2020, 1, 1), None])
    surveyed["visit"] = pd.to_datetime(surveyed["visit"]).dt.tz_localize("UTC")
    surveyed["visit"] = surveyed["visit"].dt.tz_convert(zone)

    match = matching(surveyed, rule("visit >= DATE('2020-01-01')"))

    assert match.selected.tolist() == [False, True, False]
    assert match.category_missing.tolist() == [False, False, True]
    assert matching(surveyed, rule("visit = DATE('2019-12-31')")).selected.tolist() == [True, False, False]
    before = matching(surveyed, rule("visit < TIMESTAMP('2019-12-31T00:00:01Z')"))
    assert before.selected.tolist() == [True, False, False]


def test_a_time_counts_by_its_day_where_it_is_compared_with_a_date():
    surveyed = layer(visit=pd.to_datetime(["2019-12-31T23:59:59", "2020-01-01T10:00:00", None]))

    assert matching(surveyed, rule("visit = DATE('2020-01-01')")).selected.tolist() == [False, True, False]
    assert matching(surveyed, rule("visit <= DATE('2020-01-01')")).selected.tolist() == [True, True, False]
    assert matching(surveyed, rule("visit <= TIMESTAMP('2020-01-01T00:00:00Z')")).selected.tolist() == [
        *(True, False, False)
    ]
    listed = matching(surveyed, rule("visit NOT IN (DATE('2020-01-01'), DATE('2020-01-02'))"))
    assert listed.selected.tolist() == [True, False, False]
    assert listed.category_missing.tolist() == [False, False, True]


def test_column_and_values_may_ask_for_dates_as_text():
    surveyed = layer(visit=pd.to_datetime(["2019-12-31", "2020-01-01"]))
    asked = RuleSettings(name="a", action="note", path="a.gpkg", column="visit", values=["2020-01-01"])

    assert matching(surveyed, asked).selected.tolist() == [False, True]


# The percent sign, underscore and backslash of a pattern, as the standard has them from SQL.
@pytest.mark.parametrize(
    ("pattern", "selected"),
    [
        ("50%", ["50%", "50 m", "50"]),
        ("50\\%", ["50%"]),
        ("5_", ["50"]),
        ("%", ["50%", "50 m", "50", "a\nb", "a.b", "aXb", "a\\b"]),
        ("a_b", ["a\nb", "a.b", "aXb", "a\\b"]),
        ("a.b", ["a.b"]),
        ("a\\\\b", ["a\\b"]),
    ],
)
def test_a_pattern_matches_the_whole_text(pattern, selected):
    texts = ["50%", "50 m", "50", "a\nb", "a.b", "aXb", "a\\b"]

    match = matching(layer(note=texts), rule(f"note LIKE '{pattern}'"))

    assert [text for text, is_meant in zip(texts, match.selected, strict=True) if is_meant] == selected


# Greek alpha with iota subscript: folding of case makes two letters of it, folding of accents one.
@pytest.mark.parametrize(
    "where",
    [
        "ACCENTI(CASEI(name)) = 'αι'",
        "CASEI(ACCENTI(name)) = 'α'",
        "twice = ACCENTI(CASEI('ᾳ'))",
        "once = CASEI(ACCENTI('ᾳ'))",
    ],
)
def test_foldings_work_from_the_inside_out(where):
    assert matching(layer(name=["ᾳ"], twice=["αι"], once=["α"]), rule(where)).selected.all()


def test_names_of_columns_and_texts_may_hold_anything():
    odd = layer(**{'the "best" kind': ["O'Neil's", "b"]})

    match = matching(odd, rule("""  "the ""best"" kind"='O''Neil''s'  """))

    assert match.selected.tolist() == [True, False]


@pytest.mark.parametrize(
    ("where", "message"),
    [
        ("", "at character 1: expected a condition such as kind = 'reserve' (found the end)"),
        ("zone", "at character 1: expected a condition (found the column zone); for a column of true and false"),
        ("zone = ", "at character 8: expected a value or a condition (found the end)"),
        ("zone = one", "at character 8: expected a value (found the column one); put text in single quotation"),
        ("zone = null", "at character 8: expected a value (found NULL); write zone IS NULL"),
        ("zone in 1", "at character 9: expected ( after IN (found 1)"),
        ("zone in (1 2)", "at character 12: expected AND, OR,"),
        ("zone in ()", "at character 10: expected a value or a condition (found ))"),
        ("zone not 1", "at character 6: expected IN, LIKE or BETWEEN after NOT"),
        ("zone is true", "at character 9: expected NULL or NOT NULL (found true)"),
        ("zone = 1 zone = 2", "IS NULL or the end (found zone)"),
        ("zone == 1 or zone != 2", "at character 6: expected =, as CQL2 writes it (found ==)"),
        ("zone = 1 or zone != 2", "at character 18: expected <>, as CQL2 writes it (found !=)"),
        ("(zone = 1", "at character 10: expected AND, OR,"),
        ("zone = 'a", "at character 8: expected a second quotation mark ' (found the end)"),
        ("zone = 'a\\'b'", "at character 8: expected '' for a quotation mark within a text (found \\')"),
        ("zone = 1; drop table x", "at character 9: expected AND, OR,"),
        ("'zone' = 1", "at character 1: expected a column before the operator (found 'zone'); for the column of"),
        ("3 < zone", "at character 1: expected a column before the operator (found 3); write the column first"),
        ("zone = 3px", "at character 9: expected AND, OR,"),
        ("zone = .5", "at character 8: expected 0.5 (found .5)"),
        ("zone = 9007199254740993", "at character 8: expected a whole number up to 9007199254740992"),
        ("zone = 1 andzone = 2", "at character 10: expected a column, a value or a keyword"),
        ("zone isnull", "at character 6: expected a column, a value or a keyword (found isnull)"),
        (
            "_zone = 1",
            "at character 1: expected a condition such as kind = 'reserve' (found _zone); write \"_zone\"",
        ),
        (
            "between(zone, 4)",
            "at character 1: expected BETWEEN among its values (found BETWEEN as a function of 2)",
        ),
        (
            "zone = 1 or like(kind)",
            "at character 13: expected LIKE among its values (found LIKE as a function of 1)",
        ),
        ("not()", "expected"),
        ("isnull()", "expected"),
        ("casei() = 'a'", "expected"),
        ("in(zone)", "expected"),
        ("and(zone = 1)", "expected"),
        ("between = 1", "put the column in double quotation marks if its name is one of AND, OR, NOT"),
        ("zone between 4 and 3", "at character 1: expected BETWEEN the smaller AND the larger number"),
        ("zone between 1 or 2", "at character 16: expected a value or a condition (found or)"),
        ("a between DATE('2020-01-01') and DATE('2021-01-01')", "write a >= … AND a <= … for dates"),
        (
            "a = DATE('spring')",
            "at character 5: expected a date or time such as DATE('2024-05-31') (found 'spring')",
        ),
        ("a = DATE('2020-13-01')", "found '2020-13-01'"),
        ("a = TIMESTAMP('2020-01-01')", "such as TIMESTAMP('2024-05-31T12:00:00Z') (found '2020-01-01')"),
        (
            "CASEI(a) = 'X'",
            "expected the same function on both sides, CASEI('X') (found 'X', which CASEI never returns)",
        ),
        ("CASEI(a) = 3", "expected text to compare (found 3)"),
        ("a LIKE 3", "at character 1: expected a text after LIKE (found 3)"),
        ("true", "at character 1: expected a condition (found TRUE); remove where if all features count"),
        ("(" * 16 + "zone = 1" + ")" * 16, "more than 15 brackets within each other"),
        ("not " * 60 + "zone = 1", "more than 50 conditions within each other"),
        ("(" * 100_000 + "zone = 1" + ")" * 100_000, "more than 15 brackets within each other"),
        # Found by tests/tools/fuzz.py: the parser would still be busy.
        ("((((((ND(((Nc(((((N((((((ND(((Nc(((((ND((ND((NDinnizzte", "more than 15 brackets within each other"),
        ("zone = " + "- " * 100_000 + "1", "more than 50 conditions within each other"),
        (" or ".join(["zone = 1"] * 20_000), "more than 1000 conditions; use IN"),
    ],
)
def test_an_error_says_where_the_filter_is_wrong(where, message):
    with pytest.raises(ValueError, match=r"expected|more than|a keyword is used as a column") as caught:
        parse_filter(where)

    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("where", "at", "found"),
    [
        ("zone + 1 > 2", 6, "arithmetic, +"),
        ("zone > area_ha * 2", 16, "arithmetic, *"),
        ("zone = 1 AND S_INTERSECTS(geom, POINT(1 2))", 14, "a spatial function, S_INTERSECTS"),
        ("t_after(visit, DATE('2020-01-01'))", 1, "a temporal function, T_AFTER"),
        ("A_CONTAINS(kinds, ('a', 'b'))", 1, "an array function, A_CONTAINS"),
        ("upper(kind) = 'A'", 1, "a function, UPPER"),
        ("a = (b = 1)", 3, "a condition as a value, ="),
    ],
)
def test_what_cql2_has_beyond_what_rules_evaluate_is_refused_with_what_is_supported(where, at, found):
    with pytest.raises(
        ValueError, match=f"at character {at}: expected what a rule can evaluate: columns"
    ) as caught:
        parse_filter(where)

    assert "BETWEEN, IN, LIKE and IS NULL" in str(caught.value)
    assert f"(found {found})" in str(caught.value)


def test_a_wrong_filter_is_found_with_the_settings():
    table = {"name": "reserve", "action": "exclude", "path": "reserves.gpkg", "where": "zone => 3"}

    with pytest.raises(ConfigError) as caught:
        checked(Settings, {"rules": [table]}, "run.toml")

    assert "rules[1].where: at character 7: expected a value or a condition (found >)" in str(caught.value)


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({"where": "zone = 1", "column": "zone", "values": [1]}, "state where, or column and values, not both"),
        ({"min_overlap_m": 1, "min_overlap_share": 0.5}, "min_overlap_m or min_overlap_share, not both"),
        (
            {"touching_counts": True, "min_overlap_m": 5},
            "touching_counts contradicts min_overlap_m and min_overlap_share",
        ),
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


@pytest.mark.parametrize(
    "where", ["zone > 1", "zone BETWEEN 1 AND 2", "zone LIKE 'a%'", "zone = 1", "zone IN ('a')"]
)
def test_of_a_column_without_any_value_everything_is_unknown(where):
    match = matching(layer(zone=[None, None]), rule(where))

    assert (match.selected.tolist(), match.category_missing.tolist()) == ([False] * 2, [True] * 2)


def test_dates_and_truths_are_known_by_kind_beside_missing_ones():
    surveyed = layer(visit=[datetime.date(2019, 12, 31), None], listed=np.array([True, None], dtype=object))

    for where in ("visit < DATE('2020-01-01')", "listed = TRUE"):
        match = matching(surveyed, rule(where))
        assert (match.selected.tolist(), match.category_missing.tolist()) == ([True, False], [False, True])


def test_values_of_several_kinds_are_shown_in_one_order():
    with pytest.raises(InputError, match="as in zone: 10, 9, b"):
        matching(layer(zone=[9, "b", 10]), rule("zone > 1"))


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
        ("zone = '1'", "filters by values that its column cannot hold"),
        ("category = 1", "filters by values that its column cannot hold"),
        ("listed = 1", "filters by values that its column cannot hold"),
        ("zone in (1, 'b')", "filters by values that its column cannot hold"),
        ("category < 'm'", "puts text in an order"),
        ("listed > false", "puts true or false in an order"),
        ("category BETWEEN 1 AND 2", "filters by values that its column cannot hold"),
        ("zone LIKE '1%'", "filters by values that its column cannot hold"),
        ("CASEI(zone) = '1'", "filters by values that its column cannot hold"),
        ("category = DATE('2020-01-01')", "filters by values that its column cannot hold"),
    ],
)
def test_values_of_another_kind_than_the_column_are_refused(where, headline):
    with pytest.raises(InputError, match=headline) as caught:
        matching(layer(**PARKS), rule(where))

    assert f"character {where.find('zone') + 1 or 1} of {where}" in str(caught.value)


def test_a_day_that_a_month_does_not_have_is_refused():
    with pytest.raises(InputError, match="compares with a date that does not exist"):
        matching(layer(visit=pd.to_datetime(["2020-01-01"])), rule("visit = DATE('2020-02-30')"))


def test_a_text_compared_with_a_column_of_dates_is_refused_with_the_spelling_of_dates():
    with pytest.raises(InputError, match="filters by values that its column cannot hold") as caught:
        matching(layer(visit=pd.to_datetime(["2020-01-01"])), rule("visit > '2019-01-01'"))

    assert "fix:       write a date as DATE('2024-05-31')" in str(caught.value)


def test_a_filter_that_means_nothing_is_refused_unless_that_is_said_to_be_right():
    parks = layer(zone=[1, 2])

    with pytest.raises(InputError, match="selects no feature of its layer") as caught:
        matching(parks, rule("zone > 7"))

    assert "expected:  zone > 7\n  found:     zone: 1, 2" in str(caught.value)
    assert not matching(parks, rule("zone > 7", may_be_empty=True)).selected.any()


def test_nothing_of_a_filter_is_handed_to_a_database():
    parsed = parse_filter("name = 'x''; DROP TABLE parks; --' or zone = 1")

    assert isinstance(parsed, Either)
    assert parsed.conditions[0] == Compared("name", "=", ("x'; DROP TABLE parks; --",), 1)


PIECES = (
    *(
        "a",
        '"b c"',
        "'x'",
        "'o''k'",
        "1",
        "-2.5",
        "TRUE",
        "null",
        "and",
        "OR",
        "not",
        "in",
        "is",
        "like",
        "between",
    ),
    *(
        "=",
        "<>",
        "<=",
        "(",
        ")",
        ",",
        "-",
        "+",
        "*",
        "CASEI(",
        "date(",
        "'2020-01-01'",
        "S_INTERSECTS(",
        "POINT(1 2)",
    ),
    *("foo(", "'", '"', "%", "\\", ";", "ä", ".5", "1e400", "!=", "\n", "interval(", "[", "]"),
)


@given(st.one_of(st.lists(st.sampled_from(PIECES), max_size=14).map(" ".join), st.text(max_size=30)))
@settings(deadline=None, max_examples=500)
def test_any_text_is_a_filter_or_refused_with_a_reason(text):
    outcome = filter_or_reason(text)

    if isinstance(outcome, str):
        assert any(words in outcome for words in ("expected ", "more than ", "a keyword is used as a column"))
    else:
        assert isinstance(outcome, Compared | IsNull | Not | Both | Either)


def filter_or_reason(text):
    try:
        return parse_filter(text)
    except ValueError as error:
        return str(error)


# Conditions as nested tuples: what compares a column, and what joins conditions. a and b hold numbers, t text.
WORDS = ("Oak", "oak", "ash", "o%k")
COMPARISONS = st.one_of(
    st.tuples(st.sampled_from(["=", "<>", "<", "<=", ">", ">="]), st.sampled_from("ab"), st.integers(0, 2)),
    st.tuples(st.sampled_from(["=", "<>"]), st.just("t"), st.sampled_from(WORDS)),
    st.tuples(
        st.just("between"),
        st.sampled_from("ab"),
        st.sampled_from([(low, high) for high in range(3) for low in range(high + 1)]),
    ),
    st.tuples(st.just("in"), st.sampled_from("ab"), st.lists(st.integers(0, 2), min_size=1, max_size=3)),
    st.tuples(st.just("in"), st.just("t"), st.lists(st.sampled_from(WORDS), min_size=1, max_size=3)),
    st.tuples(st.just("like"), st.just("t"), st.sampled_from(["o%", "_ak", "%a%", "Oak", "%"])),
    st.tuples(st.just("casei"), st.just("t"), st.sampled_from(WORDS)),
    st.tuples(st.just("null"), st.sampled_from("abt"), st.none()),
)
CONDITIONS = st.recursive(
    COMPARISONS,
    lambda inner: st.one_of(
        st.tuples(st.just("not"), inner),
        st.tuples(st.sampled_from(["and", "or"]), inner, inner),
    ),
    max_leaves=8,
)
# How tightly each joins; a part is put in parentheses where it joins less tightly than what it is part of.
TIGHTNESS = {"or": 0, "and": 1, "not": 2}
WORD_OF = {"and": "AND", "or": "OR"}
ROWS = list(itertools.product([0.0, 1.0, 2.0, np.nan], [0.0, 1.0, 2.0, np.nan], [*WORDS, None]))


# A condition as CQL2 text with as few parentheses as its meaning allows.
def written(condition, outer=0):
    kind, *parts = condition
    if kind in TIGHTNESS:
        tight = TIGHTNESS[kind]
        words = [written(part, tight) for part in parts]
        text = f"NOT {words[0]}" if kind == "not" else f" {WORD_OF[kind]} ".join(words)
        return f"({text})" if tight < outer else text
    column, value = parts
    if kind == "between":
        return f"{column} BETWEEN {value[0]} AND {value[1]}"
    if kind == "in":
        return f"{column} IN ({', '.join(map(shown, value))})"
    if kind == "null":
        return f"{column} IS NULL"
    if kind == "casei":
        return f"CASEI({column}) = CASEI({shown(value)})"
    return f"{column} {kind.upper()} {shown(value)}"


def shown(value):
    return f"'{value}'" if isinstance(value, str) else str(value)


def holds(kind, held, value):
    if kind == "between":
        return value[0] <= held <= value[1]
    if kind == "in":
        return held in value
    if kind == "like":
        return fnmatch.fnmatchcase(held, value.replace("%", "*").replace("_", "?"))
    if kind == "casei":
        return held.casefold() == value.casefold()
    return {"=": operator.eq, "<>": operator.ne, "<": operator.lt, "<=": operator.le, ">": operator.gt}.get(
        kind, operator.ge
    )(held, value)


# Python's own logic with None for what is not known, by the printed tables of the logic of three values.
def three_valued(condition, row):
    kind, *parts = condition
    if kind == "not":
        inner = three_valued(parts[0], row)
        return None if inner is None else not inner
    if kind in ("and", "or"):
        truths = {three_valued(part, row) for part in parts}
        deciding = kind == "or"
        return deciding if deciding in truths else None if None in truths else not deciding
    held = row[parts[0]]
    missing = held is None or held != held
    if kind == "null":
        return missing
    return None if missing else holds(kind, held, parts[1])


@given(CONDITIONS)
@settings(deadline=None, max_examples=200)
def test_any_filter_agrees_with_the_tables_of_three_values(condition):
    numbers_a, numbers_b, texts = zip(*ROWS, strict=True)
    table = layer(a=list(numbers_a), b=list(numbers_b), t=list(texts))

    match = matching(table, rule(written(condition), may_be_empty=True))

    for number, values in enumerate(ROWS):
        truth = three_valued(condition, dict(zip("abt", values, strict=True)))
        assert match.selected[number] == (truth is True)
        assert match.category_missing[number] == (truth is None)


@pytest.fixture(scope="module")
def rows_in_sqlite():
    """The rows in a database that reads the very text of a filter, with case of letters distinguished by LIKE."""
    with contextlib.closing(sqlite3.connect(":memory:")) as database:
        database.execute("PRAGMA case_sensitive_like = ON")
        database.create_function(
            "casei", 1, lambda text: None if text is None else text.casefold(), deterministic=True
        )
        database.execute("CREATE TABLE features (a REAL, b REAL, t TEXT)")
        database.executemany("INSERT INTO features VALUES (?, ?, ?)", ROWS)
        yield database


@given(CONDITIONS)
@settings(deadline=None, max_examples=200)
def test_any_filter_agrees_with_what_a_database_makes_of_its_text(rows_in_sqlite, condition):
    numbers_a, numbers_b, texts = zip(*ROWS, strict=True)
    table = layer(a=list(numbers_a), b=list(numbers_b), t=list(texts))
    text = written(condition)

    match = matching(table, rule(text, may_be_empty=True))

    truths = [truth for (truth,) in rows_in_sqlite.execute(f"SELECT ({text}) FROM features ORDER BY rowid")]
    assert match.selected.tolist() == [truth == 1 for truth in truths]
    assert match.category_missing.tolist() == [truth is None for truth in truths]
