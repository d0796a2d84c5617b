"""The region in HTML: headline totals, waterfall, districts and streams, fish-safe machines, distributions."""

from sitefinder.report.page.markup import Cell, bar_cell, figure_cell, interval_cell, table
from sitefinder.report.page.words import (
    VERDICT_MEANING,
    amount,
    is_missing,
    meaning_of,
    percent,
    safe,
    short_money,
)
from sitefinder.report.text_tables import careful, counted, plain, power
from sitefinder.schema import VERDICTS, has_flag
from sitefinder.units import (
    KILOWATTS_PER_MEGAWATT,
    MEGAWATT_HOURS_PER_GIGAWATT_HOUR,
    METRES_PER_KILOMETRE,
    WATTS_PER_KILOWATT,
)

WATT_HOURS_PER_MEGAWATT_HOUR = 1.0e6
# Steps of the waterfall that are told although they concern no reach.
ALWAYS_TOLD = ("everything", "open")
QUANTITIES = {
    "head_m": ("Head", "m"),
    "flow_mean_m3s": ("Mean flow", "m³/s"),
    "area_km2": ("Catchment", "km²"),
    "theoretical_kw": ("Theoretical potential", "kW"),
    "power_kw": ("Power", "kW"),
    "energy_mwh": ("Energy", "MWh/yr"),
}
EVIDENCE_WORDS = {"tested": "tested on fish", "claimed": "tested or claimed", "none": "any, also without evidence"}


def headline(handover):
    """The totals that are read first, as a list of figures."""
    sites, reaches = handover.tables["sites"], handover.tables["reaches"]
    free = reaches["verdict"].isin(["open", "restricted"])
    summed = reaches["theoretical_kw"].notna()
    if not handover.counts_unresolved:
        summed &= ~has_flag(reaches["flags"], "head_unresolved")
    potential_mw = reaches.loc[summed & free, "theoretical_kw"].sum() / KILOWATTS_PER_MEGAWATT
    energy_gwh = sites["energy_mwh"].sum() / MEGAWATT_HOURS_PER_GIGAWATT_HOUR
    length_km = reaches["length_m"].sum() / METRES_PER_KILOMETRE
    interval = careful(handover.energy_p90_mwh, handover.energy_p50_mwh, handover.energy_p10_mwh)
    figures = [
        ("sites", counted(len(sites), "site", "sites"), len(sites), "ranked, none overlaps another"),
        (
            "power",
            power(sites["power_kw"].sum()).replace(" ", "\u00a0"),
            sites["power_kw"].sum(),
            "rated, all sites together",
        ),
        (
            "energy",
            amount(energy_gwh, "GWh/yr"),
            sites["energy_mwh"].sum(),
            f"of a mean year; {interval}",
        ),
        ("streams", amount(length_km, "km"), reaches["length_m"].sum(), f"of stream in {len(reaches)} reaches"),
        (
            "potential",
            amount(potential_mw, "MW"),
            potential_mw,
            "theoretical, on open or restricted reaches: gross head and mean flow, no machine",
        ),
    ]
    told = "".join(
        f'<div><dt>{safe(note)}</dt><dd data-name="{name}" data-v="{float(value)!r}">{safe(text)}</dd></div>'
        for name, text, value, note in figures
    )
    return f'<dl class="headline">{told}</dl>'


def verdict_table(reaches):
    """Reaches and their length by verdict."""
    whole_m = reaches["length_m"].sum()
    rows = []
    for verdict in reversed(VERDICTS):
        lengths = reaches.loc[reaches["verdict"] == verdict, "length_m"]
        if len(lengths):
            length_m = lengths.sum()
            rows.append(
                [
                    Cell(f'<th scope="row" title="{safe(VERDICT_MEANING[verdict])}">{verdict}</th>'),
                    figure_cell(str(len(lengths)), len(lengths)),
                    figure_cell(amount(length_m / METRES_PER_KILOMETRE), length_m),
                    bar_cell((length_m / whole_m, "keep")),
                    VERDICT_MEANING[verdict],
                ]
            )
    return table(
        "Reaches by verdict",
        ["verdict", "reaches", "length [km]", "", "what it means"],
        rows,
        "figures",
        "verdicts",
    )


