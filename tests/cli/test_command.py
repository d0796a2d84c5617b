"""The command on sound input, and its exit status when it is our fault or the user stops it."""

import json
import os
import subprocess
import sys

import geopandas
import pyogrio
import pytest
import shapely

from sitefinder import __version__, running
from sitefinder.comparison.matching import NEAR_M
from sitefinder.delivery.graph import FILE_STAGES, STAGES
from sitefinder.pipeline.graph import Stage
from sitefinder.progress import STAGE_WORDS
from sitefinder.steps.graph import STEPS

OUR_FAULT = """\
import sys
from sitefinder import cli
from sitefinder.pipeline.graph import Stage
from sitefinder.progress import STAGE_WORDS
from sitefinder import running

running.STAGES = (Stage("surface", lambda: 1 / 0, ()),)
sys.argv = ["sitefinder", "run", "--quiet", "settings.toml"]
cli.main()
"""


@pytest.mark.slow
def test_run_delivers_and_reports_results_on_output_and_progress_on_error(region, command):
    region.write_settings(("page = false", "page = true"))

    outcome = command("run", "settings.toml")

    assert outcome.status == 0
    assert outcome.out.startswith("Small valley: 2 reaches, 1.10 km of stream\n")
    assert "\nFiles\n  out/sites.gpkg\n" in outcome.out
    assert "Screening, not design." in outcome.out
    assert "done" in outcome.err
    assert "done" not in outcome.out
    # The stream is 1100 m long and is cut into two reaches of equal length.
    reaches = pyogrio.read_dataframe(region.folder / "out" / "sites.gpkg", layer="reaches")
    assert reaches["length_m"].tolist() == pytest.approx([550.0, 550.0])


@pytest.mark.slow
def test_a_quiet_run_leaves_nothing_but_the_results_and_prints_figures_for_programs_or_people(region, command):
    before = region.contents()

    outcome = command("run", "--quiet", "--json", "settings.toml")

    # Nothing on standard error.
    assert (outcome.status, outcome.err) == (0, "")
    made = sorted(set(region.contents()) - set(before))
    # Beside the results lies what says that the folder is one of sitefinder's.
    assert [name for name in made if ".sitefinder-delivery" not in name] == ["out", "out/sites.gpkg"]
    # One object, with the figures of the file.
    notes = json.loads(outcome.out)
    path = region.folder / "out" / "sites.gpkg"
    totals = pyogrio.read_dataframe(path, layer="totals", where="scope = 'region'").iloc[0]
    assert notes["files"] == ["out/sites.gpkg"]
    assert notes["title"] == "Small valley"
    assert set(notes["totals"]) == set(totals.index)
    assert {
        name: value for name, value in notes["totals"].items() if value is not None
    } == totals.dropna().to_dict()
    assert (notes["totals"]["reaches"], notes["totals"]["length_m"]) == (2, 1100.0)
    sites = pyogrio.read_dataframe(path, layer="sites", read_geometry=False)
    assert [site["site_id"] for site in notes["sites"]] == sites["site_id"].head(5).tolist()
    # What is run again says nothing either, without that object too.
    again = command("run", "--quiet", "settings.toml")
    assert (again.status, again.err) == (0, "")
    assert again.out.startswith("Small valley: 2 reaches, 1.10 km of stream\n")
    assert sorted(set(region.contents()) - set(before)) == made


@pytest.mark.slow
def test_a_strict_run_stops_where_the_network_cannot_be_resolved_and_writes_nothing(region, command):
    drawn = pyogrio.read_dataframe("streams.gpkg")
    x_m, y_m = drawn.geometry[0].coords[0]
    ring = shapely.LineString([(x_m + 100, y_m), (x_m + 200, y_m), (x_m + 150, y_m - 90), (x_m + 100, y_m)])
    both = geopandas.GeoDataFrame({"stream_id": ["S1", "R1"]}, geometry=[drawn.geometry[0], ring], crs=drawn.crs)
    pyogrio.write_dataframe(both, "streams.gpkg", layer="streams")
    before = region.contents()

    strict = command("run", "--quiet", "--strict", "settings.toml")
    after_strict = region.contents()
    lenient = command("run", "--quiet", "settings.toml")

    assert (strict.status, strict.out) == (2, "")
    assert strict.err.startswith("a part of the stream network cannot be resolved\n")
    assert "flows in a circle without a way out: R1\n" in strict.err
    assert after_strict == before
    assert lenient.status == 0
    assert "flows in a circle without a way out (1)" in lenient.out.replace("\n", " ")


