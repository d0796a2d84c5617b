"""The region on the page: tables by verdict, rule, district and stream, and their sources."""

import itertools

import numpy as np

from sitefinder.report.decisions import why_not_applied
from sitefinder.report.languages import day, labels, numeral, phrases, plural, say
from sitefinder.report.page.figures import (
    DASH,
    Cell,
    Folded,
    Heading,
    amount,
    amount_cell,
    bar_cell,
    figure_cell,
    interval_cell,
    meaning_of,
    percent,
    short_money,
    table,
    text_cell,
    unit_of,
)
from sitefinder.report.table_texts import from_table
from sitefinder.report.text import is_missing, money_figure, plain
from sitefinder.schema.arrays import records_of
from sitefinder.units import (
    METRES_PER_KILOMETRE,
    WATTS_PER_KILOWATT,
)
from sitefinder.vocabulary import (
    ACTIONS,
    DECISIONS,
    EVIDENCE_GRADES,
    FISH_SAFETIES,
    FLAGS,
    REJECTION_REASONS,
    VERDICTS,
    named,
    names,
    split_flags,
)

WATT_HOURS_PER_MEGAWATT_HOUR = 1.0e6
# Steps of the cascade that are shown although they affect no reach.
ALWAYS_SHOWN = ("everything", "open")
QUANTITIES = {
    "head_m": ("Gross head", "m"),
    "flow_mean_m3s": ("Mean flow", "m³/s"),
    "area_km2": ("Catchment", "km²"),
    "theoretical_kw": ("Gross theoretical potential", "kW"),
    "power_kw": ("Installed capacity", "kW"),
    "energy_mwh": ("Mean annual energy", "MWh/yr"),
}
DIGEST_DIGITS = 12
NOT_STATED = "not stated"


def region_tables(handover):
    """Tables of the region, from verdicts to rejection reasons.

    Parameters
    ----------
    handover : sitefinder.report.handover.Handover

    Returns
    -------
    dict
        ``before`` and ``after`` the supply curve: lists of tables, lists of tables side by side, and sentences.
    """
    tables, currency = handover.tables, handover.currency
    after = []
    if "totals" in tables:
        totals = tables["totals"]
        scopes = ("district", "outside districts")
        if totals["scope"].isin(scopes).any():
            after.append(_totals_table(totals, scopes, say("Totals by district"), currency, "districts"))
        after.append(_totals_table(totals, ("stream",), say("Totals by stream"), currency, "streams"))
    elif len(tables["districts"]):
        after.append(_districts_table(tables["districts"], currency))
    if "water_bodies" in tables and len(tables["water_bodies"]):
        after.append(_water_bodies_table(tables["water_bodies"]))
    if "substations" in tables and len(tables["substations"]):
        after.append(_substations_table(tables["substations"]))
    if "decisions" in tables and len(tables["decisions"]):
        after.append(_decisions_table(tables["decisions"]))
    if "cumulative_limits" in tables and len(tables["cumulative_limits"]):
        after.append(_limits_table(tables["cumulative_limits"]))
    if "sites_by_price" in tables and len(tables["sites"]):
        after.append(_price_table(tables["sites_by_price"], currency))
    if len(tables["fish_safe_gain"]):
        after.append(_fish_safe_table(tables["fish_safe_gain"]))
    if passage := passage_survival(tables["streams"]):
        after.append(passage)
    if "distributions" in tables:
        folded = say("Distributions of reaches and sites")
        after.append(Folded(folded, [_distribution_tables(tables["distributions"])]))
    if len(tables["minimum_heads"]):
        after.append(_resolvable_heads_table(tables["minimum_heads"]))
    after.append(_rejection_table(tables["reaches"]))
    return {
        "before": [_verdict_table(tables["reaches"]), _cascade_table(tables["screening_cascade"])],
        "after": after,
    }


