"""What a comparison says in words and figures, for the printed text, the page and the sheet."""

from typing import NamedTuple

import numpy as np

from sitefinder.comparison.changes import NO_LONGER
from sitefinder.comparison.matching import causes_text
from sitefinder.report.languages import plural, say
from sitefinder.report.table_texts import from_table
from sitefinder.report.text import figure, is_missing, plain
from sitefinder.schema.change_layers import CHANGES, KINDS
from sitefinder.schema.columns import MARKS
from sitefinder.units import MEGAWATT_HOURS_PER_GIGAWATT_HOUR, METRES_PER_KILOMETRE
from sitefinder.vocabulary import VERDICTS

UNTRACED = (
    "Inputs, settings and code of the stages are the same in both runs, but results differ: one of the files was "
    "changed afterwards, or a library gives different numbers. Please report the latter."
)
VALUES_SHOWN = 4
# Values of a site that are shown first, and those that its line already has or that others show better.
FIRST_VALUES = ("verdict", "turbine", "head_m", "flow_mean_m3s", "power_kw", "lcoe_per_kwh", "length_m")
HIDDEN_VALUES = {"rank", "score", "prob_in_top_n", "energy_mwh"} | {column.name for column in MARKS}
# What the mark of a site says in the map of differences, for readers without colour: gone, new, altered, the same.
SIGNS = {
    "vanished": "−",
    "newly excluded": "−",
    "appeared": "+",
    "re-admitted": "+",
    "changed in value": "~",
    "changed by rules": "~",
    "changed by decisions": "~",
}
# Causes whose list of features is longer are cut; the layer `causes` has them whole.
LONGEST_CAUSE = 300
# How columns end in the two runs, and what these are called.
RUNS = {"old": "Before", "new": "After"}
ARROW = " → "
# What `sitefinder.comparison` writes as rules and causes.
CAUSE_TEXTS = (
    "input {name} changed",
    "input {name} is new",
    "input {name} is gone",
    "setting {key}: {old} → {new}",
    "code of stage {name} changed",
    "code of stage {name} is new",
    "code of stage {name} is gone",
    "rule {name} is new",
    "rule {name} is gone",
    "rule {name}: {key} {old} → {new}",
    "layer of rule {name} changed",
    "layer of rule {name} is new",
    "layer of rule {name} is gone",
    "area of rule {name} changed",
    "area of rule {name} is new",
    "area of rule {name} is gone",
    "order of the rules changed",
    "decision {name} ({says}) is new",
    "decision {name} ({says}) is gone",
    "decision {name}: {key} {old} → {new}",
    "decision {name} applies again ({why})",
    "decision {name} no longer applies ({why})",
    "no longer {rules}",
    "not set",
)


class Reasons(NamedTuple):
    """What a site's change came from and which values differ, as ``texts``; its ``cause`` if not that of all."""

    texts: list
    cause: str


def cause_text(text):
    """Causes or rules of a change, as the layer ``changes`` has them, in the current language."""
    return from_table(plain(text), CAUSE_TEXTS)


def reason_text(reasons, causes):
    """A site's reasons in words; causes that `cause_figures` lists are named by their numbers there, from 1.

    Parameters
    ----------
    reasons : Reasons
    causes : DataFrame
        The layer ``causes``.
    """
    left, numbers = f"; {reasons.cause}; ", []
    for number, difference in enumerate(map(plain, causes["difference"]), 1):
        if f"; {difference}; " in left:
            left = left.replace(f"; {difference}; ", "; ", 1)
            numbers.append(str(number))
    parts = list(reasons.texts)
    if numbers:
        parts.append(plural("cause {numbers}", "causes {numbers}", len(numbers), numbers=", ".join(numbers)))
    if left.strip("; "):
        parts.append(say("cause: {cause}", cause=cause_text(left.strip("; "))))
    return "; ".join(parts)


