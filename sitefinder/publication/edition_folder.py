"""The folder of a public edition: its marker, what it may replace, and how it is put in place as a whole."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from sitefinder.delivery.ownership import COMPANIONS, LEFT_BY_SYSTEMS, digest_now, has_log
from sitefinder.errors import InputError, listed
from sitefinder.pipeline.store import locked, move_whole, read_json, sync_folder

MARKER = "edition.json"
KIND, VERSION = "sitefinder public edition", 1
# Parts of the folder beside an edition in which it is made ready, and in which the last one lies meanwhile.
NEW, LAST = "new", "last"
WAIT_S = 30.0


def problem_of_folder(folder: Path) -> InputError | None:
    """What keeps an edition from being put into a folder; nothing is written.

    Parameters
    ----------
    folder : Path
        Need not exist.

    Returns
    -------
    InputError or None
        None for a folder that is not there, is empty, or holds an edition as it was published.
    """
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        return InputError.of(
            "the public edition needs a folder of its own",
            folder=folder,
            expected="a folder, or a name that is still free",
            found="a symbolic link" if folder.is_symlink() else "a file",
            fix="name another folder",
        )
    if not folder.exists():
        return None
    files = list(_files_in(folder))
    if not files:
        return None
    listing = _listing(folder)
    if listing is None:
        return InputError.of(
            "the folder is not empty, and holds no public edition",
            folder=folder,
            expected=f"an empty folder, a name that is still free, or an edition of sitefinder ({MARKER})",
            found=listed(sorted(files)),
            fix="name another folder; nothing was written",
        )
    strange = [name for name in files if name not in listing]
    changed = [name for name in listing if (folder / name).is_file() and _is_edited(folder / name, listing[name])]
    if strange or changed:
        return InputError.of(
            "the public edition in the folder is not as it was published",
            folder=folder,
            expected="the files that it was published with, since all of them are replaced",
            found="; ".join(
                f"{what}: {listed(names)}" for what, names in (("added", strange), ("changed", changed)) if names
            ),
            fix="move what is yours to another folder, or publish into another one; nothing was written",
        )
    return None


# Names and digests by the marker; None where there is none of an edition.
def _listing(folder: Path) -> dict[str, str] | None:
    said = read_json(folder / MARKER)
    if not isinstance(said, dict) or (said.get("kind"), said.get("version")) != (KIND, VERSION):
        return None
    files = said.get("files")
    return {**files, MARKER: ""} if isinstance(files, dict) else None


def _is_edited(path: Path, digest: str) -> bool:
    return bool(digest) and (has_log(path) or digest_now(path) != digest)


# Files of a folder by their names relative to it, without what systems and viewers leave there.
def _files_in(folder: Path) -> Iterator[str]:
    for path in sorted(folder.rglob("*")):
        is_beside = path.name.endswith(COMPANIONS) and not path.stat().st_size
        if (path.is_file() or path.is_symlink()) and path.name not in LEFT_BY_SYSTEMS and not is_beside:
            yield path.relative_to(folder).as_posix()


def put_in_place(folder: Path, write: Callable[[Path], None]) -> list[Path]:
    """Write an edition aside and put it in place of the last one as a whole.

    Parameters
    ----------
    folder : Path
    write : callable
        Takes a new empty folder and writes all files there, the marker excepted.

    Returns
    -------
    list of Path
        All files of the edition.

    Raises
    ------
    InputError
        If something else is in the way, or the folder or the disk refuses; the last edition then stays.

    Notes
    -----
    The last edition is not kept: it may show what this one generalises more. A program that is killed leaves the
    last edition or the new one; where it is killed between the two moves, the next call puts one of them in place.
    """
    folder = Path(os.path.abspath(folder))
    beside = folder.with_name(f".sitefinder-edition-{folder.name}")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        beside.mkdir(exist_ok=True)
        with locked(beside, what="the folder of the public edition", fix="wait until it has ended", wait_s=WAIT_S):
            _complete_interrupted(folder, beside)
            if (problem := problem_of_folder(folder)) is not None:
                raise problem
            new = beside / NEW
            new.mkdir()
            write(new)
            write_marker(new)
            _sync_all(new)
            if folder.exists():
                os.replace(folder, beside / LAST)
            move_whole(new, folder)
            sync_folder(folder.parent)
    except OSError as error:
        raise InputError.of(
            "the public edition cannot be written",
            folder=folder,
            found=error.strerror or str(error),
            fix="make room on the disk, close programs that hold files there, or name another folder",
        ) from error
    finally:
        # With a new edition in place, or none made, nothing in it is needed any more.
        if folder.exists() or not (beside / LAST).exists():
            shutil.rmtree(beside, ignore_errors=True)
    return [folder / name for name in _files_in(folder)]


# What a killed program left: an edition that is ready is put in place, else the last one is put back.
def _complete_interrupted(folder: Path, beside: Path) -> None:
    if not folder.exists():
        for name in (NEW, LAST):
            if _listing(beside / name) is not None and _is_whole(beside / name):
                move_whole(beside / name, folder)
                sync_folder(folder.parent)
                break
    for name in (NEW, LAST):
        shutil.rmtree(beside / name, ignore_errors=True)


def _is_whole(folder: Path) -> bool:
    listing = _listing(folder) or {}
    with contextlib.suppress(OSError):
        return all(not digest or digest_now(folder / name) == digest for name, digest in listing.items())
    return False


def write_marker(folder: Path) -> None:
    """Keep in the marker what an edition holds, with the digest of each file."""
    files = {name: digest_now(folder / name) for name in _files_in(folder) if name != MARKER}
    marker: dict[str, Any] = {"kind": KIND, "version": VERSION, "files": files}
    # Written like the other files, so that whoever may read them may read it.
    (folder / MARKER).write_text(json.dumps(marker, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")


def _sync_all(folder: Path) -> None:
    for path in sorted(folder.rglob("*")):
        if path.is_dir():
            sync_folder(path)
        else:
            with path.open("rb+") as file:
                os.fsync(file.fileno())