def test_check_says_that_settings_and_inputs_are_sound_and_writes_nothing(region, command):
    before = region.contents()

    outcome = command("check", "settings.toml")

    assert outcome.status == 0
    assert outcome.out == (
        "Small valley: settings and inputs are valid\n"
        "  Mean flow: regression on 20 gauges, standard error 23.3 %, bias factor 1.00: weak (fewer than 25\n"
        "    gauges).\n"
        "  layers:    streams\n"
        "  rules:     0\n"
        "  turbines:  12 classes\n"
        "  repairs:   0 on reading; a run lists each in the layer repairs\n"
        "  size:      2,400 cells, 1 km of stream, about 13 stations\n"
        "  needs:     at most about 700 MB of memory, 0 MB on disk\n"
    )
    assert region.contents() == before


def test_memory_that_is_stated_counts_and_what_is_no_size_is_refused(region, command):
    before = region.contents()

    sound, short, wrong = (
        command("check", "settings.toml", "--memory", size) for size in ("2 GiB", "100MB", "much")
    )

    assert (sound.status, short.status, wrong.status) == (0, 2, 2)
    assert short.err.startswith("the run needs more memory than there is\n")
    assert "  expected:  at most 100 MB\n" in short.err
    assert 'expected a size such as "2' in " ".join(wrong.err.replace("│", " ").split())
    assert command("run", "settings.toml", "--memory", "100MB", "--quiet").err == short.err
    assert region.contents() == before


def test_version_is_said(command):
    outcome = command("--version")

    assert outcome == (0, f"sitefinder {__version__}\n", "")


def test_every_stage_has_words_for_its_progress():
    stages = {stage.name for stage in (*STAGES, *FILE_STAGES.values())}

    assert set(STAGE_WORDS) <= stages
    # Tables, most files and what they share go by the words for the rest.
    assert {stage.name for stage in STEPS} <= set(STAGE_WORDS)


@pytest.mark.parametrize(
    "arguments", [["run"], ["rnu", "settings.toml"], ["run", "--workers", "0", "settings.toml"]]
)
def test_a_wrong_command_line_exits_with_2_and_writes_nothing(region, command, arguments):
    before = region.contents()

    outcome = command(*arguments)

    assert (outcome.status, outcome.out) == (2, "")
    assert outcome.err.startswith("Usage: sitefinder ")
    assert region.contents() == before


def test_an_interrupt_exits_with_130_and_nothing_is_left(region, command, monkeypatch):
    def interrupted():
        raise KeyboardInterrupt

    monkeypatch.setattr(running, "STAGES", (Stage("surface", interrupted, ()),))
    before = region.contents()

    outcome = command("run", "--quiet", "settings.toml")

    assert outcome == (130, "", "interrupted; nothing was delivered\n")
    assert region.contents() == before
    assert not (region.folder / "out").exists()  # no result was there to keep


@pytest.mark.slow
def test_our_own_fault_exits_with_1_and_a_traceback_that_names_the_stage(region, repository):
    before = region.contents()

    ended = subprocess.run(
        [sys.executable, "-c", OUR_FAULT],
        env={**os.environ, "TMPDIR": str(region.folder / "temporary")},
        capture_output=True,
        text=True,
        check=False,
    )

    assert (ended.returncode, ended.stdout) == (1, "")
    assert ended.stderr.startswith("Traceback (most recent call last):\n")
    assert ended.stderr.endswith("ZeroDivisionError: division by zero\nin stage 'surface'\n")
    assert region.contents() == before


@pytest.mark.slow
def test_the_package_runs_as_a_module(repository, tmp_path):
    ended = subprocess.run(
        [sys.executable, "-m", "sitefinder", "--version"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )

    assert ended.stdout == f"sitefinder {__version__}\n"


@pytest.mark.parametrize("asked", [["--version"], ["--help"], ["run", "--help"]])
def test_version_and_help_load_no_large_library(asked):
    large = {"numpy", "pandas", "geopandas", "scipy", "numba", "rasterio", "pyogrio", "matplotlib", "typst"}
    # Newer versions of typer read the words of a command by pydantic; nothing of ours does.
    large |= {"sitefinder.settings", "sitefinder.preparation"} | ({"pydantic"} if asked[0] != "run" else set())
    script = (
        "import sys\nfrom sitefinder import cli\n"
        f"sys.argv = ['sitefinder', *{asked!r}]\n"
        "try:\n    cli.main()\nexcept SystemExit:\n    pass\n"
        f"large = {large!r} & set(sys.modules)\n"
        "print(sorted(large), file=sys.stderr)"
    )
    ended = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)

    assert ended.stderr == "[]\n"


def test_compare_takes_lines_for_the_same_within_the_distance_that_its_help_states(command):
    assert f"[default: ({NEAR_M})]" in " ".join(command("compare", "--help").out.split())
