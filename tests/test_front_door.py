"""What `import sitefinder` hands on: the sample region from Python, in memory and in files."""

import logging
import os
import shutil
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path
from typing import NamedTuple

import geopandas
import pandas as pd
import pyogrio
import pytest
from pandas.testing import assert_frame_equal
from small_valley import write_valley

import sitefinder as sf
from sitefinder import running
from sitefinder.delivery.graph import LAYERS_MADE
from sitefinder.io.deliveries import read_delivery
from sitefinder.pipeline.code import module_of
from sitefinder.schema import LAYERS, check_table

pytestmark = pytest.mark.slow
# Of the stages of the sample region those that take long.
TAKES_LONG = (
    *("candidates", "best_case", "conduits", "energy", "found_candidates", "closed_energy", "evidence_values"),
    *("selection_luck", "site_energy", "flows", "long_profile", "minimum_heads"),
)
SCRIPT = """
import sys
import sitefinder as sf

inventory = sf.run(sf.read_settings(sys.argv[1]))
print(len(inventory.sites) > 0, len(inventory.reaches), inventory.sites.crs.to_string())
print(inventory.summary.splitlines()[0])
"""


def tree(folder):
    """Every file and folder below, with size and time of change."""
    return {
        path.relative_to(folder).as_posix(): (path.stat().st_size, path.stat().st_mtime_ns)
        for path in Path(folder).rglob("*")
    }


@pytest.fixture(scope="module")
def region(repository, tmp_path_factory):
    """A copy of the sample region and its settings, as a user has them."""
    folder = tmp_path_factory.mktemp("front-door")
    for name in ("config", "sample-region"):
        subprocess.run(["cp", "-r", str(repository / name), str(folder / name)], check=True)
    subprocess.run(["rm", "-rf", str(folder / "sample-region" / "out")], check=True)
    return folder


@pytest.fixture(scope="module")
def settings(region):
    return sf.read_settings(region / "config" / "sample.toml")


@pytest.fixture(scope="module")
def scratch(tmp_path_factory):
    """The folder for temporary files of the runs of this module."""
    folder = tmp_path_factory.mktemp("temporary")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tempfile, "tempdir", str(folder))
        yield folder


# A stage that gives what it gave before.
def as_made(stage, result):
    def run(**_):
        return result

    run.__module__ = module_of(stage.run)
    return stage._replace(run=run, each=None)


class Listened(NamedTuple):
    """A run in memory, what lay in the region's folders before it, what it said meanwhile, and what it logged."""

    inventory: sf.Inventory
    summary: str
    before: dict
    heard: list
    logged: list


@pytest.fixture(scope="module")
def in_memory(settings, region, scratch, sample_run):
    """The sample region run in memory from nothing, with somebody who listens.

    But for stages that take long: what they give was made by the run of the session, which is the same.
    """
    before, heard, logged = tree(region), [], []
    handler, logger = logging.Handler(), logging.getLogger("sitefinder")
    handler.emit = lambda record: logged.append(record.getMessage())
    level = logger.level
    logger.setLevel(logging.INFO)
    logger.addHandler(handler)
    stages = tuple(
        as_made(stage, sample_run.results[stage.name]) if stage.name in TAKES_LONG else stage
        for stage in running.STAGES
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(running, "STAGES", stages)
        inventory = sf.run(settings, output=None, progress=lambda *facts: heard.append(facts))
    logger.removeHandler(handler)
    logger.setLevel(level)
    # The summary lists files once they are written.
    return Listened(inventory, inventory.summary, before, heard, logged)


@pytest.fixture(scope="module")
def store(sample_run, tmp_path_factory):
    """What a run of the command kept of the sample region, for the runs that find results there."""
    return shutil.copytree(sample_run.store, tmp_path_factory.mktemp("kept") / "store")


@pytest.fixture(scope="module")
def strict(settings, store, scratch):
    """The sample region with large sites alone: its settings, its inventory, and what was said of its run."""
    ranking = settings.ranking.model_copy(update={"min_power_kw": 60.0})
    stricter, heard = settings.model_copy(update={"ranking": ranking}), []
    return stricter, sf.run(stricter, store=store, progress=lambda *facts: heard.append(facts)), heard


def test_the_import_loads_nothing_and_offers_what_the_package_hands_on():
    script = (
        "import sys\nbefore = set(sys.modules)\nimport sitefinder as sf\nloaded = set(sys.modules) - before\n"
        "print(*sorted(name for name in loaded if not name.startswith('sitefinder')))\n"
        "print(*sorted(set(dir(sf)) & {'run', 'check', 'Settings', 'InputError', '__version__'}))\n"
        "print(sf.InputError.__name__, 'numpy' in sys.modules, 'pydantic' in sys.modules)"
    )
    ended = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)

    loaded, offered, after = ended.stdout.splitlines()
    assert not {"numpy", "pandas", "pydantic", "typer", "rich"} & set(loaded.split())
    assert offered == "InputError Settings __version__ check run"
    assert after == "InputError False False"


