"""The store of results: each kept whole under its key, checked before it is read, else quarantined."""

import collections
import contextlib
import hashlib
import io
import json
import os
import re
import shutil
import socket
import stat
import tempfile
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple, Protocol

from sitefinder.errors import InputError, listed
from sitefinder.pipeline.executors import Written
from sitefinder.pipeline.keys import Recipe

CHUNK_BYTES = 1 << 20
# Nobody else may read or write what is kept: it holds places of confidential features, and is trusted when read.
PRIVATE_FOLDER, PRIVATE_FILE = 0o700, 0o600
WRITABLE_BY_OTHERS = stat.S_IWGRP | stat.S_IWOTH
# Where the system has it: a symbolic link is not followed.
NO_FOLLOW = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)


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


def remove_drafts(folder: Path) -> None:
    """Remove what a killed process left of `write_whole` in a folder that this process holds."""
    for path in Path(folder).glob(".*.json-*"):
        with contextlib.suppress(OSError):
            path.unlink()


def write_json(path: Path, value: Mapping[str, object]) -> None:
    """Put a value in place of a JSON file in one step, with a line for each of its names."""
    write_whole(path, _lines_of(value))


def _lines_of(value: Mapping[str, object]) -> bytes:
    lines = [f"{json.dumps(name)}: {json.dumps(held, ensure_ascii=False)}" for name, held in value.items()]
    return ("{\n" + ",\n".join(lines) + "\n}\n").encode()


def read_json(path: Path) -> Any:
    """A value from a JSON file, or None where there is none that can be read."""
    try:
        return json.loads(Path(path).read_bytes())
    except (OSError, ValueError):
        return None


def move_whole(draft: Path, final: Path) -> None:
    """Move a folder that is complete to its name, where nothing may stand.

    All of it is on the disk then; that it has its name lasts once the folder that it lies in is synced.
    """
    sync_folder(draft)
    os.replace(draft, final)


def link_or_copy(source: Path, target: Path) -> None:
    """The same content under a second name: linked where the disk can do that, else copied; synced."""
    try:
        os.link(source, target)
    except OSError:
        shutil.copyfile(source, target)
    os.chmod(target, PRIVATE_FILE)
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


def digest_of_stream(file: BinaryIO | io.FileIO) -> str:
    """SHA-256 of what is left to read of an open file, hexadecimal."""
    digest = hashlib.sha256()
    while chunk := file.read(CHUNK_BYTES):
        digest.update(chunk)
    return digest.hexdigest()


# The lock itself, which is the operating system's, and beside it a file that names its holder.
LOCK, HOLDER = "lock", "lock-holder.json"


