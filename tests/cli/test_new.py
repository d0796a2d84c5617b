"""A new folder, filled in by replacing what it says is missing, and run."""

import re
import shutil
import tomllib

import pytest

TODO = re.compile(r'(?<== )"(TODO:[^"]*)"')


def test_a_new_folder_says_all_that_is_to_be_filled_in_at_once(region, command):
    made = command("new", "upper valley")
    text = (region.folder / "upper valley" / "settings.toml").read_text(encoding="utf-8")
    before = region.contents()

    checked = command("check", "upper valley/settings.toml")
    ran = command("run", "--quiet", "upper valley/settings.toml")

    assert (made.status, made.err) == (0, "")
    assert made.out.endswith("  then:  sitefinder check upper valley/settings.toml\n")
    assert (checked.status, checked.out) == (2, "")
    assert checked.err.startswith("upper valley/settings.toml, to be filled in: 11 problems\n")
    assert "\n  inputs.dem.path: path of the DEM, such as data/dem.tif\n" in checked.err
    assert "\n  flows.environmental[1].share: share of the mean flow" in checked.err
    wanted = [line.removeprefix("TODO: ") for line in TODO.findall(text)]
    assert len(wanted) == 11
    assert [each for each in wanted if f": {each}\n" not in checked.err] == []
    assert ran == checked
    assert region.contents() == before


@pytest.mark.slow
def test_a_new_folder_runs_once_it_is_filled_in(region, command, repository):
    command("new", "mine")
    for name in ("dem.tif", "streams.gpkg"):
        shutil.copy(name, f"mine/data/{name}")
    shutil.copy(repository / "sample-region" / "gauges.csv", "mine/data/gauges.csv")
    settings = region.folder / "mine" / "settings.toml"
    answers = {
        "projected": '"EPSG:32633"', "path of the DEM": '"data/dem.tif"', "metre,": '"metre"',
        "name of the vertical": '"invented"', "one of dem-errors": '"dem-errors/lidar.toml"',
        "path of the stream": '"data/streams.gpkg"', "column of the stream": '"stream_id"',
        "path of the gauge table": '"data/gauges.csv"', "source of the gauges": '"invented"',
        "share of": "0.1", "price of": "0.3",
    }  # fmt: skip

    def answered(found):
        (answer,) = [answer for start, answer in answers.items() if found[1].startswith(f"TODO: {start}")]
        return answer

    filled = TODO.sub(answered, settings.read_text(encoding="utf-8"))
    settings.write_text(filled.replace("# [terrain]\n# edge", "[terrain]\nedge"), encoding="utf-8")

    checked = command("check", "mine/settings.toml")
    ran = command("run", "--quiet", "mine/settings.toml")

    assert (checked.status, checked.err) == (0, "")
    assert (ran.status, ran.err) == (0, "")
    assert ran.out.startswith("mine: 2 reaches, 1.10 km of stream\n")
    assert (region.folder / "mine" / "out" / "sites.gpkg").is_file()


def test_what_is_commented_out_is_sound_too_once_it_is_taken_in(region, command):
    command("new", "mine")
    text = (region.folder / "mine" / "settings.toml").read_text(encoding="utf-8")

    # Every line that is a setting behind a sign; [flows] with equations is the other way to flows.
    taken_in = re.sub(r"^# (?=\[|\w+ = )", "", text.split("# From here on")[1], flags=re.M)

    tables = tomllib.loads(taken_in.split("\n", 1)[1])
    assert set(tables) == {"terrain", "inputs", "fish", "rules"}
    assert len(tables["inputs"]) == 7


def test_a_folder_with_something_in_it_is_refused(region, command):
    before = region.contents()

    outcome = command("new", ".")

    assert (outcome.status, outcome.out) == (2, "")
    assert outcome.err.startswith("the folder is not empty\n")
    assert region.contents() == before


def test_a_value_that_a_base_file_leaves_open_is_reported_with_its_file(region, command):
    region.write_settings(("price_per_kwh = 0.3", 'price_per_kwh = "TODO"'))
    (region.folder / "other.toml").write_text(
        'extends = "settings.toml"\n[run]\nname = "other"\n', encoding="utf-8"
    )

    outcome = command("check", "other.toml")

    assert outcome.status == 2
    assert "costs.price_per_kwh: a value (in settings.toml)" in outcome.err
