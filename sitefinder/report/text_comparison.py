"""Printed output of `sitefinder compare`: totals, then the sites with rules and causes."""

import textwrap
from collections import Counter

import pandas as pd

from sitefinder.comparison.changes import sums_by_change
from sitefinder.report.changes import UNTRACED, changed_sites, reach_rules
from sitefinder.report.text import WIDTH, counted, figure, name_of, plain, rendered, text_table
from sitefinder.schema.change_layers import KINDS
from sitefinder.schema.columns import MARKS
from sitefinder.units import MEGAWATT_HOURS_PER_GIGAWATT_HOUR, METRES_PER_KILOMETRE
from sitefinder.vocabulary import FLAGS, labels, split_flags

ROWS_SHOWN = 8
CAUSES_SHOWN = 12
VERDICT_COLUMNS = {"verdict", "reasons", "only_reason", "rejection_reason"} | {column.name for column in MARKS}
DIFFERENT = "Input changes (the cause of all changes below unless another is named in brackets)"
NOUNS = {"reach": ("reach", "reaches"), "site": ("site", "sites")}
QUANTITIES = {
    "reach": (("km", "length_m", METRES_PER_KILOMETRE), ("kW", "theoretical_kw", 1.0)),
    "site": (("kW", "power_kw", 1.0), ("GWh", "energy_mwh", MEGAWATT_HOURS_PER_GIGAWATT_HOUR)),
}


