"""What lies on the stream at a site, in words for the page and the field sheets."""

from sitefinder.report.text import NOT_KNOWN, is_missing, plain, rows_by_site
from sitefinder.vocabulary import PASSED_KINDS, labels

KIND_LABELS = labels(PASSED_KINDS)


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
    side = "below" if distance_m >= 0 else "above"
    parts = []
    if not is_missing(row["drop_m"]):
        parts.append(f"drop {row['drop_m']:.1f} m")
    for column in ("use", "owner", "condition"):
        if not is_missing(row[column]) and row[column]:
            parts.append(f"{column} {plain(row[column])}")
    if row["powered"]:
        parts.append("powered")
    if row["fish_pass"]:
        parts.append("fish pass")
    where = NOT_KNOWN if is_missing(distance_m) else f"{abs(distance_m):.0f} m {side} the intake"
    text = f"{' '.join(filter(None, (KIND_LABELS[row['kind']], name)))}, {row['role']}, {where}"
    return f"{text}: {', '.join(parts)}" if parts else text
