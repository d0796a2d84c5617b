"""Existing structures and drops without a stream on the page: their tables, and their places on the map."""

from sitefinder.report.handover import drops_of
from sitefinder.report.languages import plural, say
from sitefinder.report.map_signs import DROP, GAUGE, MAP_KINDS, kinds_on_map, outline
from sitefinder.report.page.figures import (
    DASH,
    Heading,
    amount,
    amount_cell,
    figure_cell,
    meaning_of,
    short_money,
    table,
    text_cell,
)
from sitefinder.report.structures import merged_sentence
from sitefinder.report.table_texts import from_table
from sitefinder.report.text import energy_interval, gigawatt_hours, is_missing, money_figure, plain, power
from sitefinder.schema.arrays import records_of
from sitefinder.units import KILOWATTS_PER_MEGAWATT, WATTS_PER_KILOWATT
from sitefinder.vocabulary import ONLY_A_STEP, PASSED_STEP, REMOVED

# Rows of each table: more are in the GeoPackage (own choice).
ROWS_SHOWN = 100
# Size of a mark on the map [pixels].
MARK_PX = 9.0
# Labels of the tooltip of a structure or drop, in order.
TIP = ("Structure", "Drop", "Use", "Best plant", "Site")
NOT_OF_GAUGES = ""


def structures_section(handover):
    """The part of the page on existing structures and drops.

    Parameters
    ----------
    handover : sitefinder.report.handover.Handover

    Returns
    -------
    list
        Sentences and tables; empty without structures and drops.
    """
    tables, currency = handover.tables, handover.currency
    structures, drops = tables["structures"], tables["drops"]
    parts = []
    mapped = structures[structures["rejection_reason"] != ONLY_A_STEP.name]
    steps = len(structures) - len(mapped)
    if len(structures):
        about = [_about_structures(mapped, steps), merged_sentence(structures, tables.get("repairs"))]
        parts += [" ".join(filter(None, about))]
    if len(mapped):
        parts += [_structures_table(mapped, handover, currency), *_more(mapped, "structures")]
    if len(drops):
        parts += [_about_drops(drops, tables.get("totals")), _drops_table(drops, currency), *_more(drops, "drops")]
    return parts


def _about_structures(mapped, steps):
    chosen, able = int((mapped["site_id"] != "").sum()), int((mapped["turbine"] != "").sum())
    text, there = "", int((mapped["rejection_reason"] != REMOVED.name).sum())
    if len(mapped):
        text = plural(
            "{number} structure is mapped: {able} could carry a plant, whether or not it pays, and {chosen}.",
            "{number} structures are mapped: {able} could carry a plant, whether or not it pays, and {chosen}.",
            there,
            able=able,
            chosen=plural("{number} has a site", "{number} have a site", chosen),
        )
    if there < len(mapped):
        text += " " + plural(
            "{number} more has been removed, and stay on the list.",
            "{number} more have been removed, and stay on the list.",
            len(mapped) - there,
        )
    if steps:
        text += " " + plural(
            "{number} step of the long profile has no mapped structure near: look there on the site visit.",
            "{number} steps of the long profile have no mapped structure near: look there on the site visit.",
            steps,
        )
    return text.strip()


def _about_drops(drops, totals):
    chosen = int((drops["rejection_reason"] == "").sum())
    text = plural(
        "Drops without a stream: {all} given, {number} pays",
        "Drops without a stream: {all} given, {number} pay",
        chosen,
        all=len(drops),
    )
    row = None if totals is None else drops_of(totals)
    if row is None:
        return f"{text}."
    within = energy_interval(*(row[f"energy_mwh_{part}"] for part in ("p90", "p50", "p10")))
    energy_gwh = gigawatt_hours(row["energy_wh"] / WATTS_PER_KILOWATT / KILOWATTS_PER_MEGAWATT)
    return say(
        "{drops}: {capacity}, {energy} GWh/yr{interval}, in none of the totals of the sites.",
        drops=text,
        capacity=power(row["power_w"] / WATTS_PER_KILOWATT),
        energy=energy_gwh,
        interval=f" ({within})" if within else "",
    )


