"""Settings files that extend one another: what is merged, where paths start, and what is refused with its file."""

import pytest

from sitefinder.delivery.fitted_equations import fit_and_deliver
from sitefinder.errors import ConfigError
from sitefinder.io.settings_files import PATH_KEYS, read_joined, read_settings
from sitefinder.settings import Settings, join

BASE = """\
[run]
name = "North"
crs = "EPSG:32633"
output_folder = "out"

[inputs.dem]
path = "rasters/dem.tif"
vertical_unit = "metre"
vertical_datum = "invented"
error_rmse_m = 0.5

[inputs.covariates.rain_mm]
path = "/vsizip/rain.zip/rain.tif"

[network]
snap_m = 3.0
reach_length_m = 400.0

[flows]
equations = ["mean.toml", "low.toml"]

[[flows.environmental]]
kind = "share_of_mean"
share = 0.1

[energy]
turbines = ["turbines.toml"]

[costs]
file = "costs.toml"
price_per_kwh = 0.2

[[rules]]
name = "park"
path = "park.gpkg"
action = "exclude"

[[rules]]
name = "spawning"
path = "fish.gpkg"
action = "exclude"
buffer_m = 20.0
"""
# Bases lie beside the folders of files that extend them.
ALLOWED = '\n[inputs]\nallow_outside = [".."]\n'
OWN = '[run]\noutput_folder = "strict-out"\n'


@pytest.fixture
def write(tmp_path):
    """A function that writes a settings file, and a base in a folder of its own."""
    (tmp_path / "region").mkdir()
    (tmp_path / "region" / "base.toml").write_text(BASE, encoding="utf-8")

    def written(text, name="scenarios/strict.toml"):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(text + ALLOWED, encoding="utf-8")
        return path

    return written


def refusal(path):
    with pytest.raises(ConfigError) as caught:
        read_settings(path)
    # What lists several problems says last how to mend them.
    return str(caught.value).removesuffix("\n  fix:  correct these keys in the file")


def test_tables_are_merged_key_by_key_and_the_rest_is_replaced(write):
    path = write(
        'extends = "../region/base.toml"\n'
        + OWN
        + '[network]\nsnap_m = 4.0\n[[flows.environmental]]\nkind = "exceedance_flow"\nexceedance_percent = 95\n'
    )

    settings = read_settings(path)

    assert (settings.network.snap_m, settings.network.reach_length_m) == (4.0, 400.0)
    assert (settings.run.name, settings.run.output_folder) == ("North", "strict-out")
    assert [rule.kind for rule in settings.flows.environmental] == ["exceedance_flow"]
    assert [rule.name for rule in settings.rules] == ["park", "spawning"]


def test_paths_stay_relative_to_the_file_that_names_them(write):
    path = write(
        'extends = "../region/base.toml"\n'
        + OWN
        + '[[rules_added]]\nname = "nests"\npath = "nests.gpkg"\naction = "exclude"\n'
    )

    settings = read_settings(path)

    assert settings.inputs.dem.path == "../region/rasters/dem.tif"
    assert settings.flows.equations == ["../region/mean.toml", "../region/low.toml"]
    assert settings.energy.turbines == ["../region/turbines.toml"]
    assert settings.costs.file == "../region/costs.toml"
    assert [rule.path for rule in settings.rules] == ["../region/park.gpkg", "../region/fish.gpkg", "nests.gpkg"]
    # What GDAL reads from within an archive is no file beside the settings.
    assert settings.inputs.covariates["rain_mm"].path == "/vsizip/rain.zip/rain.tif"


def test_a_file_may_extend_one_that_extends_another(write):
    write('extends = "../region/base.toml"\n' + OWN + "[network]\nsnap_m = 4.0\n", "middle/strict.toml")
    path = write(
        'extends = "../middle/strict.toml"\n[run]\noutput_folder = "last"\n[network]\nreach_length_m = 200\n'
    )

    settings = read_settings(path)

    assert (settings.network.snap_m, settings.network.reach_length_m) == (4.0, 200.0)
    assert settings.inputs.dem.path == "../region/rasters/dem.tif"


def test_rules_are_left_out_changed_and_added_by_name(write):
    path = write(
        'extends = "../region/base.toml"\nrules_left_out = ["park"]\n'
        + OWN
        + "[rules_changed.spawning]\nbuffer_m = 50.0\n"
        + '[[rules_added]]\nname = "nests"\npath = "nests.gpkg"\naction = "conditional"\n'
    )

    rules = read_settings(path).rules

    assert [(rule.name, rule.action, rule.buffer_m) for rule in rules] == [
        ("spawning", "exclude", 50.0),
        ("nests", "conditional", 0.0),
    ]


