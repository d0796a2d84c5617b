"""Field sheets and plate as PDF: what they say, that nothing lies on anything, and the same bytes each time.

Pages are read by pdfium, and their structure by pypdf: neither is code of ours.
"""

import io
import itertools
import re

import numpy as np
import pypdfium2
import pytest
import typst
import zxingcpp
from pdf_text import texts_in
from pypdf import PdfReader

from sitefinder.report.sheets import district_map_pdf, field_sheets_pdf
from sitefinder.schema.wording import SAFETY, SCREENING

LONG = "Upper and Lower Brook of the Long Names " * 5
NAMES = ("<script>alert(1)</script>", '=cmd() #eval("1")', "$x_1$ *a* _b_ `c` @d", "Ἄρδα Дрина არაგვი")
# Rectangles of print are as high as the letters in them; a point of overlap is none to the eye.
SLACK_POINTS = 1.0
# No printer prints nearer to the edge than this [pt].
EDGE_POINTS = 14.0


def read(pdf):
    # Without the places at which a long name may go on in the next line.
    return [re.sub(r"\s+", " ", text.replace("\u200b", "")) for text in texts_in(pdf)]


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
    assert field_sheets_pdf(inventory, 6) == printed
    assert b"CreationDate" not in printed
    assert district_map_pdf(inventory) == district_map_pdf(inventory)


def test_an_overview_comes_first_and_says_on_which_page_each_sheet_begins(texts):
    begins = [number for number, text in enumerate(texts, 1) if re.search(r"sheet \d of 6, part 1 of", text)]

    assert "Vale of trials" in texts[0]
    assert "6 sites: installed capacity" in texts[0]
    assert len(begins) == 6
    listed = re.findall(r"open with limits (\d+)(?= [1-6] |$| How)", texts[0])
    assert [int(page) for page in listed] == begins


def test_a_sheet_has_two_pages_and_only_one_of_endless_names_has_more(texts):
    parts = [re.search(r"sheet (\d) of 6, part \d of (\d)", text) for text in texts]
    of_sheet = {found[1]: int(found[2]) for found in parts if found}

    assert [of_sheet[str(number)] for number in range(1, 6)] == [2] * 5
    assert of_sheet["6"] == 3
    assert len(texts) == 1 + sum(of_sheet.values())


def test_the_figures_are_those_of_the_tables(texts):
    sheet = " ".join(texts[1:3])

    for expected in (
        "Gross head 3.5 m",
        "90 % confidence interval 3.1 to 3.8 m",  # 3.4567 ± 1.645 × 0.2
        "Mean flow 1.23 m³/s",
        "90 % confidence interval 0.800 to 2.30 m³/s",
        "Design flow 1.57 m³/s",
        "Installed capacity 34.6 kW",
        "Mean annual energy 123 MWh",
        "98.8 · 121 · 146 MWh",
        "Capital cost 235,000 EUR of 2024",
        "Specific cost 6,790 EUR of 2024 per kW",  # 234 567 / 34.567 = 6785.9
        "E 501 000, N 4 418 000",
        "E 501 600, N 4 418 000",
        "88 m from the tailrace in a straight line; on the left bank (looking downstream); "
        "powerhouse 4 m below the road",
        "Rule “spawning”: Only fish-safe turbines may be used here, with a screen where that takes one.",
        "Rule “herons”: No new barrier may be built here.",
        "A low or high flow was extrapolated beyond the outermost flow quantiles.",
        "The structure is in use: mill.",
    ):
        assert expected in sheet, expected
    assert "3.5 34.6 123 98.8 to 146 open with limits" in texts[0]
    assert "curve_extended" not in sheet


def test_every_sheet_holds_the_form_and_the_dangers(texts):
    for number in range(6):
        sheet = " ".join(text for text in texts if f"sheet {number + 1} of 6" in text)

        assert "Spot gauging of the flow" in sheet
        assert "Landowner’s permission" in sheet or "Landowner's permission" in sheet
        for sentence in SAFETY:
            assert sentence in sheet
    assert all(SCREENING in text for text in texts)