def is_same(rows):
    """Whether nothing of the layer ``changes`` differs between the two runs."""
    return bool((rows["change"] == "unchanged").all())


def numbers_in_words(rows):
    """How many reaches and sites the layer ``changes`` has: a text for each of `KINDS`."""
    return [number_of(kind, int((rows["kind"] == kind).sum())) for kind in KINDS]


def ids_text(row):
    """The ids of a site in the two runs, one if they are the same."""
    return ARROW.join(dict.fromkeys(plain(name) for name in (row.id_old, row.id_new) if name))


def rank_texts(row):
    """The ranks of a site in the two runs, a dash for none."""
    return ["–" if is_missing(rank) else str(int(rank)) for rank in (row.rank_old, row.rank_new)]


def number_of(kind, number):
    """A number of reaches or sites in words."""
    if kind == "reach":
        return plural("{number} reach", "{number} reaches", number)
    return plural("{number} site", "{number} sites", number)


def run_figures(rows):
    """Sites, capacity and energy of two runs and their difference.

    Parameters
    ----------
    rows : DataFrame
        The layer ``changes``.

    Returns
    -------
    list of (str, str, str, str)
        Label, before, after and difference.
    """
    sites = rows[rows["kind"] == "site"]
    numbers = [int((sites[f"id_{run}"] != "").sum()) for run in RUNS]
    less = numbers[1] - numbers[0]
    found = [(say("Sites"), *map(str, numbers), _signed(less, str(abs(less))) if less else "0")]
    for label, unit, name, scale in (
        (say("Installed capacity"), "kW", "power_kw", 1.0),
        (say("Mean annual energy"), "GWh", "energy_mwh", MEGAWATT_HOURS_PER_GIGAWATT_HOUR),
    ):
        both = (sites[f"{name}_{run}"].sum() / scale for run in RUNS)
        found.append((f"{label} [{unit}]", *_before_and_after(*both)))
    return found


def stream_figures(rows):
    """Length of stream by verdict in two runs [km], of the verdicts that occur: see `run_figures`."""
    reaches = rows[rows["kind"] == "reach"]
    found = []
    for verdict in VERDICTS:
        lengths = [
            reaches.loc[reaches[f"verdict_{run}"] == verdict.name, f"length_m_{run}"].sum() / METRES_PER_KILOMETRE
            for run in RUNS
        ]
        if any(lengths):
            label = say("Stream, {verdict} [km]", verdict=say(verdict.name))
            found.append((label, *_before_and_after(*lengths)))
    return found


def _before_and_after(before, after):
    # Lengths are summed in another order; what differs in the digits of a float alone is the same.
    same = bool(np.isclose(before, after, rtol=1e-9, atol=1e-9))
    return figure(before), figure(after), "0" if same else _signed(after - before, figure(abs(after - before)))


def _signed(value, text):
    return ("+" if value > 0 else "−") + text


def cause_figures(causes, rows):
    """Each cause once: in words, and how many reaches and sites it may have changed.

    Parameters
    ----------
    causes : DataFrame
        The layer ``causes``.
    rows : DataFrame
        The layer ``changes``.

    Returns
    -------
    list of (str, list of str)
    """
    moved = rows[rows["change"] != "unchanged"]
    said = ("; " + moved["cause"] + "; ").tolist()
    found = []
    for difference in causes["difference"].tolist():
        may = np.array([f"; {difference}; " in text for text in said], dtype=bool)
        numbers = [int((may & (moved["kind"] == kind).to_numpy()).sum()) for kind in KINDS]
        text = cause_text(difference)
        text = text if len(text) <= LONGEST_CAUSE else text[: LONGEST_CAUSE - 1] + "…"
        found.append((text, [number_of(kind, number) for number, kind in zip(numbers, KINDS, strict=True)]))
    return found


