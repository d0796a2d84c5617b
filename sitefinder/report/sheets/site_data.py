"""The content of a site's sheet, as texts and drawings for its template."""

import io
from typing import NamedTuple

import numpy as np

from sitefinder.energy.hydraulics import KW_PER_M3S_M
from sitefinder.report.decisions import decisions_of
from sitefinder.report.fish import months_text, points_by_site
from sitefinder.report.flow_quality import delivered_regressions, regression_text, regressions_of_source
from sitefinder.report.languages import current, flag_phrases, numeral, phrases, plural, say
from sitefinder.report.observations import visits_to
from sitefinder.report.on_stream import stated_parts, things_by_site
from sitefinder.report.sheets.amounts import (
    amount,
    crs_text,
    decimal_degrees,
    degrees_minutes_seconds,
    grid_places,
    grid_text,
    is_known,
    listed,
    money,
    percent,
    span,
    words,
)
from sitefinder.report.sheets.compass import compass_at, compass_text
from sitefinder.report.sheets.compile import shortened
from sitefinder.report.sheets.maps import place_map
from sitefinder.report.sheets.profiles import profile_drawing
from sitefinder.report.table_texts import from_table, source_text
from sitefinder.report.text import NOT_KNOWN, level_places, money_text, rows_by_site
from sitefinder.report.water_rights import rights_by_site
from sitefinder.schema.arrays import records_of
from sitefinder.siting.profiles import NORMAL_90
from sitefinder.vocabulary import ACTIONS, DOUBT, IN_ONE_CELL, SCHEME_TYPES, USED, VERDICTS, named

PROFILE_MM = (181.0, 39.0)
# Longer texts are cut in titles and tables, and printed in full at the end of the sheet.
LONGEST_ID, LONGEST_NAME, LONGEST_CELL = 48, 80, 60
BANKS = {"left": "on the left bank (looking downstream)", "right": "on the right bank (looking downstream)"}
RIGHT_BANK = "right bank{route}, deepest cut {cut}"
# A road within this height difference is level with the powerhouse [m].
LEVEL_WITHIN_M = 0.5
# Sources of the uncertainty of energy, by the end of their columns; smaller shares than this are left out.
CONTRIBUTIONS = {"year": "year", "flow": "flow", "head": "head", "efficiency": "efficiency"}
MIN_CONTRIBUTION = 0.045
# Times of the year of which the flow is given [%], and ends of the stretch as the long profile marks them.
DURATIONS_PERCENT, MARKS = (10, 30, 50, 80, 90, 95), ("intake", "tailrace")
NAMES_OF_ENDS = ("Intake", "Tailrace")
# Rows of the table of the depleted reach; the layer depleted_reaches has all places and months.
DEPLETED_ROWS = 5


class BesideSites(NamedTuple):
    """What the sheets show of other tables than ``sites``, looked up once for all of them.

    By ``site_id``: ``profiles``, rows of ``site_profiles`` from the top down; ``depleted``, rows of
    ``depleted_reaches`` as dicts; ``curves``, rows of ``flow_curves`` from the highest flow down; ``things`` on
    the stream, ``rights`` and ``fish_points``, sentences; ``structures``, ids of those that are used. A site
    without any is in none. ``mean_flows_m3s`` are lowest and highest mean flow by reach, ``actions`` those of
    rules by name, ``regressions`` those of the mean flow, worst first; ``decisions`` and ``observations`` the
    layers of these names, None without them.
    """

    profiles: dict
    depleted: dict
    curves: dict
    things: dict
    rights: dict
    fish_points: dict
    structures: dict
    mean_flows_m3s: dict
    actions: dict
    regressions: list
    decisions: object = None
    observations: object = None


