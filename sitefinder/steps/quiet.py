"""Standard output without what a library of compiled code writes to it."""

from __future__ import annotations

import contextlib
import ctypes
import os
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

STANDARD_OUTPUT = 1


@contextlib.contextmanager
def without_library_output() -> Iterator[None]:
    """Drop what is written to standard output meanwhile, by whatever code.

    HiGHS writes a line of its own for some integer programs, whatever its options are, and a run's standard output
    is its summary.
    """
    with contextlib.suppress(OSError, ValueError):
        sys.stdout.flush()
    try:
        kept = os.dup(STANDARD_OUTPUT)
    except OSError:  # a process may have no standard output
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, STANDARD_OUTPUT)
        yield
    finally:
        # What the library's own buffer holds goes nowhere too.
        with contextlib.suppress(OSError, TypeError, AttributeError):
            ctypes.CDLL(None).fflush(None)
        os.dup2(kept, STANDARD_OUTPUT)
        os.close(kept)
        os.close(nowhere)