def test_all_that_is_promised_is_there_and_means_the_same_to_a_type_checker():
    for name in sf.__all__:
        assert getattr(sf, name) is not None
    source = Path(sf.__file__).read_text(encoding="utf-8")
    checked = source.split("if TYPE_CHECKING:\n")[1].split("\n\n")[0]
    typed = {line.split(" as ")[1] for line in checked.splitlines()}

    assert typed == set(sf.__all__) - {"__version__"}
    with pytest.raises(AttributeError, match="has no attribute 'rum'"):
        sf.rum  # noqa: B018


def test_version_takes_at_most_a_fifth_of_a_second_of_cpu():
    def seconds():
        before = os.times()
        subprocess.run([sys.executable, "-m", "sitefinder", "--version"], check=True, capture_output=True)
        after = os.times()
        return after.children_user + after.children_system - before.children_user - before.children_system

    assert min(seconds() for _ in range(5)) <= 0.2


def test_a_run_in_memory_gives_tables_that_keep_their_declaration(in_memory):
    inventory = in_memory.inventory

    assert isinstance(inventory.sites, geopandas.GeoDataFrame)
    assert isinstance(inventory.reaches, geopandas.GeoDataFrame)
    assert not isinstance(inventory.totals, geopandas.GeoDataFrame)
    assert set(inventory.tables) == set(LAYERS) - {"columns"}
    for name, table in inventory.tables.items():
        assert table is getattr(inventory, name)
        assert_frame_equal(pd.DataFrame(check_table(table, name)), pd.DataFrame(table))
        assert (inventory.sites.crs == table.crs) if LAYERS[name].geometry else not hasattr(table, "crs")
    assert len(inventory.sites) > 0
    assert inventory.totals.set_index("scope").loc["region", "sites"] == len(inventory.sites)
    assert set(LAYERS_MADE) <= set(dir(inventory))
    with pytest.raises(AttributeError, match="an inventory has no 'stes'; its layers are sites, "):
        inventory.stes  # noqa: B018
    with pytest.raises(sf.InputError, match="this inventory lies in no file"):
        inventory.path  # noqa: B018


def test_a_run_in_memory_writes_no_file_and_leaves_no_scratch(in_memory, region, scratch):
    assert tree(region) == in_memory.before
    assert list(scratch.iterdir()) == []


def test_a_script_of_five_lines_runs_a_region(tmp_path_factory, tmp_path):
    valley = tmp_path_factory.mktemp("valley")
    settings = write_valley(valley)
    before = tree(valley)
    ended = subprocess.run(
        [sys.executable, "-c", SCRIPT, str(settings)],
        capture_output=True,
        text=True,
        check=True,
        cwd=tmp_path,
        env=os.environ | {"TMPDIR": str(tmp_path)},
    )

    counts, title = ended.stdout.splitlines()
    # The stream of 600 m is one reach.
    assert counts == "True 1 EPSG:32633"
    assert title.startswith("By hand: 1 reach")
    assert ended.stderr == ""
    assert tree(valley) == before
    assert list(tmp_path.iterdir()) == []


