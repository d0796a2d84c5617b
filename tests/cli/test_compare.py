"""The commands compare and scenarios: the whole text that they print, the files that they write, and refusals."""

import re
import shutil

import geopandas
import pandas as pd
import pyogrio
import pytest
import shapely
from pypdf import PdfReader

from sitefinder.schema import CHANGE_LAYERS

pytestmark = pytest.mark.slow

# The stream of the small valley is 1100 m long, from x = 500 400 m, y = 4 999 950 m straight to the south.
X_M, TOP_M = 500_400.0, 4_999_950.0
PARK = """
[[rules]]
name = "park"
path = "park.gpkg"
id_column = "park_id"
action = "exclude"
"""


@pytest.fixture
def two_runs(region, command, made_once):
    """The small valley in folder out as it is with a park, and in out/previous as it was without one."""

    def run_twice(folder):
        make_two_runs(region, command)
        return shutil.copytree(region.folder, folder, dirs_exist_ok=True)

    shutil.copytree(made_once("two-runs", run_twice), region.folder, dirs_exist_ok=True)
    return region


def make_two_runs(region, command):
    assert command("run", "--quiet", "settings.toml").status == 0
    park = geopandas.GeoDataFrame(
        {"park_id": ["P1"]},
        geometry=[shapely.box(X_M - 100, TOP_M - 400, X_M + 100, TOP_M - 100)],
        crs="EPSG:32633",
    )
    pyogrio.write_dataframe(park, "park.gpkg", layer="park")
    region.write_settings(("[energy]\n", f"{PARK.strip()}\n\n[energy]\n"))
    assert command("run", "--quiet", "settings.toml").status == 0


REPORTED = """\
Small valley: what changed
  previous:  out/previous/sites.gpkg
  next:      out/sites.gpkg

Input changes (the cause of all changes below unless another is named in brackets)
  rule park is new: exclude, park.gpkg

  reaches         previous  next  km previous  km next  kW previous  kW next
"""


def test_what_changed_is_reported_on_standard_output(two_runs, command):
    outcome = command("compare", "out")

    assert (outcome.status, outcome.err) == (0, "")
    assert outcome.out.startswith(REPORTED)
    # The stream is cut into two reaches of equal length, and the park lies on the upper one alone.
    table = [line.split() for line in outcome.out.removeprefix(REPORTED).splitlines()]
    assert table[0][:6] == ["newly", "excluded", "1", "1", "0.550", "0.550"]
    assert table[2][:5] == ["all", "2", "2", "1.10", "1.10"]
    assert "\n  newly excluded  park (P1)       1  0.550\n" in outcome.out
    assert max(map(len, outcome.out.splitlines())) <= 100
    assert command("compare", "out/previous/sites.gpkg", "out/sites.gpkg").out == outcome.out


def test_nothing_changed_is_said_in_one_line(two_runs, command):
    outcome = command("compare", "out", "out/sites.gpkg")

    assert outcome.status == 0
    sites = len(pyogrio.read_dataframe("out/sites.gpkg", layer="sites"))
    assert outcome.out.endswith(f"\n\nNothing changed in 2 reaches and {sites} sites.\n")


def test_a_table_a_geopackage_and_a_page_that_needs_no_network_are_written_where_asked(two_runs, command):
    outcome = command("compare", "out", "--csv", "report/changes.csv", "--output", "report/changes.gpkg")

    assert outcome.out.endswith("\nFiles\n  report/changes.csv\n  report/changes.gpkg\n")
    table = pd.read_csv("report/changes.csv")
    assert table.loc[table["kind"] == "reach", "change"].tolist() == ["newly excluded", "unchanged"]
    columns = [column.name for column in CHANGE_LAYERS["changes"].columns]
    assert list(table.columns) == columns
    assert pyogrio.read_info("report/changes.gpkg", layer="changes")["fields"].tolist() == columns
    first = (two_runs.folder / "report" / "changes.gpkg").read_bytes()
    outcome = command("compare", "out", "--output", "report/again.gpkg", "--page", "report/changes.html")
    assert outcome.out.endswith("\nFiles\n  report/again.gpkg\n  report/changes.html\n")
    assert (two_runs.folder / "report" / "again.gpkg").read_bytes() == first
    page = (two_runs.folder / "report" / "changes.html").read_text(encoding="utf-8")
    assert "<title>Small valley: what changed</title>" in page
    assert "rule park is new" in page
    assert not re.search(r"(?:src|href)=", page)


