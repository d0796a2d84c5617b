"""The user's font files, for characters that the fonts of the package lack: check and content."""

import io
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from sitefinder.errors import InputError, all_of, described

# What an outline font may begin with: TrueType, OpenType with PostScript outlines, TrueType of old Macintoshes,
# and a collection.
# OpenType specification 1.9, "OpenType font file", Table directory and TTC header (from memory).
COLLECTION = b"ttcf"
BEGINNINGS = (b"\x00\x01\x00\x00", b"OTTO", b"true", COLLECTION)


def checked_fonts(files, folder):
    """The font files that settings name, if all of them can be used.

    Parameters
    ----------
    files : list of str
        As ``delivery.font_files`` names them.
    folder : Path
        Folder that relative paths start from.

    Returns
    -------
    tuple of Path
        In their order.

    Raises
    ------
    InputError
        Naming each file that is not there, cannot be read or is no TrueType or OpenType font.
    """
    paths = [Path(folder) / file for file in files]
    problems = [problem for path in paths if (problem := _problem(path)) is not None]
    if problems:
        raise all_of(InputError, "delivery.font_files", problems)
    return tuple(paths)


def font_letters(path):
    """Letters that a font file has, of all fonts of a collection.

    Parameters
    ----------
    path : Path

    Returns
    -------
    set of str

    Raises
    ------
    ValueError
        If the file is damaged.
    """
    from fontTools.ttLib import TTCollection, TTFont  # noqa: PLC0415 - only where a font file is looked at

    content = path.read_bytes()
    letters = set()
    try:
        is_collection, file = content.startswith(COLLECTION), io.BytesIO(content)
        for font in TTCollection(file, lazy=True).fonts if is_collection else [TTFont(file, lazy=True)]:
            letters |= {chr(code) for code in font.getBestCmap() or {}}
    # A damaged table fails in whatever way its bytes lead to.
    except Exception as error:
        raise ValueError(str(error) or type(error).__name__) from error
    return letters


@contextmanager
def font_folders(paths):
    """A folder for each font file, with that font alone in it, as the compiler of the pages takes fonts.

    Parameters
    ----------
    paths : sequence of Path

    Yields
    ------
    list of str
        In the order of the files.
    """
    with TemporaryDirectory() as folder:
        folders = []
        for number, path in enumerate(paths):
            place = Path(folder) / f"{number:03d}"
            place.mkdir()
            (place / Path(path).name).symlink_to(Path(path).resolve())
            folders.append(str(place))
        yield folders


# Problem of a file, None if it is a valid font.
def _problem(path):
    expected = "a TrueType or OpenType font (.ttf, .otf, .ttc)"
    fix = "correct the path, or remove the file from delivery.font_files"
    try:
        with path.open("rb") as file:
            beginning = file.read(4)
        if beginning not in BEGINNINGS:
            return described("the file is not a font", file=path, expected=expected, fix=fix)
        letters = font_letters(path)
    except FileNotFoundError:
        return described("there is no such font file", file=path, expected=expected, fix=fix)
    except OSError as error:
        return described("the font cannot be read", file=path, expected=expected, found=error.strerror, fix=fix)
    except ValueError as error:
        return described("the font is damaged", file=path, expected=expected, found=str(error), fix=fix)
    if not letters:
        return described("the font has no characters", file=path, expected=expected, fix=fix)
    if not _compiler_reads(path):
        found = "a font that the compiler of the PDF files cannot read"
        return described("the font cannot be used", file=path, expected=expected, found=found, fix=fix)
    return None


def _compiler_reads(path):
    from typst import Fonts  # noqa: PLC0415 - 80 MB that only the printed pages need

    with font_folders([path]) as folders:
        return bool(Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=folders).fonts())
