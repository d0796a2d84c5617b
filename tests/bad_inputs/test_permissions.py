"""Files and folders that the user may not read or write: reported with what to do, and sound once that is done."""

import contextlib
import os
import sys

import faults
import pytest
from approved import refused
from region import Region

from sitefinder.io.digests import Memory, remembering

pytestmark = pytest.mark.skipif(
    not hasattr(os, "fork") or (os.geteuid() == 0 and sys.platform != "linux"),
    reason="root passes over permissions, which it can give up on Linux alone",
)
DENIED = "Permission denied"
INPUTS = (
    "dem.tif",
    "rain.tif",
    "streams.gpkg",
    "layers.gpkg",
    "gauges.csv",
    "levels.csv",
    "turbines.toml",
    "costs.toml",
    "screens.toml",
    "settings.toml",
)


class Reported(Exception):
    """Status and message of the command."""


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """The sound region, names and bytes of its files, and what a look at it, which loads all libraries, found."""
    region, memory = Region(tmp_path_factory.mktemp("sound")), Memory()
    with remembering(memory):
        assert refused(["check", str(region.folder / "settings.toml")])[0] == 0
    return region, region.contents(), memory


@pytest.fixture
def region(sound, monkeypatch):
    """The sound region, put back after each test; what did not change is not read again."""
    region, contents, memory = sound
    monkeypatch.chdir(region.folder)
    with remembering(memory):
        yield region
        region.put_back(contents)
        assert region.contents() == contents
        # Forks learnt what a file holds whose permissions changed; here it is learnt for the tests that follow.
        assert refused(["check", "settings.toml"])[0] == 0


@contextlib.contextmanager
def permitted(path, mode):
    """Other permissions of a file or folder for a while."""
    before = path.stat().st_mode
    path.chmod(mode)
    try:
        yield
    finally:
        path.chmod(before)


def command(name):
    """Status and message of a command of a user to whom permissions apply."""

    def task():
        status, out, message = refused([name, "settings.toml"])
        raise Reported(f"{status}\n{message if status else out}")

    found = faults.outcome(task, faults.without_privileges)
    assert found[-2] == "Reported", found[-2:]
    status, _, message = found[-1].partition("\n")
    return int(status), message


# A run reads its inputs as the check does, so that three files show it.
@pytest.mark.parametrize(
    ("file", "name"),
    [
        *((file, "check") for file in INPUTS),
        *((file, "run") for file in ("dem.tif", "gauges.csv", "settings.toml")),
    ],
)
def test_an_input_that_may_not_be_read_is_named_and_taken_when_it_may(region, file, name):
    path = region.folder / file
    before = region.contents()

    with permitted(path, 0):
        status, message = command(name)

    assert status == 2
    assert file in message
    assert DENIED in message
    assert "fix:" in message
    assert "ermission" in message.partition("fix:")[2]
    assert region.contents() == before
    if name == "check":
        assert command("check")[0] == 0


@pytest.mark.parametrize("name", ["check", "run"])
def test_an_output_folder_that_may_not_be_made_is_named_by_both_commands(region, name):
    before = region.contents()

    with permitted(region.folder, 0o500):
        status, message = command(name)

    assert status == 2
    assert "the output folder cannot be written" in message
    assert DENIED in message
    assert "fix:       change run.output_folder, or its permissions" in message
    assert region.contents() == before


@pytest.mark.parametrize("name", ["check", "run"])
def test_a_store_that_may_not_be_made_is_named_by_both_commands(region, name):
    closed = region.folder / "closed"
    closed.mkdir()
    region.replace("settings.toml", ("seed = 1", 'seed = 1\nstore_folder = "closed/store"'))
    before = region.contents()

    with permitted(closed, 0o500):
        status, message = command(name)

    assert status == 2
    assert DENIED in message
    assert "fix:" in message
    assert region.contents() == before
    assert command("check")[0] == 0
