"""Drops without a stream, worked by hand from the files in ``by_hand``.

The arithmetic is that of test_site_worked_by_hand.py: P = rho · g · Q · H · eta, and r / (1 - (1 + r)^-n).
"""

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
from partial_run import tables_of

from sitefinder.running import run

CRS = "EPSG:32633"
# The stream of the valley runs along here; the road lies 40 m north of it, the power line 45 m.
WEST, MIDDLE = 500_000.0, 5_000_000.0 - 55.0
ON_TOP = 1.05 * 1.1 * ((1.04**2 - 1) / (2 * np.log(1.04)))
# Half a year of two cubic metres; in the other half what is left of 0.35 does not turn the wheel.
WET, DRY = 2.0, 0.35
WET_DAYS = 31 + 28 + 31 + 30 + 31 + 30


def points(rows, places):
    return geopandas.GeoDataFrame(
        pd.DataFrame(rows), geometry=[shapely.Point(*place) for place in places], crs=CRS
    )


@pytest.fixture(scope="module")
def tables(tmp_path_factory, write_valley):
    """A run on the valley with four drops 20 m north of its stream, and one in the area of its rule."""
    folder = tmp_path_factory.mktemp("drops")
    settings = write_valley(folder)
    months = {f"flow_{month:02d}_m3s": WET if month <= 6 else DRY for month in range(1, 13)}
    rows = [
        {"id": "canal", "kind": "canal drop", "use": "irrigation", "flow_m3s": WET},
        {"id": "race", "kind": "mill race", **months},
        {"id": "outfall", "kind": "outfall"},
        {"id": "ours", "kind": "weir", "powered": "yes", "flow_m3s": WET},
        {"id": "by the river", "kind": "outfall", "flow_m3s": WET, "needs_fish_pass": "yes"},
    ]
    # Only the canal's two have a stated error; they err together.
    rows[0] |= {"flow_error_percent": 20.0, "flow_group": "canal"}
    rows[1] |= {"flow_error_percent": 20.0, "flow_group": "canal"}
    rows = [{"drop_m": 3.0, "drop_error_m": 0.02, "flow_left_m3s": 0.3} | row for row in rows]
    north = [MIDDLE + 20.0] * 4 + [MIDDLE]
    frame = points(rows, [(WEST + 100.0 * number, y) for number, y in enumerate(north, 1)])
    frame.to_file(folder / "layers.gpkg", layer="drops", driver="GPKG")
    days = pd.date_range("2019-01-01", "2020-12-31")
    flow = np.where(days.month <= 6, WET, DRY)
    record = pd.DataFrame({"drop_id": "outfall", "date": days.strftime("%Y-%m-%d"), "flow_m3s": flow})
    record.sample(frac=1.0, random_state=1).to_csv(folder / "flows.csv", index=False)
    text = settings.read_text(encoding="utf-8")
    text = text.replace(
        "[network]",
        '[inputs.drops]\npath = "layers.gpkg"\nlayer = "drops"\nid_column = "id"\n\n'
        '[inputs.drop_flows]\npath = "flows.csv"\n\n[network]',
    ).replace("simulations = 50", "simulations = 1000")
    settings.write_text(text, encoding="utf-8")
    turbine = folder / "turbine.toml"
    both = turbine.read_text(encoding="utf-8").replace('["diversion"]', '["at_barrier", "diversion"]')
    turbine.write_text(both, encoding="utf-8")
    return run(settings)


@pytest.fixture(scope="module")
def drops(tables):
    return tables.tables["drops"].set_index("drop_id")


