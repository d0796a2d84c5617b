"""Sentences on the flows of a run: weakest regression first, suspects by name, and what becomes of the ranking."""

import pandas as pd
import pytest
from whole_summary import summary_text

from sitefinder.report.flow_quality import (
    flow_lines,
    flow_notes,
    mean_flow_text,
    regressions_of_source,
    suspects_text,
)


def regression(**changes):
    whole = {
        "region": "",
        "gauges": 48,
        "standard_error_percent": 19.5,
        "bias_correction": 1.0204,
        "strength": "adequate",
        "reason": "",
    }
    return whole | changes


WEAK = regression(
    gauges=18,
    standard_error_percent=112.3,
    bias_correction=1.456,
    strength="weak",
    reason="fewer than 25 gauges and standard error above 60 %",
)
TOO_WEAK = regression(gauges=9, strength="too weak to rank", reason="fewer than 10 gauges")


def equations(*regressions):
    """The layer with a row for the constant and the area of each mean, and a quantile."""
    rows = []
    for number, one in enumerate(regressions, 1):
        own = {key: value for key, value in one.items() if key != "reason"} | {"strength_reason": one["reason"]}
        rows += [
            own | {"equation": number, "statistic": "mean", "predictor": each} for each in ("constant", "area")
        ]
    rows.append(rows[0] | {"equation": 99, "statistic": "exceedance_90", "strength": "", "strength_reason": ""})
    return pd.DataFrame(rows)


def repairs(*gauges):
    problem = "implausible gauge: runoff of 5,000 mm a year; expected about 50 mm like the other gauges"
    rows = [("gauges", gauge, problem, "used as it is") for gauge in gauges]
    rows.append(("gauges", "G9", "record: short", "kept"))
    return pd.DataFrame(rows, columns=["layer", "feature", "problem", "action"])


def test_one_regression_is_a_sentence():
    assert mean_flow_text([regression()]) == (
        "Mean flow: regression on 48 gauges, standard error 19.5 %, bias factor 1.02."
    )
    assert mean_flow_text([WEAK]) == (
        "Mean flow: regression on 18 gauges, standard error 112 %, bias factor 1.46: weak (fewer than 25 gauges "
        "and standard error above 60 %)."
    )
    assert mean_flow_text([]) == ""


def test_an_error_that_is_not_known_is_said_to_be():
    unknown = regression(standard_error_percent=None, strength="not known")

    assert mean_flow_text([unknown]) == (
        "Mean flow: regression on 48 gauges, standard error not known, bias factor 1.02."
    )


def test_what_becomes_of_the_ranking_is_said_with_a_regression_that_is_too_weak():
    refused, allowed = mean_flow_text([TOO_WEAK]), mean_flow_text([TOO_WEAK], ["weak_flow"])

    assert ": too weak to rank (fewer than 10 gauges). No site is ranked where it applies" in refused
    assert allowed.endswith('Sites are ranked all the same, because ranking.allow includes "weak_flow".')
    assert "rank" not in mean_flow_text([WEAK])


def test_of_several_regions_the_worst_come_first():
    each = [regression(region=f"R{number}", standard_error_percent=10.0 + number) for number in range(4)]

    text = mean_flow_text([*each, WEAK | {"region": "W"}])

    assert text.startswith("Mean flow: 5 regressions by region: W on 18 gauges, standard error 112 %")
    assert text.index("R3 on") < text.index("R2 on")
    assert text.endswith("; and 2 more, none weaker.")


def test_the_summary_says_it_in_its_second_line_and_names_suspects_below_the_sites():
    tables = {
        "sites": pd.DataFrame(),
        "reaches": pd.DataFrame(
            {"length_m": [1000.0], "verdict": "open", "theoretical_kw": 1.0, "rejection_reason": "", "flags": ""}
        ),
        "flow_equations": equations(WEAK),
        "repairs": repairs("A1", "B2"),
    }
    tables["sites"] = pd.DataFrame({"rank": []})

    lines = summary_text("Alderdale", tables).split("\n")

    assert lines[0].startswith("Alderdale: ")
    assert lines[1].startswith("Mean flow: regression on 18 gauges, standard error 112 %, bias factor 1.46: weak")
    suspects = lines[lines.index("No site was selected.") + 2]
    assert suspects.startswith("2 of 18 gauges look wrong: A1 (runoff of 5,000 mm a year; expected about 50 mm")


def test_only_weak_regressions_and_suspects_are_warnings():
    sound = flow_notes({"flow_equations": equations(regression())})
    doubtful = flow_notes({"flow_equations": equations(WEAK), "repairs": repairs("A1")})

    assert [is_warning for _, is_warning in sound] == [False]
    assert [is_warning for _, is_warning in doubtful] == [True, True]
    assert doubtful[1][0].startswith("1 of 18 gauges looks wrong: A1 (")
    assert flow_notes({}) == []


def test_many_suspects_are_counted():
    suspects = [{"gauge": f"G{number}", "found": "much"} for number in range(7)]

    assert suspects_text(suspects, [WEAK]).startswith("7 of 18 gauges look wrong: G0 (much); G1 (much);")
    assert "; and 2 more. See the layer repairs." in suspects_text(suspects, [WEAK])


def test_the_check_lists_what_to_do_for_each():
    suspects = [{"gauge": "A1", "found": "much runoff", "expected": "less", "fix": "check the unit"}]

    assert flow_lines([WEAK], suspects)[2:] == [
        "  1 of 18 gauges looks wrong; each is used unless listed in flows.gauges.leave_out:",
        "    gauge A1",
        "      found:     much runoff",
        "      expected:  less",
        "      fix:       check the unit",
    ]


@pytest.mark.parametrize(
    ("source", "regions"),
    [
        ("equation", ["16", "17", ""]),
        ("equation (17)", ["17"]),
        ("gauge A 80 %; equation (16, 17)", ["16", "17"]),
        ("equation (16, 12)", ["16", ""]),
    ],
)
def test_a_site_has_the_regressions_of_its_regions(source, regions):
    given = [{"region": region} for region in ("16", "17", "")]

    assert [one["region"] for one in regressions_of_source(given, source)] == regions