def test_the_page_for_the_visit_holds_way_form_and_dangers_together(texts):
    visits = [text for text in texts if "Spot gauging of the flow" in text]

    assert len(visits) == 6
    for text in visits:
        assert re.search(r"part \d of \d · \S+ How to get there", text)
        assert SAFETY[0] in text
        assert SAFETY[-1] in text


@pytest.mark.parametrize("number", range(4))
def test_names_are_printed_as_they_are(texts, number):
    sheet = next(text for text in texts if f"sheet {number + 2} of 6, part 1" in text)

    assert f"Rank {number + 2}: {NAMES[number]} " in sheet
    assert "no available font" not in sheet


def test_what_is_not_known_is_said_or_left_out_and_long_names_are_given_in_full(texts):
    sheet = " ".join(text for text in texts if "sheet 6 of 6" in text)

    assert "Mean flow not known" in sheet
    assert "Road not known" in sheet
    assert "Specific cost" not in sheet
    assert "nan" not in sheet.lower().replace("nant", "")
    assert "None" not in sheet
    assert f"Stream: {LONG.strip()}" in sheet
    whole = sheet[sheet.index("Site: ") :].replace(" ", "").replace("\u200b", "")
    assert "W" * 200 in whole


def test_an_inventory_without_sites_gives_an_overview_that_says_so(make_handover):
    inventory = make_handover([])

    [overview] = read(field_sheets_pdf(inventory, 20))
    [plate] = read(district_map_pdf(inventory))

    assert "No site was selected in this run." in overview
    assert "No site was selected in this run." in plate


def test_only_the_best_sites_get_a_sheet(make_handover, make_site):
    texts = read(field_sheets_pdf(make_handover([make_site(number) for number in (3, 1, 2)]), 2))

    assert len(texts) == 5
    assert "the best 2 of 3 sites" in texts[0]
    assert "B1@1" in texts[1]
    assert "B1@2" in texts[3]


def test_the_plate_gives_sites_districts_sources_and_cautions(inventory):
    printed = district_map_pdf(inventory)
    [text] = read(printed)

    for expected in (
        "Vale of trials",
        "6 sites: installed capacity",
        "dem: the survey; 2021-05-04; CC0 1.0",
        "Source not stated: streams",
        "WGS 84 / UTM zone 33N (EPSG:32633)",
        "stream: excluded by a rule",
        "Hosk",
        "1 Ardelm 3.5 34.6 123 open with limits",
        SCREENING,
    ):
        assert expected in text, expected
    [page] = PdfReader(io.BytesIO(printed)).pages
    assert [round(float(side) * 25.4 / 72) for side in page.mediabox[2:]] == [420, 297]


def test_a_plate_with_more_sites_and_districts_than_room_says_how_many_are_left_out(make_handover, make_site):
    sites = [make_site(1 + number % 6) | {"rank": number + 1, "site_id": f"B{number}"} for number in range(60)]
    inventory = make_handover(sites)
    inventory.tables["sites"]["stream"] = LONG

    [page] = pypdfium2.PdfDocument(district_map_pdf(inventory))

    left_out = int(re.search(r"and (\d+) more in the field sheets", page.get_textpage().get_text_bounded())[1])
    assert 20 <= left_out < 60
    assert faults(page) == []


# Texts of a page that lie on each other or leave it, by what they say.
def faults(page):
    text = page.get_textpage()
    width, height = page.get_size()
    boxes = [text.get_rect(number) for number in range(text.count_rects())]
    said = [(text.get_text_bounded(*box).strip(), box) for box in boxes]
    said = [(words, box) for words, box in said if words]
    outside = [
        (words, "outside")
        for words, (left, foot, right, top) in said
        if min(left, foot) < EDGE_POINTS or right > width - EDGE_POINTS or top > height - EDGE_POINTS
    ]
    over = [
        (one, other)
        for (one, a), (other, b) in itertools.combinations(said, 2)
        if min(a[2], b[2]) - max(a[0], b[0]) > SLACK_POINTS and min(a[3], b[3]) - max(a[1], b[1]) > SLACK_POINTS
    ]
    return outside + over


