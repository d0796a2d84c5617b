"""Existing structures in the printed summary: how many, the best, and why the others have no site."""

import textwrap

import pandas as pd

from sitefinder.report.handover import drops_of
from sitefinder.report.languages import plural, say, say_as
from sitefinder.report.text import (
    WIDTH,
    decimals,
    energy_interval,
    figure,
    gigawatt_hours,
    name_of,
    plain,
    power,
    rendered,
    text_table,
)
from sitefinder.siting.inventories import DIFFERENT, DOUBTFUL, LAYER
from sitefinder.units import KILOWATTS_PER_MEGAWATT, WATTS_PER_KILOWATT
from sitefinder.vocabulary import IN_ONE_CELL, ONLY_A_STEP, REMOVED

BEST_SHOWN, REASONS_SHOWN = 5, 6


def structures_text(structures, currency="", repairs=None):
    """What the existing structures could give.

    Parameters
    ----------
    structures : DataFrame
        As `sitefinder.schema` declares it.
    currency : str
        Of the costs, for example "EUR of 2024".
    repairs : DataFrame, optional
        As `sitefinder.schema` declares it: what inventories differ in is counted.

    Returns
    -------
    str
        Empty without structures. Steps that no structure explains are left out; what has been removed is no
        existing structure, and is counted among the reasons.
    """
    mapped = structures[structures["rejection_reason"] != ONLY_A_STEP.name]
    if not len(mapped):
        return ""
    there = int((mapped["rejection_reason"] != REMOVED.name).sum())
    chosen = int((mapped["site_id"] != "").sum())
    having = mapped[mapped["turbine"] != ""].sort_values(
        ["net_annual_value", "structure_id"], ascending=[False, True], kind="stable"
    )
    if not len(having):
        first = say("Existing structures: {mapped} mapped, none could carry a plant.", mapped=there)
    elif not chosen:
        text = (
            "Existing structures: {mapped} mapped, none has a site, {able} could carry a plant, whether or "
            "not it pays:"
        )
        first = say(text, mapped=there, able=len(having))
    else:
        end = "a site, {able} could carry a plant, whether or not it pays:"
        first = plural(
            "Existing structures: {mapped} mapped, {number} has " + end,
            "Existing structures: {mapped} mapped, {number} have " + end,
            chosen,
            mapped=there,
            able=len(having),
        )
    merged = merged_sentence(structures, repairs)
    parts = ["\n".join(textwrap.wrap(first, WIDTH))]
    if len(having):
        parts.append(_best(having.head(BEST_SHOWN), currency))
    parts += ["\n".join(textwrap.wrap(merged, WIDTH))] if merged else []
    others = mapped[(mapped["site_id"] == "") & ~mapped.index.isin(having.head(BEST_SHOWN).index)]
    if len(others):
        counts = others["rejection_reason"].value_counts().reset_index()
        counts = counts.sort_values(["count", "rejection_reason"], ascending=[False, True])
        shown = [
            f"{say(reason)} ({number})" for reason, number in counts.head(REASONS_SHOWN).itertuples(index=False)
        ]
        rest = int(counts["count"].iloc[REASONS_SHOWN:].sum())
        reasons = ", ".join(shown)
        text = (
            say("Other structures: {reasons} and {number} more.", reasons=reasons, number=rest)
            if rest
            else say("Other structures: {reasons}.", reasons=reasons)
        )
        parts.append("\n".join(textwrap.wrap(text, WIDTH)))
    return "\n".join(parts)


