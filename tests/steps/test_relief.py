"""The shading of the relief against closed forms of Lambert's law."""

import numpy as np
import pytest

from sitefinder.steps.terrain import _hillshade

WIDTH_M, HEIGHT_M = 10.0, 12.0
EAST_M, SOUTH_M = np.meshgrid(np.arange(20) * WIDTH_M, np.arange(20) * HEIGHT_M)


def test_level_ground_is_as_bright_as_the_sine_of_the_suns_altitude():
    light = _hillshade(np.zeros((4, 5)), WIDTH_M, HEIGHT_M, 1.0)

    assert light == pytest.approx(np.full((4, 5), np.sin(np.radians(45.0))))


def test_a_roof_is_brightest_toward_the_north_west_and_darkest_away_from_it():
    # A ridge from the south-west to the north-east through the middle; its north-western side faces the light, 45°
    # above the horizon, squarely.
    across_ridge = ((EAST_M - EAST_M.mean()) + (SOUTH_M - SOUTH_M.mean())) / np.sqrt(2.0)

    light = _hillshade(-np.abs(across_ridge), WIDTH_M, HEIGHT_M, 1.0)

    assert light[2, 2] == pytest.approx(1.0)
    assert light[-3, -3] == pytest.approx(0.0)


def test_stretched_heights_shade_as_higher_ground_does():
    dome = 40.0 - ((EAST_M - 90.0) ** 2 + (SOUTH_M - 110.0) ** 2) / 500.0

    assert _hillshade(dome, WIDTH_M, HEIGHT_M, 3.0) == pytest.approx(
        _hillshade(3.0 * dome, WIDTH_M, HEIGHT_M, 1.0)
    )
