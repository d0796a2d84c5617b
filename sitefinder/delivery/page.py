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


def explained_page(settings, made, explained):
    """The page of a finished run with explanations in the sections of their sites.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    made : Mapping
        Results of all stages of the run.
    explained : dict of str to str
        See `sitefinder.report.page.page_html`.

    Returns
    -------
    str
        HTML without links to other files of the delivery, since it may lie anywhere.
    """
    with speaking(settings.delivery.language):
        html: str = page_html(handover_of(settings, made), explained)
    return html
