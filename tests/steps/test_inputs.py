"""Inputs are judged once, remembered by all that they depend on, and read only where something asks for them."""

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import geopandas
import pandas as pd
import pytest
import shapely

from sitefinder.errors import InputError
from sitefinder.io.digests import Memory, remembering
from sitefinder.io.settings_files import read_settings
from sitefinder.pipeline.store import KIND, MARKER, VERSION, write_json
from sitefinder.steps.inputs import RunInputs, read_inputs
from sitefinder.steps.readings import NotRead, Readings, files_of_layer, files_of_raster

SOFTWARE = {"numpy": "2.0"}


@pytest.fixture
def file(tmp_path):
    """A file with one number in it, old enough to be remembered."""
    path = tmp_path / "number.txt"
    path.write_text("1", encoding="utf-8")
    os.utime(path, ns=(time.time_ns() - 10**9,) * 2)
    return path


class Counted:
    """Readings of a number and of its double, with a count of what was really read."""

    def __init__(self, file, memory):
        self.file, self.memory, self.read = file, memory, []

    def number(self):
        self.read.append("number")
        text = self.file.read_text(encoding="utf-8")
        if not text.isdigit():
            raise InputError("no number")
        return int(text)

    def judged(self, software=SOFTWARE, modules=("sitefinder.units",), setting=1):
        """The readings after all were judged, and the problems."""
        self.read.clear()
        readings = Readings(software, modules)

        def double():
            self.read.append("double")
            return 2 * readings.value("number")

        with remembering(self.memory):
            readings.add("number", self.number, settings=setting, files=(self.file,))
            readings.add("double", double, needs=("number",))
            return readings, readings.judge()


@pytest.fixture
def counted(file):
    return Counted(file, Memory())


def test_what_did_not_change_is_judged_without_being_read_and_read_when_it_is_asked_for(counted):
    counted.judged()
    readings, problems = counted.judged()

    assert (problems, counted.read) == ([], [])
    assert readings.value("double") == 2
    assert counted.read == ["double", "number"]


@pytest.mark.parametrize(
    ("change", "again"),
    [
        (lambda counted: {}, []),
        (lambda counted: {"setting": 2}, ["number"]),
        (lambda counted: {"software": {"numpy": "2.1"}}, ["number", "double"]),
        (lambda counted: {"modules": ("sitefinder.errors",)}, ["number", "double"]),
        (lambda counted: counted.file.write_text("2", encoding="utf-8") and {}, ["number", "double"]),
        (lambda counted: counted.file.write_text("1", encoding="utf-8") and {}, ["number"]),
        (lambda counted: os.utime(counted.file, ns=(1, 1)) or {}, ["number"]),
    ],
    ids=["nothing", "setting", "library", "code", "content", "written again", "touched"],
)
def test_a_change_in_anything_that_a_reading_depends_on_reads_it_again_and_what_needs_its_value(
    counted, change, again
):
    counted.judged()
    _, problems = counted.judged(**change(counted))

    assert (problems, counted.read) == ([], again)


def test_the_environment_of_the_geographic_libraries_reads_again(counted, monkeypatch):
    counted.judged()
    monkeypatch.setenv("PROJ_NETWORK", "ON")
    counted.judged()

    assert counted.read == ["number", "double"]


def test_a_memory_that_recalls_nothing_reads_all(counted):
    counted.judged()
    counted.memory = Memory(counted.memory.known, recalls=False)
    counted.judged()

    assert counted.read == ["number", "double"]


def test_a_problem_is_reported_once_and_again_by_the_next_run(counted):
    counted.file.write_text("one", encoding="utf-8")

    for _ in range(2):
        readings, problems = counted.judged()
        assert [str(problem) for problem in problems] == ["no number"]
        with pytest.raises(NotRead, match="double"):
            readings.value("double")


def test_a_file_that_changes_between_judging_and_reading_is_refused(counted):
    counted.judged()
    readings, _ = counted.judged()
    counted.file.write_text("7", encoding="utf-8")

    with pytest.raises(InputError, match="an input changed while the run was going on"):
        readings.value("number")


def test_what_may_refer_to_other_files_is_read_by_every_run(tmp_path):
    for name in (
        "layers.gpkg",
        "layers.gpkg-wal",
        "table.vrt",
        "roads.shp",
        "roads.dbf",
        "dem.tif",
        "dem.tif.aux.xml",
    ):
        (tmp_path / name).touch()

    assert files_of_layer(tmp_path / "table.vrt") is None
    assert files_of_layer(tmp_path / "absent.gpkg") is None
    assert files_of_layer(tmp_path / "layers.gpkg") == (tmp_path / "layers.gpkg", tmp_path / "layers.gpkg-wal")
    assert files_of_layer(tmp_path / "roads.shp") == (tmp_path / "roads.shp", tmp_path / "roads.dbf")
    assert files_of_raster("dem.tif", tmp_path) == (tmp_path / "dem.tif", tmp_path / "dem.tif.aux.xml")
    assert files_of_raster("https://example.org/dem.tif", tmp_path) is None
    assert files_of_raster("/vsizip/dem.zip/dem.tif", tmp_path) is None


