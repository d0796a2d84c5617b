"""The documents against what they describe: commands and their output, settings, generated parts, files, links."""

import contextlib
import os
import re
import shutil
import subprocess
import sys
import tomllib
from typing import get_args

import pyogrio
import pytest
import rasterio
from rasterio.windows import Window
from refresh_documents import (
    PRINTED,
    RUN,
    document_paths,
    excerpt,
    generated,
    marked,
    with_marked,
)

import sitefinder
from sitefinder import cli
from sitefinder.catalogue.equations import check_equations
from sitefinder.io.settings_files import read_settings
from sitefinder.schema import CHANGES, LAYERS
from sitefinder.settings import Inputs, check_settings
from sitefinder.settings.flows import Kind
from sitefinder.steps import graph

OURS = ("README.md", "DEVELOPERS.md", "config/README.md", "sitefinder/README.md", "sample-region/README.md")
# The stages from inputs to the selected sites.
STEPS = getattr(graph, "STEPS", None) or graph.STAGES
# What a settings file needs at the minimum; an example of the guide is laid over it.
SMALLEST = """
[run]
name = "Example"
crs = "EPSG:32633"
output_folder = "out"
[inputs.dem]
path = "dem.tif"
vertical_unit = "metre"
vertical_datum = "EGM2008"
error_rmse_m = 0.15
[flows]
equations = ["equations.toml"]
[[flows.environmental]]
kind = "share_of_mean"
share = 0.1
[energy]
turbines = ["turbines/generic.toml"]
[costs]
file = "costs/generic.toml"
price_per_kwh = 0.30
"""


@pytest.fixture(scope="module")
def read_document(repository):
    """A function that gives the text of a document."""

    def read(name):
        return (repository / name).read_text(encoding="utf-8")

    return read


@pytest.fixture(scope="module")
def fresh():
    """The documents as their sources say."""
    return generated()


@pytest.fixture
def output_of(tmp_path, monkeypatch, capsys):
    """A function that gives what a command prints as a document writes it, run in a folder by this process."""

    def printed(command):
        name, *arguments = command.strip().split(" && ")[-1].split()
        assert name.rpartition("/")[-1] == "sitefinder"
        monkeypatch.chdir(tmp_path)
        monkeypatch.setattr("sys.argv", ["sitefinder", *arguments])
        capsys.readouterr()
        with contextlib.suppress(SystemExit):
            cli.main()
        out, err = capsys.readouterr()
        assert err == ""
        return out

    return printed


# Examples of settings in a document, without the indent that a list gives them.
def examples(text):
    found = re.findall(r"^( *)```toml\n(.*?)^\1```$", text, flags=re.M | re.S)
    return [re.sub(rf"^{indent}", "", example, flags=re.M) for indent, example in found]


# Settings laid over others: a way of the flows, or of the DEM's error, takes the place of the other one.
def laid_over(base, example):
    merged = {**base}
    for key, value in example.items():
        inside = isinstance(value, dict) and isinstance(base.get(key), dict)
        merged[key] = laid_over(base[key], value) if inside else value
    if "gauges" in example:
        merged.pop("equations", None)
    if any(key.startswith("error_") and key != "error_correlation_length_m" for key in example):
        for key in set(base) - set(example):
            if key.startswith("error_"):
                merged.pop(key)
    return merged


# Anchors of a document's headings, as a forge makes them.
def anchors(text):
    without_code = re.sub(r"^ *```.*?^ *```$", "", text, flags=re.M | re.S)
    return {
        re.sub(r"[^\w -]", "", heading).strip().lower().replace(" ", "-")
        for heading in re.findall(r"^#+ (.*)$", without_code, flags=re.M)
    }


def test_readme_is_short(read_document):
    assert len(read_document("README.md").splitlines()) <= 250


def test_the_first_command_installs_for_a_user_and_runs_the_sample(read_document, repository):
    command = marked(read_document("README.md"), "command", RUN)

    assert command == (
        "python3 -m venv .venv && .venv/bin/pip install --quiet . && .venv/bin/sitefinder run config/sample.toml\n"
    )
    assert (repository / "config" / "sample.toml").is_file()
    project = tomllib.loads(read_document("pyproject.toml"))["project"]
    assert project["scripts"]["sitefinder"] == "sitefinder.cli:main"