def beside_sites(tables):
    """What sheets show of other tables than ``sites``.

    Parameters
    ----------
    tables : Mapping of str to DataFrame
        As `sitefinder.schema` declares them; ``fish_sites`` and ``flow_equations`` may be absent.

    Returns
    -------
    BesideSites
    """
    profiles = tables["site_profiles"].sort_values("position", kind="stable")
    curves = tables["flow_curves"].sort_values("exceedance_percent", kind="stable")
    things, reaches, hits = tables["stretch_structures"], tables["reaches"], tables["rule_hits"]
    structures = {}
    for row in zip(things["site_id"], things["object_id"], things["role"], strict=True):
        if row[2] == USED:
            structures.setdefault(row[0], []).append(row[1])
    ends = zip(reaches["flow_mean_low_m3s"], reaches["flow_mean_high_m3s"], strict=True)
    return BesideSites(
        profiles=dict(tuple(profiles.groupby("site_id", sort=False))),
        depleted=rows_by_site(tables["depleted_reaches"]),
        curves=dict(tuple(curves.groupby("site_id", sort=False))),
        things=things_by_site(things),
        rights=rights_by_site(tables["site_water_rights"]) if "site_water_rights" in tables else {},
        fish_points=points_by_site(tables["fish_sites"]) if "fish_sites" in tables else {},
        structures=structures,
        mean_flows_m3s=dict(zip(reaches["reach_id"], ends, strict=True)),
        actions=dict(zip(hits["rule"], hits["action"], strict=True)),
        regressions=delivered_regressions(tables["flow_equations"]) if "flow_equations" in tables else [],
        decisions=tables.get("decisions"),
        observations=tables.get("observations"),
    )


def site_data(setter, handover, beside, site, stream):
    """The content of a site's sheet.

    Parameters
    ----------
    setter : sitefinder.report.sheets.compile.Typesetter
        Names and profiles must have been measured.
    handover : sitefinder.report.handover.Handover
    beside : BesideSites
    site : dict
        A row of ``sites``.
    stream : str
        Name of the stream, from `sitefinder.report.stream_names.stream_names`.

    Returns
    -------
    dict
        As `field_sheets.typ` reads it.
    """
    profile = beside.profiles.get(site["site_id"], handover.tables["site_profiles"].iloc[:0])
    scheme = named(SCHEME_TYPES, site["scheme_type"])
    stream_label = setter.text(shortened(stream, LONGEST_NAME))
    return {
        "rank": int(site["rank"]),
        "id": setter.text(shortened(site["site_id"], LONGEST_ID)),
        "stream": stream_label,
        "district": setter.text(shortened(words(site["district"], say("outside all districts")), LONGEST_NAME)),
        "scheme": say(scheme.label),
        "scheme_phrase": say(scheme.phrase),
        "map": place_map(setter, handover, site),
        "profile": profile_drawing(setter, profile, PROFILE_MM, stream_label),
        "figures": [
            {"title": say("Head and flow at the intake"), "rows": _rows(setter, _water(beside, site, scheme))},
            {"title": say("Plant and cost"), "rows": _rows(setter, _plant(handover, site, scheme))},
        ],
        "durations": _durations(beside.curves.get(site["site_id"])),
        "qr": _place_code(site),
        "depleted": _depleted(beside.depleted.get(site["site_id"]), site),
        "verdict": _verdict(site),
        "points": [setter.text(point) for point in _points(beside, site)],
        "grid": setter.text(crs_text(handover.crs)),
        "ends": _ends(handover, site),
        "access": _rows(setter, _access(handover, beside, site)),
        "in_full": [[say(label), setter.text(text)] for label, text in _in_full(site, stream)],
    }


# Pairs of label, in the current language, and text, without those of no text.
def _rows(setter, pairs):
    pairs = [pair for pair in pairs if pair is not None]
    return [[say(label), setter.text(text)] for label, text in pairs if text is not None]


# A text of the user in a table.
def _cell(value, otherwise=None):
    return shortened(words(value, otherwise), LONGEST_CELL)


def _water(beside, site, scheme):
    head_m, error_m = site["head_m"], NORMAL_90 * site["head_se_m"]
    places = level_places(site["head_se_m"])
    low, high = beside.mean_flows_m3s.get(site["reach_id"], (np.nan, np.nan))
    head = amount(site["head_uncorrected_m"], "m", places)
    uncorrected = say("{head}, before shrinkage and selection", head=head)
    return [
        ("Gross head", amount(head_m, "m", places) if scheme.has_head else None),
        _if_known("90 % confidence interval", error_m, span(head_m - error_m, head_m + error_m, "m", places)),
        _if_known("Net head at design flow", net := _net_head_m(site), amount(net, "m", 1)),
        ("Levels", _levels(beside.profiles.get(site["site_id"]), site)),
        _if_known("Uncorrected gross head", site["head_uncorrected_m"], uncorrected),
        ("Mean flow", amount(site["flow_mean_m3s"], "m³/s")),
        _if_known("90 % confidence interval", low, say("{flow}, at the tailrace", flow=span(low, high, "m³/s"))),
        None if site["site_id"] in beside.curves else _q95(site),
        ("Design flow", amount(site["flow_design_m3s"], "m³/s")),
        ("Environmental flow", _environmental_flow(site)),
        ("Catchment", amount(site["area_km2"], "km²")),
        (
            "of it outside the DEM",
            say("{area}, as stated", area=amount(site["inflow_km2"], "km²")) if site["inflow_km2"] > 0 else None,
        ),
        ("Flow source", source_text(_cell(site["flow_source"]))),
        ("Mean-flow regression", _regressions(beside, site)),
    ]


