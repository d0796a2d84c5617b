"""README and DEVELOPERS against what they describe: commands, reference parts, links, layers."""

import os
import re
import shutil
import subprocess
import sys
import tomllib

import pytest

from sitefinder.delivery.graph import STAGES
from sitefinder.schema import LAYERS
from sitefinder.schema.documentation import filled
from sitefinder.settings import check_settings

DOCUMENTS = ("README.md", "DEVELOPERS.md", "sample-region/README.md")


@pytest.fixture(scope="module")
def readme(repository):
    """README's text."""
    return (repository / "README.md").read_text(encoding="utf-8")


# What stands between two markers, without the fence.
def marked(text, kind, name):
    found = re.findall(rf"^<!-- {kind}: {name} -->\n```\n(.*?)\n```\n<!-- end -->$", text, flags=re.M | re.S)
    assert len(found) == 1, f"README must hold {kind} {name} once, in a fenced block between its markers"
    return found[0]


def test_the_first_command_installs_for_a_user_and_runs_the_sample(readme, repository):
    command = marked(readme, "command", "install-and-run")

    assert command == (
        "python3 -m venv .venv && .venv/bin/pip install --quiet . && .venv/bin/sitefinder run config/sample.toml"
    )
    assert (repository / "config" / "sample.toml").is_file()
    project = tomllib.loads((repository / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["scripts"]["sitefinder"] == "sitefinder.cli:main"


def test_the_second_command_installs_what_tests_need_and_runs_them(readme, repository):
    assert marked(readme, "command", "test") == (
        ".venv/bin/pip install --quiet -e '.[test]' && .venv/bin/python -m pytest -q -n 2 --dist worksteal"
    )
    project = tomllib.loads((repository / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert any(name.startswith("pytest-xdist") for name in project["optional-dependencies"]["test"])


def test_below_each_command_is_what_it_printed(readme, repository):
    settings = tomllib.loads((repository / "config" / "sample.toml").read_text(encoding="utf-8"))

    ran, tested = marked(readme, "result", "install-and-run"), marked(readme, "result", "test")

    assert ran.startswith(f"{settings['run']['name']}: ")
    assert "sample-region/out/sites.gpkg" in ran
    # A closing line of pytest's: passed, maybe skipped, nothing failed.
    assert re.search(r"\d+ passed(, \d+ skipped)? in \d", tested)
    assert "failed" not in tested
    assert "error" not in tested


def test_what_is_printed_of_the_fitted_flows_is_what_the_command_prints(readme, repository, tmp_path):
    for folder in ("config", "sample-region"):
        (tmp_path / folder).mkdir()
    for name in ("config/sample.toml", "sample-region/gauges.csv"):
        shutil.copy(repository / name, tmp_path / name)

    ended = subprocess.run(
        [sys.executable, "-m", "sitefinder", *marked(readme, "command", "fit-flows").split()[1:]],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )

    assert ended.stdout == marked(readme, "result", "fit-flows") + "\n"


def test_what_checks_every_change_takes_both_commands_from_readme(readme, repository):
    script = repository / ".ci" / "run"
    text = script.read_text(encoding="utf-8")

    names = re.findall(r"^run_from_readme (\S+)$", text, flags=re.M)

    assert names == ["install-and-run", "test"]
    assert os.access(script, os.X_OK)
    assert "set -euo pipefail" in text
    assert "export SITEFINDER_NO_SKIPS=1" in text
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
        assert ended.stdout == marked(readme, "command", name) + "\n"


def test_the_comparison_with_solar_is_what_its_command_prints(readme, repository):
    script = "tests/benchmarks/small_turbine_and_solar.py"
    shown = re.findall(rf"^<!-- made by: {script} -->\n(.*?)<!-- end -->$", readme, flags=re.M | re.S)

    ended = subprocess.run(
        [sys.executable, script],
        cwd=repository,
        capture_output=True,
        text=True,
        check=True,
    )

    assert shown == [ended.stdout]


def test_settings_and_columns_are_listed_as_they_are_declared(readme):
    assert readme == filled(readme), "README is out of date; DEVELOPERS.md says how to bring it up to date"


def test_every_layer_is_introduced(readme):
    section = readme.split("## What you get")[1].split("\n## ")[0]

    assert re.findall(r"^\| `(\w+)` \|", section, flags=re.M) == list(LAYERS)


def test_every_stage_is_introduced_in_order(repository):
    developers = (repository / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = developers.split("## The way through the stages")[1].split("\n## ")[0]

    assert re.findall(r"^\| `(\w+)` \|", section, flags=re.M) == [stage.name for stage in STAGES]


def test_the_examples_of_own_settings_together_are_sound_settings(readme):
    section = readme.split("## Your own region, step by step")[1].split("\n## ")[0]
    examples = re.findall(r"```\n(\[.*?)```", section, flags=re.S)

    # Gauges and equations are two ways of which a run takes one.
    gauges = [example for example in examples if not example.startswith("[flows]\n")]
    equations = [example for example in examples if not example.startswith("[flows.gauges]\n")]
    assert len(gauges) == len(equations) == len(examples) - 1
    for chosen in (gauges, equations):
        settings = check_settings(tomllib.loads("\n".join(chosen)), "README.md")
        assert settings.rules[0].action == "exclude"


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_relative_link_leads_somewhere(repository, name):
    document = repository / name
    text = document.read_text(encoding="utf-8")
    headings = {
        re.sub(r"[^\w -]", "", heading).strip().lower().replace(" ", "-")
        for heading in re.findall(r"^#+ (.*)$", text, flags=re.M)
    }

    links = [link for link in re.findall(r"\]\(([^)\s]+)\)", text) if "://" not in link]

    broken = [
        link
        for link in links
        if (link[1:] not in headings if link.startswith("#") else not (document.parent / link).exists())
    ]
    assert broken == []


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_every_file_that_is_named_is_there(repository, name):
    text = (repository / name).read_text(encoding="utf-8")

    named = set(re.findall(r"`((?:config|sample-region|sitefinder|tests)/[\w./-]+)`", text))
    named |= set(re.findall(r"\b(tests/[\w./-]+\.py)\b", text))

    assert named
    assert sorted(path for path in named if not (repository / path).exists()) == []
