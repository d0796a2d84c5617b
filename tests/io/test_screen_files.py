"""Screen files: which screen a run gets, and what is said of wrong ones."""

import pytest

from sitefinder.errors import ConfigError
from sitefinder.io.catalogue_files import read_costs, read_screen


@pytest.fixture(scope="module")
def generic(repository):
    return repository / "config" / "screens" / "generic.toml"


def test_the_first_screen_is_taken_unless_one_is_named(generic):
    assert read_screen([generic]).name == "inclined rack, 20 mm"
    assert read_screen([generic], "fine screen, 10 mm").bar_spacing_mm == 10.0
    assert read_screen([]) is None


def test_a_name_that_is_not_there_is_told_the_nearest(generic):
    with pytest.raises(ConfigError, match=r"did you mean fine screen, 10 mm\?"):
        read_screen([generic], "fine screen, 12 mm")


def test_the_same_screen_twice_is_refused(generic, tmp_path):
    copy = tmp_path / "own.toml"
    copy.write_text(generic.read_text(encoding="utf-8"), encoding="utf-8")

    with pytest.raises(ConfigError, match="defined twice") as caught:
        read_screen([generic, copy])
    assert str(caught.value).count("defined twice") == 2


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("guidance = [[0.10, 0.40], ", "guidance = [[0.20, 0.40], ", "must be above 0 and rise"),
        ("guidance_spread = [[0.10, 0.44], ", "guidance_spread = [[0.20, 0.44], ", "must be above 0 and rise"),
        ("bypass_survival = 0.98", "bypass_survival = 0.90", "must lie in bypass_survival_range"),
        ("fish = 239", "fish = 0", "greater than or equal to 1"),
        ('species = "Atlantic salmon, hatchery smolts"\n', "", r"species: missing"),
        ("head_loss_m = 0.05", "head_los_m = 0.05", "did you mean head_loss_m"),
    ],
)
def test_a_screen_that_does_not_hold_together_is_refused(generic, tmp_path, old, new, message):
    text = generic.read_text(encoding="utf-8")
    assert old in text
    copy = tmp_path / "own.toml"
    copy.write_text(text.replace(old, new), encoding="utf-8")

    with pytest.raises(ConfigError, match=message):
        read_screen([copy])


@pytest.mark.parametrize(
    ("line", "message"),
    [("approach_velocity_m_s = 0.5", "that of the screen"), ('design = "fine"', "not part of a cost file")],
)
def test_a_cost_file_that_describes_the_screen_is_told_where_that_is(repository, tmp_path, line, message):
    text = (repository / "config" / "costs" / "generic.toml").read_text(encoding="utf-8")
    copy = tmp_path / "costs.toml"
    copy.write_text(text.replace("[screen]\n", f"[screen]\n{line}\n"), encoding="utf-8")

    with pytest.raises(ConfigError, match=message):
        read_costs(copy)
