"""The field sheets as one PDF: overview first, then the sheet of each of the best sites."""

from functools import partial

from sitefinder.report.sheets.flow import paginate
from sitefinder.report.sheets.letters import BOX, Letters
from sitefinder.report.sheets.overview import overview_blocks
from sitefinder.report.sheets.paper import A4_MM, GREY, MARGIN_MM, Page, pdf_of
from sitefinder.report.sheets.site_sheet import site_blocks
from sitefinder.schema.cautions import SCREENING

WIDTH_MM = A4_MM[0] - 2 * MARGIN_MM
TOP_MM, FOOT_MM = 17.0, 279.0
LACKS_LETTERS = f"{BOX}: a letter that no font at hand has; name a font in delivery.font_files."


def field_sheets_pdf(handover, count):
    """The field sheets of the best sites.

    Parameters
    ----------
    handover : sitefinder.report.handover.Handover
    count : int
        Number of sites that get a sheet.

    Returns
    -------
    bytes
        A PDF, A4; the same for the same tables.
    """
    return pdf_of(sheet_pages(handover, count), f"{handover.title}: field sheets")


def sheet_pages(handover, count):
    """Pages of the field sheets.

    Parameters
    ----------
    handover, count
        See `field_sheets_pdf`.

    Returns
    -------
    list of callable
        Each makes a `sitefinder.report.sheets.paper.Page`.
    """
    letters = Letters(handover.font_paths)
    listed = handover.tables["sites"].sort_values("rank").head(count)
    room = FOOT_MM - TOP_MM
    sheets = [paginate(site_blocks(handover, site, letters), room) for _, site in listed.iterrows()]
    # The list's height does not hang on the page numbers in it.
    first = len(paginate(overview_blocks(handover, listed, [0] * len(listed), letters), room)) + 1
    begins = [first + sum(len(pages) for pages in sheets[:number]) for number in range(len(sheets))]
    overview = paginate(overview_blocks(handover, listed, begins, letters), room)
    numbered = [("overview", "", overview)]
    for number, (site_id, pages) in enumerate(zip(listed["site_id"], sheets, strict=True), 1):
        numbered.append((f"sheet {number} of {len(sheets)}", site_id, pages))
    made, page_number = [], 0
    for name, site_id, pages in numbered:
        for part, blocks in enumerate(pages, 1):
            page_number += 1
            told = name if len(pages) == 1 else f"{name}, part {part} of {len(pages)}"
            made.append(partial(_page, handover, letters, blocks, told, site_id, page_number))
    return made


def _page(handover, letters, blocks, told, site_id, number):
    page = Page(A4_MM, letters)
    [title] = letters.lines(handover.title, 80.0, 7, most=1)
    page.text(MARGIN_MM, 11.0, title, 7, colour=GREY)
    [where] = letters.lines(f"{told} · {site_id}" if site_id else told, 95.0, 7, most=1)
    page.text(MARGIN_MM + WIDTH_MM, 11.0, where, 7, colour=GREY, align="right")
    page.rule(MARGIN_MM, 13.0, MARGIN_MM + WIDTH_MM, 13.0)
    y = TOP_MM
    for block in blocks:
        block.draw(page, MARGIN_MM, y)
        y += block.height_mm
    page.rule(MARGIN_MM, FOOT_MM + 2.0, MARGIN_MM + WIDTH_MM, FOOT_MM + 2.0)
    foot = page.paragraph(MARGIN_MM, FOOT_MM + 2.6, SCREENING, WIDTH_MM - 16.0, 6.5, colour=GREY)
    if page.lacks_letters:
        page.paragraph(MARGIN_MM, foot, LACKS_LETTERS, WIDTH_MM - 16.0, 6.5, colour=GREY)
    page.text(MARGIN_MM + WIDTH_MM, FOOT_MM + 5.0, str(number), 8, bold=True, align="right")
    return page