def _verdict_table(reaches):
    total_m = reaches["length_m"].sum()
    rows = []
    for verdict in reversed(VERDICTS):
        lengths = reaches.loc[reaches["verdict"] == verdict.name, "length_m"]
        if len(lengths):
            length_m = lengths.sum()
            rows.append(
                [
                    Cell("text", say(verdict.name), title=say(verdict.phrase)),
                    figure_cell(str(len(lengths)), len(lengths)),
                    figure_cell(amount(length_m / METRES_PER_KILOMETRE), length_m),
                    bar_cell((length_m / total_m if total_m > 0 else 0.0, "keep")),
                    say(verdict.phrase),
                ]
            )
    heads = ["verdict", "reaches", "length [km]", "", "meaning"]
    return table(say("Reaches by verdict"), heads, rows, identity="verdicts")


# Every decision, with what it did, or why it does not apply.
def _decisions_table(decisions):
    rows = []
    for row in decisions.to_dict("records"):
        says = labels(DECISIONS)[row["decision"]] + (f": {row['scheme_type']}" if row["scheme_type"] else "")
        author, date, until = plain(row["author"]), day(row["date"]), row["valid_until"]
        by = (
            say("{author}, {date} to {until}", author=author, date=date, until=day(until))
            if until
            else f"{author}, {date}"
        )
        admitted, excluded = row["admitted"], row["excluded"]
        did = say("admits {admitted}, excludes {excluded} candidates", admitted=admitted, excluded=excluded)
        if row["rules_lifted"]:
            did += say("; lifts {rules}", rules=plain(row["rules_lifted"]))
        rows.append(
            [
                text_cell(plain(row["decision_id"])),
                text_cell(says),
                text_cell(plain(row["reach_id"] or row["stated_reach_id"])),
                text_cell(by),
                text_cell(plain(row["justification"])),
                text_cell(did if row["applied"] else say("not applied")),
                text_cell(plain(why_not_applied(row))),
                text_cell(plain(row["site_ids"])),
            ]
        )
    heads = ["decision", "says", "reach", "by", "justification", "did", "remark", "sites"]
    return table(say("Decisions"), heads, rows, kind="words", identity="decisions")


# The screening cascade: from everything measured down to what is open.
def _cascade_table(screening_cascade):
    region = (screening_cascade["scope"] == "region") & (screening_cascade["way"] == "in order")
    shown = (screening_cascade["affected_reaches"] > 0) | screening_cascade["kind"].isin(ALWAYS_SHOWN)
    steps = screening_cascade[region & shown].sort_values("step")
    total_mw = steps["remaining_mw"].max() if len(steps) else 0.0
    action_labels = labels(ACTIONS)
    rows = []
    for step in steps.itertuples():
        action = action_labels.get(step.action, str(step.action or "").replace("_", " "))
        name = f"{step.rule} ({action})" if step.rule else say(step.kind)
        remaining, excluded = (
            value / total_mw if total_mw > 0 else 0.0 for value in (step.remaining_mw, step.excluded_mw)
        )
        rows.append(
            [
                name,
                figure_cell(str(step.affected_reaches), step.affected_reaches),
                figure_cell(str(step.excluded_reaches), step.excluded_reaches),
                amount_cell(step.excluded_mw),
                amount_cell(step.remaining_mw),
                amount_cell(step.remaining_gwh),
                bar_cell((remaining, "keep"), (excluded, "lose")),
            ]
        )
    columns = {
        "affected_reaches": "reaches affected",
        "excluded_reaches": "reaches excluded",
        "excluded_mw": "excluded [MW]",
        "remaining_mw": "remaining [MW]",
        "remaining_gwh": "remaining [GWh/yr]",
    }
    meanings = [Heading(head, meaning_of("screening_cascade", name)) for name, head in columns.items()]
    return table(
        say("Screening cascade of the gross theoretical potential"),
        ["step", *meanings, "remaining (dark) and excluded (light)"],
        rows,
        identity="cascade",
    )


