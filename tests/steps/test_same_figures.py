"""The figures of one run in GeoPackage, tables, page, printed sheets and the receiver's file are equal.

The GeoPackage is read by pyogrio and sqlite3, tables by csv, the page by Python's own HTML parser, PDF files by
pdfium, waypoints by ElementTree: none of them is code of ours.
See test_field_sheets_and_plate.py for more of the sheets.
"""

import csv
import re
import sqlite3
from contextlib import closing
from html.parser import HTMLParser
from xml.etree import ElementTree

import numpy as np
import pyogrio
import pytest
from pdf_text import page_texts

from sitefinder.settings.run import DeliverySettings

# As the page's table shows them.
ON_PAGE = ["head_m", "power_kw", "energy_mwh", "energy_mwh_p90", "energy_mwh_p10", "lcoe_per_kwh", "flow_mean_m3s"]
GPX = "{http://www.topografix.com/GPX/1/1}"


@pytest.fixture(scope="module")
def sites(sample_run):
    frame = pyogrio.read_dataframe(sample_run.folder / "sites.gpkg", layer="sites")
    return frame.sort_values("rank").reset_index(drop=True)


class Cells(HTMLParser):
    """The table of sites: names of columns, and of each row the cells' values and what is shown of them."""

    def __init__(self):
        super().__init__()
        self.columns, self.rows, self._within, self._cell = [], [], False, None

    def handle_starttag(self, tag, attributes):
        notes = dict(attributes)
        if tag == "table":
            self._within = notes.get("id") == "sites-table"
        elif self._within and tag == "th" and "data-column" in notes:
            self.columns.append(notes["data-column"])
        elif self._within and tag == "tr" and "data-rank" in notes:
            self.rows.append([])
        elif self._within and tag in ("td", "th") and self.rows:
            self._cell = [notes.get("data-v"), ""]
            self.rows[-1].append(self._cell)

    def handle_data(self, data):
        if self._cell is not None:
            self._cell[1] += data

    def handle_endtag(self, tag):
        self._cell = None if tag in ("td", "th") else self._cell
        self._within = self._within and tag != "table"


def number(shown):
    """What a figure says, with or without spaces or commas between thousands, and half of its last digit."""
    plain = re.sub(r"[\s\u00a0\u202f,]", "", shown)
    decimals = len(plain.partition(".")[2])
    return float(plain), 0.5 * 10.0**-decimals


def shows(shown, value):
    figure, half = number(shown)
    return abs(figure - value) <= half * (1 + 1e-9)


def test_tables_hold_the_figures_of_the_geopackage_to_the_last_digit(sample_run):
    for layer in ("sites", "reaches", "totals"):
        frame = pyogrio.read_dataframe(sample_run.folder / "sites.gpkg", layer=layer, read_geometry=False)
        with open(sample_run.folder / f"{layer}.csv", encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))

        assert len(rows) == len(frame)
        compared = 0
        for column in frame.select_dtypes("number").columns:
            for row, value in zip(rows, frame[column], strict=True):
                assert (row[column] == "") == (value != value)
                if value == value:
                    assert float(row[column]) == value, (layer, column)
                    compared += 1
        assert compared > 50


def test_the_page_shows_the_figures_of_the_geopackage(sample_run, sites):
    cells = Cells()
    cells.feed((sample_run.folder / "report.html").read_text(encoding="utf-8"))

    rows = [dict(zip(cells.columns, row, strict=True)) for row in cells.rows]
    assert [row["site_id"][1] for row in rows] == sites["site_id"].tolist()
    for row, site in zip(rows, sites.itertuples(), strict=True):
        for column in ON_PAGE:
            value, shown = row[column]
            assert float(value) == getattr(site, column)
            assert shows(shown, getattr(site, column)), (column, shown)


def test_each_sheet_shows_power_energy_and_cost_of_its_site(sample_run, sites):
    pages = page_texts(sample_run.folder / "field-sheets.pdf")

    # As many of the best have a sheet as delivery.field_sheets says by default.
    for site in sites[sites["rank"] <= DeliverySettings().field_sheets].itertuples():
        own = "\n".join(page for page in pages[1:] if f"· {site.site_id}" in page.splitlines()[0])
        (power,) = re.findall(r"^Installed capacity ([\d.,]+) kW$", own, flags=re.M)
        (energy,) = re.findall(r"^Mean annual energy ([\d.,]+) MWh$", own, flags=re.M)
        (cost,) = re.findall(r"^Levelised cost of energy ([\d.]+) ", own, flags=re.M)
        (head,) = re.findall(r"^Gross head ([\d.]+) m$", own, flags=re.M)
        for shown, column in (
            (power, "power_kw"),
            (energy, "energy_mwh"),
            (cost, "lcoe_per_kwh"),
            (head, "head_m"),
        ):
            assert shows(shown, getattr(site, column)), (site.site_id, column, shown)


def test_totals_are_the_same_wherever_they_are_shown(sample_run):
    with closing(sqlite3.connect(sample_run.folder / "sites.gpkg")) as database:
        power_w, energy_wh, p90, p10 = database.execute(
            "select power_w, energy_wh, energy_mwh_p90, energy_mwh_p10 from totals where scope = 'region'"
        ).fetchone()
        summed = database.execute(
            "select sum(cast(round(power_kw * 1e3) as integer)), sum(cast(round(energy_mwh * 1e6) as integer)) "
            "from sites"
        ).fetchone()
    page = (sample_run.folder / "report.html").read_text(encoding="utf-8")
    plate = " ".join(page_texts(sample_run.folder / "district-map.pdf")[0].split())

    assert summed == (power_w, energy_wh)
    (capacity, unit, gwh, low, high) = re.search(
        r"installed capacity ([\d.]+) ([kM]W), mean annual energy ([\d.]+) GWh "
        r"\(P90 ([\d.]+), P50 [\d.]+, P10 ([\d.]+) GWh\)",
        plate,
    ).groups()
    power = power_w / {"kW": 1e3, "MW": 1e6}[unit]
    for shown, value in ((capacity, power), (gwh, energy_wh / 1e9), (low, p90 / 1e3), (high, p10 / 1e3)):
        assert shows(shown, value)
    assert f"{gwh} GWh/yr" in page
    assert re.search(rf"P90 {low}, P50 [\d.]+, P10 {high}\b", page)
    delivered = sample_run.delivered.handover
    assert (delivered.energy_p90_mwh, delivered.energy_p10_mwh) == (p90, p10)


def test_waypoints_are_where_the_sites_are_and_state_their_power(sample_run, sites):
    root = ElementTree.parse(sample_run.folder / "sites.gpx").getroot()

    waypoints = root.findall(f"{GPX}wpt")
    assert len(waypoints) == 2 * len(sites)
    for site in sites.itertuples():
        own = [point for point in waypoints if site.site_id in point.findtext(f"{GPX}desc")]
        places = {(float(point.get("lon")), float(point.get("lat"))) for point in own}
        expected = {(site.lon, site.lat), (site.intake_lon, site.intake_lat)}
        # Both are rounded, and a figure half-way between may go either way.
        assert len(places) == len(expected)
        assert np.array(sorted(places)) == pytest.approx(np.array(sorted(expected)), abs=1.5e-6)
        for point in own:
            shown = re.search(r"([\d. ]+) kW", point.findtext(f"{GPX}desc"))[1]
            assert shows(shown.strip(), site.power_kw)
