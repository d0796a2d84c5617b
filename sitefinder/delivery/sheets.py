"""The stages of the field sheets and of the map."""

from sitefinder.report.handover import handover_of
from sitefinder.report.sheets import district_map_pdf, field_sheets_pdf


def make_field_sheets(settings, made, fonts, scratch):
    """An overview and the sheets of the best sites.

    Returns
    -------
    Path
    """
    path = scratch / "field-sheets.pdf"
    path.write_bytes(field_sheets_pdf(handover_of(settings, made, fonts), settings.delivery.field_sheets))
    return path


def make_district_map(settings, made, fonts, scratch):
    """One map of the whole region.

    Returns
    -------
    Path
    """
    path = scratch / "district-map.pdf"
    path.write_bytes(district_map_pdf(handover_of(settings, made, fonts)))
    return path
