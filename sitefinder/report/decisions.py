"""Decisions in words: those behind a site or reach, and the summary of what they did."""

from sitefinder.report.languages import day, labels, phrases, plural, say
from sitefinder.report.table_texts import from_table
from sitefinder.report.text import gigawatt_hours, indented, name_of, plain, power, rendered, text_table
from sitefinder.vocabulary import DECISIONS, IN_ONE_CELL, KEEP, NOT_APPLIED

# Decisions that do not apply, and sites that are kept, as the summary lists them; the others are counted.
NOT_APPLIED_SHOWN, KEPT_SHOWN = 8, 5
LAW = "The rules hold in law until whoever may lift them has done so."


def decisions_of(ids, table):
    """Sentences about the decisions that apply to a site or reach.

    Parameters
    ----------
    ids : str
        Its ``decision_id``.
    table : DataFrame
        The layer ``decisions``.

    Returns
    -------
    list of str
        A sentence for each, in their order: what it says, who decided, when, until when, and why.
    """
    if not ids:
        return []
    rows = {row["decision_id"]: row for row in table.to_dict("records")}
    return [decision_sentence(rows[name]) for name in ids.split(IN_ONE_CELL) if name in rows]


def decision_sentence(row):
    """A decision as a sentence.

    Parameters
    ----------
    row : dict
        Of the layer ``decisions``.

    Returns
    -------
    str

    Examples
    --------
    >>> given = {"decision_id": "K1", "decision": "keep", "scheme_type": "", "author": "A. Author"}
    >>> given |= {"date": "2026-01-10", "valid_until": "", "justification": "Letter 12", "reach_id": "S1@50"}
    >>> decision_sentence(given | {"rules_lifted": "park"})
    'Decision K1 (kept) on S1@50, A. Author, 2026-01-10: Letter 12. Lifts, on that reach, the rules: park.'
    """
    says = labels(DECISIONS)[row["decision"]]
    if row["scheme_type"]:
        says += f": {row['scheme_type']}"
    until = say(", valid until {day}", day=day(row["valid_until"])) if row["valid_until"] else ""
    text = say(
        "Decision {decision} ({says}) on {reach}, {author}, {day}: {justification}.",
        decision=row["decision_id"],
        says=says,
        reach=row["reach_id"],
        author=row["author"],
        day=day(row["date"]) + until,
        justification=row["justification"].rstrip("."),
    )
    if row["rules_lifted"]:
        text += " " + say("Lifts, on that reach, the rules: {rules}.", rules=row["rules_lifted"])
    return text


def kept_text(sites):
    """What of the selected sites rules exclude and decisions keep; empty without any.

    Parameters
    ----------
    sites : DataFrame
        As `sitefinder.schema` declares it.

    Returns
    -------
    str
    """
    if "kept_by_decision" not in sites or not sites["kept_by_decision"].any():
        return ""
    kept = sites[sites["kept_by_decision"].to_numpy(dtype=bool)]
    return " " + plural(
        "Of these, {number} is a site that rules exclude and decisions keep: {capacity}, {energy} GWh.",
        "Of these, {number} are sites that rules exclude and decisions keep: {capacity}, {energy} GWh.",
        len(kept),
        capacity=power(kept["power_kw"].sum()),
        energy=gigawatt_hours(kept["energy_mwh"].sum()),
    )


def decisions_text(decisions, sites):
    """How many decisions apply, the sites that they keep against rules, and those that do not apply, with why.

    Parameters
    ----------
    decisions, sites : DataFrame
        As `sitefinder.schema` declares them.

    Returns
    -------
    str
        Empty without decisions.
    """
    if not len(decisions):
        return ""
    applied = decisions["applied"].to_numpy(dtype=bool)
    by_kind = decisions.loc[applied, "decision"].value_counts()
    kinds = ", ".join(f"{by_kind[one.name]} {say(one.label)}" for one in DECISIONS if one.name in by_kind.index)
    without = int((~applied).sum())
    lines = [
        plural(
            "Decisions: {number} decision, {applied} applied{kinds}, {without} not.",
            "Decisions: {number} decisions, {applied} applied{kinds}, {without} not.",
            len(decisions),
            applied=int(applied.sum()),
            kinds=f" ({kinds})" if kinds else "",
            without=without,
        )
    ]
    kept = sites[sites["kept_by_decision"].to_numpy(dtype=bool)]
    for site in kept.head(KEPT_SHOWN).to_dict("records"):
        by = ", ".join(_who_keeps(site["decision_id"], decisions))
        why = say("excluded by {rules}; kept by {decisions}", rules=plain(site["rules_lifted"]), decisions=by)
        lines.append(indented(f"{plain(site['site_id'])}: {why}"))
    if len(kept) > KEPT_SHOWN:
        text = "and {number} more sites kept against rules"
        lines.append("  " + plural(text, text, len(kept) - KEPT_SHOWN))
    lines += [f"  {say(LAW)}"] if len(kept) else []
    if without:
        lines.append(_not_applied(decisions[~applied]))
    return "\n".join(lines)


# Each decision that keeps a site, with author and day.
def _who_keeps(ids, decisions):
    own = decisions[decisions["decision_id"].isin(ids.split(IN_ONE_CELL)) & (decisions["decision"] == KEEP.name)]
    for row in own.to_dict("records"):
        yield plain(f"{row['decision_id']} ({row['author']}, {day(row['date'])})")


# The decisions that do not apply, with why.
def _not_applied(rows):
    names = [say(name) for name in ("not applied", "says", "reach", "because")]
    table = text_table(*((name, "left") for name in names), wrapped=names[-1:])
    for row in rows.head(NOT_APPLIED_SHOWN).to_dict("records"):
        reach = row["reach_id"] or row["stated_reach_id"]
        table.add_row(
            name_of(row["decision_id"], 20),
            row["decision"],
            name_of(reach, 20),
            f"{say(row['not_applied'])}: {from_table(plain(row['because']))}",
        )
    rest = len(rows) - NOT_APPLIED_SHOWN
    return rendered(table) + (
        "\n  " + say("and {number} more in the layer decisions", number=rest) if rest > 0 else ""
    )


def why_not_applied(row):
    """Why a decision does not apply, as a sentence.

    Parameters
    ----------
    row : dict
        Of the layer ``decisions``.

    Returns
    -------
    str
        What it could not be held against, of one that applies.
    """
    said = from_table(row["because"])
    because = f"{said[:1].upper()}{said[1:]}." if said else ""
    return because if row["applied"] else f"{phrases(NOT_APPLIED)[row['not_applied']]} {because}"
