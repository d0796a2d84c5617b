"""Flags in words, coordinates as people write them, and the user's fonts."""

import pytest
from matplotlib import get_data_path

from sitefinder.errors import InputError
from sitefinder.io.fonts import checked_fonts
from sitefinder.report.sheets.amounts import degrees_minutes_seconds, grid_places, grid_text
from sitefinder.report.sheets.letters import Letters


@pytest.mark.parametrize(
    ("degrees", "axis", "told"),
    [
        (10 + 59 / 60 + 59.9999 / 3600, "lat", "11° 00′ 00.0″ N"),
        (10 + 30 / 60 + 59.96 / 3600, "lon", "10° 31′ 00.0″ E"),
        (10 + 30 / 60 + 59.94 / 3600, "lon", "10° 30′ 59.9″ E"),
        (-0.5, "lat", "0° 30′ 00.0″ S"),
        (-1e-9, "lon", "0° 00′ 00.0″ E"),
        (179.99999999, "lon", "180° 00′ 00.0″ E"),
        (float("nan"), "lon", "not known"),
    ],
)
def test_seconds_are_rounded_before_they_are_split(degrees, axis, told):
    assert degrees_minutes_seconds(degrees, axis) == told


def test_places_in_the_grid_are_those_of_the_projection():
    # On the central meridian of a zone and the equator easting and northing are 500 000 m and 0 m by definition
    # (Snyder, "Map projections: a working manual", 1987, p. 57).
    [place] = grid_places("EPSG:32633", [15.0], [0.0])

    assert place == pytest.approx([500_000.0, 0.0], abs=1e-6)
    assert grid_text(place) == "E 500 000, N 0"


def test_lines_fit_their_width_and_lose_nothing():
    letters, text = Letters(), "The mill at the ford " * 20 + "W" * 300

    lines = letters.lines(text, 50.0, 8.0)

    assert all(letters.width_mm(line, 8.0) <= 50.0 for line in lines)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")


def test_a_font_of_the_users_serves_where_the_shipped_ones_lack_a_letter():
    # STIX is shipped with matplotlib beside DejaVu and has a phonetic letter that DejaVu lacks.
    stix = f"{get_data_path()}/fonts/ttf/STIXGeneral.ttf"

    runs, lacks = Letters([stix]).runs("Bach ᶁ ᶊ oben 水")

    assert [part for _, part in runs] == ["Bach ", "ᶁ ᶊ ", "oben □"]
    assert runs[1][0] == stix
    assert lacks
    assert Letters().runs("ᶁ") == ([(runs[0][0], "□")], True)
    assert not Letters([stix]).runs("ᶁ", bold=True)[1]


def test_font_files_that_cannot_be_used_are_all_told_at_once(tmp_path):
    (tmp_path / "none.ttf").write_text("no font", encoding="utf-8")
    (tmp_path / "torn.ttf").write_bytes(b"\x00\x01\x00\x00 and no more")

    with pytest.raises(InputError, match=r"delivery\.font_files: 3 problems") as caught:
        checked_fonts(["absent.ttf", "none.ttf", "torn.ttf"], tmp_path)

    told = str(caught.value)
    assert "there is no such font file" in told
    assert "this is no font" in told
    assert "the font is damaged" in told


def test_font_files_are_found_from_the_folder_of_the_settings(tmp_path):
    shipped = f"{get_data_path()}/fonts/ttf/DejaVuSans.ttf"
    (tmp_path / "mine.ttf").symlink_to(shipped)

    assert checked_fonts(["mine.ttf"], tmp_path) == (tmp_path / "mine.ttf",)
