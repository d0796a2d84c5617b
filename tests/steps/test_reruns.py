"""Reruns: one more exclusion layer redoes only what depends on it; without it the first file is back."""

import json
import os
import re
import shutil
from pathlib import Path

import geopandas
import pyogrio
import pytest
import shapely
from opened_rasters import note_opened
from redone_stages import AGAIN, NEVER_AGAIN

from sitefinder import cli
from sitefinder import running as stages
from sitefinder.errors import InputError
from sitefinder.io import digests
from sitefinder.pipeline.code import module_of
from sitefinder.planning import plan
from sitefinder.preparation import STORE
from sitefinder.running import run_and_deliver
from sitefinder.steps.graph import STEPS

pytestmark = pytest.mark.slow

RULE = """
[[rules]]
name = "new reserve"
path = "new.gpkg"
id_column = "id"
action = "exclude"
"""


STEP_NAMES = [stage.name for stage in STEPS]
# What a new layer does in no drainage system.
KEPT_BY_SYSTEM = ["selection_luck", "best_case", "energy", "closed_energy", "evidence_values"]


class Watched:
    """A settings file, with what its runs did: stages that were run, rasters that were opened, files digested."""

    def __init__(self, settings, patch):
        self.settings, self.ran, self.opened, self.read = settings, [], [], []
        reading = digests._digest

        def read(files):
            self.read.append([file.name for file in files])
            return reading(files)

        note_opened(patch, self.opened)
        patch.setattr(digests, "_digest", read)
        patch.setattr(stages, "STAGES", tuple(map(self._watched, stages.STAGES)))
        of_files = stages.stages_of_files
        patch.setattr(stages, "stages_of_files", lambda names: tuple(map(self._watched, of_files(names))))

    def _watched(self, stage):
        def watched(**arguments):
            self.ran.append(
                f"{stage.name}: {arguments['rule'].settings.name}" if "rule" in arguments else stage.name
            )
            return stage.function(**arguments)

        # Its code counts as that of the function that it stands for.
        watched.__module__ = module_of(stage.run)
        return stage._replace(run=watched)

    def run(self, **options):
        """Run; gives the bytes of the delivery."""
        for notes in (self.ran, self.opened, self.read):
            notes.clear()
        return run_and_deliver(self.settings, **options).path.read_bytes()

    def plan(self):
        """Reasons of each stage that would be done again, by its name."""
        return {stage.stage: stage.reasons for stage in plan(self.settings).stages if not stage.kept}

    def plan_of_steps(self):
        """The same of what comes before tables and files."""
        return {name: reasons for name, reasons in self.plan().items() if name in STEP_NAMES}

    @property
    def steps_run(self):
        """Stages that were run before those of tables and files."""
        return [name for name in self.ran if name.partition(":")[0] in STEP_NAMES]

    @property
    def delivered(self):
        """The bytes of the delivery as it is."""
        return (self.settings.parent / "out" / "sites.gpkg").read_bytes()

    @property
    def store(self):
        return self.settings.parent / "out" / ".sitefinder-store"

    @property
    def records(self):
        """Records of all runs so far."""
        return [json.loads(path.read_text(encoding="utf-8")) for path in sorted((self.store / "runs").iterdir())]


@pytest.fixture(scope="session")
def ran_once(write_valley, made_once):
    """Folders of the small valley after a run of its tables alone, after one of all files, and after a second run
    of the tables with one more rule: only to copy.
    """

    def made(folder):
        tables, all_files = folder / "tables", folder / "all-files"
        for own in (tables, all_files):
            own.mkdir()
            settings = write_valley(own)
            if own == all_files:
                text = settings.read_text(encoding="utf-8")
                delivery = re.search(r"\[delivery\]\n(?:.+\n)*", text)[0]
                settings.write_text(text.replace(delivery, ALL_FILES), encoding="utf-8")
            run_and_deliver(settings)
        ruled = folder / "ruled"
        shutil.copytree(tables, ruled)
        add_rule(ruled / "run.toml")
        run_and_deliver(ruled / "run.toml")
        return tables, all_files, ruled

    return made_once("valleys", made)


