"""Where visits and data contradict each other."""

import numpy as np
import pandas as pd
import pytest

from sitefinder.siting.observed import held_against_data

NONE = float("nan")


def held(changed, mapped=("W1",), dem=(2.0, 0.3), expected=(1.0, 0.5, 2.0)):
    row = {"observation_id": "O1", "drop_m": NONE, "drop_error_m": NONE, "flow_m3s": NONE, "gauge_id": ""}
    row |= {"structure_id": "W1", "structure_seen": "", "structure_kind": "", "structure_condition": ""} | changed
    levels = pd.DataFrame([("O1", *dem)], columns=["level_id", "dem_drop_m", "dem_drop_se_m"])
    names = ["gauging_id", "expected_m3s", "expected_low_m3s", "expected_high_m3s"]
    gauged = pd.DataFrame([("O1", *expected)], columns=names)
    return held_against_data(pd.DataFrame([row]), levels, gauged, [mapped]).iloc[0]


@pytest.mark.parametrize(("drop_m", "contradicts"), [(2.81, False), (2.83, True), (1.19, False), (1.17, True)])
def test_a_drop_contradicts_beyond_the_interval_of_the_difference(drop_m, contradicts):
    # 1.645 · √(0.3² + 0.4²) = 0.8225 m.
    found = held({"drop_m": drop_m, "drop_error_m": 0.4})

    assert found["used"] == "drop"
    assert ("± 0.82 m" in found["contradictions"]) == contradicts


def test_a_drop_as_the_dem_has_it_contradicts_nothing_even_where_neither_has_an_error():
    assert held({"drop_m": 2.0, "drop_error_m": 0.0}, dem=(2.0, 0.0))["contradictions"] == ""


@pytest.mark.parametrize(("flow_m3s", "contradicts"), [(0.5, False), (0.49, True), (2.0, False), (2.1, True)])
def test_a_gauging_contradicts_outside_the_interval_of_the_day(flow_m3s, contradicts):
    found = held({"flow_m3s": flow_m3s, "gauge_id": "G1"})

    assert found["used"] == "flow"
    assert ("1 m³/s expected on that day (0.5 to 2)" in found["contradictions"]) == contradicts


def test_what_is_not_used_says_why():
    assert held({"flow_m3s": 9.0})["not_used"] == "flow: no reading of a gauge on that day"
    assert held({"flow_m3s": 9.0, "gauge_id": "G1"}, expected=(NONE,) * 3)["not_used"].startswith(
        "flow: no stream"
    )
    assert held({"drop_m": 1.0, "drop_error_m": 0.1}, dem=(NONE, NONE))["not_used"].startswith("drop: its places")
    assert held({"structure_condition": "poor"}, mapped=())["not_used"].startswith(
        "condition: the site's structure"
    )
    assert held({"structure_condition": "poor"})["used"] == "condition of the structure"


def test_a_structure_that_is_seen_and_not_mapped_and_the_reverse_are_contradictions():
    seen = held({"structure_seen": "yes", "structure_kind": "weir"}, mapped=())
    gone = held({"structure_seen": "no"})

    assert seen["contradictions"] == "a weir was seen, and none is mapped between intake and tailrace"
    assert gone["contradictions"] == "no structure was seen, and mapped is W1"
    assert gone["structure_ids"] == "W1"
    assert held({"structure_seen": "yes"})["contradictions"] == ""
    # Where the places are not on one stream, nothing can be said.
    assert held({"structure_seen": "yes"}, mapped=None)["contradictions"] == ""
    assert np.isnan(held({})["drop_m"])
