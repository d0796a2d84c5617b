"""A public edition shows of a secret place no more than its cell, and can be made again from its bundle."""

import csv
import json
import math
import re
import shutil
import sqlite3
import struct
import zlib
from contextlib import closing

import pyogrio
import pyproj
import pytest
import secret_valley
from pdf_text import texts_in

from sitefinder.io.digests import content_digest
from sitefinder.running import run_and_deliver

pytestmark = pytest.mark.slow

# What only the secret layers hold, or the settings say of them.
SECRET_WORDS = (
    *("RING-88417", "RING-90233", "TAG-5521", "Quimby", "crayfish", "Austropotamobius", "eyries", "astacus"),
    *("survey_extent", "500401.3", "499991.7"),
    *("secret-place", "pairs > 0", "sitefinder-", "/home-"),
)


def delivered(folder):
    """Files of a run's output folder, without its store."""
    return {name: data for name, data in secret_valley.files_in(folder).items() if not name.startswith(".")}


def test_moving_secret_features_in_their_cells_changes_no_byte_of_the_edition(editions):
    first, *moved = [secret_valley.files_in(folder) for folder in editions.editions]

    assert len(moved) == 2
    for other in moved:
        assert other.keys() == first.keys()
        assert [name for name in first if other[name] != first[name]] == []


def test_the_same_move_changes_what_the_run_itself_delivers(editions):
    first, *moved = [delivered(settings.parent / "out") for settings in editions.settings]

    for other in moved:
        differing = {name for name in first if other[name] != first[name]}
        assert {"sites.gpkg", "report.html", "reaches.csv", "district-map.pdf"} <= differing


def test_a_move_into_another_cell_is_a_new_edition(editions, tmp_path):
    """The test of the test: what stays the same would stay the same whatever one does, if this did too."""
    from sitefinder.publication.publishing import publish  # noqa: PLC0415

    nest, refuge = secret_valley.FIRST
    home = shutil.copytree(editions.settings[0].parent, tmp_path / "home")
    secret_valley.write_secrets(home, ((nest[0] + 200.0, nest[1]), refuge))
    run_and_deliver(home / "run.toml")
    publish(home / "run.toml", tmp_path / "edition")

    first, other = (secret_valley.files_in(folder) for folder in (editions.editions[0], tmp_path / "edition"))

    assert {name for name in first if other[name] != first[name]} >= {
        "bundle/inputs/rules/2/cells.gpkg",
        "delivery/sites.gpkg",
        "delivery/report.html",
        "reasons.csv",
    }


def test_the_bundle_replayed_in_another_folder_gives_the_delivery_to_the_byte(editions, tmp_path):
    bundle = shutil.copytree(editions.editions[0] / "bundle", tmp_path / "far" / "away")

    replayed = run_and_deliver(bundle / "settings.toml", keep=False)

    published = secret_valley.files_in(editions.editions[0] / "delivery")
    assert len(published) == 10
    assert delivered(bundle / "replay") == published
    assert "sensitive area, cells of 200 m" in " ".join(replayed.summary.split())


# All that a file can be read as: its bytes, and what is printed and compressed in a PDF.
def readings(name, data):
    yield data
    if name.endswith(".pdf"):
        yield printed(data).encode()
        for stream in re.findall(rb"stream\r?\n(.*?)endstream", data, re.DOTALL):
            try:
                yield zlib.decompress(stream)
            except zlib.error:
                continue


# How a coordinate may stand in a text or a database.
def written(value, decimals):
    yield f"{value:.{decimals}f}".encode()
    yield f"{math.floor(value * 10**decimals) / 10**decimals:.{decimals}f}".encode()
    for order in "<>":
        yield struct.pack(f"{order}d", value)


def test_nothing_in_the_edition_holds_a_place_id_name_or_path_of_a_secret_layer(editions):
    degrees = pyproj.Transformer.from_crs(secret_valley.CRS, "EPSG:4326", always_xy=True)
    secret = [word.encode() for word in SECRET_WORDS]
    for settings, places in zip(editions.settings, [secret_valley.FIRST, *secret_valley.MOVED], strict=True):
        nest, refuge = places
        for x, y in (nest, (nest[0] - 5.0, nest[1] + 2.0), refuge):
            longitude, latitude = degrees.transform(x, y)
            secret += [*written(x, 1), *written(y, 1), *written(longitude, 5), *written(latitude, 5)]
        for path in (settings.parent / "secret-place").iterdir():
            secret.append(content_digest(path).encode())
    editions_files = [secret_valley.files_in(folder) for folder in editions.editions]
    assert min(map(len, editions_files)) > 20
    # Most files are the same in all three, and looked through once.
    distinct = {file for files in editions_files for file in files.items()}
    found = {
        (name, word) for name, data in distinct for text in readings(name, data) for word in secret if word in text
    }
    assert found == set()


def test_the_same_search_finds_the_secrets_in_what_the_run_delivers(editions):
    """Names of hidden rules and ids of secret features are in no delivery; the nest's layer is named in it."""
    files = delivered(editions.settings[0].parent / "out")

    found = {
        word.decode()
        for name, data in files.items()
        for text in readings(name, data)
        for word in (b"eyries", b"secret-place", b"pairs > 0")
        if word in text
    }

    assert found == {"eyries", "secret-place", "pairs > 0"}


