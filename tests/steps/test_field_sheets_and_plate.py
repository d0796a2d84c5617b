"""The PDF files of the sample run: they are delivered, and hold the figures of the GeoPackage."""

import re

import pyogrio
from pypdf import PdfReader

from sitefinder.report.sheets.amounts import grid_text
from sitefinder.report.text import decimals, figure


def text_of(path):
    return [re.sub(r"\s+", " ", page.extract_text()) for page in PdfReader(path).pages]


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
