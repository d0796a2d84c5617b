"""The sample of today beside that of a later climate, as its settings in config have it."""

import numpy as np
import pandas as pd
import pyogrio
import pytest
from partial_run import tables_of
from small_sample import FEW_TURBINES, HEADS_AS_SURVEYED, write_few_turbines

from sitefinder.preparation import STORE
from sitefinder.report.scenarios import scenario_text
from sitefinder.scenarios import run_scenarios

# What the run of the sample region kept is found there.
STORED = 'store_folder = "../sample-region/out/.sitefinder-store"'
DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])


@pytest.fixture(scope="module")
def beside(sample_run):
    """The sample with its regime and in 2050, side by side, and its sites without a regime.

    All are without what asks for more in some months.

    That is the rule whose months are closed, and the fish that raise the environmental flow in theirs.
    """
    folder = sample_run.settings.parent
    write_few_turbines(sample_run.settings, "crossflow turbine", "Archimedes screw")
    for name, base, more in (
        ("plain", "sample", ["flows.regime"]),
        ("regime", "sample", []),
        ("later", "sample-2050", []),
    ):
        text = f'extends = "{base}.toml"\nleft_out = {["fish.groups", *more]}\nrules_left_out = ["wet meadow"]\n'
        # A conduit knows nothing of the months, so that straight ones do.
        text += '[conduits]\nroute = "straight_line"\n'
        # Long stretches take longer than all else, and the months of the short ones are as theirs.
        text += "[stretches]\nlongest_m = 150.0\n"
        # As few simulations as there may be: what is compared here is no figure of chance.
        text += "[uncertainty]\nsimulations = 50\n"
        # Nor do months ask how sure heads are, or how many turbines there are to choose from.
        text += HEADS_AS_SURVEYED + FEW_TURBINES
        text += f'[run]\noutput_folder = "../out-{name}"\n{STORED}\n'
        (folder / f"{name}.toml").write_text(text, encoding="utf-8")
    beside = run_scenarios([folder / f"{name}.toml" for name in ("regime", "later")])
    store = sample_run.settings.parents[1] / "sample-region" / "out" / STORE
    return beside, tables_of(folder / "plain.toml", "sites", store=store)["sites"]


def layer(beside, scenario, name):
    path = beside[0].table.set_index("scenario").loc[scenario, "delivered"]
    return pyogrio.read_dataframe(path, layer=name, read_geometry=False)


def test_a_regime_moves_no_annual_figure_of_the_sample(beside):
    today, split = beside[1], layer(beside, "regime", "sites")

    for name in split.columns:
        if not name.startswith(("energy_month_", "month_source")):
            pd.testing.assert_series_equal(pd.Series(today[name]), split[name], check_dtype=False)
    months = split.filter(like="energy_month_")
    assert months.shape == (len(split), 12)
    assert months.sum(axis=1).to_numpy() == pytest.approx(split["energy_mwh"].to_numpy(), rel=1e-9)
    assert today.filter(like="energy_month_").isna().all(axis=None)


def test_the_flows_of_2050_are_those_of_today_times_the_table(beside):
    today, later = (layer(beside, name, "site_months") for name in ("regime", "later"))
    both = today.merge(later, on=["site_id", "month"], suffixes=("", "_later"))

    assert both["site_id"].nunique() >= 5
    factor = (both["flow_mean_m3s_later"] / both["flow_mean_m3s"]).to_numpy()
    # The mean factor of a season lies between those of its low and high flows; bins average a little.
    for months, lowest, highest in (((12, 1, 2), 1.05, 1.15), ((3, 4, 5), 0.95, 1.05), ((6, 7, 8), 0.60, 0.90)):
        own = factor[both["month"].isin(months)]
        assert own.min() > lowest - 0.03
        assert own.max() < highest + 0.03


def test_today_and_2050_stand_side_by_side_by_season(beside):
    table = beside[0].table.set_index("scenario")

    assert table.loc["later", "energy_gwh_jun_aug"] < 0.95 * table.loc["regime", "energy_gwh_jun_aug"]
    assert table.loc["later", "energy_gwh_dec_feb"] > table.loc["regime", "energy_gwh_dec_feb"]
    seasons = table.loc[["regime", "later"]].filter(regex="energy_gwh_(dec|mar|jun|sep)")
    assert seasons.sum(axis=1).tolist() == pytest.approx(table["energy_gwh"].tolist(), rel=1e-9)
    # What is not known of a scenario is said.
    unknown = beside[0].table.copy()
    unknown.loc[0, "energy_gwh_jun_aug"] = np.nan
    text = scenario_text(beside[0].title, unknown, beside[0].currency)
    [summer] = [line for line in text.splitlines() if "June to August" in line]
    assert "unknown" in summer.split()