@pytest.fixture
def valley(ran_once, tmp_path, monkeypatch):
    """The small valley, watched, as a run left it: the next one finds all kept, as in a folder that moved."""
    shutil.copytree(ran_once[0], tmp_path, dirs_exist_ok=True)
    return Watched(tmp_path / "run.toml", monkeypatch)


@pytest.fixture
def with_all_files(ran_once, tmp_path, monkeypatch):
    """The same with every file that is made by default."""
    shutil.copytree(ran_once[1], tmp_path, dirs_exist_ok=True)
    return Watched(tmp_path / "run.toml", monkeypatch)


@pytest.fixture
def with_rule(ran_once, tmp_path, monkeypatch):
    """The valley after a second run, for which a rule was added."""
    shutil.copytree(ran_once[2], tmp_path, dirs_exist_ok=True)
    return Watched(tmp_path / "run.toml", monkeypatch)


def add_rule(settings, rule=RULE, box=(500_250.0, 4_999_900.0, 500_450.0, 5_000_000.0)):
    """One more rule with a layer of its own; gives the text of the settings before."""
    frame = geopandas.GeoDataFrame({"id": ["N1"]}, geometry=[shapely.box(*box)], crs="EPSG:32633")
    pyogrio.write_dataframe(frame, settings.parent / "new.gpkg", layer="new")
    before = settings.read_text(encoding="utf-8")
    settings.write_text(before + rule, encoding="utf-8")
    return before


def test_a_new_layer_redoes_its_overlaps_verdicts_and_sites_and_opens_no_raster(valley):
    first = valley.run()
    before = add_rule(valley.settings)

    planned = valley.plan_of_steps()
    other = valley.run()

    made_first = {result["place"] for result in valley.records[0]["results"] if not result["was_kept"]}
    assert set(NEVER_AGAIN) < made_first
    assert valley.steps_run == AGAIN
    assert valley.opened == []
    # No old file is read again.
    assert ["dem.tif"] not in valley.read
    assert ["new.gpkg"] in valley.read
    assert planned == {
        "rule_overlaps": ["new reserve: it is new"],
        "spawning_m": ["after rule_overlaps"],
        "rule_verdicts": ["setting rules.new reserve is new", "after rule_overlaps"],
        "decisions": ["setting rules.new reserve is new", "after rule_verdicts"],
        "verdicts": ["setting rules.new reserve is new", "after rule_overlaps, rule_verdicts, decisions"],
        "drop_overlaps": ["new reserve: it is new"],
        "drop_verdicts": ["setting rules.new reserve is new", "after drop_overlaps"],
        "closed_months": ["setting rules.new reserve is new", "after rule_overlaps, verdicts"],
        "closed_energy": ["after closed_months, for each drainage system that then differs"],
        "sites": ["after closed_energy, spawning_m, verdicts, for each drainage system that then differs"],
        "limit_costs": ["after closed_energy, spawning_m, verdicts, for each drainage system that then differs"],
        "fish_safe_only": ["after verdicts"],
        "evidence_values": ["after closed_months, fish_safe_only, for each drainage system that then differs"],
        "fish_safety": [
            "after evidence_values, closed_energy, spawning_m, verdicts, for each drainage system that then "
            "differs"
        ],
    }
    assert other != first
    assert other == valley.run(keep=False)
    assert set(NEVER_AGAIN) < set(valley.ran)

    # Without it the first file is back.
    valley.settings.write_text(before, encoding="utf-8")
    assert valley.plan() == {}
    assert valley.run() == first
    assert valley.ran == []


