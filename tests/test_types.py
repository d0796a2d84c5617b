"""The annotations of the front door, settings, schema and pipeline, as mypy judges them."""

import importlib.util
import re
import shutil
import subprocess
import sys

import pytest

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(importlib.util.find_spec("mypy") is None, reason="mypy is not installed"),
]
# An annotation that is true, and one that is not, by file.
BROKEN = {
    "sitefinder/inventory.py": ("def check(settings: Settings | StrPath) -> list[str]:", "list[int]"),
    "sitefinder/settings/run.py": ("def folder(self) -> str:", "int"),
    "sitefinder/schema/columns.py": (
        "def made_by(names: str, *columns: Column) -> tuple[Column, ...]:",
        "list[Column]",
    ),
    "sitefinder/pipeline/store.py": ("def has(self, key: str) -> bool:", "str"),
}
USER = """\
import sitefinder as sf

inventory: sf.Inventory = sf.run(sf.read_settings("region.toml"), output=None)
problems: list[str] = sf.check("region.toml")
reveal_type(sf.plan)
sf.run("region.toml", outptu=None)
"""


@pytest.fixture(scope="module")
def judged(repository, tmp_path_factory):
    """A function that has mypy judge a copy of the package; gives its exit status and its text."""
    folder, cache = tmp_path_factory.mktemp("typed"), tmp_path_factory.mktemp("mypy")
    ignored = shutil.ignore_patterns("__pycache__", "*.ttf")
    shutil.copytree(repository / "sitefinder", folder / "sitefinder", ignore=ignored)
    shutil.copy(repository / "pyproject.toml", folder)

    def run_mypy(*files):
        ended = subprocess.run(
            [sys.executable, "-m", "mypy", "--cache-dir", str(cache), *files],
            cwd=folder,
            capture_output=True,
            text=True,
            check=False,
        )
        return ended.returncode, ended.stdout + ended.stderr

    run_mypy.folder = folder
    return run_mypy


def test_strict_typing_finds_nothing(judged):
    status, text = judged()

    assert status == 0, text
    assert int(re.search(r"no issues found in (\d+) source files", text)[1]) > 30


@pytest.mark.parametrize("file", BROKEN)
def test_a_wrong_annotation_is_found(judged, file):
    path, (line, wrong) = judged.folder / file, BROKEN[file]
    whole = path.read_text(encoding="utf-8")
    assert whole.count(line) == 1
    path.write_text(whole.replace(line, f"{line.rpartition(' -> ')[0]} -> {wrong}:"), encoding="utf-8")

    status, text = judged()

    path.write_text(whole, encoding="utf-8")
    assert status == 1
    assert f"{file}:" in text


def test_a_script_of_the_users_is_checked_against_the_package(judged):
    (judged.folder / "own.py").write_text(USER, encoding="utf-8")

    status, text = judged("own.py")

    assert status == 1
    assert 'Unexpected keyword argument "outptu" for "run"' in text
    assert "sitefinder.settings.run.Settings" in re.search(r"Revealed type is .*", text)[0]
    assert text.count("error:") == 1


def test_the_package_says_that_it_is_typed(repository):
    assert (repository / "sitefinder" / "py.typed").is_file()
    assert '"sitefinder" = ["py.typed"]' in (repository / "pyproject.toml").read_text(encoding="utf-8")
