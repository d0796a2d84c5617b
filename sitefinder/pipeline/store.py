"""The store of results: each kept whole under its key, checked before it is read, else set aside."""

import contextlib
import os
import pickle
import shutil
import tempfile
from pathlib import Path
from typing import NamedTuple

from sitefinder.errors import InputError
from sitefinder.pipeline.durable import digest_of_stream, link_or_copy, move_whole, read_json, write_json
from sitefinder.pipeline.housekeeping import (
    DRAFTS,
    ENTRY,
    PARTS,
    RESULTS,
    remove_least_used,
    set_aside,
    take_away_if_empty,
)
from sitefinder.pipeline.keys import Recipe
from sitefinder.pipeline.locks import locked
from sitefinder.pipeline.pickles import read_pickle, write_pickle

PICKLE = "result.pickle"


class Kept(NamedTuple):
    """A result from the store."""

    result: object


class Damage(Exception):
    """What is wrong with a kept result; told, never raised out of the store."""


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

    def __init__(self, folder, scratch, verify):
        self.folder, self.scratch, self.notes = Path(folder), scratch, []
        self._verify, self._used = verify, set()

    def has(self, key):
        """Whether a result is there; whether it is sound shows when it is read."""
        return (self._place(key) / ENTRY).is_file()

    def is_empty(self):
        """Whether no result is there."""
        return not any((self.folder / RESULTS).iterdir())

    def load(self, recipe):
        """A result, or None where there is none that is sound.

        Parameters
        ----------
        recipe : Recipe

        Returns
        -------
        Kept or None
            A damaged one is told in `notes` and set aside.
        """
        place = self._place(recipe.key)
        if not place.exists():
            return None
        try:
            kept = Kept(self._read(recipe.key))
        except Damage as damage:
            aside = set_aside(self.folder, recipe.key, recipe.stage)
            self.notes.append(f"the stored result of {recipe.place} is damaged ({damage}); it is made again, "
                              f"and the damaged one lies in {aside}")  # fmt: skip
            return None
        with contextlib.suppress(OSError):
            os.utime(place / ENTRY)
        self._used.add(recipe.key)
        return kept

    def content_of(self, key):
        """The digest of what a result holds that was kept with it, None where there is none."""
        entry = self._entry(key)
        return entry.get("content") if isinstance(entry, dict) else None

    def keep(self, recipe, result, seconds, content=None):
        """Keep a result: written aside, synced, moved into place in one step.

        Parameters
        ----------
        recipe : Recipe
        result : object
            See `sitefinder.pipeline.pickles.write_pickle`.
        seconds : float
            That it took.
        content : str, optional
            Digest of what it holds, see `content_of`.

        Notes
        -----
        Where the disk refuses, that is told in `notes` and the run goes on without keeping it.
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
            told = {name: _told(draft / name) for name in (PICKLE, *files)}
            entry = {
                "place": recipe.place,
                "seconds": round(seconds, 3),
                "recipe": recipe._asdict(),
                "content": content,
                "files": told,
            }
            write_json(draft / ENTRY, entry)
            place = self._place(recipe.key)
            if place.exists():
                set_aside(self.folder, recipe.key, recipe.stage)
            move_whole(draft, place)
            self._used.add(recipe.key)
        except OSError as error:
            shutil.rmtree(draft, ignore_errors=True)
            self.notes.append(f"the result of {recipe.place} could not be kept: {error.strerror or error}")

    def mark_used(self, keys):
        """Count results as used by this run."""
        for key in keys:
            if key not in self._used and (self._place(key) / ENTRY).is_file():
                with contextlib.suppress(OSError):
                    os.utime(self._place(key) / ENTRY)
                self._used.add(key)

    def clean(self, most_gb):
        """Remove the least recently used results until the rest is small enough, those of this run never.

        Parameters
        ----------
        most_gb : float
            Of all results together [GB].

        Returns
        -------
        int
            Number of results removed.
        """
        return remove_least_used(self.folder, most_gb, self._used)

    def _place(self, key):
        return self.folder / RESULTS / key

    def _entry(self, key):
        return read_json(self._place(key) / ENTRY)

    # The result of a key, every byte of it checked first. Large files beside the pickle are taken as sound while
    # size and time of change are those of when they were kept, unless all is to be verified.
    def _read(self, key):
        place, entry = self._place(key), self._entry(key)
        try:
            told, recipe = entry["files"], Recipe(**entry["recipe"])
            if recipe.key != key:
                raise Damage("it is that of another recipe")
            for name, one in told.items():
                if name != PICKLE:
                    self._check(place / name, one)
            with (place / PICKLE).open("rb") as file:
                if hasattr(os, "getuid") and os.fstat(file.fileno()).st_uid != os.getuid():
                    raise Damage("it belongs to another user")
                if digest_of_stream(file) != told[PICKLE]["digest"]:
                    raise Damage(f"{PICKLE} has other bytes than were written")
                file.seek(0)
                return read_pickle(file, {name: place / name for name in told if name != PICKLE})
        except (KeyError, TypeError, AttributeError) as error:
            raise Damage(f"{ENTRY} or what it tells of is not whole") from error
        except (OSError, EOFError, ImportError, ValueError, pickle.UnpicklingError) as error:
            raise Damage(getattr(error, "strerror", None) or str(error)) from error

    def _check(self, path, told):
        state = path.stat()
        if state.st_size != told["bytes"]:
            raise Damage(f"{path.name} has {state.st_size} bytes, {told['bytes']} were written")
        if self._verify or state.st_mtime_ns != told["changed_ns"]:
            with path.open("rb") as file:
                if digest_of_stream(file) != told["digest"]:
                    raise Damage(f"{path.name} has other bytes than were written")


@contextlib.contextmanager
def opened(folder, *, verify=False):
    """The store in a folder, for the one run that may write it.

    Parameters
    ----------
    folder : path-like
        Made where it is not there; taken away again if no result came into it.
    verify : bool
        Read every byte of what is kept afresh, not only where size or time of change is another.

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
            _refuse_foreign(folder)
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


def looked_into(folder):
    """The store in a folder as it is, to read from it only; it may be missing."""
    return Store(Path(os.path.abspath(folder)), None, False)


def _refuse_foreign(folder):
    if hasattr(os, "getuid") and folder.stat().st_uid != os.getuid():
        raise InputError.of(
            "the store of results belongs to another user",
            folder=folder,
            expected="a folder of your own, since stored results are trusted when they are read",
            fix="set run.store_folder to a folder of your own, or run with --no-store",
        )


def _told(path):
    state = path.stat()
    with path.open("rb") as file:
        return {"bytes": state.st_size, "changed_ns": state.st_mtime_ns, "digest": digest_of_stream(file)}
