"""The stage of the page."""

from sitefinder.report.handover import handover_of
from sitefinder.report.page import page_html


def make_page(settings, made, scratch):
    """The page with map, tables and diagrams.

    Returns
    -------
    Path
    """
    path = scratch / "page.html"
    path.write_text(page_html(handover_of(settings, made)), encoding="utf-8", newline="\n")
    return path
