"""The output folder: a delivery replaces the last one completely or not at all, also where it is killed."""

import contextlib
import filecmp
import hashlib
import os
import shutil
import socket
import tempfile
from pathlib import Path

from sitefinder.delivery.ownership import (
    NOTHING,
    Delivered,
    companions,
    delivered_digest,
    delivered_in,
    digest_now,
    has_log,
    is_edited,
    read_marker,
    write_marker,
)
from sitefinder.errors import InputError
from sitefinder.io.digests import content_digest
from sitefinder.io.output_folder import JOURNAL, OWN_FOLDER, PREVIOUS
from sitefinder.pipeline.store import locked, read_json, remove_drafts, sync_folder, write_json

JOURNAL_KIND, JOURNAL_VERSION = "sitefinder delivery on its way", 1
# Folder in ``previous`` for files that were changed after their delivery: nothing replaces or deletes those.
EDITED = "edited"
# Parts of the folder of a delivery on its way.
NEW, REPLACED = "new", "replaced"
# How long a delivery waits for another one into the same folder to end [s] (own choice; most take less than one).
WAIT_S = 30.0


def deliver(folder, writers, known=(), digests=None, *, is_own=False):
    """Write files to a temporary folder, then replace the last delivery, which is kept in ``previous``.

    Parameters
    ----------
    folder : path-like
        Created if it does not exist.
    writers : dict of str to callable
        File name to a function that takes a path and writes the file there.
    known : iterable of str
        All names that deliveries of this kind may have. A file of the last delivery that this one does not have
        moves to ``previous`` with the others, so that it cannot be taken for one of this delivery.
    digests : dict of str to str, optional
        SHA-256 of files by name, if known: a file that is already in place is not written.
    is_own : bool
        Whether the folder is for deliveries alone: then it must be empty or hold a delivery.

    Returns
    -------
    list of Path
        The delivered files, in the order of `writers`.

    Raises
    ------
    InputError
        If a file would be replaced that was not delivered, another delivery into the folder does not end, or the
        folder or the disk refuses. Until every file is written and synced, the last delivery is unchanged.

    Notes
    -----
    A delivery identical to the last one, byte for byte and with the same files, replaces nothing, so that
    ``previous`` remains the last different one. Otherwise only files that differ are replaced; ``previous`` gets
    all of the last delivery. Files are removed before the first new file is placed.

    All new files, and those for ``previous``, are ready and synced before a journal says what will be moved where.
    A delivery that is killed before that has changed nothing; one that is killed after it is completed by the next
    one, which moves what is not moved yet. So old and new files are never taken for one delivery.
    A marker lists what was delivered. Nothing else is replaced, and what a user changed since is never deleted: it
    goes to ``previous`` with its delivery, and from there to ``previous/edited``.
    """
    folder = Path(folder)
    digests = {} if digests is None else digests
    finals = [folder / name for name in writers]
    try:
        delivered_in(folder, writers, is_own=is_own)
        made = [path for path in (folder, *folder.parents) if not path.exists()]
        (folder / OWN_FOLDER).mkdir(parents=True, exist_ok=True)
        try:
            with locked(folder / OWN_FOLDER, what="the output folder", fix=_FIX, wait_s=WAIT_S):
                remove_drafts(folder / OWN_FOLDER)
                complete_interrupted(folder)
                _remove_abandoned(folder)
                last = delivered_in(folder, writers, is_own=is_own)
                _replace(folder, writers, known, digests, last)
        finally:
            _remove_if_unused(folder, made)
    except OSError as error:
        raise InputError.of(
            "the results cannot be written",
            folder=folder,
            found=error.strerror or str(error),
            fix="make room on the disk, close programs that hold the old files, or change run.output_folder",
        ) from error
    return finals


_FIX = "wait until it has ended, or deliver into another folder (run.output_folder)"


# Write what is not in place, and move it there with a journal.
def _replace(folder, writers, known, digests, last):
    finals = [folder / name for name in writers]
    leaving = [name for name in known if name not in writers and name in last.files and (folder / name).is_file()]
    written = [final for final in finals if last.is_mixed or not _holds(final, digests.get(final.name))]
    # Files that are listed and none of these belong to another kind of delivery into the same folder.
    files = {name: digest for name, digest in last.files.items() if name not in (*writers, *leaving)}
    files |= {final.name: delivered_digest(final) for final in finals if final not in written}
    changed = []
    draft = Path(tempfile.mkdtemp(prefix=f"{_own_drafts()}{os.getpid()}-", dir=folder / OWN_FOLDER))
    try:
        for part in (NEW, REPLACED):
            (draft / part).mkdir()
        for final in written:
            new = draft / NEW / final.name
            writers[final.name](new)
            _sync(new)
            files[final.name] = digest_now(new)
            if last.is_mixed or not _equal(new, final):
                changed.append(final.name)
        if leaving or changed:
            journal = _prepared(folder, draft, [*writers, *known], changed, leaving, files, last)
            for made in (draft / NEW, draft / REPLACED, draft):
                sync_folder(made)
            write_json(folder / OWN_FOLDER / JOURNAL, journal)
            _carry_out(folder, journal)
        elif files != last.files:
            write_marker(folder, last._replace(files=files))
    finally:
        if not (folder / OWN_FOLDER / JOURNAL).exists():
            shutil.rmtree(draft, ignore_errors=True)