def _q95(site):
    return "Low flow Q95", amount(site["flow_q95_m3s"], "m³/s")


# Net head that gives the installed capacity at the design flow and its efficiency [m]; NaN where one is not known.
def _net_head_m(site):
    figures = [site[name] for name in ("power_kw", "flow_design_m3s", "efficiency_design", "head_m")]
    if not all(is_known(figure) and figure > 0 for figure in figures):
        return np.nan
    power_kw, flow_m3s, efficiency, head_m = figures
    net_m = power_kw / (KW_PER_M3S_M * flow_m3s * efficiency)
    return net_m if net_m <= head_m else np.nan


# Levels of the water in the long profile at intake and tailrace; None where neither is known.
def _levels(profile, site):
    if profile is None:
        return None
    own = profile[profile["mark"] != ""]
    level = {mark: own.loc[own["mark"] == mark, "profile_m"].iloc[0] for mark in own["mark"]}
    places = level_places(site["head_se_m"])
    known = [f"{say(mark)} {amount(level[mark], 'm', places)}" for mark in MARKS if is_known(level.get(mark))]
    return ", ".join(known) or None


# Flow and environmental flow at times of the year, as texts; empty without a flow duration curve.
def _durations(own):
    if own is None:
        return []
    share = own["exceedance_percent"].to_numpy(dtype=float)
    wanted = [each for each in DURATIONS_PERCENT if share[0] <= each <= share[-1]]
    columns = []
    for percent_of_time in wanted:
        at = [np.interp(percent_of_time, share, own[name]) for name in ("flow_m3s", "environmental_flow_m3s")]
        columns.append([f"Q{percent_of_time}", *map(amount, at)])
    return columns


# The place of the tailrace as a code for a telephone's camera (RFC 5870), an SVG text; None where it is not known.
def _place_code(site):
    if not (is_known(site["lat"]) and is_known(site["lon"])):
        return None
    import segno  # noqa: PLC0415 - only sheets need it

    code, drawn = segno.make(f"geo:{site['lat']:.6f},{site['lon']:.6f}", error="m", micro=False), io.BytesIO()
    code.save(drawn, kind="svg", xmldecl=False, nl=False, border=4)
    return drawn.getvalue().decode("ascii")


# The worst regression of the mean flow behind a site; None where none is known.
def _regressions(beside, site):
    used = regressions_of_source(beside.regressions, str(site["flow_source"]))
    return regression_text(used[0]) if used else None


def _environmental_flow(site):
    if not is_known(site["environmental_flow_m3s"]):
        return say(NOT_KNOWN)
    return say("{flow}, mean over the year", flow=amount(site["environmental_flow_m3s"], "m³/s"))


