"""The PDF files of the sample run: they are delivered, and hold the figures of the GeoPackage."""

import json
import re

import pyogrio
import pytest
from pdf_text import page_texts

from sitefinder.errors import InputError
from sitefinder.explanation.places import find_subject
from sitefinder.finished_runs import explain, write_district_maps, write_sheets
from sitefinder.report.sheets.amounts import grid_text
from sitefinder.report.text import decimals, figure


def text_of(path):
    return [re.sub(r"\s+", " ", text) for text in page_texts(path)]


def test_each_sheet_holds_the_figures_of_its_site(sample_run):
    path = sample_run.delivered.path
    texts = text_of(path.parent / "field-sheets.pdf")
    sites = pyogrio.read_dataframe(path, layer="sites").sort_values("rank")

    assert 0 < len(sites) <= 20
    for number, site in enumerate(sites.itertuples(), 1):
        sheet = " ".join(text for text in texts if re.search(rf"sheet {number} of {len(sites)}\b", text))
        for notes in (
            f"Rank {site.rank}: {site.stream} {site.site_id}",
            f"Gross head {decimals(site.head_m, 1)} m",
            f"Mean flow {figure(site.flow_mean_m3s)} m³/s",
            f"Installed capacity {figure(site.power_kw)} kW",
            f"Mean annual energy {figure(site.energy_mwh)} MWh",
            f"{figure(site.energy_mwh_p90)} · {figure(site.energy_mwh_p50)} · {figure(site.energy_mwh_p10)} MWh",
            grid_text([site.geometry.x, site.geometry.y]),
            f"{site.lat:.6f}, {site.lon:.6f}",
        ):
            assert notes in sheet, notes
        assert f"It needs {site.needs}" in sheet
        assert f"pays with {100 * site.prob_pays:.0f} %" in sheet
        # What is not on the DEM, and the conduit of a diversion on the map's legend.
        assert f"{figure(site.inflow_km2)} km², as stated" in sheet
        assert (" headrace " in sheet) == (site.scheme_type == "diversion")
        assert figure(site.energy_mwh) in texts[0]
    assert re.search(
        r"And 5 drops without a stream: 127 kW, 1.02 GWh \(P90 [\d.]+, P50 [\d.]+, P10 [\d.]+\)", texts[0]
    )


def test_the_plate_holds_the_totals_of_the_districts(sample_run):
    path = sample_run.delivered.path
    [text] = text_of(path.parent / "district-map.pdf")
    districts = pyogrio.read_dataframe(path, layer="districts")

    for row in districts.itertuples():
        name = row.district or "outside all districts"
        power, energy = (figure(value).replace(" ", ",") for value in (row.power_kw, row.energy_mwh))
        assert f"{name} {row.sites} {power} {energy}" in text
    assert "sample region, make.py; CC0 1.0" in text


@pytest.fixture(scope="module")
def asked(sample_run, tmp_path_factory):
    """A function that writes sheets from what the sample's run kept."""
    folder = tmp_path_factory.mktemp("asked")
    store = sample_run.copy_store(folder / "store")
    # With the sheets that the run itself had.
    settings = sample_run.settings.with_name("with-sheets.toml")
    text = sample_run.settings.read_text(encoding="utf-8")
    settings.write_text(text[: text.rindex("[delivery]")], encoding="utf-8")

    def written(*ids, name="asked.pdf"):
        return write_sheets(settings, ids, folder / "sheets" / name, store=store)

    written.explain = lambda what, page: explain(settings, what, page=page, store=store)
    written.maps = lambda *districts: write_district_maps(settings, districts, folder / "maps", store=store)
    return written


def test_sheets_of_all_sites_asked_for_later_are_those_of_the_run(asked, sample_run):
    ids = sample_run.delivered.tables["sites"].sort_values("rank")["site_id"]

    # In whatever order, and more than once.
    written = asked(*ids[::-1], ids.iloc[0])

    assert written.read_bytes() == (sample_run.delivered.path.parent / "field-sheets.pdf").read_bytes()


def test_sheets_of_a_few_sites_leave_the_others_out(asked, sample_run):
    sites = sample_run.delivered.tables["sites"].sort_values("rank")
    ranks = [6, 3]

    texts = text_of(asked(*sites["site_id"].iloc[[rank - 1 for rank in ranks]], name="few.pdf"))

    assert f"Sheets: 2 of {len(sites)} sites" in texts[0]
    begins = [text for text in texts if re.search(r"sheet \d of 2, part 1 of", text)]
    assert [int(re.search(r"Rank (\d+):", text)[1]) for text in begins] == sorted(ranks)