def test_no_reach_is_open_that_the_run_excludes_or_limits_more(editions):
    """The direction that the edition states of itself."""
    order = ["open", "restricted", "conditional", "unknown", "excluded"]
    for settings, edition in zip(editions.settings, editions.editions, strict=True):
        own, public = (
            pyogrio.read_dataframe(path, layer="reaches").set_index("reach_id")["verdict"]
            for path in (settings.parent / "out" / "sites.gpkg", edition / "delivery" / "sites.gpkg")
        )
        assert own.index.equals(public.index)
        assert all(order.index(public[reach]) >= order.index(own[reach]) for reach in own.index)
        assert (own != public).any()


def test_maps_show_cells_and_hits_name_them(editions):
    path = editions.editions[0] / "delivery" / "sites.gpkg"

    areas = pyogrio.read_dataframe(path, layer="rule_areas").set_index("rule").geometry
    hits = pyogrio.read_dataframe(path, layer="rule_hits")

    # The cell is 200 m wide, with the rule's own buffer; that of the hidden rule (7 m) is rounded up to a tenth.
    assert areas["osprey nests"].bounds == (499_975, 4_999_775, 500_225, 5_000_025)
    assert areas["osprey nests"].area == pytest.approx(200**2 + 4 * 200 * 25 + math.pi * 25**2, rel=1e-3)
    assert areas["sensitive area"].bounds == (500_180, 4_999_780, 500_420, 5_000_020)
    nests = hits[hits["rule"] == "osprey nests"]
    assert set(nests.loc[nests["doubt"] == "", "feature_id"]) == {"cell 2500 24999"}
    # What the survey covers in whole cells ends at 400 m.
    assert nests.loc[nests["doubt"] == "not covered", "from_m"].min() == pytest.approx(397.0, abs=1.0)
    assert set(hits.loc[hits["rule"] == "sensitive area", "feature_id"]) == {"cell 2501 24999"}


def test_every_product_says_what_was_generalised_and_which_way_figures_differ(editions):
    edition = editions.editions[0]
    page = (edition / "delivery" / "report.html").read_text(encoding="utf-8")
    readme = (edition / "README.md").read_text(encoding="utf-8")
    with closing(sqlite3.connect(edition / "delivery" / "sites.gpkg")) as database:
        ((metadata,),) = database.execute("SELECT metadata FROM gpkg_metadata")

    for text in (page, readme, metadata):
        assert "osprey nests, cells of 200 m; sensitive area, cells of 200 m" in text
        assert "usually with fewer sites and less energy" in text
    assert "By hand (public edition)" in (edition / "delivery" / "sites.gpx").read_text(encoding="utf-8")
    for name in ("field-sheets.pdf", "district-map.pdf"):
        assert "sensitive area, cells of 200 m" in printed((edition / "delivery" / name).read_bytes())


def printed(data):
    return " ".join(" ".join(texts_in(data)).split())


def test_credits_of_every_input_are_listed_and_none_of_a_hidden_one(editions):
    readme = (editions.editions[0] / "README.md").read_text(encoding="utf-8")

    rows = [line.split(" | ") for line in readme.splitlines() if line.startswith("| ") and line.count(" | ") == 4]
    by_name = {row[0].removeprefix("| "): row[1:] for row in rows}
    assert by_name["rule osprey nests"][:3] == ["Bird trust", "by agreement", "Bird trust, 2031"]
    assert by_name["rule sensitive area"][:3] == ["not published"] * 3
    assert by_name["dem"][1:3] == ["CC0-1.0", "none"]
    assert "`bundle/inputs/dem/dem.tif`" in by_name["dem"][3]


def test_reasons_are_in_plain_words_for_every_reach(editions):
    edition = editions.editions[0]
    with (edition / "reasons.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))

    reaches = pyogrio.read_dataframe(edition / "delivery" / "sites.gpkg", layer="reaches")
    assert [row["reach_id"] for row in rows] == reaches["reach_id"].tolist()
    words = [row["in_words"] for row in rows]
    assert words[0] == (
        "A rule excludes every site here. Rules that apply: migration, osprey nests. It has no site: No scheme "
        "type reaches the minimum head of the settings."
    )
    assert any(row["in_words"].endswith("A site uses it.") for row in rows)


def test_only_the_publisher_sees_the_figures_of_both(editions):
    summary = editions.summaries[0]

    assert "For you alone, in no file of the edition:" in summary
    assert re.search(r"excluded, km +0\.[12]00 +0\.\d00", summary)
    assert "at least 2 reaches" in summary or "at least 3 reaches" in summary


def test_a_file_that_several_settings_name_is_passed_on_once(editions):
    files = secret_valley.files_in(editions.editions[0])

    assert [name for name in files if name.endswith("layers.gpkg")] == ["bundle/inputs/streams/layers.gpkg"]


def test_the_marker_lists_every_file_with_its_digest(editions):
    edition = editions.editions[0]

    listed = json.loads((edition / "edition.json").read_text(encoding="utf-8"))["files"]

    assert {*listed, "edition.json"} == set(secret_valley.files_in(edition))
