"""Figures and cells of the page, with the unit and meaning of their column in the schema."""

import math
from typing import NamedTuple

from sitefinder.report.languages import say
from sitefinder.report.text import NOT_KNOWN, figure, is_missing, money_figure
from sitefinder.schema import LAYERS, MONEY

COLUMNS = {(layer.name, column.name): column for layer in LAYERS.values() for column in layer.columns}
DASH, NO_BREAK = "–", "\u00a0"


class Cell(NamedTuple):
    """A cell of a table.

    ``kind`` is text, figure, bar or interval. A figure has its exact value, as text, for sorting and tests; a
    bar has ``parts`` of (percent of the width, class); an interval has (start, width, middle) in percent.
    """

    kind: str
    text: str = ""
    exact: str = ""
    parts: tuple = ()
    title: str = ""


class Heading(NamedTuple):
    """Heading of a column, its meaning as hover text, and whether it is above figures where others are of text."""

    text: str
    title: str = ""
    is_figure: bool = False


class Table(NamedTuple):
    """A table for the macro ``table`` of the templates; the first cell of each row names it."""

    caption: str
    headings: list
    rows: list
    kind: str = "figures"
    identity: str = ""


class Folded(NamedTuple):
    """Parts of the page that are folded away under a summary, as the macro ``blocks`` shows them."""

    summary: str
    parts: list


def table(caption, headings, rows, kind="figures", identity=""):
    """A table from headings and cells; plain texts become cells.

    Parameters
    ----------
    caption : str
        In the current language.
    headings : sequence of str or Heading
        In English: they are shown in the current language.
    rows : iterable of sequence of str or Cell
    kind, identity : str
        Class (figures, words, or mixed for both) and id of the table.

    Returns
    -------
    Table
    """
    return Table(
        caption,
        [_shown(each if isinstance(each, Heading) else Heading(each)) for each in headings],
        [[each if isinstance(each, Cell) else text_cell(each) for each in row] for row in rows],
        kind,
        identity,
    )


# A heading in the current language; a unit at its end stays.
def _shown(heading):
    return heading._replace(text=titled(heading.text))


def titled(title):
    """A title in the current language; a unit in brackets at its end stays as it is.

    Examples
    --------
    >>> titled("LCOE [EUR/kWh]")
    'LCOE [EUR/kWh]'
    """
    name, bracket, unit = title.partition(" [")
    return say(name) + bracket + unit


def text_cell(value):
    """A cell of text; empty where the value is missing."""
    return Cell("text", "" if is_missing(value) else str(value))


def figure_cell(text, value):
    """A cell of a figure with its exact value."""
    return Cell("figure", text, exact(value))


def amount_cell(value, scale=1.0):
    """A figure of three significant digits, divided by `scale`; so is the exact value."""
    shown = value / scale
    return figure_cell(DASH if is_missing(shown) else amount(shown), shown)


def bar_cell(*parts):
    """A bar; the figures beside it are the same in text.

    Parameters
    ----------
    *parts : (float, str)
        Share of the whole width, 0 to 1, and class of each piece, from the left.
    """
    pieces, start = [], 0.0
    for share, kind in parts:
        width = 100.0 * _in_unit(share)
        pieces.append((f"{start:.2f}", f"{width:.2f}", kind))
        start += width
    return Cell("bar", parts=tuple(pieces))


def interval_cell(low, middle, high, maximum):
    """An interval as a line with a dot at the middle, on a scale from 0 to `maximum`."""
    if any(is_missing(value) for value in (low, middle, high)) or not maximum > 0:
        return Cell("interval")
    left, right, dot = (100.0 * _in_unit(value / maximum) for value in (low, high, middle))
    return Cell("interval", parts=(f"{left:.2f}", f"{right - left:.2f}", f"{dot:.2f}"))


def _in_unit(share):
    return min(max(float(share), 0.0), 1.0)


def short_money(currency):
    """The currency without its year, for units beside figures.

    Examples
    --------
    >>> short_money("EUR of 2024")
    'EUR'
    """
    return currency.partition(" of ")[0] or MONEY


def unit_of(layer, column, currency):
    """Unit of a column as shown beside a figure; empty for text, ratios and columns that are not declared."""
    declared = COLUMNS.get((layer, column))
    unit = declared.unit if declared else ""
    return "" if unit == "1" else unit.replace(MONEY, short_money(currency))


def meaning_of(layer, column):
    """Meaning of a column in the schema, in the current language; empty if it is not declared."""
    declared = COLUMNS.get((layer, column))
    return say(declared.meaning) if declared else ""


def amount(value, unit=""):
    """Three significant digits, more before the point, with the unit after a no-break space.

    Examples
    --------
    >>> amount(1234.5, "kW"), amount(-0.01234), amount(float("nan"), "kW")
    ('1,234\\xa0kW', '−0.012', 'not known')
    """
    if is_missing(value):
        return say(NOT_KNOWN)
    return with_unit(figure(float(value)).replace("-", "−"), unit)


def money(value, unit=""):
    """A sum of money to three significant digits.

    Examples
    --------
    >>> money(951768.28, "EUR"), money(-70.569, "EUR/yr"), money(float("nan"))
    ('952,000\\xa0EUR', '−70.6\\xa0EUR/yr', 'not known')
    """
    return say(NOT_KNOWN) if is_missing(value) else with_unit(money_figure(float(value)).replace("-", "−"), unit)


def with_unit(text, unit):
    """A figure with its unit after a no-break space."""
    return f"{text}{NO_BREAK}{unit}" if unit else text


def percent(share):
    """A share as a percentage.

    Examples
    --------
    >>> percent(0.3666)
    '36.7\\xa0%'
    """
    return say(NOT_KNOWN) if is_missing(share) else amount(100.0 * float(share), "%")


def exact(value):
    """The exact value as text, for the attribute that scripts sort by; empty if missing."""
    if is_missing(value) or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    return repr(float(value))


def plain_numbers(values, places):
    """Numbers with a number of decimals for JSON, None if missing."""
    return [None if is_missing(value) else round(float(value), places) for value in values]


def plain_number(value):
    """A number with seven significant digits for JSON, None if missing."""
    return None if is_missing(value) else float(f"{float(value):.7g}")


def in_sentence(title):
    """A title within a sentence.

    Examples
    --------
    >>> in_sentence("Net annual value"), in_sentence("LCOE")
    ('net annual value', 'LCOE')
    """
    return title if title[:2].isupper() else title[:1].lower() + title[1:]


def price_per_kwh(tables):
    """Price of a kWh by the settings; None where no table states it."""
    rows = tables.get("sites_by_price", ())
    own = rows.loc[rows["price_factor"] == 1.0, "price_per_kwh"] if len(rows) else ()
    return own.iloc[0] if len(own) else None


def setting_of(provenance, name):
    """Value of a setting in the layer ``provenance``, as text; empty if it is not there."""
    own = provenance.loc[(provenance["kind"] == "setting") & (provenance["name"] == name), "value"]
    return str(own.iloc[0]) if len(own) else ""
