"""Sites on the page: their table and filters, and facts and figures of the selected site."""

from typing import NamedTuple

import numpy as np

from sitefinder.report.decisions import decisions_of
from sitefinder.report.languages import current, flag_phrases, labels, numeral, phrases, say
from sitefinder.report.observations import visits_to
from sitefinder.report.on_stream import things_by_site
from sitefinder.report.page.figures import (
    Cell,
    amount,
    exact,
    in_sentence,
    meaning_of,
    money,
    percent,
    plain_number,
    plain_numbers,
    price_per_kwh,
    setting_of,
    short_money,
    titled,
    unit_of,
    with_unit,
)
from sitefinder.report.page.packing import (
    packed_counts,
    packed_lists,
    packed_rows,
    packed_series,
    packed_texts,
)
from sitefinder.report.stream_names import WITHOUT_NAME
from sitefinder.report.table_texts import from_table, source_text
from sitefinder.report.text import NOT_KNOWN, is_missing, plain, structure_name
from sitefinder.report.water_rights import rights_by_site
from sitefinder.schema import LAYERS
from sitefinder.schema.arrays import records_of
from sitefinder.schema.wording import column_labels
from sitefinder.siting.ranking import BY_SCORE, RANKED_BY
from sitefinder.vocabulary import SCHEME_TYPES, VERDICTS, marked_actions, named

TITLES = column_labels(LAYERS["sites"])
# Columns of ``sites`` in the table: name, heading, and whether it is a number.
SHOWN = (
    ("rank", "Rank", True),
    ("site_id", "Site", False),
    ("stream", "Stream", False),
    ("head_m", "Gross head", True),
    ("power_kw", "Installed capacity", True),
    ("energy_mwh", "Mean annual energy", True),
    ("energy_mwh_p90", "P90", True),
    ("energy_mwh_p10", "P10", True),
    ("lcoe_per_kwh", "LCOE", True),
    ("verdict", "Verdict", False),
    ("scheme_type", "Scheme type", False),
    ("district", "District", False),
    ("flow_mean_m3s", "Mean flow", True),
    ("fish_safe", "Fish-safe", False),
)


# Facts that need one of these layers are shown in runs alone in which it has rows.
DECIDED, VISITED, WATER_BODIES, LAND = "decisions", "observations", "water_bodies", "site_land"
SUBSTATIONS = "substations"
BESIDE = (DECIDED, VISITED, WATER_BODIES, LAND, SUBSTATIONS)


class Fact(NamedTuple):
    """One fact of a site: group, label, format, and its columns of ``sites``."""

    group: str
    label: str
    form: str
    columns: tuple
    needs: str = ""  # input layer, or one of `BESIDE`, without which it is omitted