# Power, energy by the share of the time that the wheel turns, and what follows.
def worked(share, screened=False, passes=0.0, distances=(20.0, 25.0)):
    flow, net = WET - 0.3, 3.0 - 0.15 - 0.05
    power = 9.80665 * net * flow * 0.84 * 0.9
    energy = power * share * 0.9 * 8760 / 1000
    capital = 10000 * power**0.8 * net**-0.3 + 1.5 * 20000 * flow**0.6 * net**0.3 + 7000 * flow**0.5
    capital += 500 * power**0.5 + 2 * 100 + 9000 + (1000 + 20 * distances[0]) + (2000 + 30 * distances[1]) + passes
    capital += (8000 + 4000 * flow / 0.5) * screened
    capital *= ON_TOP
    yearly = 0.04 / (1 - 1.04**-30) * capital * (1 + 0.08 * 1.04**-15) + max(0.02 * capital, 500)
    yearly += 3 * power + 0.002 * energy * 1000 + 0.0001 * energy * 1000 * 3600 * flow / power
    return {
        "power_kw": power,
        "energy_mwh": energy,
        "capital_cost": capital,
        "lcoe_per_kwh": yearly / (energy * 1000),
        "net_annual_value": 0.99 * 0.25 * energy * 1000 - yearly,
        "flow_design_m3s": flow,
    }


@pytest.mark.parametrize(
    ("name", "by_hand"),
    [
        ("outfall", worked(WET_DAYS / 365)),
        ("by the river", worked(1.0, screened=True, passes=3.0, distances=(40.0, 45.0))),
    ],
)
def test_a_drop_is_worth_what_is_worked_by_hand(drops, name, by_hand):
    for column, value in by_hand.items():
        assert drops.loc[name, column] == pytest.approx(value, rel=1e-6), column


# The canal's wheel in many states: its flow is the stated one times a lognormal factor with mean 1.
def test_a_stated_error_of_the_flow_gives_energy_its_interval_and_its_mean(drops):
    rng = np.random.default_rng(1)
    log_sd = np.sqrt(np.log1p(0.2**2))
    factor = np.exp(log_sd * rng.standard_normal(20000) - log_sd**2 / 2)
    best_m3s = WET - 0.3
    flow = np.clip(WET * factor - 0.3, 0.2 * best_m3s, best_m3s)
    efficiency = np.interp(flow / best_m3s, [0.2, 0.6, 1.0], [0.5, 0.8, 0.84]) * np.exp(
        0.05 * rng.normal(size=20000)
    )
    energy = 9.80665 * (2.8 + 0.02 * rng.normal(size=20000)) * flow * efficiency * 0.9 * 0.9 * 8.76
    found = drops.loc["canal"]

    assert found["power_kw"] == pytest.approx(worked(1.0)["power_kw"], rel=1e-6)
    assert found["energy_mwh"] == pytest.approx(energy.mean(), rel=0.02)
    assert found["energy_mwh"] < 0.95 * worked(1.0)["energy_mwh"]
    for share, name in ((0.1, "p90"), (0.5, "p50"), (0.9, "p10")):
        assert found[f"energy_mwh_{name}"] == pytest.approx(np.quantile(energy, share), rel=0.03)
    for name in ("power_kw", "lcoe_per_kwh"):
        low, high = sorted([found[f"{name}_p90"], found[f"{name}_p10"]])
        assert low < found[name] < high


def test_without_a_stated_error_there_is_no_interval(drops):
    intervals = [name for name in drops if name.endswith(("_p90", "_p50", "_p10"))]

    assert len(intervals) == 9
    assert drops.loc[["outfall", "ours", "by the river"], intervals].isna().all(axis=None)
    assert drops.loc[["canal", "race"], intervals].notna().all(axis=None)


def test_the_selected_drops_have_a_row_of_their_own_in_the_totals(tables, drops):
    chosen = drops[drops["rejection_reason"] == ""]
    totals = tables.tables["totals"]
    [row] = totals[totals["scope"] == "drops"].to_dict("records")

    assert row["sites"] == len(chosen) > 2
    assert row["power_w"] == pytest.approx(1e3 * chosen["power_kw"].sum(), abs=len(chosen))
    assert row["energy_wh"] == pytest.approx(1e6 * chosen["energy_mwh"].sum(), abs=len(chosen))
    assert row["capital_cost"] == pytest.approx(chosen["capital_cost"].sum())
    assert row["net_annual_value"] == pytest.approx(chosen["net_annual_value"].sum())
    assert row["length_m"] == row["depleted_m"] == row["new_barriers"] == 0
    # Not all of them have an interval, so that their sum has none.
    assert np.isnan(row["energy_mwh_p90"])
    assert f"And {len(chosen)} drops without a stream: " in tables.summary


