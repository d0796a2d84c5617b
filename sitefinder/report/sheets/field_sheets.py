"""The field sheets as one PDF: overview first, then the sheet of each of the best sites."""

from sitefinder.report.flow_quality import input_notes
from sitefinder.report.languages import labels, plural, say
from sitefinder.report.sheets.amounts import amount, span, words
from sitefinder.report.sheets.compile import shortened, typesetter
from sitefinder.report.sheets.maps import locate, locator, measure_names, region_map
from sitefinder.report.sheets.profiles import measure_profiles
from sitefinder.report.sheets.site_data import LONGEST_NAME, beside_sites, site_data
from sitefinder.report.stream_names import stream_names
from sitefinder.report.structures import beside_text
from sitefinder.report.text import energy_interval, figure, gigawatt_hours, power
from sitefinder.schema.arrays import records_of
from sitefinder.schema.wording import READING, SAFETY, SCREENING
from sitefinder.units import METRES_PER_KILOMETRE
from sitefinder.vocabulary import VERDICTS

OVERVIEW_MAP_MM = (126.0, 118.0)
LONGEST_IN_LIST = 40
NO_SITE = "No site was selected in this run. The layer reaches has the rejection reason of each reach."


def field_sheets_pdf(handover, count, site_ids=None):
    """The field sheets of the best sites, or of those that are asked for.

    Parameters
    ----------
    handover : sitefinder.report.handover.Handover
    count : int
        Number of sites with a sheet.
    site_ids : collection of str, optional
        Ids of the sites with a sheet, in place of the best ones; sheets come in the order of rank.

    Returns
    -------
    bytes
        A PDF, A4, tagged for accessibility; the same for the same tables.
    """
    listed = sites_with_sheet(handover.tables["sites"], count, site_ids)
    called = stream_names(handover.tables["reaches"], listed["reach_id"])
    sites = records_of(listed.drop(columns="geometry"))
    streams = [words(site["stream"], called[site["reach_id"]]) for site in sites]
    beside = beside_sites(handover.tables)
    with typesetter(handover.font_paths) as setter:
        measure_names(setter, handover)
        measure_profiles(setter, handover.tables["site_profiles"])
        sheets = [
            site_data(setter, handover, beside, site, stream) for site, stream in zip(sites, streams, strict=True)
        ]
        small = locator(setter, handover)
        for sheet in sheets:
            if sheet["map"] and small:
                sheet["window"] = locate(small[1], sheet["map"]["window"])
        data = {
            "title": setter.text(handover.title),
            "short_title": setter.text(shortened(handover.title, LONGEST_NAME)),
            "totals": totals_text(handover),
            "notes": [setter.text(text) for text in handover.notes],
            "input_notes": [setter.text(text) for text, _ in input_notes(handover.tables, handover.allow)],
            "overview": region_map(setter, handover, OVERVIEW_MAP_MM, number_pt=6.5, largest_mm=0.9, name_pt=6.0),
            "list_title": _list_title(handover, listed),
            "list": _list(setter, sites, streams),
            "sheets": sheets,
            "locator": small[0] if small else None,
            "screening": say(SCREENING),
            "reading": [say(text) for text in READING],
            "safety": [say(text) for text in SAFETY],
        }
        return setter.pdf("field_sheets.typ", data)


def sites_with_sheet(sites, count, site_ids=None):
    """Rows of the layer ``sites`` that get a sheet, by rank; arguments as `field_sheets_pdf`."""
    ranked = sites.sort_values("rank")
    return ranked.head(count) if site_ids is None else ranked[ranked["site_id"].isin(list(site_ids))]


def totals_text(handover):
    """Totals of all sites, and of drops without a stream, as sentences."""
    sites = handover.tables["sites"]
    if not len(sites):
        return say(NO_SITE)
    energy = gigawatt_hours(sites["energy_mwh"].sum())
    interval = energy_interval(handover.energy_p90_mwh, handover.energy_p50_mwh, handover.energy_p10_mwh)
    text = plural(
        "{number} site: installed capacity {capacity}, mean annual energy {energy} GWh ({interval} GWh); "
        "{effects}.",
        "{number} sites: installed capacity {capacity}, mean annual energy {energy} GWh ({interval} GWh); "
        "{effects}.",
        len(sites),
        capacity=power(sites["power_kw"].sum()),
        energy=energy,
        interval=interval,
        effects=effects_of_sites(sites),
    )
    return text + beside_text(handover.tables["totals"])


def effects_of_sites(sites):
    """Depleted length and new barriers of sites, as part of a sentence."""
    depleted_km = sites["depleted_length_m"].sum() / METRES_PER_KILOMETRE
    return plural(
        "{length} km of stream depleted, {number} new barrier",
        "{length} km of stream depleted, {number} new barriers",
        int(sites["new_barrier"].sum()),
        length=figure(depleted_km),
    )


def _list_title(handover, listed):
    sites = handover.tables["sites"]
    if len(listed) == len(sites):
        return say("Sheets: all sites") if len(sites) > 1 else say("Sheets: the one site")
    are_best = listed["site_id"].tolist() == sites_with_sheet(sites, len(listed))["site_id"].tolist()
    text = "Sheets: the best {shown} of {all} sites" if are_best else "Sheets: {shown} of {all} sites"
    return say(text, shown=len(listed), all=len(sites))


# A row of the list for each sheet; the template adds the page.
def _list(setter, sites, streams):
    label_of = labels(VERDICTS)
    return [
        [
            str(site["rank"]),
            setter.text(shortened(stream, LONGEST_IN_LIST)),
            setter.text(shortened(site["site_id"], LONGEST_IN_LIST)),
            amount(site["head_m"], "", 1),
            amount(site["power_kw"]),
            amount(site["energy_mwh"]),
            span(site["energy_mwh_p90"], site["energy_mwh_p10"]),
            label_of[site["verdict"]],
        ]
        for site, stream in zip(sites, streams, strict=True)
    ]
