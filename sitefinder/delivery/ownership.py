"""Which files of an output folder this program wrote: its marker, and what a delivery may therefore replace."""

import contextlib
import hashlib
import os
import sqlite3
import stat
from pathlib import Path
from typing import NamedTuple

from sitefinder.delivery.graph import GEOPACKAGE, KNOWN
from sitefinder.errors import InputError, SitefinderError, all_of, listed
from sitefinder.io.digests import remembered
from sitefinder.io.output_folder import JOURNAL, OWN_FOLDER, PREVIOUS
from sitefinder.pipeline.store import is_store, read_json, write_json

MARKER = "delivery.json"
KIND, VERSION = "sitefinder delivery", 1
# Names that a folder may hold and still count as empty: those of this program, and what operating systems leave in
# folders by themselves (common practice, no source).
OWN_PREFIXES = (".sitefinder-", ".writing-", ".trial-", ".nfs")
LEFT_BY_SYSTEMS = (".DS_Store", "Thumbs.db", "desktop.ini", ".directory", "lost+found")
SQLITE = b"SQLite format 3\x00"
# Fields of SQLite's first 100 bytes that change when a viewer merely opens a database: how its log is kept, the
# counter of changes, and the library of the last change (SQLite, "Database File Format", section 1.3).
TOUCHED_BY_VIEWERS = ((18, 20), (24, 28), (92, 100))
CHUNK_BYTES = 1 << 20
# Files of SQLite beside an open database. The log of an old database would damage a new one, so it moves with
# its own database.
COMPANIONS = ("-wal", "-shm", "-journal")
LOGS = ("-wal", "-journal")


class Delivered(NamedTuple):
    """Files of the last delivery and of the one in ``previous``: digest as delivered by name, "" if not known."""

    files: dict
    previous: dict
    # Whether files of two deliveries lie side by side, since one was interrupted and cannot be completed.
    is_mixed: bool = False


NOTHING = Delivered({}, {})


def read_marker(folder):
    """What was delivered into a folder, by its marker; None where it has none that can be read.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    Delivered or None

    Raises
    ------
    InputError
        If a later version of the program wrote it.
    """
    said = read_json(folder / OWN_FOLDER / MARKER)
    if not isinstance(said, dict) or said.get("kind") != KIND:
        return None
    if said.get("version") != VERSION:
        raise InputError.of(
            "the delivery in the output folder is of another version of this program",
            folder=folder,
            expected=f"version {VERSION} of its marker",
            found=f"version {said.get('version')}",
            fix="deliver into another folder (run.output_folder), or use the program that wrote it",
        )
    files, previous = said.get("files"), said.get("previous")
    if not all(isinstance(names, dict) for names in (files, previous)):
        return None
    return Delivered(dict(files), dict(previous), said.get("is_mixed") is True)


def write_marker(folder, delivered):
    """Keep what was delivered into a folder.

    Parameters
    ----------
    folder : Path
    delivered : Delivered
    """
    write_json(folder / OWN_FOLDER / MARKER, {"kind": KIND, "version": VERSION, **delivered._asdict()})


def delivered_in(folder, names, *, is_own=False):
    """What earlier deliveries left in a folder, after a check that a delivery would replace nothing else.

    Parameters
    ----------
    folder : Path
        Need not exist.
    names : iterable of str
        Files to deliver.
    is_own : bool
        Whether the folder is for deliveries alone: it must then be empty or bear a marker.

    Returns
    -------
    Delivered
        Of a delivery by a version without markers, recognised by its GeoPackage, all files without digests.

    Raises
    ------
    InputError
        Listing every file in the way.
    """
    delivered = read_marker(folder)
    journal = read_json(folder / OWN_FOLDER / JOURNAL)
    if delivered is None and is_own and isinstance(journal, dict):
        delivered = NOTHING
    if delivered is None and is_earlier_delivery(folder / GEOPACKAGE):
        delivered = _of_earlier_version(folder)
    if delivered is None and is_own:
        _validate_empty(folder)
    delivered = NOTHING if delivered is None else delivered
    known = {*delivered.files, *(journal.get("files", ()) if isinstance(journal, dict) else ())}
    problems = [_in_the_way(folder / name, name in known) for name in names]
    problems = [problem for problem in problems if problem is not None]
    if os.path.lexists(folder / PREVIOUS) and _kind_of(folder / PREVIOUS) != "a folder":
        problems.append(
            InputError.of(
                "the output folder has no room for the delivery before",
                file=folder / PREVIOUS,
                expected="a folder, or a name that is still free",
                found=_kind_of(folder / PREVIOUS),
                fix="move or rename it, or deliver into another folder (run.output_folder)",
            )
        )
    if len(problems) == 1:
        raise problems[0]
    if problems:
        raise all_of(InputError, str(folder), [str(problem) for problem in problems])
    return delivered


