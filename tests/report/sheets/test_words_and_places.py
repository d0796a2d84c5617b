"""Flags in words, and coordinates and money as they are written by hand."""

import pytest

from sitefinder.report.sheets.amounts import degrees_minutes_seconds, grid_places, grid_text, money


@pytest.mark.parametrize(
    ("degrees", "axis", "text"),
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
def test_seconds_are_rounded_before_they_are_split(degrees, axis, text):
    assert degrees_minutes_seconds(degrees, axis) == text


def test_places_in_the_grid_are_those_of_the_projection():
    # On the central meridian of a zone and the equator easting and northing are 500 000 m and 0 m by definition
    # (Snyder, "Map projections: a working manual", 1987, p. 57).
    [place] = grid_places("EPSG:32633", [15.0], [0.0])

    assert place == pytest.approx([500_000.0, 0.0], abs=1e-6)
    assert grid_text(place) == "E 500 000, N 0"


@pytest.mark.parametrize(
    ("amount", "written"),
    [
        (951_768.3, "952,000 EUR"),
        (999_600.0, "1,000,000 EUR"),
        (1_234_567.0, "1,230,000 EUR"),
        (87.654, "87.7 EUR"),
        (0.0, "0 EUR"),
        (-4_321.0, "-4,320 EUR"),
        (float("nan"), "not known"),
    ],
)
def test_money_is_written_to_three_digits(amount, written):
    assert money(amount, "EUR") == written