def test_a_sheet_is_written_where_asked_in_the_language_that_is_asked_for(two_runs, command):
    outcome = command("compare", "out", "--sheet", "report/changes.pdf", "--language", "de")

    assert outcome.out.endswith("\nFiles\n  report/changes.pdf\n")
    sheet = PdfReader(two_runs.folder / "report" / "changes.pdf")
    assert len(sheet.pages) == 1
    assert "Small valley: Änderungen" in sheet.pages[0].extract_text()
    assert "Regel park ist neu" in sheet.pages[0].extract_text()

    outcome = command("compare", "out", "--sheet", "report/other.pdf", "--language", "fr")

    assert (outcome.status, outcome.out) == (2, "")
    assert outcome.err == (
        "page and sheet cannot be written in this language\n"
        "  expected:  en or de\n"
        "  found:     fr\n"
        "  fix:       choose one of these\n"
    )
    assert not (two_runs.folder / "report" / "other.pdf").exists()


@pytest.mark.parametrize("option", ["--output", "--page", "--sheet", "--csv"])
def test_a_comparison_never_replaces_what_it_compares(two_runs, command, option):
    before = two_runs.contents()

    outcome = command("compare", "out", option, "out/sites.gpkg")

    assert (outcome.status, outcome.out) == (2, "")
    assert outcome.err == (
        "the comparison would replace a delivery\n"
        "  file:      out/sites.gpkg\n"
        "  expected:  another file than those compared\n"
        "  fix:       choose another name\n"
    )
    assert two_runs.contents() == before


def test_what_cannot_be_compared_exits_with_2(region, command):
    outcome = command("compare", "streams.gpkg", "streams.gpkg")

    assert (outcome.status, outcome.out) == (2, "")
    assert outcome.err.startswith(
        "deliveries: 2 problems\n  this is not a delivery of sitefinder\n    file:      streams"
    )


def test_scenarios_are_reported_side_by_side(two_runs, command):
    (two_runs.folder / "wide.toml").write_text(
        'extends = "settings.toml"\n[run]\noutput_folder = "wide"\n[rules_changed.park]\nbuffer_m = 400.0\n'
    )

    outcome = command("scenarios", "--quiet", "settings.toml", "wide.toml", "--csv", "beside.csv")

    assert (outcome.status, outcome.err) == (0, "")
    lines = outcome.out.splitlines()
    assert lines[0] == "Small valley: 2 scenarios"
    assert lines[2].split() == ["settings", "wide"]
    notes = {line[:38].strip(): line[38:].split() for line in lines[3:]}
    # The wider park reaches from the top of the stream beyond its middle, so that both reaches lie in it.
    assert (notes["open, km"], notes["excluded, km"]) == (["0.550", "0"], ["0.550", "1.10"])
    assert outcome.out.endswith("\nFiles\n  out/sites.gpkg\n  wide/sites.gpkg\n  beside.csv\n")
    assert pd.read_csv("beside.csv")["excluded_length_km"].tolist() == pytest.approx([0.55, 1.1])


def test_a_mistake_in_one_scenario_stops_all_before_any_is_run(region, command):
    (region.folder / "wrong.toml").write_text(
        'extends = "settings.toml"\n[run]\noutput_folder = "wrong"\n[costs]\nprice_per_kw = 1.0\n'
    )
    before = region.contents()

    outcome = command("scenarios", "--quiet", "settings.toml", "wrong.toml")

    assert (outcome.status, outcome.out) == (2, "")
    assert outcome.err.startswith(
        "wrong.toml: 1 problem\n  costs.price_per_kw: no such setting; did you mean price_per_kwh?"
    )
    assert region.contents() == before
