"""The sample region with one exclusion layer more, compared with what it was; and scenarios side by side."""

import json
import re
from pathlib import Path

import geopandas
import numpy as np
import pandas as pd
import pyogrio
import pytest
from opened_rasters import note_opened
from redone_stages import AGAIN, NEVER_AGAIN

from sitefinder import cli
from sitefinder.comparison.causes import CHANGES_NO_TABLE, StageGraph, differences
from sitefinder.comparison.changes import NEEDED, compare_runs
from sitefinder.delivery.comparison import compare, reported_defaults
from sitefinder.delivery.graph import STAGES
from sitefinder.errors import SitefinderError
from sitefinder.io.deliveries import read_delivery
from sitefinder.preparation import STORE
from sitefinder.running import run_and_deliver
from sitefinder.scenarios import run_scenarios
from sitefinder.schema import LAYERS
from sitefinder.settings import Inputs, Settings
from sitefinder.steps.graph import STEPS
from sitefinder.steps.inputs import RunInputs

pytestmark = pytest.mark.slow

# What the run of the sample region kept is found there. That a run from nothing gives the same is shown elsewhere.
STORED = 'store_folder = "../sample-region/out/.sitefinder-store"'
NESTS = f"""\
extends = "sample.toml"

[run]
output_folder = "../out-nests"
{STORED}

[[rules_added]]
name = "nests"
path = "nests.gpkg"
id_column = "nest_id"
action = "exclude"
"""
# The same in other words: the layer is taken out again.
WITHOUT = """\
extends = "nests.toml"
rules_left_out = ["nests"]

[run]
output_folder = "../out-without"
"""
SUMMED = {
    "reach": ("reaches", ["length_m", "theoretical_kw"]),
    "site": ("sites", ["length_m", "power_kw", "energy_mwh"]),
}


@pytest.fixture(scope="module")
def nests(sample_run):
    """Nests at the middle of two sites' stretches, as discs of 60 m."""
    stretches = sample_run.delivered.tables["stretches"]
    sites = stretches[stretches["site_id"] != ""].sort_values("rank").iloc[[1, 5]]
    discs = sites.geometry.interpolate(0.5, normalized=True).buffer(60.0)
    frame = geopandas.GeoDataFrame({"nest_id": ["N1", "N2"]}, geometry=list(discs), crs=stretches.crs)
    pyogrio.write_dataframe(frame, sample_run.settings.parent / "nests.gpkg", layer="nests")
    return frame


# Runs settings beside the sample's; gives the file, the stages before tables that were made, and opened rasters.
def watched_run(path):
    opened = []
    with pytest.MonkeyPatch.context() as patch:
        note_opened(patch, opened)
        delivered = run_and_deliver(path).path
    records = sorted((path.parents[1] / "sample-region" / "out" / STORE / "runs").iterdir())
    results = json.loads(records[-1].read_text(encoding="utf-8"))["results"]
    made = [row["place"].partition(":")[0] for row in results if not row["was_kept"]]
    return delivered, set(made) & {stage.name for stage in STEPS}, list(map(Path, opened))


@pytest.fixture(scope="module")
def watched(sample_run, nests):
    """The run with the nests: its GeoPackage, the stages that were made, and the rasters that were opened."""
    path = sample_run.settings.parent / "nests.toml"
    path.write_text(NESTS, encoding="utf-8")
    return watched_run(path)


@pytest.fixture(scope="module")
def with_nests(watched):
    return watched[0]


@pytest.fixture(scope="module")
def compared(sample_run, with_nests, tmp_path_factory):
    folder = tmp_path_factory.mktemp("compared")
    return compare(
        sample_run.delivered.path, with_nests, csv=folder / "changes.csv", output=folder / "changes.gpkg"
    )


# Nests that each line meets, by plain geometry.
def nests_on(line, nests):
    return nests.loc[nests.intersection(line).length > 0.01, "nest_id"].tolist()