def waterfall_table(waterfall):
    """The region's steps from everything measured down to what is open."""
    region = (waterfall["scope"] == "region") & (waterfall["way"] == "in order")
    told = (waterfall["met_reaches"] > 0) | waterfall["kind"].isin(ALWAYS_TOLD)
    steps = waterfall[region & told].sort_values("step")
    whole = steps["left_mw"].max() if len(steps) else 0.0
    rows = []
    for step in steps.itertuples():
        name = f"{step.rule} ({step.action.replace('_', ' ')})" if step.rule else step.kind
        left, barred = (value / whole if whole > 0 else 0.0 for value in (step.left_mw, step.barred_mw))
        rows.append(
            [
                name,
                figure_cell(str(step.met_reaches), step.met_reaches),
                figure_cell(str(step.barred_reaches), step.barred_reaches),
                figure_cell(amount(step.barred_mw), step.barred_mw),
                figure_cell(amount(step.left_mw), step.left_mw),
                figure_cell(amount(step.left_gwh), step.left_gwh),
                bar_cell((left, "keep"), (barred, "lose")),
            ]
        )
    names = ("met_reaches", "barred_reaches", "barred_mw", "left_mw", "left_gwh")
    heads = ("reaches met", "reaches barred", "barred [MW]", "left [MW]", "left [GWh/yr]")
    meanings = [(head, meaning_of("waterfall", name)) for head, name in zip(heads, names, strict=True)]
    return table(
        "From everything measured to what is open: theoretical potential, step by step",
        ["step", *meanings, "left (full) and barred (hatched)"],
        rows,
        "figures",
        "waterfall",
    )


def totals_table(totals, scopes, caption, currency, identity):
    """Totals by district or stream from layer ``totals``, with intervals."""
    rows = totals[totals["scope"].isin(scopes)].copy()
    rows = rows.sort_values("energy_wh", ascending=False, kind="stable")
    most = rows["energy_mwh_p10"].max() if len(rows) else 0.0
    cells = []
    for row in rows.itertuples():
        name = row.name if row.name else {"stream": "streams without a name"}.get(row.scope, row.scope)
        cells.append(
            [
                name,
                figure_cell(amount(row.length_m / METRES_PER_KILOMETRE), row.length_m),
                figure_cell(amount(row.open_m / METRES_PER_KILOMETRE), row.open_m),
                figure_cell(
                    amount(row.theoretical_w / WATTS_PER_KILOWATT), row.theoretical_w / WATTS_PER_KILOWATT
                ),
                *_of_sites(
                    row, row.power_w / WATTS_PER_KILOWATT, row.energy_wh / WATT_HOURS_PER_MEGAWATT_HOUR, most
                ),
            ]
        )
    return table(caption, _total_headings(scopes[0], currency), cells, "figures", identity)


def districts_table(districts, currency):
    """Totals by district from layer ``districts``, where layer ``totals`` is not there."""
    most = districts["energy_mwh_p10"].max() if len(districts) else 0.0
    cells = [
        [
            row.district or "outside all districts",
            figure_cell(amount(row.reach_length_km), row.reach_length_km),
            figure_cell(amount(row.open_length_km), row.open_length_km),
            figure_cell(amount(row.theoretical_kw), row.theoretical_kw),
            *_of_sites(row, row.power_kw, row.energy_mwh, most),
        ]
        for row in districts.itertuples()
    ]
    return table("Totals by district", _total_headings("district", currency), cells, "figures", "districts")


def _total_headings(scope, currency):
    return [
        scope,
        "stream [km]",
        "open or restricted [km]",
        "theoretical [kW]",
        "sites",
        "power [kW]",
        "energy [MWh/yr]",
        "P90 [MWh/yr]",
        "P10 [MWh/yr]",
        "P90 to P10 of energy",
        f"cost [{short_money(currency)}/kWh]",
        "P10 to P90 of cost",
    ]


def _of_sites(row, power_kw, energy_mwh, most):
    cost = (
        f"{amount(row.cost_per_kwh_p10)} to {amount(row.cost_per_kwh_p90)}"
        if not is_missing(row.cost_per_kwh)
        else "–"
    )
    return [
        figure_cell(str(row.sites), row.sites),
        figure_cell(amount(power_kw), power_kw),
        figure_cell(amount(energy_mwh), energy_mwh),
        figure_cell(amount(row.energy_mwh_p90), row.energy_mwh_p90),
        figure_cell(amount(row.energy_mwh_p10), row.energy_mwh_p10),
        interval_cell(row.energy_mwh_p90, row.energy_mwh_p50, row.energy_mwh_p10, most if row.sites else 0.0),
        figure_cell("–" if is_missing(row.cost_per_kwh) else amount(row.cost_per_kwh), row.cost_per_kwh),
        Cell(f'<td class="n">{safe(cost)}</td>'),
    ]


