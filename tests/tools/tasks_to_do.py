"""Functions that workers do in tests: other processes load them by name."""

import gc
import os
import signal
import sys
import time
from pathlib import Path


def squared(number, offset=0):
    """The square and who made it."""
    return {"value": number**2 + offset, "pid": os.getpid()}


def killed_once(number, folder):
    """The square; whoever is the first to be asked for that of 3 is killed at it."""
    if number == 3:
        mark = Path(folder, "killed")
        if not mark.exists():
            mark.touch()
            os.kill(os.getpid(), signal.SIGKILL)
    time.sleep(0.05)
    return number**2


def failing(number, folder):
    """The square, but for 2, which never succeeds, and for 4, which does at the second attempt."""
    with Path(folder, f"tries-{number}").open("a", encoding="ascii") as file:
        file.write("x")
    if number == 2 or (number == 4 and Path(folder, "tries-4").stat().st_size == 1):
        raise ValueError(f"no square of {number}")
    return number**2


def surroundings(number, module):
    """What a worker has around it: whether a module is loaded, the environment of libraries, the collector."""
    until = time.monotonic() + 100
    while module not in sys.modules and time.monotonic() < until:
        time.sleep(0.05)
    names = ("OMP_NUM_THREADS", "MALLOC_TRIM_THRESHOLD_")
    return {"loaded": module in sys.modules, "gc": gc.get_threshold()[0]} | {
        name: os.environ.get(name, "") for name in names
    }
