"""Things that a run reads: judged once, remembered by their files, and read only when something asks for them."""

import contextlib
import hashlib
import json
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import NamedTuple

from sitefinder.errors import InputError, SitefinderError
from sitefinder.io.remembered import remembered
from sitefinder.pipeline.code import digest_of_files, own_code

# Who made a file, when, under which licence: given in the delivery, never part of a stage's result.
OF_A_FILE = ("source", "date", "licence")
# Vector data sets that hold all of themselves in one file, or in files of one stem. What may refer to further
# files (a virtual layer, a database on a server) is read by every run.
WHOLE_IN_THEMSELVES = frozenset(
    {".gpkg", ".shp", ".geojson", ".json", ".fgb", ".csv", ".sqlite", ".parquet", ".gdb"}
)
# What the libraries of the ground look at beside their files.
LIBRARY_ENVIRONMENT = ("PROJ_", "GDAL_", "OGR_", "CPL_")


class Told(NamedTuple):
    """What a reading gives beside its value: rows of lineage, rows of the table of repairs, files named in it."""

    lineage: list = ()
    repairs: list = ()
    files: list = ()


class Reading(NamedTuple):
    """One thing to read, or one check of things that were read.

    Attributes
    ----------
    read : callable
        Gives the value, or raises a `SitefinderError`. It may ask for the values of what it needs.
    settings : object
        All settings that steer it, of what JSON holds.
    needs : tuple of str
        Readings whose values it asks for; it is not judged where one of them is unsound.
    wants : tuple of str
        Readings whose values it asks for by `Readings.wanted`, and does without where they are unsound.
    files : sequence of Path, or None
        All files that it depends on and that can be named beforehand. None where nobody can say without reading
        whether it would be the same: it is read by every run.
    counted : callable
        What the digest is taken of, from the value.
    told : callable
        Gives `Told` from the value.
    is_plain : bool
        Whether the value is of what JSON holds; it is remembered itself then.
    """

    read: Callable
    settings: object = None
    needs: tuple = ()
    wants: tuple = ()
    files: tuple | None = ()
    counted: Callable = lambda value: value
    told: Callable = lambda value: Told()
    is_plain: bool = False


class NotRead(Exception):
    """Something that this needs could not be read, which has been reported already."""


class Readings:
    """Readings by name, in the order in which they are judged.

    Parameters
    ----------
    software : dict of str to str
        Versions of what reads.
    modules : sequence of str
        Modules whose code reads.
    """

    def __init__(self, software, modules):
        own = digest_of_files(own_code().files_of(modules))
        around = sorted(item for item in os.environ.items() if item[0].startswith(LIBRARY_ENVIRONMENT))
        self._common = [own, sorted(software.items()), around]
        self._readings, self._facts, self._values, self._problems = {}, {}, {}, {}

    def add(self, name, read, **options):
        """Add a reading; see `Reading`."""
        self._readings[name] = Reading(read, **options)

    def __contains__(self, name):
        return name in self._readings

    def judge(self):
        """Problems of all readings, each once; what is remembered as sound is not read.

        Returns
        -------
        list of SitefinderError
        """
        for name in self._readings:
            with contextlib.suppress(SitefinderError, NotRead):
                self.facts(name)
        return list(self._problems.values())

    def value(self, name):
        """What was read; it is read now if nothing asked for it before."""
        if name not in self._values:
            self._refuse_unsound(name)
            reading = self._readings[name]
            if reading.is_plain and name in self._facts:
                self._values[name] = self._facts[name]["value"]
            else:
                value = self._tried(name, reading.read)
                if name in self._facts:
                    self._refuse_changed(name, value)
                self._values[name] = value
        return self._values[name]

    def wanted(self, name):
        """The value of a reading, or None where it is unsound."""
        return self.value(name) if self._is_sound(name) else None

    def facts(self, name):
        """What is remembered of a reading.

        Returns
        -------
        dict
            ``digest`` (text), ``lineage`` (list of dict), ``repairs`` (list of rows), ``files`` (paths) and
            ``value``, None unless it is plain.
        """
        if name not in self._facts:
            self._refuse_unsound(name)
            self._facts[name] = self._tried(name, lambda: self._found(name))
        return self._facts[name]

    def told(self):
        """Facts of all readings, in their order."""
        return [self.facts(name) for name in self._readings]

    def _found(self, name):
        reading = self._readings[name]
        needed = [self.facts(other)["digest"] for other in reading.needs]
        needed += [self.facts(other)["digest"] if self._is_sound(other) else "unsound" for other in reading.wants]

        def find():
            value = self.value(name)
            told = reading.told(value)
            return {
                "digest": _digest(reading, value),
                "lineage": [_plain(row) for row in told.lineage],
                "repairs": [[str(cell) for cell in row] for row in told.repairs],
                "files": [str(file) for file in (*told.files, *_data_folders())],
                "value": value if reading.is_plain else None,
            }

        if reading.files is None:
            return find()
        what = json.dumps([name, reading.settings, needed, self._common], sort_keys=True, default=str)
        return remembered(f"input {name} {_short(what)}", reading.files, find, also=lambda found: found["files"])

    # A file that changes between the moment when it was judged and the moment when it is read would give a result
    # that is kept under the wrong key.
    def _refuse_changed(self, name, value):
        reading = self._readings[name]
        if _digest(reading, value) != self._facts[name]["digest"]:
            raise InputError.of(
                "an input changed while the run was going on",
                input=name,
                file=", ".join(str(file) for file in (reading.files or ())[:3]) or None,
                expected="files that stay as they are until the run has ended",
                fix="start the run again when nothing writes to the file any more",
            )

    # A problem is reported once, where it arises, and not by what needs the thing.
    def _tried(self, name, task):
        try:
            return task()
        except SitefinderError as error:
            if error not in self._problems.values():
                self._problems[name] = error
            raise

    def _is_sound(self, name):
        try:
            self.facts(name)
        except (SitefinderError, NotRead):
            return False
        return True

    def _refuse_unsound(self, name):
        if name in self._problems or any(other in self._problems for other in self._readings[name].needs):
            raise NotRead(name)