def test_each_newly_excluded_site_is_named_with_its_rule_and_feature(sample_run, nests, compared):
    stretches = sample_run.delivered.tables["stretches"]
    sites = stretches[stretches["site_id"] != ""].set_index("site_id")
    rows = compared.changes.changes.query("kind == 'site' and id_old != ''").set_index("id_old")

    notes = {site: row["rules"] for site, row in rows.iterrows()}
    truth = {site: nests_on(line, nests) for site, line in sites.geometry.items()}

    assert sum(map(bool, truth.values())) >= 2
    assert notes == {site: f"nests ({', '.join(names)})" if names else "" for site, names in truth.items()}
    # A site is gone unless its tailrace took another stretch, clear of the nests.
    for site in [site for site, names in truth.items() if names]:
        assert rows.loc[site, "change"] == "newly excluded" or (
            rows.loc[site, "change"] == "changed in value" and not nests_on(rows.loc[site].geometry, nests)
        )
    assert (rows["change"] == "newly excluded").any()


def test_the_layer_redoes_what_depends_on_rules_alone_and_opens_no_raster_of_the_user(watched):
    _, made, opened = watched

    # That of the valley in test_reruns.py, and what is joined of the drainage systems that the nests lie in.
    assert made - {"closed_energy", "evidence_values"} == {place.partition(":")[0] for place in AGAIN}
    assert not made & set(NEVER_AGAIN)
    # The lines of the sites' conduits are drawn from what is kept.
    assert {path.name for path in opened} <= {"surface-0.tif"}
    assert all(STORE in path.parts for path in opened)


def test_each_newly_excluded_reach_is_one_that_a_nest_meets(nests, compared):
    reaches = compared.changes.changes.query("kind == 'reach'")
    new = reaches[reaches["change"] == "newly excluded"]

    was_open = reaches[reaches["verdict_old"] != "excluded"]
    truth = {row.id_old: nests_on(row.geometry, nests) for row in was_open.itertuples()}

    assert dict(zip(new["id_old"], new["rules"], strict=True)) == {
        reach: f"nests ({', '.join(names)})" for reach, names in truth.items() if names
    }
    assert set(new["cause"]) == {"rule nests is new"}


def test_the_layer_is_the_only_difference_and_behind_every_change(compared):
    causes, changes = compared.changes.causes, compared.changes.changes

    assert causes["difference"].tolist() == ["rule nests is new"]
    assert causes["new"].tolist() == ["exclude, nests.gpkg"]
    assert set(changes.loc[changes["change"] != "unchanged", "cause"]) == {"rule nests is new"}


def test_sums_over_the_changes_are_the_totals_of_both_runs(sample_run, with_nests, compared):
    changes = compared.changes.changes
    for run_name, path in (("old", sample_run.delivered.path), ("new", with_nests)):
        for kind, (layer, columns) in SUMMED.items():
            table = pyogrio.read_dataframe(path, layer=layer, read_geometry=False)
            rows = changes[(changes["kind"] == kind) & (changes[f"id_{run_name}"] != "")]
            assert len(rows) == len(table)
            for name in columns:
                assert rows[f"{name}_{run_name}"].sum() == pytest.approx(table[name].sum(), rel=1e-12)


def test_table_and_layer_hold_the_comparison(compared):
    csv, geopackage = compared.files

    table = pd.read_csv(csv, keep_default_na=False)
    layer = pyogrio.read_dataframe(geopackage, layer="changes")

    changes = compared.changes.changes
    assert table["change"].tolist() == layer["change"].tolist() == changes["change"].tolist()
    assert layer.geometry.geom_equals(changes.geometry).all()
    assert layer.crs == changes.crs
    assert [name for name, _ in pyogrio.list_layers(geopackage)] == [
        "changes",
        "changed_values",
        "causes",
        "columns",
        "layer_styles",
    ]
    # Each value that is listed as different is.
    values = pyogrio.read_dataframe(geopackage, layer="changed_values", read_geometry=False)
    assert len(values) > 0
    assert (values["old"] != values["new"]).all()


