"""Blocks that follow each other down one page and on to the next, none of them cut."""

from collections.abc import Callable
from typing import NamedTuple

from sitefinder.report.sheets.paper import GREY, INK, PALE, RULE, line_mm


class Block(NamedTuple):
    """Something of a known height; ``draw`` takes a page, and the left and upper edge [mm].

    ``keeps`` is true where the next block has to stand on the same page, as under a heading. ``breaks`` asks for
    a new page before it. ``head`` is a block that is said again where this one begins a page, as of a table.
    """

    height_mm: float
    draw: Callable
    keeps: bool = False
    breaks: bool = False
    head: "Block | None" = None


def paginate(blocks, height_mm, first_mm=None):
    """Blocks by page.

    Parameters
    ----------
    blocks : list of Block
    height_mm : float
        Room on a page [mm].
    first_mm : float, optional
        Room on the first page, where it is another.

    Returns
    -------
    list of list of Block
        At least one page. A block that is higher than a page stands alone on one.

    Examples
    --------
    >>> low, high = Block(2.0, None, keeps=True), Block(6.0, None)
    >>> [len(page) for page in paginate([high, low, high, high], 9.0)]
    [1, 2, 1]
    """
    pages, room = [[]], height_mm if first_mm is None else first_mm
    for at, block in enumerate(blocks):
        needed, ahead = block.height_mm, at
        while blocks[ahead].keeps and ahead + 1 < len(blocks):
            ahead += 1
            needed += blocks[ahead].height_mm
        joined = at > 0 and blocks[at - 1].keeps
        if pages[-1] and not joined and (block.breaks or needed > room):
            pages.append([])
            room = height_mm
            if block.head is not None:
                pages[-1].append(block.head)
                room -= block.head.height_mm
        pages[-1].append(block)
        room -= block.height_mm
    return pages


def gap(height_mm):
    """Nothing, so high."""
    return Block(height_mm, lambda page, x, y: None)


def heading(text, width_mm, *, breaks=False):
    """A heading with a rule under it."""

    def draw(page, x, y):
        page.text(x, y + 5.6, text, 9.5, bold=True)
        page.rule(x, y + 7.0, x + width_mm, y + 7.0, width=0.8, colour=INK)

    return Block(8.4, draw, keeps=True, breaks=breaks)


def text_blocks(letters, text, width_mm, size=8.0, *, indent_mm=0.0, sign="", **options):
    """A block for each line of a text, so that it may go on over the page; `sign` stands before the first."""
    lines = letters.lines(text, width_mm - indent_mm, size, options.get("bold", False))

    def block(line, before):
        def draw(page, x, y):
            if before:
                page.lines(x + indent_mm - 3.0, y, [before], size, **options)
            page.lines(x + indent_mm, y, [line], size, **options)

        return Block(line_mm(size), draw)

    return [block(line, sign if number == 0 else "") for number, line in enumerate(lines)]


def pairs_block(letters, columns, width_mm, size=8.0, label_mm=36.0, most=4, gutter_mm=6.0):
    """Columns of label and value side by side, each value broken to its column.

    Parameters
    ----------
    letters : sitefinder.report.sheets.letters.Letters
    columns : list of (str, list of (str, str))
        Title and rows of each column.
    width_mm, size, label_mm : float
        Of the block and of the labels [mm], of the letters [pt].
    most : int
        Most lines of a value.
    gutter_mm : float
        Between the columns.

    Returns
    -------
    Block
    """
    each_mm = (width_mm - gutter_mm * (len(columns) - 1)) / len(columns)
    set_columns, heights = [], []
    for title, rows in columns:
        told = [
            (
                letters.lines(label, label_mm - 2.0, size, most=most),
                letters.lines(value, each_mm - label_mm, size, most=most),
            )
            for label, value in rows
        ]
        row_heights = [max(len(label), len(value)) * line_mm(size) + 0.9 for label, value in told]
        set_columns.append((title, told, row_heights))
        heights.append(6.0 * bool(title) + sum(row_heights))

    def draw(page, x, y):
        for title, told, row_heights in set_columns:
            top = y
            if title:
                page.text(x, top + 3.6, title, 8.5, bold=True)
                page.rule(x, top + 5.0, x + each_mm, top + 5.0, width=0.8, colour=INK)
                top += 6.0
            for (label, value), height in zip(told, row_heights, strict=True):
                page.lines(x, top + 0.3, label, size, colour=GREY)
                page.lines(x + label_mm, top + 0.3, value, size)
                top += height
                page.rule(x, top - 0.1, x + each_mm, top - 0.1, width=0.3)
            x += each_mm + gutter_mm

    return Block(max(heights) + 1.0, draw)


def table_blocks(letters, columns, rows, size=7.0, most=2):
    """A table: a block for its head and one for each row.

    Parameters
    ----------
    letters : sitefinder.report.sheets.letters.Letters
    columns : list of (str, float, str)
        Heading, width [mm] and side ("left" or "right") of each.
    rows : list of list of str
    size : float
        Of the letters [pt].
    most : int
        Most lines of a cell; an ellipsis tells what is left out.

    Returns
    -------
    list of Block
        The first is the head.
    """
    wide = sum(width for _, width, _ in columns)

    def row_block(cells, bold, number):
        lines = [
            letters.lines(cell, width - 2.0, size, bold, most)
            for cell, (_, width, _) in zip(cells, columns, strict=True)
        ]
        height = max(map(len, lines)) * line_mm(size) + 1.6

        def draw(page, x, y):
            if bold or number % 2:
                page.box(x, y, wide, height, fill=PALE, edge="none")
            for told, (_, width, side) in zip(lines, columns, strict=True):
                at = x + 1.0 if side == "left" else x + width - 1.0
                page.lines(at, y + 0.8, told, size, bold=bold, align=side)
                x += width
            page.rule(
                x - wide, y + height, x, y + height, width=0.8 if bold else 0.3, colour=INK if bold else RULE
            )

        return Block(height, draw, keeps=bold)

    heads = row_block([name for name, _, _ in columns], True, 0)
    return [heads, *(row_block(cells, False, number)._replace(head=heads) for number, cells in enumerate(rows))]
