"""The sheet of `sitefinder compare`: what changed between two runs, on one A3 page."""

import pandas as pd
import shapely

from sitefinder.report.changes import (
    ARROW,
    RUNS,
    SIGNS,
    UNTRACED,
    cause_figures,
    changed_sites,
    energy_change_mwh,
    ids_text,
    is_same,
    number_of,
    numbers_in_words,
    rank_texts,
    reason_text,
    run_figures,
    stream_figures,
)
from sitefinder.report.languages import say
from sitefinder.report.sheets.amounts import crs_text
from sitefinder.report.sheets.compile import shortened, typesetter
from sitefinder.report.sheets.frame import DIGITS, Frame, sample, scale_bar, window_about
from sitefinder.report.text import figure, plain
from sitefinder.schema.change_layers import CHANGES, KINDS
from sitefinder.schema.wording import SCREENING
from sitefinder.vocabulary import VERDICTS

# Width and height of the map of differences, and of those of the two runs.
LARGE_MM, SMALL_MM = (226.0, 128.0), (107.0, 71.0)
SITES_SHOWN, CAUSES_SHOWN = 20, 12
LONGEST_TITLE, LONGEST_PATH, LONGEST_CAUSE, LONGEST_NAME, LONGEST_NAMES, LONGEST_WHY = 60, 90, 150, 24, 52, 150
MARK_MM, SMALL_MARK_MM, NUMBER_PT = 3.2, 2.2, 7.0
# What a site became, by the sign of its mark.
SITE_KINDS = {"−": "site-gone", "+": "site-new", "~": "site-altered", "": "site-same"}


def change_sheet_pdf(title, paths, compared):
    """A comparison of two runs as one page.

    Parameters
    ----------
    title : str
        Name of the inventory.
    paths : pair of path-like
        The old and the new delivery.
    compared : sitefinder.comparison.changes.Changes

    Returns
    -------
    bytes
        A PDF of one page, A3 landscape, tagged for accessibility: the figures of both runs, a map of what differs
        and one of each run, each cause once, and the sites whose energy changed most. The same for the same
        comparison.
    """
    rows = compared.changes
    plain_rows = pd.DataFrame(rows.drop(columns="geometry"))
    with typesetter(()) as setter:
        setter.measure(set(DIGITS))
        sites = _sites(setter, plain_rows, compared)
        causes = cause_figures(compared.causes, plain_rows)
        nothing = is_same(plain_rows)
        reaches, all_sites = numbers_in_words(plain_rows)
        same = say("Nothing changed in {reaches} and {sites}.", reaches=reaches, sites=all_sites)
        data = {
            "title": setter.text(shortened(title, LONGEST_TITLE)),
            "paths": [setter.text(shortened(plain(path), LONGEST_PATH)) for path in paths],
            "same": same if nothing else "",
            "figures": [*run_figures(plain_rows), *stream_figures(plain_rows)],
            "causes": [
                [str(number), _printed(setter, text, LONGEST_CAUSE), *numbers]
                for number, (text, numbers) in enumerate(causes[:CAUSES_SHOWN], 1)
            ],
            "more_causes": max(len(causes) - CAUSES_SHOWN, 0),
            "untraced": "" if causes or nothing else say(UNTRACED),
            "sites": [cells for _, cells in sites[:SITES_SHOWN]],
            "all_sites": len(sites),
            "difference": _difference(setter, rows, [index for index, _ in sites[:SITES_SHOWN]]),
            "runs": [_run(setter, rows, *run) for run in RUNS.items()],
            "grid": setter.text(crs_text(rows.crs)),
            "screening": say(SCREENING),
        }
        return setter.pdf("change_sheet.typ", data)


# Sites that are not the same in both runs, the largest change of energy first: their rows, and cells of the table.
def _sites(setter, rows, compared):
    differs = {index: change for change, index in _differing(rows)}
    weight = energy_change_mwh(rows.loc[list(differs)]) if differs else pd.Series(dtype=float)
    order = weight.sort_values(ascending=False, kind="stable").index
    reasons = {row.Index: why for _, sites in changed_sites(rows, compared) for row, why in sites}
    found = []
    for number, index in enumerate(order.tolist(), 1):
        row = rows.loc[index]
        why = reason_text(reasons[index], compared.causes)
        of_stream = setter.text(shortened(plain(row["stream"]), LONGEST_NAME)) if row["stream"] else ""
        found.append(
            (
                index,
                [
                    str(number),
                    _printed(setter, ids_text(row), LONGEST_NAMES),
                    of_stream,
                    say(row["change"]),
                    ARROW.join(dict.fromkeys(rank_texts(row))),
                    figure(row["energy_mwh_old"]),
                    figure(row["energy_mwh_new"]),
                    _printed(setter, why, LONGEST_WHY),
                ],
            )
        )
    return found