def test_an_edited_rule_redoes_its_own_overlaps_alone_and_what_is_kept_on_is_as_if_it_were_made(with_rule):
    valley = with_rule
    text = valley.settings.read_text(encoding="utf-8")
    valley.settings.write_text(text.replace('"exclude"', '"exclude"\nbuffer_m = 5.0'), encoding="utf-8")

    planned = valley.plan()
    again = valley.run()

    changed = "setting rules.new reserve.buffer_m: 0.0 → 5.0"
    # What the rules leave of each stretch comes to the same, so that no choice of sites is made again.
    spared = {"sites", "limit_costs", "fish_safe_only", "fish_safety"}
    assert valley.steps_run == [name for name in AGAIN if name not in spared]
    assert planned["fish_safe_only"] == ["after verdicts"]
    assert planned["rule_overlaps"] == [changed]
    assert planned["rule_verdicts"] == [changed, "after rule_overlaps"]

    before, last = ({result["place"]: result for result in record["results"]} for record in valley.records[-2:])
    kept_on = {
        place
        for place, result in last.items()
        if result["was_kept"] and place in before and result["key"] != before[place]["key"]
    }
    assert {"fish_safe_only", "closed_energy", "ranked_sites", "catchments_table"} <= kept_on
    assert not kept_on & set(valley.ran)
    assert again == valley.run(keep=False)
    # A later run finds it under its own key.
    assert valley.plan() == {}
    assert valley.run() == again
    assert valley.ran == []


ALL_FILES = """
[delivery]
page = true
field_sheets = 1
district_map = true
gpx = true
csv = true
"""


def times_of(valley):
    """When each delivered file last changed, by name."""
    return {path.name: path.stat().st_mtime_ns for path in files_of(valley)}


def files_of(valley):
    """The delivered files."""
    return [path for path in (valley.settings.parent / "out").iterdir() if path.is_file()]


def test_a_run_with_nothing_changed_makes_no_file_and_replaces_none(with_all_files):
    first = with_all_files.run()
    before = times_of(with_all_files)

    again = with_all_files.run()

    assert len(before) == 10
    assert (again, with_all_files.ran, with_all_files.plan()) == (first, [], {})
    assert times_of(with_all_files) == before
    assert not (with_all_files.settings.parent / "out" / "previous").exists()


def test_a_setting_of_a_file_makes_that_file_alone_and_the_page_that_links_to_it(with_all_files):
    before = times_of(with_all_files)
    text = with_all_files.settings.read_text(encoding="utf-8")
    with_all_files.settings.write_text(text.replace("field_sheets = 1", "field_sheets = 2"), encoding="utf-8")

    planned = with_all_files.plan()
    with_all_files.run()

    assert with_all_files.ran == ["site_contours", "page", "field_sheets"]
    because = ["setting delivery.field_sheets: 1 → 2"]
    assert planned["page"] == because
    assert set(planned) == {"site_contours", "page", "field_sheets"}
    after = times_of(with_all_files)
    # The valley has one site, so that the sheets come to the same bytes.
    assert after == before


def test_a_run_whose_settings_say_so_delivers_no_page(with_all_files):
    text = with_all_files.settings.read_text(encoding="utf-8")
    assert "report.html" in times_of(with_all_files)
    first = run_and_deliver(with_all_files.settings)
    assert {path.name for path in first.files} == set(times_of(with_all_files))
    with_all_files.settings.write_text(text.replace("page = true", "page = false"), encoding="utf-8")

    delivered = run_and_deliver(with_all_files.settings)

    assert {path.name for path in delivered.files} == set(times_of(with_all_files))
    assert "report.html" not in times_of(with_all_files)


def test_a_file_that_somebody_changed_or_took_away_is_put_back_without_being_made(with_all_files):
    first = with_all_files.delivered
    out = with_all_files.settings.parent / "out"
    whole = {path.name: path.read_bytes() for path in files_of(with_all_files)}
    (out / "sites.csv").write_text("edited", encoding="utf-8")
    (out / "report.html").unlink()
    before = times_of(with_all_files)

    assert with_all_files.run() == first

    assert with_all_files.ran == []
    assert {path.name: path.read_bytes() for path in files_of(with_all_files)} == whole
    assert times_of(with_all_files)["sites.gpkg"] == before["sites.gpkg"]
    # What the user did is not lost.
    assert (out / "previous" / "sites.csv").read_text(encoding="utf-8") == "edited"


