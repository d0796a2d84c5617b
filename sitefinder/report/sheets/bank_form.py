"""The form for the bank: what to measure at a site, with room to write, and the box of dangers."""

from sitefinder.report.sheets.flow import Block, heading
from sitefinder.report.sheets.letters import MM_PER_POINT
from sitefinder.report.sheets.paper import GREY, INK, line_mm
from sitefinder.schema.cautions import SAFETY

ROW_MM = 8.4
CHECK_MM = 2.7
# Rows of the form: what is asked, and its blanks, each with what stands before and after it, and its share of the
# row (common practice, no source).
VISIT = (("Date", "", 2), ("Time, from to", "", 3), ("Name", "", 4), ("Weather, and rain of the last days", "", 6))
ROWS = (
    ("Water level at the intake", (("", "m above", 2), ("", "at (time)", 3), ("", "", 2))),
    ("Water level at the tailrace", (("", "m above", 2), ("", "at (time)", 3), ("", "", 2))),
    ("Difference of levels", (("", "m, good to ±", 2), ("", "m, measured with", 2), ("", "", 3))),
    ("Wetted width", (("intake", "m", 2), ("tailrace", "m", 2), ("between", "m", 2))),
    ("Depth of water", (("mean", "m", 2), ("greatest", "m", 2), ("bed of", "", 3))),
    ("Spot gauging of the flow", (("", "m³/s at (time)", 2), ("", "by", 2), ("", "", 3))),
    ("Existing weir or drop", (("drop", "m", 2), ("condition", "", 4), ("use", "", 3))),
    ("Fish, passes, barriers", (("", "", 1),)),
    ("Access, room for a plant", (("", "", 1),)),
    ("Power line, houses near", (("", "", 1),)),
    ("Leave of the landowner", (("asked of", "", 3), ("on", "", 2))),
)
PHOTOGRAPHS = ("upstream", "downstream", "intake", "tailrace", "weir", "banks", "access")
LABEL_MM = 44.0


def visit_blocks(width_mm):
    """Blocks of the form, from its heading on; the last are some empty lines for notes."""
    rows = [_row(None, VISIT, width_mm), *(_row(asked, blanks, width_mm) for asked, blanks in ROWS)]
    blocks = [heading("On the bank: measure and note", width_mm), *rows, _photographs(), *_notes(width_mm)]
    # The form stays together.
    return [block._replace(keeps=True) for block in blocks[:-1]] + blocks[-1:]


# A check box, what is asked, and blanks; without a box where nothing is asked.
def _row(asked, blanks, width_mm):
    def draw(page, x, y):
        base = y + ROW_MM - 2.0
        right = x + width_mm
        if asked is not None:
            _check(page, x, base)
            page.text(x + CHECK_MM + 1.6, base, asked, 8)
            x += LABEL_MM
        shares = sum(share for _, _, share in blanks)
        told = sum(
            page.letters.width_mm(word, 7) + 1.2 for before, after, _ in blanks for word in (before, after) if word
        )
        room = right - x - told - 2.0 * (len(blanks) - 1)
        for before, after, share in blanks:
            if before:
                page.text(x, base, before, 7, colour=GREY)
                x += page.letters.width_mm(before, 7) + 1.2
            length = room * share / shares
            page.rule(x, base + 0.6, x + length, base + 0.6, width=0.6, colour=INK)
            x += length
            if after:
                page.text(x + 1.2, base, after, 7, colour=GREY)
                x += page.letters.width_mm(after, 7) + 1.2
            x += 2.0

    return Block(ROW_MM, draw)


def _photographs():
    def draw(page, x, y):
        base = y + ROW_MM - 2.0
        _check(page, x, base)
        page.text(x + CHECK_MM + 1.6, base, "Photographs", 8)
        x += LABEL_MM
        for told in PHOTOGRAPHS:
            _check(page, x, base)
            page.text(x + CHECK_MM + 1.2, base, told, 7, colour=GREY)
            x += CHECK_MM + 3.6 + page.letters.width_mm(told, 7)

    return Block(ROW_MM, draw)


def _notes(width_mm):
    def draw(page, x, y):
        base = y + ROW_MM - 2.0
        page.text(x, base, "Notes", 7, colour=GREY)
        page.rule(x + 10.0, base + 0.6, x + width_mm, base + 0.6, width=0.6, colour=INK)

    def empty(page, x, y):
        page.rule(x, y + ROW_MM - 1.4, x + width_mm, y + ROW_MM - 1.4, width=0.6, colour=INK)

    return [Block(ROW_MM, draw), Block(ROW_MM, empty), Block(ROW_MM, empty)]


def _check(page, x, base):
    page.box(x, base - CHECK_MM + 0.3, CHECK_MM, CHECK_MM, edge=INK, line=0.7)


def safety_block(letters, width_mm, size=8.0):
    """The frame of dangers, whole or not at all on a page."""
    told = [letters.lines(sentence, width_mm - 12.0, size) for sentence in SAFETY]
    height = 9.0 + sum(len(lines) * line_mm(size) + 0.8 for lines in told) + 1.0

    def draw(page, x, y):
        page.box(x, y + 1.0, width_mm, height - 1.0, edge=INK, line=1.6)
        page.text(x + 4.0, y + 6.2, "Before you go: safety", 9.5, bold=True)
        top = y + 8.6
        for lines in told:
            page.text(x + 4.0, top + 0.98 * size * MM_PER_POINT, "–", size)
            top = page.lines(x + 8.0, top, lines, size) + 0.8

    return Block(height + 1.0, draw)
