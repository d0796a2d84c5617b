"""Scale of projected systems, against closed forms and the map projection handbook."""

import math

import pytest

from sitefinder.errors import ConfigError
from sitefinder.io.crs import map_scale, scale_note


def test_on_its_central_meridian_utm_has_the_scale_that_defines_it():
    # J. P. Snyder, "Map projections: a working manual," U.S. Geol. Surv. Prof. Paper 1395, 1987, p. 57 (page
    # from memory): the central meridian is reduced to 0.9996 of true scale.
    lengths, areas = map_scale("EPSG:32633", (500_000.0, 5_000_000.0, 500_000.0, 5_200_000.0))

    assert lengths == pytest.approx((0.9996, 0.9996), abs=1e-6)
    assert areas == pytest.approx((0.9996**2,) * 2, abs=2e-6)


def test_web_maps_swell_with_the_secant_of_latitude():
    # Mercator's scale on the sphere is the secant of the latitude (Snyder 1987, eq. 7-3, from memory).
    north_m = 6_378_137.0 * math.asinh(math.tan(math.radians(47.0)))

    lengths, areas = map_scale("EPSG:3857", (1.6e6, north_m, 1.7e6, north_m))

    # On the ellipsoid the two directions differ from the sphere's by its flattening, 1 in 298.
    assert lengths == pytest.approx((1 / math.cos(math.radians(47.0)),) * 2, rel=1 / 298)
    assert areas[0] == pytest.approx(1 / math.cos(math.radians(47.0)) ** 2, rel=2 / 298)


def test_an_equal_area_system_is_true_to_area_and_is_admitted():
    _, areas = map_scale("EPSG:3035", (4.3e6, 2.6e6, 4.5e6, 2.8e6))

    assert areas == pytest.approx((1.0, 1.0), abs=1e-8)
    notes = scale_note("EPSG:3035", (4.3e6, 2.6e6, 4.5e6, 2.8e6))
    assert notes == "areas on the map are 100.00 % of the ground's, lengths 99.89 to 100.11 %"


def test_utm_in_its_zone_is_admitted_and_reported():
    notes = scale_note("EPSG:32633", (300_000.0, 5_000_000.0, 700_000.0, 5_200_000.0))

    assert notes == "areas on the map are 99.92 to 100.02 % of the ground's, lengths 99.96 to 100.01 %"


def test_a_system_that_is_far_from_true_is_refused_with_its_departure():
    with pytest.raises(ConfigError, match="distorts lengths or areas too much") as caught:
        scale_note("EPSG:3857", (1.6e6, 5.9e6, 1.7e6, 6.0e6))

    assert str(caught.value) == (
        "run.crs distorts lengths or areas too much where the DEM is\n"
        "  expected:  lengths within 4% and areas within 2% of the ground's\n"
        "  found:     EPSG:3857: areas on the map are 212.94 to 217.88 % of the ground's, "
        "lengths 145.92 to 147.61 %\n"
        "  fix:       choose the UTM zone, or another system, of your region"
    )
