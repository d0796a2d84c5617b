"""Deliveries read back: found in a folder or beside the newer one, and refused with what is missing."""

import shutil
from functools import cache

import geopandas
import pandas as pd
import pyogrio
import pytest
import shapely
from geopackages import write_geopackage

from sitefinder.errors import InputError
from sitefinder.io.deliveries import read_pair

NEEDED = {
    "sites": "site_id energy_mwh",
    "stretches": "site_id",
    "reaches": "reach_id length_m",
    "provenance": "kind name value",
}
CRS = "EPSG:32633"


def write(folder, crs, title):
    row = {"kind": "setting", "name": "run.name", "value": title}
    table = pd.DataFrame([row | dict.fromkeys(("digest", "source", "date", "licence", "note"), "")])
    return write_geopackage(folder / "sites.gpkg", {"provenance": table}, crs)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """A function that gives a folder with an inventory, written once: only to copy."""
    return cache(lambda crs, title: write(tmp_path_factory.mktemp("delivered"), crs, title).parent)


@pytest.fixture
def deliver(tmp_path, written):
    """A function that writes an inventory without reaches to a folder; its title alone is given."""

    def delivered(folder, crs=CRS, title="North"):
        if (tmp_path / folder).exists():
            return write(tmp_path / folder, crs, title)
        return shutil.copytree(written(crs, title), tmp_path / folder) / "sites.gpkg"

    return delivered


def refusal(old, new):
    with pytest.raises(InputError) as caught:
        read_pair(old, new, NEEDED)
    return str(caught.value)


def test_files_and_folders_do_alike(deliver, tmp_path):
    old, new = deliver("a"), deliver("b", title="South")

    from_files, from_folders = read_pair(old, new, NEEDED), read_pair(tmp_path / "a", tmp_path / "b", NEEDED)

    assert [delivery.path for delivery in from_files] == [delivery.path for delivery in from_folders] == [old, new]
    assert [delivery.title for delivery in from_files] == ["North", "South"]
    assert set(from_files[0].tables) == set(NEEDED)


def test_one_alone_is_held_against_the_one_that_it_replaced(deliver, tmp_path):
    deliver("a", title="Before")
    deliver("a", title="After")

    old, new = read_pair(None, tmp_path / "a", NEEDED)

    assert (old.title, new.title) == ("Before", "After")
    assert old.path == tmp_path / "a" / "previous" / "sites.gpkg"


def test_text_that_the_file_holds_as_null_reads_as_empty(deliver):
    old, _ = read_pair(deliver("a"), deliver("b"), NEEDED)

    assert old.tables["provenance"]["digest"].tolist() == [""]


def test_one_alone_that_replaced_nothing_is_refused(deliver):
    new = deliver("a")

    assert refusal(None, new) == (
        "there is no earlier delivery to compare with\n"
        f"  expected:  the previous delivery, {new.parent / 'previous' / 'sites.gpkg'}\n"
        "  found:     no such file\n"
        "  fix:       name two deliveries: sitefinder compare OLD NEW"
    )


def test_a_folder_without_a_delivery_is_refused(deliver, tmp_path):
    (tmp_path / "empty").mkdir()

    assert refusal(deliver("a"), tmp_path / "empty") == (
        "there is no delivery in this folder\n"
        f"  folder:    {tmp_path / 'empty'}\n"
        "  expected:  a file sites.gpkg, as a run leaves it in run.output_folder\n"
        "  found:     nothing\n"
        "  fix:       name the output folder of a run, or its GeoPackage"
    )


def test_both_problems_are_reported_at_once(tmp_path):
    text = tmp_path / "notes.txt"
    text.write_text("no layers here")

    notes = refusal(tmp_path / "a.gpkg", text)

    assert notes.startswith(
        "deliveries: 2 problems\n"
        "  the delivery cannot be read\n"
        f"    file:      {tmp_path / 'a.gpkg'}\n"
        "    expected:  a GeoPackage that sitefinder delivered\n"
        "    found:     no such file\n"
        "    fix:       check the path\n"
        "  the delivery cannot be read\n"
        f"    file:      {text}\n"
    )


def test_another_geopackage_is_no_delivery(deliver, tmp_path):
    other = tmp_path / "roads.gpkg"
    pyogrio.write_dataframe(
        geopandas.GeoDataFrame({"a": [1]}, geometry=[shapely.Point(0, 0)], crs=CRS), other, layer="roads"
    )

    assert refusal(deliver("a"), other) == (
        "this is not a delivery of sitefinder\n"
        f"  file:      {other}\n"
        "  expected:  the layers sites, stretches, reaches, provenance\n"
        "  found:     the layers roads\n"
        "  fix:       name the GeoPackage of a run"
    )


def test_a_delivery_that_lacks_a_layer_is_reported_from_another_file(deliver, tmp_path):
    whole = deliver("a")
    part = tmp_path / "part.gpkg"
    for number, name in enumerate(("sites", "reaches", "provenance")):
        pyogrio.write_dataframe(pyogrio.read_dataframe(whole, layer=name), part, layer=name, append=number > 0)

    notes = refusal(whole, part)

    assert notes.startswith("the delivery lacks layers\n")
    assert "  found:     the layers sites, reaches, provenance\n" in notes
    assert notes.endswith("  fix:       run it again with this version of sitefinder")


def test_a_delivery_of_an_older_kind_is_refused_by_its_columns(deliver, tmp_path):
    whole = deliver("a")
    older = tmp_path / "older.gpkg"
    for number, name in enumerate(NEEDED):
        table = pyogrio.read_dataframe(whole, layer=name)
        gone = {"sites": ["energy_mwh"], "provenance": ["value", "kind"]}.get(name, [])
        pyogrio.write_dataframe(table.drop(columns=gone), older, layer=name, append=number > 0)

    assert refusal(older, whole) == (
        f"{older}: 3 problems\n"
        "  layer sites lacks columns\n"
        "    expected:  site_id, energy_mwh\n"
        "    missing:   energy_mwh\n"
        "  layer provenance lacks columns\n"
        "    expected:  kind, name, value\n"
        "    missing:   kind, value\n"
        "  an older version of sitefinder wrote it\n"
        "    fix:  run it again with this version of sitefinder"
    )


def test_deliveries_in_different_systems_are_not_compared(deliver):
    old, new = deliver("a"), deliver("b", crs="EPSG:32632")

    assert refusal(old, new) == (
        "the two deliveries are in different coordinate systems\n"
        f"  expected:  EPSG:32633, as {old}\n"
        f"  found:     EPSG:32632, in {new}\n"
        "  fix:       run both with the same run.crs; lengths and places differ otherwise"
    )
