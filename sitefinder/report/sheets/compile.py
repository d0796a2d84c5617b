"""From a template of this folder and its data to a PDF: fonts, missing characters, and widths of texts."""

import json
import unicodedata
from contextlib import contextmanager
from pathlib import Path

from sitefinder.report.languages import current, say, say_as, texts_of
from sitefinder.report.sheets.font_files import font_folders, font_letters

HERE = Path(__file__).parent
FONTS = HERE / "fonts"
# The main font first, then those of single scripts, then those of the user.
FAMILY = "Noto Sans"
# What is printed for a letter that no font has, and the font within the compiler that has it.
BOX, BOX_FAMILY = "□", "DejaVu Sans Mono"
LACKS_LETTERS = f"{BOX}: a character that no available font has; add a font to delivery.font_files."
# Letters of no width that decide how their neighbours join, in Persian and Indic scripts for example.
JOINERS = "\u200c\u200d"
# Marks before and after a text of its own direction (Unicode Standard Annex 9), and of a place to break a line.
ISOLATE, END_OF_ISOLATE, MAY_BREAK = "\u2068", "\u2069", "\u200b"
LONGEST_WORD, PART_OF_WORD = 24, 12
# Widths are measured at this size [pt].
MEASURED_PT = 10.0
MM_PER_POINT = 25.4 / 72.0
# How the compiler says that one syllable takes letters of two fonts, of which neither has both.
NO_GLYPH = "could not be displayed with font"


class Typesetter:
    """The compiler with its fonts; ``lacks_letters`` is true once a text held a letter that no font has."""

    def __init__(self, compiler, families, font_files):
        self.families = families
        self.lacks_letters = False
        self._compiler = compiler
        self._font_files = list(font_files)
        self._covered = set()
        self._widths = {}
        # Names come again on every map.
        self._printable = {}

    def text(self, value):
        """A text of the user's as it can be printed.

        Parameters
        ----------
        value : object
            Anything with a text; it is never taken for markup.

        Returns
        -------
        str
            Without control characters, a box for each letter that no font has, long words with places to break,
            and kept together where it is written from right to left.
        """
        text = str(value)
        if text not in self._printable:
            self._printable[text] = self._made_printable(text)
        return self._printable[text]

    # As `text` says, without what was made before.
    def _made_printable(self, text):
        kept = []
        for letter in unicodedata.normalize("NFC", text):
            if letter.isprintable() or letter in JOINERS:
                kept.append(letter)
            elif unicodedata.category(letter) != "Cf":
                kept.append(" ")
        missing = self._missing(set(kept))
        self.lacks_letters = self.lacks_letters or bool(missing)
        # A mark above or below a letter gets no box of its own.
        shown = "".join(
            letter if letter not in missing else "" if unicodedata.combining(letter) else BOX for letter in kept
        )
        shown = " ".join(_with_breaks(word) for word in shown.split(" "))
        turned = any(unicodedata.bidirectional(letter) in ("R", "AL") for letter in shown)
        return f"{ISOLATE}{shown}{END_OF_ISOLATE}" if turned else shown

    def measure(self, texts):
        """Measure texts as the compiler sets them, for `width_mm`.

        Parameters
        ----------
        texts : iterable of str
            As `text` gives them.
        """
        new = sorted(set(texts) - self._widths.keys())
        if new:
            inputs = self._inputs({"texts": new, "size_pt": MEASURED_PT})
            measured = self._compiler(HERE / "measure.typ", inputs).query("<widths>", field="value", one=True)
            for text, widths in zip(new, json.loads(measured), strict=True):
                self._widths[text] = widths

    def width_mm(self, text, size_pt, bold=False):
        """Width of a text [mm]; one that was not measured is as wide as its letters, which must have been."""
        share = size_pt / MEASURED_PT * MM_PER_POINT
        if text in self._widths:
            return self._widths[text][bold] * share
        return sum(self._widths[letter][bold] for letter in text) * share

    def pdf(self, template, data):
        """Set a template.

        Parameters
        ----------
        template : str
            Name of a file in this folder.
        data : dict
            What the template reads, of numbers, texts, lists and dicts.

        Returns
        -------
        bytes
            A PDF with tags for accessibility (PDF/UA-1), the same for the same data.
        """
        from typst import TypstError  # noqa: PLC0415 - 80 MB that only these pages need

        compiler, file = self._compiler(HERE / template, self._inputs(data)), str(HERE / template)
        try:
            return compiler.compile(input=file, format="pdf", pdf_standards=["ua-1"])
        except TypstError as error:
            if NO_GLYPH not in str(error):
                raise
        # The standard forbids a character without a glyph; the page is printed with a note.
        compiler = self._compiler(HERE / template, self._inputs({**data, "lacks_letters": say(LACKS_LETTERS)}))
        return compiler.compile(input=file, format="pdf")

    def _inputs(self, data):
        given = {
            "families": [*self.families, BOX_FAMILY],
            "language": current().tag,
            "heads": narrow_heads(),
            **_texts(),
            **data,
        }
        given.setdefault("lacks_letters", say(LACKS_LETTERS) if self.lacks_letters else "")
        return {"data": json.dumps(given, ensure_ascii=False, allow_nan=False)}

    # Letters that no font has; fonts are opened one after the other until nothing is missing.
    def _missing(self, letters):
        missing = letters - self._covered - set(JOINERS) - {" "}
        while missing and self._font_files:
            self._covered |= font_letters(self._font_files.pop(0))
            missing -= self._covered
        return missing


