"""Pieces of HTML: tables, bars, intervals, lists and data for scripts, all of them escaped."""

import json

from sitefinder.report.page.words import is_missing, number, safe


class Cell(str):
    """HTML that is made already and goes into a table as it is."""


def figure_cell(text, value):
    """A figure that carries its exact value as ``data-v``, to sort and to test by."""
    return Cell(f'<td class="n" data-v="{number(value)}">{safe(text)}</td>')


def table(caption, headings, rows, kind="", identity=""):
    """An HTML table that scrolls inside its own box.

    Parameters
    ----------
    caption : str
    headings : sequence of str or (str, str)
        Heading, and what it means where a tooltip says so.
    rows : iterable of sequence
        A `Cell` is taken as it is, anything else becomes escaped text.
    kind, identity : str
        Class and id of the table.

    Returns
    -------
    str
    """
    heads = []
    for heading in headings:
        name, meaning = heading if isinstance(heading, tuple) else (heading, "")
        title = f' title="{safe(meaning)}"' if meaning else ""
        heads.append(f'<th scope="col"{title}>{safe(name)}</th>')
    body = "\n".join(f"<tr>{''.join(_cell(value, not at) for at, value in enumerate(row))}</tr>" for row in rows)
    named = f' id="{identity}"' if identity else ""
    return (
        f'<div class="scroll" tabindex="0" role="region" aria-label="{safe(caption)}">'
        f'<table class="{kind}"{named}>'
        f"<caption><span>{safe(caption)}</span></caption><thead><tr>{''.join(heads)}</tr></thead><tbody>\n{body}\n</tbody>"
        "</table></div>"
    )


# The first cell of a row names it.
def _cell(value, is_first):
    if isinstance(value, Cell):
        return value
    return f'<th scope="row">{safe(value)}</th>' if is_first else f"<td>{safe(value)}</td>"


def bar_cell(*parts):
    """A bar in a table cell; the figures beside it say the same in text.

    Parameters
    ----------
    *parts : (float, str)
        Share of the whole width, 0 to 1, and class of each piece, from the left.
    """
    pieces = "".join(
        f'<i class="{kind}" style="width:{100.0 * min(max(share, 0.0), 1.0):.2f}%"></i>' for share, kind in parts
    )
    return Cell(f'<td class="bar" aria-hidden="true"><span>{pieces}</span></td>')


def interval_cell(low, middle, high, most):
    """An interval as a line with a dot at the middle, on a scale from 0 to `most`."""
    if any(is_missing(value) for value in (low, middle, high)) or not most > 0:
        return Cell('<td class="bar" aria-hidden="true"></td>')
    left, right, dot = (100.0 * min(max(value / most, 0.0), 1.0) for value in (low, high, middle))
    return Cell(
        '<td class="bar" aria-hidden="true"><span class="range">'
        f'<i class="line" style="left:{left:.2f}%;width:{right - left:.2f}%"></i>'
        f'<i class="dot" style="left:{dot:.2f}%"></i></span></td>'
    )


def text_list(texts):
    """An unordered list."""
    return "<ul>" + "".join(f"<li>{safe(text)}</li>" for text in texts) + "</ul>"


def fold(summary, inner):
    """Something long that opens on demand, and in print."""
    return f"<details><summary>{safe(summary)}</summary>{inner}</details>"


def data_block(identity, data):
    """Data for scripts, as JSON in which no text can end the element.

    Examples
    --------
    >>> data_block("d", "</script>")
    '<script type="application/json" id="d">"\\\\u003c/script\\\\u003e"</script>'
    """
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for character in "<>&\u2028\u2029":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return f'<script type="application/json" id="{identity}">{text}</script>'