def judged(settings, memory):
    """Inputs of a settings file, judged with a memory."""
    with remembering(memory):
        return read_inputs(read_settings(settings), settings.parent)


def test_inputs_from_memory_are_those_that_were_read(write_valley, tmp_path):
    memory = Memory()
    first = judged(write_valley(tmp_path), memory)
    remembered = judged(tmp_path / "run.toml", Memory(json.loads(json.dumps(memory.known))))

    assert remembered._readings._values.keys() <= {"year_to_year_sd"}
    assert remembered.lineage == first.lineage
    pd.testing.assert_frame_equal(remembered.repairs, first.repairs)
    for part in (
        "dem",
        "layers.streams",
        "layers.lakes",
        "turbines",
        "costs",
        "gauges",
        "equations",
        "covariates",
    ):
        assert remembered.digest_of(part) == first.digest_of(part)
    pd.testing.assert_frame_equal(remembered.layers["streams"].frame, first.layers["streams"].frame)
    assert set(remembered._readings._values) <= {"layers.streams", "bounds", "year_to_year_sd"}


def test_every_part_of_the_inputs_has_a_digest_and_lineage_and_repairs_move_with_theirs(write_valley, tmp_path):
    settings = write_valley(tmp_path)
    inputs = judged(settings, None)
    others = [name for name in RunInputs._fields if name not in ("layers", "rules", "coverages")]

    assert all(inputs.digest_of(name) for name in others)
    assert inputs.digest_of("layers.tidal") == "none"

    text = settings.read_text(encoding="utf-8")
    settings.write_text(text.replace("[inputs.streams]", '[inputs.streams]\ndate = "1999"'), encoding="utf-8")
    other = judged(settings, None)
    assert other.digest_of("lineage") != inputs.digest_of("lineage")
    assert other.digest_of("repairs") == inputs.digest_of("repairs")
    assert other.digest_of("layers.streams") == inputs.digest_of("layers.streams")


def test_one_changed_layer_is_read_alone(write_valley, tmp_path):
    settings, memory = write_valley(tmp_path), Memory()
    frame = geopandas.GeoDataFrame({"id": ["N1"]}, geometry=[shapely.box(500_250, 4_999_900, 500_450, 5_000_000)])
    frame.set_crs("EPSG:32633").to_file(tmp_path / "new.gpkg", layer="new", driver="GPKG")
    rule = '\n[[rules]]\nname = "new"\npath = "new.gpkg"\nid_column = "id"\naction = "exclude"\n'
    judged(settings, memory)
    settings.write_text(settings.read_text(encoding="utf-8") + rule, encoding="utf-8")

    inputs = judged(settings, memory)

    assert set(inputs._readings._values) == {"rules.new", "rules.new.counted", "bounds"}


def test_problems_of_all_inputs_are_reported_at_once_though_some_are_remembered_as_sound(write_valley, tmp_path):
    settings, memory = write_valley(tmp_path), Memory()
    judged(settings, memory)
    (tmp_path / "dem.tif").write_bytes(b"no raster")
    costs = tmp_path / "costs.toml"
    costs.write_text(costs.read_text(encoding="utf-8") + "\nstrange = 1\n", encoding="utf-8")

    with pytest.raises(InputError) as refused:
        judged(settings, memory)

    assert "the dem raster cannot be read" in str(refused.value)
    assert "strange" in str(refused.value)


def test_a_run_that_finds_its_inputs_as_they_were_loads_none_of_the_large_libraries(write_valley, tmp_path):
    settings = write_valley(tmp_path)
    (tmp_path / "store").mkdir(mode=0o700)
    write_json(tmp_path / "store" / MARKER, {"kind": KIND, "version": VERSION})
    script = f"""
import json, sys
from pathlib import Path
from sitefinder.io.digests import remembering
from sitefinder.io.settings_files import read_settings
from sitefinder.pipeline.store import write_json
from sitefinder.steps.inputs import read_inputs, with_year_to_year
from sitefinder.planning import planned
from sitefinder.preparation import FILES, memory_of
from sitefinder.delivery.graph import STAGES

path, store = Path({str(settings)!r}), Path({str(tmp_path / "store")!r})
settings, memory = read_settings(path), memory_of(store)
with remembering(memory):
    inputs = read_inputs(settings, path.parent)
    planned(STAGES, with_year_to_year(settings, inputs), inputs, store)
write_json(store / FILES, memory.kept)
large = ("numpy", "pandas", "geopandas", "rasterio", "pyogrio", "numba", "scipy", "matplotlib", "bokeh")
print(*(name for name in large if name in sys.modules))
"""
    folder = Path(sys.modules["sitefinder"].__file__).parents[1]
    loaded = [
        subprocess.run(
            [sys.executable, "-c", script], cwd=folder, capture_output=True, text=True, check=True
        ).stdout.split()
        for _ in range(2)
    ]

    assert "geopandas" in loaded[0]
    assert loaded[1] == []