def narrow_heads():
    """Headings of narrow columns, which have short words of their own in the catalogues."""
    return {"head": say_as("narrow heading", "head m"), "sites": say_as("narrow heading", "sites")}


# The texts of all templates in the current language.
def _texts():
    return texts_of("\n".join(path.read_text(encoding="utf-8") for path in sorted(HERE.glob("*.typ"))))


@contextmanager
def typesetter(font_paths):
    """The compiler with the fonts of this folder and the user's.

    Fonts of the system are not used, so that every computer makes the same bytes.

    Parameters
    ----------
    font_paths : sequence of Path
        Fonts for letters that those of this folder lack, in their order.

    Yields
    ------
    Typesetter
    """
    import typst  # noqa: PLC0415 - 80 MB that only these pages need

    # A font of the user's may be one of a folder of many: the compiler gets it alone.
    with font_folders(font_paths) as own:
        fonts = typst.Fonts(include_system_fonts=False, font_paths=[str(FONTS), *own])
        families = [FAMILY]
        for folder in (str(FONTS), *own):
            alone = typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[folder])
            families += sorted(alone.families())
        shipped = sorted(
            FONTS.glob("*-Regular.ttf"), key=lambda path: (path.stem != "NotoSans-Regular", path.stem)
        )

        def compiler(file, inputs):
            return typst.Compiler(input=str(file), root=str(HERE), font_paths=fonts, sys_inputs=inputs)

        yield Typesetter(compiler, list(dict.fromkeys(families)), [*shipped, *map(Path, font_paths)])


# A word that no line may hold, with places where it may break.
def _with_breaks(word):
    if len(word) <= LONGEST_WORD:
        return word
    parts, part = [], ""
    for letter in word:
        joined = unicodedata.category(letter).startswith("M") or letter in JOINERS or part[-1:] in JOINERS
        if len(part) >= PART_OF_WORD and not joined:
            parts.append(part)
            part = ""
        part += letter
    return MAY_BREAK.join([*parts, part])


def shortened(text, maximum):
    """A text cut to a number of characters, between characters and their combining marks.

    Examples
    --------
    >>> shortened("Upper and Lower Brook", 12), shortened("Ardelm", 12)
    ('Upper and L…', 'Ardelm')
    """
    if len(text) <= maximum:
        return text
    end = maximum - 1
    while end > 1 and (
        unicodedata.category(text[end]).startswith("M") or {text[end], text[end - 1]} & set(JOINERS)
    ):
        end -= 1
    return text[:end].rstrip() + "…"
