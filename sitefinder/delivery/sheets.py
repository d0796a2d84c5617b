"""The stages of the field sheets and of the map, and sheets that are asked for later."""

from difflib import get_close_matches

from sitefinder.delivery.site_contours import contours_of
from sitefinder.errors import InputError, listed
from sitefinder.report.handover import handover_of
from sitefinder.report.languages import speaking
from sitefinder.report.sheets import district_map_pdf, field_sheets_pdf, sites_with_sheet
from sitefinder.report.sheets.logo import logo_svg
from sitefinder.report.sheets.plate import Imprint


def make_field_sheets(settings, made, fonts, scratch):
    """An overview and the sheets of the best sites.

    Returns
    -------
    Path
    """
    path = scratch / "field-sheets.pdf"
    handover = handover_of(settings, made, fonts, made["site_contours"])
    with speaking(settings.delivery.language):
        path.write_bytes(field_sheets_pdf(handover, settings.delivery.field_sheets))
    return path


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
    _validate_ids(tables["sites"]["site_id"].tolist(), site_ids)
    chosen = sites_with_sheet(tables["sites"], 0, site_ids)
    drawn = (made[name] for name in ("surface", "dem_errors", "relief", "map_context"))
    contours = contours_of(chosen, settings.run.crs, *drawn, tables)
    with speaking(settings.delivery.language):
        return field_sheets_pdf(handover_of(settings, made, fonts, contours), len(chosen), site_ids)


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
    path, delivery = scratch / "district-map.pdf", settings.delivery
    contact = delivery.contact
    author = "" if contact is None else ", ".join(filter(None, [contact.name, contact.organisation]))
    imprint = Imprint(author, delivery.date or "", logo_svg(logo[0]) if logo else "")
    with speaking(delivery.language):
        path.write_bytes(district_map_pdf(handover_of(settings, made, fonts), imprint))
    return path
