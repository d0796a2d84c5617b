"""Files bound to what they were when a run first read them: one that changes after that stops the run."""

from __future__ import annotations

import contextlib
import os
from contextvars import ContextVar
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from sitefinder.errors import InputError, listed

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

SECOND_NS = 1_000_000_000
# Files that come and go beside a database or raster by being read or looked at. What the last one says of a raster
# is compared each time that the raster is opened; a viewer writes its statistics there.
PASSED_OVER = ("-shm", ".lock", ".aux.xml")
# Formats of one file, or of files that these endings give away. Of any other, all files of one stem are its parts.
PLAIN_FORMATS = {
    ".tif",
    ".tiff",
    ".vrt",
    ".gpkg",
    ".sqlite",
    ".shp",
    ".geojson",
    ".json",
    ".fgb",
    ".csv",
    ".parquet",
}
SIDECARS = {".ovr", ".msk", ".aux", ".tfw", ".tifw", ".wld", ".prj", ".hdr", ".dbf", ".shx", ".cpg", ".csvt"}
# What a database has not taken over yet; readers leave an empty one behind.
LOGS = ("-wal", "-journal")
# What may come beside a layer and change what it says.
MAY_COME = {
    ".gpkg": LOGS,
    ".sqlite": LOGS,
    ".shp": (".dbf", ".shx", ".prj", ".cpg"),
}


class FileState(NamedTuple):
    """What the system says of a file: size [bytes], times of change of content and of owner's data [ns], number.

    The third can be set back by nobody, so that a file that was exchanged and put back with its old time shows it;
    where it is no time of change, as on Windows, the number of the file does.
    """

    size: int
    modified_ns: int
    touched_ns: int
    number: int


class BoundFiles:
    """The files that a run has read, with their states as they were before each was first opened."""

    def __init__(self) -> None:
        self._states: dict[Path, FileState | None] = {}

    def bind(self, files: Iterable[str | os.PathLike[str]]) -> None:
        """Take down what files are now; those that are bound already stay as they are.

        Parameters
        ----------
        files : iterable of path-like
            Each with what may come beside it and change what it says. One that does not exist must not come.
        """
        for path in _with_companions(files):
            if path not in self._states:
                self._states[path] = _state(path)

    def validate(self, files: Iterable[str | os.PathLike[str]] | None = None) -> None:
        """Refuse files that are no longer what they were.

        Parameters
        ----------
        files : iterable of path-like, optional
            Those to look at, if they are bound; absent: all.

        Raises
        ------
        InputError
            Naming those that changed.
        """
        paths = list(self._states) if files is None else [path for path in _with_companions(files) if path in self]
        changed = [path for path in paths if _state(path) != self._states[path]]
        if changed:
            first = changed[0]
            raise InputError.of(
                "an input changed while the run was going on",
                file=listed(changed),
                expected=f"the file as it was first read: {_described(self._states[first])}",
                found=_difference(self._states[first], _state(first)),
                fix="start the run again when nothing writes to the file any more; what was kept before stays",
            )

    def __contains__(self, path: object) -> bool:
        return path in self._states


_current: ContextVar[BoundFiles | None] = ContextVar("bound_files", default=None)


@contextlib.contextmanager
def binding() -> Iterator[BoundFiles]:
    """All files that are read inside the context are bound to what they were at first."""
    bound = BoundFiles()
    token = _current.set(bound)
    try:
        yield bound
    finally:
        _current.reset(token)


def bound_now() -> BoundFiles | None:
    """The files of the run that goes on, or None where none does."""
    return _current.get()


@contextlib.contextmanager
def unchanged(*files: str | os.PathLike[str]) -> Iterator[None]:
    """While files are read: an error if one changes meanwhile, or has changed since the run first read it.

    Parameters
    ----------
    *files : path-like

    Raises
    ------
    InputError
        Also in place of whatever else went wrong with a file that changed.
    """
    bound = _current.get() or BoundFiles()
    bound.bind(files)
    bound.validate(files)
    try:
        yield
    except Exception:
        bound.validate(files)
        raise
    bound.validate(files)


def files_of(path: Path) -> tuple[Path, ...]:
    """Files that a data set is made of: all of a folder, or a file and those beside it that say more of it.

    Parameters
    ----------
    path : Path
        Must exist.

    Returns
    -------
    tuple of Path
        The data set itself first.
    """
    if path.is_dir():
        return (path, *sorted(file for file in path.rglob("*") if file.is_file()))
    is_plain = path.suffix.lower() in PLAIN_FORMATS

    def belongs(file: Path) -> bool:
        if file.name.startswith((f"{path.name}.", f"{path.name}-")):
            return True
        return file.name.startswith(f"{path.stem}.") and (not is_plain or file.suffix.lower() in SIDECARS)

    beside = (file for file in path.parent.iterdir() if belongs(file))
    return (path, *sorted(file for file in beside if file != path and file.is_file()))


def logs_of(path: Path) -> list[Path]:
    """Logs beside a database that hold what it has not taken over yet, and what its readers read with it.

    Parameters
    ----------
    path : Path

    Returns
    -------
    list of Path
    """
    if path.suffix.lower() not in MAY_COME or MAY_COME[path.suffix.lower()] is not LOGS:
        return []
    logs = (path.with_name(path.name + ending) for ending in LOGS)
    return [log for log in logs if _state(log) is not None]


# Files with those that say more of them, each once and absolute.
def _with_companions(files: Iterable[str | os.PathLike[str]]) -> list[Path]:
    found: dict[Path, None] = {}
    for file in files:
        path = Path(os.path.abspath(file))
        if path.name.endswith(PASSED_OVER):
            continue
        found[path] = None
        for ending in MAY_COME.get(path.suffix.lower(), ()):
            found[path.with_name(path.name + ending) if ending in LOGS else path.with_suffix(ending)] = None
    return list(found)


# What a file is now; None where there is none. An empty log holds nothing.
def _state(path: Path) -> FileState | None:
    try:
        state = os.stat(path)
    except (OSError, ValueError):
        return None
    if not state.st_size and path.name.endswith(LOGS):
        return None
    return FileState(state.st_size, state.st_mtime_ns, state.st_ctime_ns, state.st_ino)


def _described(state: FileState | None) -> str:
    return "none" if state is None else f"{state.size:,} bytes, changed {_time(state.modified_ns)}"


def _difference(before: FileState | None, now: FileState | None) -> str:
    if before is None or now is None or now[:2] != before[:2]:
        return _described(now)
    if now.touched_ns != before.touched_ns:
        return f"the same size and time, but the file was exchanged or touched {_time(now.touched_ns)}"
    return "the same size and times, but another file"


def _time(time_ns: int) -> str:
    seconds, rest_ns = divmod(time_ns, SECOND_NS)
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%d %H:%M:%S}.{rest_ns // 1_000_000:03d} UTC"
