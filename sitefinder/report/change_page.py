"""The page of `sitefinder compare`: one file for a browser, with a map of the two runs and of their difference."""

from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.report.page.region_map import Frame, frame_about, line_paths
from sitefinder.report.templates import environment
from sitefinder.report.text import counted, figure, plain
from sitefinder.report.text_comparison import NOUNS, UNTRACED, changed_sites, reach_rules
from sitefinder.schema.change_layers import CHANGES, KINDS
from sitefinder.schema.theme import LOOKS
from sitefinder.units import MEGAWATT_HOURS_PER_GIGAWATT_HOUR, METRES_PER_KILOMETRE
from sitefinder.vocabulary import VERDICTS

# Radius of the mark of a site [pixels of a usual window], and the units of the map to such a pixel (own choices).
MARK_RADIUS, USUAL_WIDTH = 8.0, 900
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
RUNS = (("before", "old", "Before"), ("after", "new", "After"))


class View(NamedTuple):
    """One of the maps: streams as (class, legend, paths), sites as (class, x, y, sign, title)."""

    name: str
    label: str
    streams: list
    sites: list


def change_page(title, paths, compared):
    """A comparison as one HTML file, which needs neither network nor script.

    Parameters
    ----------
    title : str
        Name of the inventory.
    paths : pair of path-like
        The old and the new delivery.
    compared : sitefinder.comparison.changes.Changes

    Returns
    -------
    str
        A map of both runs and of what differs, the figures of both, each cause once with what it may have changed,
        and every site of either run that is not the same in both.
    """
    rows = compared.changes
    plain_rows = pd.DataFrame(rows.drop(columns="geometry"))
    frame = frame_about(rows.geometry.to_numpy()) if len(rows) else Frame(0.0, 0.0, 1.0, 1.0, 1.0)
    sites = plain_rows[plain_rows["kind"] == "site"]
    return (
        environment("sitefinder.report")
        .get_template("change_page.html.j2")
        .render(
            title=title,
            paths=[plain(path) for path in paths],
            same=bool((plain_rows["change"] == "unchanged").all()),
            counts=[counted(int((plain_rows["kind"] == kind).sum()), *NOUNS[kind]) for kind in KINDS],
            figures=_figures(plain_rows),
            streams=_streams_by_verdict(plain_rows),
            causes=_causes(compared.causes, plain_rows),
            untraced=UNTRACED,
            frame=frame,
            scale=f"{frame.width / USUAL_WIDTH:.2f}",
            radius=MARK_RADIUS,
            views=[_difference(rows, frame), *(_run(rows, frame, *run) for run in RUNS)],
            sites=_sites(plain_rows, compared),
            looks=_looks(),
            unchanged=int((sites["change"] == "unchanged").sum()),
            reaches=_reaches(plain_rows),
        )
    )


# Sites, capacity and energy of the two runs and their difference.
def _figures(rows):
    sites = rows[rows["kind"] == "site"]
    scales = (
        ("Installed capacity [kW]", "power_kw", 1.0),
        ("Mean annual energy [GWh]", "energy_mwh", MEGAWATT_HOURS_PER_GIGAWATT_HOUR),
    )
    numbers = [int((sites[f"id_{run}"] != "").sum()) for _, run, _ in RUNS]
    found = [("Sites", *map(str, numbers), f"{numbers[1] - numbers[0]:+d}" if numbers[0] != numbers[1] else "0")]
    for label, name, scale in scales:
        found.append((label, *_before_and_after(*(sites[f"{name}_{run}"].sum() / scale for _, run, _ in RUNS))))
    return found


# Length of stream by verdict in the two runs [km], of the verdicts that occur.
def _streams_by_verdict(rows):
    reaches = rows[rows["kind"] == "reach"]
    found = []
    for verdict in VERDICTS:
        lengths = [
            reaches.loc[reaches[f"verdict_{run}"] == verdict.name, f"length_m_{run}"].sum() / METRES_PER_KILOMETRE
            for _, run, _ in RUNS
        ]
        if any(lengths):
            found.append((f"Stream, {verdict.name} [km]", *_before_and_after(*lengths)))
    return found


def _before_and_after(before, after):
    # Lengths are summed in another order; what differs in the digits of a float alone is the same.
    same = bool(np.isclose(before, after, rtol=1e-9, atol=1e-9))
    return figure(before), figure(after), "0" if same else _signed(after - before)


def _signed(value):
    return ("+" if value > 0 else "−") + figure(abs(value))


# Each cause once: in words, and how many reaches and sites it may have changed.
def _causes(causes, rows):
    moved = rows[rows["change"] != "unchanged"]
    said = ("; " + moved["cause"] + "; ").tolist()
    found = []
    for difference in causes["difference"].tolist():
        may = np.array([f"; {difference}; " in text for text in said], dtype=bool)
        numbers = [int((may & (moved["kind"] == kind).to_numpy()).sum()) for kind in KINDS]
        text = plain(difference)
        text = text if len(text) <= LONGEST_CAUSE else text[: LONGEST_CAUSE - 1] + "…"
        found.append((text, [counted(number, *NOUNS[kind]) for number, kind in zip(numbers, KINDS, strict=True)]))
    return found