def test_the_second_command_installs_what_tests_need_and_runs_them(read_document):
    command = marked(read_document("README.md"), "command", "test")

    assert command == (
        ".venv/bin/pip install --quiet --editable '.[test]'"
        " && .venv/bin/python -m pytest -q -n 3 --dist worksteal\n"
    )
    extras = tomllib.loads(read_document("pyproject.toml"))["project"]["optional-dependencies"]
    assert any(name.startswith("pytest-xdist") for name in extras["test"])


def test_below_the_test_command_stands_how_the_tests_end(read_document):
    ended = marked(read_document("README.md"), "result", "test")

    # A closing line of pytest's: passed, nothing failed, nothing skipped.
    assert re.search(r"\d+ passed in \d", ended)
    assert not re.search("failed|error|skipped in", ended)


def test_readme_shows_a_part_of_what_the_run_prints(read_document):
    shown = marked(read_document("README.md"), "result", RUN)

    assert shown == excerpt(marked(read_document(PRINTED), "result", RUN))
    assert 8 <= len(shown.splitlines()) <= 24


def test_price_lcoe_and_payback_stand_in_the_first_ten_lines(read_document):
    first = " ".join(marked(read_document("README.md"), "result", RUN).splitlines()[:10])

    for words in ("Mean flow: regression on", "Price ", "LCOE ", "discounted payback"):
        assert words in first


def test_what_is_printed_of_the_fitted_flows_is_what_the_command_prints(
    read_document, repository, tmp_path, output_of
):
    for folder in ("config", "sample-region"):
        (tmp_path / folder).mkdir()
    for name in ("config/sample.toml", "sample-region/gauges.csv"):
        shutil.copy(repository / name, tmp_path / name)
    shown = read_document(PRINTED)

    printed = output_of(marked(shown, "command", "fit-flows"))

    assert printed == marked(shown, "result", "fit-flows")


def test_what_checks_every_change_takes_both_commands_from_readme(read_document, repository):
    script = repository / ".ci" / "run"
    text = script.read_text(encoding="utf-8")

    names = re.findall(r"^run_from_readme (\S+)$", text, flags=re.M)

    assert names == [RUN, "test"]
    assert os.access(script, os.X_OK)
    assert "set -euo pipefail" in text
    # The script's own way of reading README gives the commands, whole.
    reader = re.search(r"^readme_command\(\) \{\n.*?^\}$", text, flags=re.M | re.S)[0]
    for name in names:
        ended = subprocess.run(
            ["bash", "-euo", "pipefail", "-c", f"{reader}\nreadme_command {name}"],
            cwd=repository,
            capture_output=True,
            text=True,
            check=True,
        )
        assert ended.stdout == marked(read_document("README.md"), "command", name)


@pytest.mark.parametrize("name", document_paths())
def test_a_document_is_as_its_sources_say(read_document, fresh, name):
    assert read_document(name) == fresh[name], (
        f"{name} is stale; bring it up to date by: python tests/tools/refresh_documents.py"
    )


def test_documents_that_are_generated_whole_are_there(repository, fresh):
    assert sorted(name for name in fresh if not (repository / name).is_file()) == []
    assert {"config/SETTINGS.md", "sitefinder/schema/README.md"} <= set(fresh)


def test_a_stale_block_is_replaced_whole_and_nothing_else():
    text = "before\n<!-- result: run -->\n```\nold\n\nold\n```\n<!-- end -->\nafter\n<!-- end -->\n"

    made = with_marked(text, "result", "run", "new\n")

    assert made == "before\n<!-- result: run -->\n```\nnew\n```\n<!-- end -->\nafter\n<!-- end -->\n"
    assert marked(made, "result", "run") == "new\n"


def test_layers_that_readme_lists_are_delivered(read_document):
    section = read_document("README.md").split("\n## What you get\n")[1].split("\n## ")[0]

    named = re.findall(r"^\| `(\w+)` \|", section, flags=re.M)

    assert len(named) >= 8
    assert [name for name in named if name not in LAYERS] == []
    assert named == [name for name in LAYERS if name in named]


