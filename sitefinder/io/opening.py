"""What a run may open: formats by name, and the places of files that other files name."""

from __future__ import annotations

import contextlib
import os
import re
import stat
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple
from xml.etree import ElementTree

from sitefinder.errors import InputError, listed

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

# GDAL's drivers for rasters that are data of one place in one or a few files. Others reach for the network, for
# folders of scenes or for programs (WMS, WCS, STACIT, GTI, PLMOSAIC, DERIVED), or hold pictures.
RASTER_DRIVERS = (
    "GTiff",
    "VRT",
    "AAIGrid",
    "AIG",
    "BT",
    "DTED",
    "EHdr",
    "ENVI",
    "GPKG",
    "GRASSASCIIGrid",
    "GRIB",
    "GS7BG",
    "GSAG",
    "GSBG",
    "HDF5",
    "HFA",
    "ILWIS",
    "JP2OpenJPEG",
    "PCRaster",
    "RRASTER",
    "RST",
    "SAGA",
    "SRTMHGT",
    "USGSDEM",
    "XYZ",
    "netCDF",
)
RASTER_FORMATS = "GeoTIFF, a mosaic (VRT) of files, ASCII or other grids, netCDF, GeoPackage"
# How a file begins that is a layer of one of these formats.
DATABASE = b"SQLite format 3\0"
VECTOR_BEGINNINGS = {
    DATABASE: "GeoPackage or SpatiaLite",
    b"\x00\x00\x27\x0a": "Shapefile",
    b"fgb\x03": "FlatGeobuf",
    b"PAR1": "GeoParquet",
    b"ARROW1": "GeoArrow",
}
VECTOR_FORMATS = "GeoPackage, Shapefile, GeoJSON, FlatGeobuf, FileGDB, GeoParquet, GML, KML, GPX, MapInfo or CSV"
# Texts of layers: endings of the file's name, and how the text begins.
JSON_ENDINGS = (".json", ".geojson", ".topojson", ".geojsonl", ".geojsons", ".jsonl", ".jsonfg")
MAPINFO_BEGINNINGS = {".tab": b"!table", ".mif": b"version"}
CSV_ENDINGS = (".csv", ".tsv")
# Roots of documents in XML that hold features; descriptions of services and virtual layers have others.
XML_ROOTS = {"FeatureCollection", "kml", "gpx"}
# Marks by which GDAL takes a file for a description of a service, of other files or of commands, wherever they are
# among its first bytes.
REFERRING = (b"<OGRVRT", b"<OGRWFS", b"<VRTDataset", b"<GDAL", b"<WMS_", b"<WCS_", b"gdal_streamed_alg")
LOOKED_AT_BYTES = 65536
# So that no library fetches what a file that passed all this refers to.
OFFLINE = {
    "CPL_VSIL_CURL_ALLOWED_FILENAME": "none",
    "GDAL_HTTP_PROXY": "http://127.0.0.1:1",
    "GML_DOWNLOAD_SCHEMA": "NO",
    "GDAL_VRT_ENABLE_PYTHON": "NO",
}
# File systems of GDAL on a network, and those within files of this computer.
NETWORK = re.compile(
    r"(https?|ftp|s3|gs|az|oss|swift)://|/vsi(curl|s3|gs|az|adls|oss|swift|hdfs|webhdfs)(_streaming)?[/?]", re.I
)
FILE_SYSTEMS = {
    "http": "/vsicurl/http://",
    "https": "/vsicurl/https://",
    "ftp": "/vsicurl/ftp://",
    "s3": "/vsis3/",
    "gs": "/vsigs/",
    "az": "/vsiaz/",
    "oss": "/vsioss/",
    "swift": "/vsiswift/",
}
ARCHIVE = re.compile(r"/vsi(zip|tar|gzip)/(?!.*/vsi)", re.I)
# What a mosaic may hold: sources that are files. A warped or pan-sharpened one, or one with functions, computes.
MOSAIC, PLAIN_BAND = "VRTDataset", "VRTSourcedRasterBand"
PROGRAMS = {"GDALWarpOptions", "PansharpeningOptions", "ProcessingSteps", "PixelFunctionType", "Group"}
MAX_MOSAIC_BYTES, MAX_MOSAIC_DEPTH = 200_000_000, 5


