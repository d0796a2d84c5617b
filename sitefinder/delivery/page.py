"""The stage of the page."""

from sitefinder.delivery.file_names import wanted_files
from sitefinder.report.handover import handover_of
from sitefinder.report.page import page_html


def make_page(settings, made, scratch):
    """The page with map, tables and diagrams.

    Returns
    -------
    Path
    """
    path = scratch / "page.html"
    files, sheets = tuple(wanted_files(settings.delivery)), settings.delivery.field_sheets
    handover = handover_of(settings, made)._replace(files=files, sheets=sheets)
    path.write_text(page_html(handover), encoding="utf-8", newline="\n")
    return path
