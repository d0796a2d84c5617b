"""The store of results: each kept whole under its key, checked before it is read, else quarantined."""

import contextlib
import hashlib
import json
import os
import pickle
import shutil
import socket
import tempfile
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple

from sitefinder.errors import InputError
from sitefinder.pipeline.keys import Recipe

CHUNK_BYTES = 1 << 20


def write_whole(path: Path, data: bytes) -> None:
    """Put bytes in place of a file in one step.

    Parameters
    ----------
    path : Path
    data : bytes
    """
    path = Path(path)
    descriptor, draft = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(draft, path)
    except BaseException:
        Path(draft).unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def write_json(path: Path, value: Mapping[str, object]) -> None:
    """Put a value in place of a JSON file in one step, with a line for each of its names."""
    lines = [f"{json.dumps(name)}: {json.dumps(held, ensure_ascii=False)}" for name, held in value.items()]
    write_whole(path, ("{\n" + ",\n".join(lines) + "\n}\n").encode())


def read_json(path: Path) -> Any:
    """A value from a JSON file, or None where there is none that can be read."""
    try:
        return json.loads(Path(path).read_bytes())
    except (OSError, ValueError):
        return None


def move_whole(draft: Path, final: Path) -> None:
    """Move a folder that is complete to its name, durably. Nothing may stand there."""
    sync_folder(draft)
    os.replace(draft, final)
    sync_folder(Path(final).parent)


def link_or_copy(source: Path, target: Path) -> None:
    """The same content under a second name: linked where the disk can do that, else copied; synced."""
    try:
        os.link(source, target)
    except OSError:
        shutil.copyfile(source, target)
    descriptor = os.open(target, os.O_RDONLY)
    try:
        # A disk that syncs only what it may write says so; the content was written by another hand then.
        with contextlib.suppress(OSError):
            os.fsync(descriptor)
    finally:
        os.close(descriptor)


def sync_folder(folder: Path) -> None:
    """Make the disk hold the names in a folder. Windows cannot do that and needs no such thing."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def digest_of_stream(file: BinaryIO) -> str:
    """SHA-256 of what is left to read of an open file, hexadecimal."""
    digest = hashlib.sha256()
    while chunk := file.read(CHUNK_BYTES):
        digest.update(chunk)
    return digest.hexdigest()


PROTOCOL = 5


def write_pickle(result: object, file: BinaryIO, scratch: Path | None) -> dict[str, Path]:
    """Write a result, and say which files in the scratch folder belong to it.

    Parameters
    ----------
    result : object
        May hold a `pathlib.Path` to a file right in the scratch folder; the path is written as that file's name.
    file : binary file
    scratch : Path

    Returns
    -------
    dict of str to Path
        The files, by name.

    Raises
    ------
    TypeError
        If a path leads elsewhere: the result could not be moved then.
    """
    files: dict[str, Path] = {}

    class Pickler(pickle.Pickler):
        def persistent_id(self, value: object) -> str | None:
            if not isinstance(value, Path):
                return None
            if value.parent != scratch:
                raise TypeError(f"a result that is kept holds a path outside its scratch folder: {value}")
            files[value.name] = value
            return value.name

    Pickler(file, protocol=PROTOCOL).dump(result)
    return files


def read_pickle(file: BinaryIO, files: Mapping[str, Path]) -> Any:
    """A result as `write_pickle` wrote it, its paths leading to the files now.

    Parameters
    ----------
    file : binary file
    files : dict of str to Path

    Raises
    ------
    KeyError
        If it names a file that is none of those.
    """

    class Unpickler(pickle.Unpickler):
        def persistent_load(self, name: str) -> Path:
            return files[name]

    return Unpickler(file).load()


# The lock itself, which is the operating system's, and beside it a file that names its holder.
LOCK, HOLDER = "lock", "lock-holder.json"


@contextlib.contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold a folder against all other runs.

    Parameters
    ----------
    folder : Path
        Must exist. The file ``lock-holder.json`` in it names the holder and is gone when nobody holds it.

    Raises
    ------
    InputError
        If another process holds it, on this machine or, as far as the holder's file says, on another one.

    Notes
    -----
    The lock is the operating system's and ends with the process, however that ends; what a killed process left is
    taken over. Where a shared disk does not carry such locks from one machine to another, what the file says of
    another machine is believed, since nobody here can know whether that process lives.
    """
    from filelock import FileLock, Timeout

    holder_file, lock = Path(folder, HOLDER), FileLock(Path(folder, LOCK), timeout=0)
    try:
        lock.acquire()
    except Timeout:
        raise _held(folder, _holder(holder_file)) from None
    try:
        holder = _holder(holder_file)
        if holder and holder.get("host") != socket.gethostname():
            raise _held(folder, holder)
        me = {"pid": os.getpid(), "host": socket.gethostname(), "since": time.strftime("%Y-%m-%d %H:%M:%S")}
        holder_file.write_text(json.dumps(me), encoding="utf-8")
        try:
            yield
        finally:
            holder_file.unlink(missing_ok=True)
    finally:
        lock.release()


