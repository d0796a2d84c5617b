"""Water rights at a site in words, for page, field sheets and explanations."""

from sitefinder.report.fish import months_text
from sitefinder.report.languages import numeral, plural, say
from sitefinder.report.text import is_missing, plain, rows_by_site
from sitefinder.vocabulary import RIGHT_BELOW, RIGHT_RELATIONS, named

# Rights below a site that are listed; of others there are their number and flow (own choice).
MAX_BELOW = 3
# Kinds that bring water.
BRINGING = ("return", "transfer_in")


def rights_by_site(rights):
    """Sentences on the water rights of each site, from the intake down.

    Parameters
    ----------
    rights : DataFrame
        Layer ``site_water_rights``.

    Returns
    -------
    dict of str to list of str
        By ``site_id``; a site without any is not in it.
    """
    ordered = rights.sort_values("position", kind="stable")
    return {site_id: right_sentences(rows) for site_id, rows in rows_by_site(ordered).items()}


def right_sentences(rows):
    """Sentences on the rights of one site; of those below it the nearest, and how many more there are.

    Parameters
    ----------
    rows : list of dict
        Of ``site_water_rights``, downstream.

    Returns
    -------
    list of str
    """
    below = [row for row in rows if row["relation"] == RIGHT_BELOW.name]
    more = below[MAX_BELOW:]
    sentences = [right_sentence(row) for row in rows if row not in more]
    if more:
        taken_m3s = sum(row["flow_m3s"] for row in more if row["kind"] not in BRINGING)
        last_m = max(row["distance_m"] for row in more)
        sentences.append(
            plural(
                "{number} more water right downstream, up to {distance} m below the intake, with {flow} m³/s "
                "together: see the layer site_water_rights.",
                "{number} more water rights downstream, up to {distance} m below the intake, with {flow} m³/s "
                "together: see the layer site_water_rights.",
                len(more),
                distance=f"{last_m:.0f}",
                flow=numeral(f"{taken_m3s:.3g}"),
            )
        )
    return sentences


def right_sentence(row):
    """One row of ``site_water_rights`` in words.

    Parameters
    ----------
    row : dict

    Returns
    -------
    str

    Examples
    --------
    >>> right_sentence({"kind": "transfer_out", "licence": "L-12", "name": "", "relation": "in the depleted reach",
    ...                 "distance_m": 120.4, "flow_m3s": 0.25, "share_of_time": 0.5, "months": "5;6",
    ...                 "seniority": "1932"})
    'Water right L-12 (transfer out, 0.25 m³/s, 50 % of the time, May and June, seniority 1932), 120 m below the \
intake. It lies in the depleted reach: the plant takes its water.'
    """
    name = "" if is_missing(row["name"]) or not row["name"] else f", {plain(row['name'])}"
    facts = [say(row["kind"].replace("_", " "))]
    facts += [] if is_missing(row["flow_m3s"]) else [numeral(f"{row['flow_m3s']:.3g}") + " m³/s"]
    if not is_missing(row["share_of_time"]) and row["share_of_time"] < 1:
        facts.append(say("{share} % of the time", share=f"{100 * row['share_of_time']:.0f}"))
    facts += [months_text(row["months"])] if row["months"] else []
    facts += [say("seniority {seniority}", seniority=plain(row["seniority"]))] if row["seniority"] else []
    about = say(named(RIGHT_RELATIONS, row["relation"]).phrase)
    if row["kind"] in BRINGING:
        about = say("It brings water {relation}.", relation=say(row["relation"]))
    given = {
        "right": plain(row["licence"]) + name,
        "facts": ", ".join(facts),
        "distance": f"{abs(row['distance_m']):.0f}",
        "about": about,
    }
    if row["distance_m"] >= 0:
        return say("Water right {right} ({facts}), {distance} m below the intake. {about}", **given)
    return say("Water right {right} ({facts}), {distance} m above the intake. {about}", **given)
