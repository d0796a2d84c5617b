"""The letters of printed pages: which font has which, how wide a text is, and how it is broken into lines."""

from functools import lru_cache
from pathlib import Path

import matplotlib
from matplotlib.font_manager import FontProperties, get_font
from matplotlib.textpath import TextToPath

from sitefinder.report.text_tables import plain

# As shipped with matplotlib, so that pages do not hang on the fonts of a machine.
SHIPPED = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
REGULAR, BOLD = str(SHIPPED / "DejaVuSans.ttf"), str(SHIPPED / "DejaVuSans-Bold.ttf")
# Stands for a letter that no font has.
BOX = "□"
ELLIPSIS = "…"
MM_PER_POINT = 25.4 / 72.0
MEASURED_AT_POINTS = 100.0

_paths = TextToPath()


class Letters:
    """The fonts of a document: the shipped ones first, then the user's, in their order."""

    def __init__(self, font_paths=()):
        user = tuple(str(path) for path in font_paths)
        self._order = {False: (REGULAR, *user), True: (BOLD, REGULAR, *user)}

    def runs(self, text, bold=False):
        """A text as (font file, part) in reading order, and whether some letter is in no font.

        Examples
        --------
        >>> [part for _, part in Letters().runs("Ἄρδα 水")[0]], Letters().runs("Ἄρδα 水")[1]
        (['Ἄρδα □'], True)
        """
        return _runs(plain(text), self._order[bold])

    def width_mm(self, text, size, bold=False):
        """Width of one line of text [mm] at a size [pt]."""
        return sum(_advance(path, part) for path, part in self.runs(text, bold)[0]) * size * MM_PER_POINT

    def lines(self, text, width_mm, size, bold=False, most=None):
        """A text broken into lines that fit a width.

        Parameters
        ----------
        text : str
        width_mm, size : float
            Of the lines [mm], and of the letters [pt].
        bold : bool
        most : int, optional
            Most lines; what is beyond is left out and an ellipsis says so.

        Returns
        -------
        list of str
            At least one. A word that is wider than a line is broken within.

        Examples
        --------
        >>> Letters().lines("one two three", 12.0, 8)
        ['one two', 'three']
        >>> Letters().lines("one two three", 12.0, 8, most=1)
        ['one…']
        """
        # Kerning over the borders of words may add a little.
        room = width_mm * 0.995
        words, lines, line, filled = plain(text).split(), [], "", 0.0
        words.reverse()
        space = self.width_mm(" ", size, bold)
        while words and (most is None or len(lines) <= most):
            word = words.pop()
            width = self.width_mm(word, size, bold)
            if line and filled + space + width <= room:
                line, filled = f"{line} {word}", filled + space + width
            elif line:
                lines.append(line)
                line = ""
                words.append(word)
            elif width <= room:
                line, filled = word, width
            else:
                fits = self._fitting(word, room, size, bold)
                lines.append(word[:fits])
                words.append(word[fits:])
        lines.append(line)
        lines = [line for line in lines if line] or [""]
        if most is None or len(lines) <= most:
            return lines
        last = lines[most - 1]
        # Words give way whole where more than one stands in the line.
        while last and self.width_mm(last + ELLIPSIS, size, bold) > room:
            last = last.rpartition(" ")[0] if " " in last else last[:-1]
        return [*lines[: most - 1], last.rstrip() + ELLIPSIS]

    # The number of letters of a word that fit a line, at least one.
    def _fitting(self, word, room_mm, size, bold):
        least, most = 1, len(word)
        while least < most:
            middle = (least + most + 1) // 2
            if self.width_mm(word[:middle], size, bold) <= room_mm:
                least = middle
            else:
                most = middle - 1
        return least


@lru_cache(maxsize=65536)
def _runs(text, fonts):
    runs, lacks = [], False
    for letter in text:
        font = next((path for path in fonts if _has(path, letter)), None)
        if font is None:
            font, letter, lacks = fonts[0], BOX, True
        # A space goes with what stands before it.
        if runs and (runs[-1][0] == font or (letter == " " and _has(runs[-1][0], letter))):
            runs[-1] = (runs[-1][0], runs[-1][1] + letter)
        else:
            runs.append((font, letter))
    return runs, lacks


@lru_cache(maxsize=64)
def _charmap(path):
    return frozenset(get_font(path).get_charmap())


def _has(path, letter):
    return ord(letter) in _charmap(path)


@lru_cache(maxsize=64)
def font_of(path):
    """The font file as matplotlib takes it."""
    return FontProperties(fname=path, size=MEASURED_AT_POINTS)


# Width of a part [em].
@lru_cache(maxsize=65536)
def _advance(path, part):
    # Spaces at an end have no ink, so they are measured between letters that have.
    return (_ink(path, f"i{part}i") - _ink(path, "ii")) / MEASURED_AT_POINTS


@lru_cache(maxsize=65536)
def _ink(path, text):
    return _paths.get_text_width_height_descent(text, font_of(path), ismath=False)[0]