# Who holds the lock as the file says; empty where it names nobody, or nothing that can be read.
def _holder(path: Path) -> dict[str, Any]:
    said = read_json(path)
    return said if isinstance(said, dict) else {}


def _held(folder: Path, holder: dict[str, Any]) -> InputError:
    elsewhere = holder and holder.get("host") != socket.gethostname()
    fix = "wait until it has ended, or run with --no-store"
    if elsewhere:
        fix += f"; if it has ended for certain, delete {Path(folder, HOLDER)}"
    return InputError.of(
        "another run is using the store of results",
        folder=folder,
        expected="one run at a time",
        found=f"process {holder.get('pid', '?')} on {holder.get('host', '?')}, since {holder.get('since', '?')}",
        fix=fix,
    )


RESULTS, DRAFTS, DAMAGED, RUNS = PARTS = ("results", "drafts", "damaged", "runs")
ENTRY = "entry.json"
# So many damaged results are kept for a look at them (own choice).
DAMAGED_KEPT = 5
BYTES_PER_GB = 1e9


def remove_min_used(folder: Path, max_gb: float, used: set[str]) -> int:
    """Remove the least recently used results until the rest is small enough.

    Parameters
    ----------
    folder : Path
        Of the store, held by the run.
    max_gb : float
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
        if total <= max_gb * BYTES_PER_GB:
            break
        if path.name not in used:
            # Away from its name in one step, so that nothing half-removed bears it.
            gone = Path(tempfile.mkdtemp(prefix="removed-", dir=folder / DRAFTS))
            os.replace(path, gone / path.name)
            shutil.rmtree(gone, ignore_errors=True)
            total -= sizes[path]
            removed += 1
    return removed


def size_of(folder: Path) -> tuple[float, int]:
    """Size of all results of a store [GB], and their number."""
    results = folder / RESULTS
    paths = list(results.iterdir()) if results.is_dir() else []
    return sum(map(_size, paths)) / BYTES_PER_GB, len(paths)


def quarantine(folder: Path, key: str, name: str) -> Path:
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


def take_away_if_empty(folder: Path, made: list[Path]) -> None:
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


# Size of a result: its files lie side by side in its folder. What else lies among the results counts for nothing.
def _size(folder: Path) -> int:
    if not folder.is_dir():
        return 0
    with os.scandir(folder) as entries:
        return sum(entry.stat().st_size for entry in entries if entry.is_file())


def _last_used(folder: Path) -> tuple[int, str]:
    entry = folder / ENTRY
    return (entry if entry.exists() else folder).stat().st_mtime_ns, folder.name


PICKLE = "result.pickle"


class Kept(NamedTuple):
    """A result from the store."""

    result: object


class Damage(Exception):
    """What is wrong with a kept result; noted, never raised out of the store."""


class Store:
    """Results under their keys in a folder, as `opened` and `looked_into` give it.

    Attributes
    ----------
    folder : Path
    scratch : Path or None
        Folder for files that stages write; those that a result names are kept with it. None where the store may
        only be looked into.
    notes : list of str
        What the user should know: results that were damaged, or could not be kept.
    """

    def __init__(self, folder: Path, scratch: Path | None, verify: bool) -> None:
        self.folder, self.scratch = Path(folder), scratch
        self.notes: list[str] = []
        self._verify = verify
        self._used: set[str] = set()

    def has(self, key: str) -> bool:
        """Whether a result is there; whether it is sound shows when it is read."""
        return (self._place(key) / ENTRY).is_file()

    def is_empty(self) -> bool:
        """Whether no result is there."""
        return not any((self.folder / RESULTS).iterdir())

    def load(self, recipe: Recipe) -> Kept | None:
        """A result, or None where there is none that is sound.

        Parameters
        ----------
        recipe : Recipe

        Returns
        -------
        Kept or None
            A damaged one is listed in `notes` and set aside.
        """
        place = self._place(recipe.key)
        if not place.exists():
            return None
        try:
            kept = Kept(self._read(recipe.key))
        except Damage as damage:
            aside = quarantine(self.folder, recipe.key, recipe.stage)
            self.notes.append(f"the stored result of {recipe.place} is damaged ({damage}); it is made again, "
                              f"and the damaged one lies in {aside}")  # fmt: skip
            return None
        with contextlib.suppress(OSError):
            os.utime(place / ENTRY)
        self._used.add(recipe.key)
        return kept

    def content_of(self, key: str) -> str | None:
        """The digest of what a result holds that was kept with it, None where there is none."""
        entry = self._entry(key)
        return entry.get("content") if isinstance(entry, dict) else None

    def items_of(self, key: str) -> list[str]:
        """Keys of the results that a kept one was joined from, each kept by itself; empty for any other."""
        entry = self._entry(key)
        return (entry.get("items") or []) if isinstance(entry, dict) else []

    def keep(
        self, recipe: Recipe, result: object, seconds: float, content: str | None = None, items: Sequence[str] = ()
    ) -> None:
        """Keep a result: written aside, synced, moved into place in one step.

        Parameters
        ----------
        recipe : Recipe
        result : object
            See `sitefinder.pipeline.store.write_pickle`.
        seconds : float
            That it took.
        content : str, optional
            Digest of what it holds, see `content_of`.
        items : sequence of str, optional
            See `items_of`.

        Notes
        -----
        Where the disk refuses, that is listed in `notes` and the run goes on without keeping it.
        """
        draft = self.folder / DRAFTS / f"draft-{recipe.key}"
        try:
            draft.mkdir()
            with (draft / PICKLE).open("wb") as file:
                files = write_pickle(result, file, self.scratch)
                file.flush()
                os.fsync(file.fileno())
            for name, path in files.items():
                link_or_copy(path, draft / name)
            entries = {name: _file_entry(draft / name) for name in (PICKLE, *files)}
            entry = {
                "place": recipe.place,
                "seconds": round(seconds, 3),
                "recipe": recipe._asdict(),
                "content": content,
                "items": list(items),
                "files": entries,
            }
            write_json(draft / ENTRY, entry)
            place = self._place(recipe.key)
            if place.exists():
                quarantine(self.folder, recipe.key, recipe.stage)
            move_whole(draft, place)
            self._used.add(recipe.key)
        except OSError as error:
            shutil.rmtree(draft, ignore_errors=True)
            self.notes.append(f"the result of {recipe.place} could not be kept: {error.strerror or error}")

    def mark_used(self, keys: Iterable[str]) -> None:
        """Count results as used by this run."""
        for key in keys:
            if key not in self._used and (self._place(key) / ENTRY).is_file():
                with contextlib.suppress(OSError):
                    os.utime(self._place(key) / ENTRY)
                self._used.add(key)

    def clean(self, max_gb: float) -> int:
        """Remove the least recently used results until the rest is small enough, those of this run never.

        Parameters
        ----------
        max_gb : float
            Of all results together [GB].

        Returns
        -------
        int
            Number of results removed.
        """
        return remove_min_used(self.folder, max_gb, self._used)

    def _place(self, key: str) -> Path:
        return self.folder / RESULTS / key

    def _entry(self, key: str) -> Any:
        return read_json(self._place(key) / ENTRY)

    # The result of a key, every byte of it checked first. Large files beside the pickle are taken as sound while
    # size and time of change are those of when they were kept, unless all is to be verified.
    def _read(self, key: str) -> Any:
        place, entry = self._place(key), self._entry(key)
        try:
            entries, recipe = entry["files"], Recipe(**entry["recipe"])
            if recipe.key != key:
                raise Damage("it is that of another recipe")
            for name, one in entries.items():
                if name != PICKLE:
                    self._check(place / name, one)
            with (place / PICKLE).open("rb") as file:
                if hasattr(os, "getuid") and os.fstat(file.fileno()).st_uid != os.getuid():
                    raise Damage("it belongs to another user")
                if digest_of_stream(file) != entries[PICKLE]["digest"]:
                    raise Damage(f"{PICKLE} has other bytes than were written")
                file.seek(0)
                return read_pickle(file, {name: place / name for name in entries if name != PICKLE})
        except (KeyError, TypeError, AttributeError) as error:
            raise Damage(f"{ENTRY} or a file that it names is incomplete") from error
        except (OSError, EOFError, ImportError, ValueError, pickle.UnpicklingError) as error:
            raise Damage(getattr(error, "strerror", None) or str(error)) from error

    def _check(self, path: Path, entries: dict[str, Any]) -> None:
        state = path.stat()
        if state.st_size != entries["bytes"]:
            raise Damage(f"{path.name} has {state.st_size} bytes, {entries['bytes']} were written")
        if self._verify or state.st_mtime_ns != entries["changed_ns"]:
            with path.open("rb") as file:
                if digest_of_stream(file) != entries["digest"]:
                    raise Damage(f"{path.name} has other bytes than were written")


@contextlib.contextmanager
def open_store(folder: Path, *, verify: bool = False) -> Iterator[Store]:
    """The store in a folder, for the one run that may write it.

    Parameters
    ----------
    folder : path-like
        Made where it is not there; taken away again if no result came into it.
    verify : bool
        Read every byte of what is kept again, not only where size or time of change is another.

    Yields
    ------
    Store

    Raises
    ------
    InputError
        If another run holds it, it belongs to another user, or the disk refuses.

    Notes
    -----
    Results are pickles, which can run anything when they are read. They are read only from files of one's own
    user, after their digest was found as written.
    """
    folder = Path(os.path.abspath(folder))
    made = [path for path in (folder, *folder.parents) if not path.exists()]
    with contextlib.ExitStack() as stack:
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            if made:
                stack.callback(take_away_if_empty, folder, made)
            _validate_foreign(folder)
            stack.enter_context(locked(folder))
            for name in PARTS:
                (folder / name).mkdir(exist_ok=True)
            # Whatever a killed run left half-written.
            for left in (folder / DRAFTS).iterdir():
                shutil.rmtree(left, ignore_errors=True)
            scratch = stack.enter_context(tempfile.TemporaryDirectory(prefix="scratch-", dir=folder / DRAFTS))
        except OSError as error:
            raise InputError.of(
                "the store of results cannot be used",
                folder=folder,
                found=error.strerror or str(error),
                fix="make room or change permissions, set run.store_folder, or run with --no-store",
            ) from error
        yield Store(folder, Path(scratch), verify)


def looked_into(folder: Path) -> Store:
    """The store in a folder as it is, to read from it only; it may be missing."""
    return Store(Path(os.path.abspath(folder)), None, False)


def _validate_foreign(folder: Path) -> None:
    if hasattr(os, "getuid") and folder.stat().st_uid != os.getuid():
        raise InputError.of(
            "the store of results belongs to another user",
            folder=folder,
            expected="a folder of your own, since stored results are trusted when they are read",
            fix="set run.store_folder to a folder of your own, or run with --no-store",
        )


# Size, time of change and digest of a file, by which damage is noticed.
def _file_entry(path: Path) -> dict[str, Any]:
    state = path.stat()
    with path.open("rb") as file:
        return {"bytes": state.st_size, "changed_ns": state.st_mtime_ns, "digest": digest_of_stream(file)}
