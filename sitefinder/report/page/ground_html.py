"""What the figures rest on, in HTML: inputs, equations, assumptions, repairs, warnings, limits and cautions."""

from sitefinder.report.page.markup import figure_cell, fold, table, text_list
from sitefinder.report.page.words import is_missing, meaning_of, safe
from sitefinder.schema.cautions import NOT_KNOWN, READING, SAFETY, SCREENING
from sitefinder.schema.flag_words import flags_in_words
from sitefinder.units import METRES_PER_KILOMETRE

DIGITS_SHOWN = 12
STATED = "not stated"


def ground_sections(handover):
    """The sections after the region, as (id, heading, HTML).

    Parameters
    ----------
    handover : sitefinder.report.handover.Handover

    Returns
    -------
    list of (str, str, str)
    """
    tables = handover.tables
    provenance = tables["provenance"]
    return [
        ("inputs", "Inputs", inputs_table(provenance[provenance["kind"] == "input"])),
        ("equations", "Flow equations", equations_html(provenance, tables.get("flow_equations"))),
        ("assumptions", "Assumptions", assumptions_html(provenance, handover.currency)),
        ("warnings", "Warnings and repairs", warnings_html(tables["reaches"], tables["sites"], tables["repairs"])),
        ("not-known", "What this inventory does not know", text_list(NOT_KNOWN)),
        ("reading", "How to read the figures", text_list(READING)),
        (
            "cautions",
            "Cautions",
            f'<p class="caution">{safe(SCREENING)}</p><h3>Before you go there</h3>{text_list(SAFETY)}',
        ),
    ]


def inputs_table(inputs):
    """Every input with its edition and licence."""
    rows = [
        [
            row.name,
            row.value,
            row.source or STATED,
            row.date or STATED,
            row.licence or STATED,
            row.note,
            str(row.digest or "")[:DIGITS_SHOWN],
        ]
        for row in inputs.itertuples(index=False)
    ]
    heads = ["input", "file", "source", "date", "licence", "as read", "digest (first 12)"]
    return table("Inputs, with their editions and licences", heads, rows, "words", "inputs-table")


def equations_html(provenance, equations):
    """The equations by which flows are told, with their ranges where they are delivered."""
    named = provenance[(provenance["kind"] == "setting") & provenance["name"].str.startswith("equation ")]
    parts = []
    if equations is not None and len(equations):
        told = equations.apply(lambda column: column.map(_short))
        alike = [name for name in told.columns if told[name].nunique() == 1 and len(told) > 1]
        common = "; ".join(
            f"{name.replace('_', ' ')}: {told[name].iloc[0]}" for name in alike if told[name].iloc[0]
        )
        shown = [name for name in told.columns if name not in alike]
        heads = [(name.replace("_", " "), meaning_of("flow_equations", name)) for name in shown]
        rows = told[shown].to_numpy().tolist()
        parts.append(
            "<p>An equation holds between the least and the most of each of its predictors; a place beyond is "
            "flagged.</p>"
            + (f"<p>The same for all: {safe(common)}.</p>" if common else "")
            + table("Flow equations and their ranges", heads, rows, "words", "equations-table")
        )
    elif len(named):
        rows = [
            [row.name.removeprefix("equation ").replace("_", " "), row.source, row.value]
            for row in named.itertuples()
        ]
        caption = "Statistics of flow and where their equations come from"
        parts.append(table(caption, ["statistic", "source", "note"], rows, "words", "equations-table"))
    return "".join(parts) or "<p>No flow equations were used.</p>"


# A value of a table in which numbers and texts meet.
def _short(value):
    if is_missing(value):
        return ""
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def assumptions_html(provenance, currency):
    """Every setting that changes results, by section."""
    settings = provenance[(provenance["kind"] == "setting") & ~provenance["name"].str.startswith("equation ")]
    sections = settings["name"].str.partition(".")[0].str.partition("[")[0]
    parts = [
        f"<p>Money is {safe(currency)}. These settings change results; a setting that is not listed has no "
        "effect here.</p>"
    ]
    for section, rows in settings.groupby(sections, sort=False):
        cells = [[row.name, row.value, row.source or ""] for row in rows.itertuples()]
        parts.append(
            fold(
                f"{section} ({len(rows)})",
                table(f"Settings: {section}", ["setting", "value", "source"], cells, "words"),
            )
        )
    stages = provenance[provenance["kind"] == "stage"]
    versions = ", ".join(f"{row.name} {row.value}" for row in stages.itertuples())
    parts.append(fold("Code of the stages", f"<p>{safe(versions)}</p>"))
    return "".join(parts)


def warnings_html(reaches, sites, repairs):
    """What is doubtful about reaches and sites, and what was mended in the inputs."""
    on_reaches, on_sites = _flag_counts(reaches["flags"]), _flag_counts(sites["flags"])
    lengths = {}
    for flags, length_m in zip(reaches["flags"], reaches["length_m"], strict=True):
        for name in _names(flags):
            lengths[name] = lengths.get(name, 0.0) + length_m
    rows = [
        [
            " ".join(flags_in_words(name)).removesuffix("."),
            name,
            figure_cell(str(on_reaches.get(name, 0)), on_reaches.get(name, 0)),
            figure_cell(f"{lengths.get(name, 0.0) / METRES_PER_KILOMETRE:.1f}", lengths.get(name, 0.0)),
            figure_cell(str(on_sites.get(name, 0)), on_sites.get(name, 0)),
        ]
        for name in sorted({*on_reaches, *on_sites})
    ]
    heads = ["what is doubtful", "flag", "reaches", "length [km]", "sites"]
    flags = (
        table("Flags", heads, rows, "figures", "flags-table")
        if rows
        else "<p>No reach and no site carries a flag.</p>"
    )
    if not len(repairs):
        return f"{flags}<p>Nothing in the inputs had to be mended.</p>"
    kinds = repairs.groupby(["layer", "problem"], sort=False).size().reset_index(name="times")
    mended = [[row.layer, row.feature, row.problem, row.action] for row in repairs.itertuples()]
    listed = table("Repairs", ["input", "feature", "problem", "what was done"], mended, "words", "repairs-table")
    return flags + fold(f"{len(repairs)} repairs and doubts in the inputs, of {len(kinds)} kinds", listed)


def _names(flags):
    return [flag.partition(": ")[0] for flag in flags.split("; ") if flag]


def _flag_counts(column):
    counts = {}
    for flags in column:
        for name in _names(flags):
            counts[name] = counts.get(name, 0) + 1
    return counts
