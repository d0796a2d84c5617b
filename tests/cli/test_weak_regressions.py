"""Weak regressions in `check` and `run`: what is said first, what is flagged, and what is not ranked."""

import json

import numpy as np
import pandas as pd
import pyogrio
import pytest
from partial_run import tables_of

from sitefinder.running import run

REASON = "flow regression too weak to rank"
WEAK, TOO_WEAK = "flow_regression_weak", "flow_regression_too_weak"
EQUATIONS = 'equations = ["equations.toml"]'
GAUGES = """
[flows.gauges]
path = "gauges.csv"
predictors = ["area_km2"]
source = "invented for this test"
leave_out = {leave_out}

[[flows.environmental]]"""


def with_gauges(region, table, leave_out=()):
    """The settings with a table of gauges in place of the equations."""
    table.to_csv("gauges.csv", index=False)
    listed = "[" + ", ".join(f'"{gauge}"' for gauge in leave_out) + "]"
    region.write_settings((f"{EQUATIONS}\n\n[[flows.environmental]]", GAUGES.format(leave_out=listed).lstrip()))


def gauges(count, scatter_log10=0.05, seed=3):
    rng = np.random.default_rng(seed)
    area = 10 ** rng.uniform(-1.0, 2.0, count)
    mean = 0.02 * area * 10 ** (scatter_log10 * rng.normal(size=count))
    return pd.DataFrame(
        {
            "gauge_id": [f"G{number}" for number in range(count)],
            "area_km2": area,
            "flow_mean_m3s": mean,
            "flow_q10_m3s": 2.2 * mean,
            "flow_q90_m3s": 0.15 * mean,
        }
    )


def test_the_check_says_first_how_weak_a_regression_is(region, command):
    outcome = command("check", "settings.toml")

    # 0.1 in log10 is 23.3 %; 20 gauges are stated.
    assert outcome.status == 0
    assert outcome.out.split("\n")[1:3] == [
        "  Mean flow: regression on 20 gauges, standard error 23.3 %, bias factor 1.00: weak (fewer than 25",
        "    gauges).",
    ]


def test_the_check_names_each_suspect_with_what_to_do(region, command):
    table = gauges(30)
    table.loc[4, ["flow_mean_m3s", "flow_q10_m3s", "flow_q90_m3s"]] *= 1000.0
    table.loc[9, "area_km2"] *= 100.0
    with_gauges(region, table)

    out = command("check", "settings.toml").out

    assert (
        "  2 of 30 gauges look wrong; each is used unless listed in flows.gauges.leave_out:\n    gauge G4\n" in out
    )
    assert "check whether the flow is in l/s, not m³/s" in out
    assert "    gauge G9\n" in out
    assert "check whether the area is in ha, not km²" in out


def test_a_gauge_is_left_out_where_the_settings_say_so_and_nowhere_else(region, command):
    table = gauges(30)
    table.loc[4, ["flow_mean_m3s", "flow_q10_m3s", "flow_q90_m3s"]] *= 1000.0
    with_gauges(region, table, ["G4"])

    out = command("check", "settings.toml").out

    assert "regression on 29 gauges" in out
    assert "look" not in out


def test_a_gauge_to_leave_out_must_be_in_the_table(region, command):
    with_gauges(region, gauges(30), ["G99"])

    outcome = command("check", "settings.toml")

    assert outcome.status == 2
    assert "leave_out: no gauge of the table is called G99" in outcome.err


@pytest.mark.slow
def test_beyond_the_limits_nothing_is_ranked_and_the_reason_is_said_first(region, command):
    region.write_equations(("gauges = 20", "gauges = 9"))

    outcome = command("run", "--quiet", "settings.toml")
    delivered = ("sites", "reaches", "screening_cascade")
    tables = {name: pyogrio.read_dataframe("out/sites.gpkg", layer=name) for name in delivered}

    lines = outcome.out.split("\n")
    assert lines[1].startswith(
        "Mean flow: regression on 9 gauges, standard error 23.3 %, bias factor 1.00: too weak"
    )
    assert "No site is ranked where it applies" in " ".join(lines[1:5])
    assert "No site was selected." in outcome.out
    reaches = tables["reaches"]
    # The run still delivers reaches with their potential, and the reason.
    assert len(tables["sites"]) == 0
    assert reaches["theoretical_kw"].notna().any()
    assert REASON in set(reaches["rejection_reason"])
    assert reaches.loc[reaches["flow_mean_m3s"].notna(), "flags"].str.contains(TOO_WEAK).all()
    cascade = tables["screening_cascade"]
    step = cascade[(cascade["kind"] == REASON) & (cascade["way"] == "in order")].iloc[0]
    assert step["affected_reaches"] == reaches["flags"].str.contains(TOO_WEAK).sum() > 0


@pytest.mark.slow
def test_a_setting_ranks_all_the_same(region):
    price = ("price_per_kwh = 0.3", "price_per_kwh = 0.9")
    region.write_equations(("gauges = 20", "gauges = 200"))
    region.write_settings(price)
    strong = tables_of("settings.toml", "sites")["sites"]
    region.write_equations(("gauges = 20", "gauges = 9"))
    region.write_settings(price, ("[energy]\n", '[ranking]\nallow = ["weak_flow"]\n\n[energy]\n'))
    allowed = run("settings.toml")

    assert len(strong) > 0
    assert len(allowed.sites) > 0
    # Few gauges make flows less sure.
    assert (allowed.sites["energy_mwh_p90"].sum()) < strong["energy_mwh_p90"].sum()
    assert allowed.sites["flags"].str.contains(WEAK).all()
    assert not strong["flags"].str.contains(WEAK).any()
    assert 'because ranking.allow includes "weak_flow"' in " ".join(allowed.summary.split())


@pytest.mark.slow
def test_json_carries_regressions_suspects_and_warnings(region):
    table = gauges(12)
    table.loc[4, ["flow_mean_m3s", "flow_q10_m3s", "flow_q90_m3s"]] *= 35.3147
    with_gauges(region, table)

    inventory = run("settings.toml")

    entries = json.loads(inventory.json)
    (regression,) = entries["mean_flow_regressions"]
    fitted = inventory.tables["flow_equations"].query("statistic == 'mean'").iloc[0]
    assert regression["gauges"] == 12
    assert regression["standard_error_percent"] == fitted["standard_error_percent"]
    assert regression["bias_correction"] == fitted["bias_correction"]
    assert regression["strength"] == fitted["strength"] == "weak"
    assert [one["gauge"] for one in entries["suspect_gauges"]] == ["G4"]
    assert entries["warnings"][1].startswith("1 of 12 gauges looks wrong: G4 (")
    repairs = inventory.tables["repairs"].query("feature == 'G4'").iloc[0]
    assert repairs["action"].startswith("used as it is; check whether the flow is in ")
