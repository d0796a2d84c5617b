"""One writer at a time: the second learns who holds the store, and a dead holder's lock is taken over."""

import json
import os
import signal
import socket
import subprocess
import sys

import pytest

from sitefinder.errors import InputError
from sitefinder.pipeline.store import HOLDER, locked

HELD_BY_ANOTHER = """\
import sys, time
from pathlib import Path
from sitefinder.pipeline.store import locked
with locked(Path(sys.argv[1])):
    print("held", flush=True)
    time.sleep(60)
"""


@pytest.fixture
def holder(tmp_path, repository):
    """Another process that holds the folder."""
    process = subprocess.Popen(
        [sys.executable, "-c", HELD_BY_ANOTHER, str(tmp_path)],
        env={**os.environ, "PYTHONPATH": str(repository)},
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout.readline() == "held\n"
    yield process
    process.kill()
    process.wait()
    process.stdout.close()


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
