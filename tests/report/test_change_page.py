"""Page and sheet of a comparison, on changes written by hand: figures, causes, maps, and names that are markup."""

import io
import re
from html.parser import HTMLParser

import geopandas
import pandas as pd
import pytest
import shapely
from left_in_english import left_in_english
from pypdf import PdfReader

from sitefinder.comparison.changes import Changes
from sitefinder.report.change_page import change_page
from sitefinder.report.changes import UNTRACED, cause_text
from sitefinder.report.languages import speaking
from sitefinder.report.sheets.change_sheet import change_sheet_pdf
from sitefinder.schema import CHANGE_LAYERS

PATHS = ("out-2024/sites.gpkg", "out-2025/sites.gpkg")
DEM, TOWN = "input dem: other content", "rule town is new"


def row(kind, change, old, new, line, **values):
    found = {column.name: None for column in CHANGE_LAYERS["changes"].columns}
    texts = [column.name for column in CHANGE_LAYERS["changes"].columns if column.dtype == "text"]
    return (
        found
        | dict.fromkeys(texts, "")
        | {
            "kind": kind,
            "change": change,
            "id_old": old,
            "id_new": new,
            **values,
            "geometry": shapely.LineString(line),
        }
    )


ROWS = [
    row("reach", "unchanged", "R1", "R1", [(0, 0), (0, 500)], verdict_old="open", verdict_new="open",
        length_m_old=500.0, length_m_new=500.0),
    row("reach", "newly excluded", "R2", "R2", [(0, 500), (0, 1500)], verdict_old="open", verdict_new="excluded",
        length_m_old=1000.0, length_m_new=1000.0, rules="town (<i>Hosk)", cause=TOWN),
    row("site", "changed in value", "S1", "S1", [(0, 100), (0, 0)], stream="<script>alert(1)</script>", cause=DEM,
        rank_old=2, rank_new=1, power_kw_old=100.0, power_kw_new=80.0, energy_mwh_old=400.0, energy_mwh_new=300.0,
        changed="power_kw"),
    row("site", "newly excluded", "S2", "", [(0, 900), (0, 700)], rank_old=1, power_kw_old=50.0,
        energy_mwh_old=200.0, rules="town (Hosk)", cause=f"{DEM}; {TOWN}"),
    row("site", "appeared", "", "S3", [(0, 1500), (0, 1400)], rank_new=2, power_kw_new=10.0,
        energy_mwh_new=2_500.0, cause=f"{DEM}; {TOWN}"),
]  # fmt: skip
VALUES = [("site", "S1", "S1", "power_kw", "kW", "100.0", "80.0")]


def changes(rows=ROWS, causes=(DEM, TOWN)):
    table = geopandas.GeoDataFrame(rows, crs="EPSG:32633")
    values = pd.DataFrame(VALUES, columns=["kind", "id_old", "id_new", "column", "unit", "old", "new"])
    listed = [("input", text, text, "", "") for text in causes]
    return Changes(table, values, pd.DataFrame(listed, columns=["origin", "name", "difference", "old", "new"]))


class Read(HTMLParser):
    """Tables as rows of texts, items of lists, tags that occur, and the marks of each map."""

    def __init__(self, text):
        super().__init__()
        self.rows, self.items, self.tags, self.titles = [], [], set(), []
        self._inside = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")
        if tag == "li":
            self.items.append("")
        if tag not in ("meta", "input"):
            self._inside.append(tag)

    def handle_endtag(self, tag):
        self._inside.pop()

    def handle_data(self, data):
        if "title" in self._inside and "svg" in self._inside:
            self.titles.append(data)
        elif self._inside and ("td" in self._inside or "th" in self._inside):
            self.rows[-1][-1] += data
        elif "li" in self._inside:
            self.items[-1] += data


@pytest.fixture(scope="module")
def page():
    return change_page("Upper valley", PATHS, changes())


def test_figures_before_after_and_their_difference_are_the_sums_of_the_rows(page):
    rows = Read(page).rows

    # By hand: 100 + 50 → 80 + 10 kW, 400 + 200 → 300 + 2500 MWh, 1.5 km open → 0.5 km open and 1 km excluded.
    assert ["Sites", "2", "2", "0"] in rows
    assert ["Installed capacity [kW]", "150", "90.0", "−60.0"] in rows
    assert ["Mean annual energy [GWh]", "0.600", "2.80", "+2.20"] in rows
    assert ["Stream, open [km]", "1.50", "0.500", "−1.00"] in rows
    assert ["Stream, excluded [km]", "0", "1.00", "+1.00"] in rows


def test_each_cause_stands_once_with_what_it_may_have_changed(page):
    listed = [item for item in Read(page).items if "may have changed" in item]

    assert listed == [
        f"{DEM}may have changed 0 reaches and 3 sites",
        f"{TOWN}may have changed 1 reach and 2 sites",
    ]


def test_every_site_that_is_not_the_same_stands_in_the_table_with_the_reason(page):
    rows = Read(page).rows

    assert ["+appeared", "S3", "", "–", "2", "–", "10.0", "–", "2,500", ""] in rows
    excluded = ["−newly excluded", "S2", "", "1", "–", "50.0", "–", "200", "–", "by town (Hosk)"]
    assert excluded in rows
    changed = [cells for cells in rows if len(cells) == 10 and cells[1] == "S1"]
    assert [cells[3:9] for cells in changed] == [["2", "1", "100", "80.0", "400", "300"]]
    assert changed[0][-1] == "power_kw 100 → 80.0; cause 1"
    assert ["newly excluded", "town (<i>Hosk)", "1", "1.00"] in rows


