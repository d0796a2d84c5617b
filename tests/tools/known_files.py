"""What the files of a region hold, noted in a store: for a copy of a region that was run somewhere else."""

import json
from pathlib import Path

# Where a store has it.
NAME = "files.json"


def know_files(settings, store):
    """Read the inputs of a run, and note in a store what the files hold, as a run does.

    Whatever is done with that region and store then reads no file again that stays as it is. Where a region is
    copied with its store, all that the store knows is of the files of the first.

    Parameters
    ----------
    settings : Path
        The settings file.
    store : Path
        Folder of the store.

    Returns
    -------
    sitefinder.steps.inputs.LazyInputs
    """
    # Tests that need no run start without its libraries.
    from sitefinder.io.digests import Memory, remembering  # noqa: PLC0415
    from sitefinder.preparation import read_run  # noqa: PLC0415

    memory = Memory()
    with remembering(memory):
        inputs = read_run(settings)[1]
    (Path(store) / NAME).write_text(json.dumps(memory.kept), encoding="utf-8")
    return inputs