def changed_sites(rows, compared):
    """Sites of either run that are not the same in both, by what became of them, with the reasons.

    Parameters
    ----------
    rows : DataFrame
        The layer ``changes`` without its geometry.
    compared : sitefinder.comparison.changes.Changes

    Yields
    ------
    change : str
    sites : list of (row, Reasons)
        The largest change of energy first.
    """
    values, everything = compared.changed_values, causes_text(compared.causes)
    of_sites = values[values["kind"] == "site"]
    known = {
        ids: dict(zip(group["column"], zip(group["old"], group["new"], strict=True), strict=True))
        for ids, group in of_sites.groupby(["id_old", "id_new"], sort=False)
    }
    sites = rows[rows["kind"] == "site"]
    for change in CHANGES:
        chosen = sites[sites["change"] == change]
        if len(chosen) and change != "unchanged":
            chosen = chosen.loc[energy_change_mwh(chosen).sort_values(ascending=False, kind="stable").index]
            yield (
                change,
                [
                    (row, _reasons(row, known.get((row.id_old, row.id_new), {}), everything))
                    for row in chosen.itertuples()
                ],
            )


def energy_change_mwh(sites):
    """By how much the mean annual energy of each site differs [MWh/yr]; a site that is not there has none."""
    size = sites[["energy_mwh_old", "energy_mwh_new"]].fillna(0.0)
    return (size["energy_mwh_new"] - size["energy_mwh_old"]).abs()


# What a site's change came from, and the values that differ; the causes where they are not those of all.
def _reasons(row, values, everything):
    parts = []
    if row.rules:
        parts.append(_by_rules(row))
    elif row.because:
        parts.append(say("its reach: {reason}", reason=say(plain(row.because))))
    if row.replaced_by:
        parts.append(say("now {site}", site=plain(row.replaced_by)))
    if values:
        rest = len([name for name in values if name not in HIDDEN_VALUES]) - VALUES_SHOWN
        shown = [name for name in (*FIRST_VALUES, *values) if name in values and name not in HIDDEN_VALUES]
        # Values that are equal in the digits shown come last.
        shown.sort(key=lambda name: _short(values[name][0]) == _short(values[name][1]))
        each = [f"{name} {_both(*values[name])}" for name in list(dict.fromkeys(shown))[:VALUES_SHOWN]]
        if each:
            more = " " + say("and {number} more values", number=rest) if rest > 0 else ""
            parts.append(", ".join(each) + more)
    known = row.cause == everything or (row.rules and not row.changed)
    return Reasons(parts, "" if known else plain(row.cause))


# Rules that exclude a vanished site, no longer exclude a new one, or moved a site to another stretch.
def _by_rules(row):
    rules = cause_text(row.rules)
    if row.id_new == "":
        by = "by {rules}" if row.change == "newly excluded" else "limited by {rules}"
        return say(by, rules=rules)
    if row.id_old == "" or row.change in ("changed by rules", "changed by decisions"):
        return rules
    if row.rules.startswith(NO_LONGER):
        return say("its stretch: {rules}", rules=rules)
    return say("previous stretch excluded by {rules}", rules=rules)


def _both(old, new):
    return f"{_short(old)} → {_short(new)}"


# A value; numbers are shortened.
def _short(text):
    try:
        return figure(float(text))
    except ValueError:
        return plain(text) or say("none")


def reach_rules(rows):
    """Number and length [m] of reaches by the rules that newly exclude them, or no longer do.

    Parameters
    ----------
    rows : DataFrame
        The layer ``changes``.

    Returns
    -------
    DataFrame
        ``change``, ``rules``, ``size`` and ``sum``, the longest first.
    """
    reaches = rows[(rows["kind"] == "reach") & rows["change"].isin(["newly excluded", "re-admitted"])]
    groups = reaches.assign(length_m=reaches["length_m_new"]).groupby(["change", "rules"], sort=False)["length_m"]
    counts = groups.agg(["size", "sum"]).reset_index()
    return counts.sort_values("sum", ascending=False, kind="stable")