# What is wrong with a file that has the name of one to deliver; None where it may be replaced.
def _in_the_way(path, is_delivered):
    if not os.path.lexists(path):
        return None
    kind = _kind_of(path)
    if kind == "a file" and (is_delivered or is_earlier_delivery(path)):
        return None
    return InputError.of(
        "a file in the output folder has the name of one that would be delivered",
        file=path,
        expected="a file that sitefinder delivered, or a name that is still free",
        found=kind if kind != "a file" else "a file that is not listed among those delivered",
        fix="move or rename it, or deliver into another folder (run.output_folder)",
    )


def _kind_of(path):
    mode = path.lstat().st_mode
    kinds = {stat.S_ISREG: "a file", stat.S_ISDIR: "a folder", stat.S_ISLNK: "a symbolic link"}
    return next((name for is_kind, name in kinds.items() if is_kind(mode)), "no regular file")


def _validate_empty(folder):
    if not folder.is_dir():
        return
    others = sorted(
        path.name
        for path in folder.iterdir()
        if not path.name.startswith(OWN_PREFIXES) and path.name not in LEFT_BY_SYSTEMS and not is_store(path)
    )
    if others:
        raise InputError.of(
            "the output folder holds files that sitefinder did not deliver",
            folder=folder,
            expected=f"an empty folder, one that does not exist, or one with a delivery ({OWN_FOLDER}/{MARKER})",
            found=listed(others),
            fix="set run.output_folder to a folder of its own, or move these files to another one",
        )


def is_earlier_delivery(path):
    """Whether a file is the GeoPackage of a run, by the table in it that names this program's version.

    Parameters
    ----------
    path : Path

    Returns
    -------
    bool
    """
    try:
        with path.open("rb") as file:
            if file.read(len(SQLITE)) != SQLITE:
                return False
        # Immutable: nothing is written beside it, whoever holds it open.
        place = f"{path.absolute().as_uri()}?mode=ro&immutable=1"
        with contextlib.closing(sqlite3.connect(place, uri=True)) as database:
            asked = "SELECT count(*) FROM provenance WHERE kind = 'version' AND name = 'sitefinder'"
            return database.execute(asked).fetchone()[0] > 0
    except (OSError, sqlite3.Error):
        return False


# What a version without markers may have delivered: none of it is known by its bytes, so none is ever deleted.
def _of_earlier_version(folder):
    def present(place):
        return {name: "" for name in KNOWN if (place / name).is_file()}

    return Delivered(present(folder), present(folder / PREVIOUS))


def delivered_digest(path):
    """SHA-256 of a file as delivered; of a database without the fields that change when it is merely opened.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str
        Hexadecimal.
    """
    return remembered("as delivered", [path], lambda: digest_now(path))


def digest_now(path):
    """The same of a file that was just written, which is not worth remembering."""
    digest = hashlib.sha256()
    with Path(path).open("rb") as file:
        first = bytearray(file.read(CHUNK_BYTES))
        if first.startswith(SQLITE):
            for begin, end in TOUCHED_BY_VIEWERS:
                first[begin:end] = bytes(len(first[begin:end]))
        digest.update(first)
        while chunk := file.read(CHUNK_BYTES):
            digest.update(chunk)
    return digest.hexdigest()


def is_edited(path, digest):
    """Whether a file is not, or not for certain, as it was delivered.

    Parameters
    ----------
    path : Path
    digest : str
        As delivered; "" where that is not known.

    Returns
    -------
    bool
    """
    return not digest or has_log(path) or delivered_digest(path) != digest


def has_log(path):
    """Whether changes of a database are still to come from a log beside it."""
    return any(beside.is_file() and beside.stat().st_size > 0 for beside in _beside(path, LOGS))


def companions(path):
    """Names of the files of SQLite beside an open database."""
    return _beside(path, COMPANIONS)


def _beside(path, endings):
    return [path.with_name(path.name + ending) for ending in endings]


def problems_of_output(folder, names):
    """What would keep a run from delivering into a folder that is for deliveries alone; nothing is written.

    Parameters
    ----------
    folder : Path
    names : iterable of str
        Files to deliver.

    Returns
    -------
    list of SitefinderError
    """
    try:
        delivered_in(Path(folder), names, is_own=True)
    except SitefinderError as error:
        return [error]
    return []
