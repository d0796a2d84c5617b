"""`sitefinder fit-flows`: what it prints and writes, what `run` makes of it, and what it refuses."""

import re

import numpy as np
import pandas as pd
import pytest

from sitefinder.io.gauges import read_equations

FIT = """\
[fit]
output_folder = "fitted"

[fit.gauges]
path = "gauges.csv"
predictors = ["area_km2"]
source = "invented for this test"
columns = { flow_mean_m3s = "MEAN" }
x_column = "x"
y_column = "y"
crs = "EPSG:32633"
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder with a table of 30 gauges, 4 of them with a low flow of zero, and settings to fit it."""
    monkeypatch.chdir(tmp_path)
    rng = np.random.default_rng(1)
    area = np.sort(10 ** rng.uniform(-1.0, 2.0, 30))
    table = pd.DataFrame({"gauge_id": [f"00{number}" for number in range(30)], "area_km2": area})
    table["x"], table["y"] = rng.uniform(0, 1e5, 30).round(), rng.uniform(0, 1e5, 30).round()
    table["MEAN"] = 0.02 * area * 10 ** (0.05 * rng.normal(size=30))
    table["flow_q10_m3s"] = 2.2 * table["MEAN"]
    table["flow_q90_m3s"] = 0.15 * table["MEAN"] * 10 ** (0.1 * rng.normal(size=30))
    table.loc[:3, "flow_q90_m3s"] = 0.0
    table.to_csv(tmp_path / "gauges.csv", index=False)
    (tmp_path / "fit.toml").write_text(FIT, encoding="utf-8")
    return tmp_path


def test_equations_diagnostics_and_plots_are_written_and_reported(folder, command):
    outcome = command("fit-flows", "fit.toml")

    assert (outcome.status, outcome.err) == (0, "")
    assert outcome.out.startswith("4 equations in 1 region from 30 gauges: invented for this test\n")
    assert re.search(r"^all +mean +30 +0 +0\.0\d+ ", outcome.out, flags=re.M)
    assert re.search(r"^all +exceedance_90 +26 +4 ", outcome.out, flags=re.M)
    assert re.search(r"^ +exceedance_90 +zero, in the probability of zero +4 +4$", outcome.out, flags=re.M)
    written = ["fitted/diagnostics.csv", "fitted/equations.toml", "fitted/gauges.csv", "fitted/plots.html"]
    found = [path.relative_to(folder).as_posix() for path in (folder / "fitted").iterdir() if path.is_file()]
    assert sorted(found) == [*written, "fitted/warnings.csv"]
    assert all(f"\n  {name}\n" in outcome.out for name in written)
    equations = read_equations(folder / "fitted" / "equations.toml")
    assert [item.statistic for item in equations] == [
        "mean",
        "exceedance_10",
        "exceedance_90",
        "zero_probability_exceedance_90",
    ]
    gauges = pd.read_csv(folder / "fitted" / "gauges.csv", dtype={"gauge": str})
    assert len(gauges) == 90
    assert gauges["gauge"].iloc[7] == "007"


def test_the_same_table_gives_the_same_bytes(folder, command):
    command("fit-flows", "fit.toml")
    first = {path.name: path.read_bytes() for path in (folder / "fitted").iterdir() if path.is_file()}

    command("fit-flows", "fit.toml")

    assert {path.name: path.read_bytes() for path in (folder / "fitted").iterdir() if path.is_file()} == first


@pytest.mark.slow
def test_a_run_reads_what_was_fitted(folder, region, command):
    command("fit-flows", "fit.toml")
    region.write_settings(('equations = ["equations.toml"]', 'equations = ["fitted/equations.toml"]'))

    outcome = command("run", "--quiet", "settings.toml")

    assert (outcome.status, outcome.err) == (0, "")


def test_a_runs_own_settings_serve(folder, command):
    text = FIT.replace("[fit.gauges]", "[flows.gauges]") + '\n[run]\nname = "some run"\n'
    (folder / "fit.toml").write_text(text, encoding="utf-8")

    assert command("fit-flows", "fit.toml").status == 0


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("[fit]\n", "[fti]\n", "fti: no such setting; did you mean fit?"),
        (
            'output_folder = "fitted"',
            'outputfolder = "fitted"',
            "fit.outputfolder: no such setting; did",
        ),
        ('"MEAN"', '"MAEN"', "columns.flow_mean_m3s: the table has no column MAEN"),
        ('output_folder = "fitted"', "min_gauges = 40", "nothing could be fitted"),
        ('output_folder = "fitted"', 'statistics = ["flow_q50_m3s"]', "fit.statistics lists columns that"),
        ('output_folder = "fitted"', 'region_column = "basin"', "column basin: missing"),
        ('output_folder = "fitted"', 'method = "generalised"', '"generalised" needs year_to_year_log10'),
        ("EPSG:32633", "EPSG:1", "the crs of the gauge table is not a coordinate system"),
        ("[fit.gauges]", "[fit.gauge]", "fit.gauge: no such setting; did you mean gauges?"),
    ],
)
def test_what_cannot_be_fitted_is_refused_and_nothing_is_written(folder, command, old, new, message):
    (folder / "fit.toml").write_text(FIT.replace(old, new, 1), encoding="utf-8")

    outcome = command("fit-flows", "fit.toml")

    assert (outcome.status, outcome.out) == (2, "")
    assert message in outcome.err
    assert sorted(path.name for path in folder.iterdir()) == ["fit.toml", "gauges.csv"]


def test_settings_without_gauges_say_what_is_missing(folder, command):
    (folder / "fit.toml").write_text('[fit]\nmethod = "weighted"\n', encoding="utf-8")

    outcome = command("fit-flows", "fit.toml")

    assert outcome.err == (
        "there are no gauges to fit from\n"
        "  file:      fit.toml\n"
        "  expected:  a table fit.gauges or flows.gauges\n"
        "  found:     neither\n"
        "  fix:       state the gauge table, its predictors and its source\n"
    )