def _plant(handover, site, scheme):
    safe = say("fish-safe") if site["fish_safe"] else say("not fish-safe")
    screen = say(", with a screen") if site["screened"] else ""
    currency = money_text(handover.currency)
    energy = [site[f"energy_mwh_{each}"] for each in ("p90", "p50", "p10")]
    per_kwh = say("{currency} per kWh", currency=currency)
    specific, payback, irr = (
        site[name] for name in ("specific_cost_per_kw", "discounted_payback_years", "irr_percent")
    )
    rate_of_return = say("; rate of return {rate}, real", rate=amount(irr, "%", 1)) if is_known(irr) else ""
    break_even, solar = site["break_even_price_per_kwh"], amount(site["solar_lcoe_per_kwh"], "", 3)
    lcoe = span(site["lcoe_per_kwh_p10"], site["lcoe_per_kwh_p90"], "", 3)
    length_m, conduit_m = site["length_m"], site["conduit_length_m"]
    return [
        ("Turbine", f"{site['units']} × {_cell(site['turbine'])}; {safe}{screen}"),
        ("Installed capacity", amount(site["power_kw"], "kW")),
        _if_known("P90 to P10", site["power_kw_p90"], span(site["power_kw_p90"], site["power_kw_p10"], "kW")),
        ("Mean annual energy", amount(site["energy_mwh"], "MWh")),
        _if_known("P90 · P50 · P10", energy[0], " · ".join(map(amount, energy)) + " MWh"),
        ("Uncertainty from", _contributions(site)),
        _if_known("Capacity factor", site["capacity_factor"], amount(site["capacity_factor"], "", 2)),
        ("Capital cost", money(site["capital_cost"], currency)),
        _if_known("Specific cost", specific, say("{cost} per kW", cost=money(specific, currency))),
        ("Levelised cost of energy", amount(site["lcoe_per_kwh"], per_kwh, 3)),
        _if_known(
            "P10 to P90",
            site["lcoe_per_kwh_p10"],
            say("{lcoe}; pays with {share}", lcoe=lcoe, share=percent(site["prob_pays"])),
        ),
        ("Net present value", money(site["npv"], handover.currency.partition(" of ")[0]) + rate_of_return),
        ("Discounted payback", _years(payback) if is_known(payback) else say("not within the lifetime")),
        _if_known(
            "Break-even price",
            break_even,
            say("{price}; solar {solar} {unit}", price=amount(break_even, "", 3), solar=solar, unit=per_kwh),
        ),
        None if scheme.diverts else ("Stretch of stream", amount(length_m, "m", 0)),
        ("Headrace and penstock", _conduit(site) if is_known(conduit_m) and conduit_m > 0 else None),
        ("No abstraction in", _months(site["closed_months"])),
    ]


def _years(years):
    return plural("{number} year", "{number} years", round(years))


# The depleted reach in a sentence, and a table of what flows by place and month; None without one. A month that is
# shown of each place is that of the smallest flow left, since twelve would not fit.
def _depleted(own, site):
    if not own:
        return None
    min_depth = numeral(f"{own[0]['min_depth_m']:g} m")
    text = say(
        "{length} of stream. With the plant in service, at least {flow} pass the intake 95 % of the time, and the "
        "mean depth is below {depth} somewhere for {share} of the time ({natural} without the plant).",
        length=amount(site["depleted_length_m"], "m"),
        flow=amount(site["depleted_flow_q95_m3s"], "m³/s"),
        depth=min_depth,
        share=percent(site["depleted_shallow_share"]),
        natural=percent(site["depleted_shallow_natural_share"]),
    )
    if site["head_is_capped"]:
        text += " " + say("Its head is at the maximum that defines low head.")
    rows, positions = [], sorted({row["position"] for row in own})
    for position in positions:
        place = [row for row in own if row["position"] == position]
        year = next(row for row in place if row["month"] == 0)
        at = f"{say(place[0]['place'])}, {amount(place[0]['distance_m'], 'm', 0)}"
        rows.append([at, say("mean of the year"), *_left(year)])
        of_months = [row for row in place if row["month"] > 0]
        if of_months:
            least = min(of_months, key=lambda row: row["flow_left_m3s"])
            rows.append(["", current().months[int(least["month"]) - 1], *_left(least)])
    shown = rows[:DEPLETED_ROWS]
    more = len(positions) - len({row[0] for row in shown if row[0]})
    return {"text": text, "rows": shown, "months": _flow_by_month(own), "more": more}


def _left(row):
    return [amount(row[name]) for name in ("flow_natural_m3s", "flow_left_m3s", "width_m", "depth_m")]


# Mean flow left below the intake in each month; empty where months are not known.
def _flow_by_month(own):
    first = sorted((row for row in own if row["position"] == 1 and row["month"] > 0), key=lambda row: row["month"])
    return [[current().short_months[int(row["month"]) - 1], amount(row["flow_left_m3s"])] for row in first]


# What the uncertainty of the energy comes from, the greatest share first; None where nothing errs.
def _contributions(site):
    shares = {name: site[f"energy_variance_share_{key}"] for key, name in CONTRIBUTIONS.items()}
    known = {name: share for name, share in shares.items() if is_known(share) and share >= MIN_CONTRIBUTION}
    ordered = sorted(known.items(), key=lambda one: -one[1])
    return ", ".join(f"{say(name)} {percent(share)}" for name, share in ordered) or None


# Months by name; None without one.
def _months(closed_months):
    return months_text(closed_months) if closed_months else None