def test_every_change_of_a_comparison_is_explained(read_document):
    section = read_document("config/README.md").split("\n## What changed\n")[1]

    rows = re.findall(r"^\| (`.*?`) \|", section, flags=re.M)

    assert sorted(re.findall(r"`(.*?)`", " ".join(rows))) == sorted(CHANGES)


def test_every_kind_of_environmental_flow_is_explained(read_document):
    section = read_document("config/README.md").split("\n## Environmental flow\n")[1].split("\n## ")[0]

    assert re.findall(r"^\| `(\w+)` \|", section, flags=re.M) == list(get_args(Kind))


def test_every_layer_that_a_run_may_read_is_in_the_guide(read_document):
    text = read_document("config/README.md")

    missing = [name for name in Inputs.model_fields if f"inputs.{name}" not in text]
    assert missing == []


def test_every_stage_is_introduced_in_order(read_document):
    section = read_document("DEVELOPERS.md").split("\n## From inputs to delivery\n")[1].split("\n## ")[0]

    named = re.findall(r"^\| `(\w+)` \|", section, flags=re.M)

    assert named == [stage.name for stage in STEPS]


@pytest.mark.parametrize("name", OURS)
def test_every_example_of_settings_is_sound(read_document, repository, tmp_path, name):
    for example in examples(read_document(name)):
        mapping = tomllib.loads(example)
        if "extends" in mapping:
            shutil.copytree(repository / "config", tmp_path / "config", dirs_exist_ok=True)
            (tmp_path / "config" / "scenario.toml").write_text(example, encoding="utf-8")
            assert read_settings(tmp_path / "config" / "scenario.toml").rules
        elif "equations" in mapping:
            assert check_equations(mapping, name)
        elif not {"turbines", "rotors"} & set(mapping):
            check_settings(laid_over(tomllib.loads(SMALLEST), mapping), name)


def test_the_guide_has_examples_of_all_that_a_region_may_need(read_document):
    tables = {key for example in examples(read_document("config/README.md")) for key in tomllib.loads(example)}

    assert {
        "run",
        "inputs",
        "flows",
        "energy",
        "costs",
        "rules",
        "ranking",
        "fit",
        "delivery",
        "extends",
    } <= tables