# A text of parts with an arrow between, which the fonts of names lack.
def _printed(setter, text, longest):
    return ARROW.join(setter.text(part) for part in shortened(text, longest).split(ARROW))


def _differing(rows):
    sites = rows[rows["kind"] == "site"]
    return [(change, index) for index, change in sites["change"].items() if change != "unchanged"]


# Streams and sites by what became of them; what is the same lies below. The sites of the table have its numbers.
def _difference(setter, rows, numbered):
    frame = _frame(setter, rows, LARGE_MM)
    reaches, sites = (rows[rows["kind"] == kind] for kind in KINDS)
    frame.grid(8)
    key = []
    for change in reversed(CHANGES):
        own = reaches[reaches["change"] == change]
        if len(own):
            kind = f"change-{change.replace(' ', '-')}"
            frame.lines(own.geometry, kind)
            key.insert(0, {"svg": sample(kind), "text": say("Stream, {verdict}", verdict=say(change))})
    signs = sites["change"].map(SIGNS).fillna("")
    for sign in reversed(SITE_KINDS):
        _marks(frame, sites[signs == sign], SITE_KINDS[sign], MARK_MM, sign)
    meanings = {
        "−": say("Site, vanished or newly excluded"),
        "+": say("Site, appeared or re-admitted"),
        "~": say("Site, changed"),
        "": say("Site as before"),
    }
    key += [
        {"svg": sample(SITE_KINDS[sign], shape="circle", size_mm=3.0), "text": f"{sign} {text}".strip()}
        for sign, text in meanings.items()
        if (signs == sign).any()
    ]
    ends = _ends(rows.loc[numbered])
    unnumbered = sum(
        not frame.number(*place, str(number), NUMBER_PT) for number, place in enumerate(ends.tolist(), 1)
    )
    frame.numbers(8)
    description = say(
        "Map of {reaches} and {sites} by what became of them. The tables have the same information as text.",
        reaches=number_of("reach", len(reaches)),
        sites=number_of("site", len(sites)),
    )
    scale = scale_bar(frame.mm_per_m, 40.0)
    return {**frame.drawing(description), "key": key, "scale": scale, "unnumbered": unnumbered}


# Streams by verdict and sites by rank, as one of the runs has them.
def _run(setter, rows, run, label):
    frame = _frame(setter, rows, SMALL_MM)
    there = rows[rows[f"id_{run}"] != ""]
    reaches, sites = (there[there["kind"] == kind] for kind in KINDS)
    key = []
    for verdict in VERDICTS:
        own = reaches[reaches[f"verdict_{run}"] == verdict.name]
        if len(own):
            kind = f"stream-{verdict.name}"
            frame.lines(own.geometry, kind)
            key.insert(0, {"svg": sample(kind), "text": say("Stream, {verdict}", verdict=say(verdict.name))})
    ranked = sites.dropna(subset=[f"rank_{run}"]).sort_values(f"rank_{run}")
    _marks(frame, ranked.iloc[::-1], "dot", SMALL_MARK_MM)
    ranks = ranked[f"rank_{run}"].astype(int).tolist()
    for place, rank in zip(_ends(ranked).tolist(), ranks, strict=True):
        frame.number(*place, str(rank), 6.0, 1.5)
    heading = say(label)
    description = say(
        "Map, {view}: {number} sites. The tables have the same information as text.",
        view=heading,
        number=len(ranked),
    )
    return {**frame.drawing(description), "heading": heading, "key": key}


def _frame(setter, rows, size_mm):
    bounds = rows.total_bounds if len(rows) else (0.0, 0.0, 1.0, 1.0)
    return Frame(setter, *size_mm, window_about(bounds, size_mm, room=0.04))


# Sites at the lower end of their stretch [m].
def _ends(sites):
    return shapely.get_coordinates(shapely.get_point(sites.geometry.to_numpy(), -1))


# Marks of sites, with a sign inside for readers without colour.
def _marks(frame, sites, kind, size_mm, sign=""):
    half = size_mm / 2
    for place in _ends(sites).tolist():
        x, y = frame.at(*place)
        frame.mark(kind, "circle", x, y, size_mm)
        frame.keep_clear(x - half, y - half, size_mm, size_mm)
        if sign:
            frame.path("sign", _sign(sign, x, y, size_mm / 4))


# A minus, a plus or a wave.
def _sign(sign, x, y, half):
    if sign == "~":
        return f"M{x - half:.2f} {y:.2f}q{half / 2:.2f} {-half:.2f} {half:.2f} 0t{half:.2f} 0"
    up = f"M{x:.2f} {y - half:.2f}V{y + half:.2f}" if sign == "+" else ""
    return f"M{x - half:.2f} {y:.2f}H{x + half:.2f}{up}"