# Where a table is cut.
def _more(rows, layer):
    if len(rows) <= ROWS_SHOWN:
        return []
    return [say("{number} more are in the layer {layer}.", number=len(rows) - ROWS_SHOWN, layer=layer)]


def _structures_table(mapped, handover, currency):
    sites, reaches = handover.tables["sites"], handover.tables["reaches"]
    rank_of = dict(zip(sites["site_id"], sites["rank"], strict=True))
    stream_of = dict(zip(reaches["reach_id"], reaches["stream"], strict=True))
    ordered = mapped.assign(
        _rank=mapped["site_id"].map(rank_of).fillna(len(sites) + 1).astype(float),
        _value=mapped["net_annual_value"].astype(float),
    ).sort_values(["_rank", "_value", "structure_id"], ascending=[True, False, True], kind="stable")
    rows = []
    for row in records_of(ordered.head(ROWS_SHOWN).drop(columns="geometry", errors="ignore")):
        rank, blocker = rank_of.get(row["site_id"]), rank_of.get(row["blocked_by"])
        because = say("rank {rank}", rank=rank) if rank else say(plain(row["rejection_reason"]))
        rows.append(
            [
                _named(row["structure_id"], row["kind"]),
                text_cell(plain(stream_of.get(row["reach_id"], "") or "")),
                amount_cell(row["drop_m"]),
                *_plant(row),
                because + (say(" (rank {rank})", rank=blocker) if blocker and not rank else ""),
                text_cell(from_table(plain(row["needs"]))),
                text_cell(from_table(plain(row["note"]))),
            ]
        )
    heads = [
        Heading("structure", meaning_of("structures", "structure_id")),
        "stream",
        _figure_head("drop [m]", "structures", "drop_m"),
        *_plant_heads("structures", currency),
        Heading("site, or why none", meaning_of("structures", "rejection_reason")),
        Heading("the plant needs", meaning_of("structures", "needs")),
        "note",
    ]
    return table(say("Existing structures, each with its best plant"), heads, rows, "mixed", "structures-table")


def _drops_table(drops, currency):
    ordered = drops.assign(
        _rank=drops["rank_with_sites"].astype(float), _value=drops["net_annual_value"].astype(float)
    ).sort_values(["_rank", "_value", "drop_id"], ascending=[True, False, True], kind="stable")
    rows = []
    for row in records_of(ordered.head(ROWS_SHOWN).drop(columns="geometry", errors="ignore")):
        rank = row["rank_with_sites"]
        chosen = say("selected") if is_missing(rank) else say("selected; would be rank {rank}", rank=int(rank))
        low, high = row["energy_mwh_p90"], row["energy_mwh_p10"]
        within = DASH if is_missing(low) else say("{low} to {high}", low=amount(low), high=amount(high))
        power_to_energy = _plant(row)
        rows.append(
            [
                _named(row["drop_id"], row["kind"]),
                amount_cell(row["head_m"]),
                amount_cell(row["flow_mean_m3s"]),
                *power_to_energy[:3],
                figure_cell(within, low),
                *power_to_energy[3:],
                chosen if row["rejection_reason"] == "" else say(plain(row["rejection_reason"])),
                text_cell(from_table(plain(row["needs"]))),
            ]
        )
    plant = _plant_heads("drops", currency)
    heads = [
        Heading("drop", meaning_of("drops", "drop_id")),
        _figure_head("gross head [m]", "drops", "head_m"),
        _figure_head("mean flow [m³/s]", "drops", "flow_mean_m3s"),
        *plant[:3],
        _figure_head("P90 to P10 [MWh/yr]", "drops", "energy_mwh_p90"),
        *plant[3:],
        Heading("selected, or why not", meaning_of("drops", "rejection_reason")),
        Heading("the plant needs", meaning_of("drops", "needs")),
    ]
    return table(say("Drops without a stream, with their flow as stated"), heads, rows, "mixed", "drops-table")