@contextlib.contextmanager
def locked(
    folder: Path,
    *,
    what: str = "the store of results",
    fix: str = "wait until it has ended, or run with --no-store",
    wait_s: float = 0.0,
) -> Iterator[None]:
    """Hold a folder against all other runs.

    Parameters
    ----------
    folder : Path
        Must exist. The file ``lock-holder.json`` in it names the holder and is gone when nobody holds it.
    what, fix : str
        What is held, and what a user can do where another run holds it, for the message.
    wait_s : float
        How long to wait for another run to let it go [s].

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

    holder_file, lock = Path(folder, HOLDER), FileLock(Path(folder, LOCK), timeout=wait_s)
    try:
        lock.acquire()
    except Timeout:
        try:
            if _holder(holder_file):
                raise
            lock.acquire(timeout=MOMENT_S)
        except Timeout:
            raise _held(folder, _holder(holder_file), what, fix) from None
    try:
        holder = _holder(holder_file)
        if holder and holder.get("host") != socket.gethostname():
            raise _held(folder, holder, what, fix)
        me = {"pid": os.getpid(), "host": socket.gethostname(), "since": time.strftime("%Y-%m-%d %H:%M:%S")}
        holder_file.write_text(json.dumps(me), encoding="utf-8")
        try:
            yield
        finally:
            holder_file.unlink(missing_ok=True)
    finally:
        lock.release()


# A lock whose holder is not named was taken or let go just now; so long it is asked for again [s] (own choice).
MOMENT_S = 0.5


# Who holds the lock as the file says; empty where it names nobody, or nothing that can be read.
def _holder(path: Path) -> dict[str, Any]:
    said = read_json(path)
    return said if isinstance(said, dict) else {}


def _held(folder: Path, holder: dict[str, Any], what: str, fix: str) -> InputError:
    elsewhere = holder and holder.get("host") != socket.gethostname()
    if elsewhere:
        fix += f"; if it has ended for certain, delete {Path(folder, HOLDER)}"
    return InputError.of(
        f"another run is using {what}",
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
    sizes = {path: _sizes(path) for path in (folder / RESULTS).iterdir()}
    total, removed = sum({number: size for files in sizes.values() for number, size in files.items()}.values()), 0
    if total <= max_gb * BYTES_PER_GB:
        return 0
    names = collections.Counter(number for files in sizes.values() for number in files)
    for path in sorted(sizes, key=_last_used):
        if total <= max_gb * BYTES_PER_GB:
            break
        if path.name not in used:
            # Away from its name in one step, so that nothing half-removed bears it.
            gone = Path(tempfile.mkdtemp(prefix="removed-", dir=folder / DRAFTS))
            os.replace(path, gone / path.name)
            shutil.rmtree(gone, ignore_errors=True)
            names.subtract(sizes[path].keys())
            total -= sum(size for number, size in sizes[path].items() if not names[number])
            removed += 1
    return removed


def size_of(folder: Path) -> tuple[float, int]:
    """Size of all results of a store [GB], and their number."""
    results = folder / RESULTS
    paths = list(results.iterdir()) if results.is_dir() else []
    sizes: dict[int, int] = {}
    for path in paths:
        sizes |= _sizes(path)
    return sum(sizes.values()) / BYTES_PER_GB, len(paths)


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
    """Leave nothing behind of a store that a run made, holds and kept nothing in.

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
            for name in (HOLDER, LOCK, MARKER):
                (folder / name).unlink(missing_ok=True)
            for path in made:
                path.rmdir()


# Sizes of the files of a result, which lie side by side in its folder, by their numbers on the disk: results that
# are the same share files. What else lies among the results counts for nothing.
def _sizes(folder: Path) -> dict[int, int]:
    if not folder.is_dir():
        return {}
    with os.scandir(folder) as entries:
        return {entry.inode(): entry.stat(follow_symlinks=False).st_size for entry in entries if entry.is_file()}


def _last_used(folder: Path) -> tuple[int, str]:
    entry = folder / ENTRY
    return (entry if entry.exists() else folder).stat().st_mtime_ns, folder.name


# The file of a result; others beside it are those that it names.
RESULT = "result.data"


class Kept(NamedTuple):
    """A result from the store."""

    result: object


class Damage(Exception):
    """What is wrong with a kept result; noted, never raised out of the store."""


class Format(Protocol):
    """How a result is written as one file, and read; see `sitefinder.io.containers`.

    Files that the result names lie right in the scratch folder when it is written. Reading runs nothing that the
    file could choose, and raises `ValueError` for whatever is not as it was written.
    """

    def write_container(
        self, result: object, file: BinaryIO, scratch: Path | None
    ) -> tuple[dict[str, Path], int, str]:
        """Write a result; gives the files that it names, the bytes written and their SHA-256."""

    def read_container(self, data: bytearray, files: Mapping[str, Path]) -> Any:
        """The result; its paths lead to these files."""


