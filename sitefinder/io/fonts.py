"""Fonts of the user's, for letters that those of the PDF files lack: whether they are there and can be used."""

from pathlib import Path

from sitefinder.errors import InputError, all_of, described

# What an outline font may begin with: TrueType, OpenType with PostScript outlines, TrueType of old Macintoshes,
# and a collection.
# OpenType specification 1.9, "OpenType font file", Table directory and TTC header (from memory).
BEGINNINGS = (b"\x00\x01\x00\x00", b"OTTO", b"true", b"ttcf")


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


# What is wrong with a file, None where it is a font.
def _problem(path):
    expected = "a TrueType or OpenType font (.ttf, .otf, .ttc)"
    fix = "correct the path, or take the file out of delivery.font_files"
    # Most runs name no font, and need no library for it.
    from matplotlib.ft2font import FT2Font

    try:
        with path.open("rb") as file:
            beginning = file.read(4)
        if beginning not in BEGINNINGS:
            return described("this is no font", file=path, expected=expected, fix=fix)
        if not FT2Font(str(path)).get_charmap():
            return described("this font has no letters", file=path, expected=expected, fix=fix)
    except FileNotFoundError:
        return described("there is no such font file", file=path, expected=expected, fix=fix)
    except OSError as error:
        return described("the font cannot be read", file=path, expected=expected, found=error.strerror, fix=fix)
    except RuntimeError as error:
        return described("the font is damaged", file=path, expected=expected, found=str(error), fix=fix)
    return None
