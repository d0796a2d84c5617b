"""The user's logo for the district map: check and content."""

import base64
import io
import xml.etree.ElementTree as ElementTree
from pathlib import Path

from PIL import Image

from sitefinder.errors import InputError

KEY, EXPECTED = "delivery.logo", "a PNG, JPEG or SVG picture"
SVG_ROOT = "{http://www.w3.org/2000/svg}svg"
# Kinds of pictures of points, as PIL calls them, with their media type.
MEDIA_TYPES = {"PNG": "image/png", "JPEG": "image/jpeg"}
# Larger files are refused: they would only make the map larger (own choice).
MAX_BYTES = 5_000_000


def checked_logo(file, folder):
    """The picture that the settings name, if it can be used.

    Parameters
    ----------
    file : str
        As ``delivery.logo`` names it.
    folder : Path
        Folder that relative paths start from.

    Returns
    -------
    Path

    Raises
    ------
    InputError
        If the file is not there, cannot be read, is too large or is no such picture.
    """
    path = Path(folder) / file
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        raise _problem("there is no such picture", path) from None
    except OSError as error:
        raise _problem("the picture cannot be read", path, error.strerror) from None
    if len(content) > MAX_BYTES:
        found = f"{len(content) / 1e6:.1f} MB"
        raise _problem("the picture is too large", path, found, f"{EXPECTED} of at most {MAX_BYTES / 1e6:g} MB")
    try:
        logo_svg(path)
    except (ValueError, OSError, SyntaxError) as error:
        raise _problem("the file is not a picture", path, str(error)) from None
    return path


def logo_svg(path):
    """The logo as an SVG text, which holds a picture of points as it is.

    Raises
    ------
    ValueError, OSError or SyntaxError
        If it is no PNG, JPEG or SVG picture.
    """
    content = Path(path).read_bytes()
    try:
        picture = Image.open(io.BytesIO(content), formats=list(MEDIA_TYPES))
    except OSError:
        root = ElementTree.fromstring(content)
        if root.tag != SVG_ROOT:
            raise ValueError(f"an XML file of {root.tag.rpartition('}')[2]}") from None
        return content.decode("utf-8-sig")
    picture.load()
    width, height = picture.size
    address = f"data:{MEDIA_TYPES[picture.format]};base64,{base64.b64encode(content).decode('ascii')}"
    size = f'width="{width}" height="{height}"'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} viewBox="0 0 {width} {height}">'
        f'<image {size} href="{address}"/></svg>'
    )


def _problem(headline, path, found=None, expected=EXPECTED):
    facts = {"file": path, "expected": expected} | ({} if found is None else {"found": found})
    return InputError.of(headline, **facts, fix=f"correct the path, or leave out {KEY}")