def test_no_text_lies_on_another_or_leaves_its_page(inventory, printed):
    pages = list(pypdfium2.PdfDocument(printed))
    [plate] = pypdfium2.PdfDocument(district_map_pdf(inventory))

    assert len(pages) > 10
    for page in [*pages, plate]:
        assert faults(page) == []


def test_a_text_that_lies_on_another_would_be_found():
    source = (
        "#set page(width: 100mm, height: 50mm, margin: 10mm)\n"
        "#place(dx: 1mm, dy: 1mm)[written over the title]#place(dy: 1mm)[The title]"
        "#place(dx: 70mm, dy: 20mm, box(width: 60mm)[runs over the edge])"
    )
    [page] = pypdfium2.PdfDocument(typst.compile(source.encode(), format="pdf", ignore_system_fonts=True))

    found = faults(page)

    assert ("runs over the edge", "outside") in found
    assert any(
        len(pair) == 2 and "over the title" in pair[0] + pair[1] and "outside" not in pair for pair in found
    )


def test_a_site_alone_without_roads_lines_structures_and_profile_is_printed(make_handover, make_bare_site):
    inventory = make_handover([make_bare_site(1)], bare=True)
    printed = field_sheets_pdf(inventory, 1)

    for page in [*pypdfium2.PdfDocument(printed), *pypdfium2.PdfDocument(district_map_pdf(inventory))]:
        assert faults(page) == []
    texts = read(printed)
    assert "No long profile for this site." in texts[1]
    # What nobody gave a layer of differs from what a layer does not say, and is said once.
    assert "Not in this run layers of roads, power lines and settlements" in texts[2]
    assert "Road " not in texts[2]


def test_a_site_whose_place_is_not_known_is_printed_without_a_map(make_handover, make_bare_site):
    nowhere = {name: np.nan for name in ("lon", "lat", "intake_lon", "intake_lat")}
    inventory = make_handover([make_bare_site(1, **nowhere)], bare=True)
    inventory.tables["stretches"] = inventory.tables["stretches"].iloc[:0]

    texts = read(field_sheets_pdf(inventory, 1))

    assert "The coordinates of this site are not known." in texts[1]
    assert "Grid [m] not known" in texts[2]


def test_a_hydrokinetic_site_has_no_head_and_no_headrace(make_handover, make_bare_site):
    texts = read(field_sheets_pdf(make_handover([make_bare_site(1, scheme_type="kinetic")]), 1))

    assert "hydrokinetic. A turbine in the open current" in texts[1]
    assert "Gross head" not in texts[1]
    assert "Headrace" not in texts[1]
    assert "Depleted reach" not in texts[1]


# All structure elements of a document, from its root down.
def elements(node):
    if isinstance(node, list):
        for each in node:
            yield from elements(each.get_object())
    elif isinstance(node, dict):
        yield node
        if "/K" in node:
            yield from elements(node["/K"].get_object())


def test_pages_are_tagged_for_those_who_cannot_see_them(inventory, printed):
    # ISO 14289-1:2014 (PDF/UA-1), 7.1 and 7.3: marked, language and title, every figure with an alternative text.
    for pdf in (printed, district_map_pdf(inventory)):
        reader = PdfReader(io.BytesIO(pdf))
        root = reader.trailer["/Root"]

        assert root["/MarkInfo"]["/Marked"]
        assert root["/Lang"] == "en-GB"
        assert root["/ViewerPreferences"]["/DisplayDocTitle"]
        assert reader.metadata.title.startswith("Vale of trials: ")
        assert b"pdfuaid" in root["/Metadata"].get_data()
        tree = list(elements(root["/StructTreeRoot"]["/K"].get_object()))
        figures = [each for each in tree if each.get("/S") == "/Figure"]
        assert len(figures) > 10
        assert all(str(figure["/Alt"]).strip() for figure in figures)
        assert any(str(figure["/Alt"]).startswith("Map of the region") for figure in figures)
        assert {"/H1", "/H2", "/Table", "/TH", "/L"} <= {each.get("/S") for each in tree}