# The journal: what will be moved where, with the files for ``previous`` ready beside the new ones.
def _prepared(folder, draft, names, changed, leaving, files, last):
    previous, replaced, kept = folder / PREVIOUS, {}, {}
    moving = [*changed, *leaving]
    present = [name for name in dict.fromkeys(names) if (folder / name).is_file()]
    if last.is_mixed:
        # Of a mixture of two deliveries nothing goes to ``previous`` but what a user changed.
        present = [
            name for name in present if name in moving and is_edited(folder / name, last.files.get(name, ""))
        ]
    elif not leaving and all(_is_same(folder / name, files[name], last.files.get(name)) for name in changed):
        # The same delivery, of which a file was deleted or touched by a viewer: what it replaced stays.
        present = []
    for name in present:
        final, digest = folder / name, last.files.get(name, "")
        if name not in moving and name not in files:
            continue  # not of this delivery nor the last one: a file of the user
        kept[name] = digest
        if name not in moving and _equal(final, previous / name):
            continue
        # One that is about to be replaced is linked if the disk supports links. One that stays is copied: a
        # change in place must not change the file in ``previous``.
        second = draft / REPLACED / name
        if name not in moving or not _linked(final, second):
            shutil.copy2(final, second)
            _sync(second)
        replaced[name] = digest_now(second)
    is_next = bool(kept) and not last.is_mixed
    going = [name for name in names if name in replaced or (is_next and name not in kept)]
    return {
        "kind": JOURNAL_KIND,
        "version": JOURNAL_VERSION,
        "draft": draft.name,
        "new": {name: files[name] for name in changed},
        "leaving": leaving,
        "replaced": replaced,
        # Of the files in ``previous`` that make room, whether a user changed each since its delivery.
        "going": {
            name: is_edited(previous / name, last.previous.get(name, ""))
            for name in going
            if os.path.lexists(previous / name)
        },
        "files": files,
        "previous": {name: digest for name, digest in last.previous.items() if name not in going} | kept,
    }


# Whether a file is the one of the last delivery in all but what viewers touch, or is missing, and is so again now.
def _is_same(final, digest, last_digest):
    return digest == last_digest and not (final.is_file() and is_edited(final, digest))


# Move everything to its place. Each step does nothing where it was done before the program was killed: what is
# ready is moved, not copied, so that whatever is still there is what was not moved yet.
def _carry_out(folder, journal):
    draft, previous = folder / OWN_FOLDER / journal["draft"], folder / PREVIOUS
    if journal["replaced"]:
        previous.mkdir(exist_ok=True)
    for name, was_edited in journal["going"].items():
        if name not in journal["replaced"] or (draft / REPLACED / name).exists():
            _make_room(previous, name, was_edited)
    for name in journal["replaced"]:
        if (draft / REPLACED / name).exists():
            os.replace(draft / REPLACED / name, previous / name)
    for name in (*journal["new"], *journal["leaving"]):
        if name in journal["leaving"] or (draft / NEW / name).exists():
            _move_companions(folder / name, previous / name if name in journal["replaced"] else None)
    if journal["replaced"]:
        sync_folder(previous)
    for name in journal["leaving"]:
        (folder / name).unlink(missing_ok=True)
    for name in journal["new"]:
        if (draft / NEW / name).exists():
            os.replace(draft / NEW / name, folder / name)
    sync_folder(folder)
    write_marker(folder, Delivered(journal["files"], journal["previous"]))
    (folder / OWN_FOLDER / JOURNAL).unlink()
    sync_folder(folder / OWN_FOLDER)


# Move the files beside a database with it; where it goes nowhere they hold nothing.
def _move_companions(path, target):
    targets = [None] * len(companions(path)) if target is None else companions(target)
    for beside, companion in zip(companions(path), targets, strict=True):
        if beside.exists() and companion is not None:
            os.replace(beside, companion)
        else:
            beside.unlink(missing_ok=True)