@pytest.mark.slow
def test_the_smallest_settings_of_readme_run(read_document, repository, tmp_path, output_of):
    [smallest] = [example for example in examples(read_document("README.md")) if "[run]" in example]
    tables = tomllib.loads(smallest)
    for folder in ("turbines", "costs", "dem-errors"):
        shutil.copytree(repository / "config" / folder, tmp_path / folder)
    (tmp_path / "data").mkdir()
    dem, streams, gauges = (
        (repository / "sample-region" / table["path"].removeprefix("data/"), tmp_path / table["path"])
        for table in (tables["inputs"]["dem"], tables["inputs"]["streams"], tables["flows"]["gauges"])
    )
    shutil.copy(*gauges)
    # A quarter of the sample region is enough to run.
    with rasterio.open(dem[0]) as whole:
        west, south, east, north = whole.bounds
        size = {"width": whole.width // 2, "height": whole.height // 2}
        with rasterio.open(dem[1], "w", **(whole.profile | size)) as raster:
            raster.write(whole.read(window=Window(0, 0, size["width"], size["height"])))
    quarter = (west, (south + north) / 2, (west + east) / 2, north)
    pyogrio.write_dataframe(pyogrio.read_dataframe(streams[0]).clip(quarter), streams[1])
    (tmp_path / "settings.toml").write_text(smallest, encoding="utf-8")

    printed = output_of("sitefinder run settings.toml --quiet")

    assert re.match(r"Upper valley: \d+ reaches, ", printed)
    assert (tmp_path / "out" / "sites.gpkg").is_file()
    # Nothing can be left out of it.
    for table, key in (
        ("run", "crs"),
        ("energy", "turbines"),
        ("costs", "file"),
        ("flows", "environmental"),
    ):
        less = {name: dict(value) for name, value in tables.items()}
        del less[table][key]
        with pytest.raises(Exception, match=f"{table}.{key}"):
            check_settings(less, "README.md")


def test_what_readme_does_from_python_is_offered(read_document):
    [code] = re.findall(r"^```python\n(.*?)^```$", read_document("README.md"), flags=re.M | re.S)

    compile(code, "README.md", "exec")
    used = set(re.findall(r"\bsf\.(\w+)", code))
    assert {"read_settings", "check", "run", "compare"} <= used
    assert sorted(name for name in used if name not in dir(sitefinder)) == []


@pytest.mark.parametrize("name", document_paths())
def test_every_relative_link_leads_to_a_file_and_a_heading(read_document, repository, name):
    document = repository / name
    links = [link for link in re.findall(r"\]\(([^)\s]+)\)", read_document(name)) if "://" not in link]

    broken = []
    for link in links:
        path, _, anchor = link.partition("#")
        target = document.parent / path if path else document
        if not target.exists() or (anchor and anchor not in anchors(target.read_text(encoding="utf-8"))):
            broken.append(link)
    assert broken == []


@pytest.mark.parametrize("name", OURS)
def test_every_file_that_is_named_is_there(read_document, repository, name):
    text = read_document(name)

    named = set(re.findall(r"`((?:config|sample-region|sitefinder|tests)/[\w./-]+)`", text))
    named |= set(re.findall(r"\b(tests/[\w./-]+\.py)\b", text))

    made = {path for path in named if path.startswith("sample-region/out")}
    assert sorted(path for path in named - made if not (repository / path).exists()) == []


@pytest.mark.parametrize("name", OURS)
def test_commands_that_are_named_and_their_options_exist(read_document, name):
    ended = subprocess.run([sys.executable, "-c", COMMANDS], capture_output=True, text=True, check=True)
    options = {line.split()[0]: set(line.split()[1:]) for line in ended.stdout.splitlines()}

    text = read_document(name)
    blocks = re.findall(r"^ *```\n(.*?)^ *```$", text, flags=re.M | re.S)
    spans = re.findall(r"`([^`\n]+)`", re.sub(r"^ *```.*?^ *```$", "", text, flags=re.M | re.S))
    lines = [line for block in blocks for line in block.splitlines()] + spans
    commands = [re.match(r" *(?:\.venv/bin/)?sitefinder ([a-z].*)", line) for line in lines]
    for line in (found[1] for found in commands if found):
        command, *words = line.split()
        assert command in options, line
        given = {word.partition("=")[0] for word in words if word.startswith("--")}
        assert given <= options[command], line


@pytest.mark.parametrize("name", [*OURS, "sitefinder/CHANGELOG.md"])
def test_words_are_plain(read_document, name):
    text = re.sub(r"^<!-- result: .*?^<!-- end -->$", "", read_document(name), flags=re.M | re.S)
    text = re.sub(r"`[^`\n]+`", "", text)

    assert re.findall(r"\b(?:told|tells of|afresh|reckon\w*|lest|dearer?|hangs? on)\b", text) == []


COMMANDS = """
import typer
from sitefinder.cli import app
for name, command in typer.main.get_command(app).commands.items():
    print(name, *(option for parameter in command.params for option in parameter.opts))
"""


@pytest.mark.parametrize("name", OURS)
def test_settings_that_are_named_by_table_and_key_exist(read_document, name):
    text = re.sub(r"^ *```.*?^ *```$", "", read_document(name), flags=re.M | re.S)
    reference = read_document("config/SETTINGS.md")
    tables = {}
    for section in reference.split("\n## ")[1:]:
        keys = set(re.findall(r"^\| `(\w+)` \|", section, flags=re.M))
        for heading in re.findall(r"`\[+([\w.]+)\]+`", section.split("\n| ")[0]):
            tables[heading] = keys
    named = re.findall(r"`\[*([a-z_]+(?:\.[a-z_]+)+)(?: = [^`]*)?\]*`", text)

    def exists(path):
        parts = path.split(".")
        return path in tables or parts[-1] in tables.get(".".join(parts[:-1]), ())

    settings = [
        path for path in named if path.split(".")[0] in tables and not re.search(r"\.(py|toml|csv|html)$", path)
    ]
    assert sorted({path for path in settings if not exists(path)}) == []
