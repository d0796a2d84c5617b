"""The stages of the field sheets and of the map."""

from sitefinder.report.handover import handover_of
from sitefinder.report.sheets import district_map_pdf, field_sheets_pdf
from sitefinder.report.sheets.logo import logo_svg
from sitefinder.report.sheets.plate import Imprint


def make_field_sheets(settings, made, fonts, scratch):
    """An overview and the sheets of the best sites.

    Returns
    -------
    Path
    """
    path = scratch / "field-sheets.pdf"
    path.write_bytes(
        field_sheets_pdf(handover_of(settings, made, fonts, made["site_contours"]), settings.delivery.field_sheets)
    )
    return path


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
    path.write_bytes(district_map_pdf(handover_of(settings, made, fonts), imprint))
    return path
