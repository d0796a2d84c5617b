"""Data of the page in little room: columns of texts, series of numbers and lines, as `data.js` reads them."""

from collections import Counter
from itertools import pairwise

import numpy as np
import shapely

# Between the texts of a column, and before one that does not end as the others do; no text holds them.
BETWEEN, WHOLE = "\n", "\t"
# A column is kept as its different texts and their numbers if at most this share is different (own choice).
MOST_DIFFERENT = 0.6
# Significant digits of series that are shown with three.
DIGITS = 4
# Signs for the numbers 0 to 63 in a line: the alphabet of URL-safe base64 (RFC 4648, section 5). Five bits of a
# number to a sign, the lowest first; the sixth bit says that more follow. The lowest bit of a number is its sign.
SIGNS = np.frombuffer(b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_", dtype=np.uint8)
BITS, MORE, LONGEST = 5, 32, 6
BETWEEN_LINES, BETWEEN_PARTS = " ", ","


def packed_texts(texts):
    """A column of texts.

    Parameters
    ----------
    texts : iterable of str

    Returns
    -------
    dict
        ``texts``, with a line break between; ``of``, the number of each row's text, or 0 if all rows have the
        first, absent if each row has its own; ``after``, with which each text ends that does not begin with a
        tabulator and is not empty, if they end alike.

    Examples
    --------
    >>> packed_texts(["2.5 m", "", "3.1 m", "4.0 m", "?"])
    {'texts': '2.5\\n\\n3.1\\n4.0\\n\\t?', 'after': ' m'}
    >>> packed_texts(["eel", "eel", "eel"]), packed_texts([])
    ({'texts': 'eel', 'of': 0}, {'texts': '', 'of': []})
    >>> packed_texts(["no", "yes", "no", "no"])
    {'texts': 'no\\nyes', 'of': [0, 1, 0, 0]}
    """
    texts = [text.replace(BETWEEN, " ").replace(WHOLE, " ") for text in texts]
    number_of = {text: number for number, text in enumerate(dict.fromkeys(texts))}
    if len(number_of) == 1:
        return {"texts": texts[0], "of": 0}
    if len(number_of) > MOST_DIFFERENT * len(texts):
        return _without_end(texts)
    return {"texts": BETWEEN.join(number_of), "of": [number_of[text] for text in texts]}


# Texts without the end that most of them have: a unit, as a rule.
def _without_end(texts):
    spaced = [
        text[max(text.rfind(" "), text.rfind("\u00a0")) :] for text in texts if " " in text or "\u00a0" in text
    ]
    (end, number), *_ = Counter(spaced).most_common(1) or [("", 0)]
    if number <= len(texts) / 2:
        return {"texts": BETWEEN.join(texts)}
    # All that these have in common may be longer.
    alike = [text[::-1] for text in texts if text.endswith(end)]
    first, last = min(alike), max(alike)
    differ = (at for at, (one, other) in enumerate(zip(first, last, strict=False)) if one != other)
    end = first[: next(differ, min(len(first), len(last)))][::-1]
    cut = [text[: -len(end)] if text.endswith(end) and text != end else text and WHOLE + text for text in texts]
    return {"texts": BETWEEN.join(cut), "after": end}


def packed_rows(rows, width):
    """Rows of texts as one column for each place in them."""
    return [packed_texts(row[at] for row in rows) for at in range(width)]


def packed_counts(counts):
    """Lengths of lists: one number if they are all the same."""
    return counts[0] if counts and len(set(counts)) == 1 else counts


def packed_series(series, places=None):
    """Series of numbers, one for each row.

    Parameters
    ----------
    series : list of list of float or None
        None where a value is missing.
    places : int, optional
        Decimals to keep; four significant digits by default.

    Returns
    -------
    dict
        ``counts``, see `packed_counts`, and ``all``, the one series that every row has, or else ``values``, of all
        rows one after the other; with ``places`` these are steps from the value before, of the same row, in units
        of the last decimal.

    Examples
    --------
    >>> packed_series([[1.0, 1.25], [2.0, None, 2.5]], 2)
    {'counts': [2, 3], 'places': 2, 'values': [100, 25, 200, None, 50]}
    >>> packed_series([[5, 50], [5, 50]])
    {'counts': 2, 'all': [5, 50]}
    """
    counts = packed_counts([len(each) for each in series])
    if series and len(series) > 1 and all(each == series[0] for each in series[1:]):
        return {"counts": counts, "all": series[0]}
    if places is None:
        return {"counts": counts, "values": [_short(value) for each in series for value in each]}
    values = []
    for each in series:
        before = 0
        for value in each:
            unit = None if value is None else round(value * 10**places)
            values.append(None if unit is None else unit - before)
            before = before if unit is None else unit
    return {"counts": counts, "places": places, "values": values}


# A number without more digits than are shown, and one more.
def _short(value):
    if value is None or isinstance(value, int):
        return value
    rounded = float(f"{value:.{DIGITS}g}")
    return int(rounded) if rounded.is_integer() else rounded


def packed_lists(lists):
    """Lists of texts, one for each row: ``counts``, see `packed_counts`, and ``of``, see `packed_texts`."""
    return {
        "counts": packed_counts([len(each) for each in lists]),
        "of": packed_texts(text for each in lists for text in each),
    }


def packed_lines(lines, frame, tolerance_m, units):
    """Lines, thinned, on a grid of the map.

    Parameters
    ----------
    lines : sequence of LineString, MultiLineString or None
    frame : sitefinder.report.page.region_map.Frame
    tolerance_m : float
    units : int
        Width of a cell of this grid in units of the map.

    Returns
    -------
    str
        For each line its points as steps from the point before, across and down, the first from the north-west
        corner of the map; see `SIGNS`. A comma is between parts of a line, a space between lines.

    Examples
    --------
    >>> from sitefinder.report.page.region_map import Frame
    >>> frame = Frame(0.0, 0.0, 100.0, 100.0, 1.0)
    >>> packed_lines([shapely.LineString([(0, 100), (10, 90), (10, 50)]), None], frame, 0.1, 1)
    'AAUUAwC '
    """
    given = np.array([None if shapely.is_missing(line) else line for line in lines], dtype=object)
    shapes = shapely.simplify(given, tolerance_m)
    parts, owner = shapely.get_parts(shapes, return_index=True)
    coordinates, part = shapely.get_coordinates(parts, return_index=True)
    cells = np.round(frame.places(coordinates) / units).astype(np.int64)
    ends = np.searchsorted(part, np.arange(len(parts) + 1))
    steps = np.diff(cells, axis=0, prepend=np.zeros((1, 2), dtype=np.int64))
    first = ends[:-1][ends[:-1] < ends[1:]]
    steps[first] = cells[first]
    text, starts = _in_signs(steps.ravel())
    pieces = [[] for _ in range(len(given))]
    for number, (begin, end) in enumerate(pairwise(ends.tolist())):
        if begin < end:
            pieces[owner[number]].append(text[starts[2 * begin] : starts[2 * end]])
    return BETWEEN_LINES.join(BETWEEN_PARTS.join(each) for each in pieces)


# Whole numbers in signs, and where each begins, with the end of the last.
def _in_signs(numbers):
    left = np.where(numbers < 0, -2 * numbers - 1, 2 * numbers)
    signs = np.empty((len(left), LONGEST), dtype=np.uint8)
    used = np.empty((len(left), LONGEST), dtype=bool)
    there = np.ones(len(left), dtype=bool)
    for at in range(LONGEST):
        rest = left >> BITS
        signs[:, at] = (left & (MORE - 1)) + np.where(rest > 0, MORE, 0)
        used[:, at], there, left = there, rest > 0, rest
    starts = np.concatenate(([0], np.cumsum(used.sum(axis=1))))
    return SIGNS[signs[used]].tobytes().decode("ascii"), starts.tolist()
