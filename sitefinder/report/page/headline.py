"""The first figures of the page: how many sites, how large, at what cost, what excludes, what the streams lose."""

from typing import NamedTuple

from sitefinder.report.fish import short_group_texts
from sitefinder.report.handover import REGION, drops_of
from sitefinder.report.languages import labels, numeral, phrases, plural, say
from sitefinder.report.page.figures import NO_BREAK, amount, exact, price_per_kwh, short_money
from sitefinder.report.text import is_missing, name_of, power
from sitefinder.schema import has_flag
from sitefinder.schema.arrays import records_of
from sitefinder.units import (
    KILOWATTS_PER_MEGAWATT,
    MEGAWATT_HOURS_PER_GIGAWATT_HOUR,
    METRES_PER_KILOMETRE,
    WATTS_PER_KILOWATT,
)
from sitefinder.vocabulary import (
    ACTIONS,
    HEAD_UNRESOLVED,
    ONLY_A_STEP,
    REJECTION_REASONS,
    REMOVED,
    SCHEME_TYPES,
    VERDICTS,
    names,
)

WATT_HOURS_PER_MEGAWATT_HOUR = 1.0e6
# What excludes most, and groups of fish: as many as fit on the first screen (own choice).
REASONS_SHOWN, FISH_SHOWN, LONGEST_NAME = 4, 3, 28


class Note(NamedTuple):
    """A line below a figure; a figure of its own has a name and its exact value."""

    text: str
    name: str = ""
    exact: str = ""
    title: str = ""


class Headline(NamedTuple):
    """One of the first figures: ``label``, ``text`` with the unit, its ``exact`` value, and ``notes`` below it.

    A wide one has more notes than figures.
    """

    name: str
    label: str
    text: str
    exact: str
    notes: list
    is_wide: bool = False


def headline(handover):
    """The first figures.

    Parameters
    ----------
    handover : sitefinder.report.handover.Handover

    Returns
    -------
    list of Headline
    """
    tables = handover.tables
    region = _region(tables)
    return [
        _of_sites(tables),
        _of_power(handover),
        _of_energy(handover),
        _of_cost(tables, region, handover.currency),
        _of_exclusion(tables),
        _of_streams(tables),
    ]


def drops_sentence(tables):
    """Drops without a stream, which are in none of the first figures; empty without one."""
    drops = drops_of(tables["totals"]) if "totals" in tables else None
    if drops is None:
        return ""
    energy_gwh = drops["energy_wh"] / WATT_HOURS_PER_MEGAWATT_HOUR / MEGAWATT_HOURS_PER_GIGAWATT_HOUR
    capacity = power(drops["power_w"] / WATTS_PER_KILOWATT)
    return plural(
        "And {number} drop without a stream: {capacity}, {energy}, in no other figure.",
        "And {number} drops without a stream: {capacity}, {energy}, in no other figure.",
        int(drops["sites"]),
        capacity=capacity,
        energy=amount(energy_gwh, "GWh/yr"),
    )


# The row of the whole region in the totals; None without one.
def _region(tables):
    rows = records_of(tables["totals"].query("scope == @REGION")) if "totals" in tables else []
    return rows[0] if rows else None


def _of_sites(tables):
    sites, structures = tables["sites"], tables["structures"]
    schemes = [
        f"{numeral(f'{count:,}')} {say(scheme.label)}"
        for scheme in SCHEME_TYPES
        if (count := int((sites["scheme_type"] == scheme.name).sum()))
    ]
    notes = [Note(say("ranked, without overlap"))]
    if schemes:
        notes.append(Note(", ".join(schemes)))
    kept = int(sites["kept_by_decision"].sum()) if "kept_by_decision" in sites else 0
    if kept:
        notes.append(
            Note(
                plural(
                    "{number} kept by decisions against rules", "{number} kept by decisions against rules", kept
                )
            )
        )
    not_there = [ONLY_A_STEP.name, REMOVED.name]
    mapped = structures[~structures["rejection_reason"].isin(not_there)] if len(structures) else structures
    if len(mapped):
        used = int((mapped["site_id"] != "").sum())
        one, many = "{number} existing structure, {used} used", "{number} existing structures, {used} used"
        notes.append(Note(plural(one, many, len(mapped), used=used)))
    text = plural("{number} site", "{number} sites", len(sites))
    return Headline("sites", say("Sites"), text, exact(len(sites)), notes)


def _of_power(handover):
    sites, reaches = handover.tables["sites"], handover.tables["reaches"]
    capacity_kw = sites["power_kw"].sum()
    free = reaches["verdict"].isin(names(each for each in VERDICTS if each.is_open))
    summed = reaches["theoretical_kw"].notna()
    if not handover.counts_unresolved:
        summed &= ~has_flag(reaches["flags"], HEAD_UNRESOLVED.flag)
    potential_mw = reaches.loc[summed & free, "theoretical_kw"].sum() / KILOWATTS_PER_MEGAWATT
    note = Note(
        say("of {power} gross theoretical potential", power=amount(potential_mw, "MW")),
        "potential",
        exact(potential_mw),
        say("Gross head and mean flow of open and restricted reaches, no losses."),
    )
    text = power(capacity_kw).replace(" ", NO_BREAK)
    return Headline("power", say("Installed capacity"), text, exact(capacity_kw), [note])