WATER, ENERGY, PLANT, COST = "Head and water", "Power and energy", "Plant and fish", "Cost"
ACCESS, RULES, VARIANCE_SHARES = "Access", "Rules", "Contributions to the uncertainty of energy"
FACTS = (
    Fact(WATER, "Gross head", "error", ("head_m", "head_se_m")),
    Fact(WATER, "Uncorrected gross head", "error", ("head_uncorrected_m", "head_uncorrected_se_m")),
    Fact(WATER, "Selection correction", "amount", ("selection_luck_m",)),
    Fact(WATER, "Catchment at the intake", "amount", ("area_km2",)),
    Fact(WATER, "of it stated, outside the DEM", "part", ("inflow_km2",)),
    Fact(WATER, "Mean flow", "amount", ("flow_mean_m3s",)),
    Fact(WATER, "Low flow (Q95)", "amount", ("flow_q95_m3s",)),
    Fact(WATER, "Design flow", "amount", ("flow_design_m3s",)),
    Fact(WATER, "Environmental flow (mean of the year)", "amount", ("environmental_flow_m3s",)),
    Fact(WATER, "Flow source", "source", ("flow_source",)),
    Fact(WATER, "Share of flow used", "share", ("used_share",)),
    Fact(WATER, "Share of flow as environmental flow", "share", ("environmental_flow_share",)),
    Fact(WATER, "Share of flow spilled", "share", ("spilled_share",)),
    Fact(ENERGY, "Installed capacity", "amount", ("power_kw",)),
    Fact(ENERGY, "Power at design flow, P90 to P10", "range", ("power_kw_p90", "power_kw_p10")),
    Fact(ENERGY, "Mean annual energy", "amount", ("energy_mwh",)),
    Fact(ENERGY, "Annual energy, P50", "amount", ("energy_mwh_p50",)),
    Fact(ENERGY, "Energy of a single year, P90 to P10", "range", ("energy_mwh_p90", "energy_mwh_p10")),
    Fact(ENERGY, "Monthly energy from", "text", ("month_source",)),
    Fact(ENERGY, "Mean power", "amount", ("power_mean_kw",)),
    Fact(ENERGY, "Capacity factor", "share", ("capacity_factor",)),
    Fact(ENERGY, "Firm power (95 % of the time)", "amount", ("firm_power_kw",)),
    Fact(ENERGY, "Time in operation", "share", ("operating_fraction",)),
    Fact(ENERGY, "Probability of being among the best N", "share", ("prob_in_top_n",)),
    Fact(PLANT, "Scheme type", "scheme", ("scheme_type",)),
    Fact(PLANT, "Turbine", "turbine", ("turbine", "units")),
    Fact(PLANT, "Efficiency at the design flow, to the terminals", "share", ("efficiency_design",)),
    Fact(PLANT, "Runner diameter and setting", "runner", ("runner_diameter_m", "suction_head_m")),
    Fact(PLANT, "Fish-safe", "yes", ("fish_safe",)),
    Fact(PLANT, "Fish screen and bypass in the cost", "yes", ("screened",)),
    Fact(PLANT, "Fish survival at the turbine", "share", ("survival",)),
    Fact(
        PLANT,
        "Cumulative downstream passage survival (least favourable route)",
        "share",
        ("passage_survival",),
    ),
    Fact(PLANT, "Depleted reach", "depleted", ("length_m", "scheme_type")),
    Fact(PLANT, "Mean flow left below the intake", "amount", ("depleted_flow_mean_m3s",)),
    Fact(PLANT, "Flow left below the intake 95 % of the time", "amount", ("depleted_flow_q95_m3s",)),
    Fact(PLANT, "Mean flow that joins above the tailrace", "amount", ("depleted_inflow_mean_m3s",)),
    Fact(PLANT, "Wetted width at the median flow left", "amount", ("depleted_width_m",)),
    Fact(PLANT, "Mean depth at the median flow left", "amount", ("depleted_depth_m",)),
    Fact(PLANT, "Time below the minimum depth", "share", ("depleted_shallow_share",)),
    Fact(PLANT, "Time below it without the plant", "share", ("depleted_shallow_natural_share",)),
    Fact(PLANT, "New barrier (weir or intake)", "yes", ("new_barrier",)),
    Fact(PLANT, "Gross head at the maximum", "yes", ("head_is_capped",)),
    Fact(PLANT, "Intake to tailrace along the stream", "length", ("length_m",)),
    Fact(PLANT, "Headrace and penstock", "extent", ("conduit_length_m",)),
    Fact(PLANT, "Bank of headrace", "text", ("conduit_bank",)),
    Fact(PLANT, "Deepest cut", "amount", ("deepest_cut_m",)),
    Fact(PLANT, "Crossings of streams and gullies", "amount", ("crossings",)),
    Fact(PLANT, "Ponded length", "extent", ("pond_length_m",)),
    Fact(PLANT, "Existing structure", "text", ("structure_id",)),
    Fact(PLANT, "It needs", "text", ("needs",)),
    Fact(COST, "Capital cost", "money", ("capital_cost",)),
    Fact(COST, "Levelised cost of energy (LCOE)", "amount", ("lcoe_per_kwh",)),
    Fact(COST, "LCOE, P10 to P90", "range", ("lcoe_per_kwh_p10", "lcoe_per_kwh_p90")),
    Fact(COST, "LCOE difference to solar with storage", "amount", ("lcoe_minus_solar_per_kwh",)),
    Fact(COST, "Specific cost", "money", ("specific_cost_per_kw",)),
    Fact(COST, "Net annual value", "money", ("net_annual_value",)),
    Fact(COST, "Probability that it pays", "share", ("prob_pays",)),
    Fact(COST, "Net present value", "money", ("npv",)),
    Fact(COST, "Internal rate of return, real", "amount", ("irr_percent",)),
    Fact(COST, "Discounted payback", "amount", ("discounted_payback_years",)),
    Fact(COST, "Break-even price", "amount", ("break_even_price_per_kwh",)),
    Fact(ACCESS, "Distance to a road", "length", ("road_distance_m",), "roads"),
    Fact(ACCESS, "Bank of that road", "bank", ("road_bank",), "roads"),
    Fact(ACCESS, "Level against the road", "below_road", ("road_climb_m",), "roads"),
    Fact(ACCESS, "Distance to a power line", "length", ("line_distance_m",), "power_lines"),
    Fact(ACCESS, "Substation", "text", ("substation_id",), SUBSTATIONS),
    Fact(ACCESS, "Distance to the substation", "length", ("substation_distance_m",), SUBSTATIONS),
    Fact(ACCESS, "Free capacity of the substation", "amount", ("substation_free_kw",), SUBSTATIONS),
    Fact(ACCESS, "Left there after this and better sites", "amount", ("substation_left_kw",), SUBSTATIONS),
    Fact(ACCESS, "Distance to a settlement by road", "length", ("settlement_road_m",), "settlements"),
    Fact(ACCESS, "Off-grid settlement", "text", ("settlement",), "settlements"),
    Fact(ACCESS, "Owner of the ground at the intake", "text", ("intake_owner",), LAND),
    Fact(ACCESS, "Owners along the conduit", "text", ("conduit_owner",), LAND),
    Fact(ACCESS, "Owner of the ground at the tailrace", "text", ("tailrace_owner",), LAND),
    Fact(ACCESS, "Tailrace (WGS 84)", "place", ("lat", "lon")),
    Fact(ACCESS, "Intake (WGS 84)", "place", ("intake_lat", "intake_lon")),
    Fact(ACCESS, "Visits", "visits", ("site_id",), VISITED),
    Fact(RULES, "Verdict", "verdict", ("verdict",)),
    Fact(RULES, "Rules that apply", "text", ("reasons",)),
    Fact(RULES, "Kept against them by a decision", "kept", ("kept_by_decision", "rules_lifted"), DECIDED),
    Fact(RULES, "Decisions", "decisions", ("decision_id",), DECIDED),
    Fact(RULES, "What they require", "marks", tuple(action.mark for action in marked_actions())),
    Fact(RULES, "Closed months", "months", ("closed_months",)),
    Fact(RULES, "Water bodies", "text", ("water_body_id",), WATER_BODIES),
    Fact(RULES, "Status of the water bodies", "text", ("water_body_status",), WATER_BODIES),
    Fact(VARIANCE_SHARES, "Head", "share", ("energy_variance_share_head",)),
    Fact(VARIANCE_SHARES, "Flow estimate", "share", ("energy_variance_share_flow",)),
    Fact(VARIANCE_SHARES, "Inter-annual variability", "included", ("energy_variance_share_year",)),
    Fact(VARIANCE_SHARES, "Turbine efficiency", "share", ("energy_variance_share_efficiency",)),
)
# Columns of facts that only diversions have.
OF_DIVERSIONS = {
    fact.columns[0]
    for fact in FACTS
    if fact.columns[0].startswith(("depleted_", "conduit_")) or fact.columns[0] in ("deepest_cut_m", "crossings")
}
OPTIONS = (
    ("Turbine", "turbine"),
    ("Screen", "screened"),
    ("Fish-safe", "fish_safe"),
    ("Fish survival", "survival"),
    ("Evidence", "evidence"),
    ("Units", "units"),
    ("Design flow", "flow_design_m3s"),
    ("Installed capacity", "power_kw"),
    ("Mean annual energy", "energy_mwh"),
    ("LCOE", "lcoe_per_kwh"),
    ("Net annual value", "net_annual_value"),
)
# Names of the figures of the cost diagram in the page's data, by column.
COSTS = {
    "value": "lcoe_per_kwh",
    "p10": "lcoe_per_kwh_p10",
    "p90": "lcoe_per_kwh_p90",
    "solar": "solar_lcoe_per_kwh",
    "stored": "solar_firm_lcoe_per_kwh",
}
# Labels of the tooltip of a site, in order.
TIP = (
    "Site", "Stream", "Scheme type", "Gross head", "Mean flow", "Installed capacity", "Mean annual energy", "LCOE",
    "Verdict",
)  # fmt: skip
# A share of the variance below this is zero but for rounding.
NOTHING = 1e-9