class Store:
    """Results under their keys in a folder, as `open_store` and `looked_into` give it.

    Attributes
    ----------
    folder : Path
    scratch : Path or None
        Folder for files that stages write; those that a result names are kept with it. None where the store may
        only be looked into.
    notes : list of str
        What the user should know: results that were damaged, or could not be kept.
    """

    def __init__(self, folder: Path, scratch: Path | None, form: Format | None) -> None:
        self.folder, self.scratch, self._form = Path(folder), scratch, form
        self.notes: list[str] = []
        self._used: set[str] = set()
        # Files beside results whose digest this run has checked.
        self._checked: set[Path] = set()
        # Digests of all bytes of results that were asked for.
        self._bytes: dict[str, str] = {}

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
        if not os.path.lexists(place):
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

    def bytes_of(self, key: str) -> str | None:
        """A digest of all bytes of a result as they were written, None where there is none.

        Parameters
        ----------
        key : str

        Returns
        -------
        str or None
            Equal for results that are equal to the last bit, files beside them included.
        """
        if key not in self._bytes:
            entry = self._entry(key)
            if not isinstance(entry, dict):
                return None
            self._bytes[key] = _digest_of_entry(entry["files"])
        return self._bytes[key]

    def size_of(self, key: str) -> int:
        """Bytes of a result as it is kept, without files beside it; 0 where there is none."""
        try:
            return (self._place(key) / RESULT).stat().st_size
        except OSError:
            return 0

    def items_of(self, key: str) -> list[str]:
        """Keys of the results that a kept one was joined from, each kept by itself; empty for any other."""
        entry = self._entry(key)
        return (entry.get("items") or []) if isinstance(entry, dict) else []

    def keep(
        self,
        recipe: Recipe,
        result: object,
        seconds: float,
        content: str | None = None,
        items: Sequence[str] = (),
        written: Written | None = None,
        made_from: str | None = None,
    ) -> None:
        """Keep a result: written aside, synced, moved into place in one step.

        Parameters
        ----------
        recipe : Recipe
        result : object
            As the store's format holds it.
        seconds : float
            That it took.
        content : str, optional
            Digest of what it holds, see `content_of`.
        items : sequence of str, optional
            See `items_of`.
        written : Written, optional
            Where another process has written it already, in the store's format and without files beside it.
        made_from : str, optional
            See `sitefinder.pipeline.keys.Recipe.made_from`.

        Notes
        -----
        Where the disk refuses, that is listed in `notes` and the run goes on without keeping it.
        """
        with self._drafted(recipe) as draft:
            draft.mkdir(mode=PRIVATE_FOLDER)
            files: dict[str, Path] = {}
            if written is not None:
                link_or_copy(written.path, draft / RESULT)
                size, digest = written.size, written.digest
            else:
                with open(draft / RESULT, "xb", opener=_private) as file:
                    files, size, digest = self._format.write_container(result, file, self.scratch)
                    file.flush()
                    os.fsync(file.fileno())
            entries = {RESULT: {"bytes": size, "digest": digest}}
            for name, path in files.items():
                link_or_copy(path, draft / name)
                entries[name] = _file_entry(draft / name)
            self._complete(
                draft,
                recipe,
                {
                    "seconds": round(seconds, 3),
                    "made_from": made_from,
                    "content": content,
                    "items": list(items),
                    "files": entries,
                },
            )

    def keep_again(self, recipe: Recipe, key: str, made_from: str) -> bool:
        """Keep the result of an earlier run for another recipe too, if it was made from the same.

        Parameters
        ----------
        recipe : Recipe
        key : str
            Of the earlier result.
        made_from : str
            What a result of the recipe is made from, see `sitefinder.pipeline.keys.Recipe.made_from`.

        Returns
        -------
        bool
            Whether it is kept. Its files then have a second name and take no room twice, where the disk can do
            that. Whether they are sound shows when they are read.
        """
        entry, place = self._entry(key), self._place(key)
        if not isinstance(entry, dict) or entry.get("made_from") != made_from or place.is_symlink():
            return False
        files = [place / os.path.basename(name) for name in entry["files"]]
        # What cannot be read is no result to keep; the stage is run.
        with contextlib.suppress(Damage, OSError):
            for path in files:
                with _opened(path):
                    pass
            with self._drafted(recipe) as draft:
                draft.mkdir(mode=PRIVATE_FOLDER)
                for path in files:
                    link_or_copy(path, draft / path.name)
                found = {name: value for name, value in entry.items() if name not in ("place", "recipe")}
                self._complete(draft, recipe, found)
        return self.has(recipe.key)

    # Where a result on its way has its folder; what is there is gone, and that is noted, where the disk refuses.
    @contextlib.contextmanager
    def _drafted(self, recipe: Recipe) -> Iterator[Path]:
        draft = self.folder / DRAFTS / f"draft-{recipe.key}"
        try:
            yield draft
        except OSError as error:
            shutil.rmtree(draft, ignore_errors=True)
            self.notes.append(f"the result of {recipe.place} could not be kept: {error.strerror or error}")

    # Note what a result is, beside its files, and move it all into place.
    def _complete(self, draft: Path, recipe: Recipe, found: dict[str, Any]) -> None:
        entry = {"place": recipe.place, "recipe": recipe._asdict(), **found}
        with open(draft / ENTRY, "xb", opener=_private) as file:
            file.write(_lines_of(entry | {"digest": _digest_of_entry(entry)}))
            file.flush()
            os.fsync(file.fileno())
        place = self._place(recipe.key)
        if os.path.lexists(place):
            quarantine(self.folder, recipe.key, recipe.stage)
        move_whole(draft, place)
        self._used.add(recipe.key)
        self._bytes[recipe.key] = _digest_of_entry(found["files"])

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

    @property
    def _format(self) -> Format:
        if self._form is None:
            raise TypeError("this store may only be looked into")
        return self._form

    # What is noted of a result; None where that is missing or other than was written.
    def _entry(self, key: str) -> Any:
        try:
            with _opened(self._place(key) / ENTRY) as file:
                entry = json.loads(file.read())
            return entry if entry.pop("digest") == _digest_of_entry(entry) else None
        except (OSError, ValueError, LookupError, TypeError, AttributeError):
            return None

    # The result of a key, every byte of it checked first, and of the files beside it once in a run.
    def _read(self, key: str) -> Any:
        place = self._place(key)
        if place.is_symlink():
            raise Damage("it is a symbolic link")
        try:
            entry = self._entry(key)
            entries, recipe = entry["files"], Recipe(**entry["recipe"])
            if recipe.key != key:
                raise Damage("it is that of another recipe")
            for name, one in entries.items():
                if name != os.path.basename(name):
                    raise Damage(f"{ENTRY} names a file elsewhere")
                if name != RESULT:
                    self._check(place / name, one)
            with _opened(place / RESULT) as file:
                data = _all_of(file)
            if hashlib.sha256(data).hexdigest() != entries[RESULT]["digest"]:
                raise Damage(f"{RESULT} has other bytes than were written")
            return self._format.read_container(data, {name: place / name for name in entries if name != RESULT})
        except (KeyError, TypeError, AttributeError) as error:
            raise Damage(f"{ENTRY} or a file that it names is incomplete") from error
        except (OSError, ValueError) as error:
            raise Damage(getattr(error, "strerror", None) or str(error)) from error

    # Checked when the result is first used, whatever its time of change: bits change without it.
    def _check(self, path: Path, entry: dict[str, Any]) -> None:
        if path in self._checked:
            return
        with _opened(path) as file:
            size = os.fstat(file.fileno()).st_size
            if size != entry["bytes"]:
                raise Damage(f"{path.name} has {size} bytes, {entry['bytes']} were written")
            if digest_of_stream(file) != entry["digest"]:
                raise Damage(f"{path.name} has other bytes than were written")
        self._checked.add(path)