def test_rules_of_an_extending_file_replace_all(write):
    path = write(
        'extends = "../region/base.toml"\n'
        + OWN
        + '[[rules]]\nname = "nests"\npath = "nests.gpkg"\naction = "note"\n'
    )

    assert [rule.name for rule in read_settings(path).rules] == ["nests"]


def test_a_key_is_left_out_so_that_another_takes_its_place(write):
    path = write(
        'extends = "../region/base.toml"\nleft_out = ["inputs.dem.error_rmse_m", "inputs.covariates"]\n'
        + OWN
        + "[inputs.dem]\nerror_le90_m = 1.0\n"
    )

    settings = read_settings(path)

    assert (settings.inputs.dem.error_rmse_m, settings.inputs.dem.error_le90_m) == (None, 1.0)
    assert settings.inputs.covariates == {}


def test_an_extending_file_names_its_own_output_folder(write):
    path = write('extends = "../region/base.toml"\n')

    assert refusal(path) == (
        f"{path}: 1 problem\n  run.output_folder: missing; a file that extends another needs its own"
    )


def test_problems_name_the_file_that_states_them_and_the_key_as_written_there(write, tmp_path):
    base = tmp_path / "region" / "base.toml"
    base.write_text(BASE.replace("snap_m = 3.0", "snap_mm = 3.0\nreach_lenght_m = 3"), encoding="utf-8")
    path = write(
        'extends = "../region/base.toml"\n'
        + OWN
        + "[heads]\nquantil = 0.4\n[rules_changed.park]\nbufer_m = 5\n[network]\nstation_spacing_m = 0\n"
        + '[[rules_added]]\nname = "nests"\npath = "nests.gpkg"\nacton = "exclude"\n'
    )

    base_reported = path.parent / ".." / "region" / "base.toml"
    text = refusal(path).replace(str(base), "BASE").replace(str(base_reported), "BASE")

    assert text == (
        f"{path}: 7 problems\n"
        "  heads.quantil: no such setting; did you mean quantile?\n"
        "  network.reach_lenght_m (in BASE): no such setting; did you mean reach_length_m?\n"
        "  network.snap_mm (in BASE): no such setting; did you mean snap_m?\n"
        "  network.station_spacing_m: input should be greater than 0 (found 0)\n"
        "  rules_added[1].action: missing\n"
        "  rules_added[1].acton: no such setting; did you mean action?\n"
        "  rules_changed.park.bufer_m: no such setting; did you mean buffer_m?"
    )


def test_misspelt_words_of_extending_are_reported_with_the_nearest(write):
    path = write('extends = "../region/base.toml"\nrules_leftout = ["park"]\n' + OWN)

    assert refusal(path).endswith("rules_leftout: no such setting; did you mean rules_left_out?")


def test_names_that_the_base_does_not_have_are_reported_with_the_nearest(write):
    path = write(
        'extends = "../region/base.toml"\nrules_left_out = ["parc"]\nleft_out = ["network.snap"]\n'
        + OWN
        + "[rules_changed.spawnin]\nbuffer_m = 1.0\n"
    )

    assert refusal(path) == (
        f"{path}: 3 problems\n"
        "  left_out[1]: no such key to leave out (found 'network.snap'); did you mean network.snap_m?\n"
        "  rules_left_out[1]: no rule of this name to leave out (found 'parc'); did you mean park?\n"
        "  rules_changed.spawnin: no rule of this name to change (found 'spawnin'); did you mean spawning?"
    )


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ('rules_left_out = "park"', "rules_left_out: must be a list of texts (found 'park')"),
        ("left_out = [1]", "left_out: must be a list of texts (found [1])"),
        ("rules_added = 3", "rules_added: must be tables, each with the heading [[rules_added]]"),
        ("rules_changed = [1]", "rules_changed: must hold a table for each rule, as [rules_changed.NAME]"),
        (
            'rules = []\nrules_left_out = ["park"]',
            "rules: replaces all rules, so rules_left_out would have no effect; keep one or the other",
        ),
    ],
)
def test_words_of_the_wrong_kind_are_refused(write, line, message):
    path = write(f'extends = "../region/base.toml"\n{line}\n' + OWN)

    assert refusal(path) == f"{path}: 1 problem\n  {message}"