# Totals by district or stream from layer ``totals``, with intervals.
def _totals_table(totals, scopes, caption, currency, identity):
    rows = totals[totals["scope"].isin(scopes)].sort_values("energy_wh", ascending=False, kind="stable")
    maximum = rows["energy_mwh_p10"].max() if len(rows) else 0.0
    cells = [
        [
            row.name if row.name else say({"stream": "streams without a name"}.get(row.scope, row.scope)),
            figure_cell(amount(row.length_m / METRES_PER_KILOMETRE), row.length_m),
            figure_cell(amount(row.open_m / METRES_PER_KILOMETRE), row.open_m),
            amount_cell(row.theoretical_w, WATTS_PER_KILOWATT),
            *_of_sites(
                row, row.power_w / WATTS_PER_KILOWATT, row.energy_wh / WATT_HOURS_PER_MEGAWATT_HOUR, maximum
            ),
            figure_cell(amount(row.depleted_m / METRES_PER_KILOMETRE), row.depleted_m),
            figure_cell(str(row.new_barriers), row.new_barriers),
        ]
        for row in rows.itertuples()
    ]
    heads = [*_total_headings(scopes[0], currency), "depleted [km]", "new barriers"]
    return table(caption, heads, cells, identity=identity)


# What plants and sites do in each water body, those whose status must not fall first.
def _water_bodies_table(bodies):
    columns = {
        "length_m": "stream [km]",
        "diverted_m": "depleted [km]",
        "depleted_share": "depleted share",
        "plants": "existing plants",
        "sites": "sites",
        "sites_using": "sites that use it",
        "power_kw": "installed capacity [kW]",
        "energy_mwh": "mean annual energy [MWh/yr]",
        "barriers": "barriers",
        "new_barriers": "new barriers",
    }
    ordered = bodies.sort_values(["must_not_fall", "diverted_m"], ascending=False, kind="stable")
    rows = []
    for row in records_of(ordered):
        cells = {name: figure_cell(str(row[name]), row[name]) for name in columns}
        cells |= {name: amount_cell(row[name]) for name in ("power_kw", "energy_mwh")}
        cells |= {
            name: figure_cell(amount(row[name] / METRES_PER_KILOMETRE), row[name])
            for name in ("length_m", "diverted_m")
        }
        cells["depleted_share"] = figure_cell(percent(row["depleted_share"]), row["depleted_share"])
        status = plain(row["status"]) or say("not stated")
        name = plain(row["name"] or row["water_body_id"])
        status = text_cell(say("{status}, must not fall", status=status) if row["must_not_fall"] else status)
        rows.append([name, status, *cells.values()])
    meanings = [Heading(say(head), meaning_of("water_bodies", name)) for name, head in columns.items()]
    heads = [say("water body"), say("status"), *meanings]
    return table(say("Totals by water body"), heads, rows, identity="water-bodies")


# Substations with a site, those that are exceeded most first.
def _substations_table(substations):
    columns = {
        "free_kw": "free capacity [kW]",
        "sites": "sites",
        "power_kw": "installed capacity [kW]",
        "left_kw": "left [kW]",
        "sites_beyond": "sites beyond it, by rank",
    }
    used = substations[substations["sites"] > 0].sort_values("left_kw", kind="stable")
    rows = []
    for row in records_of(used):
        cells = {name: amount_cell(row[name]) for name in columns}
        cells |= {name: figure_cell(str(row[name]), row[name]) for name in ("sites", "sites_beyond")}
        voltages = numeral(plain(row["voltages_kv"].replace(";", " / "))) or say("not stated")
        rows.append([plain(row["name"] or row["substation_id"]), text_cell(voltages), *cells.values()])
    meanings = [Heading(say(head), meaning_of("substations", name)) for name, head in columns.items()]
    heads = [say("substation"), say("voltage [kV]"), *meanings]
    return table(say("Substations"), heads, rows, identity="substations")