# Length of the conduit and of its parts, and where it runs as far as the ground shows it.
def _conduit(site):
    parts = [amount(site["conduit_length_m"], "m", 0)]
    headrace_m, penstock_m = site["headrace_length_m"], site["penstock_length_m"]
    if is_known(headrace_m) and is_known(penstock_m) and headrace_m > 0 and penstock_m > 0:
        headrace, penstock = amount(headrace_m, "m", 0), amount(penstock_m, "m", 0)
        parts[0] += say(" (headrace {headrace}, penstock {penstock})", headrace=headrace, penstock=penstock)
    if site["conduit_bank"]:
        route = f", {from_table(site['conduit_route'])}" if site["conduit_route"] else ""
        side = "left bank{route}, deepest cut {cut}" if site["conduit_bank"] == "left" else RIGHT_BANK
        parts.append(say(side, route=route, cut=amount(site["deepest_cut_m"], "m", 1)))
        crossings = int(site["crossings"]) if site["crossings"] > 0 else 0
        parts += [plural("{number} crossings", "{number} crossings", crossings)] if crossings else []
    return "; ".join(parts)


# A row that is omitted if its figure is not known.
def _if_known(label, value, text):
    return label, text if is_known(value) else None


def _verdict(site):
    verdict = named(VERDICTS, site["verdict"])
    phrase = say(verdict.phrase)
    if site["kept_by_decision"]:
        phrase += " " + say("A decision keeps the site all the same.")
    return {"name": verdict.name, "label": say(verdict.label), "phrase": phrase}


# Each rule with its effect, fish passage and closed months, and each flag, in words.
def _points(beside, site):
    phrase_of = phrases((*ACTIONS, DOUBT))
    points = []
    for rule in filter(None, site["reasons"].split(IN_ONE_CELL)):
        phrase = phrase_of.get(beside.actions.get(rule))
        points.append(
            say("Rule “{rule}”: {phrase}", rule=rule, phrase=phrase)
            if phrase
            else say("Rule “{rule}”.", rule=rule)
        )
    if beside.decisions is not None:
        points += decisions_of(site["decision_id"], beside.decisions)
    if beside.observations is not None:
        points += visits_to(site["site_id"], beside.observations)
    if is_known(site["passage_survival"]):
        share = amount(100 * site["passage_survival"])
        text = (
            "Cumulative downstream passage survival (least favourable route): {share} %, from the stated "
            "survival of the turbines on it."
        )
        points.append(say(text, share=share))
    points += beside.fish_points.get(site["site_id"], [])
    points += beside.rights.get(site["site_id"], [])
    points += [say("On the stream: {thing}.", thing=thing) for thing in beside.things.get(site["site_id"], [])]
    return points + (flag_phrases(site["flags"]) or [say("No data-quality flags.")])


def _ends(handover, site):
    lon, lat = [site["intake_lon"], site["lon"]], [site["intake_lat"], site["lat"]]
    return [
        {
            "name": say(name),
            "grid": grid_text(place),
            "degrees": decimal_degrees(east, north),
            "minutes": f"{degrees_minutes_seconds(north, 'lat')}, {degrees_minutes_seconds(east, 'lon')}",
        }
        for name, place, east, north in zip(
            NAMES_OF_ENDS, grid_places(handover.crs, lon, lat), lon, lat, strict=True
        )
    ]


# Distances to roads, lines and settlements, for the layers of the run.
def _access(handover, beside, site):
    given = handover.context
    rows = []
    if "roads" in given:
        rows.append(("Road", _road(site)))
    if "power_lines" in given:
        rows.append(("Power line", _line(site)))
    rows.append(("Substation", _substation(site)))
    if "settlements" in given:
        text = _distance(site["settlement_distance_m"])
        if is_known(site["settlement"]):
            text = f"{_cell(site['settlement'])}: {text}"
        by_road_m = site["settlement_road_m"]
        by_road = say("; {distance} by road", distance=amount(by_road_m, "m", 0)) if is_known(by_road_m) else ""
        rows.append(("Settlement", text + by_road))
    missing = [
        say(name)
        for layer, name in (("roads", "roads"), ("power_lines", "power lines"), ("settlements", "settlements"))
        if layer not in given
    ]
    if missing:
        rows.append(("Not in this run", say("layers of {layers}", layers=listed(missing))))
    rows.append(("Water body", _water_body(site)))
    rows.append(("Owners of land", _owners(site)))
    structure = site["structure_id"] or ", ".join(beside.structures.get(site["site_id"], []))
    rows.append(("Existing structure", _structure(handover, structure) if structure else None))
    rows.append(("It needs", from_table(words(site["needs"], say("nothing beside its works")))))
    if is_known(site["lon"]) and is_known(site["lat"]):
        compass = compass_at(handover.crs, site["lon"], site["lat"], handover.date)
        rows.append(("Compass", None if compass is None else compass_text(compass)))
    return rows


