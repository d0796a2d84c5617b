"""The sheet of one site: map, profile, figures, verdict, the way there, and the form for the bank."""

import numpy as np

from sitefinder.report.sheets.amounts import (
    NOT_KNOWN,
    amount,
    crs_text,
    decimal_degrees,
    degrees_minutes_seconds,
    grid_places,
    grid_text,
    is_known,
    span,
    words,
)
from sitefinder.report.sheets.bank_form import safety_block, visit_blocks
from sitefinder.report.sheets.flow import Block, gap, heading, pairs_block, text_blocks
from sitefinder.report.sheets.ground import VERDICT_WORDS
from sitefinder.report.sheets.paper import A4_MM, GREY, MARGIN_MM, line_mm
from sitefinder.report.sheets.place_map import draw_place
from sitefinder.report.sheets.profile_plot import draw_profile
from sitefinder.schema.flag_words import flags_in_words
from sitefinder.siting.long_profiles import NORMAL_90

WIDTH_MM = A4_MM[0] - 2 * MARGIN_MM
MAP_MM, PROFILE_MM = 92.0, 50.0
FOUND = ", before it was brought towards what the region makes likely"
LAYOUT_WORDS = {
    "at_barrier": "at an existing weir or drop",
    "diversion": "diversion: a canal or pipe beside the stream",
    "new_weir": "a new weir",
    "kinetic": "in the open current",
}
ACTION_WORDS = {
    "exclude": "no site may stand",
    "conditional": "on conditions",
    "fish_safe_only": "fish-safe machines only",
    "no_diversion": "no water may be led out of the stream",
    "no_new_barrier": "no new barrier may be built",
    "note": "to be noted",
}
BANK_WORDS = {"left": "on the left bank, looking downstream", "right": "on the right bank, looking downstream"}


def site_blocks(handover, site, letters):
    """All that the sheet of a site holds, in its order.

    Parameters
    ----------
    handover : sitefinder.report.handover.Handover
    site : Series
        A row of ``sites``.
    letters : sitefinder.report.sheets.letters.Letters

    Returns
    -------
    list of sitefinder.report.sheets.flow.Block
    """
    profiles = handover.tables["site_profiles"]
    profile = profiles[profiles["site_id"] == site["site_id"]].sort_values("position")
    return [
        _title(site, letters),
        Block(MAP_MM + 5.0, lambda page, x, y: draw_place(page, x, y, WIDTH_MM, MAP_MM, handover, site)),
        Block(PROFILE_MM, lambda page, x, y: draw_profile(page, x, y, WIDTH_MM, PROFILE_MM, profile)),
        gap(1.0),
        _figures(handover, site, letters),
        *_verdict(handover, site, letters),
        *_way_there(handover, site, letters),
        *visit_blocks(WIDTH_MM),
        gap(2.0),
        safety_block(letters, WIDTH_MM),
        *_in_full(site, letters),
    ]


# Rank and stream, and under them id, district, layout and verdict.
def _title(site, letters):
    name = f"Rank {site['rank']}: {words(site['stream'], 'stream without a name')}"
    lines = letters.lines(name, WIDTH_MM, 15, True, most=2)
    told = [site["site_id"], words(site["district"], "outside all districts"), LAYOUT_WORDS[site["layout"]]]
    under = letters.lines(" · ".join(told), WIDTH_MM, 8, most=3)

    def draw(page, x, y):
        foot = page.lines(x, y, lines, 15, bold=True)
        page.lines(x, foot + 0.5, under, 8, colour=GREY)

    return Block(len(lines) * line_mm(15) + len(under) * line_mm(8) + 2.5, draw)


def _figures(handover, site, letters):
    head = site["head_m"], NORMAL_90 * site["head_se_m"]
    found = site["head_unshrunk_m"]
    reaches = handover.tables["reaches"]
    below = reaches[reaches["reach_id"] == site["reach_id"]]
    mean = [(below[f"flow_mean{end}_m3s"].iloc[0] if len(below) else np.nan) for end in ("", "_low", "_high")]
    water = [
        ("Gross head", amount(head[0], "m", 2)),
        ("90 % of its error", span(head[0] - head[1], head[0] + head[1], "m", 2)),
        ("Head as found", amount(found, "m", 2) + (FOUND if is_known(found) else "")),
        ("Mean flow", amount(site["flow_mean_m3s"], "m³/s")),
        ("of the tailrace's reach", f"{amount(mean[0], 'm³/s')}; 90 %: {span(mean[1], mean[2], 'm³/s')}"),
        ("Low flow Q95", amount(site["flow_q95_m3s"], "m³/s")),
        ("Design flow", amount(site["flow_design_m3s"], "m³/s")),
        ("Reserved for the stream", f"{amount(site['reserved_flow_m3s'], 'm³/s')}, mean over the year"),
        ("Catchment", amount(site["area_km2"], "km²")),
        ("Flow is from", words(site["flow_source"])),
    ]
    safe = "counts as fish-safe" if site["fish_safe"] else "does not count as fish-safe"
    screen = ", with a screen" if site["screened"] else ""
    energy = [site[f"energy_mwh_{each}"] for each in ("p90", "p50", "p10")]
    price = f"{handover.currency} per kWh"
    plant = [
        ("Machine", f"{site['units']} × {words(site['machine'])}; {safe}{screen}"),
        ("Rated power", amount(site["power_kw"], "kW")),
        ("P90 to P10", span(site["power_kw_p90"], site["power_kw_p10"], "kW")),
        ("Energy, mean year", amount(site["energy_mwh"], "MWh")),
        ("P90, P50, P10", " · ".join(map(amount, energy)) + " MWh" if any(map(is_known, energy)) else NOT_KNOWN),
        ("Capacity factor", amount(site["capacity_factor"], "", 2)),
        ("Capital cost", amount(site["capital_cost"], handover.currency)),
        ("Cost of energy", amount(site["cost_per_kwh"], price, 3)),
        ("P10 to P90", span(site["cost_per_kwh_p10"], site["cost_per_kwh_p90"], "", 3)),
        ("Solar, beside it", amount(site["solar_cost_per_kwh"], price, 3)),
        ("Length of stream, conduit", f"{amount(site['length_m'], 'm')}, {amount(site['conduit_length_m'], 'm')}"),
    ]
    return pairs_block(letters, [("Head and flow at the intake", water), ("Plant and cost", plant)], WIDTH_MM, 7.5)