# Totals by district from layer ``districts``, if there is no layer ``totals``.
def _districts_table(districts, currency):
    maximum = districts["energy_mwh_p10"].max()
    cells = [
        [
            row.district or say("outside all districts"),
            amount_cell(row.reach_length_km),
            amount_cell(row.open_length_km),
            amount_cell(row.theoretical_kw),
            *_of_sites(row, row.power_kw, row.energy_mwh, maximum),
        ]
        for row in districts.itertuples()
    ]
    return table(say("Totals by district"), _total_headings("district", currency), cells, identity="districts")


def _total_headings(scope, currency):
    return [
        scope,
        "stream [km]",
        "open or restricted [km]",
        "gross theoretical potential [kW]",
        "sites",
        "installed capacity [kW]",
        "mean annual energy [MWh/yr]",
        "P90 [MWh/yr]",
        "P10 [MWh/yr]",
        "P90 to P10 of energy",
        f"LCOE [{short_money(currency)}/kWh]",
        "P10 to P90 of LCOE",
    ]


def _of_sites(row, power_kw, energy_mwh, maximum):
    known = not is_missing(row.lcoe_per_kwh)
    low, high = amount(row.lcoe_per_kwh_p10), amount(row.lcoe_per_kwh_p90)
    interval = say("{low} to {high}", low=low, high=high) if known else DASH
    return [
        figure_cell(str(row.sites), row.sites),
        amount_cell(power_kw),
        amount_cell(energy_mwh),
        amount_cell(row.energy_mwh_p90),
        amount_cell(row.energy_mwh_p10),
        interval_cell(row.energy_mwh_p90, row.energy_mwh_p50, row.energy_mwh_p10, maximum if row.sites else 0.0),
        amount_cell(row.lcoe_per_kwh),
        figure_cell(interval, row.lcoe_per_kwh_p10),
    ]


# What each cumulative limit costs.
def _limits_table(limits):
    columns = {
        "setting": "setting",
        "sites_without": "sites without it",
        "energy_without_mwh": "mean annual energy without it [MWh/yr]",
        "energy_lost_mwh": "energy lost by it [MWh/yr]",
        "gap_without_share": "gap to an upper bound",
    }
    rows = []
    for row in records_of(limits):
        cells = {name: amount_cell(row[name]) for name in columns}
        cells["sites_without"] = figure_cell(str(row["sites_without"]), row["sites_without"])
        cells["gap_without_share"] = figure_cell(percent(row["gap_without_share"]), row["gap_without_share"])
        rows.append([say(row["limit"]), *cells.values()])
    meanings = [Heading(head, meaning_of("cumulative_limits", name)) for name, head in columns.items()]
    return table(say("Cost of the cumulative limits"), ["limit", *meanings], rows, identity="limits")


# What of the selected sites pays at other prices.
def _price_table(by_price, currency):
    columns = {
        "price_per_kwh": "price",
        "sites": "sites that pay",
        "power_kw": "installed capacity",
        "energy_mwh": "mean annual energy",
        "capital_cost": "capital cost",
        "npv": "net present value",
        "npv_of_all": "net present value of all sites",
    }
    rows = []
    for row in records_of(by_price):
        cells = {name: amount_cell(row[name]) for name in columns}
        cells["sites"] = figure_cell(str(row["sites"]), row["sites"])
        for name in ("capital_cost", "npv", "npv_of_all"):
            cells[name] = figure_cell(money_figure(row[name]), row[name])
        rows.append([numeral(f"{row['price_factor']:g} ×"), *cells.values()])
    units = {name: unit_of("sites_by_price", name, currency) for name in columns}
    meanings = [
        Heading(f"{head} [{units[name]}]" if units[name] else head, meaning_of("sites_by_price", name))
        for name, head in columns.items()
    ]
    title = say("Selected sites at other prices (sites and sizes as at the price of the settings)")
    return table(title, ["price of the settings", *meanings], rows, identity="by-price")


