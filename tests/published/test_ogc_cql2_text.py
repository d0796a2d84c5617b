"""Filters of rules against the examples and the truth table that the standard of CQL2 prints.

Open Geospatial Consortium, "Common Query Language (CQL2)", version 1.0, OGC 21-065r2, 2024: clause 6.1, table of
evaluating predicates; examples of clauses 6 and 7 and of the folder schema/examples/text, read in the standard's
public sources (github.com/opengeospatial/ogcapi-features, cql2/standard). The standard prints texts, not features:
which of the features below a text means follows from the definition of its operator in clauses 6 and 7.
"""

import geopandas
import numpy as np
import pandas as pd
import pytest
from shapely import Point

from sitefinder.rules.filters import matching
from sitefinder.settings import RuleSettings
from sitefinder.settings.rules import parse_filter

# Two predicates, both joined by AND, both joined by OR, as printed, in its order.
TRUTH_TABLE = """
    TRUE   TRUE   TRUE   TRUE
    TRUE   FALSE  FALSE  TRUE
    FALSE  TRUE   FALSE  TRUE
    FALSE  FALSE  FALSE  FALSE
    TRUE   NULL   NULL   TRUE
    FALSE  NULL   FALSE  NULL
    NULL   TRUE   NULL   TRUE
    NULL   FALSE  FALSE  NULL
    NULL   NULL   NULL   NULL
"""
VALUES = {"TRUE": 1.0, "FALSE": 0.0, "NULL": np.nan}
# Texts of the standard, with features of which some are meant.
SCALAR = {
    "city": ["Toronto", "toronto", None],
    "cityName": ["Tokyo", "Kyoto", "New York"],
    "category": [4, 5, 6],
    "name": ["Smithson", "Goldsmith", "foo bar"],
    "value": [2.0, 10.0, 12.0],
    "depth": [100.0, 150.1, np.nan],
    "taxes": [500, 501, 499],
    "owner": ["Mike Jones", "mike", "Anne Jones"],
    "floors": [6, 3, 5],
    "material": ["brick", "brick", "wood"],
    "swimming_pool": [False, True, False],
    "updated": pd.to_datetime(["1969-12-31T23:59:59", "1970-01-01T00:00:00", None]),
    "road_class": ["ΟΔΟΣ", "strasse", "Straße 2"],
    "etat_vol": ["debarquer", "débarque", "débárquér"],
    "landsat:scene_id": ["LC82030282019133LGN00", "LC82030282019133LGN01", None],
    "landsat:wrs_path": ["153", "15X", "155"],
    "eo:instrument": ["OLI_TIRS", "oli", "TIRS OLI"],
    "ro:cloud_cover": [0.1, 0.15, 0.2],
    "eo:cloud_cover": [0.1, 0.3, 0.2],
    "landsat:wrs_row": [28, 28, 29],
}
MEANT = {
    "city='Toronto'": "100",
    "updated >= date('1970-01-01')": "010",
    "name LIKE 'Smith%'": "100",
    "depth BETWEEN 100.0 and 150.0": "100",
    "cityName IN ('Toronto','Frankfurt','Tokyo','New York')": "101",
    "category NOT IN (1,2,3,4)": "011",
    "CASEI(road_class) IN (CASEI('Οδος'),CASEI('Straße'))": "110",
    "ACCENTI(etat_vol) = ACCENTI('débárquér')": "101",
    "landsat:scene_id = 'LC82030282019133LGN00'": "100",
    "eo:instrument LIKE 'OLI%'": "100",
    "landsat:wrs_path IN ('153','154','15X')": "110",
    "ro:cloud_cover=0.1 OR ro:cloud_cover=0.2": "101",
    "eo:cloud_cover IN (0.1,0.2)": "101",
    "    eo:cloud_cover >= 0.1\nAND eo:cloud_cover <= 0.2\nAND landsat:wrs_row=28": "100",
    "taxes <= 500": "101",
    "owner LIKE '%Jones%'": "101",
    "owner LIKE 'Mike%'": "100",
    "owner NOT LIKE '%Mike%'": "011",
    "swimming_pool = true": "010",
    "floors>5 AND swimming_pool=true": "000",
    "(floors>5 AND material='brick') OR swimming_pool=true": "110",
    "NOT (floors<5) OR swimming_pool=true": "111",
    "(owner LIKE 'mike%' OR owner LIKE 'Mike%') AND floors<4": "010",
    "NOT \"name\" LIKE 'foo%'": "110",
    '"value" IN (1.0, 2.0, 3.0)': "100",
    '(NOT "name" LIKE \'foo%\' AND "value" > 10)': "000",
}
# Texts of requirements classes that rules do not evaluate, with what the refusal calls them.
REFUSED = {
    "avg(windSpeed) < 4": "a function, AVG",
    "balance-150.0 > 0": "arithmetic, -",
    "vehicle_height > (bridge_clearance-1)": "arithmetic, -",
    "S_INTERSECTS(geometry,POINT(36.319836 32.288087))": "a spatial function, S_INTERSECTS",
    "T_INTERSECTS(event_time, INTERVAL('1969-07-16T05:32:00Z', '1969-07-24T16:50:35Z'))": (
        "a temporal function, T_INTERSECTS"
    ),
    "T_DURING(INTERVAL('1969-07-20T20:17:40Z', '1969-07-21T17:54:00Z'), INTERVAL('1969-07-16T13:32:00Z', "
    "'1969-07-24T16:50:35Z'))": "a temporal function, T_DURING",
}


def layer(columns):
    count = len(next(iter(columns.values())))
    return geopandas.GeoDataFrame(columns, geometry=[Point(0, 0)] * count, crs="EPSG:32633")


def rule(where):
    return RuleSettings(name="a", action="note", path="a.gpkg", where=where, may_be_empty=True)


@pytest.mark.parametrize("joined", ["AND", "OR"])
@pytest.mark.parametrize("negated", [False, True])
def test_predicates_are_joined_by_the_printed_truth_table(joined, negated):
    lines = [line.split() for line in TRUTH_TABLE.split("\n") if line.strip()]
    features = layer({name: [VALUES[line[at]] for line in lines] for at, name in enumerate(["p", "q"])})
    expected = [line[2 if joined == "AND" else 3] for line in lines]
    text = f"p = 1 {joined} q = 1"

    match = matching(features, rule(f"NOT ({text})" if negated else text))

    held = "FALSE" if negated else "TRUE"
    assert match.selected.tolist() == [truth == held for truth in expected]
    assert match.category_missing.tolist() == [truth == "NULL" for truth in expected]


@pytest.mark.parametrize("text", MEANT)
def test_the_examples_mean_what_their_operators_say(text):
    match = matching(layer(SCALAR), rule(text))

    assert "".join(str(int(selected)) for selected in match.selected) == MEANT[text]


def test_a_quotation_mark_within_a_text_is_doubled():
    match = matching(
        layer({"street": ["Via dell'Avvento", "Via dell''Avvento"]}), rule("street = 'Via dell''Avvento'")
    )

    assert match.selected.tolist() == [True, False]


@pytest.mark.parametrize("text", REFUSED)
def test_examples_of_what_rules_do_not_evaluate_are_refused_with_what_they_are(text):
    with pytest.raises(ValueError, match="expected what a rule can evaluate") as caught:
        parse_filter(text)

    assert f"(found {REFUSED[text]})" in str(caught.value)
