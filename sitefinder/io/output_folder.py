"""The folder that a run delivers into: whether it can be written."""

import os
import tempfile
from pathlib import Path

from sitefinder.errors import InputError

# Folder of the delivery that the last one replaced, in the output folder.
PREVIOUS = "previous"
# Folder in the output folder for the marker of deliveries, their lock, and the files of one on its way.
OWN_FOLDER = ".sitefinder-delivery"
# In that: what an interrupted delivery was about to do. The next one completes it first.
JOURNAL = "journal.json"


def writable_folder(path):
    """The output folder, checked to be writable; the check leaves nothing behind.

    Parameters
    ----------
    path : path-like
        The folder need not exist yet.

    Returns
    -------
    Path
        As given. `deliver` makes the folder when there is something to put into it.

    Raises
    ------
    InputError
        If a file has that name, or the folder or its nearest existing parent is not writable.
    """
    path = Path(path)
    nearest = next(folder for folder in (path, *path.absolute().parents) if os.path.lexists(folder))
    if not nearest.is_dir():
        raise InputError.of(
            "the output folder cannot be made",
            folder=path,
            expected="a folder, or a name that is still free",
            found=f"{nearest} is not a folder",
            fix="change run.output_folder, or move that file",
        )
    try:
        with tempfile.TemporaryDirectory(prefix=".trial-", dir=nearest) as trial:
            Path(trial, "trial").write_bytes(b"trial")
    except OSError as error:
        raise InputError.of(
            "the output folder cannot be written",
            folder=path,
            expected=f"permission to make files in {nearest}",
            found=error.strerror,
            fix="change run.output_folder, or its permissions, or make room on the disk",
        ) from error
    return path