class Places(NamedTuple):
    """Folders in which, or below which, files may lie that other files name; whether the network is allowed."""

    folders: tuple[Path, ...] = ()
    network: bool = False


NOWHERE = Places()
_places: ContextVar[Places] = ContextVar("places", default=NOWHERE)


@contextlib.contextmanager
def allowing(places: Places) -> Iterator[None]:
    """What is opened inside the context may lie in these places."""
    token = _places.set(places)
    try:
        yield
    finally:
        _places.reset(token)


def places_of(folder: Path, allow_outside: Iterable[str] = (), *, allow_network: bool = False) -> Places:
    """The places of a run: the folder of its settings, and those that the settings allow.

    Parameters
    ----------
    folder : Path
        Folder of the settings file, from which relative paths start.
    allow_outside : iterable of str
        As ``inputs.allow_outside`` names them.
    allow_network : bool
        ``inputs.allow_network``.

    Returns
    -------
    Places
    """
    return Places((Path(folder), *(Path(folder) / each for each in allow_outside)), allow_network)


def validate_file(path: Path, what: str, name: object = None) -> None:
    """Refuse a pipe, a socket or a device, which may give bytes for ever or none, and a file that cannot be read.

    Parameters
    ----------
    path : Path
    what : str
        What it should be, in messages, such as ``dem raster``.
    name : object, optional
        The file as messages name it; absent: the path.

    Raises
    ------
    InputError
        Nothing where there is no such file.
    """
    named = path if name is None else name
    try:
        mode = os.stat(path).st_mode
        if stat.S_ISREG(mode):
            path.open("rb").close()
        elif stat.S_ISDIR(mode):
            os.scandir(path).close()
    except (FileNotFoundError, NotADirectoryError, ValueError):
        return
    except OSError as error:
        raise InputError.of(
            f"the {what} cannot be read",
            file=named,
            expected="a file that you may read",
            found=error.strerror or error,
            fix="correct the path, or the permissions of the file and of the folders that it lies in",
        ) from None
    if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
        raise InputError.of(
            f"the {what} is no file",
            file=named,
            expected="a file on a disk",
            found="a device, a pipe or a socket",
            fix="name the file itself; what a program gives must be written to one first",
        )


def validate_address(path: str, what: str) -> None:
    """Refuse a raster's address that leads to the network, unless the settings allow it, or nowhere known.

    Parameters
    ----------
    path : str
        As the settings state it, with ``://`` in it or beginning with ``/vsi``.
    what : str
        Name of the raster in messages, such as ``dem``.

    Raises
    ------
    InputError
    """
    if ARCHIVE.match(path):
        for archive in archive_of(path):
            validate_file(archive, "archive", path)
        return
    if not NETWORK.match(path):
        raise InputError.of(
            f"the {what} raster's address is none that may be opened",
            file=path,
            expected="a file, one in an archive (/vsizip/…, /vsitar/…), or a file by https://…",
            found="a service, a program or an unknown kind of address",
            fix="fetch the raster to a GeoTIFF beforehand, and name that",
        )
    if not _places.get().network:
        raise InputError.of(
            f"the {what} raster lies on a network",
            file=path,
            expected="a file on this computer",
            found="an address, and inputs.allow_network does not allow it",
            fix="fetch the file, or set allow_network = true in [inputs]",
        )


def as_gdal_path(path: str) -> str:
    """A path or an address as GDAL takes it.

    Parameters
    ----------
    path : str

    Returns
    -------
    str

    Examples
    --------
    >>> as_gdal_path("https://example.org/dem.tif"), as_gdal_path("dem.tif")
    ('/vsicurl/https://example.org/dem.tif', 'dem.tif')
    """
    scheme, found, rest = path.partition("://")
    return FILE_SYSTEMS[scheme.lower()] + rest if found and scheme.lower() in FILE_SYSTEMS else path


def archive_of(path: str) -> list[Path]:
    """The archive on this computer in which a raster lies, as a list of one; empty where there is none.

    Parameters
    ----------
    path : str
        Such as ``/vsizip/data/rain.zip/rain.tif``.

    Returns
    -------
    list of Path
    """
    if not ARCHIVE.match(path):
        return []
    inner = Path(path.split("/", 2)[2].strip("{}"))
    return [each for each in (inner, *inner.parents) if each.exists() and not each.is_dir()]


