"""What is not published: runs without results or credits, secrets without cells, folders of others."""

import re
import shutil

import pytest
import secret_valley

from sitefinder.errors import InputError
from sitefinder.io.settings_files import read_settings
from sitefinder.publication.public_form import problems_of_publication
from sitefinder.publication.publishing import publish

pytestmark = pytest.mark.slow


def refused(*given):
    with pytest.raises(InputError) as raised:
        publish(*given)
    text = str(raised.value)
    assert "fix:" in text
    return text


def test_a_run_that_does_not_exist_is_refused(tmp_path):
    assert "the settings of this run are not known" in refused(tmp_path, tmp_path / "edition")


def test_a_delivery_that_was_changed_has_no_settings(editions, tmp_path):
    package = shutil.copy(editions.settings[0].parent / "out" / "sites.gpkg", tmp_path / "sites.gpkg")

    assert "no record of the run that wrote it" in refused(package, tmp_path / "edition")


def test_a_run_whose_results_are_not_kept_is_refused_with_all_else_that_is_wrong(tmp_path):
    settings = secret_valley.write_secret_valley(tmp_path)
    text = settings.read_text(encoding="utf-8").replace('licence = "CC-BY-4.0"\n', "")
    settings.write_text(text, encoding="utf-8")

    said = refused(settings, tmp_path / "out" / "edition")

    assert said.startswith("the run cannot be published: 3 problems")
    assert "the public edition has no licence" in said
    assert "the folder of the public edition is in the run's output folder" in said
    assert "not all results of this run are kept, so that it cannot be published" in said
    assert not (tmp_path / "out").exists()


def test_every_input_without_licence_or_credit_is_listed_at_once(variant, tmp_path):
    credit = 'attribution = "none"\n'
    settings = variant(
        ('licence = "CC0-1.0"\n' + credit, ""),
        ('attribution = "Diver Quimby"\n', ""),
        ('date = "2031-05-31"\n', ""),
    )

    said = refused(settings, tmp_path / "edition")

    keys = ("dem", "streams", "structures", "lakes", "karst", "roads", "power_lines")
    for key in (*(f"inputs.{key}" for key in keys), "rules[1]"):
        assert f"{key}: licence and attribution not stated" in said
    assert "rules[3]: attribution not stated" in said
    assert "the public edition has no date" in said
    assert f": {len(keys) + 3} problems" in said
    assert not (tmp_path / "edition").exists()


def test_a_secret_without_cells_is_refused(variant, tmp_path):
    said = refused(variant(("cell_m = 200.0\n", "")), tmp_path / "edition")

    assert said.count("has no cell to generalise it to") == 2
    assert "set publication.cell_m, for example 5000, or publish_cell_m of the rule" in said


def test_a_public_layer_in_the_file_of_a_secret_one_is_refused(variant, tmp_path):
    roads = '[inputs.roads]\npath = "layers.gpkg"\n'
    settings = variant((roads, '[inputs.roads]\npath = "secret-place/../secret-place/eyries_2031.gpkg"\n'))

    said = refused(settings, tmp_path / "edition")

    assert "inputs.roads is in one file with a layer that must not be published" in said


def test_a_file_that_may_be_passed_on_for_one_layer_alone_is_refused(variant, tmp_path):
    roads = '[inputs.roads]\npath = "layers.gpkg"\nlicence = "CC0-1.0"\nattribution = "none"\n'

    said = refused(variant((f"{roads}redistribute = true\n", roads)), tmp_path / "edition")

    assert "inputs.streams and inputs.roads are in one file, of which only one may be passed on" in said


def test_inputs_that_a_run_needs_cannot_be_left_out(variant, tmp_path):
    settings = variant(("cell_m = 200.0\n", 'cell_m = 200.0\nleft_out = ["dem", "birds"]\n'))

    said = refused(settings, tmp_path / "edition")

    assert "there is no such input: dem" in said
    assert "there is no such input: birds" in said


def test_a_rule_on_which_fish_depend_cannot_be_left_out(variant, tmp_path):
    settings = variant(
        ("cell_m = 200.0\n", 'cell_m = 200.0\nhidden_rules = "left_out"\n'),
        ("[fish]\n", '[fish]\nspawning_rules = ["stone crayfish refuge"]\n'),
    )

    assert "rules[3] cannot be left out" in refused(settings, tmp_path / "edition")


@pytest.mark.parametrize(
    ("place", "words"),
    [
        ("out/public", "is in the run's output folder"),
        ("out/.sitefinder-store/public", "is in the run's output folder"),
        (".", "is around the run's output folder"),
        ("..", "is around the run's output folder"),
    ],
)
def test_a_folder_in_or_about_what_the_run_wrote_is_refused(editions, place, words):
    assert f"the folder of the public edition {words}" in refused(
        editions.settings[0], editions.settings[0].parent / place
    )


def test_a_folder_of_somebody_else_is_refused_and_left_as_it_is(editions, tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("mine", encoding="utf-8")

    said = refused(editions.settings[0], tmp_path / "mine")

    assert re.search(r"the folder is not empty, and holds no public edition\n.*letter.txt", said, re.DOTALL)
    assert secret_valley.files_in(tmp_path) == {"mine/letter.txt": b"mine"}


def test_an_edition_that_somebody_changed_is_not_replaced(editions, tmp_path):
    edition = shutil.copytree(editions.editions[0], tmp_path / "edition")
    (edition / "notes.txt").write_text("mine", encoding="utf-8")
    (edition / "README.md").write_text("mine too", encoding="utf-8")

    said = refused(editions.settings[0], edition)

    assert "added: notes.txt; changed: README.md" in said
    assert (edition / "README.md").read_text(encoding="utf-8") == "mine too"


def test_the_settings_of_the_sample_that_are_for_the_public_lack_nothing(repository):
    settings = read_settings(repository / "config" / "public.toml")

    assert problems_of_publication(settings) == []
    sources = [settings.inputs.dem, settings.inputs.streams, *settings.rules, settings.flows.gauges]
    assert all(source.redistribute for source in sources)
