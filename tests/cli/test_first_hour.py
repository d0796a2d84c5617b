"""The first hour of a user with a folder of dirty data, from inspection to a public edition, in one transcript.

The folder is made of public data of real places (tests/real/data) and of invented, spoilt layers; see
``tests/tools/first_hour.py``, which prints the transcript. Besides its text, what must hold of it is tested here.
"""

import struct
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from first_hour import SECRETS, first_hour
from pyproj import Transformer

pytestmark = pytest.mark.slow

KEPT = Path(__file__).parent / "first_hour.txt"
# No vertex of a public layer may lie so near the nest [m].
NEAR_M = 15.0


class Made(NamedTuple):
    """The folder of the hour and its transcript."""

    folder: Path
    transcript: str

    def table(self, run, layer):
        return pyogrio.read_dataframe(self.folder / "upper_valley" / run / "sites.gpkg", layer=layer)


@pytest.fixture(scope="module")
def hour(made_once):
    """The hour, done once for all tests."""
    return made_once("first-hour", lambda folder: Made(folder, first_hour(folder)))


def test_the_transcript_is_the_one_that_is_kept(hour):
    assert hour.transcript == KEPT.read_text(encoding="utf-8")


def test_the_wrong_alphabet_is_named_and_the_names_are_read_right(hour):
    assert "texts, such as Gie" in hour.transcript
    assert "look like UTF-8, read in another alphabet" in hour.transcript

    names = set(hour.table("out", "reaches")["stream"])

    assert {"Grünau", "Jökulsá", "Gießbach 161"} <= names
    assert not [name for name in names if "Ã" in name]


def test_of_two_editions_the_later_one_is_named_and_alone_is_used(hour):
    assert "this seems to be an older edition of files/protected_areas_2019.gpkg" in hour.transcript
    assert "ZION of ../files/protected_areas_2019.gpkg (edition 2019)" in hour.transcript

    provenance = hour.table("out", "provenance").astype(str).to_string()

    assert "protected_areas_2019" in provenance
    assert "protected_areas_2012" not in provenance


def test_a_line_without_length_is_listed_with_where_and_why(hour):
    repairs = hour.table("out", "repairs").set_index("feature")
    lines = pyogrio.read_dataframe(hour.folder / "upper_valley" / "data" / "hydrography" / "streams.shp")
    x, y = shapely.get_coordinates(lines.set_index("STREAM_ID").geometry[9001])[0]

    assert repairs.at["9001", "problem"] == "line without length"
    assert repairs.at["9001", "action"] == f"dropped; x {x:.0f}, y {y:.0f}"


def test_each_weir_of_two_inventories_is_there_once(hour):
    structures = hour.table("out", "structures").set_index("structure_id")

    listed = structures["sources"].str.split("; ").explode()

    # No stream is near the third as the other inventory has it: both are kept, and the doubt is listed.
    assert listed.is_unique
    assert listed.tolist().count("structures:W-03") == 1
    assert set(listed) == {f"structures:W-0{n}" for n in range(1, 6)} | {
        f"barriers_national:{n}" for n in range(11, 15)
    }
    together = {"W-01": 11, "W-02": 12, "W-04": 14}
    for weir, number in together.items():
        assert structures.at[weir, "sources"] == f"structures:{weir}; barriers_national:{number}"
    assert len(structures) == 9 - len(together)
    # A height of 0 is none: that of the other inventory counts.
    assert structures.at["W-02", "drop_m"] == 5.0
    assert "possible duplicate" in hour.table("out", "repairs").set_index("feature").at["W-03", "problem"]


def test_reaches_of_the_trial_are_those_of_the_whole(hour):
    trial = hour.table("out-trial", "reaches").set_index("reach_id")
    # The whole run was the one before the decision.
    whole = hour.table("out/previous", "reaches").set_index("reach_id")

    assert 0 < len(trial) < len(whole)
    pd.testing.assert_frame_equal(pd.DataFrame(trial), pd.DataFrame(whole.loc[trial.index]))


def test_the_decision_shows_in_the_rerun_and_in_what_changed(hour):
    before, after = (hour.table(run, "reaches").set_index("reach_id") for run in ("out/previous", "out"))
    weirs = hour.table("out", "structures").set_index("structure_id")

    decided = after.index[after["decision_id"] == "D-1"]

    assert decided.tolist() == [weirs.at["W-01", "reach_id"]]
    assert not before.get("decision_id", pd.Series(dtype=str)).fillna("").any()
    assert weirs.at["W-01", "rejection_reason"] == "excluded by a decision"
    assert "  decision D-1 (drop) is new\n" in hour.transcript
    assert "Decision D-1 (dropped) on 166@6, A. Miller, 2031-04-30: the owner refuses." in hour.transcript


# Files of a folder that hold a secret word, a coordinate of the nest, or a vertex near it.
def _betraying(folder, x, y):
    longitude, latitude = Transformer.from_crs("EPSG:26912", "EPSG:4326", always_xy=True).transform(x, y)
    words = [*SECRETS, f"{x:.0f}", f"{y:.0f}", f"{longitude:.4f}", f"{latitude:.4f}"]
    signs = [word.encode() for word in words]
    signs += [struct.pack(order, value) for order in ("<d", ">d") for value in (x, y)]
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        content = path.read_bytes()
        if any(sign in content for sign in signs) or _is_near(path, x, y):
            yield path.name


def _is_near(path, x, y):
    if path.suffix != ".gpkg":
        return False
    for layer, kind in pyogrio.list_layers(path):
        if kind is not None:
            frame = pyogrio.read_dataframe(path, layer=layer).to_crs("EPSG:26912")
            places = shapely.get_coordinates(frame.geometry.to_numpy())
            if (np.hypot(places[:, 0] - x, places[:, 1] - y) < NEAR_M).any():
                return True
    return False


def test_nothing_of_the_nest_is_in_any_file_of_the_public_edition(hour):
    files, edition = hour.folder / "files", hour.folder / "edition"
    nest = pyogrio.read_dataframe(files / "eagle_nests_confidential.gpkg").geometry[0]

    found = list(_betraying(edition, nest.x, nest.y))

    assert list(_betraying(files, nest.x, nest.y)) == ["eagle_nests_confidential.gpkg"]
    assert found == []
    assert {path.name for path in edition.rglob("*")} >= {"report.html", "reasons.csv", "sites.gpkg"}
    # The rule itself is there, by its public name.
    assert "eagle nests" in (edition / "reasons.csv").read_text(encoding="utf-8")
