"""The map plate: the whole region on one A3 page, with legend, totals, sources and cautions."""

from functools import partial

import numpy as np
import shapely

from sitefinder.report.sheets.amounts import amount, crs_text
from sitefinder.report.sheets.field_sheets import LACKS_LETTERS
from sitefinder.report.sheets.flow import table_blocks
from sitefinder.report.sheets.ground import (
    draw_ground,
    draw_settlements,
    draw_structures,
    map_key,
    points_of,
    road_names,
)
from sitefinder.report.sheets.letters import Letters
from sitefinder.report.sheets.map_frame import MapFrame, north_arrow, window_about
from sitefinder.report.sheets.overview import draw_sites, totals_text
from sitefinder.report.sheets.paper import A3_LANDSCAPE_MM, GREY, INK, Page, line_mm, pdf_of
from sitefinder.schema.cautions import NOT_KNOWN, READING, SCREENING

EDGE_MM, PANEL_MM, GUTTER_MM = 13.0, 98.0, 6.0
DISTRICTS_SHOWN = 12
# How far from the border of its district a name may be moved, and how many places each way are tried (own choice).
NAME_ROOM_MM, PLACES_TRIED = 20.0, 9
DISTRICT_COLUMNS = [
    ("district", 40.0, "left"),
    ("sites", 14.0, "right"),
    ("kW", 18.0, "right"),
    ("MWh/yr", 24.0, "right"),
]
# What an input's provenance says where the user said nothing.
NOT_STATED = ("", "not stated")


def district_map_pdf(handover):
    """The map plate of the whole region.

    Parameters
    ----------
    handover : sitefinder.report.handover.Handover

    Returns
    -------
    bytes
        A PDF of one page, A3 landscape; the same for the same tables.
    """
    return pdf_of([partial(plate, handover)], f"{handover.title}: map of low-head sites")


def plate(handover):
    """The page of the map plate.

    Parameters
    ----------
    handover : sitefinder.report.handover.Handover

    Returns
    -------
    sitefinder.report.sheets.paper.Page
    """
    page = Page(A3_LANDSCAPE_MM, Letters(handover.font_paths))
    left, top = EDGE_MM + 5.0, EDGE_MM
    width = page.width_mm - left - EDGE_MM - PANEL_MM - GUTTER_MM
    height = page.height_mm - 2 * EDGE_MM - 5.0
    reaches = handover.tables["reaches"]
    bounds = reaches.total_bounds if len(reaches) else handover.relief.bounds_m
    frame = MapFrame(page, left, top, width, height, window_about(bounds, (width, height), room=0.02))
    draw_ground(frame, handover, borders=True)
    unnumbered = draw_sites(frame, handover, 7.5, largest_mm=1.7)
    _district_names(frame, handover)
    draw_settlements(frame, handover, 7.5)
    draw_structures(frame, handover)
    road_names(frame, handover, 6.5)
    frame.grid(most=8)
    _panel(page, page.width_mm - EDGE_MM - PANEL_MM, handover, frame, unnumbered)
    return page


def _district_names(frame, handover):
    if "districts" in handover.context:
        districts = handover.context["districts"]
        for place, name, area in zip(points_of(districts), districts["name"], districts.geometry, strict=True):
            if np.isfinite(place).all():
                style = {"widest_mm": 70.0, "away_mm": 4.0, "bold": True, "colour": GREY}
                any(frame.label(*each, name, 11.0, **style) for each in [place, *_others(frame, area, place)])


# Other places for a name well within its district, the nearest to the first one first.
def _others(frame, area, place):
    inner = shapely.buffer(area, -NAME_ROOM_MM / frame.mm_per_m)
    if inner.is_empty:
        return []
    west, south, east, north = inner.bounds
    across, up = np.meshgrid(np.linspace(west, east, PLACES_TRIED), np.linspace(south, north, PLACES_TRIED))
    places = np.column_stack([across.ravel(), up.ravel()])
    places = places[shapely.contains_xy(inner, places)]
    return places[np.argsort(np.hypot(*(places - place).T), kind="stable")]