# The verdict, each rule with what it does, and each flag, in words.
def _verdict(handover, site, letters):
    blocks = [heading("What the maps say", WIDTH_MM)]
    verdict = site["verdict"]
    blocks += text_blocks(letters, f"{verdict.capitalize()}: {VERDICT_WORDS[verdict]}.", WIDTH_MM, 8, bold=True)
    hits = handover.tables["rule_hits"]
    action_of = dict(zip(hits["rule"], hits["action"], strict=True))
    for reason in filter(None, site["reasons"].split("; ")):
        action = ACTION_WORDS.get(action_of.get(reason))
        told = f"Rule “{reason}”" + (f": {action}." if action else ".")
        blocks += text_blocks(letters, told, WIDTH_MM, 7.5, indent_mm=4.0, sign="–")
    if site["closed_months"]:
        told = f"Nothing may be taken in the months {site['closed_months'].replace(';', ', ')}."
        blocks += text_blocks(letters, told, WIDTH_MM, 7.5, indent_mm=4.0, sign="–")
    if is_known(site["survival_on_the_way"]):
        share = amount(100 * site["survival_on_the_way"])
        told = (
            f"Of the fish from the spawning grounds above, {share} % survive all plants on their way, by what is "
            "stated of the machines."
        )
        blocks += text_blocks(letters, told, WIDTH_MM, 7.5, indent_mm=4.0, sign="–")
    flags = flags_in_words(site["flags"]) or [
        "Nothing about these figures was found doubtful beyond their intervals."
    ]
    for told in flags:
        blocks += text_blocks(letters, told, WIDTH_MM, 7.5, indent_mm=4.0, sign="–")
    # A heading alone at the foot of a page says nothing.
    return [*blocks[:1], blocks[1]._replace(keeps=len(blocks) > 2), *blocks[2:]]


def _way_there(handover, site, letters):
    lon, lat = [site["intake_lon"], site["lon"]], [site["intake_lat"], site["lat"]]
    columns = [
        (
            name,
            [
                ("Grid [m]", grid_text(place)),
                ("WGS 84, lat, lon", decimal_degrees(east, north)),
                ("", f"{degrees_minutes_seconds(north, 'lat')}, {degrees_minutes_seconds(east, 'lon')}"),
            ],
        )
        for name, place, east, north in zip(
            ("Intake", "Tailrace"), grid_places(handover.crs, lon, lat), lon, lat, strict=True
        )
    ]
    given = handover.context
    near = [
        ("Road", _road(site, given)),
        ("Power line", _distance(site["line_distance_m"], "power_lines", given)),
    ]
    village = _distance(site["settlement_distance_m"], "settlements", given)
    if is_known(site["settlement"]):
        village += f", {site['settlement']}"
    by_road = site["settlement_road_m"]
    houses = [
        ("Settlement", village),
        ("way by road", amount(by_road, "m")),
        ("Existing structure", words(site["structure_id"], "none gives the head")),
    ]
    return [
        heading("How to get there", WIDTH_MM),
        *[
            block._replace(keeps=True)
            for block in text_blocks(letters, f"Grid: {crs_text(handover.crs)}", WIDTH_MM, 7)
        ],
        gap(1.5)._replace(keeps=True),
        pairs_block(letters, columns, WIDTH_MM, 7.5, label_mm=27.0)._replace(keeps=True),
        pairs_block(letters, [("", near), ("", houses)], WIDTH_MM, 7.5, label_mm=27.0),
    ]


# A distance, or why there is none: nobody gave the layer, or none of it is near.
def _distance(metres, layer, given):
    if is_known(metres):
        return f"{amount(metres, 'm')} from the tailrace, straight"
    return NOT_KNOWN if layer in given else f"no layer of {layer.replace('_', ' ')} in this run"


# Distance, bank and climb of the nearest road in words.
def _road(site, given):
    told = [_distance(site["road_distance_m"], "roads", given)]
    if is_known(site["road_distance_m"]):
        told.append(BANK_WORDS.get(site["road_bank"], "bank not known"))
        climb_m = site["road_climb_m"]
        if not is_known(climb_m):
            told.append("climb not known")
        else:
            told.append(f"{amount(abs(climb_m), 'm')} {'down' if climb_m <= 0 else 'up'} from it to the tailrace")
    return "; ".join(told)


# What tables and title had no room for.
def _in_full(site, letters):
    full = []
    for told, name, limit in (
        ("Name of the stream", "stream", 60),
        ("Site", "site_id", 80),
        ("District", "district", 60),
        ("Machine", "machine", 60),
        ("Flow is from", "flow_source", 120),
        ("Settlement", "settlement", 60),
        ("Existing structure", "structure_id", 60),
    ):
        if is_known(site[name]) and len(str(site[name])) > limit:
            full += text_blocks(letters, f"{told}: {site[name]}", WIDTH_MM, 7.5)
    return [heading("In full", WIDTH_MM), *full] if full else []
