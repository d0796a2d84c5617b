"""Things that a run reads and checks of them: judged together, so that every problem is reported at once.

What is remembered of a reading whose files are the same is not read again.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TypedDict, TypeVar

from sitefinder.errors import InputError, SitefinderError
from sitefinder.io.bound_files import BoundFiles, bound_now, files_of
from sitefinder.io.digests import remembered
from sitefinder.io.opening import NOWHERE, Places, allowing
from sitefinder.pipeline.code import digest_of_files, own_code

if TYPE_CHECKING:
    from collections.abc import Sequence

# Vector data sets that hold all of themselves in one file, or in files of one stem. What may refer to further
# files (a virtual layer, a database on a server) is read by every run.
WHOLE_IN_THEMSELVES = frozenset(
    {".gpkg", ".shp", ".geojson", ".json", ".fgb", ".csv", ".sqlite", ".parquet", ".gdb"}
)
# What the libraries of the ground look at beside their files.
LIBRARY_ENVIRONMENT = ("PROJ_", "GDAL_", "OGR_", "CPL_")
# Except those that rasterio itself sets when it is imported.
SET_BY_LIBRARIES = ("GDAL_CURL_CA_BUNDLE", "PROJ_CURL_CA_BUNDLE")
# What a reading gives: of whatever kind its name has.
Value = Any
T = TypeVar("T")


class ReadingNotes(NamedTuple):
    """What a reading gives beside its value: rows of lineage, rows of the table of repairs, files named in it."""

    lineage: Sequence[Mapping[str, object]] = ()
    repairs: Sequence[Sequence[object]] = ()
    files: Sequence[str | Path] = ()


class Facts(TypedDict):
    """What is remembered of a reading; ``value`` is None unless it is of what JSON holds."""

    digest: str
    lineage: list[dict[str, object]]
    repairs: list[list[str]]
    files: list[str]
    value: Value


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
        All files that it depends on and that can be named beforehand. None where only reading it shows whether it
        is the same: it is read by every run.
    counted : callable
        What the digest is taken of, from the value.
    notes : callable
        Gives `ReadingNotes` from the value.
    is_plain : bool
        Whether the value is of what JSON holds; it is remembered itself then.
    """

    read: Callable[[], Value]
    settings: object = None
    needs: tuple[str, ...] = ()
    wants: tuple[str, ...] = ()
    files: tuple[Path, ...] | None = ()
    counted: Callable[[Value], object] = lambda value: value
    notes: Callable[[Value], ReadingNotes] = lambda value: ReadingNotes()
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
    places : sitefinder.io.opening.Places, optional
        What may be opened beside the files that the settings name.
    """

    def __init__(self, software: Mapping[str, str], modules: Sequence[str], places: Places = NOWHERE) -> None:
        own = digest_of_files(own_code().files_of(modules))
        around = sorted(
            (name, value)
            for name, value in os.environ.items()
            if name.startswith(LIBRARY_ENVIRONMENT) and name not in SET_BY_LIBRARIES
        )
        self._places = places
        self._common = [own, sorted(software.items()), around, list(map(str, places.folders[1:])), places.network]
        # Of the run, if one goes on: readers bind there what they open.
        self.bound = bound_now() or BoundFiles()
        self._readings: dict[str, Reading] = {}
        self._facts: dict[str, Facts] = {}
        self._values: dict[str, Value] = {}
        self._problems: dict[str, SitefinderError] = {}

    def add(self, name: str, read: Callable[[], Value], **options: Any) -> None:
        """Add a reading; see `Reading`."""
        self._readings[name] = Reading(read, **options)

    def __contains__(self, name: object) -> bool:
        return name in self._readings

    def judge(self) -> list[SitefinderError]:
        """Problems of all readings, each once; what is remembered as sound is not read.

        Returns
        -------
        list of SitefinderError
        """
        for name in self._readings:
            with contextlib.suppress(SitefinderError, NotRead):
                self.facts(name)
        return list(self._problems.values())

    def value(self, name: str) -> Value:
        """What was read; it is read now if nothing asked for it before."""
        if name not in self._values:
            self._validate_unsound(name)
            reading = self._readings[name]
            if reading.is_plain and name in self._facts:
                self._values[name] = self._facts[name]["value"]
            else:
                value = self._tried(name, reading.read)
                if name in self._facts:
                    self._validate_changed(name, value)
                self._values[name] = value
        return self._values[name]

    def wanted(self, name: str) -> Value:
        """The value of a reading, or None where it is unsound."""
        return self.value(name) if self._is_sound(name) else None

    def facts(self, name: str) -> Facts:
        """What is remembered of a reading.

        Returns
        -------
        Facts
        """
        if name not in self._facts:
            self._validate_unsound(name)
            self._facts[name] = self._tried(name, lambda: self._found(name))
        return self._facts[name]

    def notes(self) -> list[Facts]:
        """Facts of all readings, in their order."""
        return [self.facts(name) for name in self._readings]

    def _found(self, name: str) -> Facts:
        reading = self._readings[name]
        self.bound.bind(reading.files or ())
        needed = [self.facts(other)["digest"] for other in reading.needs]
        needed += [self.facts(other)["digest"] if self._is_sound(other) else "unsound" for other in reading.wants]

        def find() -> Facts:
            value = self.value(name)
            beside = reading.notes(value)
            return {
                "digest": _digest(reading, value),
                "lineage": [_plain(row) for row in beside.lineage],
                "repairs": [[str(cell) for cell in row] for row in beside.repairs],
                "files": [str(file) for file in (*beside.files, *_data_folders())],
                "value": value if reading.is_plain else None,
            }

        if reading.files is None:
            return find()
        what = json.dumps([name, reading.settings, needed, self._common], sort_keys=True, default=str)
        facts: Facts = remembered(
            f"input {name} {_short(what)}", reading.files, find, also=lambda found: found["files"]
        )
        folders = set(map(str, _data_folders()))
        self.bound.bind([file for file in facts["files"] if file not in folders])
        self.bound.validate(reading.files)
        return facts

    # A file that changes between the moment when it was judged and the moment when it is read would give a result
    # that is kept under the wrong key. Those that no name gives away are found by what they hold.
    def _validate_changed(self, name: str, value: Value) -> None:
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
    def _tried(self, name: str, task: Callable[[], T]) -> T:
        try:
            with allowing(self._places):
                return task()
        except SitefinderError as error:
            if error not in self._problems.values():
                self._problems[name] = error
            raise

    def _is_sound(self, name: str) -> bool:
        try:
            self.facts(name)
        except (SitefinderError, NotRead):
            return False
        return True

    def _validate_unsound(self, name: str) -> None:
        if name in self._problems or any(other in self._problems for other in self._readings[name].needs):
            raise NotRead(name)


def _digest(reading: Reading, value: Value) -> str:
    if value is None:
        return "none"
    from sitefinder.steps.contents import digest_of

    return digest_of(reading.counted(value))


# Folders whose grids decide how exactly coordinates are transformed: a grid that comes or goes changes them.
def _data_folders() -> list[Path]:
    from pyproj import datadir

    folders = (Path(datadir.get_data_dir().split(os.pathsep)[0]), Path(datadir.get_user_data_dir()))  # type: ignore[attr-defined]  # documented, but not in its stub
    return [folder for folder in folders if folder.is_dir()]


# A row of lineage as JSON gives it back, so that one that is remembered and one just read are the same.
def _plain(row: Mapping[str, Any]) -> dict[str, object]:
    return {key: value.item() if hasattr(value, "item") else value for key, value in row.items()}


def _short(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def files_of_layer(path: str | Path) -> tuple[Path, ...] | None:
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
    return files_of(path)


def files_of_raster(name: str, folder: Path) -> tuple[Path, ...] | None:
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
        None for what is no file on this computer, or is not there.
    """
    path = folder / name
    if "://" in name or name.startswith("/vsi") or not path.is_file():
        return None
    return files_of(path)