def test_tables_that_come_to_the_same_make_no_file_again(with_all_files):
    text = with_all_files.settings.read_text(encoding="utf-8")
    # No structure lies between 60 m and 61 m from the stream.
    edited = text.replace("[stretches]\n", "[stretches]\nstructure_snap_m = 61.0\n")
    assert edited != text
    with_all_files.settings.write_text(edited, encoding="utf-8")

    planned = with_all_files.plan()
    with_all_files.run()

    ran = set(with_all_files.ran)
    assert {"structures", "water_bodies"} < ran
    # Nor is a table that what it is made of came to the same for.
    assert {"sites_table", "reaches_table", "totals_table"} < set(planned)
    assert not ran & {"sites_table", "reaches_table", "totals_table"}
    assert planned["sites_csv"] == ["after sites_table, unless their results are unchanged"]
    # The setting itself stands in provenance.
    assert not ran & {"sites_csv", "reaches_csv", "totals_csv", "gpx", "field_sheets"}
    assert {"geopackage", "page", "district_map"} < ran


def test_a_table_that_is_made_again_and_comes_to_the_same_makes_no_file_again(with_all_files):
    with_all_files.run()
    text = with_all_files.settings.read_text(encoding="utf-8")
    # No site of the valley has a river so wide.
    edited = text.replace("[stretches]\n", "[flags]\nmax_river_width_m = 2001.0\n\n[stretches]\n")
    assert edited != text
    with_all_files.settings.write_text(edited, encoding="utf-8")

    with_all_files.run()

    ran = set(with_all_files.ran)
    assert {"sites_table", "geopackage"} < ran
    assert not ran & {"sites_csv", "gpx", "field_sheets", "totals_table", "totals_csv"}


def test_a_change_in_place_of_a_delivered_file_does_not_reach_the_one_that_is_kept(with_all_files):
    out = with_all_files.settings.parent / "out"
    # Delivered from what is kept: in the copied folder no file is one with that.
    (out / "sites.csv").unlink()
    with_all_files.run()
    with (out / "sites.csv").open("a", encoding="utf-8") as file:
        file.write("a note of the user's\n")

    with_all_files.run()

    assert with_all_files.ran == []
    assert "note of the user" not in (out / "sites.csv").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("changes", "first_redone", "reason"),
    [
        ({"error_rmse_m = 0.1": "error_rmse_m = 0.2"}, "network", "input dem_error changed"),
        (
            {"price_per_kwh = 0.25": "price_per_kwh = 0.3"},
            "selection_luck",
            "setting costs.price_per_kwh: 0.25 → 0.3",
        ),
        (
            {"min_survival = 0.95": "min_survival = 0.9"},
            "selection_luck",
            "setting fish.min_survival: 0.95 → 0.9",
        ),
        # Neither the size of tiles nor the name nor a licence is in any key of these stages.
        (
            {
                "[terrain]": "[terrain]\ntile_rows = 8",
                'name = "By hand"': 'name = "Other"',
                'path = "dem.tif"': 'path = "dem.tif"\nlicence = "CC0"',
            },
            None,
            None,
        ),
    ],
)
def test_a_plan_shows_what_a_setting_redoes(valley, changes, first_redone, reason):
    text = valley.settings.read_text(encoding="utf-8")
    for old, new in changes.items():
        assert text.count(old) == 1
        text = text.replace(old, new)
    valley.settings.write_text(text, encoding="utf-8")

    planned = valley.plan()
    valley.run()

    assert next((name for name in planned if name in STEP_NAMES), None) == first_redone
    assert reason is None or planned[first_redone] == [reason]
    ran = [name.partition(":")[0] for name in valley.ran]
    assert set(planned) >= set(ran)
    # Only what comes after others alone, which may come to the same, is planned and need not be run.
    spared = {name: planned[name] for name in set(planned) - set(ran)}
    assert [name for name, why in spared.items() if not why[0].startswith("after ")] == [], spared


