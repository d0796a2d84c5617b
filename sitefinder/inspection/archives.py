"""Zipped data sets, unpacked into a folder of their own before they are looked at."""

import contextlib
import shutil
import tempfile
import zipfile
from pathlib import Path, PurePosixPath

from sitefinder.errors import InputError

# An archive that unpacks to more is refused (own choice) [bytes].
MAX_UNPACKED_BYTES = 20_000_000_000
MAX_FILES = 10_000
# Files by which a data set is named; the others are parts of one.
DATA_ENDINGS = (
    ".shp", ".gpkg", ".geojson", ".json", ".fgb", ".gml", ".kml", ".gpx", ".tab", ".mif", ".csv", ".parquet",
    ".tif", ".tiff", ".vrt", ".asc", ".img", ".nc", ".hgt",
)  # fmt: skip


def is_archive(path):
    """Whether a file is a zip archive that is to be unpacked.

    Parameters
    ----------
    path : Path

    Returns
    -------
    bool
    """
    return path.is_file() and path.suffix.lower() == ".zip" and zipfile.is_zipfile(path)


@contextlib.contextmanager
def unpacked(path):
    """The files of an archive, as long as the context lasts.

    Parameters
    ----------
    path : Path

    Yields
    ------
    Path
        A temporary folder.

    Raises
    ------
    InputError
        See `unpack`.
    """
    with tempfile.TemporaryDirectory(prefix="sitefinder-") as folder:
        unpack(path, Path(folder))
        yield Path(folder)


def unpack(path, folder):
    """Unpack an archive into a folder.

    Parameters
    ----------
    path, folder : Path

    Raises
    ------
    InputError
        If it is damaged, encrypted or unusually large, or names files outside the folder.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            members = [member for member in archive.infolist() if not member.is_dir()]
            size = sum(member.file_size for member in members)
            outside = [member.filename for member in members if _is_outside(member.filename)]
            if size > MAX_UNPACKED_BYTES or len(members) > MAX_FILES or outside:
                raise _refused(
                    path,
                    f"a file outside the archive's folder ({outside[0]})"
                    if outside
                    else f"{len(members):,} files of {size:,} bytes",
                )
            for member in members:
                target = folder / member.filename
                target.parent.mkdir(parents=True, exist_ok=True)
                with archive.open(member) as packed, target.open("xb") as file:
                    # What the archive states of a file's size is kept to by `zipfile`.
                    shutil.copyfileobj(packed, file, 1 << 20)
    except (zipfile.BadZipFile, RuntimeError, NotImplementedError, EOFError, OSError) as error:
        raise _refused(path, f"an archive that cannot be unpacked ({error})") from None


def data_sets_in(folder):
    """Data sets in a folder and below, in order.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    list of Path
    """
    databases = sorted(each for each in folder.rglob("*.gdb") if each.is_dir())
    files = [
        file
        for file in sorted(folder.rglob("*"))
        if file.is_file()
        and file.suffix.lower() in DATA_ENDINGS
        and not any(file.is_relative_to(database) for database in databases)
    ]
    return databases + files


def _is_outside(name):
    place = PurePosixPath(name.replace("\\", "/"))
    return place.is_absolute() or ".." in place.parts or ":" in name


def _refused(path, found):
    return InputError.of(
        "the archive cannot be unpacked",
        file=path,
        expected=f"a zip archive of at most {MAX_FILES:,} files and {MAX_UNPACKED_BYTES / 1e9:g} GB",
        found=found,
        fix="unpack it yourself, and name the data sets in it",
    )
