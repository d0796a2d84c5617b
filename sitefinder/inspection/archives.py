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
# So is one whose files unpack to this many times their packed size, once they are larger than what no disk minds
# (own choices). Rasters of one value and text that repeats itself come to some hundred times; deflate, the method
# of nearly every archive, to 1,032 times at most (zlib, "Technical details", as remembered).
MAX_RATIO, ALWAYS_ALLOWED_BYTES = 200, 500_000_000
# Room that is left on the disk beside what is unpacked (own choice) [bytes].
SPARE_BYTES = 100_000_000
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
    path : Path
    folder : Path
        Made where it is not there yet, once the archive is found to be sound.

    Raises
    ------
    InputError
        If it is damaged, encrypted or unusually large, or names files outside the folder.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            members = [member for member in archive.infolist() if not member.is_dir()]
            # All that the archive's own list states is looked at before anything is unpacked.
            there = next(each for each in (folder, *folder.parents) if each.exists())
            _validate_list(path, members, shutil.disk_usage(there).free)
            for member in members:
                target = folder / member.filename
                target.parent.mkdir(parents=True, exist_ok=True)
                with archive.open(member) as packed, target.open("xb") as file:
                    # What the archive states of a file's size is kept to by `zipfile`.
                    shutil.copyfileobj(packed, file, 1 << 20)
    except (zipfile.BadZipFile, RuntimeError, NotImplementedError, EOFError, OSError) as error:
        raise _refused(path, f"an archive that cannot be unpacked ({error})") from None


# Refuse an archive by what its list of files states.
def _validate_list(path, members, free_bytes):
    for member in members:
        if _is_outside(member.filename):
            raise _refused(path, f"a file outside the archive's folder ({member.filename})")
    size, packed = (sum(sizes) for sizes in ([m.file_size for m in members], [m.compress_size for m in members]))
    held = f"{len(members):,} file{'s' if len(members) != 1 else ''} of {size:,} bytes"
    if size > MAX_UNPACKED_BYTES or len(members) > MAX_FILES:
        raise _refused(path, held)
    if size > max(ALWAYS_ALLOWED_BYTES, MAX_RATIO * packed):
        raise _refused(path, f"{held}, packed into {packed:,}: {size / max(packed, 1):,.0f} times as much")
    # Parts that lie on one another are packed bytes that are unpacked again and again.
    if packed > path.stat().st_size:
        raise _refused(path, f"parts of {packed:,} bytes in a file of {path.stat().st_size:,}")
    if size > free_bytes - SPARE_BYTES:
        raise InputError.of(
            "the archive cannot be unpacked",
            file=path,
            expected=f"room on the disk of temporary files for {size:,} bytes",
            found=f"{free_bytes:,} bytes free",
            fix="make room there, or set TMPDIR to a folder of another disk",
        )


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
        expected=f"a zip archive of at most {MAX_FILES:,} files and {MAX_UNPACKED_BYTES / 1e9:g} GB, and above "
        f"{ALWAYS_ALLOWED_BYTES / 1e9:g} GB of at most {MAX_RATIO} times its own size",
        found=found,
        fix="unpack it yourself, and name the data sets in it",
    )