def test_only_a_file_that_extends_another_may_edit_its_rules(tmp_path):
    path = tmp_path / "base.toml"
    path.write_text('rules_left_out = ["park"]\n' + BASE, encoding="utf-8")

    assert refusal(path) == f"{path}: 1 problem\n  rules_left_out: only allowed in a file that extends another"


def test_files_that_extend_each_other_in_a_circle_are_refused(write, tmp_path):
    first = write('extends = "second.toml"\n' + OWN, "first.toml")
    write('extends = "first.toml"\n' + OWN, "second.toml")

    assert refusal(first) == (
        "settings files extend each other in a circle\n"
        f"  file:   {first}\n"
        f"  found:  {first} extends {tmp_path / 'second.toml'} extends {first}\n"
        "  fix:    take extends out of one of them"
    )


def test_a_base_that_is_not_there_is_reported_with_the_file_that_names_it(write, tmp_path):
    path = write('extends = "bases.toml"\n' + OWN, "strict.toml")

    assert refusal(path) == (
        "there is no such settings file to extend\n"
        f"  file:      {path}\n"
        "  expected:  extends: a settings file, relative to this one\n"
        f"  found:     {tmp_path / 'bases.toml'}\n"
        "  fix:       check the path"
    )


def test_extends_names_one_file(write):
    path = write('extends = ["a.toml", "b.toml"]\n' + OWN, "strict.toml")

    assert refusal(path).startswith(f"extends names no file\n  file:      {path}\n")


def test_joining_alters_none_of_the_tables_given():
    files = [
        ("base", {"run": {"name": "A", "output_folder": "x"}, "rules": [{"name": "park", "buffer_m": 1.0}]}),
        ("own", {"extends": "base", "left_out": ["run.name"], "rules_changed": {"park": {"buffer_m": 2.0}}}),
    ]

    joined = join(files)

    assert joined.mapping == {"run": {}, "rules": [{"name": "park", "buffer_m": 2.0}]}
    assert files[0][1] == {
        "run": {"name": "A", "output_folder": "x"},
        "rules": [{"name": "park", "buffer_m": 1.0}],
    }


def test_every_setting_that_is_a_file_or_folder_is_led_to_its_place():
    named = set()

    def look(model):
        for key, field in model.model_fields.items():
            if any(word in (field.description or "") for word in ("relative to the settings", "relative to this")):
                named.add(key)
            for inner in models_in(field.annotation):
                look(inner)

    def models_in(annotation):
        if hasattr(annotation, "model_fields"):
            return [annotation]
        return [model for part in getattr(annotation, "__args__", ()) for model in models_in(part)]

    look(Settings)

    assert {"path", "file", "turbines", "equations", "preset", "output_folder"} <= named
    assert named <= set(PATH_KEYS)


def test_fitting_takes_the_gauges_of_the_file_that_is_extended(repository, tmp_path):
    path = tmp_path / "fit.toml"
    base = (repository / "config" / "sample.toml").as_posix()
    path.write_text(
        f'extends = "{base}"\n[fit]\noutput_folder = "fitted"\nstatistics = ["flow_mean_m3s"]\n'
        f'[inputs]\nallow_outside = ["{repository.as_posix()}"]\n'
    )

    delivered = fit_and_deliver(path)

    assert delivered.files[0] == tmp_path / "fitted" / "equations.toml"
    assert (tmp_path / "fitted" / "equations.toml").is_file()
    assert read_joined(path).mapping["flows"]["gauges"]["path"].endswith("sample-region/gauges.csv")


def test_a_file_outside_the_folder_is_extended_only_where_the_settings_allow_it(write):
    path = write('extends = "../region/base.toml"\n' + OWN)
    path.write_text(path.read_text(encoding="utf-8").replace('[".."]', '["../elsewhere"]'), encoding="utf-8")

    assert refusal(path) == (
        "settings extend a file outside their folder\n"
        f"  file:      {path}\n"
        f"  expected:  extends: a settings file in or below {path.parent}, {path.parent / '..' / 'elsewhere'}\n"
        f"  found:     {path.parents[1] / 'region' / 'base.toml'}\n"
        '  fix:       move it there, or name its folder: allow_outside = ["../region"] in [inputs] of this file'
    )

    path.write_text(path.read_text(encoding="utf-8").replace("../elsewhere", "../region"), encoding="utf-8")
    assert read_settings(path).inputs.allow_outside == ["../region"]