# A structure's name and kind.
def _named(identity, kind):
    kind = plain(kind)
    return f"{plain(identity)} ({kind})" if kind else plain(identity)


# Turbine, capacity, energy, cost and value of the best plant.
def _plant(row):
    if not row["turbine"]:
        return [say("none"), *[figure_cell(DASH, None)] * 4]
    return [
        f"{int(row['units'])} × {plain(row['turbine'])}",
        amount_cell(row["power_kw"]),
        amount_cell(row["energy_mwh"]),
        amount_cell(row["lcoe_per_kwh"]),
        figure_cell(money_figure(row["net_annual_value"]).replace("-", "−"), row["net_annual_value"]),
    ]


def _plant_heads(layer, currency):
    money = short_money(currency)
    return [
        Heading("best plant", meaning_of(layer, "turbine")),
        _figure_head("capacity [kW]", layer, "power_kw"),
        _figure_head("energy [MWh/yr]", layer, "energy_mwh"),
        _figure_head(f"LCOE [{money}/kWh]", layer, "lcoe_per_kwh"),
        _figure_head(f"net annual value [{money}/yr]", layer, "net_annual_value"),
    ]


def _figure_head(text, layer, column):
    return Heading(text, meaning_of(layer, column), is_figure=True)


def marks_on_map(handover, frame):
    """Structures, drops and gauges on the map, and their tooltips.

    Parameters
    ----------
    handover : sitefinder.report.handover.Handover
    frame : sitefinder.report.page.region_map.Frame

    Returns
    -------
    groups : list of (str, str, str, list of (int, int, int))
        Of each kind that occurs, from the top down: its name, label and mark, and (number, x, y) of each.
    tips : list of list of str
        By these numbers, see `TIP`.
    """
    structures, drops = handover.tables["structures"], handover.tables["drops"]
    sites = handover.tables["sites"]
    rank_of = dict(zip(sites["site_id"], sites["rank"], strict=True))
    places, tips = {}, []
    kinds = kinds_on_map(structures) if len(structures) else ()
    for kind, row in zip(kinds, records_of(structures), strict=True):
        name = (
            say("step of the long profile")
            if kind == PASSED_STEP.name
            else _named(row["structure_id"], row["kind"])
        )
        rank = rank_of.get(row["site_id"])
        drawn = say("rank {rank}", rank=rank) if rank else _none(row)
        _add(places, tips, frame, kind, row["geometry"], _tip(row, name, row["drop_m"], drawn))
    for row in records_of(drops) if len(drops) else ():
        drawn = say("selected") if row["rejection_reason"] == "" else _none(row)
        name = _named(row["drop_id"], row["kind"])
        _add(places, tips, frame, DROP, row["geometry"], _tip(row, name, row["head_m"], drawn))
    gauges = handover.context.get("gauges", ())
    for name, point in zip(gauges["name"], gauges.geometry, strict=True) if len(gauges) else ():
        _add(
            places,
            tips,
            frame,
            GAUGE,
            point,
            [say("{name} (gauge)", name=plain(name)), *[NOT_OF_GAUGES] * (len(TIP) - 1)],
        )
    groups = [
        (kind.name, say(kind.label.capitalize()), outline(kind.shape, 0.0, 0.0, MARK_PX), places[kind.name])
        for kind in MAP_KINDS
        if kind.name in places
    ]
    return groups, tips


def _add(places, tips, frame, kind, point, tip):
    x, y = frame.places([(point.x, point.y)]).tolist()[0]
    places.setdefault(kind, []).append((len(tips), x, y))
    tips.append(tip)


def _tip(row, name, drop_m, site):
    plant = f"{plain(row['turbine'])}, {amount(row['power_kw'], 'kW')}" if row["turbine"] else say("none")
    return [name, amount(drop_m, "m"), plain(row["use"]) or say("none"), plant, site]


# That there is no site, and why.
def _none(row):
    return say("none: {reason}", reason=say(plain(row["rejection_reason"])))