def test_a_site_may_be_named_by_its_place_alone_as_the_summary_lists_it(asked, sample_run):
    best = sample_run.delivered.tables["sites"].sort_values("rank")["site_id"].iloc[0]
    place = best.split("/")[0]

    assert place != best
    assert asked(place, name="by-place.pdf").read_bytes() == asked(best, name="by-id.pdf").read_bytes()
    results = sample_run.results | {f"{name}_table": table for name, table in sample_run.delivered.tables.items()}
    meant = {find_subject(results, text)[:2] for text in (place, f"site:{place}", best)}
    assert meant == {("site", best)}


def test_all_unknown_sites_are_named(asked):
    with pytest.raises(InputError, match="no site of this run is called so") as raised:
        asked("S050@65", "Q", name="unknown.pdf")

    assert "found:     S050@65, Q\n" in str(raised.value)
    assert "S050@656" in str(raised.value)


def test_sheets_do_not_replace_a_file_of_the_run(asked, sample_run):
    out = sample_run.settings.parents[1] / "sample-region" / "out"

    with pytest.raises(InputError, match="would replace a file of the run"):
        asked("S050@656", name=out / "report.html")


def test_a_map_of_each_district_has_its_totals_and_its_sites_alone(asked, sample_run):
    tables = sample_run.delivered.tables
    districts, sites = tables["districts"], tables["sites"]
    named = districts[districts["district"] != ""]

    written = asked.maps()

    # What lies outside all districts has no stream here, so no map.
    assert len(written) == len(named) == 2
    for path, row in zip(written, named.itertuples(), strict=True):
        [text] = text_of(path)
        own = sites[sites["district"] == row.district].sort_values("rank")
        assert path.name == f"district-map-{row.district.replace(' ', '-')}.pdf"
        assert f"Sample district: {row.district}" in text
        assert f"{len(own)} sites: installed capacity" in text
        assert f"(P90 {figure(row.energy_mwh_p90 / 1000)}, P50 {figure(row.energy_mwh_p50 / 1000)}" in text
        table = text[text.index("Sites by rank") :]
        ranks = [int(rank) for rank in re.findall(r"(\d+) [A-Z]\w+ \d+\.\d [\d.,]+ [\d.,]+ open", table)]
        assert ranks == own["rank"].tolist()
        assert "drops without a stream:" not in text


def test_districts_that_are_not_there_are_named_and_nothing_is_written(asked):
    with pytest.raises(InputError, match="no district of this run is called so") as raised:
        asked.maps("Ardelm Side", "Nowhere")

    assert "expected:  one of Tarrin Side, Ardelm Side\n" in str(raised.value)
    assert "found:     Nowhere\n" in str(raised.value)


def test_the_page_of_an_explanation_is_that_of_the_run_with_what_the_command_says(asked, sample_run, tmp_path):
    best = sample_run.delivered.tables["sites"].sort_values("rank")["site_id"].iloc[1]

    explanation = asked.explain(best.split("/")[0], tmp_path / "explained.html")

    [path] = explanation.files
    assert explanation.summary.endswith(f"\n\nFiles\n  {path}\n")
    html = path.read_text(encoding="utf-8")
    data = json.loads(re.search(r'<script[^>]*id="data"[^>]*>(.*?)</script>', html, re.DOTALL)[1])
    assert data["explained"] == {best: explanation.summary.partition("\n\nFiles\n")[0] + "\n"}
    assert data["opened"] == 2
    of_run = (sample_run.delivered.path.parent / "report.html").read_text(encoding="utf-8")
    own = json.loads(re.search(r'<script[^>]*id="data"[^>]*>(.*?)</script>', of_run, re.DOTALL)[1])
    assert {name: data[name] for name in own if name != "links"} == {
        name: own[name] for name in own if name != "links"
    }


@pytest.mark.parametrize(
    ("what", "name", "headline"),
    [
        ("reach:S002@177", "explained.html", "the page has a section for sites alone"),
        ("S050@656", "report.html", "the page would replace a file of the run"),
    ],
)
def test_what_has_no_section_and_where_the_page_may_not_go_is_refused(asked, sample_run, what, name, headline):
    out = sample_run.settings.parents[1] / "sample-region" / "out"
    with pytest.raises(InputError, match=headline) as raised:
        asked.explain(what, out / name)

    assert "fix:" in str(raised.value)
    assert not (out / "explained.html").exists()
