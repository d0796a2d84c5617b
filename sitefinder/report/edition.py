"""Words of a public edition: notes on every product, its README, and why each reach has its verdict."""

import pandas as pd

from sitefinder.report.text import counted, is_missing, plain
from sitefinder.schema.wording import SAFETY, SCREENING
from sitefinder.vocabulary import IN_ONE_CELL, REJECTION_REASONS, VERDICTS, named, names

# Which way figures of an edition differ from those of the inventory that it is made of.
DIRECTION = (
    "A rule holds in the whole cell: more stream is excluded or limited than in the unpublished inventory, "
    "usually with fewer sites and less energy. No reach that such a rule excludes is shown as open."
)


def edition_notes(generalised, left_out, hidden_left_out, texts_withheld):
    """What readers of a public edition must know, for every product.

    Parameters
    ----------
    generalised : list of (str, str)
        Name of each rule whose features are replaced by cells, and the side of the cells as text.
    left_out : list of str
        Inputs that the edition is made without.
    hidden_left_out : int
        Rules that are left out because they are hidden.
    texts_withheld : list of str
        Inputs without personal names and free texts.

    Returns
    -------
    list of str
    """
    notes = []
    if generalised:
        layers = "; ".join(f"{name}, cells of {side}" for name, side in generalised)
        notes.append(
            f"Public edition: sensitive layers are generalised to the square cells that their features lie in "
            f"({layers}). {DIRECTION}"
        )
    if hidden_left_out:
        notes.append(
            "Public edition: rules whose layers may not be published are left out. A site may be forbidden for a "
            "reason that is not shown here: ask the publisher before a visit."
        )
    if left_out:
        notes.append(
            f"Public edition: made without {', '.join(left_out)}, which are not published; figures may be "
            "higher or lower than in the unpublished inventory."
        )
    if texts_withheld:
        notes.append(f"Public edition: personal names and free texts are withheld ({', '.join(texts_withheld)}).")
    return notes or ["Public edition: no layer is generalised or left out."]


def reasons_in_words(reaches):
    """Why each reach has its verdict and its site or none, in plain words.

    Parameters
    ----------
    reaches : DataFrame
        The layer of that name.

    Returns
    -------
    DataFrame
        ``reach_id``, ``stream``, ``length_m``, ``verdict`` and ``in_words``, in the order of the layer.
    """
    words = [_in_words(row) for row in reaches[["verdict", "reasons", "rejection_reason"]].to_dict("records")]
    table = pd.DataFrame(reaches[["reach_id", "stream", "length_m", "verdict"]])
    return table.assign(length_m=table["length_m"].round(1), in_words=words)


def _in_words(row):
    sentences = [named(VERDICTS, row["verdict"]).phrase]
    rules = [] if is_missing(row["reasons"]) else [each for each in row["reasons"].split(IN_ONE_CELL) if each]
    if rules:
        sentences.append(
            f"{'The rule that applies' if len(rules) == 1 else 'Rules that apply'}: {', '.join(rules)}."
        )
    reason = row["rejection_reason"]
    if reason in names(REJECTION_REASONS):
        sentences.append(f"It has no site: {named(REJECTION_REASONS, reason).phrase}")
    elif is_missing(reason) or not reason:
        sentences.append("A site uses it.")
    return " ".join(sentences)


def readme_text(about, notes, inputs, generalised, counts, versions):
    """The README of a public edition, in Markdown.

    Parameters
    ----------
    about : sitefinder.publication.crate.About
    notes : sequence of str
        As `edition_notes` gives them.
    inputs : sequence of sitefinder.publication.public_form.PublicInput
    generalised : list of (str, str, int)
        Name of each rule, side of its cells as text, and their number.
    counts : tuple of (int, int)
        Reaches and sites.
    versions : list of (str, str)
        Name and version of the program and its libraries.

    Returns
    -------
    str
    """
    contact = about.contact
    who = "" if contact is None else ", ".join(filter(None, [contact.name, contact.organisation, contact.email]))
    lines = [
        f"# {plain(about.title)}",
        "",
        f"{counted(counts[0], 'reach', 'reaches')}, {counted(counts[1], 'site', 'sites')}; published {about.date}"
        + (f" by {plain(who)}" if who else "")
        + f". Licence of this edition: {plain(about.licence)}. Inputs have their own, listed below.",
        "",
        f"**{SCREENING}**",
        "",
        "## What was generalised or withheld",
        "",
        *[f"- {note}" for note in notes],
        *[f"- {plain(name)}: {counted(number, 'cell', 'cells')} of {side}." for name, side, number in generalised],
        "",
        "Everything here was computed from this public form of the inputs alone: it cannot show more of the place "
        "of a feature than its cell.",
        "",
        "## What is here",
        "",
        "| place | holds |",
        "| --- | --- |",
        "| `delivery/` | the inventory: open `report.html` in a browser, `sites.gpkg` in a GIS |",
        "| `reasons.csv` | why each reach has its verdict and its site or none, in plain words |",
        "| `bundle/` | settings, inputs and data files from which the delivery was made |",
        "| `ro-crate-metadata.json` | the same for programs (RO-Crate 1.1): files, digests, licences, versions |",
        "| `edition.json` | names and digests of all files |",
        "",
        "## Make it again",
        "",
        f"With sitefinder {versions[0][1]} and the versions below, the same bytes come out. Copy `bundle/` to a "
        "folder of your own, and put the inputs that are not passed on where the table says.",
        "",
        "```",
        "sitefinder run bundle/settings.toml",
        "```",
        "",
        "Then compare `bundle/replay/` with `delivery/`.",
        "",
        "## Inputs, licences and credits",
        "",
        "| input | producer | licence | credit | in the edition |",
        "| --- | --- | --- | --- | --- |",
        *[_input_row(one) for one in inputs],
        "",
        "## Versions",
        "",
        ", ".join(f"{name} {version}" for name, version in versions),
        "",
        "## Cautions",
        "",
        *[f"- {text}" for text in SAFETY],
        "",
    ]
    return "\n".join(lines)


def _input_row(one):
    if one.is_public:
        where = f"`bundle/{one.place}`" + (f": {one.made_of}" if one.made_of else "")
    elif one.place:
        where = f"not passed on; a replay needs it at `bundle/{one.place}`"
    else:
        where = "not passed on; a replay reads it from its address"
    cells = [one.name, one.source, one.licence, one.attribution, where]
    return "| " + " | ".join(plain(cell).replace("|", "\\|") or "—" for cell in cells) + " |"
