"""A run holds itself to the memory that it may take, with all processes below it, and says so plainly."""

import subprocess
import sys
import time

import pytest

from sitefinder.errors import StageError
from sitefinder.pipeline import memory
from sitefinder.pipeline.memory import held_to, let_finish, used_mb

MB = 1_000_000
# A process that takes 200 MB, says so, and waits to be ended.
TAKES = "import sys; held = bytearray(b'x') * 200_000_000; print('held', flush=True); sys.stdin.read()"

# A debugger that follows each line once a run is over.
FOLLOWED = """
import sys
from sitefinder.pipeline.memory import held_to

with held_to(1e9):
    pass
sys.settrace(lambda *_: lambda *_: None)
print((lambda: "followed")())
"""


def takes(megabytes, held, deadline_s=20.0):
    """Take memory, then wait to be stopped."""
    held.append(bytearray(b"x") * (megabytes * MB))
    end = time.monotonic() + deadline_s
    while time.monotonic() < end:
        time.sleep(0.01)


def test_what_a_process_takes_is_measured():
    before_mb, processes = used_mb()
    held = bytearray(b"x") * (100 * MB)
    after_mb, _ = used_mb()

    assert processes >= 1
    assert after_mb - before_mb == pytest.approx(len(held) / MB, abs=10.0)


def test_too_much_memory_stops_the_work_and_says_how_much():
    limit_mb = used_mb()[0] + 100.0

    with pytest.raises(StageError, match=r"more memory than it may") as stopped, held_to(limit_mb):
        takes(200, [])

    text = str(stopped.value)
    assert f"expected:  at most {limit_mb / 1e3:,.2f} GB (--memory, run.memory_limit_gb)" in text
    assert "found:     " in text
    assert "fix:       allow more" in text


def test_less_memory_stops_nothing():
    held = []

    with held_to(used_mb()[0] + 300.0):
        takes(100, held, deadline_s=0.6)

    assert len(held) == 1


def test_processes_below_count():
    limit_mb = used_mb()[0] + 100.0
    child = subprocess.Popen([sys.executable, "-c", TAKES], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    try:
        child.stdout.readline()
        with pytest.raises(StageError, match="processes"), held_to(limit_mb):
            takes(0, [])
    finally:
        child.communicate()


def test_an_error_of_the_work_stays_that_error():
    with pytest.raises(KeyError, match="own"), held_to(1e6):
        raise KeyError("own")


def test_the_last_steps_are_not_stopped():
    held = []

    with held_to(used_mb()[0] + 100.0):
        let_finish()
        takes(200, held, deadline_s=0.6)

    assert len(held) == 1


@pytest.mark.parametrize("_", range(20))
def test_what_is_found_in_the_last_moment_stops_the_run_and_nothing_after_it(_, monkeypatch):
    ended = []

    def too_much_once_the_work_is_done():
        while not ended:
            time.sleep(0.0001)
        return 5432.1, 1

    monkeypatch.setattr(memory, "LOOK_S", 0.0)
    monkeypatch.setattr(memory, "used_mb", too_much_once_the_work_is_done)

    with pytest.raises(StageError, match=r"5\.43 GB"), held_to(1000.0):
        ended.append(True)
    for _ in range(1000):
        ended.append(True)


def test_the_interpreter_is_left_as_it_was():
    # Looking for what was taken back, it would not end (CPython 3.11).
    done = subprocess.run(
        [sys.executable, "-c", FOLLOWED], capture_output=True, text=True, timeout=60.0, check=False
    )

    assert done.stdout.split() == ["followed"], done.stderr