def test_bookmarks_lead_to_each_sheet(printed):
    reader = PdfReader(io.BytesIO(printed))
    titles = [entry.title for entry in reader.outline if not isinstance(entry, list)]

    assert titles[0] == "Vale of trials"
    assert titles[1] == "Rank 1: Ardelm"
    assert len(titles) == 7


def test_maps_show_what_rules_do_where_and_keep_steps_apart_from_weirs(inventory, texts):
    sheet, plate = texts[1], read(district_map_pdf(inventory))[0]

    for page in (sheet, plate):
        for entry in ("rule: no new barrier", "weir or other drop", "unexplained step"):
            assert entry in page
    assert "rule: no site" not in sheet + plate
    # A weir has its name on the map of a site, and a step none.
    assert "W1" in sheet
    assert "step:B1" not in sheet
    areas = inventory.tables["rule_areas"]
    bare = inventory._replace(tables={**inventory.tables, "rule_areas": areas.iloc[:0]})
    assert "rule: " not in read(district_map_pdf(bare))[0]


def test_a_sheet_has_what_one_needs_on_the_bank(make_handover, make_site):
    site = make_site(
        1, structure_id="W1", efficiency_design=0.8, closed_months="3;4;10", conduit_route="hillside",
        conduit_bank="left", headrace_length_m=400.4, penstock_length_m=50.2, conduit_length_m=450.6,
    )  # fmt: skip
    first, second = read(field_sheets_pdf(make_handover([site]), 1))[1:3]

    # 34.567 kW = 9.80665 m/s² × 998.2 kg/m³ × 1.5678 m³/s × 0.8 × net head.
    assert "Net head at design flow 2.8 m" in first
    assert "Levels intake 198.0 m, tailrace 193.0 m" in first
    # The curve is straight between the shares that the layer has.
    assert "exceeded [m³/s] Q10 Q30 Q50 Q80 Q90 Q95 flow 9.00 7.00 5.00 2.00 1.00 0.500" in first
    assert "environmental 0.500 0.500" in first
    assert "451 m (headrace 400 m, penstock 50 m); left bank, hillside" in first
    assert "No abstraction in March and April and October" in first
    assert "W1 (weir); use mill; owner Hosk Mill; condition fair; drop 1.2 m; no fish pass known" in second
    for blank in ("Emergency number", "nearest hospital", "Access by vehicle", "Sketch: "):
        assert blank in second


def test_a_camera_reads_the_place_of_the_tailrace_from_the_sheet(make_handover, make_site):
    site = make_site(1)
    pdf = pypdfium2.PdfDocument(field_sheets_pdf(make_handover([site]), 1))

    [code] = zxingcpp.read_barcodes(pdf[2].render(scale=3).to_pil())

    assert code.text == f"geo:{site['lat']:.6f},{site['lon']:.6f}"


def test_the_page_can_link_to_each_sheet(printed):
    reader = PdfReader(io.BytesIO(printed))
    destinations = reader.named_destinations

    begins = [number for number, page in enumerate(reader.pages) if "part 1 of" in page.extract_text()]
    assert [reader.get_destination_page_number(destinations[f"rank-{rank}"]) for rank in range(1, 7)] == begins


def test_a_sheet_of_which_little_is_known_leaves_blocks_out(make_handover, make_bare_site):
    pages = read(field_sheets_pdf(make_handover([make_bare_site(1)], bare=True), 1))

    for absent in ("exceeded [m³/s]", "Net head", "Levels", "No abstraction", "Headrace"):
        assert absent not in " ".join(pages[1:])
