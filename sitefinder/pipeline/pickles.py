"""Results as bytes: pickles that keep files beside themselves."""

import pickle
from pathlib import Path

PROTOCOL = 5


def write_pickle(result, file, scratch):
    """Write a result, and tell which files in the scratch folder belong to it.

    Parameters
    ----------
    result : object
        May hold a `pathlib.Path` to a file right in the scratch folder; the path is written as that file's name.
    file : binary file
    scratch : Path

    Returns
    -------
    dict of str to Path
        The files, by name.

    Raises
    ------
    TypeError
        If a path leads elsewhere: the result could not be moved then.
    """
    files = {}

    class Pickler(pickle.Pickler):
        def persistent_id(self, value):
            if not isinstance(value, Path):
                return None
            if value.parent != scratch:
                raise TypeError(f"a result that is kept holds a path outside its scratch folder: {value}")
            files[value.name] = value
            return value.name

    Pickler(file, protocol=PROTOCOL).dump(result)
    return files


def read_pickle(file, files):
    """A result as `write_pickle` wrote it, its paths leading to the files now.

    Parameters
    ----------
    file : binary file
    files : dict of str to Path

    Raises
    ------
    KeyError
        If it names a file that is none of those.
    """

    class Unpickler(pickle.Unpickler):
        def persistent_load(self, name):
            return files[name]

    return Unpickler(file).load()
