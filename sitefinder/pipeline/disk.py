"""Whether a disk still takes what is written, asked where a stage failed: libraries say it in many ways."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from sitefinder.errors import StageError

# What is written to ask (own choice): less room than this is none for a stage.
TRIAL_BYTES = 1 << 20


def refusal_of(folder: Path) -> str | None:
    """What the system says when more is written into a folder than lies there; None where it takes that.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    str or None

    Notes
    -----
    A file is written of which nothing is left, then made as long as the largest one of the folder and more: what
    is limited may be the room of a disk, that of a user, or the size of a file.
    """
    try:
        largest = max((path.stat().st_size for path in Path(folder).iterdir() if path.is_file()), default=0)
        with tempfile.TemporaryFile(dir=folder) as trial:
            trial.write(bytes(TRIAL_BYTES))
            trial.flush()
            os.ftruncate(trial.fileno(), largest + TRIAL_BYTES)
    except OSError as error:
        return error.strerror or str(error)
    return None


def validate_room(folder: Path, stage: str) -> None:
    """Say that a stage failed since the disk refuses, if it does.

    Parameters
    ----------
    folder : Path
        Where stages write.
    stage : str

    Raises
    ------
    StageError
    """
    refusal = refusal_of(folder)
    if refusal is not None:
        raise StageError.of(
            f"what stage {stage} makes cannot be written",
            folder=folder,
            expected="a disk with room for it",
            found=refusal,
            fix="make room there, or name another disk: run.store_folder, or TMPDIR for a run that keeps nothing",
        )
