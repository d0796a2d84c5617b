"""Digests of what files hold, cached while size and time of change of a file stay the same."""

import contextlib
import hashlib
import json
import time
from contextvars import ContextVar
from pathlib import Path

# A file that changes again within one tick of its disk's clock keeps its time. A file so young is read when the
# tick is over; on disks that tell whole seconds, ticks are of up to two of them, and what is so young is not
# remembered.
TICK_NS, COARSE_TICK_NS = 50_000_000, 2_000_000_000
SECOND_NS = 1_000_000_000
# So many facts are kept from one run to the next (own choice); a run asks for some dozens to hundreds.
KEPT = 5000
_memory = ContextVar("memory", default=None)


class Memory:
    """Facts of files by name: what was found, and size and times of change that each file had then.

    Parameters
    ----------
    known : dict, optional
        From `Memory.known` of an earlier run.
    recalls : bool
        False to read everything again, and to remember what is found then.
    """

    def __init__(self, known=None, recalls=True):
        self.known = dict(known) if isinstance(known, dict) else {}
        self._recalls = recalls

    def recalled(self, name, files):
        """What is remembered of files under a name, as a list of one; empty where nothing holds any more."""
        entry = self.known.get(name) if self._recalls else None
        try:
            states = entry["files"]
            holds = all(str(file) in states for file in files)
            if holds and all(_state(path) == state for path, state in states.items()):
                # The last one of which use was made stands last.
                self.known[name] = self.known.pop(name)
                return [entry["found"]]
        except (TypeError, KeyError):
            pass
        return []

    @property
    def kept(self):
        """What is to be kept for the next run: of all that is known, that of which use was made last."""
        return dict(list(self.known.items())[-KEPT:])

    def remember(self, name, found, states, begun_ns):
        """Remember what was found, unless a file may have changed meanwhile."""
        self.known.pop(name, None)
        if all(_is_settled(state, begun_ns) and _state(path) == state for path, state in states.items()):
            self.known[name] = {"files": states, "found": found}


@contextlib.contextmanager
def remembering(memory):
    """Use a memory for all that is read meanwhile; None for none."""
    token = _memory.set(memory)
    try:
        yield
    finally:
        _memory.reset(token)


def remembered(what, files, find, also=lambda found: ()):
    """What is found in files, from memory where that still holds.

    Parameters
    ----------
    what : str
        Kind of the fact.
    files : sequence of Path
        All that it hangs on and that can be named beforehand.
    find : callable
        Gives the fact, of what JSON holds.
    also : callable, optional
        Gives from the fact further files that it hangs on.

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


# Files that together are one layer, beside the .shp that the settings name.
SHAPEFILE_PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
CHUNK_BYTES = 1 << 20


def content_digest(path, parts=()):
    """SHA-256 of a file's bytes; of a shapefile's parts, or of all files of a folder that is one data set.

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


def cells_digest(path):
    """SHA-256 of a raster's cells and of where they lie, for one that is no file on this computer.

    Parameters
    ----------
    path : str
        Address that GDAL reads: ``https://…``, ``/vsizip/…``.

    Returns
    -------
    str
        Hexadecimal.
    """
    import rasterio

    with rasterio.open(path) as raster:
        said = (raster.shape, tuple(raster.transform), raster.dtypes[0], raster.nodata, str(raster.crs))
        digest = hashlib.sha256(repr(said).encode())
        for _, window in raster.block_windows(1):
            digest.update(raster.read(1, window=window).tobytes())
    return digest.hexdigest()