def validate_place(path: Path, named_by: Path) -> None:
    """Refuse a file that another file names and that lies in no folder of the run.

    Parameters
    ----------
    path : Path
    named_by : Path
        The file that names it; its own folder, and all below, is one of the run's.

    Raises
    ------
    InputError
    """
    folders = (named_by.parent, *_places.get().folders)
    if not lies_within(path, folders):
        real = os.path.realpath(path)
        raise InputError.of(
            "a file names another one outside the folders of this run",
            file=named_by,
            expected=f"files in or below {listed(dict.fromkeys(folders))}",
            found=path if real == os.path.abspath(path) else f"{path}, which is {real}",
            fix=f'move it there, or set allow_outside = ["{Path(real).parent.as_posix()}"] in [inputs]',
        )


def lies_within(path: str | os.PathLike[str], folders: Iterable[str | os.PathLike[str]]) -> bool:
    """Whether a path, its links followed, lies in one of some folders or below.

    Parameters
    ----------
    path : path-like
    folders : iterable of path-like

    Returns
    -------
    bool
    """
    real = os.path.realpath(path)
    return any(Path(real).is_relative_to(os.path.realpath(folder)) for folder in folders)


def files_of_mosaic(path: Path) -> list[Path]:
    """Files that a mosaic (VRT) refers to, and those that mosaics among them do.

    Parameters
    ----------
    path : Path

    Returns
    -------
    list of Path
        Sorted; also those that do not exist.

    Raises
    ------
    InputError
        If it is more than a list of files, or one of them lies outside the folders of the run, is no file, or is
        of a format that is not opened.
    """
    found: set[Path] = set()
    _collect(Path(path), found, 1)
    return sorted(found)


# Into a set, the sources of a mosaic and of those that it is made of.
def _collect(path: Path, found: set[Path], depth: int) -> None:
    if depth > MAX_MOSAIC_DEPTH:
        raise _no_mosaic(path, f"mosaics of mosaics, more than {MAX_MOSAIC_DEPTH} deep")
    for source in _sources(path):
        if source in found:
            continue
        validate_place(source, path)
        found.add(source)
        validate_file(source, "part of a mosaic")
        if not source.is_file():
            continue
        if is_mosaic(source):
            _collect(source, found, depth + 1)
        elif _head(source).startswith((b"<", b"{", b"[")) or ".gti." in source.name.lower():
            raise InputError.of(
                "a part of a mosaic is no raster",
                file=path,
                expected=f"parts of these formats: {RASTER_FORMATS}",
                found=f"{source}, which refers to other files or services",
                fix="write that part to a GeoTIFF, and build the mosaic again",
            )


# Files that one mosaic names.
def _sources(path: Path) -> Iterator[Path]:
    if path.stat().st_size > MAX_MOSAIC_BYTES:
        raise _no_mosaic(path, f"{path.stat().st_size:,} bytes")
    text = path.read_bytes()
    if b"<!DOCTYPE" in text or b"<!ENTITY" in text:
        raise _no_mosaic(path, "a document that defines entities")
    try:
        root = ElementTree.fromstring(text)
    except ElementTree.ParseError as error:
        raise _no_mosaic(path, f"XML that cannot be read: {error}") from None
    if root.tag != MOSAIC:
        raise _no_mosaic(path, f"a document {root.tag}, such as the description of a service")
    for element in root.iter():
        kind = element.get("subClass")
        if element.tag in PROGRAMS or (kind is not None and (element is root or kind != PLAIN_BAND)):
            raise _no_mosaic(path, f"a computation ({kind or element.tag})")
        if element.tag in ("SourceFilename", "SourceDataset"):
            name = (element.text or "").strip()
            if "://" in name or name.startswith(("/vsi", "<")) or re.match(r"[A-Za-z_]{2,}:", name):
                raise _no_mosaic(path, f"a source that is no file: {name[:80]}")
            is_relative = element.get("relativeToVRT", element.get("relativetoVRT", "0")) == "1"
            yield path.parent / name if is_relative else Path(name)


def _no_mosaic(path: Path, found: str) -> InputError:
    return InputError.of(
        "the mosaic is more than a list of files",
        file=path,
        expected="a VRT whose sources are rasters on this computer",
        found=found,
        fix="write it to a GeoTIFF beforehand, for example with gdal_translate, and name that",
    )


