"""Digests of what files hold, cached while size and time of change of a file stay the same."""

import contextlib
import hashlib
import json
import time
from contextvars import ContextVar
from pathlib import Path

# A file that changes again within one tick of its disk's clock keeps its time stamp. So recent a file is read once
# the tick is over; on disks that store whole seconds a tick may take two, and facts of such recent files are not
# cached.
TICK_NS, COARSE_TICK_NS = 50_000_000, 2_000_000_000
SECOND_NS = 1_000_000_000
# Maximum number of facts kept from one run to the next (own choice); a run uses some dozens to hundreds.
KEPT = 5000
_memory = ContextVar("memory", default=None)


class Memory:
    """Cached facts of files by name: what was found, and size and modification times of each file at that time.

    Parameters
    ----------
    known : dict, optional
        From `Memory.known` of an earlier run.
    recalls : bool
        False to read everything again and cache what is found then.
    """

    def __init__(self, known=None, recalls=True):
        self.known = dict(known) if isinstance(known, dict) else {}
        self._recalls = recalls

    def recalled(self, name, files):
        """The cached fact of files under a name, as a list of one; empty where none is valid any more."""
        entry = self.known.get(name) if self._recalls else None
        try:
            states = entry["files"]
            holds = all(str(file) in states for file in files)
            if holds and all(_state(path) == state for path, state in states.items()):
                # The most recently used fact is last.
                self.known[name] = self.known.pop(name)
                return [entry["found"]]
        except (TypeError, KeyError):
            pass
        return []

    @property
    def kept(self):
        """Facts to keep for the next run: the most recently used ones."""
        return dict(list(self.known.items())[-KEPT:])

    def remember(self, name, found, states, begun_ns):
        """Cache what was found, unless a file may have changed meanwhile."""
        self.known.pop(name, None)
        if all(_is_settled(state, begun_ns) and _state(path) == state for path, state in states.items()):
            self.known[name] = {"files": states, "found": found}


@contextlib.contextmanager
def remembering(memory):
    """Use a cache for everything read inside the context; None for no cache."""
    token = _memory.set(memory)
    try:
        yield
    finally:
        _memory.reset(token)


def remembered(what, files, find, also=lambda found: ()):
    """A fact of files, from the cache where that is still valid.

    Parameters
    ----------
    what : str
        Kind of the fact.
    files : sequence of Path
        All files that it depends on and that are known beforehand.
    find : callable
        Gives the fact, which JSON must be able to hold.
    also : callable, optional
        Gives further files that the fact depends on.

    Returns
    -------
    object
        As `find` gives it.
    """
    memory = _memory.get()
    if memory is None:
        return find()
    files = [Path(file).absolute() for file in files]
    name = json.dumps([what, *map(str, files)])
    for found in memory.recalled(name, files):
        return found
    states = {str(file): _state(file) for file in files}
    youngest_ns = max((max(state[1:]) for state in states.values() if state is not None), default=0)
    wait_ns = youngest_ns + TICK_NS - time.time_ns()
    if 0 < wait_ns <= TICK_NS:
        time.sleep(wait_ns / SECOND_NS)
    begun_ns = time.time_ns()
    found = find()
    states |= {str(file): _state(file) for file in (Path(path).absolute() for path in also(found))}
    memory.remember(name, found, states, begun_ns)
    return found


# Size, and times at which content and owner's data changed [ns]; None where there is no such file.
def _state(path):
    try:
        state = Path(path).stat()
    except OSError:
        return None
    return [state.st_size, state.st_mtime_ns, state.st_ctime_ns]


def _is_settled(state, begun_ns):
    if state is None:
        return False
    _, changed_ns, touched_ns = state
    tick_ns = TICK_NS if changed_ns % SECOND_NS or touched_ns % SECOND_NS else COARSE_TICK_NS
    return max(changed_ns, touched_ns) + tick_ns <= begun_ns


# Files that together make one layer with the .shp that the settings name.
SHAPEFILE_PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
CHUNK_BYTES = 1 << 20


def content_digest(path, parts=()):
    """SHA-256 of a file's content; of all parts of a shapefile, or all files of a folder that is one data set.

    Parameters
    ----------
    path : Path
        File or folder.
    parts : sequence of Path
        Further files that the content is made of, such as those that a mosaic names.

    Returns
    -------
    str
        Hexadecimal. Within `sitefinder.io.digests.remembering` the files are read only if one of them changed.
    """
    path = Path(path)
    if path.is_dir():
        files = sorted(file for file in path.rglob("*") if file.is_file())
    elif path.suffix.lower() == ".shp":
        files = sorted(
            file for file in path.parent.glob(path.stem + ".*") if file.suffix.lower() in SHAPEFILE_PARTS
        )
    else:
        files = [path]
    files += parts
    return remembered("content", files, lambda: _digest(files))


def _digest(files):
    digest = hashlib.sha256()
    for file in files:
        if len(files) > 1:
            digest.update(file.name.encode())
        with file.open("rb") as stream:
            while chunk := stream.read(CHUNK_BYTES):
                digest.update(chunk)
    return digest.hexdigest()


def cells_digest(raster):
    """SHA-256 of a raster's cells and their georeference, for one that is not a file on this computer.

    Parameters
    ----------
    raster : rasterio dataset
        Open, of an address that GDAL reads: ``https://…``, ``/vsizip/…``.

    Returns
    -------
    str
        Hexadecimal.
    """
    facts = (raster.shape, tuple(raster.transform), raster.dtypes[0], raster.nodata, str(raster.crs))
    digest = hashlib.sha256(repr(facts).encode())
    for _, window in raster.block_windows(1):
        digest.update(raster.read(1, window=window).tobytes())
    return digest.hexdigest()
