"""Names in all scripts on the printed sheets: shaped as the script asks, in fonts of the package or the user's."""

import io

import numpy as np
import pypdfium2
import pytest
from fontTools.fontBuilder import FontBuilder
from fontTools.pens.ttGlyphPen import TTGlyphPen
from pypdf import PdfReader

from sitefinder.errors import InputError
from sitefinder.report.sheets import district_map_pdf, field_sheets_pdf
from sitefinder.report.sheets.compile import BOX, FONTS, shortened, typesetter
from sitefinder.report.sheets.font_files import checked_fonts

# Names of waters, each in its own script: Arabic, Persian with a joiner of no width, Hebrew, Devanagari, Ethiopic,
# Bengali, Gurmukhi, Gujarati, Odia, Tamil, Telugu, Kannada, Malayalam, Sinhala, Thai, Lao, Khmer, Burmese,
# Georgian, Armenian, Greek and Cyrillic.
SCRIPTS = (
    "نهر الأردن",
    "می‌رود",
    "נחל קדרון",
    "कालीगण्डकी नदी",
    "ግዮን ወንዝ",
    "পদ্মা নদী",
    "ਸਤਲੁਜ",
    "નર્મદા",
    "ମହାନଦୀ",
    "தாமிரபரணி",
    "గోదావరి",
    "ಕಾವೇರಿ",
    "പെരിയാർ",
    "මහවැලි",
    "แม่น้ำปิง",
    "ແມ່ນ້ຳຂອງ",
    "ទន្លេសាប",
    "ဧရာဝတီ",
    "არაგვი",
    "Արաքս",
    "Ἄρδα",
    "Дрина",
)


def small_font(path, letters, family="Test Letters", *, for_print=True):
    """A font whose letters are all the same square; one for print has a PostScript name."""
    named = {"psName": family.replace(" ", "")} if for_print else {}
    names = [f"letter{number}" for number in range(len(letters))]
    pen = TTGlyphPen(None)
    for place in ((100, 0), (100, 700), (800, 700), (800, 0)):
        (pen.moveTo if place == (100, 0) else pen.lineTo)(place)
    pen.closePath()
    square = pen.glyph()
    builder = FontBuilder(1000, isTTF=True)
    builder.setupGlyphOrder([".notdef", *names])
    builder.setupCharacterMap({ord(letter): name for letter, name in zip(letters, names, strict=True)})
    builder.setupGlyf({name: square for name in [".notdef", *names]})
    builder.setupHorizontalMetrics({name: (900, 100) for name in [".notdef", *names]})
    builder.setupHorizontalHeader(ascent=800, descent=-200)
    builder.setupNameTable({"familyName": family, "styleName": "Regular", **named})
    builder.setupOS2(sTypoAscender=800, sTypoDescender=-200, usWinAscent=800, usWinDescent=200)
    builder.setupPost()
    builder.save(path)
    return path


# Places of the letters of a title on the page, from the left [pt].
def letter_places(printed, page_number=1):
    page = pypdfium2.PdfDocument(printed)[page_number].get_textpage()
    places = {}
    for number in range(page.count_chars()):
        letter = page.get_text_range(number, 1)
        places.setdefault(letter, page.get_charbox(number)[0])
    return places


@pytest.fixture(scope="module")
def titles(make_handover, make_site):
    """A function that prints a sheet for a stream of a name."""

    def printed(name, **given):
        return field_sheets_pdf(make_handover([make_site(1, stream=name)], **given), 1)

    return printed


@pytest.mark.parametrize("name", SCRIPTS)
def test_each_script_has_its_letters_in_a_font_of_the_package(name):
    with typesetter(()) as setter:
        shown = setter.text(name)

    assert BOX not in shown
    assert shown.strip("\u2068\u2069") == name
    assert not setter.lacks_letters


@pytest.mark.parametrize(("first", "last", "name"), [("ن", "ف", "نيف"), ("נ", "ל", "נחל")])
def test_arabic_and_hebrew_run_from_right_to_left(titles, first, last, name):
    # Unicode Standard Annex 9, rule L2: the first letter of such a word is the one farthest to the right.
    places = letter_places(titles(name))

    assert places[first] > places[last]


# The ink of some letters of a title, one number for each dot, from their left edge to their right one.
def ink(printed, letters):
    page = pypdfium2.PdfDocument(printed)[1]
    text = page.get_textpage()
    found = text.get_text_range().index(f"Rank 1: {letters}") + len("Rank 1: ")
    boxes = [text.get_charbox(found + number) for number in range(len(letters))]
    left, foot, right, top = (
        pick(sides) for pick, sides in zip((min, min, max, max), zip(*boxes, strict=True), strict=True)
    )
    width, height = page.get_size()
    crop = (left, foot, width - right, height - top)
    dark = 255 - page.render(scale=8, grayscale=True, crop=crop).to_numpy().squeeze()
    columns = np.flatnonzero(dark.max(axis=0) > 100)
    return dark[:, columns[0] : columns[-1] + 1].astype(int)


def test_a_vowel_sign_of_devanagari_is_drawn_before_its_consonant(titles):
    # The Unicode Standard, chapter 12.1: vowel sign I is drawn to the left of the consonant that it follows.
    alone, together = ink(titles("ट"), "ट"), ink(titles("टि"), "टि")

    # The lower half, where the line that hangs letters together is not.
    half, wide = alone.shape[0] // 2, alone.shape[1]
    at_left = np.abs(together[-half:, :wide] - alone[-half:]).sum()
    at_right = np.abs(together[-half:, -wide:] - alone[-half:]).sum()
    assert together.shape[1] > 1.2 * wide
    assert at_right < 0.5 * at_left