def fish_safe_table(gain):
    """What machines add that fish survive, by the evidence that counts; all districts together."""
    names = (
        "only_safe_length_km", "only_safe_theoretical_kw", "sites_only_safe", "energy_only_safe_mwh", "energy_mwh",
        "energy_any_mwh", "gain_mwh",
    )  # fmt: skip
    rows = []
    for evidence, words in EVIDENCE_WORDS.items():
        of_grade = gain[gain["evidence"] == evidence]
        if len(of_grade):
            sums = of_grade[list(names)].sum()
            chosen = " (as set for this run)" if of_grade["as_set"].any() else ""
            figures = [figure_cell(amount(sums[name]), sums[name]) for name in names]
            figures[2] = figure_cell(str(int(sums["sites_only_safe"])), sums["sites_only_safe"])
            rows.append([words + chosen, *figures])
    heads = (
        "only fish-safe machines may stand on [km]",
        "theoretical there [kW]",
        "sites there",
        "their energy [MWh/yr]",
        "all sites [MWh/yr]",
        "best set without fish-safe machines [MWh/yr]",
        "gain [MWh/yr]",
    )
    meanings = [(head, meaning_of("fish_safe_gain", name)) for head, name in zip(heads, names, strict=True)]
    return table("What fish-safe machines add", ["evidence that counts", *meanings], rows, "figures", "fish-safe")


def distribution_tables(distributions):
    """Bars of how many reaches, by length, and sites have which head and flow."""
    parts = []
    for (quantity, of), rows in distributions.sort_values("bin", kind="stable").groupby(
        ["quantity", "of"], sort=False
    ):
        name, unit = QUANTITIES.get(quantity, (quantity.replace("_", " "), ""))
        by_length = of == "reaches"
        values = rows["length_m"] / METRES_PER_KILOMETRE if by_length else rows["number"]
        most = values.max() if len(values) else 0
        cells = []
        for row, value in zip(rows.itertuples(), values, strict=True):
            figures = [figure_cell(str(row.number), row.number)]
            if by_length:
                figures.append(figure_cell(amount(value), row.length_m))
            cells.append([_bin(row), *figures, bar_cell((value / most if most else 0.0, "keep"))])
        heads = [f"{name} [{unit}]" if unit else name, of, *(["length [km]"] if by_length else []), ""]
        parts.append(table(f"{name} of {of}", heads, cells, "figures"))
    return '<div class="side">' + "".join(parts) + "</div>" if parts else ""


def _bin(row):
    if is_missing(row.to_value):
        return f"{row.from_value:g} and more"
    if is_missing(row.from_value):
        return f"under {row.to_value:g}"
    return f"{row.from_value:g} to {row.to_value:g}"


def least_heads_table(least_heads):
    """Below which head a stretch cannot be told from level water."""
    rows = [
        [
            amount(row.length_m, "m"),
            figure_cell(amount(row.least_head_m), row.least_head_m),
            figure_cell(amount(row.least_head_worst_m), row.least_head_worst_m),
        ]
        for row in least_heads.itertuples()
    ]
    heads = [
        "length of stretch",
        ("least head [m], median", meaning_of("least_heads", "least_head_m")),
        ("on the worst tenth [m]", meaning_of("least_heads", "least_head_worst_m")),
    ]
    return table("Least head that the elevation model resolves", heads, rows, "figures", "least-heads")


def not_offered_table(reaches):
    """Why reaches carry no site, by length."""
    idle = reaches[reaches["not_offered_because"] != ""]
    groups = idle.groupby("not_offered_because")["length_m"].agg(["count", "sum"])
    groups = groups.sort_values("sum", ascending=False, kind="stable")
    most = groups["sum"].max() if len(groups) else 0.0
    rows = [
        [
            because,
            figure_cell(str(row["count"]), row["count"]),
            figure_cell(amount(row["sum"] / METRES_PER_KILOMETRE), row["sum"]),
            bar_cell((row["sum"] / most if most > 0 else 0.0, "lose")),
        ]
        for because, row in groups.to_dict("index").items()
    ]
    heads = [("why", meaning_of("reaches", "not_offered_because")), "reaches", "length [km]", ""]
    return table("Why reaches carry no site", heads, rows, "figures", "not-offered")


def fish_way(streams):
    """How many fish come down alive on their worst way, in a sentence; empty where no spawning ground is told."""
    known = streams[streams["least_survival"].notna()]
    if not len(known):
        return ""
    worst = known.loc[known["least_survival"].astype(float).idxmin()]
    met = int(worst["plants_on_the_way"])
    name = f" (through {plain(worst['stream'])})" if worst["stream"] else ""
    return (
        f"On the worst way from a spawning ground to the outlet{name}, {percent(worst['least_survival'])} of fish "
        f"survive, past {met} {'plant' if met == 1 else 'plants'}."
    )
