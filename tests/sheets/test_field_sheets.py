"""The field sheets as a PDF: what they say, that nothing lies on anything, and the same bytes each time."""

import io
import itertools
import re

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text
from matplotlib.transforms import Affine2D
from pypdf import PdfReader

from sitefinder.report.sheets import district_map_pdf, field_sheets_pdf
from sitefinder.report.sheets.district_map import plate
from sitefinder.report.sheets.field_sheets import sheet_pages
from sitefinder.schema.cautions import SAFETY, SCREENING

LONG = "Upper and Lower Brook of the Long Names " * 5
NAMES = ("<script>alert(1)</script>", "=cmd()", "$x_1$", "Ἄρδα Дрина არაგვი")
# Lines of print stand closer than letters with accents and tails are tall: a point of overlap is none to the eye.
SLACK_POINTS = 1.0
DOTS_PER_POINT = 4


def read(pdf):
    return [re.sub(r"\s+", " ", page.extract_text()) for page in PdfReader(io.BytesIO(pdf)).pages]


@pytest.fixture(scope="module")
def inventory(make_handover, make_site, make_bare_site):
    named = [make_site(number, stream=name) for number, name in enumerate(NAMES, 2)]
    worst = make_bare_site(6, stream=LONG, site_id="W" * 200, flow_source=LONG, reasons=f"{LONG}; herons")
    return make_handover([make_site(1), *named, worst])


@pytest.fixture(scope="module")
def printed(inventory):
    return field_sheets_pdf(inventory, 6)


@pytest.fixture(scope="module")
def texts(printed):
    return read(printed)


def test_the_same_tables_give_the_same_bytes(inventory, printed):
    assert field_sheets_pdf(inventory, 1) == field_sheets_pdf(inventory, 1)
    assert b"CreationDate" not in printed
    assert district_map_pdf(inventory) == district_map_pdf(inventory)


def test_an_overview_comes_first_and_tells_on_which_page_each_sheet_begins(texts):
    begins = [number for number, text in enumerate(texts, 1) if re.search(r"sheet \d of 6, part 1 of", text)]

    assert "Vale of trials" in texts[0]
    assert "6 sites in all" in texts[0]
    assert len(begins) == 6
    listed = re.findall(r"(?:restricted|excluded) (\d+)(?= [1-6] |$| How)", texts[0])
    assert [int(page) for page in listed] == begins


def test_a_sheet_has_two_pages_and_only_one_of_endless_names_has_more(texts):
    parts = [re.search(r"sheet (\d) of 6, part \d of (\d)", text) for text in texts]
    of_sheet = {found[1]: int(found[2]) for found in parts if found}

    assert [of_sheet[str(number)] for number in range(1, 6)] == [2] * 5
    assert of_sheet["6"] <= 4
    assert len(texts) == 1 + sum(of_sheet.values())


def test_the_figures_are_those_of_the_tables(texts):
    sheet = " ".join(texts[1:3])

    for told in (
        "Gross head 3.46 m",
        "3.13 to 3.79 m",  # 3.4567 ± 1.645 × 0.2
        "Mean flow 1.23 m³/s",
        "90 %: 0.800 to 2.30 m³/s",
        "Low flow Q95 0.321 m³/s",
        "Design flow 1.57 m³/s",
        "Rated power 34.6 kW",
        "Energy, mean year 123 MWh",
        "98.8 · 121 · 146 MWh",
        "234 567 EUR of 2024",
        "E 501 000, N 4 418 000",
        "E 501 600, N 4 418 000",
        "87.6 m from the tailrace, straight; on the left bank, looking downstream; 4.32 m down from it",
        "Rule “spawning”: fish-safe machines only.",
        "Rule “herons”: no new barrier may be built.",
        "A low or high flow was read beyond the outermost flow quantiles.",
        "The structure is in use: mill.",
    ):
        assert told in sheet, told
    assert "3.46 34.6 123 98.8 to 146 restricted" in texts[0]
    assert "curve_extended" not in sheet


def test_every_sheet_holds_the_form_and_the_dangers(texts):
    for number in range(6):
        sheet = " ".join(text for text in texts if f"sheet {number + 1} of 6" in text)

        assert "Spot gauging of the flow" in sheet
        assert "Leave of the landowner" in sheet
        for sentence in SAFETY:
            assert sentence in sheet
    assert all(SCREENING in text for text in texts)


@pytest.mark.parametrize("number", range(4))
def test_names_are_printed_as_they_are(texts, number):
    sheet = next(text for text in texts if f"sheet {number + 2} of 6, part 1" in text)

    assert NAMES[number] in sheet
    assert "no font" not in sheet