def is_mosaic(path: str | os.PathLike[str]) -> bool:
    """Whether GDAL takes a file of this computer for a mosaic (VRT), whatever it is called."""
    return os.path.isfile(path) and b"<VRTDataset" in _head(Path(path))


def drivers_of(path: str | os.PathLike[str]) -> list[str]:
    """GDAL's drivers that may open a raster; that for mosaics only where `validate_raster` has looked at it."""
    is_list = is_mosaic(path)
    return [driver for driver in RASTER_DRIVERS if (driver == "VRT") == is_list]


def validate_raster(path: Path, what: str, name: str) -> list[Path]:
    """Refuse a raster's file that is none of a format that is opened.

    Parameters
    ----------
    path : Path
        One that `validate_file` has accepted.
    what : str
        Name of the raster in messages.
    name : str
        The file as the settings state it.

    Returns
    -------
    list of Path
        Files that it refers to, if it is a mosaic.

    Raises
    ------
    InputError
    """
    if is_mosaic(path):
        return files_of_mosaic(path)
    if path.is_file() and _head(path).startswith((b"<", b"{")):
        raise InputError.of(
            f"the {what} raster cannot be read",
            file=name,
            expected=RASTER_FORMATS,
            found="a document, such as the description of a service",
            fix="fetch the raster to a GeoTIFF beforehand, and name that",
        )
    return []


def validate_layer(path: Path, what: str, name: str) -> None:
    """Refuse a layer's file that is none of a format that is opened: a library opens by what is in it.

    Parameters
    ----------
    path : Path
        One that `validate_file` has accepted.
    what : str
        Name of the layer in messages.
    name : str
        The file as the settings state it.

    Raises
    ------
    InputError
    """
    found = _unknown_folder(path) if path.is_dir() else _unknown_layer(path)
    if found is not None:
        raise InputError.of(
            f"the {what} layer cannot be read",
            file=name,
            expected=VECTOR_FORMATS,
            found=found,
            fix="save the layer as GeoPackage, and name that",
        )


def is_database(path: Path) -> bool:
    """Whether a file is a database in SQLite's format, as a GeoPackage is, and nothing that libraries take it for.

    Parameters
    ----------
    path : Path

    Returns
    -------
    bool
    """
    head = _head(path)
    return head.startswith(DATABASE) and not any(mark in head for mark in REFERRING)


# What is wrong with a folder that should be a data set; None where it is one.
def _unknown_folder(path: Path) -> str | None:
    endings = {each.suffix.lower() for each in path.iterdir()}
    return None if endings & {".gdbtable", ".shp"} else "a folder without a FileGDB or Shapefile in it"


# What a file is that is no layer; None where it is one.
def _unknown_layer(path: Path) -> str | None:
    head = text = _head(path)
    if not head:
        return "an empty file"
    if any(mark in head for mark in REFERRING):
        return "the description of other files, of a service or of commands"
    if head.startswith(tuple(VECTOR_BEGINNINGS)):
        return None
    ending = path.suffix.lower()
    if head.startswith(b"PK\x03\x04"):
        return None if ending == ".kmz" else "an archive; unpack it"
    if text.startswith(b"<"):
        root = _root_of(text)
        return None if root in XML_ROOTS else f"a document {root or 'in XML'}"
    if text.startswith((b"{", b"[")):
        return None if ending in JSON_ENDINGS else f"a text in JSON with the ending {ending or 'of none'}"
    if ending in MAPINFO_BEGINNINGS:
        return None if text.lower().startswith(MAPINFO_BEGINNINGS[ending]) else f"another text than in {ending}"
    if ending in CSV_ENDINGS and b"\0" not in head:
        return None
    return "another kind of file"


# Name of the first element of a document, without its namespace.
def _root_of(text: bytes) -> str | None:
    plain = re.sub(rb"(?s)<\?.*?\?>|<!--.*?-->", b"", text).lstrip()
    match = re.match(rb"<(?:[\w.-]+:)?([\w.-]+)", plain)
    return None if match is None else match[1].decode()


# How a file begins, without a byte order mark and blanks.
def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(LOOKED_AT_BYTES).removeprefix(b"\xef\xbb\xbf").lstrip(b" \t\r\n")
