"""A new project folder: commented settings, data files to change, and a place for the user's data."""

import json
import shutil
from pathlib import Path

import sitefinder
from sitefinder.errors import InputError

SETTINGS_FILE, DATA_FOLDER = "settings.toml", "data"
TEMPLATE = Path("new", "settings.toml")
NAME_LINE = 'name = "My region"\n'
# What a new folder holds of the data files that come with sitefinder.
COPIED = (
    "turbines/generic.toml",
    "screens/*.toml",
    "costs/*.toml",
    "environmental-flow/*.toml",
    "dem-errors/*.toml",
)
# Where those are in an installed package, and in a checkout.
PACKAGE = Path(sitefinder.__file__).parent
PLACES = (PACKAGE / "generic", PACKAGE.parent / "config")


def write_new_folder(folder, filled=None):
    """Make a folder that runs once its settings are filled in.

    Parameters
    ----------
    folder : path-like
        New or empty. The inventory gets its name.
    filled : callable, optional
        Gives the text of the settings from that of the template.

    Returns
    -------
    Path
        The settings file.

    Raises
    ------
    InputError
        If the folder is not empty, or cannot be made; nothing is overwritten.
    """
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError.of(
            "the folder is not empty",
            folder=folder,
            expected="a name that is still free, or an empty folder",
            found="a file of that name" if not folder.is_dir() else "files in it",
            fix="choose another name; nothing was written",
        )
    generic = next(place for place in PLACES if (place / TEMPLATE).is_file())
    try:
        (folder / DATA_FOLDER).mkdir(parents=True, exist_ok=True)
        for pattern in COPIED:
            for path in sorted(generic.glob(pattern)):
                copy = folder / path.relative_to(generic)
                copy.parent.mkdir(exist_ok=True)
                shutil.copyfile(path, copy)
        text = (generic / TEMPLATE).read_text(encoding="utf-8")
        # A JSON string without escapes for letters is a TOML string.
        named = f"name = {json.dumps(folder.resolve().name, ensure_ascii=False)}\n"
        text = text.replace(NAME_LINE, named)
        (folder / SETTINGS_FILE).write_text(text if filled is None else filled(text), encoding="utf-8")
    except OSError as error:
        raise InputError.of(
            "the folder cannot be made", folder=folder, found=error.strerror, fix="choose another place"
        ) from error
    return folder / SETTINGS_FILE
