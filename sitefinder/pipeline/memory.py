"""Memory that is free within this process, handed back to the system."""

from __future__ import annotations

import ctypes
import functools
import sys
from collections.abc import Callable


def hand_back() -> None:
    """Hand free memory back to the system, as far as libraries and the system can.

    Notes
    -----
    The C library keeps what arrays and geometry leave behind, between others that stay, and Arrow has a pool of its
    own. It takes milliseconds, so it is for after large results alone.
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
    return trim  # type: ignore[no-any-return]