@pytest.mark.parametrize(
    ("joined", "apart"),
    [
        # The Unicode Standard 9.2, Arabic joining, and 12.1, conjuncts; a joiner of no width keeps letters apart.
        ("بيت", "ب\u200cي\u200cت"),
        ("क्ष", "क्\u200cष"),
    ],
)
def test_letters_that_join_are_joined(joined, apart):
    with typesetter(()) as setter:
        setter.measure([joined, apart])

        assert setter.width_mm(joined, 10.0) < 0.9 * setter.width_mm(apart, 10.0)


def test_a_number_after_a_name_from_right_to_left_stays_behind_it():
    with typesetter(()) as setter:
        names = {name: setter.text(name) for name in ("نهر", "Ardelm")}

    # Unicode Standard Annex 9, rules X5c and X6a: an isolate keeps what follows in the line's own order.
    assert names == {"نهر": "\u2068نهر\u2069", "Ardelm": "Ardelm"}


def test_fonts_come_from_the_package_alone(titles):
    fonts = set()
    for page in PdfReader(io.BytesIO(titles("نهر कालीगण्डकी ግዮን"))).pages:
        for font in page["/Resources"].get("/Font", {}).values():
            fonts.add(font.get_object()["/BaseFont"].partition("+")[2])

    shipped = {path.stem for path in FONTS.glob("*.ttf")}
    assert fonts <= shipped
    assert {"NotoSans-Regular", "NotoSans-Bold", "NotoSansArabic-Regular", "NotoSansEthiopic-Regular"} <= fonts


def test_the_package_says_whose_fonts_they_are_and_under_which_licence():
    text = (FONTS / "OFL.txt").read_text(encoding="utf-8")

    assert "SIL OPEN FONT LICENSE Version 1.1" in text
    assert "Copyright" in text.split("SIL OPEN FONT LICENSE")[0]


def test_letters_without_a_font_are_boxes_and_the_foot_says_so(titles):
    texts = [page.extract_text() for page in PdfReader(io.BytesIO(titles("水の川 Brook"))).pages]

    assert "□□□ Brook" in texts[1]
    assert all("□: a character that no available font has" in text for text in texts)
    plain = PdfReader(io.BytesIO(titles("Brook"))).pages[1].extract_text()
    assert "no available font" not in plain


def test_a_font_of_the_users_serves_where_those_of_the_package_lack_a_letter(titles, tmp_path):
    own = small_font(tmp_path / "mine.ttf", "水の川")
    small_font(tmp_path / "beside.ttf", "田", family="Neighbour")

    printed = titles("水の川 Brook", font_paths=(own,))

    reader = PdfReader(io.BytesIO(printed))
    assert "水の川 Brook" in reader.pages[1].extract_text()
    assert b"TestLetters" in printed
    assert "no available font" not in reader.pages[1].extract_text()
    # What lies beside it in its folder was not asked for.
    lacking = PdfReader(io.BytesIO(titles("田", font_paths=(own,)))).pages[1].extract_text()
    assert "Rank 1: □" in lacking


def test_a_syllable_of_letters_from_two_fonts_is_printed_all_the_same(make_handover, make_site, tmp_path):
    # A mark that only one font has over a letter that only another has: no font can draw them as one.
    name = "水\u0301"
    own = small_font(tmp_path / "mine.ttf", "水")
    inventory = make_handover([make_site(1, stream=name)], font_paths=(own,))

    for printed in (field_sheets_pdf(inventory, 1), district_map_pdf(inventory)):
        assert len(PdfReader(io.BytesIO(printed)).pages) >= 1


def test_control_characters_are_not_printed_and_joiners_are_kept():
    with typesetter(()) as setter:
        assert setter.text("Ar\x00de\nlm\u202e\ufeff") == "Ar de lm"
        assert setter.text("می‌رود").strip("\u2068\u2069") == "می‌رود"


def test_long_words_may_break_but_never_between_a_letter_and_its_mark():
    with typesetter(()) as setter:
        broken = setter.text("कि" * 40)

    assert broken.replace("\u200b", "") == "कि" * 40
    assert "\u200b" in broken
    assert "\u200bि" not in broken
    assert shortened("कि" * 40, 10) == "कि" * 4 + "…"


def test_font_files_that_cannot_be_used_are_all_named_at_once(tmp_path):
    (tmp_path / "none.ttf").write_text("no font", encoding="utf-8")
    (tmp_path / "torn.ttf").write_bytes(b"\x00\x01\x00\x00 and no more")
    half = small_font(tmp_path / "half.ttf", "水").read_bytes()
    (tmp_path / "half.ttf").write_bytes(half[: len(half) // 2])
    small_font(tmp_path / "empty.ttf", "")
    small_font(tmp_path / "nameless.ttf", "水", for_print=False)

    with pytest.raises(InputError, match=r"delivery\.font_files: 6 problems") as caught:
        checked_fonts(["absent.ttf", "none.ttf", "torn.ttf", "half.ttf", "empty.ttf", "nameless.ttf"], tmp_path)

    message = str(caught.value)
    assert "there is no such font file" in message
    assert "the file is not a font" in message
    assert message.count("the font is damaged") == 2
    assert "the font has no characters" in message
    assert "the compiler of the PDF files cannot read" in message


def test_font_files_are_found_from_the_folder_of_the_settings(tmp_path):
    small_font(tmp_path / "mine.ttf", "水")

    assert checked_fonts(["mine.ttf"], tmp_path) == (tmp_path / "mine.ttf",)
