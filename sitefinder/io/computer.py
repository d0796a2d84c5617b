"""What the machine has: memory and cores for processes, and room on the disk of a folder."""

from __future__ import annotations

import contextlib
import shutil
import sys
from pathlib import Path

import psutil

BYTES_PER_MB = 1e6
# Where Linux states the limit of the group of processes that a container is, and what it uses: version 2, then 1.
_GROUP_FILES = {
    "linux": (
        ("/sys/fs/cgroup/memory.max", "/sys/fs/cgroup/memory.current"),
        ("/sys/fs/cgroup/memory/memory.limit_in_bytes", "/sys/fs/cgroup/memory/memory.usage_in_bytes"),
    )
}.get(sys.platform, ())


def available_memory_mb() -> float:
    """Memory that processes could still take without swapping [MB], within the limit of a container.

    Returns
    -------
    float
    """
    available = float(psutil.virtual_memory().available)
    for limit, used in _GROUP_FILES:
        # A group without a limit says "max".
        with contextlib.suppress(OSError, ValueError):
            available = min(available, _bytes_in(limit) - _bytes_in(used))
    return max(available, 0.0) / BYTES_PER_MB


def _bytes_in(path: str) -> int:
    return int(Path(path).read_text(encoding="ascii"))


def usable_cores() -> int:
    """Cores that this process may use, within its affinity and the limit of a container.

    Returns
    -------
    int
    """
    # It loads much that a run by one process has no need of.
    from dask.system import cpu_count

    return int(cpu_count())


def free_disk_mb(folder: Path) -> float:
    """Room on the disk of a folder, or of the nearest one above it that is there already [MB].

    Returns
    -------
    float
        Infinite where the system does not say.
    """
    folder = Path(folder).absolute()
    while not folder.is_dir() and folder != folder.parent:
        folder = folder.parent
    try:
        return shutil.disk_usage(folder).free / BYTES_PER_MB
    except OSError:
        return float("inf")
