"""The commit of the running program, of a checkout and of a build."""

import subprocess
import sys
import types

import pytest

from sitefinder.pipeline import build
from sitefinder.pipeline.build import own_build


@pytest.fixture
def checkout(tmp_path, monkeypatch):
    """A repository with one commit of a package ``sitefinder``, taken for that of the running program."""

    def git(*arguments):
        identity = ["-c", "user.name=A", "-c", "user.email=a@example.org"]
        ended = subprocess.run(
            ["git", "-C", str(tmp_path), *identity, *arguments], capture_output=True, text=True, check=True
        )
        return ended.stdout.strip()

    package = tmp_path / "sitefinder"
    package.mkdir()
    (package / "units.py").write_text("ONE = 1\n", encoding="utf-8")
    (tmp_path / "README.md").write_text("words\n", encoding="utf-8")
    git("init", "--quiet")
    git("add", ".")
    git("commit", "--quiet", "--message", "First")
    monkeypatch.setattr(build, "PACKAGE", package)
    return types.SimpleNamespace(folder=tmp_path, git=git, own_build=own_build.__wrapped__)


def test_a_checkout_has_the_commit_that_git_names(checkout):
    assert checkout.own_build().commit == checkout.git("rev-parse", "HEAD")
    assert not checkout.own_build().has_local_changes
    assert checkout.own_build().note == ""


@pytest.mark.parametrize(("name", "changed"), [("sitefinder/units.py", True), ("README.md", False)])
def test_only_changes_of_the_program_are_local_changes(checkout, name, changed):
    (checkout.folder / name).write_text("TWO = 2\n", encoding="utf-8")

    assert checkout.own_build().has_local_changes is changed


def test_without_git_the_commit_of_a_checkout_is_not_known(checkout, monkeypatch):
    monkeypatch.setenv("PATH", "")

    assert checkout.own_build().commit == ""
    assert checkout.own_build().note == "commit not known"


@pytest.mark.parametrize(
    ("version", "changed"),
    [("0.1.0", False), ("0.1.0.dev7+g34dc026", False), ("0.1.0.dev7+g34dc026.d20260102", True)],
)
def test_an_installation_has_the_commit_of_its_build(tmp_path, monkeypatch, version, changed):
    written = types.SimpleNamespace(commit_id="g34dc026", version=version)
    monkeypatch.setitem(sys.modules, "sitefinder._version", written)
    monkeypatch.setattr(build, "PACKAGE", tmp_path / "site-packages" / "sitefinder")

    found = own_build.__wrapped__()

    assert found == (version, "34dc026", changed)
