"""The sample run delivered in German: nothing English is left but names and data, and every figure is the same."""

import html
import json
import re

import pytest
import unpacked
from left_in_english import figures_in, left_in_english
from pdf_text import page_texts
from pypdf import PdfReader
from sample_in_language import in_language

from sitefinder.delivery.page import make_page
from sitefinder.delivery.sheets import make_district_map, make_field_sheets
from sitefinder.delivery.summary import make_summary
from sitefinder.report.languages import speaking
from sitefinder.report.printed import printed_summary
from sitefinder.report.table_texts import from_table
from sitefinder.vocabulary import IN_ONE_CELL

# Settings, and the code of the stages, stay English; scripts show their texts in a browser (tests/report/page).
ENGLISH_PARTS = re.compile(
    r'<section id="assumptions".*?</section>|<style>.*?</style>|<script>.*?</script>|<svg id="map".*?</svg>',
    re.DOTALL,
)
# A licence, the version, and signs of HTML by their number.
NO_FIGURES = re.compile(r"CC0 1\.0|sitefinder \d[^ ]*|&#\d+;")
# Columns of which the page translates what stages wrote, and parts of them that are the same in every language:
# coordinate systems and a publication.
WRITTEN_BY_STAGES = {
    "sites": ["needs", "month_source"],
    "structures": ["needs", "note"],
    "fish_assumptions": ["assumption", "basis"],
    "repairs": ["problem", "action"],
}
OF_NO_LANGUAGE = re.compile(r"EPSG:\d+|Powers and Orsborn \(1985\)")
# Names of the sample region and units, as texts of the page hold them.
NAME_OF_SAMPLE = re.compile(r"^(Sample district|[A-Z]\d+ \([a-z ]+\)$|P\d0 \[|MWh/yr$)|\d × |@")
# Between paragraphs of the summary.
NEXT = "\n\n"
# The English texts for scripts, with what they are in the language of the page.
TEXTS_OF_SCRIPTS = re.compile(r'"texts":\{.*?\},"labels"')


@pytest.fixture(scope="module")
def made_in(sample_run, tmp_path_factory):
    """A function that gives page, sheets, map and summary of the sample run in a language."""

    def made(tag):
        settings = in_language(sample_run.results["settings"], tag)
        scratch, results = tmp_path_factory.mktemp(tag), sample_run.results
        return {
            "page": make_page(settings, results, scratch).read_text(encoding="utf-8"),
            "sheets": make_field_sheets(settings, results, (), scratch),
            "map": make_district_map(settings, results, (), (), scratch),
            "summary": printed_summary(make_summary(settings, results), []),
        }

    return made


@pytest.fixture(scope="module")
def german(made_in):
    return made_in("de")


def shown_of(page):
    """Text between tags of a page, that which hovering or a screen reader shows, and the data of its scripts."""
    page = TEXTS_OF_SCRIPTS.sub(" ", ENGLISH_PARTS.sub(" ", page))
    attributes = re.findall(r'(?:title|aria-label|alt|placeholder)="([^"]*)"', page)
    return "\n".join([re.sub(r"<[^>]*>", "\n", page), *attributes])


def text_of(path):
    return " ".join(page_texts(path))


def visible(page):
    """Text between tags of a page, without settings and scripts, each piece on a line."""
    page = NO_FIGURES.sub(" ", ENGLISH_PARTS.sub(" ", page))
    return re.sub(r"<[^>]*>", "\n", page.partition('<script type="application/json"')[0])


def test_nothing_english_is_left_on_the_page(german):
    assert left_in_english(shown_of(german["page"]), "de") == []


def test_nothing_english_is_left_in_the_summary_and_the_pdf_files(german):
    assert left_in_english(german["summary"], "de") == []
    assert left_in_english(text_of(german["sheets"]), "de") == []
    assert left_in_english(text_of(german["map"]), "de") == []


def test_what_is_the_same_on_both_pages_is_a_name_or_from_a_table(german, sample_run):
    english = (sample_run.folder / "report.html").read_text(encoding="utf-8")
    cells = "\n".join(
        "\n".join(map(str, frame[column].unique()))
        for frame in sample_run.delivered.tables.values()
        for column in frame.select_dtypes(["object", "string"]).columns
        if column != "geometry"
    )

    pieces = [set(html.unescape(visible(page)).split("\n")) for page in (german["page"], english)]
    alike = {piece.strip() for piece in pieces[0] & pieces[1] if len(re.findall(r"[A-Za-z]{2,}", piece)) > 1}

    assert len(alike) > 20
    assert [piece for piece in sorted(alike) if piece not in cells and not NAME_OF_SAMPLE.search(piece)] == []