@pytest.fixture(scope="module")
def of_two_drops(tmp_path_factory, write_valley):
    """Totals of two equal drops whose flows err together, or each by itself, and the drops."""

    folder = tmp_path_factory.mktemp("two")
    settings = write_valley(folder)
    first = settings.read_text(encoding="utf-8").replace("simulations = 50", "simulations = 400")
    turbine = folder / "turbine.toml"
    both = turbine.read_text(encoding="utf-8").replace('["diversion"]', '["at_barrier", "diversion"]')
    turbine.write_text(both, encoding="utf-8")

    # Each run goes on with what the one before kept of the valley, in which no drop has a say.
    def run_with(groups, **setting):
        rows = [
            {"id": f"d{number}", "drop_m": 3.0, "flow_m3s": WET, "flow_group": g}
            for number, g in enumerate(groups)
        ]
        places = [(WEST + 100.0 * number, MIDDLE + 20.0) for number in (1, 2)]
        points(rows, places).to_file(folder / "drops.gpkg", layer="drops", driver="GPKG")
        own = "".join(f"{name} = {value}\n" for name, value in setting.items())
        text = first.replace(
            "[network]",
            f'[inputs.drops]\npath = "drops.gpkg"\nlayer = "drops"\nid_column = "id"\n{own}\n[network]',
        )
        settings.write_text(text, encoding="utf-8")
        tables = tables_of(settings, "totals", "drops", store=folder / "store")
        totals = tables["totals"]
        return totals[totals["scope"] == "drops"].iloc[0], tables["drops"]

    return run_with


def test_drops_of_one_group_err_together_and_of_two_groups_apart(of_two_drops):
    together, drops = of_two_drops(["", ""], flow_error_percent=40.0)
    apart, _ = of_two_drops(["a", "b"], flow_error_percent=40.0)
    sure, _ = of_two_drops(["", ""], flow_error_percent=0.0)

    def width(total):
        return total["energy_mwh_p10"] - total["energy_mwh_p90"]

    assert (drops["flow_error_percent"] == 40.0).all()
    assert together["energy_mwh_p90"] == pytest.approx(drops["energy_mwh_p90"].sum(), rel=0.03)
    assert apart["energy_mwh_p90"] > 1.03 * together["energy_mwh_p90"]
    assert width(sure) < 0.5 * width(apart) < 0.5 * width(together)
    assert together["energy_wh"] < 0.99 * sure["energy_wh"]


def test_drops_are_ranked_beside_the_sites_and_in_no_total(tables, drops):
    sites = tables.tables["sites"]
    chosen = drops[drops["rejection_reason"] == ""]

    together = np.sort(np.concatenate([sites["net_annual_value"], chosen["net_annual_value"]]))[::-1]
    assert len(chosen)
    for row in chosen.itertuples():
        assert together[row.rank_with_sites - 1] == row.net_annual_value
    assert (chosen["net_annual_value"] > 0).all()
    totals = tables.tables["totals"]
    assert totals.loc[totals["scope"] == "region", "energy_wh"].iloc[0] == pytest.approx(
        1e6 * sites["energy_mwh"].sum(), abs=1.0
    )


def test_a_drop_says_why_it_is_not_selected_and_what_it_needs(drops):
    assert drops.loc["ours", "rejection_reason"] == "already powered"
    below = (drops["net_annual_value"] <= 0) & ~drops["powered"]
    assert (drops.loc[below, "rejection_reason"] == "above the cost limit").all()
    assert drops["rank_with_sites"].isna().equals(drops["rejection_reason"] != "")
    assert drops.loc["canal", "needs"] == "agreement with its use (irrigation)"
    assert drops.loc["by the river", "needs"] == "fish pass; fish-safe turbine; fish screen and bypass"
    assert drops["flow_source"].tolist() == ["constant", "twelve months", "daily record", "constant", "constant"]
    assert drops.loc["by the river", "reasons"] == "migration"
    assert (drops.drop(index="by the river")["reasons"] == "").all()


def test_the_summary_names_the_drops(tables, drops):
    pays = (drops["rejection_reason"] == "").sum()

    assert f"Drops without a stream: 5 given, {pays} pay" in tables.summary
