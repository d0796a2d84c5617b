"""Settings that the command line puts over a settings file: typed and judged as in the file."""

import pytest

from sitefinder.errors import ConfigError
from sitefinder.io.settings_files import read_settings


@pytest.fixture
def sample(repository):
    return repository / "config" / "sample.toml"


def test_a_value_is_toml_and_takes_the_place_of_the_files(sample):
    changes = ["costs.price_per_kwh=0.3", 'ranking.choose_by="energy"', "stretches.new_weir_heights_m = [1.5]"]

    settings = read_settings(sample, changes)

    assert settings.costs.price_per_kwh == 0.3
    assert settings.ranking.choose_by == "energy"
    assert settings.stretches.new_weir_heights_m == [1.5]
    # All else as in the file.
    assert settings.inputs == read_settings(sample).inputs
    assert settings.overrides == tuple(("--set", each) for each in changes)


def test_the_output_folder_of_the_file_stays_and_may_be_changed(sample):
    assert read_settings(sample, ["run.seed=3"]).run.output_folder == "../sample-region/out"
    assert read_settings(sample, ['run.output_folder="other"']).run.output_folder == "other"


def test_rules_are_changed_left_out_and_added_by_name_as_in_a_file_that_extends(sample):
    changes = ['rules_changed."spawning ground".buffer_m=5.0', 'rules_left_out=["gorge"]']

    rules = {rule.name: rule for rule in read_settings(sample, changes).rules}

    assert rules["spawning ground"].buffer_m == 5.0
    assert "gorge" not in rules
    assert read_settings(sample, ['left_out=["inputs.lakes"]']).inputs.lakes is None


def test_all_problems_are_listed_with_the_option_that_makes_them(sample):
    changes = ["costs.price_per_kwh=-1", "ranking.chose_by='energy'", 'run.seed="seven"']

    with pytest.raises(ConfigError) as caught:
        read_settings(sample, changes)

    text = str(caught.value)
    assert "costs.price_per_kwh (in --set costs.price_per_kwh=-1): " in text
    assert "(in --set ranking.chose_by='energy'): no such setting; did you mean choose_by?" in text
    assert "expected a number, without quotation marks (found 'seven')" in text


@pytest.mark.parametrize(
    ("changes", "found"),
    [
        (["ranking.choose_by=energy"], "--set ranking.choose_by=energy: not TOML"),
        (["costs.price_per_kwh"], "--set costs.price_per_kwh: not TOML"),
        (["run.seed=1\nrun.workers=2"], "one key and its value are expected"),
        (["[run]"], "--set [run]: one key and its value are expected"),
        (["run.seed=1", "run.seed=2"], "--set run.seed=2: run.seed is set already by --set run.seed=1"),
        (['extends="other.toml"'], "extends: only a settings file can extend another"),
        (
            ['left_out=["inputs.lake"]'],
            "no such key to leave out (found 'inputs.lake'); did you mean inputs.lakes?",
        ),
        (['rules_changed."wet".buffer_m=1'], "rules_changed.wet: no rule of this name to change"),
    ],
)
def test_what_is_no_setting_is_refused(sample, changes, found):
    with pytest.raises(ConfigError) as caught:
        read_settings(sample, changes)

    assert found in str(caught.value)


@pytest.mark.parametrize(
    ("within", "key", "value"),
    [
        ("1,2,3.5,4", "within_box_m", [1.0, 2.0, 3.5, 4.0]),
        ("-7,5e6", "within_upstream_of_m", [-7.0, 5e6]),
    ],
)
def test_numbers_are_a_box_or_a_place(sample, within, key, value):
    assert getattr(read_settings(sample, within=within).run, key) == value


def test_a_file_of_polygons_is_one_of_the_current_folder(sample, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    settings = read_settings(sample, within="mine.gpkg")

    assert (sample.parent / settings.inputs.within.path).resolve() == tmp_path.resolve() / "mine.gpkg"
    assert settings.is_trial


def test_the_option_replaces_a_part_that_the_file_states(sample):
    settings = read_settings(sample, ["run.within_box_m=[0, 0, 1, 1]"], within="5,5")

    assert settings.run.within_box_m is None
    assert settings.run.within_upstream_of_m == [5.0, 5.0]


@pytest.mark.parametrize(
    ("changes", "within", "found"),
    [
        ((), "1,2,3", "--within is neither a box nor a place"),
        ((), "4,2,3,5", "run.within_box_m (in --within 4,2,3,5): expected xmin, ymin, xmax, ymax"),
        (["run.within_upstream_of_m=[1,2]", "run.within_box_m=[1,2,3,4]"], None, "state one of inputs.within"),
    ],
)
def test_what_is_no_part_of_a_region_is_refused(sample, changes, within, found):
    with pytest.raises(ConfigError) as caught:
        read_settings(sample, changes, within)

    assert found in str(caught.value)