def stream_name(name):
    """Name of a stream for display."""
    return say(WITHOUT_NAME) if is_missing(name) or not name else plain(name)


# What the sites are ranked by, as the heading of the ranks says it, by `ranking.rank_by`.
RANKED_BY_WORDS = {
    **{name: in_sentence(TITLES[column].partition(" [")[0]) for name, (column, _) in RANKED_BY.items()},
    BY_SCORE: "score",
}


def sites_table(sites, handover):
    """The table of sites.

    Parameters
    ----------
    sites : DataFrame
        Layer ``sites``, with names of streams.
    handover : sitefinder.report.handover.Handover

    Returns
    -------
    dict
        ``headings`` of (column, label, unit, meaning, is number) and ``rows`` by rank, each with ``rank``,
        ``verdict``, ``scheme``, ``fish_safe`` and ``cells``.
    """
    headings = [
        (name, say(label), _below(name, handover), meaning_of("sites", name), is_number)
        for name, label, is_number in SHOWN
    ]
    rows = []
    for site in records_of(sites.drop(columns="geometry").sort_values("rank")):
        cells = []
        for name, _, is_number in SHOWN:
            value = site[name]
            if is_number:
                text = str(value) if name == "rank" else amount(value)
                cells.append(Cell("figure", text, exact(value)))
            else:
                cells.append(Cell("text", _words(name, value)))
        rows.append(
            {
                "rank": int(site["rank"]),
                "verdict": site["verdict"],
                "scheme": site["scheme_type"],
                "fish_safe": "yes" if site["fish_safe"] else "no",
                "cells": cells,
            }
        )
    return {"headings": headings, "rows": rows}