def test_without_the_layer_again_nothing_has_changed(sample_run, with_nests):
    path = sample_run.settings.parent / "without.toml"
    path.write_text(WITHOUT, encoding="utf-8")

    again, made, opened = watched_run(path)
    notes = compare(sample_run.delivered.path, again).changes

    assert (made, opened) == (set(), [])
    assert again.read_bytes() == sample_run.delivered.path.read_bytes()
    assert set(notes.changes["change"]) == {"unchanged"}
    assert len(notes.causes) == len(notes.changed_values) == 0


def test_another_name_for_every_stream_changes_nothing_else(sample_run):
    old = read_delivery(sample_run.delivered.path, NEEDED).tables
    new = {name: table.copy() for name, table in old.items()}
    for table in new.values():
        for column in ("reach_id", "site_id", "stretch_id", "feature_id"):
            if column in table:
                table[column] = table[column].str.replace(r"^S(\d)", r"river-\1", regex=True)

    changes = compare_runs(old, new, StageGraph(STAGES)).changes

    assert len(changes) == len(old["reaches"]) + len(old["sites"])
    assert set(changes["matched_by"]) == {"place"}
    assert set(changes["change"]) == {"unchanged"}
    assert (changes["id_old"].str.replace(r"^S(\d)", r"river-\1", regex=True) == changes["id_new"]).all()


def test_scenarios_are_compared_with_the_totals_of_their_deliveries(sample_run, with_nests, tmp_path, monkeypatch):
    settings = sample_run.settings.parent
    # One file more than was made before, so that there is something to do.
    (settings / "same.toml").write_text(
        f'extends = "sample.toml"\n[run]\noutput_folder = "../out-same"\n{STORED}\n[delivery]\ngeoparquet = true\n'
    )
    heard, opened = [], []
    note_opened(monkeypatch, opened)

    beside = run_scenarios(
        [settings / "same.toml", settings / "nests.toml"],
        csv=tmp_path / "beside.csv",
        progress=lambda words, *_: heard.append(words),
    )

    table = beside.table.set_index("scenario")
    assert list(table.index) == ["same", "nests"]
    # Results kept from earlier runs start nothing; what starts names its scenario.
    assert {words.partition(": ")[0] for words in heard} == {"same"}
    # Nor is an input read again to check it, which those runs have read.
    assert all(STORE in Path(path).parts for path in opened)
    for name, path in (("same", sample_run.delivered.path), ("nests", with_nests)):
        sites = pyogrio.read_dataframe(path, layer="sites", read_geometry=False)
        reaches = pyogrio.read_dataframe(path, layer="reaches", read_geometry=False)
        assert table.loc[name, "sites"] == len(sites)
        assert table.loc[name, "power_mw"] == pytest.approx(sites["power_kw"].sum() / 1000)
        assert table.loc[name, "energy_gwh"] == pytest.approx(sites["energy_mwh"].sum() / 1000)
        excluded = reaches.loc[reaches["verdict"] == "excluded", "length_m"].sum()
        assert table.loc[name, "excluded_length_km"] == pytest.approx(excluded / 1000)
        assert (
            table.loc[name, "energy_gwh_p90"] < table.loc[name, "energy_gwh"] < table.loc[name, "energy_gwh_p10"]
        )
    counts = table.filter(like="sites_")
    assert counts.loc["same"].drop("sites_unchanged").sum() == 0
    lost = counts.loc["nests", ["sites_newly_excluded", "sites_vanished"]].sum()
    found = counts.loc["nests", ["sites_re_admitted", "sites_appeared"]].sum()
    assert table.loc["nests", "sites"] == table.loc["same", "sites"] - lost + found
    written = pd.read_csv(tmp_path / "beside.csv")
    assert written["scenario"].tolist() == ["same", "nests"]
    assert np.allclose(written["energy_gwh"], beside.table["energy_gwh"])