# Streams and sites by what became of them; what is the same lies below.
def _difference(rows, frame):
    reaches, sites = (rows[rows["kind"] == kind] for kind in KINDS)
    streams = []
    for change in reversed(CHANGES):
        own = reaches[reaches["change"] == change]
        if len(own):
            streams.append((_class("change", change), f"Stream, {change}", _titled(own, frame)))
    return View("difference", "Difference", streams, _marks(sites.iloc[::-1], frame, None))


# Streams by verdict and sites by rank, as one of the runs has them.
def _run(rows, frame, name, run, label):
    there = rows[rows[f"id_{run}"] != ""]
    reaches, sites = (there[there["kind"] == kind] for kind in KINDS)
    streams = []
    for verdict in reversed(VERDICTS):
        own = reaches[reaches[f"verdict_{run}"] == verdict.name]
        if len(own):
            streams.append((_class("verdict", verdict.name), f"Stream, {verdict.name}", _titled(own, frame)))
    order = sites[f"rank_{run}"].fillna(np.inf).sort_values(ascending=False, kind="stable").index
    return View(name, label, streams, _marks(sites.loc[order], frame, run))


def _class(kind, name):
    return f"{kind}-{name.replace(' ', '-')}"


# Lines with what the pointer shows.
def _titled(rows, frame):
    paths = line_paths(rows.geometry.to_numpy(), frame, frame.tolerance_m)
    titles = [
        f"{plain(row.id_new or row.id_old)}{f', {plain(row.stream)}' if row.stream else ''}: {row.change}"
        + (
            f", {row.verdict_old or 'not there'} → {row.verdict_new or 'not there'}"
            if row.verdict_old != row.verdict_new
            else ""
        )
        + (f"; {plain(row.rules)}" if row.rules else "")
        for row in rows.itertuples()
    ]
    return list(zip(paths, titles, strict=True))


def _verdicts(row):
    verdicts = [verdict or "not there" for verdict in (row.verdict_old, row.verdict_new)]
    return " → ".join(verdicts) if verdicts[0] != verdicts[1] else ""


# Sites at the lower end of their stretch: (class, x, y, sign, title).
def _marks(sites, frame, run):
    if not len(sites):
        return []
    ends = shapely.get_coordinates(shapely.get_point(sites.geometry.to_numpy(), -1))
    marks = []
    for (x, y), row in zip(frame.places(ends).tolist(), sites.itertuples(), strict=True):
        ranks = [None if pd.isna(rank) else int(rank) for rank in (row.rank_old, row.rank_new)]
        if run is None:
            kind, sign = _class("change", row.change), SIGNS.get(row.change, "")
        else:
            kind, sign = "site", str(ranks[0] if run == "old" else ranks[1])
        marks.append((kind, x, y, sign, f"{plain(row.id_new or row.id_old)}: {row.change}, {_ranks(row)}"))
    return marks


def _ranks(row):
    ranks = [f"rank {int(rank)}" for rank in (row.rank_old, row.rank_new) if not pd.isna(rank)]
    return " → ".join(dict.fromkeys(ranks))


# Every site that is not the same in both runs, by what became of it, the largest change of energy first.
def _sites(rows, compared):
    found = []
    for change, sites in changed_sites(rows, compared):
        for row, reasons in sites:
            energies, powers = (
                [getattr(row, f"{name}_{run}") for _, run, _ in RUNS] for name in ("energy_mwh", "power_kw")
            )
            ranks = ["–" if pd.isna(rank) else str(int(rank)) for rank in (row.rank_old, row.rank_new)]
            found.append(
                {
                    "change": change,
                    "kind": _class("change", change),
                    "sign": SIGNS.get(change, ""),
                    "ids": " → ".join(dict.fromkeys(plain(name) for name in (row.id_old, row.id_new) if name)),
                    "stream": plain(row.stream),
                    "figures": [*ranks, *map(figure, powers), *map(figure, energies)],
                    "why": "; ".join([*reasons.texts, *([f"cause: {reasons.cause}"] if reasons.cause else [])]),
                }
            )
    return found


# Reaches by the rules that exclude them now, or no longer do.
def _reaches(rows):
    return [
        (row.change, plain(row.rules) or "none", str(row.size), figure(row.sum / METRES_PER_KILOMETRE))
        for row in reach_rules(rows).itertuples(index=False)
    ]


# Class, colour and width class of each kind of row of the maps, as the styles of the layers have them.
def _looks():
    changes = [(_class("change", name), look) for name, look in LOOKS["changes"].looks.items()]
    verdicts = [(_class("verdict", name), look) for name, look in LOOKS["reaches"].looks.items()]
    return [(name, look.stroke) for name, look in (*changes, *verdicts)]
