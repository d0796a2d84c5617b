"""Room in the store of results: what is least used goes first, and what is damaged is set aside."""

import contextlib
import os
import shutil
import tempfile
from pathlib import Path

from sitefinder.pipeline.durable import sync_folder
from sitefinder.pipeline.locks import LOCK

RESULTS, DRAFTS, DAMAGED, RUNS = PARTS = ("results", "drafts", "damaged", "runs")
ENTRY = "entry.json"
# So many damaged results are kept for a look at them (own choice).
DAMAGED_KEPT = 5
BYTES_PER_GB = 1e9


def remove_least_used(folder, most_gb, used):
    """Remove the least recently used results until the rest is small enough.

    Parameters
    ----------
    folder : Path
        Of the store, held by the run.
    most_gb : float
        Of all results together [GB].
    used : set of str
        Keys of results that stay whatever their size.

    Returns
    -------
    int
        Number of results removed.
    """
    sizes = {path: _size(path) for path in (folder / RESULTS).iterdir()}
    total, removed = sum(sizes.values()), 0
    for path in sorted(sizes, key=_last_used):
        if total <= most_gb * BYTES_PER_GB:
            break
        if path.name not in used:
            # Away from its name in one step, so that nothing half-removed bears it.
            gone = Path(tempfile.mkdtemp(prefix="removed-", dir=folder / DRAFTS))
            os.replace(path, gone / path.name)
            shutil.rmtree(gone, ignore_errors=True)
            total -= sizes[path]
            removed += 1
    return removed


def size_of(folder):
    """Size of all results of a store [GB], and their number."""
    results = folder / RESULTS
    paths = list(results.iterdir()) if results.is_dir() else []
    return sum(map(_size, paths)) / BYTES_PER_GB, len(paths)


def set_aside(folder, key, name):
    """Move a damaged result out of the way, to be looked at; the oldest ones there go.

    Parameters
    ----------
    folder : Path
        Of the store.
    key : str
    name : str
        Begins the name of the folder that it is moved to.

    Returns
    -------
    Path
        That folder.
    """
    damaged = folder / DAMAGED
    before = sorted(damaged.iterdir(), key=_last_used)
    for old in before[: max(len(before) + 1 - DAMAGED_KEPT, 0)]:
        shutil.rmtree(old, ignore_errors=True)
    aside = Path(tempfile.mkdtemp(prefix=f"{name}-", dir=damaged))
    os.replace(folder / RESULTS / key, aside / key)
    sync_folder(folder / RESULTS)
    return aside


def take_away_if_empty(folder, made):
    """Leave nothing behind of a store that a run made and kept nothing in.

    Parameters
    ----------
    folder : Path
    made : list of Path
        The folder and those above it that the run made, the innermost first.
    """
    with contextlib.suppress(OSError):
        parts = [folder / name for name in PARTS if (folder / name).is_dir()]
        if not any(any(part.iterdir()) for part in parts):
            for part in parts:
                part.rmdir()
            (folder / LOCK).unlink(missing_ok=True)
            for path in made:
                path.rmdir()


def _size(folder):
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


def _last_used(folder):
    entry = folder / ENTRY
    return (entry if entry.exists() else folder).stat().st_mtime_ns, folder.name
