"""The generic screen of 20 mm against field trials of racks with a bypass.

Read in the abstracts: Tomanova and others (2017), La Houille Blanche, hal-01591909 (Auterrive: 26°, 20 mm, 239
smolts of 0.185 m on average; 80.7 % by the bypass, 3.8 % by the fish pass, 75.5 to 91.9 % over five groups by
either); Knott and others (2023), Frontiers in Environmental Science 11:1168473 (four small plants, screens of 15
and 20 mm, 6646 fish of 42 species: 35 to 88 % still passed the turbines); Nyqvist and others (2018), Marine and
Freshwater Research 69:1894-1904 (15 mm, salmon smolts: 84 % passed the dam, more of the longer ones).
"""

import numpy as np
import pytest

from sitefinder.energy.fish_survival import screened_share
from sitefinder.io.catalogue_files import read_screen


@pytest.fixture(scope="module")
def rack(repository):
    return read_screen([repository / "config" / "screens" / "generic.toml"], "inclined rack, 20 mm")


def test_smolts_at_auterrive_come_down_by_safe_ways_as_often_as_they_did(rack):
    # Guidance x survival of the bypass is what lives if the turbine kills all: with the 3.8 % of the fish pass it
    # must lie in the interval of the five groups.
    safe = screened_share(rack, 0.185, 0.10, 0.0) + 0.038

    assert rack.bar_spacing_mm == 20.0
    assert 0.755 <= safe <= 0.919
    # And the turbine has the other fish: if none died there, all but those of the bypass would live.
    assert screened_share(rack, 0.185, 0.10, 1.0) == pytest.approx(1 - 0.807 * (1 - rack.bypass_survival))


def test_small_fish_pass_the_turbines_as_often_as_at_four_small_plants(rack):
    # Most of the 42 species were small; lengths are an assumption.
    through = [1 - rack.guided(length) for length in (0.04, 0.06, 0.08, 0.10, 0.12, 0.14)]

    assert all(0.35 <= share <= 0.88 for share in through)


def test_longer_smolts_are_guided_more_and_none_better_than_at_a_narrower_rack(rack):
    guided = [rack.guided(length) for length in np.linspace(0.12, 0.20, 9)]

    assert np.all(np.diff(guided) > 0)
    assert max(guided) < 0.84
