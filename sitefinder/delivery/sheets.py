"""The stages of the field sheets and of the map, and sheets that are asked for later."""

from difflib import get_close_matches

from sitefinder.delivery.site_contours import contours_of
from sitefinder.errors import InputError, listed
from sitefinder.report.handover import handover_of
from sitefinder.report.languages import speaking
from sitefinder.report.sheets import district_map_pdf, field_sheets_pdf, sites_with_sheet
from sitefinder.report.sheets.logo import logo_svg
from sitefinder.report.sheets.plate import Imprint, of_district
from sitefinder.steps.selection import whole_site_id


def make_field_sheets(settings, made, fonts, scratch):
    """An overview and the sheets of the best sites.

    Returns
    -------
    Path
    """
    path = scratch / "field-sheets.pdf"
    handover = _dated(settings, handover_of(settings, made, fonts, made["site_contours"]))
    with speaking(settings.delivery.language):
        path.write_bytes(field_sheets_pdf(handover, settings.delivery.field_sheets))
    return path


# With the day for which sheets say where a compass points.
def _dated(settings, handover):
    return handover._replace(date=settings.delivery.date or "")


def sheets_of(settings, made, fonts, site_ids):
    """Sheets of sites of a finished run, whatever their rank: what a run makes of them as its best ones.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    made : Mapping
        Results of all stages of the run.
    fonts : sequence of Path
        See `sitefinder.report.handover.Handover`.
    site_ids : sequence of str
        Without the scheme type where one site alone is at the place.

    Returns
    -------
    bytes
        A PDF as `make_field_sheets` writes it.

    Raises
    ------
    InputError
        Naming every id that is none of a site.
    """
    tables = {name: made[f"{name}_table"] for name in ("sites", "stretches", "conduits")}
    known = tables["sites"]["site_id"].tolist()
    site_ids = [whole_site_id(each, known) for each in site_ids]
    _validate_ids(known, site_ids)
    chosen = sites_with_sheet(tables["sites"], 0, site_ids)
    drawn = (made[name] for name in ("surface", "dem_errors", "relief", "map_context"))
    contours = contours_of(chosen, settings.run.crs, *drawn, tables)
    handover = _dated(settings, handover_of(settings, made, fonts, contours))
    with speaking(settings.delivery.language):
        return field_sheets_pdf(handover, len(chosen), site_ids)


def _validate_ids(known, site_ids):
    unknown = [each for each in dict.fromkeys(site_ids) if each not in set(known)]
    if unknown:
        near = [found for each in unknown for found in get_close_matches(each, known, 1, 0.0)]
        raise InputError.of(
            "no site of this run is called so",
            expected=f"ids of its {len(known)} selected sites, as the layer sites has them",
            found=listed(unknown),
            nearest=listed(list(dict.fromkeys(near))) if near else "none: no site was selected",
            fix="take ids from sites.csv or the layer sites; sitefinder explain says why a reach has no site",
        )


def make_district_map(settings, made, fonts, logo, scratch):
    """One map of the whole region.

    Returns
    -------
    Path
    """
    path = scratch / "district-map.pdf"
    with speaking(settings.delivery.language):
        path.write_bytes(district_map_pdf(handover_of(settings, made, fonts), _imprint(settings, logo)))
    return path


def _imprint(settings, logo):
    delivery = settings.delivery
    contact = delivery.contact
    author = "" if contact is None else ", ".join(filter(None, [contact.name, contact.organisation]))
    return Imprint(author, delivery.date or "", logo_svg(logo[0]) if logo else "")


def district_maps_of(settings, made, fonts, logo, districts):
    """A map of each of some districts of a finished run.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    made : Mapping
        Results of all stages of the run.
    fonts : sequence of Path
        See `sitefinder.report.handover.Handover`.
    logo : sequence of Path
        None or one.
    districts : sequence of str
        As the layer ``districts`` names them; empty for every one with a reach.

    Yields
    ------
    district : str
    pdf : bytes
        One page, see `sitefinder.report.sheets.plate.district_map_pdf`.

    Raises
    ------
    InputError
        If the run has no districts, or naming each that it does not have.
    """
    handover = handover_of(settings, made, fonts)
    table = handover.tables["districts"]
    if "districts" not in handover.context:
        raise InputError.of(
            "this run has no districts",
            expected="a run with the input inputs.districts",
            found="none",
            fix="name a layer of districts in the settings and run again; district-map.pdf shows the whole region",
        )
    known = table["district"].tolist()
    _validate_districts([name for name in known if name], districts)
    wanted = list(dict.fromkeys(districts)) or table.loc[table["reaches"] > 0, "district"].tolist()
    imprint = _imprint(settings, logo)
    for district in wanted:
        with speaking(settings.delivery.language):
            pdf = district_map_pdf(of_district(handover, district), imprint)
        yield district, pdf


def _validate_districts(known, districts):
    unknown = [each for each in dict.fromkeys(districts) if each not in set(known)]
    if unknown:
        raise InputError.of(
            "no district of this run is called so",
            expected=f"one of {listed(known)}",
            found=listed(unknown),
            fix="take names from the layer districts, or leave them out for a map of each",
        )