def table_data(it):
    """Rows of a long table of sites for the script, which makes those that are in view.

    Parameters
    ----------
    it : dict
        See `sites_table`.

    Returns
    -------
    dict
        ``texts`` and ``values`` by column, these None for words, and ``sorts``, which filters look at.
    """
    rows = it["rows"]
    columns = list(zip(*(row["cells"] for row in rows), strict=True))
    sorts = {"verdict": "verdict", "scheme": "scheme", "safe": "fish_safe"}
    return {
        "texts": [packed_texts(cell.text for cell in column) for column in columns],
        "values": [
            [None if cell.exact == "" else float(f"{float(cell.exact):.7g}") for cell in column]
            if is_number
            else None
            for column, (*_, is_number) in zip(columns, it["headings"], strict=True)
        ],
        "sorts": {name: packed_texts(row[key] for row in rows) for name, key in sorts.items()},
    }


# What stands below a heading: the unit, at the LCOE also the price that it must not exceed to pay.
def _below(name, handover):
    unit = unit_of("sites", name, handover.currency)
    if name == "rank":
        rank_by = setting_of(handover.tables["provenance"], "ranking.rank_by")
        return say(f"by {RANKED_BY_WORDS[rank_by]}") if rank_by in RANKED_BY_WORDS else ""
    price = price_per_kwh(handover.tables) if name == "lcoe_per_kwh" else None
    return unit if price is None else say("{unit}, price {price}", unit=unit, price=amount(price))


