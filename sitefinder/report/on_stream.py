"""What lies on the stream at a site, in words for the page and the field sheets."""

from sitefinder.report.languages import labels, numeral, say
from sitefinder.report.text import NOT_KNOWN, is_missing, plain, rows_by_site
from sitefinder.vocabulary import PASSED_KINDS


def things_by_site(stretch_structures):
    """Sentences on all that lies on the stream within each site and at its ends, from the intake down.

    Parameters
    ----------
    stretch_structures : DataFrame
        As `sitefinder.schema` declares it.

    Returns
    -------
    dict of str to list of str
        By ``site_id``; a site with nothing on its stream is not in it.
    """
    ordered = stretch_structures.drop(columns="geometry", errors="ignore").sort_values("position", kind="stable")
    return {site_id: [thing_text(row) for row in rows] for site_id, rows in rows_by_site(ordered).items()}


def thing_text(row):
    """One row of ``stretch_structures`` in words.

    Parameters
    ----------
    row : dict

    Returns
    -------
    str

    Examples
    --------
    >>> thing_text({"kind": "weir", "object_id": "W02", "role": "bypassed", "distance_m": 120.4, "use": "none",
    ...             "owner": "", "condition": "fair", "powered": False, "fish_pass": True, "drop_m": 1.86})
    'weir or other drop W02, bypassed, 120 m below the intake: drop 1.9 m, use none, condition fair, fish pass'
    """
    name = "" if is_missing(row["object_id"]) else plain(row["object_id"])
    distance_m = row["distance_m"]
    side = "{distance} m below the intake" if distance_m >= 0 else "{distance} m above the intake"
    parts = []
    if not is_missing(row["drop_m"]):
        parts.append(say("drop {drop} m", drop=numeral(f"{row['drop_m']:.1f}")))
    parts += stated_parts(row)
    if row["powered"]:
        parts.append(say("powered"))
    if row["fish_pass"]:
        parts.append(say("fish pass"))
    where = say(NOT_KNOWN) if is_missing(distance_m) else say(side, distance=f"{abs(distance_m):.0f}")
    kind = labels(PASSED_KINDS)[row["kind"]]
    text = f"{' '.join(filter(None, (kind, name)))}, {say(row['role'])}, {where}"
    return f"{text}: {', '.join(parts)}" if parts else text


# What the user's layer states of a structure: attribute and the text that shows it.
STATED = (("use", "use {stated}"), ("owner", "owner {stated}"), ("condition", "condition {stated}"))


def stated_parts(row, shown=plain):
    """What the user's layer states of a structure, in the user's words.

    Parameters
    ----------
    row : dict
        With ``use``, ``owner`` and ``condition``.
    shown : callable
        Makes a text of the user's ready to be shown.

    Returns
    -------
    list of str
    """
    return [say(text, stated=shown(row[name])) for name, text in STATED if not is_missing(row[name]) and row[name]]
