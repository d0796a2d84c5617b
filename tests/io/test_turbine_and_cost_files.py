"""Turbine and cost files: the shipped ones load, and bad ones say all that is wrong."""

import pytest

from sitefinder.errors import ConfigError
from sitefinder.io.catalogue_files import read_costs, read_turbine_files


@pytest.fixture
def turbine_file(repository):
    return repository / "config" / "turbines" / "generic.toml"


@pytest.fixture
def cost_file(repository):
    return repository / "config" / "costs" / "generic.toml"


# A copy of a file in which some lines read otherwise; each must be there once for certain.
def changed_copy(path, folder, changes, name="changed.toml"):
    text = path.read_text(encoding="utf-8")
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new, 1)
    copy = folder / name
    copy.write_text(text, encoding="utf-8")
    return copy


HEAD_CLASSES = [
    "Kaplan turbine",
    "semi-Kaplan turbine",
    "fixed propeller turbine",
    "crossflow turbine",
    "open-flume Francis turbine",
    "Archimedes screw",
    "overshot water wheel",
    "breast water wheel",
    "undershot water wheel",
    "gravitation water vortex",
    "bladeless rotor turbine",
]


def test_the_shipped_turbine_file_holds_the_twelve_classes(turbine_file):
    read = read_turbine_files([turbine_file])

    # Sizes that a class derives carry their diameter behind the name.
    assert [turbine.name for turbine in read.turbines if not turbine.name.endswith(" m")] == HEAD_CLASSES
    assert [rotor.name for rotor in read.rotors if not rotor.name.endswith(" m")] == ["hydrokinetic rotor"]
    assert len(HEAD_CLASSES) + 1 == 12


def test_sizes_that_a_class_states_are_read_as_classes_of_their_own(turbine_file):
    read = read_turbine_files([turbine_file])

    names = [each.name for each in (*read.turbines, *read.rotors) if each.name.endswith(" m")]
    assert names == ["bladeless rotor turbine, 0.4 m", "hydrokinetic rotor, 0.75 m"]


def test_a_file_of_rotors_alone_joins_one_of_turbines_and_is_refused_by_itself(turbine_file, tmp_path):
    head, rotors = turbine_file.read_text(encoding="utf-8").split("[[rotors]]")
    falls, streams = tmp_path / "falls.toml", tmp_path / "streams.toml"
    falls.write_text(head, encoding="utf-8")
    streams.write_text("[[rotors]]" + rotors, encoding="utf-8")

    assert read_turbine_files([falls, streams]) == read_turbine_files([turbine_file])
    with pytest.raises(ConfigError, match="no turbine class that uses a head"):
        read_turbine_files([streams])


def test_a_file_without_any_class_is_refused(tmp_path):
    empty = tmp_path / "empty.toml"
    empty.write_text("", encoding="utf-8")

    with pytest.raises(ConfigError, match=r"must hold at least one of \[\[turbines\]\] or \[\[rotors\]\]"):
        read_turbine_files([empty])


def test_a_size_that_does_not_hold_together_is_reported_with_its_class(turbine_file, tmp_path):
    # At so small a size the losses eat all that there is.
    copy = changed_copy(
        turbine_file,
        tmp_path,
        {"diameters_m = [0.8, 0.4]": "diameters_m = [0.8, 0.001]\nloss_exponent = 0.9"},
    )

    with pytest.raises(ConfigError, match=r"a size of 'bladeless rotor turbine' is inconsistent: .*above 0"):
        read_turbine_files([copy])


def test_the_shipped_files_are_in_the_same_money(turbine_file, cost_file):
    costs = read_costs(cost_file)

    assert {
        (turbine.cost.currency, turbine.cost.year) for turbine in read_turbine_files([turbine_file]).turbines
    } == {(costs.currency, costs.year)}


def test_every_problem_of_a_turbine_file_is_said_at_once(turbine_file, tmp_path):
    copy = changed_copy(
        turbine_file,
        tmp_path,
        {
            "units_max = 3": "units_mots = 3",
            "head_range_m = [2.0, 40.0]": "head_range_m = [-2.0, 40.0]",
            'form = "axial"': 'form = "surely"',
        },
    )

    with pytest.raises(ConfigError, match="changed") as caught:
        read_turbine_files([copy])

    assert str(caught.value).splitlines() == [
        "turbine files: 1 problem",
        f"  {copy}: 4 problems",
        "    turbines[1].head_range_m[1]: input should be greater than 0 (found -2.0)",
        "    turbines[1].strike.form: input should be 'axial' or 'radial' (found 'surely')",
        "    turbines[1].units_max: missing",
        "    turbines[1].units_mots: no such setting; did you mean units_max?",
        "    fix:  correct these keys in the file",
    ]


def test_a_figure_without_source_does_not_load(cost_file, tmp_path):
    text = cost_file.read_text(encoding="utf-8")
    copy = tmp_path / "costs.toml"
    copy.write_text(text.replace('source = "common practice, no source"\n', "", 1), encoding="utf-8")

    with pytest.raises(ConfigError, match=r"intake\.source: missing"):
        read_costs(copy)


def test_a_name_found_in_two_files_is_refused(turbine_file, tmp_path):
    copy = changed_copy(turbine_file, tmp_path, {'name = "Kaplan turbine"': 'name = "another turbine"'})

    with pytest.raises(ConfigError, match="turbine files: 13 problems") as caught:
        read_turbine_files([turbine_file, copy])

    assert f"{copy}: the turbine class 'Archimedes screw' is already in {turbine_file}" in str(caught.value)
    assert "Kaplan turbine" not in str(caught.value).replace("semi-Kaplan turbine", "")


def test_a_name_found_twice_in_one_file_is_refused(turbine_file, tmp_path):
    copy = changed_copy(turbine_file, tmp_path, {'name = "crossflow turbine"': 'name = "Kaplan turbine"'})

    with pytest.raises(
        ConfigError, match="the turbine class 'Kaplan turbine' is defined twice; give it another name"
    ):
        read_turbine_files([copy])


def test_all_files_are_read_before_anything_is_said(turbine_file, tmp_path):
    broken = tmp_path / "broken.toml"
    broken.write_text("turbines = [", encoding="utf-8")

    with pytest.raises(ConfigError, match="turbine files: 2 problems") as caught:
        read_turbine_files([tmp_path / "absent.toml", turbine_file, broken])

    assert "there is no such turbine file" in str(caught.value)
    assert "the turbine file is not TOML" in str(caught.value)


def test_files_of_several_paths_follow_each_other(turbine_file, tmp_path):
    text = turbine_file.read_text(encoding="utf-8")
    first = "[[turbines]]" + text.split("[[turbines]]")[1].replace("Kaplan turbine", "village turbine")
    extra = tmp_path / "extra.toml"
    extra.write_text(first, encoding="utf-8")

    turbines = read_turbine_files([extra, turbine_file]).turbines

    assert [turbine.name for turbine in turbines[:2]] == ["village turbine", "Kaplan turbine"]
    assert [turbine.name for turbine in turbines[1:]] == [
        turbine.name for turbine in read_turbine_files([turbine_file]).turbines
    ]