def test_scenarios_that_would_replace_each_other_are_refused_before_any_runs(write_valley, tmp_path):
    settings = write_valley(tmp_path)
    (tmp_path / "twin.toml").write_text('extends = "run.toml"\n[run]\noutput_folder = "out"\n')
    ran = []

    with pytest.raises(SitefinderError, match="scenarios would replace each other's results") as caught:
        run_scenarios([settings, tmp_path / "twin.toml"], progress=lambda *_: ran.append(1))

    assert "twin.toml" in str(caught.value)
    assert ran == []


# What a document shows between two markers.
def shown(readme, kind, name):
    return re.search(rf"^<!-- {kind}: {name} -->\n```\n(.*?)\n```\n<!-- end -->$", readme, flags=re.M | re.S)[1]


def test_what_the_sample_region_shows_is_what_the_commands_print(sample_run, repository, monkeypatch, capsys):
    readme = (repository / "sample-region" / "README.md").read_text(encoding="utf-8")
    # The commands are shown as they are used, with a store for each run; here all start from the first one's.
    kept = sample_run.settings.parents[1] / "sample-region" / "out-stricter" / STORE
    sample_run.copy_store(kept)
    run_and_deliver(sample_run.settings.parent / "stricter.toml")

    monkeypatch.chdir(sample_run.settings.parent.parent)

    for name, more in (("compare", []), ("scenarios", ["--quiet"])):
        monkeypatch.setattr("sys.argv", ["sitefinder", *shown(readme, "command", name).split()[1:], *more])
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            cli.main()

        assert ended.value.code in (0, None)
        assert capsys.readouterr().out == shown(readme, "result", name) + "\n"


# What provenance says where one input, setting or stage differs, by its name.
def touched(kind, name):
    columns = ["kind", "name", "value", "digest", "source"]
    tables = [pd.DataFrame([(kind, name, value, value, "")], columns=columns) for value in "ab"]
    return differences(*tables, StageGraph(STAGES)).facts[0]


def test_every_input_and_table_of_settings_leads_by_the_stages_to_a_column():
    columns = [column for layer in ("sites", "reaches") for column in LAYERS[layer].columns]
    reached = StageGraph(STAGES).facts_of({part for column in columns for part in column.made_by}).keys()

    # Drops without a stream lead to a layer of their own, which is not compared.
    for name in Inputs.model_fields.keys() - {"drops", "drop_flows"}:
        assert touched("input", name) & reached, name
    for section in set(Settings.model_fields) - {"inputs", "rules", *CHANGES_NO_TABLE}:
        fact = f"settings.{section}"
        assert any(f"{other}.".startswith(f"{fact}.") for other in reached), section
    for stage in STAGES:
        assert touched("stage", stage.name) == {f"stages.{stage.name}"}


def test_every_column_of_sites_and_reaches_declares_stages_settings_and_inputs_that_there_are():
    known = {stage.name for stage in STAGES}
    for layer in ("sites", "reaches"):
        for column in LAYERS[layer].columns:
            assert column.made_by, column.name
            beside = [part.partition(".") for part in column.made_by if part not in known]
            for given, _, part in beside:
                fields = (
                    Settings.model_fields if given == "settings" else {*RunInputs._fields, *Inputs.model_fields}
                )
                assert given in ("settings", "inputs"), column.name
                assert part.removeprefix("layers.").partition(".")[0] in fields, column.name


def test_defaults_are_listed_by_the_keys_of_provenance(sample_run):
    table = pyogrio.read_dataframe(sample_run.delivered.path, layer="provenance", read_geometry=False)
    notes = dict(zip(table["name"], table["value"].fillna(""), strict=True))

    defaults = reported_defaults()

    assert defaults["network.dem_margin_m"] == notes["network.dem_margin_m"]
    # A setting that follows from the data where it is not stated has no default, and is in neither.
    assert "network.snap_m" not in defaults.keys() | notes.keys()
    assert defaults["ranking.allow"] == notes["ranking.allow"]
    assert defaults["rules[].min_overlap_m"] == notes["rules[1].min_overlap_m"]
