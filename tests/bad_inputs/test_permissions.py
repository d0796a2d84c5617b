"""Files and folders that the user may not read or write: reported with what to do, and sound once that is done."""

import os
import sys

import faults
import pytest
from approved import refused
from region import Region

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


class Told(Exception):
    """Status and message of the command."""


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """Folder of the sound region, with all libraries loaded by a look at it."""
    folder = tmp_path_factory.mktemp("sound")
    Region(folder)
    assert refused(["check", str(folder / "settings.toml")])[0] == 0
    return folder


@pytest.fixture
def region(sound, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return Region(tmp_path, sound)


def command(name):
    """Status and message of a command of a user to whom permissions apply."""

    def task():
        status, out, message = refused([name, "settings.toml"])
        raise Told(f"{status}\n{message if status else out}")

    found = faults.outcome(task, faults.without_privileges)
    assert found[-2] == "Told", found[-2:]
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
    path.chmod(0)

    status, message = command(name)

    path.chmod(0o600)
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
    region.folder.chmod(0o500)

    status, message = command(name)

    region.folder.chmod(0o700)
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
    closed.chmod(0o500)

    status, message = command(name)

    closed.chmod(0o700)
    assert status == 2
    assert DENIED in message
    assert "fix:" in message
    assert region.contents() == before
    assert command("check")[0] == 0