def change_text(title, paths, compared, files=()):
    """A comparison as text.

    Parameters
    ----------
    title : str
        Name of the inventory.
    paths : pair of path-like
        The old and the new delivery.
    compared : sitefinder.comparison.changes.Changes
    files : iterable of path-like
        What was written.

    Returns
    -------
    str
        At most 100 characters wide except file names, independent of the terminal; ends with a line break.
    """
    rows = pd.DataFrame(compared.changes.drop(columns="geometry"))
    same = (rows["change"] == "unchanged").all()
    parts = [
        f"{plain(title)}: what changed\n  previous:  {paths[0]}\n  next:      {paths[1]}",
        _nothing(rows) if same else "",
        _causes(compared.causes, same),
        *([] if same else [_table(rows, kind) for kind in KINDS]),
        *([] if same else _lists(rows, compared)),
        "" if same else _reach_rules(rows),
        _reach_values(compared.changed_values),
        _flags(compared.changed_values),
        _by_place(rows),
        "Files\n" + "\n".join(f"  {file}" for file in files) if files else "",
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def _nothing(rows):
    counts = [counted((rows["kind"] == kind).sum(), *NOUNS[kind]) for kind in KINDS]
    return f"Nothing changed in {' and '.join(counts)}."


# Differences of provenance; if there are none but results differ, what that means.
def _causes(causes, same):
    if not len(causes):
        return "" if same else _wrapped(UNTRACED)
    shown = [
        plain(row.difference)
        + (f": {plain(row.old or row.new)}" if row.origin == "rule" and "" in (row.old, row.new) else "")
        for row in causes.head(CAUSES_SHOWN).itertuples()
    ]
    rest = len(causes) - len(shown)
    lines = [line for text in shown for line in _indented(text)]
    return "\n".join([DIFFERENT, *lines, *([f"  and {rest} more (layer causes)"] if rest > 0 else [])])


# Numbers and sums by change, and of all, in the two runs.
def _table(rows, kind):
    if not (rows["kind"] == kind).any():
        return ""
    sums = sums_by_change(rows[rows["kind"] == kind])
    heads = [f"{unit} {run}" for unit, _, _ in QUANTITIES[kind] for run in ("previous", "next")]
    table = text_table(
        (NOUNS[kind][1], "left"), ("previous", "right"), ("next", "right"), *((head, "right") for head in heads)
    )
    names = [f"{column}_{run}" for _, column, _ in QUANTITIES[kind] for run in ("old", "new")]
    scales = [scale for _, _, scale in QUANTITIES[kind] for _ in range(2)]
    total = sums[["old", "new", *names]].sum()
    for change, line in [*((row["change"], row) for _, row in sums.iterrows()), ("all", total)]:
        there = [line["old"], line["new"]] * len(QUANTITIES[kind])
        cells = [
            figure(line[name] / scale) if count else ""
            for name, scale, count in zip(names, scales, there, strict=True)
        ]
        table.add_row(change, *(str(int(line[run])) if line[run] else "" for run in ("old", "new")), *cells)
    return rendered(table)


def _lists(rows, compared):
    for change, sites in changed_sites(rows, compared):
        if change != "moved in rank":
            shown = sites[:ROWS_SHOWN]
            lines = [line for row, reasons in shown for line in _indented(_site(row, reasons))]
            rest = len(sites) - ROWS_SHOWN
            more = [f"  and {rest} more (layer changes)"] if rest > 0 else []
            yield "\n".join([f"Sites: {change}", *lines, *more])


def _site(row, reasons):
    name = row.id_old or row.id_new
    if row.matched_by == "place":
        name = f"{row.id_old} → {row.id_new}"
    ranks = [f"#{rank}" for rank in (row.rank_old, row.rank_new) if not pd.isna(rank)]
    energies = [value for value in (row.energy_mwh_old, row.energy_mwh_new) if not pd.isna(value)]
    shown = " → ".join(dict.fromkeys(figure(value) for value in energies))
    texts = [f"{plain(name)} ({' → '.join(dict.fromkeys(ranks))}, {shown} MWh)", *reasons.texts]
    return "; ".join(texts) + (f" [{reasons.cause}]" if reasons.cause else "")


# Columns of reaches that differ, in how many reaches, and by how much.
def _reach_values(values):
    values = values[(values["kind"] == "reach") & ~values["column"].isin(VERDICT_COLUMNS)]
    if not len(values):
        return ""
    numbers = [pd.to_numeric(values[name], errors="coerce") for name in ("old", "new")]
    percent = 100 * (numbers[1] - numbers[0]) / numbers[0].abs().where(numbers[0] != 0)
    counts = percent.groupby(values["column"], sort=False).agg(["size", "median", "min", "max"])
    counts = counts.sort_values("size", ascending=False, kind="stable")
    table = text_table(
        ("values of reaches", "left"),
        ("number", "right"),
        ("median %", "right"),
        ("from", "right"),
        ("to", "right"),
    )
    for row in counts.head(ROWS_SHOWN).itertuples():
        shares = ("" if pd.isna(value) else f"{value:+.1f}" for value in (row.median, row.min, row.max))
        table.add_row(row.Index, str(row.size), *shares)
    if len(counts) > ROWS_SHOWN:
        table.add_row(f"and {len(counts) - ROWS_SHOWN} more columns", "", "", "", "")
    return rendered(table)


# Which data-quality flags were set or removed, on how many reaches and sites of both runs.
def _flags(values):
    label = labels(FLAGS)
    lines = []
    for kind in KINDS:
        rows = values[(values["kind"] == kind) & (values["column"] == "flags")]
        moved = Counter()
        for old, new in zip(rows["old"], rows["new"], strict=True):
            before, after = ({name for name, _ in split_flags(text)} for text in (old, new))
            moved.update(
                [("set", name) for name in after - before] + [("removed", name) for name in before - after]
            )
        parts = [
            f"{plain(label.get(name, name))} {what} on {counted(number, *NOUNS[kind])}"
            for (what, name), number in sorted(moved.items(), key=lambda item: (-item[1], item[0]))
        ]
        rest = len(parts) - ROWS_SHOWN
        if parts:
            lines.append("; ".join(parts[:ROWS_SHOWN]) + (f" and {rest} more" if rest > 0 else ""))
    return _wrapped(f"Data-quality flags: {'; '.join(lines)}.") if lines else ""


def _reach_rules(rows):
    counts = reach_rules(rows)
    if not len(counts):
        return ""
    table = text_table(("reaches", "left"), ("by", "left"), ("number", "right"), ("km", "right"))
    for row in counts.head(ROWS_SHOWN).itertuples(index=False):
        table.add_row(row.change, name_of(row.rules, 56), str(row.size), figure(row.sum / METRES_PER_KILOMETRE))
    rest = counts.iloc[ROWS_SHOWN:]
    if len(rest):
        table.add_row(
            "", f"{len(rest)} others", str(rest["size"].sum()), figure(rest["sum"].sum() / METRES_PER_KILOMETRE)
        )
    return rendered(table)


def _by_place(rows):
    by_place = rows[rows["matched_by"] == "place"]
    if not len(by_place):
        return ""
    counts = [counted((by_place["kind"] == kind).sum(), *NOUNS[kind]) for kind in KINDS]
    return _wrapped(f"Matched by position, because their ids differ: {' and '.join(counts)} (column matched_by).")


def _indented(text):
    return textwrap.wrap(text, WIDTH, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False)


def _wrapped(text):
    return "\n".join(textwrap.wrap(text, WIDTH))