# SHA-256 of what is noted of a result.
def _digest_of_entry(entry: Mapping[str, object]) -> str:
    return hashlib.sha256(json.dumps(entry, sort_keys=True).encode()).hexdigest()


# Makes a file that only its owner may read.
def _private(path: str, flags: int) -> int:
    return os.open(path, flags | NO_FOLLOW, PRIVATE_FILE)


# A file of the store, opened where it is one that only its owner could write; no link is followed.
@contextlib.contextmanager
def _opened(path: Path) -> Iterator[io.FileIO]:
    # A pipe or device would wait for somebody to write.
    flags = os.O_RDONLY | NO_FOLLOW | getattr(os, "O_NONBLOCK", 0)
    with io.FileIO(os.open(path, flags), "rb") as file:
        state = os.fstat(file.fileno())
        if not stat.S_ISREG(state.st_mode):
            raise Damage(f"{path.name} is no regular file")
        if found := _others_may_write(state):
            raise Damage(f"{path.name} {found}")
        yield file


# All bytes of a file, read into memory once: what is checked is what is used.
def _all_of(file: io.FileIO) -> bytearray:
    data = bytearray(os.fstat(file.fileno()).st_size)
    view, filled = memoryview(data), 0
    # A system may give less than was asked for.
    while filled < len(data) and (count := file.readinto(view[filled:])):
        filled += count
    if filled < len(data):
        raise Damage("a file changes while it is read")
    return data


