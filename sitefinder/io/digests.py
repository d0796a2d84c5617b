"""What a file holds, as a short text that changes when the content does."""

import hashlib
from pathlib import Path

from sitefinder.io.remembered import remembered

# Files that together are one layer, beside the .shp that the settings name.
SHAPEFILE_PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
CHUNK_BYTES = 1 << 20


def content_digest(path, parts=()):
    """SHA-256 of a file's bytes; of a shapefile's parts, or of all files of a folder that is one data set.

    Parameters
    ----------
    path : Path
        File or folder.
    parts : sequence of Path
        Further files that the content is made of, such as those that a mosaic names.

    Returns
    -------
    str
        Hexadecimal. Within `sitefinder.io.remembered.remembering` the files are read only if one of them changed.
    """
    path = Path(path)
    if path.is_dir():
        files = sorted(file for file in path.rglob("*") if file.is_file())
    elif path.suffix.lower() == ".shp":
        files = sorted(
            file for file in path.parent.glob(path.stem + ".*") if file.suffix.lower() in SHAPEFILE_PARTS
        )
    else:
        files = [path]
    files += parts
    return remembered("content", files, lambda: _digest(files))


def _digest(files):
    digest = hashlib.sha256()
    for file in files:
        if len(files) > 1:
            digest.update(file.name.encode())
        with file.open("rb") as stream:
            while chunk := stream.read(CHUNK_BYTES):
                digest.update(chunk)
    return digest.hexdigest()


def cells_digest(path):
    """SHA-256 of a raster's cells and of where they lie, for one that is no file on this machine.

    Parameters
    ----------
    path : str
        Address that GDAL reads: ``https://…``, ``/vsizip/…``.

    Returns
    -------
    str
        Hexadecimal.
    """
    import rasterio

    with rasterio.open(path) as raster:
        said = (raster.shape, tuple(raster.transform), raster.dtypes[0], raster.nodata, str(raster.crs))
        digest = hashlib.sha256(repr(said).encode())
        for _, window in raster.block_windows(1):
            digest.update(raster.read(1, window=window).tobytes())
    return digest.hexdigest()
