"""Where a compass points: the magnetic model against its published test values, and the grid by hand."""

import math

import pytest

from sitefinder.report.sheets.compass import compass_at, compass_text

# NOAA, "WMM2025 Test Values" (from memory; at height 0, on 2025-01-01 and in the middle of 2027): latitude,
# longitude [°], and declination [°].
PUBLISHED = [(80.0, 0.0, "2025-01-01", 1.28), (0.0, 120.0, "2025-01-01", -0.16), (0.0, 120.0, "2027-07-02", -0.24)]


@pytest.mark.parametrize(("lat", "lon", "day", "declination_deg"), PUBLISHED)
def test_declination_is_that_of_the_published_test_values(lat, lon, day, declination_deg):
    # On the central meridian of a projection true north is grid north.
    found = compass_at(f"+proj=tmerc +lon_0={lon} +ellps=WGS84", lon, lat, day)

    assert found.declination_deg == pytest.approx(declination_deg, abs=0.006)
    assert found.convergence_deg == pytest.approx(0.0, abs=1e-9)
    assert found.from_grid_deg == found.declination_deg


@pytest.mark.parametrize(("lon", "lat"), [(13.9, 39.8), (16.4, 61.2), (15.5, -33.0)])
def test_grid_north_is_off_true_north_by_the_convergence_of_the_meridians(lon, lat):
    found = compass_at("EPSG:32633", lon, lat)

    # tan γ = tan(λ - λ0) sin φ on a sphere (J. P. Snyder, "Map Projections: a Working Manual", 1987, from memory).
    by_hand = math.degrees(math.atan(math.tan(math.radians(lon - 15.0)) * math.sin(math.radians(lat))))
    assert found.convergence_deg == pytest.approx(by_hand, abs=0.001)
    assert found.from_grid_deg == pytest.approx(found.declination_deg - by_hand, abs=0.001)


def test_the_change_of_a_year_is_that_between_two_days_a_year_apart():
    first, second = (compass_at("EPSG:32633", 13.9, 39.8, f"{year}-03-01") for year in (2026, 2027))

    assert second.declination_deg - first.declination_deg == pytest.approx(first.change_deg, abs=0.002)
    assert abs(first.change_deg) > 0.05
    assert f"on 2026-03-01, {abs(first.change_deg):.1f}° east a year" in compass_text(first)


@pytest.mark.parametrize("day", ["2024-12-31", "2030-01-01"])
def test_days_that_the_model_is_not_made_for_have_no_figure(day):
    assert compass_at("EPSG:32633", 13.9, 39.8, day) is None
    assert compass_at("EPSG:32633", 13.9, 39.8, "2029-12-30") is not None


def test_near_a_magnetic_pole_there_is_no_figure():
    # The northern one was at 86° N, 139° E in 2025 (the model's report, from memory).
    assert compass_at("EPSG:3413", 139.0, 85.8, "2025-06-01") is None
