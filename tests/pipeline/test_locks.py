"""One writer at a time: the second learns who holds the store, and a dead holder's lock is taken over."""

import json
import os
import signal
import socket
import subprocess
import sys

import pytest

from sitefinder.errors import InputError
from sitefinder.io import containers
from sitefinder.pipeline import store
from sitefinder.pipeline.store import HOLDER, LOCK, MARKER, PARTS, locked, open_store

HELD_BY_ANOTHER = """\
import sys, time
from pathlib import Path
from sitefinder.pipeline.store import locked
with locked(Path(sys.argv[1])):
    print("held", flush=True)
    time.sleep(60)
"""


# Another process that holds a folder.
def other_that_holds(folder, repository):
    process = subprocess.Popen(
        [sys.executable, "-c", HELD_BY_ANOTHER, str(folder)],
        env={**os.environ, "PYTHONPATH": str(repository)},
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout.readline() == "held\n"
    return process


def ended(process):
    process.kill()
    process.wait()
    process.stdout.close()


@pytest.fixture
def holder(tmp_path, repository):
    """Another process that holds the folder."""
    process = other_that_holds(tmp_path, repository)
    yield process
    ended(process)


def test_the_second_run_learns_who_holds_the_store(tmp_path, holder):
    with pytest.raises(InputError) as refused, locked(tmp_path):
        pass

    since = json.loads((tmp_path / HOLDER).read_text(encoding="utf-8"))["since"]
    assert str(refused.value) == (
        "another run is using the store of results\n"
        f"  folder:    {tmp_path}\n"
        "  expected:  one run at a time\n"
        f"  found:     process {holder.pid} on {socket.gethostname()}, since {since}\n"
        "  fix:       wait until it has ended, or run with --no-store"
    )


def test_a_run_that_is_refused_takes_nothing_away_from_one_that_made_the_store_just_before(
    tmp_path, repository, monkeypatch
):
    folder, others = tmp_path / "made" / "store", []

    # While this run looks whether there is a store, another one makes it and holds it.
    def made_by_another(folder):
        folder.mkdir(parents=True)
        store._mark(folder)
        others.append(other_that_holds(folder, repository))

    monkeypatch.setattr(store, "validate_store", made_by_another)
    try:
        with (
            pytest.raises(InputError, match="another run is using the store of results"),
            open_store(folder, containers),
        ):
            pass
        assert {MARKER, LOCK, HOLDER} <= {path.name for path in folder.iterdir()}
    finally:
        ended(*others)


def test_a_store_that_another_run_takes_away_in_the_midst_is_made_again(tmp_path, monkeypatch):
    folder, mark, calls = tmp_path / "store", store._mark, []

    def taken_away_once(folder):
        if not calls:
            folder.rmdir()
        calls.append(folder)
        mark(folder)

    monkeypatch.setattr(store, "_mark", taken_away_once)
    with open_store(folder, containers):
        assert {MARKER, *PARTS} <= {path.name for path in folder.iterdir()}
    # Nothing was kept in it.
    assert not folder.exists()


@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGKILL")
def test_the_lock_of_a_killed_run_is_taken_over(tmp_path, holder):
    os.kill(holder.pid, signal.SIGKILL)
    holder.wait()
    assert json.loads((tmp_path / HOLDER).read_text(encoding="utf-8"))["pid"] == holder.pid

    with locked(tmp_path):
        assert json.loads((tmp_path / HOLDER).read_text(encoding="utf-8"))["pid"] == os.getpid()


def test_the_lock_is_given_back(tmp_path):
    for _ in range(2):
        with locked(tmp_path):
            assert (tmp_path / HOLDER).exists()

    assert not (tmp_path / HOLDER).exists()


def test_the_lock_is_given_back_when_the_run_fails(tmp_path):
    with pytest.raises(ZeroDivisionError, match="division"), locked(tmp_path):
        1 / 0  # noqa: B018

    with locked(tmp_path):
        pass


def test_what_the_file_states_of_another_computer_is_believed(tmp_path):
    (tmp_path / HOLDER).write_text(
        '{"pid": 7, "host": "another-machine", "since": "2020-01-01 00:00:00"}', encoding="utf-8"
    )

    with pytest.raises(InputError, match="process 7 on another-machine") as refused, locked(tmp_path):
        pass

    assert f"if it has ended for certain, delete {tmp_path / HOLDER}" in str(refused.value)


def test_a_lock_file_that_cannot_be_read_is_of_nobody(tmp_path):
    (tmp_path / HOLDER).write_bytes(b"\xff{half")

    with locked(tmp_path):
        pass