def test_a_changed_file_is_noticed_and_one_that_was_only_touched_is_not(valley):
    valley.run()
    costs = valley.settings.parent / "costs.toml"
    text = costs.read_text(encoding="utf-8")

    os.utime(valley.settings.parent / "dem.tif", ns=(1, 1))
    touched = valley.plan()
    costs.write_text(text.replace("share_of_capital = 0.02", "share_of_capital = 0.03"), encoding="utf-8")
    assert costs.read_text(encoding="utf-8") != text

    assert touched == {}
    # Which way a conduit takes depends on its costs too, and whether one is sought at all.
    assert valley.plan()["energy"] == ["input costs changed", "after stretches, best_case"]


def test_a_moved_folder_redoes_nothing(valley, tmp_path):
    first = valley.delivered
    moved = tmp_path / "moved"
    moved.mkdir()
    for path in list(tmp_path.iterdir()):
        if path != moved:
            shutil.move(path, moved)
    valley.settings = moved / "run.toml"

    assert valley.plan() == {}
    assert valley.run() == first
    assert valley.ran == []


def test_a_change_that_keeps_size_and_time_is_found_when_all_is_verified(valley):
    first = valley.run()
    known = json.loads((valley.store / "files.json").read_text(encoding="utf-8"))
    (name,) = [name for name in known if name.startswith('["input dem ')]
    known[name]["found"]["digest"] = "of other bytes"
    (valley.store / "files.json").write_text(json.dumps(known), encoding="utf-8")

    believed = valley.plan()
    verified = valley.run(verify=True)
    ran = list(valley.ran)

    assert believed["dem_seams"] == ["input dem changed"]
    assert ran == []
    assert verified == first


def test_another_user_of_the_store_is_reported_and_harms_nothing(valley, monkeypatch):
    """A second run begins while the first is in a stage; it is refused, and both files are right."""
    first, refusals = valley.delivered, []
    # That stage is to be made once more.
    for entry in valley.store.glob("results/*/entry.json"):
        if json.loads(entry.read_text(encoding="utf-8"))["place"] == "flows":
            shutil.rmtree(entry.parent)
    (place,) = [at for at, stage in enumerate(stages.STAGES) if stage.name == "flows"]
    stage, inner = stages.STAGES[place], list(stages.STAGES)

    def meanwhile(**arguments):
        monkeypatch.setattr(stages, "STAGES", tuple(others))
        with pytest.raises(InputError) as refused:
            run_and_deliver(valley.settings)
        refusals.append(str(refused.value))
        assert run_and_deliver(valley.settings, keep=False).path.read_bytes() == first
        return stage.function(**arguments)

    others = list(inner)
    inner[place] = stage._replace(run=meanwhile)
    monkeypatch.setattr(stages, "STAGES", tuple(inner))

    assert run_and_deliver(valley.settings).path.read_bytes() == first
    assert refusals[0].startswith("another run is using the store of results\n")
    assert f"process {os.getpid()} on " in refusals[0]


def test_two_settings_files_may_share_a_store(valley, tmp_path):
    shared = valley.settings.read_text(encoding="utf-8").replace(
        'output_folder = "out"', 'output_folder = "out"\nstore_folder = "shared"'
    )
    valley.store.rename(tmp_path / "shared")
    valley.settings.write_text(shared, encoding="utf-8")
    first = valley.run()
    other = tmp_path / "other.toml"
    other.write_text(shared.replace('"out"', '"other"'), encoding="utf-8")
    valley.settings = other

    assert valley.plan() == {}
    assert valley.run() == first
    assert valley.ran == []
    assert sorted(path.name for path in (tmp_path / "other").iterdir()) == [".sitefinder-delivery", "sites.gpkg"]


