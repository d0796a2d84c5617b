"""Observations of visits in the summary: what is used, and what contradicts the data."""

from sitefinder.report.languages import day, plural, say
from sitefinder.report.table_texts import from_table
from sitefinder.report.text import indented, plain
from sitefinder.vocabulary import IN_ONE_CELL

# Contradictions that the summary lists; the others are counted.
SHOWN = 8
# What visitors say in words.
IN_WORDS = (
    ("structure_kind", "structure"),
    ("structure_condition", "condition"),
    ("fish_signs", "fish"),
    ("access", "access"),
    ("remarks", "remarks"),
)


def visits_to(site_id, table):
    """Sentences about the visits to a site.

    Parameters
    ----------
    site_id : str
    table : DataFrame
        The layer ``observations``.

    Returns
    -------
    list of str
        A sentence for each visit, the last one first: who, when, and what was seen, in the observer's words.
    """
    is_own = table["site_id"] == site_id
    if not is_own.any():
        return []
    own = table[is_own].sort_values("date", ascending=False, kind="stable")
    return [_visit(row) for row in own.to_dict("records")]


def _visit(row):
    parts = [f"{say(label)}: {row[name]}" for name, label in IN_WORDS if row[name]]
    if row["contradictions"]:
        parts.append(say("against the data: {contradictions}", contradictions=from_table(row["contradictions"])))
    visited = say("Visited {day} by {observer}", day=day(row["date"]), observer=row["observer"])
    return visited + "".join(f"; {part}" for part in parts).rstrip(".") + "."


def observations_text(observations):
    """How many visits there were, what of them is used, and where they contradict the data.

    Parameters
    ----------
    observations : DataFrame
        As `sitefinder.schema` declares it.

    Returns
    -------
    str
        Empty without visits.
    """
    if not len(observations):
        return ""
    used = [part for text in observations["used"] for part in text.split(IN_ONE_CELL) if part]
    kinds = ", ".join(f"{used.count(kind)} {from_table(kind)}" for kind in dict.fromkeys(used)) or say("nothing")
    against = [
        (row["observation_id"], part)
        for row in observations.to_dict("records")
        for part in row["contradictions"].split(IN_ONE_CELL)
        if part
    ]
    one, many = "Observations: {number} visit; used: {kinds}.", "Observations: {number} visits; used: {kinds}."
    lines = [plural(one, many, len(observations), kinds=kinds)]
    if against:
        lines.append("  " + say("They contradict the data (layer observations):"))
        lines += [indented(f"{plain(name)}: {from_table(plain(text))}") for name, text in against[:SHOWN]]
        if len(against) > SHOWN:
            lines.append("  " + say("and {number} more", number=len(against) - SHOWN))
    return "\n".join(lines)