# Gain from fish-safe turbines, by the evidence that counts; all districts together.
def _fish_safe_table(gain):
    columns = {
        "only_safe_length_km": "stream open to fish-safe turbines only [km]",
        "only_safe_theoretical_kw": "gross theoretical potential there [kW]",
        "sites_only_safe": "sites there",
        "energy_only_safe_mwh": "mean annual energy there [MWh/yr]",
        "energy_mwh": "mean annual energy of all sites [MWh/yr]",
        "energy_any_mwh": "mean annual energy without fish-safe turbines [MWh/yr]",
        "gain_mwh": "gain [MWh/yr]",
    }
    rows = []
    bars = sorted(gain["bar_change"].unique(), key=lambda change: (change != 0.0, change))
    graded = _grades_counted()
    for question, evidence, bar_change in itertools.product(labels(FISH_SAFETIES), graded, bars):
        own = (gain["question"] == question) & (gain["evidence"] == evidence) & (gain["bar_change"] == bar_change)
        if own.any():
            sums = gain.loc[own, list(columns)].sum()
            words = graded[evidence]
            if gain.loc[own, "as_set"].any():
                words = say("{grades} (as in the settings)", grades=words)
            cells = {name: amount_cell(sums[name]) for name in columns}
            number = int(sums["sites_only_safe"])
            cells["sites_only_safe"] = figure_cell(str(number), number)
            bar = numeral(f"{bar_change:+.2f}") if bar_change else say("as stated")
            rows.append([labels(FISH_SAFETIES)[question], words, bar, *cells.values()])
    meanings = [Heading(head, meaning_of("fish_safe_gain", name)) for name, head in columns.items()]
    heads = ["rules ask for turbines", "evidence that counts", "bar of survival", *meanings]
    return table(say("Gain from fish-safe turbines"), heads, rows, identity="fish-safe")


# Grades of evidence with those that count with them: the stronger ones; with the weakest, everything counts.
def _grades_counted():
    *grades, weakest = [grade.name for grade in EVIDENCE_GRADES]
    label = labels(EVIDENCE_GRADES)
    either = say(" or ")
    counted = {name: either.join(label[each] for each in grades[: at + 1]) for at, name in enumerate(grades)}
    return counted | {weakest: say("any, with or without evidence")}


def passage_survival(streams):
    """Passage survival on the least favourable route, as a sentence; empty without a spawning ground."""
    known = streams[streams["min_survival"].notna()]
    if not len(known):
        return ""
    worst = known.loc[known["min_survival"].astype(float).idxmin()]
    name = f" ({worst['stream']})" if worst["stream"] else ""
    start = "Cumulative downstream passage survival on the least favourable route from a spawning ground to the "
    return plural(
        start + "outlet{stream}: {share}, past {number} plant.",
        start + "outlet{stream}: {share}, past {number} plants.",
        int(worst["plants_on_migration_path"]),
        stream=name,
        share=percent(worst["min_survival"]),
    )


# Distributions of reaches, by length, and of sites, as bars.
def _distribution_tables(distributions):
    tables = []
    ordered = distributions.sort_values("bin", kind="stable", ignore_index=True)
    # A class of its own for the rows of each quantity would cost as much as all else here.
    named = list(ordered.itertuples())
    for (quantity, of), rows in ordered.groupby(["quantity", "of"], sort=False):
        name, unit = QUANTITIES.get(quantity, (quantity.replace("_", " "), ""))
        by_length = of == "reaches"
        values = rows["length_m"] / METRES_PER_KILOMETRE if by_length else rows["number"]
        maximum = values.max() if len(values) else 0
        # Empty classes before the first and after the last with something in it say nothing.
        filled = np.flatnonzero(rows["number"].to_numpy() > 0)
        kept = slice(filled[0], filled[-1] + 1) if len(filled) else slice(0, 0)
        cells = []
        for row, value in zip((named[place] for place in rows.index[kept]), values.iloc[kept], strict=True):
            figures = [figure_cell(str(row.number), row.number)]
            if by_length:
                figures.append(figure_cell(amount(value), row.length_m))
            cells.append([_class(row), *figures, bar_cell((value / maximum if maximum else 0.0, "keep"))])
        heads = [f"{name} [{unit}]" if unit else name, of, *(["length [km]"] if by_length else []), ""]
        caption = say("{quantity} of reaches" if by_length else "{quantity} of sites", quantity=say(name))
        tables.append(table(caption, heads, cells))
    return tables