# How others than this user could have written a file or folder; empty where none could.
def _others_may_write(state: os.stat_result) -> str:
    if hasattr(os, "getuid"):
        if state.st_uid != os.getuid():
            return "belongs to another user"
        if state.st_mode & WRITABLE_BY_OTHERS:
            return "may be written by other users"
    return ""


@contextlib.contextmanager
def open_store(folder: Path, form: Format) -> Iterator[Store]:
    """The store in a folder, for the one run that may write it.

    Parameters
    ----------
    folder : path-like
        Made where it is not there; taken away again if no result came into it.
    form : Format
        Of results in it.

    Yields
    ------
    Store

    Raises
    ------
    InputError
        If another run holds it, it is no store, other users may write it, or the disk refuses.

    Notes
    -----
    What is read is data alone and runs nothing. A store of an earlier version held pickles, which can; it is
    renamed and not read, and a note says so.
    """
    folder = Path(os.path.abspath(folder))
    made = [path for path in (folder, *folder.parents) if not path.exists()]
    notes = []
    with contextlib.ExitStack() as stack:
        try:
            validate_store(folder)
            if is_store_of_pickles(folder):
                notes.append(_set_aside(folder))
            _begin(folder, stack)
            # While it is held, so that nothing is taken from another run that begins.
            if made:
                stack.callback(take_away_if_empty, folder, made)
            for name in PARTS:
                (folder / name).mkdir(exist_ok=True, mode=PRIVATE_FOLDER)
            # Whatever a killed run left half-written.
            for place in (folder, folder / RUNS):
                remove_drafts(place)
            for left in (folder / DRAFTS).iterdir():
                shutil.rmtree(left, ignore_errors=True)
            scratch = stack.enter_context(tempfile.TemporaryDirectory(prefix="scratch-", dir=folder / DRAFTS))
        except OSError as error:
            raise _unusable(folder, error) from error
        # One for all results: what a power cut takes away of their names is made again by the next run.
        stack.callback(_sync_results, folder)
        store = Store(folder, Path(scratch), form)
        store.notes.extend(notes)
        yield store


# What the disk refuses here is no reason to lose a run.
def _sync_results(folder: Path) -> None:
    with contextlib.suppress(OSError):
        sync_folder(folder / RESULTS)


# Make a store with its marker, where there is none, and hold it. Another run that ends may take an empty one away
# in the midst of that.
def _begin(folder: Path, stack: contextlib.ExitStack) -> None:
    for is_last in (False, False, True):
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=PRIVATE_FOLDER)
            _mark(folder)
            stack.enter_context(locked(folder))
            _mark(folder)
            return
        except FileNotFoundError:
            if is_last:
                raise


def _mark(folder: Path) -> None:
    if not (folder / MARKER).exists():
        write_json(folder / MARKER, {"kind": KIND, "version": VERSION})


def looked_into(folder: Path) -> Store:
    """The store in a folder as it is, to read from it only; it may be missing.

    Raises
    ------
    InputError
        See `validate_store`.
    """
    validate_store(Path(folder))
    return Store(Path(os.path.abspath(folder)), None, None)


# What a store begins with, so that nothing else is taken for one.
MARKER = "store.json"
KIND, VERSION = "sitefinder store of results", 1


