"""The district map: the whole region on one A3 page, with legend, totals, sources and cautions."""

from collections import ChainMap
from typing import NamedTuple

from sitefinder.report.languages import day, labels, say
from sitefinder.report.sheets.amounts import amount, crs_text, words
from sitefinder.report.sheets.compile import shortened, typesetter
from sitefinder.report.sheets.field_sheets import totals_text
from sitefinder.report.sheets.maps import measure_names, region_map
from sitefinder.report.stream_names import stream_names
from sitefinder.schema.arrays import records_of
from sitefinder.schema.wording import NOT_KNOWN, READING, SCREENING
from sitefinder.vocabulary import VERDICTS

PLATE_MAP_MM = (285.0, 265.5)
DISTRICTS_SHOWN, SITES_SHOWN, SOURCES_SHOWN = 12, 40, 14
LONGEST_NAME, LONGEST_IN_LIST, LONGEST_SOURCE = 60, 28, 220
# Provenance of an input without a statement by the user.
NOT_STATED = ("", "not stated")
# Layers of which a map of one district shows the rows of its sites.
BY_SITE = ("stretches", "conduits")


class Imprint(NamedTuple):
    """Who delivers the map, and when, as the settings state it, empty if not. ``logo`` is an SVG text."""

    author: str = ""
    date: str = ""
    logo: str = ""


NO_IMPRINT = Imprint()


def district_map_pdf(handover, imprint=NO_IMPRINT):
    """The district map of the whole region.

    Parameters
    ----------
    handover : sitefinder.report.handover.Handover
    imprint : Imprint

    Returns
    -------
    bytes
        A PDF of one page, A3 landscape, tagged for accessibility; the same for the same tables.
    """
    with typesetter(handover.font_paths) as setter:
        measure_names(setter, handover)
        districts, more_districts = _districts(setter, handover)
        sources, more_sources = _sources(setter, handover)
        data = {
            "title": setter.text(shortened(handover.title, LONGEST_NAME)),
            "totals": totals_text(handover),
            "map": region_map(
                setter, handover, PLATE_MAP_MM, number_pt=7.5, largest_mm=1.7, name_pt=7.5, plate=True, steps=8
            ),
            "districts": districts,
            "more_districts": more_districts,
            "grid": setter.text(crs_text(handover.crs)),
            "sites": _sites(setter, handover),
            "sources": sources,
            "more_sources": more_sources,
            "imprint": setter.text(" · ".join(filter(None, [imprint.author, day(imprint.date)]))),
            "logo": imprint.logo,
            "notes": [setter.text(text) for text in handover.notes],
            "screening": say(SCREENING),
            "reading": [say(text) for text in READING],
            "not_known": [say(text) for text in NOT_KNOWN],
        }
        return setter.pdf("plate.typ", data)


def of_district(handover, district):
    """What a map of one district alone is made from: its streams, sites and totals, on the ground of all.

    Parameters
    ----------
    handover : sitefinder.report.handover.Handover
        Of the whole region, with a layer of districts.
    district : str
        As the layer ``districts`` names it; empty for what lies outside all districts.

    Returns
    -------
    sitefinder.report.handover.Handover
        Sites keep their rank in the region. A reach belongs to the district that its middle lies in, as in the
        totals; drops without a stream to that in whose border they lie, and are in none of the totals.
    """
    tables, borders = handover.tables, handover.context["districts"]
    own = {name: tables[name][tables[name]["district"] == district] for name in ("sites", "reaches", "districts")}
    (totals,) = own["districts"].to_dict("records")
    shown = {name: tables[name][tables[name]["site_id"].isin(own["sites"]["site_id"])] for name in BY_SITE}
    structures = tables["structures"]
    shown["structures"] = structures[structures["reach_id"].isin(own["reaches"]["reach_id"])]
    inside = borders.geometry[borders["name"] == district].union_all() if district else borders.union_all()
    drops = tables["drops"]
    shown["drops"] = drops[drops.within(inside).to_numpy() == bool(district)]
    # Totals beside those of the district are of the region.
    shown["totals"] = tables["totals"].iloc[:0]
    return handover._replace(
        title=f"{handover.title}: {_name_of(district)}",
        tables=ChainMap(own | shown, tables),
        energy_p90_mwh=totals["energy_mwh_p90"],
        energy_p50_mwh=totals["energy_mwh_p50"],
        energy_p10_mwh=totals["energy_mwh_p10"],
    )


def _name_of(district):
    return district or say("outside all districts")


# Rows of the table of sites, the best first.
def _sites(setter, handover):
    best = handover.tables["sites"].sort_values("rank").head(SITES_SHOWN)
    stream_of = stream_names(handover.tables["reaches"], best["reach_id"])
    label_of = labels(VERDICTS)
    return [
        [
            str(site["rank"]),
            setter.text(shortened(words(site["stream"], stream_of[site["reach_id"]]), LONGEST_IN_LIST)),
            amount(site["head_m"], "", 1),
            amount(site["power_kw"]),
            amount(site["energy_mwh"]),
            label_of[site["verdict"]],
        ]
        for site in records_of(best.drop(columns="geometry"))
    ]


# Rows of the table of districts, and the number that do not fit.
def _districts(setter, handover):
    districts = handover.tables["districts"]
    if "districts" not in handover.context:
        return [], 0
    rows = [
        [
            setter.text(shortened(_name_of(row.district), LONGEST_NAME)),
            str(row.sites),
            amount(row.power_kw),
            amount(row.energy_mwh),
        ]
        for row in districts.itertuples()
    ]
    return rows[:DISTRICTS_SHOWN], max(len(rows) - DISTRICTS_SHOWN, 0)


# Producer, date and licence of the inputs; inputs with the same statement share a line.
def _sources(setter, handover):
    provenance = handover.tables["provenance"]
    inputs = provenance[provenance["kind"] == "input"]
    groups, silent = {}, []
    for row in inputs.itertuples():
        given = (row.source, day(row.date), row.licence)
        stated = tuple("" if cell in NOT_STATED else str(cell) for cell in given)
        if any(stated):
            groups.setdefault(stated, []).append(row.name)
        else:
            silent.append(row.name)
    texts = [f"{', '.join(names)}: {'; '.join(filter(None, stated))}" for stated, names in groups.items()]
    if silent:
        texts.append(say("Source not stated: {inputs}", inputs=", ".join(silent)))
    lines = [setter.text(shortened(text, LONGEST_SOURCE)) for text in texts]
    return lines[:SOURCES_SHOWN], max(len(lines) - SOURCES_SHOWN, 0)