def test_what_is_written_is_what_the_command_delivers(in_memory, other_run, tmp_path):
    inventory = in_memory.inventory
    output = other_run.delivered.parent

    alone = inventory.write_geopackage(tmp_path / "alone" / "mine.gpkg")
    files = inventory.write(tmp_path / "out")

    delivered = {path.name: path.read_bytes() for path in output.iterdir() if path.is_file()}
    assert {path.name: path.read_bytes() for path in files} == delivered
    assert len(delivered) > 5
    assert alone.read_bytes() == delivered["sites.gpkg"]
    assert inventory.path == files[0]
    assert f"  {tmp_path / 'out' / 'sites.gpkg'}" in inventory.summary


def test_what_is_changed_in_a_table_changes_no_file(in_memory, tmp_path):
    inventory = in_memory.inventory
    before = inventory.write_geopackage(tmp_path / "before.gpkg").read_bytes()
    whole = inventory.sites["power_kw"].copy()
    inventory.sites["power_kw"] = 0.0

    after = inventory.write_geopackage(tmp_path / "after.gpkg").read_bytes()

    inventory.sites["power_kw"] = whole
    assert after == before


def test_a_delivery_read_back_and_the_run_in_memory_are_the_same_to_compare(in_memory, tmp_path):
    inventory = in_memory.inventory
    path = inventory.write_geopackage(tmp_path / "sites.gpkg")

    for old, new in ((path, inventory), (inventory, path), (tmp_path, inventory), (inventory, inventory)):
        comparison = sf.compare(old, new)
        assert set(comparison.changes["change"]) == {"unchanged"}
        assert len(comparison.changes) == len(inventory.reaches) + len(inventory.sites)
        assert len(comparison.changed_values) == len(comparison.causes) == 0
    counted = f"Nothing changed in {len(inventory.reaches)} reaches and {len(inventory.sites)} sites."
    assert counted in comparison.summary
    assert isinstance(comparison.changes, geopandas.GeoDataFrame)


def test_a_stricter_run_differs_from_the_one_before_with_its_cause(in_memory, strict):
    inventory, (_, stricter, _) = in_memory.inventory, strict

    comparison = sf.compare(inventory, stricter)

    assert 0 < len(stricter.sites) < len(inventory.sites)
    assert stricter.sites["power_kw"].min() >= 60.0
    assert comparison.causes["name"].tolist() == ["ranking.min_power_kw"]
    assert (comparison.changes["change"] != "unchanged").sum() > 0


def test_settings_of_a_mapping_start_their_paths_from_the_folder_that_is_given(
    region, settings, monkeypatch, tmp_path
):
    mapping = tomllib.loads(write_valley(tmp_path).read_text(encoding="utf-8"))

    assert sf.check(sf.Settings(**mapping, folder=tmp_path)) == []
    monkeypatch.chdir(tmp_path)
    assert sf.check(sf.Settings(**mapping)) == []
    monkeypatch.chdir(region)
    elsewhere = sf.check(sf.Settings(**mapping))
    assert any("cannot be read" in problem or "no such" in problem for problem in elsewhere)
    assert settings.folder == str(region / "config")


def test_problems_are_a_list_and_nothing_is_raised(region, tmp_path):
    mapping = tomllib.loads((region / "config" / "sample.toml").read_text(encoding="utf-8"))
    mapping["inputs"]["dem"]["path"] = "absent.tif"
    mapping["energy"]["turbines"] = ["absent.toml"]

    problems = sf.check(sf.Settings(**mapping, folder=region / "config"))

    assert len(problems) == 2
    assert any("absent.tif" in problem for problem in problems)
    assert any("absent.toml" in problem for problem in problems)
    wrong = tmp_path / "wrong.toml"
    wrong.write_text("[run]\nnaem = 'x'\n", encoding="utf-8")
    assert f"{wrong}: run.naem: no such setting; did you mean name?" in sf.check(wrong)
    with pytest.raises(sf.ConfigError, match=r"settings: \d+ problems\n(.*\n)*  run.naem: no such setting"):
        sf.Settings(run={"naem": "x"})
    with pytest.raises(sf.SitefinderError, match="there is no such settings file"):
        sf.read_settings(tmp_path / "absent.toml")
    assert issubclass(sf.InputError, sf.SitefinderError)


