"""The tests' own memory of layers gives what would be read, and never passes over what a test replaces."""

import geopandas
import pytest
import shapely
from known_layers import KnownLayers

from sitefinder.io import vector
from sitefinder.settings import LayerSource

CRS = "EPSG:32633"


class Reads(KnownLayers):
    """The memory, with the number of layers that were read in truth."""

    def __init__(self):
        super().__init__()
        self.count, inner = 0, self.read_layer

        def counted(*arguments, **options):
            self.count += 1
            return inner(*arguments, **options)

        self.read_layer = counted


def write(folder, *ids):
    """Points in a file of their own."""
    points = [shapely.Point(number, 0.0) for number in range(len(ids))]
    frame = geopandas.GeoDataFrame({"id": list(ids)}, geometry=points, crs=CRS)
    frame.to_file(folder / "layers.gpkg", layer="places", driver="GPKG")


@pytest.fixture
def read(tmp_path):
    """A function that reads the layer of a folder, or of the test's, by one memory."""
    memory = Reads()

    def of(folder=tmp_path, geometry="point", path="layers.gpkg", **settings):
        source = LayerSource(path=path, layer="places", id_column="id", **settings)
        return memory(source, folder, CRS, what="places", geometry=geometry, allow_empty=False)

    of.memory = memory
    write(tmp_path, "A", "B")
    return of


def test_the_same_bytes_in_another_folder_are_read_once(read, tmp_path):
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "layers.gpkg").write_bytes((tmp_path / "layers.gpkg").read_bytes())

    first, second = read(), read(tmp_path / "other")

    assert read.memory.count == 1
    assert first.frame.equals(second.frame)
    assert first.lineage == second.lineage
    assert first.repairs.equals(second.repairs)


def test_other_bytes_settings_or_questions_are_read(read, tmp_path):
    read()
    read(geometry="any")
    read(licence="CC0-1.0")
    write(tmp_path, "A", "C")

    assert list(read().frame["feature_id"]) == ["A", "C"]
    assert read.memory.count == 4


def test_what_a_run_does_to_a_layer_stays_its_own(read):
    first = read()
    first.frame["feature_id"] = "changed"
    first.lineage["path"] = "changed"

    second = read()

    assert list(second.frame["feature_id"]) == ["A", "B"]
    assert second.lineage["path"] == "layers.gpkg"


def test_a_layer_is_read_where_a_test_replaces_part_of_the_reading(read, monkeypatch):
    read()
    monkeypatch.setattr(vector, "MISREAD", "A")
    read()

    assert read.memory.count == 2


def test_a_layer_of_several_files_is_read_each_time(read, tmp_path):
    geopandas.read_file(tmp_path / "layers.gpkg").to_file(tmp_path / "places.shp")
    for _ in range(2):
        assert list(read(path="places.shp").frame["feature_id"]) == ["A", "B"]

    assert read.memory.count == 2
