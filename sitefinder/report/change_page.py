"""The page of `sitefinder compare`: one file for a browser, with a map of the two runs and of their difference."""

from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.report.changes import (
    ARROW,
    RUNS,
    SIGNS,
    UNTRACED,
    cause_figures,
    cause_text,
    changed_sites,
    ids_text,
    is_same,
    numbers_in_words,
    rank_texts,
    reach_rules,
    reason_text,
    run_figures,
    stream_figures,
)
from sitefinder.report.languages import current, say
from sitefinder.report.page.region_map import Frame, frame_about, line_paths
from sitefinder.report.templates import environment
from sitefinder.report.text import figure, plain
from sitefinder.schema.change_layers import CHANGES, KINDS
from sitefinder.schema.theme import LOOKS
from sitefinder.schema.wording import SCREENING
from sitefinder.units import METRES_PER_KILOMETRE
from sitefinder.vocabulary import VERDICTS

# Radius of the mark of a site [pixels of a usual window], and the units of the map to such a pixel (own choices).
MARK_RADIUS, USUAL_WIDTH = 8.0, 900


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
            language=current().tag,
            paths=[plain(path) for path in paths],
            same=is_same(plain_rows),
            counts=numbers_in_words(plain_rows),
            figures=run_figures(plain_rows),
            streams=stream_figures(plain_rows),
            causes=cause_figures(compared.causes, plain_rows),
            untraced=say(UNTRACED),
            frame=frame,
            scale=f"{frame.width / USUAL_WIDTH:.2f}",
            radius=MARK_RADIUS,
            views=[_difference(rows, frame), *(_run(rows, frame, *run) for run in RUNS.items())],
            sites=_sites(plain_rows, compared),
            screening=say(SCREENING),
            looks=_looks(),
            unchanged=int((sites["change"] == "unchanged").sum()),
            reaches=_reaches(plain_rows),
        )
    )


# Streams and sites by what became of them; what is the same lies below.
def _difference(rows, frame):
    reaches, sites = (rows[rows["kind"] == kind] for kind in KINDS)
    streams = []
    for change in reversed(CHANGES):
        own = reaches[reaches["change"] == change]
        if len(own):
            streams.append(
                (_class("change", change), say("Stream, {verdict}", verdict=say(change)), _titled(own, frame))
            )
    return View("difference", say("Difference"), streams, _marks(sites.iloc[::-1], frame, None))


# Streams by verdict and sites by rank, as one of the runs has them.
def _run(rows, frame, run, label):
    there = rows[rows[f"id_{run}"] != ""]
    reaches, sites = (there[there["kind"] == kind] for kind in KINDS)
    streams = []
    for verdict in reversed(VERDICTS):
        own = reaches[reaches[f"verdict_{run}"] == verdict.name]
        if len(own):
            streams.append(
                (
                    _class("verdict", verdict.name),
                    say("Stream, {verdict}", verdict=say(verdict.name)),
                    _titled(own, frame),
                )
            )
    order = sites[f"rank_{run}"].fillna(np.inf).sort_values(ascending=False, kind="stable").index
    return View(label.lower(), say(label), streams, _marks(sites.loc[order], frame, run))


def _class(kind, name):
    return f"{kind}-{name.replace(' ', '-')}"


# Lines with what the pointer shows.
def _titled(rows, frame):
    paths = line_paths(rows.geometry.to_numpy(), frame, frame.tolerance_m)
    titles = [
        f"{plain(row.id_new or row.id_old)}{f', {plain(row.stream)}' if row.stream else ''}: {say(row.change)}"
        + (f", {_verdicts(row)}" if row.verdict_old != row.verdict_new else "")
        + (f"; {cause_text(row.rules)}" if row.rules else "")
        for row in rows.itertuples()
    ]
    return list(zip(paths, titles, strict=True))


def _verdicts(row):
    return " → ".join(
        say(verdict) if verdict else say("not there") for verdict in (row.verdict_old, row.verdict_new)
    )


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
        marks.append((kind, x, y, sign, f"{plain(row.id_new or row.id_old)}: {say(row.change)}, {_ranks(row)}"))
    return marks


def _ranks(row):
    ranks = [say("rank {rank}", rank=int(rank)) for rank in (row.rank_old, row.rank_new) if not pd.isna(rank)]
    return ARROW.join(dict.fromkeys(ranks))


# Every site that is not the same in both runs, by what became of it, the largest change of energy first.
def _sites(rows, compared):
    found = []
    for change, sites in changed_sites(rows, compared):
        for row, reasons in sites:
            energies, powers = (
                [getattr(row, f"{name}_{run}") for run in RUNS] for name in ("energy_mwh", "power_kw")
            )
            found.append(
                {
                    "change": say(change),
                    "kind": _class("change", change),
                    "sign": SIGNS.get(change, ""),
                    "ids": ids_text(row),
                    "stream": plain(row.stream),
                    "figures": [*rank_texts(row), *map(figure, powers), *map(figure, energies)],
                    "why": reason_text(reasons, compared.causes),
                }
            )
    return found


# Reaches by the rules that exclude them now, or no longer do.
def _reaches(rows):
    return [
        (
            say(row.change),
            cause_text(row.rules) or say("none"),
            str(row.size),
            figure(row.sum / METRES_PER_KILOMETRE),
        )
        for row in reach_rules(rows).itertuples(index=False)
    ]


# Class, colour and width class of each kind of row of the maps, as the styles of the layers have them.
def _looks():
    changes = [(_class("change", name), look) for name, look in LOOKS["changes"].looks.items()]
    verdicts = [(_class("verdict", name), look) for name, look in LOOKS["reaches"].looks.items()]
    return [(name, look.stroke) for name, look in (*changes, *verdicts)]