def shown_by(sites, currency):
    """Columns of the table by which the map can draw sites larger or darker.

    Parameters
    ----------
    sites : DataFrame
    currency : str

    Returns
    -------
    list of (str, str)
        Name and label with the unit, of those numbers of which one is known.
    """
    columns = [(name, label) for name, label, is_number in SHOWN if is_number and name != "rank"]
    return [
        (name, f"{say(label)} [{unit_of('sites', name, currency)}]")
        for name, label in columns
        if sites[name].notna().any()
    ]


def _words(name, value):
    if name == "fish_safe":
        return say("yes") if value else say("no")
    if name == "scheme_type":
        return labels(SCHEME_TYPES)[value]
    if name == "stream":
        return stream_name(value)
    if name == "verdict":
        return say(value)
    return "" if is_missing(value) else str(value)


def filters(sites):
    """Filters of the table, with the values that occur: (id, label, list of (value, label))."""
    verdicts = [
        (each.name, say(each.name)) for each in reversed(VERDICTS) if (sites["verdict"] == each.name).any()
    ]
    schemes = [(each.name, say(each.label)) for each in SCHEME_TYPES if (sites["scheme_type"] == each.name).any()]
    return [
        ("verdict", say("Verdict"), verdicts),
        ("scheme", say("Scheme type"), schemes),
        ("safe", say("Fish-safe"), [("yes", say("yes")), ("no", say("no"))]),
    ]


def site_data(handover):
    """Data of the sites for the script of the page.

    Parameters
    ----------
    handover : sitefinder.report.handover.Handover

    Returns
    -------
    dict
        ``labels`` (group, label and meaning of each fact), ``absent`` (layers not in the run), ``options``
        (headings of the turbines' table), ``months`` (their short names), ``siteTip`` (labels of the tooltip) and
        ``sites``: columns by rank, see `sitefinder.report.page.packing`. None where a number is missing.
    """
    tables, currency = handover.tables, handover.currency
    beside = {name: tables[name] for name in BESIDE if name in tables and len(tables[name])}
    given = [*handover.context, *beside]
    facts = [fact for fact in FACTS if not fact.needs or fact.needs in given]
    absent = dict.fromkeys(
        say(fact.needs.replace("_", " ")) for fact in FACTS if fact not in facts and fact.needs not in BESIDE
    )
    units = [(fact, unit_of("sites", fact.columns[0], currency)) for fact in facts]
    headings = [
        [titled(f"{label} [{unit}]" if (unit := unit_of("turbine_options", name, currency)) else label),
         meaning_of("turbine_options", name)]
        for label, name in OPTIONS
    ]  # fmt: skip
    ordered = tables["sites"].drop(columns="geometry").sort_values("rank")
    return {
        "labels": [[say(fact.group), say(fact.label), meaning_of("sites", fact.columns[0])] for fact in facts],
        "absent": say("Not in this run: layers of {layers}.", layers=say(" and ").join(absent)) if absent else "",
        "options": headings,
        "months": current().short_months,
        "siteTip": [say(label) for label in TIP],
        "sites": _columns(ordered, records_of(ordered), tables, units, currency, beside),
    }


# All that is shown of the sites, column by column.
def _columns(ordered, rows, tables, units, currency, beside):
    ids = ordered["site_id"].tolist()
    things, rights = things_by_site(tables["stretch_structures"]), rights_by_site(tables["site_water_rights"])
    return {
        "count": len(ids),
        "id": packed_texts(map(plain, ids)),
        "stream": packed_texts(map(stream_name, ordered["stream"])),
        "tip": packed_rows([_tip(row, currency) for row in rows], len(TIP)),
        "facts": [packed_texts(_in_words(row, fact, unit, beside) for row in rows) for fact, unit in units],
        "flags": packed_lists([flag_phrases(row["flags"]) for row in rows]),
        "place": [[plain_number(value) for value in ordered[name]] for name in ("lat", "lon")],
        "things": packed_lists([[*things.get(site, ()), *rights.get(site, ())] for site in ids]),
        "profile": _profiles(_by_site(tables["site_profiles"], ids, "position")),
        "curve": _curves(_by_site(tables["flow_curves"], ids, "exceedance_percent"), ordered),
        "months": _months(_by_site(tables["site_months"], ids, "month")),
        "options": _options(tables["turbine_options"], ids),
        "cost": {
            "unit": unit_of("sites", "lcoe_per_kwh", currency),
            **{name: [plain_number(value) for value in ordered[column]] for name, column in COSTS.items()},
        },
    }


