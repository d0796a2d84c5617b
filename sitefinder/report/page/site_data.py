"""What the page tells of a site once it is picked: facts in words, and the numbers behind its diagrams."""

import numpy as np

from sitefinder.report.page.words import (
    LAYOUT_WORDS,
    MARK_WORDS,
    NOT_KNOWN,
    VERDICT_MEANING,
    amount,
    is_missing,
    meaning_of,
    percent,
    unit_of,
)
from sitefinder.report.text_tables import plain, structure_name
from sitefinder.schema.flag_words import flags_in_words

# Group, label, how it is told, and the columns of ``sites`` that it is made of.
FACTS = (
    ("Head and water", "Gross head", "error", ("head_m", "head_se_m")),
    ("Head and water", "Head as found", "error", ("head_unshrunk_m", "head_unshrunk_se_m")),
    ("Head and water", "Catchment at the intake", "amount", ("area_km2",)),
    ("Head and water", "Mean flow", "amount", ("flow_mean_m3s",)),
    ("Head and water", "Low flow (Q95)", "amount", ("flow_q95_m3s",)),
    ("Head and water", "Design flow", "amount", ("flow_design_m3s",)),
    ("Head and water", "Stays in the stream, mean", "amount", ("reserved_flow_m3s",)),
    ("Head and water", "Flow comes from", "text", ("flow_source",)),
    ("Head and water", "Water that machines take", "share", ("used_share",)),
    ("Head and water", "Water that must stay", "share", ("reserved_share",)),
    ("Head and water", "Water spilled", "share", ("spilled_share",)),
    ("Power and energy", "Rated power", "amount", ("power_kw",)),
    ("Power and energy", "P90 to P10 of power", "range", ("power_kw_p90", "power_kw_p10")),
    ("Power and energy", "Energy of a mean year", "amount", ("energy_mwh",)),
    ("Power and energy", "P50 of energy", "amount", ("energy_mwh_p50",)),
    ("Power and energy", "P90 to P10 of energy", "range", ("energy_mwh_p90", "energy_mwh_p10")),
    ("Power and energy", "Mean power", "amount", ("power_mean_kw",)),
    ("Power and energy", "Capacity factor", "share", ("capacity_factor",)),
    ("Power and energy", "Firm power", "amount", ("firm_power_kw",)),
    ("Power and energy", "Hours with power", "share", ("running_share",)),
    ("Power and energy", "Among the best in", "draws", ("prob_top",)),
    ("Plant and fish", "Layout", "layout", ("layout",)),
    ("Plant and fish", "Machine", "machine", ("machine", "units")),
    ("Plant and fish", "Fish-safe", "yes", ("fish_safe",)),
    ("Plant and fish", "Fish screen and bypass in the cost", "yes", ("screened",)),
    ("Plant and fish", "Fish that survive the machine", "share", ("survival",)),
    ("Plant and fish", "Fish that survive all the way down", "share", ("survival_on_the_way",)),
    ("Plant and fish", "Intake to tailrace along the stream", "amount", ("length_m",)),
    ("Plant and fish", "Canal or pipe", "amount", ("conduit_length_m",)),
    ("Plant and fish", "Stream ponded", "amount", ("pond_length_m",)),
    ("Plant and fish", "Existing structure", "text", ("structure_id",)),
    ("Cost", "Capital cost", "amount", ("capital_cost",)),
    ("Cost", "Cost of energy", "amount", ("cost_per_kwh",)),
    ("Cost", "P10 to P90 of cost", "range", ("cost_per_kwh_p10", "cost_per_kwh_p90")),
    ("Cost", "Dearer than solar with storage by", "amount", ("premium_over_solar",)),
    ("Cost", "Yearly worth less yearly cost", "amount", ("net_value_per_year",)),
    ("Access", "Road", "amount", ("road_distance_m",)),
    ("Access", "Bank of that road", "text", ("road_bank",)),
    ("Access", "Tailrace above that road", "amount", ("road_climb_m",)),
    ("Access", "Power line", "amount", ("line_distance_m",)),
    ("Access", "Settlement by road", "amount", ("settlement_road_m",)),
    ("Access", "Settlement off the grid", "text", ("settlement",)),
    ("Access", "Tailrace, WGS 84", "place", ("lat", "lon")),
    ("Access", "Intake, WGS 84", "place", ("intake_lat", "intake_lon")),
    ("Rules", "Verdict", "verdict", ("verdict",)),
    ("Rules", "Rules that hold", "text", ("reasons",)),
    ("Rules", "What they ask", "marks", tuple(MARK_WORDS)),
    ("Rules", "Closed months", "text", ("closed_months",)),
    ("What the spread of energy comes from", "Head", "share", ("energy_spread_head",)),
    ("What the spread of energy comes from", "Flow estimate", "share", ("energy_spread_flow",)),
    ("What the spread of energy comes from", "Wet and dry years", "share", ("energy_spread_year",)),
    ("What the spread of energy comes from", "Efficiency", "share", ("energy_spread_efficiency",)),
)
OPTIONS = (
    ("Machine", "machine"),
    ("Screen", "screened"),
    ("Fish-safe", "fish_safe"),
    ("Fish that survive", "survival"),
    ("Evidence", "evidence"),
    ("Units", "units"),
    ("Design flow", "flow_design_m3s"),
    ("Power", "power_kw"),
    ("Energy", "energy_mwh"),
    ("Cost of energy", "cost_per_kwh"),
    ("Worth less cost", "net_value_per_year"),
)
SHARES = ("survival",)
# Which layer a fact hangs on, for what is not known because nobody gave that layer.
LAYER_OF = {
    "road_distance_m": "roads",
    "road_bank": "roads",
    "road_climb_m": "roads",
    "line_distance_m": "power_lines",
    "settlement_road_m": "settlements",
    "settlement": "settlements",
}