def test_what_is_not_known_is_said_in_words_and_long_names_are_told_in_full(texts):
    sheet = " ".join(text for text in texts if "sheet 6 of 6" in text)

    assert "Mean flow not known" in sheet
    assert "Road not known" in sheet
    assert "nan" not in sheet.lower().replace("nant", "")
    assert "None" not in sheet
    assert f"Name of the stream: {LONG.strip()}" in sheet


def test_letters_without_a_font_are_boxes_and_the_foot_says_so(make_handover, make_site):
    texts = read(field_sheets_pdf(make_handover([make_site(1, stream="水の川 Brook")]), 1))

    assert "□□□ Brook" in texts[1]
    assert "□: a letter that no font at hand has" in texts[1]
    assert "a letter that no font" not in texts[2]


def test_an_inventory_without_sites_gives_an_overview_that_says_so(make_handover):
    inventory = make_handover([])

    [overview] = read(field_sheets_pdf(inventory, 20))
    [map_plate] = read(district_map_pdf(inventory))

    assert "No site was chosen in this run." in overview
    assert "No site was chosen in this run." in map_plate


def test_only_the_best_sites_get_a_sheet(make_handover, make_site):
    texts = read(field_sheets_pdf(make_handover([make_site(number) for number in (3, 1, 2)]), 2))

    assert len(texts) == 5
    assert "the best 2 of 3 sites" in texts[0]
    assert "B1@1" in texts[1]
    assert "B1@2" in texts[3]


def test_the_map_plate_tells_sites_districts_sources_and_cautions(inventory):
    [text] = read(district_map_pdf(inventory))

    for told in (
        "Vale of trials",
        "6 sites in all",
        "dem: the survey; 2021-05-04; CC0 1.0",
        "Source not stated: streams",
        "WGS 84 / UTM zone 33N (EPSG:32633)",
        "stream: excluded",
        "Hosk",
        SCREENING,
    ):
        assert told in text, told
    [page] = PdfReader(io.BytesIO(district_map_pdf(inventory))).pages
    assert [round(float(side) * 25.4 / 72) for side in page.mediabox[2:]] == [420, 297]


# Texts of a page that lie on each other or leave it, by what they say.
def faults(page):
    figure = page.figure
    # At many dots to the point letters are as wide as in the PDF, which fits none of them to dots.
    figure.set_dpi(72 * DOTS_PER_POINT)
    renderer = FigureCanvasAgg(figure).get_renderer()
    found = [text for text in figure.findobj(Text) if text.get_text().strip()]
    to_points = Affine2D().scale(1 / DOTS_PER_POINT)
    boxes = [text.get_window_extent(renderer).transformed(to_points) for text in found]
    width, height = (72 * inches for inches in figure.get_size_inches())
    outside = [
        (text.get_text(), "outside")
        for text, box in zip(found, boxes, strict=True)
        if box.x0 < 5 or box.y0 < 5 or box.x1 > width - 5 or box.y1 > height - 5
    ]
    over = [
        (one.get_text(), other.get_text())
        for (one, a), (other, b) in itertools.combinations(zip(found, boxes, strict=True), 2)
        if min(a.x1, b.x1) - max(a.x0, b.x0) > SLACK_POINTS and min(a.y1, b.y1) - max(a.y0, b.y0) > SLACK_POINTS
    ]
    return outside + over


def test_no_text_lies_on_another_or_leaves_its_page(inventory):
    pages = sheet_pages(inventory, 6)

    # The overview, the best site, and the one of the worst name.
    for make in [*pages[:3], *pages[11:]]:
        assert faults(make()) == []
    assert faults(plate(inventory)) == []


def test_a_text_that_lies_on_another_would_be_found(inventory):
    page = sheet_pages(inventory, 6)[1]()
    page.text(20.0, 24.0, "written over the title")
    page.text(195.0, 100.0, "runs over the edge")

    found = faults(page)

    assert ("runs over the edge", "outside") in found
    assert any("written over the title" in pair and "Rank 1: Ardelm" in pair for pair in found)


def test_a_site_alone_without_roads_lines_structures_and_profile_is_printed(make_handover, make_bare_site):
    inventory = make_handover([make_bare_site(1)], bare=True)

    for make in [*sheet_pages(inventory, 1), lambda: plate(inventory)]:
        assert faults(make()) == []
    texts = read(field_sheets_pdf(inventory, 1))
    assert "No long profile is known here." in texts[1]
    # What nobody gave a layer of is told apart from what a layer does not tell.
    assert "Road no layer of roads in this run" in texts[2]
    assert "Power line no layer of power lines in this run" in texts[2]