# Rows of a table by site, in the order of the ranks: for each site its values of each column as a list.
def _by_site(rows, ids, order):
    rows = rows.sort_values(order, kind="stable")
    found = rows.groupby("site_id", sort=False).indices if len(rows) else {}
    nothing = np.empty(0, dtype=np.int64)
    at = [found.get(site, nothing) for site in ids]
    return {name: [values[own] for own in at] for name in rows if (values := rows[name].to_numpy()) is not None}


# Tooltip of a site on the map, below `TIP`.
def _tip(row, currency):
    interval = f"(P90 {amount(row['energy_mwh_p90'])}, P10 {amount(row['energy_mwh_p10'])})"
    return [
        say("{site}, rank {rank}", site=plain(row["site_id"]), rank=row["rank"]),
        stream_name(row["stream"]),
        labels(SCHEME_TYPES)[row["scheme_type"]],
        amount(row["head_m"], "m"),
        amount(row["flow_mean_m3s"], "m³/s"),
        amount(row["power_kw"], "kW"),
        f"{amount(row['energy_mwh'], 'MWh/yr')} {interval}",
        amount(row["lcoe_per_kwh"], f"{short_money(currency)}/kWh"),
        _verdict(row),
    ]


# The verdict of a site; a decision may keep one that rules exclude.
def _verdict(row):
    verdict = say(row["verdict"])
    return say("{verdict}, kept by a decision", verdict=verdict) if row.get("kept_by_decision") else verdict


# One fact as text; empty for what only a diversion has, elsewhere.
def _in_words(row, fact, unit, beside):
    if fact.columns[0] in OF_DIVERSIONS and not named(SCHEME_TYPES, row["scheme_type"]).diverts:
        return ""
    values = [row[name] for name in fact.columns]
    first = values[0]
    if fact.form == "marks":
        held = [say(action.label) for action in marked_actions() if row[action.mark]]
        return ", ".join(held) or say("none")
    if fact.form == "place":
        return ", ".join(say(NOT_KNOWN) if is_missing(value) else f"{value:.5f}°" for value in values)
    if fact.form in ("text", "source", "months", "bank"):
        return _text(first, fact.form)
    if fact.form == "decisions":
        return " ".join(plain(each) for each in decisions_of(first, beside[DECIDED])) or say("none")
    if fact.form == "visits":
        return " ".join(plain(each) for each in visits_to(first, beside[VISITED])) or say("none")
    if fact.form == "kept":
        return say("yes, against: {rules}", rules=plain(values[1])) if first else say("no")
    if fact.form == "runner":
        return _runner(*values, unit)
    if is_missing(first):
        return say(NOT_KNOWN)
    match fact.form:
        case "amount":
            return amount(first, unit)
        case "part":
            return amount(first, unit) if first > 0 else say("none")
        case "length":
            return with_unit(numeral(f"{first:,.0f}"), unit)
        case "extent":
            return with_unit(numeral(f"{first:,.0f}"), unit) if first > 0 else say("none")
        case "money":
            return money(first, unit)
        case "share":
            return percent(first)
        case "included":
            return say("not included") if first < NOTHING else percent(first)
        case "error":
            interval = numeral(f"{first:.2f} ± {values[1]:.2f}")
            return say("{interval} (standard error)", interval=with_unit(interval, unit))
        case "range":
            return say("{low} to {high}", low=amount(first), high=amount(values[1], unit))
        case "yes":
            return say("yes") if first else say("no")
        case "turbine":
            return f"{values[1]} × {plain(first)}"
        case "scheme":
            return labels(SCHEME_TYPES)[first]
        case "verdict":
            return f"{_verdict(row)}. {phrases(VERDICTS)[first]}"
        case "depleted":
            diverts = named(SCHEME_TYPES, values[1]).diverts
            return with_unit(numeral(f"{first:,.0f}"), unit) if diverts else say("none: no water is diverted")
        case "below_road":
            side = "powerhouse {height} below the road" if first < 0 else "powerhouse {height} above the road"
            return say(side, height=with_unit(f"{abs(first):.0f}", unit))
    raise ValueError(f"no words for the form {fact.form!r}")