class Lazily(Mapping):
    """Values by name, each made when something first asks for it.

    Parameters
    ----------
    names : sequence
    make : callable
        Gives the value of a name.
    """

    def __init__(self, names, make):
        self._names, self._make = tuple(names), make

    def __getitem__(self, name):
        if name not in self._names:
            raise KeyError(name)
        return self._make(name)

    def __iter__(self):
        return iter(self._names)

    def __len__(self):
        return len(self._names)

    def __or__(self, others):
        return dict(self) | dict(others)


def files_of_layer(path):
    """Files that a vector data set is made of, as far as its name says.

    Parameters
    ----------
    path : Path

    Returns
    -------
    tuple of Path, or None
        None for what is no such data set, or is not there.
    """
    path = Path(path)
    if path.suffix.lower() not in WHOLE_IN_THEMSELVES or not path.exists():
        return None
    if path.is_dir():
        return (path, *sorted(file for file in path.rglob("*") if file.is_file()))
    beside = (file for file in path.parent.iterdir() if file.name.startswith((f"{path.stem}.", f"{path.name}-")))
    return (path, *sorted(file for file in beside if file.is_file() and file != path))


def files_of_raster(name, folder):
    """Files that a raster is made of, as far as its name says.

    Parameters
    ----------
    name : str
        Path as the settings state it, or an address that GDAL reads.
    folder : Path
        Folder that relative paths start from.

    Returns
    -------
    tuple of Path, or None
        None for what is no file on this machine, or is not there.
    """
    path = folder / name
    if "://" in name or name.startswith("/vsi") or not path.is_file():
        return None
    beside = (file for file in path.parent.iterdir() if file.name.startswith((f"{path.stem}.", f"{path.name}.")))
    return (path, *sorted(file for file in beside if file.is_file() and file != path))


def _digest(reading, value):
    if value is None:
        return "none"
    from sitefinder.stages.contents import digest_of

    return digest_of(reading.counted(value))


def counted_raster(facts):
    """What of a raster's facts can change a result: not where it lies; its content stands in the digest."""
    told = {name: value for name, value in facts.lineage.items() if name not in ("path", *OF_A_FILE)}
    return {**facts._asdict(), "path": "", "lineage": told}


# Folders whose grids decide how exactly coordinates are transformed: a grid that comes or goes changes them.
def _data_folders():
    from pyproj.datadir import get_data_dir, get_user_data_dir

    folders = (Path(get_data_dir().split(os.pathsep)[0]), Path(get_user_data_dir()))
    return [folder for folder in folders if folder.is_dir()]


# A row of lineage as JSON gives it back, so that one that is remembered and one just read are the same.
def _plain(row):
    return {key: value.item() if hasattr(value, "item") else value for key, value in row.items()}


def _short(text):
    return hashlib.sha256(text.encode()).hexdigest()