def test_parts_of_cells_that_stages_write_are_known(sample_run):
    tables, parts = sample_run.delivered.tables, set()
    for layer, columns in WRITTEN_BY_STAGES.items():
        for column in columns:
            parts |= {part for cell in tables[layer][column] if cell for part in str(cell).split(IN_ONE_CELL)}

    with speaking("de"):
        unknown = sorted(part for part in parts if from_table(part) == part)

    assert len(parts) > 30
    assert [part for part in unknown if not OF_NO_LANGUAGE.fullmatch(part)] == []


def test_the_detector_finds_what_is_english(sample_run):
    page = (sample_run.folder / "report.html").read_text(encoding="utf-8")
    found = left_in_english(shown_of(page), "de")

    assert len(found) > 400
    assert {"Mean annual energy", "No rule limits a site here", "Before a site visit"} <= set(found)
    assert len(left_in_english(sample_run.delivered.summary, "de")) > 60


def test_every_figure_is_the_same_with_a_decimal_comma(german, sample_run):
    before, _, after = sample_run.delivered.summary.partition("\nFiles\n")
    summary = f"{before}\n{after.partition(NEXT)[2]}"
    page = (sample_run.folder / "report.html").read_text(encoding="utf-8")

    assert figures_in(german["summary"], swapped=True) == figures_in(summary)
    assert "13 Standorte ausgewählt: Ausbauleistung 2,25 MW, mittlere Jahresarbeit 9,09 GWh" in german["summary"]
    # A coordinate is written as devices take it.
    assert re.search(r"\d+\.\d{5}°, ", german["page"])
    assert figures_in(visible(page)).total() > 1500
    assert figures_in(visible(german["page"]), swapped=True) == figures_in(visible(page))


def test_facts_and_tooltips_of_each_site_have_the_figures_of_the_english_ones(german, sample_run):
    page = (sample_run.folder / "report.html").read_text(encoding="utf-8")

    both = zip(texts_for_scripts(german["page"]), texts_for_scripts(page), strict=True)
    for in_german, in_english in both:
        assert figures_in(in_german, swapped=True) == figures_in(in_english)
        assert figures_in(in_english).total() > 60


def texts_for_scripts(page):
    """Facts, tooltip and turbines of each site, a text each; what devices read with a point is left out."""
    data = json.loads(re.search(r'<script type="application/json" id="data">(.*?)</script>', page, re.DOTALL)[1])
    sites, number = data["sites"], data["sites"]["count"]
    lengths = unpacked.counts(sites["options"]["counts"], number)
    options = iter(unpacked.rows_of(sites["options"]["cells"], sum(lengths)))
    tips = unpacked.rows_of(sites["tip"], number)
    for facts, tip, length in zip(unpacked.facts(data), tips, lengths, strict=True):
        rows = [facts, tip, *(next(options)[1:] for _ in range(length))]
        yield "\n".join(text for row in rows for text in row if not text.endswith("°"))


def test_documents_state_their_language(german, sample_run):
    assert '<html lang="de">' in german["page"]
    assert '<html lang="en">' in (sample_run.folder / "report.html").read_text(encoding="utf-8")
    for name in ("sheets", "map"):
        assert PdfReader(german[name]).trailer["/Root"]["/Lang"] == "de"
    for name in ("field-sheets.pdf", "district-map.pdf"):
        assert PdfReader(sample_run.folder / name).trailer["/Root"]["/Lang"] == "en-GB"


def test_german_sheets_take_no_more_pages_than_english_ones(german, sample_run):
    english = PdfReader(sample_run.folder / "field-sheets.pdf")

    assert len(PdfReader(german["sheets"]).pages) == len(english.pages)
    assert len(PdfReader(german["map"]).pages) == 1


def test_english_is_what_is_delivered_where_no_language_is_set(made_in, sample_run):
    english = made_in("en")

    assert (
        english["page"].partition("<nav")[0]
        == ((sample_run.folder / "report.html").read_text(encoding="utf-8").partition("<nav")[0])
    )
    assert english["summary"].partition("\n\n")[0] == sample_run.delivered.summary.partition("\n\n")[0]
    for name, pdf in (("field-sheets.pdf", english["sheets"]), ("district-map.pdf", english["map"])):
        assert pdf.read_bytes() == (sample_run.folder / name).read_bytes(), name
