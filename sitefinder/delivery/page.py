"""The stage of the page."""

from sitefinder.delivery.file_names import wanted_files
from sitefinder.report.handover import handover_of
from sitefinder.report.languages import speaking
from sitefinder.report.page import page_html


def make_page(settings, made, scratch):
    """The page with map, tables and diagrams.

    Returns
    -------
    Path
    """
    path = scratch / "page.html"
    handover = handover_of(settings, made)
    sheets = min(settings.delivery.field_sheets, len(handover.tables["sites"]))
    handover = handover._replace(files=tuple(wanted_files(settings.delivery)), sheets=sheets)
    with speaking(settings.delivery.language):
        path.write_text(page_html(handover), encoding="utf-8", newline="\n")
    return path