def test_a_store_is_used_where_one_is_asked_for(store, settings, in_memory):
    heard = []

    planned = sf.plan(settings, store=store)
    again = sf.run(settings, store=store, progress=lambda *facts: heard.append(facts))

    assert all(stage.kept for stage in planned.stages if stage.stage.endswith("_table"))
    assert planned.summary.startswith("Sample district: ")
    assert heard == []
    assert again.summary == in_memory.summary
    assert again.files == ()
    assert_frame_equal(pd.DataFrame(again.sites), pd.DataFrame(in_memory.inventory.sites))


def test_what_is_new_in_a_run_is_kept_in_the_store_that_was_asked_for(strict, store):
    stricter, first, said = strict
    heard = []

    planned = sf.plan(stricter, store=store)
    again = sf.run(stricter, store=store, progress=lambda *facts: heard.append(facts))

    assert "selecting sites" in {words for words, *_ in said}
    assert "fitting long profiles" not in {words for words, *_ in said}
    assert all(stage.kept for stage in planned.stages if stage.stage.endswith("_table"))
    assert heard == []
    assert again.summary == first.summary
    assert_frame_equal(pd.DataFrame(again.sites), pd.DataFrame(first.sites))


def test_a_listener_hears_every_stage_in_order(in_memory):
    words, done, counts = zip(*in_memory.heard, strict=True)

    assert {"reprojecting the DEM", "fitting long profiles", "selecting sites"} <= set(words)
    assert list(done) == sorted(done)
    assert max(done) < counts[0] == counts[-1]


def test_a_bar_is_drawn_on_standard_error(store, settings, capsys):
    sf.run(settings, store=store, progress=True)

    out, err = capsys.readouterr()
    assert out == ""
    assert "done" in err


def test_stages_are_logged_for_whoever_listens(in_memory):
    assert "surface: started" in in_memory.logged
    assert any(message.startswith("sites_table: finished in ") for message in in_memory.logged)


def test_a_delivery_of_an_earlier_version_is_refused_with_what_to_do(in_memory, tmp_path):
    inventory = in_memory.inventory
    names = {"turbine": "machine", "scheme_type": "layout", "lcoe_per_kwh": "cost_per_kwh"}
    for name in ("sites", "stretches", "reaches", "rule_hits", "provenance"):
        pyogrio.write_dataframe(inventory.tables[name].rename(columns=names), tmp_path / "old.gpkg", layer=name)

    with pytest.raises(sf.InputError) as refused:
        sf.compare(tmp_path / "old.gpkg", inventory)

    assert str(refused.value).startswith("the delivery was made by an earlier version of sitefinder")
    assert "sites.layout, sites.machine" in str(refused.value).replace("sites.cost_per_kwh, ", "")
    assert "sitefinder run CONFIG.toml" in str(refused.value)
    pyogrio.write_dataframe(inventory.tables["screening_cascade"], tmp_path / "old.gpkg", layer="waterfall")
    with pytest.raises(sf.InputError, match=r"found: +layer waterfall"):
        read_delivery(tmp_path / "old.gpkg", {"sites": "site_id"})


def test_flows_are_fitted_in_memory(repository, tmp_path):
    mapping = {
        "fit": {"min_gauges": 5, "statistics": ["flow_mean_m3s"]},
        "flows": tomllib.loads((repository / "config" / "sample.toml").read_text(encoding="utf-8"))["flows"],
    }
    assert "gauges" in mapping["flows"]
    whole = tomllib.loads((repository / "config" / "sample.toml").read_text(encoding="utf-8"))
    settings = sf.Settings(**(whole | mapping), folder=repository / "config")
    before = tree(repository / "config")

    fitted = sf.fit_flows(settings)

    assert [equation.statistic for equation in fitted.fits.equations] == ["mean"]
    assert fitted.files == []
    assert tree(repository / "config") == before
    written = sf.fit_flows(settings, tmp_path / "fitted").files
    assert {path.name for path in written} >= {"equations.toml", "plots.html"}
    assert fitted.summary.startswith("1 equations in 1 region from 48 gauges: ")