def _class(row):
    if is_missing(row.to_value):
        return say("{low} and more", low=numeral(f"{row.from_value:g}"))
    if is_missing(row.from_value):
        return say("below {high}", high=numeral(f"{row.to_value:g}"))
    return say("{low} to {high}", low=numeral(f"{row.from_value:g}"), high=numeral(f"{row.to_value:g}"))


# Minimum head that can be distinguished from level water.
def _resolvable_heads_table(heads):
    rows = [
        [
            amount(row.length_m, "m"),
            amount_cell(row.min_head_m),
            amount_cell(row.min_head_p90_m),
        ]
        for row in heads.itertuples()
    ]
    headings = [
        "length of stretch",
        Heading("median [m]", meaning_of("minimum_heads", "min_head_m")),
        Heading("90th percentile [m]", meaning_of("minimum_heads", "min_head_p90_m")),
    ]
    caption = say("Minimum resolvable head of the DEM")
    return table(caption, headings, rows, identity="resolvable-heads")


# Rejection reasons of reaches, by length.
def _rejection_table(reaches):
    idle = reaches[reaches["rejection_reason"] != ""]
    groups = idle.groupby("rejection_reason")["length_m"].agg(["count", "sum"])
    groups = groups.sort_values("sum", ascending=False, kind="stable")
    maximum = groups["sum"].max() if len(groups) else 0.0
    meanings = phrases(REJECTION_REASONS)
    rows = [
        [
            Cell("text", say(because), title=meanings.get(because, "")),
            figure_cell(str(row["count"]), row["count"]),
            figure_cell(amount(row["sum"] / METRES_PER_KILOMETRE), row["sum"]),
            bar_cell((row["sum"] / maximum if maximum > 0 else 0.0, "lose")),
            meanings.get(because, ""),
        ]
        for because, row in groups.to_dict("index").items()
    ]
    heads = [
        Heading("rejection reason", meaning_of("reaches", "rejection_reason")),
        "reaches",
        "length [km]",
        "",
        "meaning",
    ]
    return table(say("Rejection reasons of reaches without a site"), heads, rows, identity="rejections")


def inputs_table(provenance):
    """Every input with its edition and licence."""
    inputs = provenance[provenance["kind"] == "input"]
    rows = [
        [
            row.name,
            row.value,
            *(_stated(each) for each in (row.source, day(row.date), row.licence)),
            from_table(row.note),
            "" if is_missing(row.digest) else str(row.digest)[:DIGEST_DIGITS],
        ]
        for row in inputs.itertuples(index=False)
    ]
    heads = ["input", "file", "source", "date", "licence", "as read", "SHA-256 (first 12)"]
    return table(say("Inputs, with their editions and licences"), heads, rows, "words", "inputs-table")


# What the user states of an input, or that nothing is stated.
def _stated(text):
    return say(NOT_STATED) if text in ("", NOT_STATED) else text