# Take a file out of ``previous``; one that a user changed goes to a name of its own.
def _make_room(previous, name, was_edited):
    old = previous / name
    if was_edited and os.path.lexists(old):
        aside = previous / EDITED
        aside.mkdir(exist_ok=True)
        number = 1
        while os.path.lexists(aside / f"{number}-{name}"):
            number += 1
        _move_companions(old, aside / f"{number}-{name}")
        os.replace(old, aside / f"{number}-{name}")
        sync_folder(aside)
    for each in (*companions(old), old):
        each.unlink(missing_ok=True)


def complete_interrupted(folder):
    """Complete a delivery that was killed while its files were moved to their places.

    Parameters
    ----------
    folder : Path
        The output folder, held by this process.

    Notes
    -----
    Where files that were ready are missing or damaged, it cannot be completed. Old and new files then lie side by
    side: the marker says so, and the next delivery replaces all of them and moves none to ``previous``.
    """
    path = folder / OWN_FOLDER / JOURNAL
    if not path.exists():
        return
    journal = read_json(path)
    if _can_complete(folder, journal):
        _carry_out(folder, journal)
    else:
        last = read_marker(folder) or NOTHING
        listed = journal.get("files") if isinstance(journal, dict) else None
        new = listed if isinstance(listed, dict) else {}
        names = last.files | {name: digest for name, digest in new.items() if _has(folder / name, digest)}
        write_marker(folder, last._replace(files=dict.fromkeys(new, "") | names, is_mixed=True))
        path.unlink()
        sync_folder(folder / OWN_FOLDER)
    if isinstance(journal, dict) and isinstance(journal.get("draft"), str):
        shutil.rmtree(folder / OWN_FOLDER / Path(journal["draft"]).name, ignore_errors=True)


def _has(path, digest):
    return path.is_file() and delivered_digest(path) == digest


# Whether every file of a journal is ready or in its place already, with its bytes.
def _can_complete(folder, journal):
    with contextlib.suppress(KeyError, TypeError, AttributeError, OSError):
        if (journal["kind"], journal["version"]) != (JOURNAL_KIND, JOURNAL_VERSION):
            return False
        draft = folder / OWN_FOLDER / journal["draft"]
        names = (journal["new"], journal["leaving"], journal["replaced"], journal["going"], journal["files"])
        if any(name != os.path.basename(name) for part in (*names, [journal["draft"]]) for name in part):
            return False
        places = [
            (journal["new"], draft / NEW, folder),
            (journal["replaced"], draft / REPLACED, folder / PREVIOUS),
        ]
        return isinstance(journal["previous"], dict) and all(
            digest_now(ready / name if (ready / name).is_file() else place / name) == digest
            for part, ready, place in places
            for name, digest in part.items()
        )
    return False


# Prefix of the temporary folders of runs on this computer.
def _own_drafts():
    return f".writing-{hashlib.sha256(socket.gethostname().encode()).hexdigest()[:8]}-"


# Remove incomplete files of killed runs, but not those of a running process or of another computer.
def _remove_abandoned(folder):
    for place in (folder, folder / OWN_FOLDER):
        for path in place.glob(f"{_own_drafts()}*"):
            number = path.name.removeprefix(_own_drafts()).partition("-")[0]
            if number.isdecimal() and not _lives(int(number)):
                shutil.rmtree(path, ignore_errors=True)


# Whether a process may be running; on Windows to ask would end it.
def _lives(number):
    if os.name == "nt":
        return True
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


# Leave no folder behind into which nothing was delivered, if this delivery made it.
def _remove_if_unused(folder, made):
    if made and {path.name for path in folder.iterdir()} == {OWN_FOLDER}:
        own = folder / OWN_FOLDER
        if {path.name for path in own.iterdir()} <= {"lock"}:
            with contextlib.suppress(OSError):
                (own / "lock").unlink(missing_ok=True)
                own.rmdir()
                for path in made:
                    path.rmdir()


# Whether a file is in place with the bytes of a digest, and has no log with changes still to come.
def _holds(final, digest):
    if digest is None or not final.is_file() or has_log(final):
        return False
    return content_digest(final) == digest


# Whether a new file has the bytes of the one in place, and that one has no log with changes still to come.
def _equal(draft, final):
    return final.is_file() and not has_log(final) and filecmp.cmp(draft, final, shallow=False)


# Give a file a second name, if the disk supports it.
def _linked(file, second):
    try:
        os.link(file, second)
    except OSError:
        return False
    return True


# Flush a file to disk.
def _sync(path):
    descriptor = os.open(path, os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
