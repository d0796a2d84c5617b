"""Functions that workers do in tests: other processes load them by name."""

import gc
import os
import resource
import signal
import sys
import time
from pathlib import Path

# Of a process that was forked from the one that loaded this, that one's.
LOADED_BY = os.getpid()


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
    """What a worker has around it: modules, whether others loaded this one, libraries' settings, the collector."""
    until = time.monotonic() + 100
    while module not in sys.modules and time.monotonic() < until:
        time.sleep(0.05)
    names = ("OMP_NUM_THREADS", "MALLOC_TRIM_THRESHOLD_")
    here = {"loaded": module in sys.modules, "is_fork": os.getpid() != LOADED_BY, "gc": gc.get_threshold()[0]}
    return here | {name: os.environ.get(name, "") for name in names}


# Files beside the settings of a run that say what befalls its tasks in `draining`.
FULL, EXCHANGED = "disk-is-full", "dem-is-exchanged"


def draining(core, *, scratch, **common):
    """A terrain tile, drained on a disk that takes no more, while the DEM is another file, or as ever."""
    from sitefinder.steps import terrain  # noqa: PLC0415

    (region,) = (parent for parent in Path(scratch).parents if (parent / "dem.tif").exists())
    hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
    resource.setrlimit(resource.RLIMIT_FSIZE, (100 if (region / FULL).exists() else hard, hard))
    dem, aside = region / "dem.tif", region / "aside.tif"
    is_exchanged = (region / EXCHANGED).exists() and (core.row, core.column) == (0, 0)
    if is_exchanged:
        state = dem.stat()
        os.rename(dem, aside)
        dem.write_bytes(aside.read_bytes()[:-1] + b"x")
        os.utime(dem, ns=(state.st_atime_ns, state.st_mtime_ns))
    try:
        return terrain._drain_one(core, scratch=scratch, **common)
    finally:
        if is_exchanged:
            os.replace(aside, dem)