def equations(provenance, delivered):
    """The flow equations, with their ranges if these are delivered.

    Parameters
    ----------
    provenance : DataFrame
    delivered : DataFrame or None
        Layer ``flow_equations``.

    Returns
    -------
    dict
        ``table`` (None without equations) and ``common``, the entries that all of them share.
    """
    rows = provenance[(provenance["kind"] == "setting") & provenance["name"].str.startswith("equation ")]
    if delivered is not None and len(delivered):
        texts = delivered.apply(lambda column: column.map(_short))
        alike = [name for name in texts.columns if len(texts) > 1 and texts[name].nunique() == 1]
        common = [(say(name.replace("_", " ")), texts[name].iloc[0]) for name in alike if texts[name].iloc[0]]
        shown = [name for name in texts.columns if name not in alike]
        heads = [Heading(name.replace("_", " "), meaning_of("flow_equations", name)) for name in shown]
        cells = texts[shown].to_numpy().tolist()
        return {
            "table": table(say("Flow equations and their ranges"), heads, cells, "words", "equations-table"),
            "common": "; ".join(f"{name}: {value}" for name, value in common),
            "ranges": True,
        }
    if not len(rows):
        return {"table": None, "common": "", "ranges": False}
    cells = [
        [row.name.removeprefix("equation ").replace("_", " "), row.source, row.value] for row in rows.itertuples()
    ]
    caption = say("Flow statistics and the sources of their equations")
    listed = table(caption, ["statistic", "source", "note"], cells, "words", "equations-table")
    return {"table": listed, "common": "", "ranges": False}


# A cell of a table with numbers and texts.
def _short(value):
    if is_missing(value):
        return ""
    return numeral(f"{value:.6g}") if isinstance(value, float) else str(value)


def assumptions(provenance):
    """Every setting that affects results: (summary, table) of each section, and the code digests of the stages."""
    settings = provenance[(provenance["kind"] == "setting") & ~provenance["name"].str.startswith("equation ")]
    sections = settings["name"].str.partition(".")[0].str.partition("[")[0]
    folded = []
    for section, rows in settings.groupby(sections, sort=False):
        cells = rows[["name", "value", "source"]].to_numpy(dtype=object).tolist()
        listed = table(say("Settings: {section}", section=section), ["setting", "value", "source"], cells, "words")
        folded.append((f"{section} ({len(rows)})", listed))
    stages = provenance[provenance["kind"] == "stage"]
    return folded, ", ".join(f"{row.name} {row.value}" for row in stages.itertuples())


def quality(reaches, sites, repairs):
    """Data-quality flags of reaches and sites, and repairs of the inputs.

    Returns
    -------
    dict
        ``flags`` and ``repairs``, tables or None, and ``summary`` of the repairs.
    """
    on_reaches, on_sites, length_m = {}, {}, {}
    for flags, length in zip(reaches["flags"], reaches["length_m"], strict=True):
        for name, _ in split_flags(flags):
            on_reaches[name] = on_reaches.get(name, 0) + 1
            length_m[name] = length_m.get(name, 0.0) + length
    for flags in sites["flags"]:
        for name, _ in split_flags(flags):
            on_sites[name] = on_sites.get(name, 0) + 1
    declared = names(FLAGS)
    found = {*on_reaches, *on_sites}
    order = [name for name in declared if name in found] + sorted(found - set(declared))
    rows = [
        [
            say(named(FLAGS, name).phrase) if name in declared else name,
            text_cell(name),
            figure_cell(str(on_reaches.get(name, 0)), on_reaches.get(name, 0)),
            figure_cell(numeral(f"{length_m.get(name, 0.0) / METRES_PER_KILOMETRE:.1f}"), length_m.get(name, 0.0)),
            figure_cell(str(on_sites.get(name, 0)), on_sites.get(name, 0)),
        ]
        for name in order
    ]
    heads = ["meaning", "flag", "reaches", "length [km]", "sites"]
    flags = table(say("Data-quality flags"), heads, rows, identity="flags-table") if rows else None
    if not len(repairs):
        return {"flags": flags, "repairs": None, "summary": ""}
    kinds = len(repairs[["layer", "problem"]].drop_duplicates())
    cells = [
        [row.layer, row.feature, from_table(row.problem), from_table(row.action)] for row in repairs.itertuples()
    ]
    listed = table(say("Repairs"), ["input", "feature", "problem", "action"], cells, "words", "repairs-table")
    summary = plural(
        "{number} repair or doubt in the inputs, of {kinds}",
        "{number} repairs and doubts in the inputs, of {kinds}",
        len(repairs),
        kinds=plural("{number} kind", "{number} kinds", kinds),
    )
    return {"flags": flags, "repairs": listed, "summary": summary}