def validate_store(folder: Path) -> None:
    """Refuse a folder that is no store and not empty, or that other users may write; nothing is written.

    Parameters
    ----------
    folder : Path
        May be missing. A store of an earlier version passes; `open_store` sets it aside.

    Raises
    ------
    InputError
    """
    if not os.path.lexists(folder):
        return
    if not folder.is_dir():
        raise _no_store(folder, "a file")
    said = read_json(folder / MARKER)
    kind, version = (said.get("kind"), said.get("version")) if isinstance(said, dict) else (None, None)
    # A first run that was killed may have left a draft of the marker.
    others = sorted(path.name for path in folder.iterdir() if not path.name.startswith(f".{MARKER}-"))
    if kind != KIND and others and not is_store_of_pickles(folder):
        raise _no_store(folder, listed(others))
    if kind == KIND and version != VERSION:
        raise InputError.of(
            "the store of results is of another version of this program",
            folder=folder,
            expected=f"version {VERSION} of its marker",
            found=f"version {version}",
            fix="set run.store_folder to another folder, delete this one, or run with --no-store",
        )
    for part in (folder, *(folder / name for name in PARTS)):
        if part != folder and part.is_symlink():
            raise InputError.of(
                "a folder of the store of results is a symbolic link",
                folder=part,
                expected="a folder within the store; no link in it is followed",
                found=f"a link to {os.readlink(part)}",
                fix="delete the link, set run.store_folder to another folder, or run with --no-store",
            )
        found = _others_may_write(part.stat()) if part.is_dir() else ""
        if found:
            raise InputError.of(
                "the store of results belongs to another user"
                if "belongs" in found
                else "the store of results may be written by other users",
                folder=part,
                expected="a folder that only you may write, since stored results are trusted when they are read",
                found=f"permissions {stat.S_IMODE(part.stat().st_mode):04o} of user {part.stat().st_uid}",
                fix=f"run chmod go-w {part}"
                if "written" in found
                else "set run.store_folder to a folder of your own, or run with --no-store",
            )


def problems_of_store(folder: Path, *, is_tried: bool = True) -> list[InputError]:
    """What would keep a run from using a folder as its store; nothing stays written.

    Parameters
    ----------
    folder : Path
    is_tried : bool
        Whether to try to write where it lies, or will; False where that has been tried already.

    Returns
    -------
    list of InputError
    """
    try:
        validate_store(folder)
        if is_tried:
            nearest = next(each for each in (folder, *folder.absolute().parents) if os.path.lexists(each))
            with tempfile.TemporaryDirectory(prefix=".trial-", dir=nearest):
                pass
    except InputError as error:
        return [error]
    except OSError as error:
        return [_unusable(folder, error)]
    return []


def is_store(folder: Path) -> bool:
    """Whether a folder bears the marker of a store."""
    said = read_json(folder / MARKER)
    return isinstance(said, dict) and said.get("kind") == KIND


def _unusable(folder: Path, error: OSError) -> InputError:
    return InputError.of(
        "the store of results cannot be used",
        folder=folder,
        found=error.strerror or str(error),
        fix="make room or change permissions, set run.store_folder, or run with --no-store",
    )


def _no_store(folder: Path, found: str) -> InputError:
    return InputError.of(
        "the folder for stored results holds something else",
        folder=folder,
        expected=f"an empty folder, one that does not exist, or a store of results ({MARKER})",
        found=found,
        fix="set run.store_folder to a folder of its own, or run with --no-store",
    )


# Names of results, and of what else a store without a marker may hold.
RESULT_NAME = re.compile(r"[0-9a-f]{64}")
OF_PICKLES = {*PARTS, LOCK, HOLDER, "files.json"}


def is_store_of_pickles(folder: Path) -> bool:
    """Whether a folder is a store of a version without a marker, whose results are pickles.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    bool
        Only where it holds nothing but parts of a store, and results or records of runs in them.
    """
    try:
        names = {path.name for path in folder.iterdir() if not path.name.startswith(".files.json-")}
        if (folder / MARKER).exists() or not names <= OF_PICKLES:
            return False
        results = [path for path in (folder / RESULTS).iterdir()] if (folder / RESULTS).is_dir() else []
        records = [read_json(path) for path in (folder / RUNS).glob("*.json")]
    except OSError:
        return False
    are_results = all(RESULT_NAME.fullmatch(path.name) and (path / ENTRY).is_file() for path in results)
    are_records = all(isinstance(record, dict) and "kept_as" in record for record in records)
    return are_results and are_records and bool(results or records)


# Give an old store another name beside it.
def _set_aside(folder: Path) -> str:
    with locked(folder):
        pass
    number = 1
    while os.path.lexists(aside := folder.with_name(f"{folder.name}-old-{number}")):
        number += 1
    os.replace(folder, aside)
    return (
        "the stored results of an earlier version are not read, since they are Python pickles; "
        f"they lie in {aside} and may be deleted"
    )


# Size and digest of a file, by which damage is noticed.
def _file_entry(path: Path) -> dict[str, Any]:
    with path.open("rb") as file:
        return {"bytes": os.fstat(file.fileno()).st_size, "digest": digest_of_stream(file)}
