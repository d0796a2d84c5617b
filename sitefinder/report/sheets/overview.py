"""The first pages of the field sheets: all sites on one map, the list of the sheets, totals and cautions."""

from sitefinder.report.sheets.amounts import amount, span, words
from sitefinder.report.sheets.flow import Block, gap, heading, table_blocks, text_blocks
from sitefinder.report.sheets.ground import draw_ground, draw_settlements, map_key
from sitefinder.report.sheets.map_frame import MapFrame, north_arrow, window_about
from sitefinder.report.sheets.paper import A4_MM, INK, MARGIN_MM, line_mm
from sitefinder.report.text_tables import careful, counted, gigawatt_hours, power
from sitefinder.schema.cautions import READING

WIDTH_MM = A4_MM[0] - 2 * MARGIN_MM
MAP_MM, KEY_MM, EDGE_MM = 100.0, 44.0, 6.0
COLUMNS = [
    ("#", 8.0, "right"),
    ("stream", 36.0, "left"),
    ("site", 38.0, "left"),
    ("head m", 14.0, "right"),
    ("kW", 13.0, "right"),
    ("MWh/yr", 16.0, "right"),
    ("P90 to P10", 27.0, "right"),
    ("verdict", 19.0, "left"),
    ("page", 11.0, "right"),
]


def totals_text(handover):
    """What all sites together give, in a sentence."""
    sites = handover.tables["sites"]
    if not len(sites):
        return "No site was chosen in this run. Why each reach carries none is told in the layer reaches."
    energy = gigawatt_hours(sites["energy_mwh"].sum())
    interval = careful(handover.energy_p90_mwh, handover.energy_p50_mwh, handover.energy_p10_mwh)
    return (
        f"{counted(len(sites), 'site', 'sites')} in all: {power(sites['power_kw'].sum())} and {energy} GWh in a "
        f"mean year ({interval} GWh)."
    )


def overview_blocks(handover, listed, pages, letters):
    """All that the overview holds, in its order.

    Parameters
    ----------
    handover : sitefinder.report.handover.Handover
    listed : DataFrame
        Rows of ``sites`` that have a sheet, the best first.
    pages : list of int
        Page on which each sheet begins.
    letters : sitefinder.report.sheets.letters.Letters

    Returns
    -------
    list of sitefinder.report.sheets.flow.Block
    """
    title = letters.lines(handover.title, WIDTH_MM, 17, True, most=3)

    def draw_title(page, x, y):
        foot = page.lines(x, y, title, 17, bold=True)
        page.lines(x, foot + 0.5, ["Field sheets of low-head sites"], 9)

    blocks = [
        Block(len(title) * line_mm(17) + line_mm(9) + 3.0, draw_title),
        *text_blocks(letters, totals_text(handover), WIDTH_MM, 9),
        gap(2.0),
        Block(MAP_MM + 6.0, lambda page, x, y: draw_region(page, x, y, WIDTH_MM, MAP_MM, handover, KEY_MM)),
    ]
    if len(listed):
        blocks += [heading(_list_title(handover, listed), WIDTH_MM)]
        blocks += table_blocks(letters, COLUMNS, _rows(listed, pages))
    blocks += [gap(1.0), heading("How to read the figures", WIDTH_MM)]
    for told in READING:
        blocks += text_blocks(letters, told, WIDTH_MM, 7.5, indent_mm=4.0, sign="–")
    return blocks


def _list_title(handover, listed):
    all_sites = len(handover.tables["sites"])
    if len(listed) == all_sites:
        return f"The sheets: {'all sites' if all_sites > 1 else 'the one site'}"
    return f"The sheets: the best {len(listed)} of {all_sites} sites"


def _rows(listed, pages):
    return [
        [
            str(site["rank"]),
            words(site["stream"], "without a name"),
            site["site_id"],
            amount(site["head_m"], "", 2),
            amount(site["power_kw"]),
            amount(site["energy_mwh"]),
            span(site["energy_mwh_p90"], site["energy_mwh_p10"]),
            site["verdict"],
            str(page),
        ]
        for (_, site), page in zip(listed.iterrows(), pages, strict=True)
    ]


def draw_region(page, x, y, width, height, handover, key_mm):
    """The whole region with its sites by number, and the key beside it."""
    wide = width - key_mm - EDGE_MM - 4.0
    right = x + width - key_mm
    reaches = handover.tables["reaches"]
    bounds = reaches.total_bounds if len(reaches) else handover.relief.bounds_m
    frame = MapFrame(page, x + EDGE_MM, y, wide, height, window_about(bounds, (wide, height), room=0.03))
    draw_ground(frame, handover, borders=True)
    draw_sites(frame, handover)
    draw_settlements(frame, handover, 6.0)
    frame.grid()
    foot = map_key(page, right, y, key_mm, handover, site=False)
    page.dot(right + 4.5, foot + 2.0, 0.9, fill=INK)
    page.text(right + 11.0, foot + 2.8, "site, its rank beside it", 6.5)
    frame.scale_bar(right, foot + 8.0, 30.0)
    north_arrow(page, right + 1.5, foot + 26.0)


def draw_sites(frame, handover, size=6.5, largest_mm=0.9):
    """Sites at their tailraces, larger where they have more power, and their ranks where there is room.

    Returns
    -------
    int
        Sites whose rank had no room.
    """
    sites = handover.tables["sites"].sort_values("rank")
    places = [(site.geometry.x, site.geometry.y, site.rank, site.power_kw) for site in sites.itertuples()]
    most_kw = sites["power_kw"].max()
    for east, north, _, power_kw in places:
        share = power_kw / most_kw if most_kw > 0 and power_kw >= 0 else 0.0
        radius = largest_mm * max(0.45, share**0.5)
        x, y = frame.at(east, north)
        frame.page.dot(x, y, radius, fill=INK, edge="white", line=0.4)
        frame.keep_clear(x - radius, y - radius, 2 * radius, 2 * radius)
    return sum(not frame.number(east, north, str(rank), size) for east, north, rank, _ in places)