def test_the_run_record_says_what_it_took(with_rule):
    valley = with_rule
    delivered = (valley.settings.parent / "out" / "sites.gpkg").read_bytes()

    first, second = valley.records

    assert (first["tiles"], second["tiles"], second["workers"]) == (1, 0, 1)
    made = [result["place"] for result in second["results"] if not result["was_kept"]]
    # The drainage systems of a stage are listed beside its joined result.
    whole = [
        place for place in made if ": " not in place or place.startswith(("rule_overlaps: ", "drop_overlaps: "))
    ]
    assert whole[: len(AGAIN)] == AGAIN
    assert not {place.partition(": ")[0] for place in whole[len(AGAIN) :]} & set(STEP_NAMES)
    by_item = {"sites", "limit_costs", "fish_safety", "site_energy", "rule_shapes"}
    assert {place.partition(": ")[0] for place in made if place not in whole} == by_item
    assert {"sites_table", "geopackage"} < set(whole[len(AGAIN) :])
    assert all(result["seconds"] > 0 for result in first["results"] if result["place"] == "long_profile")
    assert {row["name"] for row in second["inputs"]} >= {"dem", "streams", "rule new reserve", "cost file"}
    assert set(second["seconds"]) == {"reading", "stages", "delivery"}
    assert second["peak_memory_mb"] > 50
    assert second["software"]["GDAL"]
    assert second["version"]
    assert second["code"]["sitefinder/units.py"]
    assert digests.content_digest(valley.settings.parent / "out" / "sites.gpkg") == second["delivered"]["digest"]
    assert str(Path(valley.settings.parent).resolve()).encode() not in delivered


def test_results_beyond_the_limit_are_cleaned_away_and_those_of_the_run_stay(valley):
    limit = valley.settings.read_text(encoding="utf-8").replace(
        'output_folder = "out"', 'output_folder = "out"\nstore_limit_gb = 0.0'
    )
    valley.settings.write_text(limit, encoding="utf-8")
    add_rule(valley.settings)
    valley.run()

    now = {path.name for path in (valley.store / "results").iterdir()}
    first, last = valley.records
    made = [result["place"] for result in last["results"] if not result["was_kept"]]
    assert {"verdicts", "sites", "fish_safety", "geopackage"} < set(made)
    # What a kept result was joined from stays with it, though the run did not look at it.
    joined_from = {
        result["key"]
        for result in first["results"]
        if result["place"].startswith(tuple(f"{name}: " for name in KEPT_BY_SYSTEM))
    }
    assert joined_from
    assert now == {result["key"] for result in last["results"]} | joined_from
    assert valley.plan() == {}


# The sample region in a folder of its own, with what its run kept: a moved folder redoes nothing, see above.
def copied_region(sample_run, folder):
    region = sample_run.settings.parents[1]
    shutil.copytree(region, folder)
    return folder / sample_run.settings.relative_to(region)


def test_the_plan_that_the_sample_region_shows_is_what_the_command_prints(
    sample_run, repository, tmp_path, monkeypatch, capsys
):
    readme = (repository / "sample-region" / "README.md").read_text(encoding="utf-8")
    (shown,) = re.findall(r"^<!-- result: plan -->\n```\n(.*?)```$", readme, flags=re.M | re.S)
    region = tmp_path / "region"
    settings = copied_region(sample_run, region)
    monkeypatch.chdir(region)
    # Other runs of the session keep their results there too, and the plan counts them: what the first run left.
    out = region / "sample-region" / "out"
    shutil.rmtree(out)
    shutil.copytree(sample_run.folder, out)
    shutil.copytree(sample_run.store, out / STORE)
    # Its settings ask for tables alone; those shown ask for pages and sheets too.
    shipped = (repository / "config" / "sample.toml").read_text(encoding="utf-8")
    assert settings.read_text(encoding="utf-8").startswith(shipped)
    text = shipped
    settings.write_text(text.replace("buffer_m = 40.0", "buffer_m = 100.0"), encoding="utf-8")
    monkeypatch.setattr("sys.argv", ["sitefinder", "plan", "config/sample.toml"])
    before = sorted(tmp_path.rglob("*"))

    with pytest.raises(SystemExit) as ended:
        cli.main()

    # How many bytes the results take depends on the versions of libraries.
    notes = re.sub(r"[\d.]+ MB", "… MB", capsys.readouterr().out)
    assert ended.value.code in (0, None)
    assert notes == re.sub(r"[\d.]+ MB", "… MB", shown)
    assert sorted(tmp_path.rglob("*")) == before
