"""Machine and cost files: the shipped ones load, and bad ones say all that is wrong."""

import pytest

from sitefinder.errors import ConfigError
from sitefinder.io.power_files import read_costs, read_machine_files, read_machines


@pytest.fixture
def machine_file(repository):
    return repository / "config" / "machines" / "generic.toml"


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


def test_the_shipped_machine_file_holds_the_twelve_classes(machine_file):
    read = read_machine_files([machine_file])

    # Sizes that a class derives carry their diameter behind the name.
    assert [machine.name for machine in read.machines if not machine.name.endswith(" m")] == HEAD_CLASSES
    assert [rotor.name for rotor in read.rotors if not rotor.name.endswith(" m")] == ["free-stream rotor"]
    assert len(HEAD_CLASSES) + 1 == 12


def test_sizes_that_a_class_states_are_read_as_classes_of_their_own(machine_file):
    read = read_machine_files([machine_file])

    names = [each.name for each in (*read.machines, *read.rotors) if each.name.endswith(" m")]
    assert names == ["bladeless rotor turbine, 0.4 m", "free-stream rotor, 0.75 m"]


def test_a_file_of_rotors_alone_joins_one_of_machines_and_is_refused_by_itself(machine_file, tmp_path):
    head, rotors = machine_file.read_text(encoding="utf-8").split("[[rotors]]")
    falls, streams = tmp_path / "falls.toml", tmp_path / "streams.toml"
    falls.write_text(head, encoding="utf-8")
    streams.write_text("[[rotors]]" + rotors, encoding="utf-8")

    assert read_machine_files([falls, streams]) == read_machine_files([machine_file])
    with pytest.raises(ConfigError, match="no machine class that uses a head"):
        read_machine_files([streams])


def test_a_file_without_any_class_is_refused(tmp_path):
    empty = tmp_path / "empty.toml"
    empty.write_text("", encoding="utf-8")

    with pytest.raises(ConfigError, match=r"at least one of \[\[machines\]\] or \[\[rotors\]\]"):
        read_machine_files([empty])


def test_a_size_that_does_not_hold_together_is_told_with_its_class(machine_file, tmp_path):
    # At so small a size the losses eat all that there is.
    copy = changed_copy(
        machine_file,
        tmp_path,
        {"diameters_m = [0.8, 0.4]": "diameters_m = [0.8, 0.001]\nloss_exponent = 0.9"},
    )

    with pytest.raises(
        ConfigError, match=r"a size of 'bladeless rotor turbine' does not hold together: .*above 0"
    ):
        read_machines([copy])


def test_the_shipped_files_are_in_the_same_money(machine_file, cost_file):
    costs = read_costs(cost_file)

    assert {(machine.cost.currency, machine.cost.year) for machine in read_machines([machine_file])} == {
        (costs.currency, costs.year)
    }


def test_every_problem_of_a_machine_file_is_said_at_once(machine_file, tmp_path):
    copy = changed_copy(
        machine_file,
        tmp_path,
        {
            "units_most = 3": "units_mots = 3",
            "head_range_m = [2.0, 40.0]": "head_range_m = [-2.0, 40.0]",
            'evidence = "tested"': 'evidence = "surely"',
        },
    )

    with pytest.raises(ConfigError, match="changed") as caught:
        read_machines([copy])

    assert str(caught.value).splitlines() == [
        "machine files: 1 problem",
        f"  {copy}: 4 problems",
        "    machines[1].head_range_m[1]: input should be greater than 0 (found -2.0)",
        "    machines[1].survival.evidence: input should be 'tested', 'claimed' or 'none' (found 'surely')",
        "    machines[1].units_most: missing",
        "    machines[1].units_mots: no such setting; did you mean units_most?",
    ]


def test_a_figure_without_source_does_not_load(cost_file, tmp_path):
    text = cost_file.read_text(encoding="utf-8")
    copy = tmp_path / "costs.toml"
    copy.write_text(text.replace('source = "common practice, no source"\n', "", 1), encoding="utf-8")

    with pytest.raises(ConfigError, match=r"civil\.source: missing"):
        read_costs(copy)


def test_a_name_that_stands_in_two_files_is_refused(machine_file, tmp_path):
    copy = changed_copy(machine_file, tmp_path, {'name = "Kaplan turbine"': 'name = "another turbine"'})

    with pytest.raises(ConfigError, match="machine files: 13 problems") as caught:
        read_machines([machine_file, copy])

    assert f"{copy}: the machine class 'Archimedes screw' stands already in {machine_file}" in str(caught.value)
    assert "Kaplan turbine" not in str(caught.value).replace("semi-Kaplan turbine", "")


def test_a_name_that_stands_twice_in_one_file_is_refused(machine_file, tmp_path):
    copy = changed_copy(machine_file, tmp_path, {'name = "crossflow turbine"': 'name = "Kaplan turbine"'})

    with pytest.raises(ConfigError, match="the machine class 'Kaplan turbine' stands twice; give it another name"):
        read_machines([copy])


def test_all_files_are_read_before_anything_is_said(machine_file, tmp_path):
    broken = tmp_path / "broken.toml"
    broken.write_text("machines = [", encoding="utf-8")

    with pytest.raises(ConfigError, match="machine files: 2 problems") as caught:
        read_machines([tmp_path / "absent.toml", machine_file, broken])

    assert "there is no such machine file" in str(caught.value)
    assert "the machine file is not TOML" in str(caught.value)


def test_files_of_several_paths_follow_each_other(machine_file, tmp_path):
    text = machine_file.read_text(encoding="utf-8")
    first = "[[machines]]" + text.split("[[machines]]")[1].replace("Kaplan turbine", "village turbine")
    extra = tmp_path / "extra.toml"
    extra.write_text(first, encoding="utf-8")

    machines = read_machines([extra, machine_file])

    assert [machine.name for machine in machines[:2]] == ["village turbine", "Kaplan turbine"]
    assert [machine.name for machine in machines[1:]] == [
        machine.name for machine in read_machines([machine_file])
    ]
