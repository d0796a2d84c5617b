"""The output folder: whether it can be written, and a delivery that replaces the last one whole or not at all."""

import filecmp
import hashlib
import os
import shutil
import socket
import tempfile
from pathlib import Path

from sitefinder.errors import InputError
from sitefinder.io.digests import content_digest
from sitefinder.io.output_folder import PREVIOUS

# What SQLite leaves beside a database that a program holds open. A new database beside the old one's log would be
# damaged by it, so the log goes where its own database goes.
COMPANIONS = ("-wal", "-shm", "-journal")


def deliver(folder, writers, known=(), digests=None):
    """Write files aside, then put them in place of the last delivery, which is kept in ``previous``.

    Parameters
    ----------
    folder : path-like
        Made where it is not there.
    writers : dict of str to callable
        File name to a function that takes a path and writes the file there.
    known : iterable of str
        All names that deliveries of this kind may have. A file of such a name that the last delivery left and
        this one does not have goes to ``previous`` with the rest, so that it does not pass for one of this.
    digests : dict of str to str, optional
        SHA-256 of files by name, where it is known beforehand: a file that is in place already is not written.

    Returns
    -------
    list of Path
        The delivered files, in the order of `writers`.

    Raises
    ------
    InputError
        If the folder or the disk refuses. Until every file is written and synced, the last delivery stands
        untouched; then each file is replaced in one step, so that a whole one is under its name at any time.

    Notes
    -----
    A delivery that is equal to the last one, byte for byte and with the same files, replaces nothing, so that
    ``previous`` stays the last one that was different. Of another delivery only the files that differ are
    replaced; ``previous`` gets all of the last one. What leaves the folder leaves it before the first new file
    comes, so that at no time an old one stands beside a new one that it does not belong to.
    """
    folder = Path(folder)
    finals = [folder / name for name in writers]
    others = [folder / name for name in known if name not in writers]
    digests = {} if digests is None else digests
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _remove_abandoned(folder)
        leaving = [other for other in others if other.is_file()]
        written = [final for final in finals if not _holds(final, digests.get(final.name))]
        if not (leaving or written):
            return finals
        with tempfile.TemporaryDirectory(prefix=f"{_own_drafts()}{os.getpid()}-", dir=folder) as aside:
            for final in written:
                writers[final.name](Path(aside, final.name))
                _sync(Path(aside, final.name))
            changed = [final for final in written if not _equal(Path(aside, final.name), final)]
            if leaving or changed:
                last = [file for file in finals if file.is_file()] + leaving
                for file in last:
                    stays = file not in changed and file not in leaving
                    _keep(file, folder / PREVIOUS, Path(aside), stays)
                if last:
                    _leave_only(last, [*finals, *others], folder / PREVIOUS)
                for file in leaving:
                    file.unlink()
                for final in changed:
                    os.replace(Path(aside, final.name), final)
                _sync(folder)
    except OSError as error:
        raise InputError.of(
            "the results cannot be written",
            folder=folder,
            found=error.strerror or str(error),
            fix="make room on the disk, close programs that hold the old files, or change run.output_folder",
        ) from error
    return finals


# How the folders begin that runs of this machine write their files in.
def _own_drafts():
    return f".writing-{hashlib.sha256(socket.gethostname().encode()).hexdigest()[:8]}-"


# Remove what killed runs left half-written. What a living process or another machine writes stays; asking
# whether a process lives would end it on Windows.
def _remove_abandoned(folder):
    if os.name == "nt":
        return
    for path in folder.glob(f"{_own_drafts()}*"):
        number = path.name.removeprefix(_own_drafts()).partition("-")[0]
        if number.isdecimal() and not _lives(int(number)):
            shutil.rmtree(path, ignore_errors=True)


def _lives(number):
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


# Whether a file is in place with the bytes of a digest, and has no log with changes still to come.
def _holds(final, digest):
    if digest is None or not final.is_file() or any(companion.exists() for companion in _companions(final)):
        return False
    return content_digest(final) == digest


# Whether a new file has the bytes of the one in place, and that one has no log with changes still to come.
def _equal(draft, final):
    if not final.is_file() or any(companion.exists() for companion in _companions(final)):
        return False
    return filecmp.cmp(draft, final, shallow=False)


def _companions(path):
    return [path.with_name(path.name + ending) for ending in COMPANIONS]


# Remove from ``previous`` what an earlier delivery had and the one that is kept there now had not.
def _leave_only(last, files, previous):
    for file in files:
        if file not in last:
            for old in (previous / file.name, *_companions(previous / file.name)):
                old.unlink(missing_ok=True)


# Keep a file of the last delivery. One that is about to be replaced keeps its own name too until then, so it is
# linked where the disk can do that, and copied where not. One that stays is copied: who changes it in place must
# not change the one in ``previous``.
def _keep(final, previous, aside, stays):
    previous.mkdir(exist_ok=True)
    kept = previous / final.name
    if stays and _equal(final, kept):
        return
    second = aside / f"{PREVIOUS}-{final.name}"
    if stays or not _linked(final, second):
        shutil.copy2(final, second)
        _sync(second)
    for old in _companions(kept):
        old.unlink(missing_ok=True)
    os.replace(second, kept)
    for beside, companion in zip(_companions(final), _companions(kept), strict=True):
        if beside.exists():
            os.replace(beside, companion)
    _sync(previous)


# Give a file a second name, where the disk can do that.
def _linked(file, second):
    try:
        os.link(file, second)
    except OSError:
        return False
    return True


# Make the disk hold what the system says is written. Windows cannot sync a folder and needs no such thing.
def _sync(path):
    if path.is_dir() and os.name == "nt":
        return
    descriptor = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