def _of_energy(handover):
    sites = handover.tables["sites"]
    per_gwh = MEGAWATT_HOURS_PER_GIGAWATT_HOUR
    low, middle, high = (
        value / per_gwh for value in (handover.energy_p90_mwh, handover.energy_p50_mwh, handover.energy_p10_mwh)
    )
    notes = []
    if not is_missing(low) and not is_missing(high):
        notes.append(Note(say("P90 {low} to P10 {high}", low=amount(low), high=amount(high))))
    if not is_missing(middle):
        notes.append(Note(f"P50 {amount(middle)}"))
    energy_mwh = sites["energy_mwh"].sum()
    text = amount(energy_mwh / per_gwh, "GWh/yr")
    return Headline("energy", say("Mean annual energy"), text, exact(energy_mwh), notes)


def _of_cost(tables, region, currency):
    unit = f"{short_money(currency)}/kWh"
    cost = None if region is None else region["lcoe_per_kwh"]
    notes = []
    if not is_missing(cost):
        low, high = (amount(region[f"lcoe_per_kwh_{part}"]) for part in ("p10", "p90"))
        notes.append(Note(say("P10 {low} to P90 {high}", low=low, high=high)))
    price = price_per_kwh(tables)
    if price is not None:
        notes.append(Note(say("against a price of {price}", price=amount(price)), "price", exact(price)))
    if not len(tables["sites"]):
        return Headline("cost", say("LCOE of all sites"), say("none"), "", notes)
    return Headline("cost", say("LCOE of all sites"), amount(cost, unit), exact(cost), notes)


# What excludes, by length of stream: each step of the cascade takes of what those before it leave.
def _of_exclusion(tables):
    cascade = tables["screening_cascade"]
    steps = cascade[(cascade["scope"] == REGION) & (cascade["way"] == "in order")].sort_values("step")
    length_m, reaches = tables["reaches"]["length_m"].sum(), len(tables["reaches"])
    length_km = length_m / METRES_PER_KILOMETRE
    excluded_km = float(steps["excluded_km"].sum())
    whole = say(
        "{share} of {length} of streams in {reaches} reaches",
        share=_share(excluded_km, length_km),
        length=amount(length_km, "km"),
        reaches=numeral(f"{reaches:,}"),
    )
    notes = [Note(whole.strip(), "streams", exact(length_m))]
    by_length = steps[steps["excluded_km"] > 0].sort_values("excluded_km", ascending=False, kind="stable")
    notes += [_reason(step, length_km) for step in records_of(by_length.head(REASONS_SHOWN))]
    rest = by_length["excluded_km"].iloc[REASONS_SHOWN:]
    if len(rest):
        one, many = "{length} for {number} more reason", "{length} for {number} more reasons"
        notes.append(Note(plural(one, many, len(rest), length=amount(rest.sum(), "km"))))
    limits = _limits(tables["reaches"])
    if limits:
        notes.append(Note(say("open with limits: {limits}", limits=limits)))
    return Headline("excluded", say("Excluded"), amount(excluded_km, "km"), exact(excluded_km), notes, True)


# Share of a length in whole percent, after it.
def _share(part, whole):
    return f"{100 * part / whole:.0f}{NO_BREAK}%" if whole > 0 else ""


# Length and share that a step of the cascade excludes: by a rule, or because something is not known or not there.
def _reason(step, length_km):
    called = name_of(step["rule"] or say(step["kind"]), LONGEST_NAME)
    meaning = labels(ACTIONS).get(step["action"], "") or phrases(REJECTION_REASONS).get(step["kind"], "")
    share = _share(step["excluded_km"], length_km)
    return Note(f"{amount(step['excluded_km'], 'km')}{f' ({share})' if share else ''} {called}", title=meaning)


# Length of open streams by what rules forbid there.
def _limits(reaches):
    is_open = reaches["verdict"].isin(names(each for each in VERDICTS if each.is_open))
    parts = []
    for action in ACTIONS:
        length_m = reaches.loc[is_open & reaches[action.mark].astype(bool), "length_m"].sum()
        if action.limits and length_m > 0:
            parts.append(f"{amount(length_m / METRES_PER_KILOMETRE, 'km')} {say(action.label)}")
    return ", ".join(parts)


def _of_streams(tables):
    sites = tables["sites"]
    depleted_m, barriers = sites["depleted_length_m"].sum(), int(sites["new_barrier"].sum())
    one, many = "of depleted reaches, and {number} new barrier", "of depleted reaches, and {number} new barriers"
    notes = [Note(plural(one, many, barriers))]
    if "fish_totals" in tables:
        texts = short_group_texts(tables["fish_totals"])
        if texts:
            notes.append(Note(say("fish, today → with the sites:")))
        notes += [Note(text) for text in texts[:FISH_SHOWN]]
        rest = len(texts) - FISH_SHOWN
        if rest > 0:
            one, many = "{number} more group of fish: see Fish", "{number} more groups of fish: see Fish"
            notes.append(Note(plural(one, many, rest)))
    text = amount(depleted_m / METRES_PER_KILOMETRE, "km")
    return Headline("depleted", say("What the streams lose"), text, exact(depleted_m), notes, True)
