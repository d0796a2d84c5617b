"""Columns of the page's data as `packing.py` describes them, read without the page's own script."""

import math


def texts(column, rows):
    """Texts of a column of this number of rows."""
    kept, of, after = column["texts"].split("\n"), column.get("of"), column.get("after", "")
    whole = [text[1:] if text.startswith("\t") else text and text + after for text in kept]
    if of is None:
        return whole[:rows]
    return [whole[0]] * rows if of == 0 else [whole[number] for number in of]


def counts(given, rows):
    """Lengths of the lists of this number of rows."""
    return [given] * rows if isinstance(given, int) else given


def lists(column, rows):
    """Lists of texts of this number of rows."""
    lengths = counts(column["counts"], rows)
    flat = iter(texts(column["of"], sum(lengths)))
    return [[next(flat) for _ in range(length)] for length in lengths]


def series(column, rows):
    """Series of numbers of this number of rows."""
    if "all" in column:
        return [column["all"]] * rows
    flat, found = iter(column["values"]), []
    for length in counts(column["counts"], rows):
        own, before = [next(flat) for _ in range(length)], 0
        if "places" in column:
            for at, step in enumerate(own):
                if step is not None:
                    before += step
                    own[at] = before / 10 ** column["places"]
        found.append(own)
    return found


def rows_of(columns, rows):
    """Rows of texts from one column for each place."""
    return list(zip(*(texts(column, rows) for column in columns), strict=True))


def titles(data):
    """Site and stream of each site, by rank."""
    sites = data["sites"]
    return list(zip(texts(sites["id"], sites["count"]), texts(sites["stream"], sites["count"]), strict=True))


def facts(data):
    """Facts of each site, by rank."""
    return rows_of(data["sites"]["facts"], data["sites"]["count"])


def lines(text, step):
    """Lines in units of the map: for each its parts, lists of (x, y)."""
    alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
    return [[part_of(part, alphabet, step) for part in line.split(",") if part] for line in text.split(" ")]


def part_of(part, alphabet, step):
    """Points of one part of a line."""
    numbers, number, place = [], 0, 1
    for sign in part:
        digit = alphabet.index(sign)
        number, place = number + (digit % 32) * place, place * 32
        if digit < 32:
            numbers.append(number // 2 if number % 2 == 0 else -math.ceil(number / 2))
            number, place = 0, 1
    points, x, y = [], 0, 0
    for across, down in zip(numbers[::2], numbers[1::2], strict=True):
        x, y = x + across, y + down
        points.append((x * step, y * step))
    return points
