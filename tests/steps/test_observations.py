"""The form of a run, filled in, as the observations of the next one."""

import csv
from types import SimpleNamespace

import pytest

from sitefinder.finished_runs import compare
from sitefinder.running import run

SOURCE = '[inputs.observations]\npath = "seen.csv"\n\n[network]'
FOUND = {"observer": "A. Visitor", "date": "2026-04-02", "level_intake_m": "12.50", "level_tailrace_m": "8.90"}
FOUND |= {"drop_error_m": "0.02", "structure_seen": "no", "structure_condition": "poor", "fish_signs": "fry"}


@pytest.fixture(scope="module")
def runs(tmp_path_factory, write_valley):
    """A run, its form as rows, and a run with that form filled in."""
    folder = tmp_path_factory.mktemp("observations")
    path = write_valley(folder)
    text = path.read_text(encoding="utf-8").replace(
        'layer = "structures"', 'layer = "structures"\nid_column = "id"'
    )
    text = text.replace("field_form = false", "field_form = true")
    path.write_text(text, encoding="utf-8")
    before = run(path, folder / "out", store=folder / "store")
    with open(folder / "out" / "field-observations.csv", encoding="utf-8", newline="") as file:
        form = list(csv.DictReader(file))
    with open(folder / "seen.csv", "w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(form[0]))
        writer.writeheader()
        writer.writerow(form[0] | FOUND)
    text = text.replace("page = false", "page = true")
    path.write_text(text.replace("[network]", SOURCE), encoding="utf-8")
    after = run(path, folder / "out", store=folder / "store")
    return SimpleNamespace(before=before, form=form, after=after, page=folder / "out" / "report.html")


def test_the_form_has_a_row_for_each_site_with_what_is_known_and_blanks(runs):
    (row,), site = runs.form, runs.before.sites.iloc[0]

    assert (row["site_id"], row["rank"], row["structure_id"]) == (site["site_id"], "1", "B1")
    # The weir stands at 500 330; the stretch begins and ends at stations of 50 m.
    assert (row["intake_x"], row["tailrace_x"], row["crs"]) == ("500303.0", "500353.0", "EPSG:32633")
    assert float(row["expected_drop_m"]) == pytest.approx(site["head_uncorrected_m"], abs=0.005)
    assert not any(row[name] for name in ("observer", "date", *FOUND))


def test_a_measured_drop_takes_the_place_of_the_head_of_the_dem_with_its_own_error(runs):
    old, new = runs.before.sites.iloc[0], runs.after.sites.iloc[0]

    assert old["head_uncorrected_m"] == pytest.approx(2.81, abs=0.02)
    assert new["head_uncorrected_m"] == pytest.approx(12.50 - 8.90, abs=0.01)
    assert new["head_se_m"] == pytest.approx(0.02, abs=0.005)
    assert "head_measured" in new["flags"]
    assert new["energy_mwh"] > 1.2 * old["energy_mwh"]


def test_the_condition_of_the_structure_asks_for_its_repair(runs):
    assert "repair" not in runs.before.sites["needs"].iloc[0]
    assert "repair (condition poor)" in runs.after.sites["needs"].iloc[0]


def test_contradictions_are_in_a_table_and_in_the_summary(runs):
    row = runs.after.tables["observations"].iloc[0]

    assert row["used"] == "drop; condition of the structure"
    assert (row["dem_drop_m"], row["fish_signs"]) == (pytest.approx(2.81, abs=0.02), "fry")
    drop, structure = row["contradictions"].split("; ")
    assert drop.startswith("drop of 3.60 m measured, and 2.81 m in the DEM")
    assert structure == "no structure was seen, and mapped is B1"
    said = " ".join(runs.after.summary.split())
    assert "Observations: 1 visit; used: 1 drop, 1 condition of the structure." in said
    assert f"{row['observation_id']}: {structure}" in said
    assert not len(runs.before.tables["observations"])


def test_the_page_says_what_was_seen_at_the_site(runs):
    page = runs.page.read_text(encoding="utf-8")

    assert "Visited 2026-04-02 by A. Visitor; condition: poor; fish: fry; against the data: drop of 3.60 m" in page


def test_a_comparison_names_the_observations_as_the_cause(runs):
    site = compare(runs.before, runs.after).changes.query("kind == 'site'").iloc[0]

    assert site["change"] == "changed in value"
    assert "input observations is new" in site["cause"]
