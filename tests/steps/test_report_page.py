"""The report page that a run delivers: its figures are those of the layers."""

import re
from typing import NamedTuple

import pytest
from chromium import needs_chromium, started
from pdf_text import page_texts
from playwright.sync_api import sync_playwright
from sample_in_language import in_language

from sitefinder.delivery.page import make_page


def test_the_page_of_the_sample_shows_the_figures_of_the_layers(sample_run, read_layers):
    page = (sample_run.folder / "report.html").read_text(encoding="utf-8")
    sites = read_layers(sample_run.folder / "sites.gpkg")["sites"].sort_values("rank")
    rows = re.findall(r'<tr tabindex="-1" data-rank.*?</tr>', page)

    shown = [[float(value) for value in re.findall(r'data-v="([^"]*)"', row)] for row in rows]

    names = ["rank", "head_m", "power_kw", "energy_mwh", "energy_mwh_p90", "energy_mwh_p10", "lcoe_per_kwh",
             "flow_mean_m3s"]  # fmt: skip
    assert shown == sites[names].to_numpy(dtype=float).tolist()
    energy = float(re.search(r'data-name="energy" data-v="([^"]*)"', page)[1])
    # The sum is of the same numbers in another order, so that the last digit of a float may differ.
    assert abs(energy - sites["energy_mwh"].sum()) < 1e-9 * energy


def test_equations_and_inputs_of_the_sample_are_folded(sample_run):
    page = (sample_run.folder / "report.html").read_text(encoding="utf-8")

    for part in ("inputs", "equations"):
        section = re.search(rf'<section id="{part}".*?</section>', page, re.DOTALL)[0]
        folded = re.findall(r"<details><summary>.*?</details>", section, re.DOTALL)
        assert section.count("<table") == sum(each.count("<table") for each in folded) > 0


class Printed(NamedTuple):
    """The page of the sample as PDF files by language, and where its widest table ends on paper [pixels]."""

    files: dict
    widest: float


@pytest.fixture(scope="module")
def printed(sample_run, tmp_path_factory):
    """The page in English, as delivered, and in German, printed by one browser, which takes long to start."""
    folder = tmp_path_factory.mktemp("printed")
    german = make_page(in_language(sample_run.results["settings"], "de"), sample_run.results, folder)
    files = {}
    with sync_playwright() as playwright:
        browser = started(playwright)
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        for tag, path in (("de", german), ("en", sample_run.folder / "report.html")):
            page.goto(path.as_uri())
            page.wait_for_selector(f"html[data-ready=yes][lang={tag}]", state="attached")
            files[tag] = folder / f"{tag}.pdf"
            page.pdf(path=files[tag], prefer_css_page_size=True)
        # A4 less margins has 688 pixels; browsers shrink what is wider to five eighths, and cut the rest.
        page.emulate_media(media="print")
        page.set_viewport_size({"width": 688, "height": 1000})
        widest = page.eval_on_selector_all(
            "table", "all => Math.max(...all.map(one => one.getBoundingClientRect().right))"
        )
        browser.close()
    return Printed(files, widest)


@needs_chromium
def test_the_page_of_the_sample_is_printed_on_six_pages_and_no_table_is_cut(sample_run, printed):
    assert printed.widest <= 688 * 8 / 5
    pages = page_texts(printed.files["en"])

    assert len(pages) <= 6
    sites = sample_run.delivered.tables["sites"]["site_id"]
    structures = sample_run.delivered.tables["structures"].query("kind != 'step'")["structure_id"]
    for names in (sites, structures):
        # All rows of a table are on one page.
        assert any(all(name in re.sub(r"\s", "", text) for name in names) for text in pages)


@needs_chromium
def test_the_german_page_is_printed_on_six_pages_too(printed):
    assert len(page_texts(printed.files["de"])) <= 6