def merged_sentence(structures, repairs=None):
    """How many structures several inventories list, and what is to be looked at, as a sentence.

    Parameters
    ----------
    structures, repairs
        See `structures_text`.

    Returns
    -------
    str
        Empty where no structure is merged and no duplicate is possible.
    """
    merged = int((structures["sources"].str.count(IN_ONE_CELL) > 0).sum())
    of_these = (
        repairs.loc[repairs["layer"] == LAYER, "problem"].astype(str)
        if repairs is not None
        else pd.Series(dtype=str)
    )
    different, doubtful = (int(of_these.str.startswith(start).sum()) for start in (DIFFERENT, DOUBTFUL))
    if not (merged or doubtful):
        return ""
    if merged:
        text = plural(
            "Inventories: {number} structure is listed several times and counted once",
            "Inventories: {number} structures are listed several times and counted once",
            merged,
        )
    else:
        text = say("Inventories: no structure is listed several times and counted once")
    found = [plural("{number} difference", "{number} differences", different)] if different else []
    if doubtful:
        found.append(plural("{number} possible duplicate", "{number} possible duplicates", doubtful))
    if not found:
        return f"{text}."
    return say("{listed}; {found} to look at (layer repairs).", listed=text, found=say(" and ").join(found))


def _best(having, currency, what="structure"):
    per_kwh = f"{plain(currency).split()[0]}/kWh" if currency else say_as("narrow heading", "LCOE")
    table = text_table(
        (say(what), "left"),
        (say("head m"), "right"),
        (say("turbine"), "left"),
        ("kW", "right"),
        ("MWh/yr", "right"),
        (per_kwh, "right"),
        (say("no site because"), "left"),
    )
    for row in having.itertuples():
        table.add_row(
            name_of(row.structure_id, 14),
            decimals(row.head_m, 1),
            name_of(row.turbine, 18),
            figure(row.power_kw),
            figure(row.energy_mwh),
            decimals(row.lcoe_per_kwh, 3),
            name_of(say(row.rejection_reason) or say("– (selected)"), 28),
        )
    return rendered(table)


def drops_text(drops, currency=""):
    """What the drops without a stream could give.

    Parameters
    ----------
    drops : DataFrame
        As `sitefinder.schema` declares it.
    currency : str

    Returns
    -------
    str
        Empty without drops.
    """
    if not len(drops):
        return ""
    chosen = drops[drops["rejection_reason"] == ""]
    first = plural(
        "Drops without a stream: {all} given, {number} pays",
        "Drops without a stream: {all} given, {number} pay",
        len(chosen),
        all=len(drops),
    )
    if len(chosen):
        power, energy = figure(chosen["power_kw"].sum()), figure(chosen["energy_mwh"].sum())
        text = "{drops} ({power} kW, {energy} MWh/yr, in no total of the sites):"
        first = say(text, drops=first, power=power, energy=energy)
    else:
        first += "."
    parts = ["\n".join(textwrap.wrap(first, WIDTH))]
    having = drops[drops["turbine"] != ""].sort_values(
        ["net_annual_value", "drop_id"], ascending=[False, True], kind="stable"
    )
    if len(having):
        parts.append(_best(having.head(BEST_SHOWN).rename(columns={"drop_id": "structure_id"}), currency, "drop"))
    return "\n".join(parts)


def beside_text(totals):
    """What the selected drops without a stream give beside the sites, as a sentence.

    Parameters
    ----------
    totals : DataFrame
        As `sitefinder.schema` declares it.

    Returns
    -------
    str
        Begins with a space; empty without such drops.
    """
    drops = drops_of(totals)
    if drops is None:
        return ""
    energy = f"{gigawatt_hours(drops['energy_wh'] / WATTS_PER_KILOWATT / KILOWATTS_PER_MEGAWATT)} GWh"
    within = energy_interval(*(drops[f"energy_mwh_{part}"] for part in ("p90", "p50", "p10")))
    return " " + plural(
        "And {number} drop without a stream: {capacity}, {energy}, in none of the other figures.",
        "And {number} drops without a stream: {capacity}, {energy}, in none of the other figures.",
        int(drops["sites"]),
        capacity=power(drops["power_w"] / WATTS_PER_KILOWATT),
        energy=f"{energy} ({within})" if within else energy,
    )