# A runner's diameter, and how high above or how deep below the tailwater it must be.
def _runner(diameter_m, suction_head_m, unit):
    if is_missing(diameter_m):
        return say("none: not a reaction turbine")
    diameter = with_unit(numeral(f"{diameter_m:.2f}"), unit)
    if is_missing(suction_head_m):
        return diameter
    height = with_unit(numeral(f"{abs(suction_head_m):.1f}"), unit)
    if suction_head_m < 0:
        return say("{diameter}, at least {height} below the tailwater", diameter=diameter, height=height)
    return say("{diameter}, at most {height} above the tailwater", diameter=diameter, height=height)


def _text(value, form):
    if is_missing(value) or not value:
        return say(NOT_KNOWN) if form in ("bank", "source") else say("none")
    if form == "months":
        return ", ".join(current().short_months[int(month) - 1] for month in str(value).split(";"))
    # The equations are the run's regional regressions.
    return source_text(plain(value)) if form == "source" else from_table(plain(value))


# Long profiles: distance, water level, confidence interval, DEM elevation, intake and tailrace.
def _profiles(rows):
    names = {"x": "distance_m", "y": "profile_m", "low": "low_m", "high": "high_m", "raw": "raw_m"}
    structures = [
        [(at, structure_name(name)) for at, name in enumerate(each) if name and not is_missing(name)]
        for each in rows["structure_id"]
    ]
    marks = [{mark: at for at, mark in reversed([*enumerate(each)])} for each in rows["mark"]]
    return {
        **{key: packed_series([plain_numbers(each, 2) for each in rows[name]], 2) for key, name in names.items()},
        "refused": packed_series([np.flatnonzero(each).tolist() for each in rows["is_refused"]]),
        **{mark: [each.get(mark) for each in marks] for mark in ("intake", "tailrace")},
        "structureAt": packed_series([[at for at, _ in each] for each in structures]),
        "structures": packed_lists([[name for _, name in each] for each in structures]),
    }


def _curves(rows, sites):
    names = {"x": "exceedance_percent", "flow": "flow_m3s", "environmental": "environmental_flow_m3s"}
    return {
        **{key: packed_series([plain_numbers(each, 5) for each in rows[name]]) for key, name in names.items()},
        "design": [plain_number(value) for value in sites["flow_design_m3s"]],
    }


def _months(rows):
    return {
        "month": packed_series([list(map(int, each)) for each in rows["month"]]),
        "energy": packed_series([plain_numbers(each, 4) for each in rows["energy_mwh"]]),
        "closed": packed_series([list(map(int, each)) for each in rows["is_closed"]]),
    }


# Suitable turbines by site: the selected one first, then the best size of each class.
def _options(options, ids):
    best = options[options["is_best_size"] | options["chosen"]]
    best = best.sort_values(["chosen", "net_annual_value"], ascending=False, kind="stable")
    found = best.groupby("site_id", sort=False).indices if len(best) else {}
    at = [found.get(site, ()) for site in ids]
    order = np.concatenate([np.asarray(own, dtype=np.int64) for own in at]) if at else np.empty(0, dtype=np.int64)
    rows = best.iloc[order]
    return {
        "counts": packed_counts([len(own) for own in at]),
        "chosen": packed_texts(str(int(value)) for value in rows["chosen"]),
        "cells": [packed_texts(_option_cell(value, name) for value in rows[name]) for _, name in OPTIONS],
    }


def _option_cell(value, name):
    if name == "survival":
        return percent(value)
    if name == "net_annual_value":
        return money(value)
    if isinstance(value, bool | np.bool_):
        return say("yes") if value else say("no")
    if isinstance(value, str):
        return say(plain(value)) if name == "evidence" else plain(value)
    return str(value) if name == "units" else amount(value)