def site_data(handover):
    """All that the page's script shows of a site that is picked.

    Parameters
    ----------
    handover : sitefinder.report.handover.Handover

    Returns
    -------
    dict
        ``labels`` (group, label and meaning of each fact), ``options`` (headings of the machines' table) and
        ``sites`` by rank. Plain lists, texts and numbers; None where a value is missing.
    """
    tables, currency = handover.tables, handover.currency
    parts = {
        name: dict(tuple(tables[name].groupby("site_id", sort=False)))
        for name in ("site_profiles", "flow_curves", "site_months")
        if len(tables[name])
    }
    parts["machine_options"] = _options(tables["machine_options"])
    labels = [[group, label, meaning_of("sites", columns[0])] for group, label, _, columns in FACTS]
    headings = [
        [f"{label} [{unit}]" if (unit := unit_of("machine_options", name, currency)) else label,
         meaning_of("machine_options", name)]
        for label, name in OPTIONS
    ]  # fmt: skip
    rows = [
        _site(row, {name: rows.get(row["site_id"]) for name, rows in parts.items()}, currency, handover.context)
        for row in tables["sites"].drop(columns="geometry").sort_values("rank").to_dict("records")
    ]
    return {"labels": labels, "options": headings, "sites": rows}


def _site(row, parts, currency, context):
    named = plain(row["stream"]) if row["stream"] else "a stream without a name"
    unit = unit_of("sites", "cost_per_kwh", currency)
    costs = (
        "cost_per_kwh",
        "cost_per_kwh_p10",
        "cost_per_kwh_p90",
        "solar_cost_per_kwh",
        "solar_firm_cost_per_kwh",
    )
    return {
        "id": row["site_id"],
        "title": f"Rank {row['rank']}: {plain(row['site_id'])} on {named}",
        "facts": [_told(row, how, columns, currency, context) for _, _, how, columns in FACTS],
        "flags": flags_in_words(row["flags"]),
        "profile": _profile(parts.get("site_profiles")),
        "curve": _curve(parts.get("flow_curves"), row),
        "months": _months(parts.get("site_months")),
        "options": parts["machine_options"] or [],
        "cost": {"unit": unit, **{name: _plain_number(row[name]) for name in costs}},
    }