# A structure with what the user's layer states of it.
def _structure(handover, identity):
    structures = handover.tables["structures"]
    own = records_of(structures[structures["structure_id"] == identity])
    if not own:
        return _cell(identity)
    [row, *_] = own
    parts = [_cell(f"{identity} ({row['kind']})" if row["kind"] else identity)]
    parts += stated_parts(row, _cell)
    if is_known(row["drop_m"]):
        drop = amount(row["drop_m"], "m", level_places(row["drop_error_m"]))
        parts.append(say("drop {drop}", drop=drop))
    parts.append(say("has a fish pass") if row["fish_pass"] else say("no fish pass known"))
    return "; ".join(parts)


# The line or substation that the connection is priced to.
def _line(site):
    kv = numeral(f", {site['connection_kv']:g} kV") if is_known(site["connection_kv"]) else ""
    return f"{_distance(site['line_distance_m'])}{kv}"


# The substation whose free capacity counts; None without one.
def _substation(site):
    if not site["substation_id"]:
        return None
    distance = amount(site["substation_distance_m"], "m", 0)
    parts = [_cell(site["substation_id"]), say("{distance} in a straight line", distance=distance)]
    if is_known(site["substation_free_kw"]):
        left_kw, free = site["substation_left_kw"], amount(site["substation_free_kw"], "kW")
        if left_kw >= 0:
            text, rest = "{free} free, with this and better sites {rest} left", left_kw
        else:
            text, rest = "{free} free, with this and better sites exceeded by {rest}", -left_kw
        parts.append(say(text, free=free, rest=amount(rest, "kW")))
    else:
        parts.append(say("free capacity not known"))
    return "; ".join(parts)


# Classes of owners at both ends and along the conduit; None without parcels.
def _owners(site):
    parts = [
        f"{place}: {_cell(site[column])}"
        for place, column in (
            (say("intake"), "intake_owner"),
            (say("conduit"), "conduit_owner"),
            (say("tailrace"), "tailrace_owner"),
        )
        if site[column]
    ]
    return "; ".join(part.replace("; ", ", ") for part in parts) or None


# Water bodies that the site uses, each with its status; None without the layer.
def _water_body(site):
    if not site["water_body_id"]:
        return None
    return _cell(_water_bodies_in_full(site))


def _water_bodies_in_full(site):
    ids = site["water_body_id"].split(IN_ONE_CELL)
    statuses = site["water_body_status"].split(IN_ONE_CELL) if site["water_body_status"] else [""] * len(ids)
    return "; ".join(f"{body} ({status})" if status else body for body, status in zip(ids, statuses, strict=True))


def _distance(metres):
    if not is_known(metres):
        return say(NOT_KNOWN)
    return say("{distance} from the tailrace in a straight line", distance=amount(metres, "m", 0))


# Distance, bank and relative level of the nearest road, in words.
def _road(site):
    if not is_known(site["road_distance_m"]):
        return say(NOT_KNOWN)
    parts = [_distance(site["road_distance_m"]), say(BANKS.get(site["road_bank"], "bank not known"))]
    climb_m = site["road_climb_m"]
    if not is_known(climb_m):
        parts.append(say("height difference not known"))
    elif abs(climb_m) < LEVEL_WITHIN_M:
        parts.append(say("powerhouse level with the road"))
    else:
        side = "powerhouse {height} below the road" if climb_m < 0 else "powerhouse {height} above the road"
        parts.append(say(side, height=f"{abs(climb_m):.0f} m"))
    return "; ".join(parts)


# Texts that were cut in title and tables.
def _in_full(site, stream):
    for label, text, longest in (
        ("Stream", stream, LONGEST_NAME),
        ("Site", site["site_id"], LONGEST_ID),
        ("District", site["district"], LONGEST_NAME),
        ("Turbine", site["turbine"], LONGEST_CELL),
        ("Flow source", site["flow_source"], LONGEST_CELL),
        ("Settlement", site["settlement"], LONGEST_CELL),
        ("Existing structure", site["structure_id"], LONGEST_CELL),
        ("Water body", _water_bodies_in_full(site), LONGEST_CELL),
    ):
        if is_known(text) and len(str(text)) > longest:
            yield label, str(text)