def test_the_maps_show_each_run_and_what_differs(page):
    views = re.findall(r'<div class="view view-(\w+)">(.*?)</svg>', page, re.DOTALL)
    marks = {
        name: re.findall(r'<g class="mark ([\w-]+)".*?<text y="4">(.*?)</text>', drawn) for name, drawn in views
    }

    assert sorted(marks["difference"]) == [
        ("change-appeared", "+"), ("change-changed-in-value", "~"), ("change-newly-excluded", "−"),
    ]  # fmt: skip
    assert sorted(sign for _, sign in marks["before"]) == ["1", "2"]
    assert sorted(sign for _, sign in marks["after"]) == ["1", "2"]
    lines = {name: re.findall(r'<g class="line ([\w-]+)">', drawn) for name, drawn in views}
    assert lines == {
        "difference": ["change-unchanged", "change-newly-excluded"],
        "before": ["verdict-open"],
        "after": ["verdict-open", "verdict-excluded"],
    }
    # Sites lie at the lower end of their stretch: S3 above S2 above S1 by 700 m each, in units of the map.
    heights = {name: int(y) for y, name in re.findall(r"translate\(\d+ (\d+)\)[^>]*><title>(S\d)", views[0][1])}
    assert heights["S1"] - heights["S2"] == pytest.approx(heights["S2"] - heights["S3"], abs=2)
    assert heights["S1"] > heights["S2"]


def test_names_that_are_markup_are_shown_as_they_are(page):
    read = Read(page)

    assert "script" not in read.tags
    assert "i" not in read.tags
    assert any("<script>alert(1)</script>" in cell for cells in read.rows for cell in cells)
    assert any("town (<i>Hosk)" in title for title in read.titles)


def test_nothing_changed_and_changes_without_a_cause_are_said():
    same = change_page("Upper valley", PATHS, changes(ROWS[:1], ()))
    untraced = change_page("Upper valley", PATHS, changes(ROWS[:2], ()))

    assert "Nothing changed in 1 reach and 0 sites." in same
    assert UNTRACED not in same
    assert UNTRACED in untraced
    assert "Nothing changed" not in untraced


def test_the_sheet_is_one_tagged_page_with_the_figures_the_causes_and_the_sites(page):
    pdf = change_sheet_pdf("Upper valley", PATHS, changes())

    read = PdfReader(io.BytesIO(pdf))
    assert len(read.pages) == 1
    assert read.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert read.trailer["/Root"]["/Lang"] == "en-GB"
    said = " ".join(read.pages[0].extract_text().split())
    for cells in Read(page).rows:
        if cells[0].startswith(("Sites", "Installed", "Mean annual", "Stream, ")):
            assert " ".join(cells) in said
    # The largest change of energy first: 2,500, 200 and 100 MWh/yr.
    assert re.search(r"1 S3 appeared – → 2 – 2,500 .*2 S2 newly excluded 1 → – 200 – .*3 S1", said)
    assert "<script>alert" in said
    assert f"1 {DEM} 0 reaches 3 sites" in said
    assert f"2 {TOWN} 1 reach 2 sites" in said
    # Named by its number where it is meant, and written out once.
    assert said.count(DEM) == said.count(TOWN) == 1
    assert "no available font" not in said
    assert change_sheet_pdf("Upper valley", PATHS, changes()) == pdf


def test_many_sites_and_causes_stay_on_one_page_that_says_what_it_leaves_out():
    many = [
        row("site", "newly excluded", f"S{number}", "", [(100 * number, 900), (100 * number, 700)],
            rank_old=number + 1, energy_mwh_old=200.0, rules="town (Hosk)" * 12, cause=TOWN)
        for number in range(60)
    ]  # fmt: skip
    causes = tuple(f"rule number {number} is new" for number in range(30))

    read = PdfReader(io.BytesIO(change_sheet_pdf("n" * 200, PATHS, changes([*ROWS, *many], causes))))

    assert len(read.pages) == 1
    said = " ".join(read.pages[0].extract_text().split())
    assert "and 18 more in the layer causes" in said
    shown, left = len(re.findall(r"\d+ S\d+ ", said)), int(re.search(r"and (\d+) more sites", said)[1])
    assert left > 40
    assert shown + left >= 60


def test_what_did_not_change_is_said_on_the_sheet_too():
    said = (
        PdfReader(io.BytesIO(change_sheet_pdf("Upper valley", PATHS, changes(ROWS[:1], ()))))
        .pages[0]
        .extract_text()
    )

    assert "Nothing changed in 1 reach and 0 sites." in said


def test_page_and_sheet_speak_the_language_of_the_run():
    with speaking("de"):
        html = change_page("Oberes Tal", PATHS, changes())
        pdf = change_sheet_pdf("Oberes Tal", PATHS, changes())
        causes = [
            cause_text(text) for text in (DEM, "rule town is gone", f"{TOWN}; setting energy.price: not set → 3")
        ]

    read = Read(html)
    printed = PdfReader(io.BytesIO(pdf)).pages[0].extract_text()
    for words in ("\n".join(cell for cells in read.rows for cell in cells), printed):
        assert "Mittlere Jahresarbeit [GWh]" in words
        assert "neu ausgeschlossen" in words
        assert left_in_english(words, "de") == []
    assert '<html lang="de">' in html
    # Names of files, settings and rules are the user's.
    assert causes == [
        DEM, "Regel town entfällt", "Regel town ist neu; Einstellung energy.price: nicht gesetzt → 3",
    ]  # fmt: skip