# One fact in words.
def _told(row, how, columns, currency, context):
    values = [row[name] for name in columns]
    layer = LAYER_OF.get(columns[0])
    if layer and layer not in context and (is_missing(values[0]) or values[0] == ""):
        return f"no layer of {layer.replace('_', ' ')}"
    unit = unit_of("sites", columns[0], currency)
    if how == "marks":
        return ", ".join(MARK_WORDS[name] for name in columns if row[name]) or "nothing"
    if how == "place":
        return ", ".join(NOT_KNOWN if is_missing(value) else f"{value:.5f}°" for value in values)
    if how == "text":
        return plain(values[0]) if values[0] else "–"
    if is_missing(values[0]):
        return NOT_KNOWN
    if how == "machine":
        return f"{values[1]} × {plain(values[0])}"
    if how == "error":
        return f"{amount(values[0])} ± {float(values[1]):.2f}\u00a0{unit} (standard error)"
    if how == "range":
        return f"{amount(values[0])} to {amount(values[1], unit)}"
    told = {
        "amount": lambda: amount(values[0], unit),
        "share": lambda: percent(values[0]),
        "draws": lambda: f"{percent(values[0])} of the draws",
        "yes": lambda: "yes" if values[0] else "no",
        "layout": lambda: LAYOUT_WORDS[values[0]],
        "verdict": lambda: f"{values[0]}: {VERDICT_MEANING[values[0]]}",
    }
    return told[how]()


# Long profile: distance, water, band, elevation as read, and where intake and tailrace are.
def _profile(rows):
    if rows is None:
        return None
    rows = rows.sort_values("position")
    names = {"x": "distance_m", "y": "profile_m", "low": "low_m", "high": "high_m", "raw": "raw_m"}
    told = {key: rounded(rows[name], 2) for key, name in names.items()}
    told["refused"] = [int(value) for value in rows["is_refused"]]
    told["marks"] = {
        mark: int(np.flatnonzero(rows["mark"].to_numpy() == mark)[0])
        for mark in ("intake", "tailrace")
        if (rows["mark"] == mark).any()
    }
    told["structures"] = [
        [at, structure_name(name)] for at, name in enumerate(rows["structure_id"]) if name and not is_missing(name)
    ]
    return told


def _curve(rows, site):
    if rows is None:
        return None
    rows = rows.sort_values("exceedance_percent")
    return {
        "share": rounded(rows["exceedance_percent"], 3),
        "flow": rounded(rows["flow_m3s"], 5),
        "reserved": rounded(rows["reserved_m3s"], 5),
        "design": _plain_number(site["flow_design_m3s"]),
    }


def _months(rows):
    if rows is None:
        return None
    rows = rows.sort_values("month")
    return {
        "month": [int(month) for month in rows["month"]],
        "energy": rounded(rows["energy_mwh"], 4),
        "closed": [int(value) for value in rows["is_closed"]],
    }


# Machines that would fit, by site: the one chosen first, then the best size of each kind.
def _options(table):
    best = table[table["is_best_size"] | table["chosen"]]
    best = best.sort_values(["chosen", "net_value_per_year"], ascending=False, kind="stable")
    columns = [[_option_cell(value, name) for value in best[name]] for _, name in OPTIONS]
    told = {}
    for site_id, chosen, *cells in zip(best["site_id"], best["chosen"], *columns, strict=True):
        told.setdefault(site_id, []).append([int(chosen), *cells])
    return told


def _option_cell(value, name):
    if name in SHARES:
        return percent(value)
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, str):
        return plain(value)
    return str(value) if name == "units" else amount(value)


def rounded(values, places):
    """Numbers with so many places after the point, None where there is none."""
    return [None if is_missing(value) else round(float(value), places) for value in values]


def _plain_number(value):
    return None if is_missing(value) else float(f"{float(value):.7g}")
