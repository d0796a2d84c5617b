"""The output folder: a delivery replaces the last one completely or not at all."""

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

# Files of SQLite beside an open database. The log of an old database would damage a new one, so it moves with
# its own database.
COMPANIONS = ("-wal", "-shm", "-journal")


def deliver(folder, writers, known=(), digests=None):
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

    Returns
    -------
    list of Path
        The delivered files, in the order of `writers`.

    Raises
    ------
    InputError
        If the folder or the disk refuses. Until every file is written and synced, the last delivery is
        unchanged; then each file is replaced in one step, so that a complete file has its name at any time.

    Notes
    -----
    A delivery identical to the last one, byte for byte and with the same files, replaces nothing, so that
    ``previous`` remains the last different one. Otherwise only files that differ are replaced; ``previous`` gets
    all of the last delivery. Files are removed before the first new file is placed, so that old and new files
    never lie side by side.
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


# Prefix of the temporary folders of runs on this computer.
def _own_drafts():
    return f".writing-{hashlib.sha256(socket.gethostname().encode()).hexdigest()[:8]}-"


# Remove incomplete files of killed runs, but not those of a running process or of another computer; testing
# whether a process is running would end it on Windows.
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


# Remove from ``previous`` the files of an earlier delivery that the one kept there now does not have.
def _leave_only(last, files, previous):
    for file in files:
        if file not in last:
            for old in (previous / file.name, *_companions(previous / file.name)):
                old.unlink(missing_ok=True)


# Keep a file of the last delivery. One that is about to be replaced keeps its name until then, so it is linked if
# the disk supports links, and copied if not. One that stays is copied: a change in place must not change the file
# in ``previous``.
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


# Give a file a second name, if the disk supports it.
def _linked(file, second):
    try:
        os.link(file, second)
    except OSError:
        return False
    return True


# Flush to disk. Windows cannot sync a folder and does not need to.
def _sync(path):
    if path.is_dir() and os.name == "nt":
        return
    descriptor = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
