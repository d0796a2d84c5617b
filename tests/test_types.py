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
# An annotation that is true, one that is not, and what the function that has it is then blamed for, by file.
BROKEN = {
    "sitefinder/preparation.py": (
        "def check(settings: Settings | StrPath) -> list[str]:",
        "list[int]",
        'expected "Iterable[int]"',
    ),
    "sitefinder/settings/run.py": ("def folder(self) -> str:", "int", 'got "str", expected "int"'),
    "sitefinder/schema/columns.py": (
        "def made_by(names: str, *columns: Column) -> tuple[Column, ...]:",
        "list[Column]",
        'expected "list[Column]"',
    ),
    "sitefinder/pipeline/store.py": ("def has(self, key: str) -> bool:", "str", 'got "bool", expected "str"'),
}
USER = """\
import sitefinder as sf

inventory: sf.Inventory = sf.run(sf.read_settings("region.toml"), output=None)
problems: list[str] = sf.check("region.toml")
reveal_type(sf.plan)
sf.run("region.toml", outptu=None)
"""


# Exit status and text of mypy in a folder with a copy of the package; what it works out is kept there.
def run_mypy(folder, *files):
    ended = subprocess.run(
        [sys.executable, "-m", "mypy", "--cache-dir", str(folder / "cache"), *files],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    return ended.returncode, ended.stdout + ended.stderr


@pytest.fixture(scope="module")
def judged(repository, made_once, pytestconfig):
    """A folder with a copy of the package that mypy has judged, its exit status and its text.

    What mypy worked out of files that are still the same is kept from one session to the next, as at every other
    run of mypy, beside what pytest keeps.
    """
    cache = getattr(pytestconfig, "cache", None)
    kept = None if cache is None else cache.mkdir("mypy") / "cache"

    def made(folder):
        ignored = shutil.ignore_patterns("__pycache__", "*.ttf")
        shutil.copytree(repository / "sitefinder", folder / "sitefinder", ignore=ignored)
        shutil.copy(repository / "pyproject.toml", folder)
        if kept is not None and kept.is_dir():
            shutil.copytree(kept, folder / "cache")
        found = run_mypy(folder)
        if kept is not None:
            shutil.rmtree(kept, ignore_errors=True)
            shutil.copytree(folder / "cache", kept)
        return folder, *found

    return made_once("typed", made)


@pytest.fixture
def copied(judged, tmp_path):
    """A copy of that folder, with what mypy has worked out, to be edited."""
    return shutil.copytree(judged[0], tmp_path / "typed")


def test_strict_typing_finds_nothing(judged):
    _, status, text = judged

    assert status == 0, text
    assert int(re.search(r"no issues found in (\d+) source files", text)[1]) > 30


@pytest.mark.exhaustive
def test_wrong_annotations_are_found_in_each_part(copied):
    for file, (line, wrong, _) in BROKEN.items():
        path = copied / file
        whole = path.read_text(encoding="utf-8")
        assert whole.count(line) == 1
        path.write_text(whole.replace(line, f"{line.rpartition(' -> ')[0]} -> {wrong}:"), encoding="utf-8")

    status, text = run_mypy(copied)

    assert status == 1
    # In the function itself, not where others call it.
    for file, (*_, blame) in BROKEN.items():
        assert re.search(rf"^{re.escape(file)}:\d+: error: .*{re.escape(blame)}", text, flags=re.M), text


def test_a_script_of_the_users_is_checked_against_the_package(copied):
    (copied / "own.py").write_text(USER, encoding="utf-8")

    status, text = run_mypy(copied, "own.py")

    assert status == 1
    assert 'Unexpected keyword argument "outptu" for "run"' in text
    assert "sitefinder.settings.run.Settings" in re.search(r"Revealed type is .*", text)[0]
    assert text.count("error:") == 1


def test_the_package_says_that_it_is_typed(repository):
    assert (repository / "sitefinder" / "py.typed").is_file()
    assert '"sitefinder" = ["py.typed"]' in (repository / "pyproject.toml").read_text(encoding="utf-8")