# Title, totals and legend from the top down, cautions at the foot, and sources in what room is left.
def _panel(page, x, handover, frame, unnumbered):
    letters, foot = page.letters, page.height_mm - EDGE_MM
    y = page.paragraph(x, EDGE_MM - 1.0, handover.title, PANEL_MM, 19, bold=True, most=3)
    y = page.lines(x, y + 0.5, ["Low-head sites and what rules say of the streams"], 9) + 2.5
    told = letters.lines(totals_text(handover), PANEL_MM - 6.0, 9)
    page.box(x, y, PANEL_MM, len(told) * line_mm(9) + 4.0, edge=INK, line=1.0)
    y = page.lines(x + 3.0, y + 2.0, told, 9) + 5.0
    y = _district_table(page, x, y, handover)
    y = map_key(page, x, y, PANEL_MM / 2, handover, site=False)
    page.dot(x + 4.5, y + 2.0, 1.4, fill=INK)
    page.paragraph(x + 11.0, y + 0.6, "site, its rank beside it; larger with more power", PANEL_MM - 11.0, 6.5)
    y += 5.0
    if unnumbered:
        note = f"{unnumbered} sites stand too close for a number here; the field sheets and the file tell them."
        y = page.paragraph(x, y, note, PANEL_MM, 6.5, colour=GREY)
    north_arrow(page, x + PANEL_MM - 20.0, y + 10.0)
    y = frame.scale_bar(x, y + 4.0, 55.0) + 2.0
    y = page.paragraph(x, y + 2.0, f"Grid: {crs_text(handover.crs)}, metres.", PANEL_MM, 7.0) + 2.0
    cautions = [(SCREENING, True), *((sentence, False) for sentence in READING)]
    lines = [(letters.lines(sentence, PANEL_MM, 7.0, bold), bold) for sentence, bold in cautions]
    if page.lacks_letters:
        lines.append((letters.lines(LACKS_LETTERS, PANEL_MM, 7.0), False))
    tall = sum(len(each) * line_mm(7.0) + 0.8 for each, _ in lines)
    _sources(page, x, y, foot - tall - 4.0, handover)
    y = foot - tall
    page.rule(x, y - 1.5, x + PANEL_MM, y - 1.5, width=0.8, colour=INK)
    for each, bold in lines:
        y = page.lines(x, y, each, 7.0, bold=bold) + 0.8


def _district_table(page, x, y, handover):
    districts = handover.tables["districts"]
    if "districts" not in handover.context or not len(districts):
        return y
    rows = [
        [row.district or "outside all districts", str(row.sites), amount(row.power_kw), amount(row.energy_mwh)]
        for row in districts.itertuples()
    ]
    for block in table_blocks(page.letters, DISTRICT_COLUMNS, rows[:DISTRICTS_SHOWN], 7.0):
        block.draw(page, x, y)
        y += block.height_mm
    if len(rows) > DISTRICTS_SHOWN:
        note = f"and {len(rows) - DISTRICTS_SHOWN} more in the layer districts"
        y = page.lines(x, y + 0.5, [note], 7.0, colour=GREY)
    return y + 4.0


# Who made the inputs, when, under which licence; inputs that say the same are told together.
def _sources(page, x, y, foot, handover):
    provenance = handover.tables["provenance"]
    inputs = provenance[provenance["kind"] == "input"]
    groups, silent = {}, []
    for row in inputs.itertuples():
        told = tuple("" if cell in NOT_STATED else str(cell) for cell in (row.source, row.date, row.licence))
        if any(told):
            groups.setdefault(told, []).append(row.name)
        else:
            silent.append(row.name)
    texts = [
        f"{', '.join(names)}: " + "; ".join(part for part in (source, date, licence) if part)
        for (source, date, licence), names in groups.items()
    ]
    if silent:
        texts.append(f"Source not stated: {', '.join(silent)}")
    left_out = 0
    y = page.lines(x, y, ["Sources"], 8.0, bold=True)
    for text in texts:
        lines = page.letters.lines(text, PANEL_MM, 6.5, most=4)
        if left_out or y + (len(lines) + 1) * line_mm(6.5) > foot:
            left_out += 1
        else:
            y = page.lines(x, y, lines, 6.5) + 0.6
    if left_out:
        page.lines(x, y, [f"and {left_out} more in the layer provenance"], 6.5, colour=GREY)
        return
    # The blind spots of such a map, where there is room for all of them.
    told = [page.letters.lines(sentence, PANEL_MM - 4.0, 6.5) for sentence in NOT_KNOWN]
    if y + 8.0 + line_mm(8.0) + sum(len(lines) * line_mm(6.5) + 0.4 for lines in told) < foot:
        y = page.lines(x, y + 4.0, ["What this map does not know"], 8.0, bold=True)
        for lines in told:
            page.lines(x, y, ["–"], 6.5)
            y = page.lines(x + 4.0, y, lines, 6.5) + 0.4
