"""A delivery that is killed at any of its file operations mixes nothing and loses nothing."""

import bisect
import json
import os
import shutil
import signal
import subprocess
import sys

import faults
import pytest

from sitefinder.delivery import atomic
from sitefinder.delivery.atomic import deliver
from sitefinder.errors import InputError
from sitefinder.io.deliveries import read_pair
from sitefinder.io.output_folder import JOURNAL, OWN_FOLDER, PREVIOUS

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="what is killed are forks of one process")
KNOWN = ("a.txt", "b.txt", "c.txt", "d.txt")
# What each delivery holds: a file that changes, one that leaves, one that comes, one that stays.
DELIVERIES = {
    "first": {"a.txt": "1", "b.txt": "1", "d.txt": "same"},
    "second": {"a.txt": "2", "b.txt": "2", "d.txt": "same"},
    "third": {"a.txt": "3", "c.txt": "3", "d.txt": "same"},
    "fourth": {"a.txt": "4", "b.txt": "4", "d.txt": "other"},
}


def delivered(folder, name):
    writers = {
        file: lambda path, content=content: path.write_text(content) for file, content in DELIVERIES[name].items()
    }
    return deliver(folder, writers, KNOWN, is_own=True)


def texts(folder):
    return {path.name: path.read_text() for path in sorted(folder.iterdir()) if path.is_file()}


@pytest.fixture
def out(quick_folder):
    return quick_folder / "out"


def folder_with(out, names):
    """A folder beside another, with some deliveries."""
    template = out.with_name("template")
    template.mkdir()
    for name in names:
        delivered(template, name)
    return template


def killed(out, *, before, at):
    """Each kill of one delivery, after others."""
    template = folder_with(out, before)
    yield from faults.kills(lambda: delivered(out, at), out, lambda: shutil.copytree(template, out))


@pytest.mark.parametrize("again", ["third", "fourth"])
def test_after_a_kill_at_any_operation_the_next_delivery_is_whole_and_so_is_the_one_before(out, again):
    count = 0
    found = set()
    for _ in killed(out, before=["first", "second"], at="third"):
        count += 1
        # Whatever is in place is whole.
        content = {**texts(out)}
        assert content["a.txt"] in "23"
        delivered(out, again)
        assert texts(out) == DELIVERIES[again]
        found.add(json.dumps(texts(out / PREVIOUS)))
        assert not (out / OWN_FOLDER / JOURNAL).exists()
        assert sorted(path.name for path in (out / OWN_FOLDER).iterdir()) == ["delivery.json", "lock"]
        # Nothing of it was taken for work of the user.
        assert not (out / PREVIOUS / atomic.EDITED).exists()

    assert count > 40
    # The delivery before is the second or, where the killed one was as good as done, the third; never a mixture.
    expected = {json.dumps(DELIVERIES["second"])}
    assert found == expected | (set() if again == "third" else {json.dumps(DELIVERIES["third"])})


def test_a_first_delivery_that_is_killed_can_be_done_again(out):
    count = 0
    for _ in killed(out, before=[], at="first"):
        count += 1
        delivered(out, "first")
        assert texts(out) == DELIVERIES["first"]
        assert not (out / PREVIOUS).exists()
    assert count > 15


def test_work_of_the_user_survives_a_kill_at_any_operation(out):
    template = out.with_name("template")
    delivered(template, "first")
    (template / "b.txt").write_text("work of the user")
    delivered(template, "second")
    (template / "a.txt").write_text("more work")

    for _ in faults.kills(lambda: delivered(out, "third"), out, lambda: shutil.copytree(template, out)):
        delivered(out, "fourth")
        everything = [path.read_text() for path in out.rglob("*.txt")]
        assert "work of the user" in everything
        assert "more work" in everything
        assert texts(out) == DELIVERIES["fourth"]


def interrupted(out):
    """A folder whose third delivery was killed before its first file was put in place."""
    template = folder_with(out, ["first", "second"])

    # Whether the journal is written, or more is done, when the delivery is killed at an operation.
    def is_decided(at):
        shutil.rmtree(out, ignore_errors=True)
        shutil.copytree(template, out)
        faults.ended(lambda: delivered(out, "third"), out, at)
        return (out / OWN_FOLDER / JOURNAL).exists() or texts(out) != DELIVERIES["second"]

    first = bisect.bisect_left(range(200), True, lo=1, key=is_decided)
    assert is_decided(first)
    assert (out / OWN_FOLDER / JOURNAL).exists()
    assert texts(out) == DELIVERIES["second"]


def damaged_drafts(out):
    (draft,) = (out / OWN_FOLDER).glob(".writing-*")
    (draft / atomic.NEW / "c.txt").write_text("9")


def missing_drafts(out):
    (draft,) = (out / OWN_FOLDER).glob(".writing-*")
    shutil.rmtree(draft)


def damaged_journal(out):
    path = out / OWN_FOLDER / JOURNAL
    path.write_bytes(path.read_bytes()[:-9])


@pytest.mark.parametrize("damage", [damaged_drafts, missing_drafts, damaged_journal])
def test_a_delivery_that_cannot_be_completed_is_replaced_and_goes_nowhere(out, damage):
    interrupted(out)
    before = texts(out / PREVIOUS)
    damage(out)

    delivered(out, "fourth")

    assert texts(out) == DELIVERIES["fourth"]
    assert texts(out / PREVIOUS) == before
    # From then on all is as ever.
    delivered(out, "third")
    assert texts(out / PREVIOUS) == DELIVERIES["fourth"]


def test_a_comparison_with_an_interrupted_delivery_is_refused(out):
    interrupted(out)
    (out / "sites.gpkg").write_bytes(b"")

    with pytest.raises(InputError, match="a delivery into this folder was interrupted"):
        read_pair(None, out, {})


HOLDING = """\
import sys, time
from pathlib import Path
from sitefinder.delivery.atomic import deliver
def slow(path):
    path.write_text("theirs")
    print("writing", flush=True)
    time.sleep(60)
deliver(Path(sys.argv[1]), {"a.txt": slow}, is_own=True)
"""


def test_two_deliveries_into_one_folder_do_not_go_on_at_once(out, repository, monkeypatch):
    monkeypatch.setattr(atomic, "WAIT_S", 0.1)
    environment = os.environ | {"PYTHONPATH": str(repository)}
    other = subprocess.Popen(
        [sys.executable, "-c", HOLDING, out], env=environment, stdout=subprocess.PIPE, text=True
    )
    try:
        assert other.stdout.readline() == "writing\n"
        with pytest.raises(InputError) as refused:
            delivered(out, "first")
    finally:
        other.send_signal(signal.SIGKILL)
        other.wait()
        other.stdout.close()

    assert f"another run is using the output folder\n  folder:    {out / OWN_FOLDER}\n" in str(refused.value)
    assert f"found:     process {other.pid} on " in str(refused.value)
    assert "fix:       wait until it has ended, or deliver into another folder" in str(refused.value)
    # Its lock ended with it.
    delivered(out, "first")
    assert texts(out) == DELIVERIES["first"]
