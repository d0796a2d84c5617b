"""Memory of a run's processes: handed back to the system where it is free, and held to a limit."""

from __future__ import annotations

import contextlib
import ctypes
import functools
import sys
import threading
from collections.abc import Callable, Iterator
from contextvars import ContextVar

from sitefinder.errors import StageError

# How often a run looks at the memory of its processes [s]; each look takes some milliseconds (own choice).
LOOK_S = 0.25
BYTES_PER_MB = 1e6
# What holds the run that goes on to its limit.
_watching: ContextVar[_Watch | None] = ContextVar("watching", default=None)


def hand_back() -> None:
    """Hand free memory back to the system, as far as libraries and the system can.

    Notes
    -----
    The C library keeps what arrays and geometry leave behind, between others that stay, and Arrow has a pool of
    its own. It takes milliseconds, so it is for after large results alone.
    """
    if (arrow := sys.modules.get("pyarrow")) is not None:
        arrow.default_memory_pool().release_unused()
    if (trim := _trim()) is not None:
        trim(0)


# What the C library of Linux systems has for it, where it is that one.
@functools.cache
def _trim() -> Callable[[int], int] | None:
    if sys.platform != "linux":
        return None
    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (OSError, AttributeError):
        return None
    trim.argtypes, trim.restype = [ctypes.c_size_t], ctypes.c_int
    return trim


def used_mb() -> tuple[float, int]:
    """Memory of this process and all below it [MB], and how many processes these are.

    Returns
    -------
    memory_mb : float
        Without what processes share with others and with the disk, such as the code of libraries, where the system
        says how much that is.
    processes : int
    """
    import psutil

    own, found_mb, count = psutil.Process(), 0.0, 0
    for process in (own, *own.children(recursive=True)):
        with contextlib.suppress(psutil.Error):
            held = process.memory_info()
            found_mb += (held.rss - getattr(held, "shared", 0)) / BYTES_PER_MB
            count += 1
    return found_mb, count


class MemoryExceeded(BaseException):
    """What `held_to` raises in the midst of a run; no handler of errors takes it for one of its own."""


@contextlib.contextmanager
def held_to(limit_mb: float | None) -> Iterator[None]:
    """While this holds, stop when this process and all below it take more memory than a limit.

    Parameters
    ----------
    limit_mb : float or None
        For all of them together [MB]; None: no limit.

    Raises
    ------
    StageError
        Where they take more. It comes between two steps of Python code, so that a single call of a library may go
        beyond the limit before.
    """
    if limit_mb is None:
        yield
        return
    watch = _Watch(limit_mb)
    watch.start()
    known = _watching.set(watch)
    try:
        try:
            yield
        finally:
            _watching.reset(known)
            watch.stop()
    except MemoryExceeded:
        raise StageError.of(
            "the run takes more memory than it may",
            expected=f"at most {limit_mb / 1e3:,.2f} GB (--memory, run.memory_limit_gb)",
            found=f"{watch.found_mb / 1e3:,.2f} GB in {watch.processes} process"
            + ("" if watch.processes == 1 else "es"),
            fix="allow more, or state fewer workers (--workers) or smaller parts (run.part_stations); nothing was "
            "delivered, and the next run goes on from what was kept",
        ) from None


def let_finish() -> None:
    """Let what `held_to` watches go on to its end, whatever memory it takes from here.

    For the last steps of a run, which replace files one after the other: stopped in their midst, it would have
    delivered all the same.
    """
    if (watch := _watching.get()) is not None:
        watch.stop()


class _Watch(threading.Thread):
    # Looks at the memory, and interrupts the thread that made it once there is too much.
    def __init__(self, limit_mb: float) -> None:
        super().__init__(daemon=True)
        self._limit_mb, self._caller, self._is_over = limit_mb, threading.get_ident(), threading.Event()
        self.found_mb, self.processes = 0.0, 0

    def run(self) -> None:
        while not self._is_over.wait(LOOK_S):
            found_mb, processes = used_mb()
            if found_mb > self._limit_mb:
                self.found_mb, self.processes = found_mb, processes
                _raise_in(self._caller, MemoryExceeded)
                return

    # Nothing is raised afterwards.
    def stop(self) -> None:
        self._is_over.set()
        self.join()
        # What was raised just before comes at the end of a turn of a loop. To take it back instead would leave the
        # interpreter looking for it ever after: slower, and without end where a debugger follows each line.
        for _ in range(2):
            pass


# Raise an exception in a thread before its next step.
def _raise_in(thread: int, exception: type[BaseException]) -> None:
    ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(thread), ctypes.py_object(exception))
