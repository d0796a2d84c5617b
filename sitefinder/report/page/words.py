"""Values and columns in words: labels with units from the schema, figures, flags, verdicts, layouts."""

import math
from html import escape

from sitefinder.report.text_tables import NOT_KNOWN, figure, is_missing, plain
from sitefinder.schema import LAYERS, MONEY

VERDICT_MEANING = {
    "open": "no rule stands against a site here",
    "restricted": "a site may stand here with limits: fish-safe machines only, no diversion, or no new barrier",
    "conditional": "a site may stand here on conditions that somebody has to settle",
    "unknown": "a rule's layer does not say, or the network is not resolved",
    "excluded": "a rule bars every site here",
}
LAYOUT_WORDS = {
    "at_barrier": "at an existing barrier",
    "diversion": "diversion",
    "new_weir": "new weir",
    "kinetic": "in the current",
}
MARK_WORDS = {
    "mark_exclude": "no site may stand here",
    "mark_conditional": "only on conditions",
    "mark_fish_safe_only": "only fish-safe machines",
    "mark_no_diversion": "no water may be led out of the stream",
    "mark_no_new_barrier": "no new barrier",
    "mark_unknown": "a layer does not say",
    "mark_note": "a rule asks for a note",
}
COLUMNS = {(layer.name, column.name): column for layer in LAYERS.values() for column in layer.columns}


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
    """What a column holds, in the schema's words; empty where it is not declared."""
    declared = COLUMNS.get((layer, column))
    return declared.meaning if declared else ""


def amount(value, unit=""):
    """Three significant digits with the unit behind a no-break space.

    Examples
    --------
    >>> amount(1234.5, "kW"), amount(float("nan"), "kW")
    ('1\\xa0234\\xa0kW', 'not known')
    """
    if is_missing(value):
        return NOT_KNOWN
    text = figure(float(value)).replace(" ", "\u00a0").replace("-", "−")
    return f"{text}\u00a0{unit}" if unit else text


def percent(share):
    """A share as a percentage.

    Examples
    --------
    >>> percent(0.3666)
    '36.7\\xa0%'
    """
    return NOT_KNOWN if is_missing(share) else amount(100.0 * float(share), "%")


def number(value):
    """The exact value for a ``data-v`` attribute, which scripts sort by; empty where it is missing."""
    if is_missing(value) or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    return repr(float(value))


def safe(value):
    """A user's text as HTML text: nothing in it is ever a tag, an entity or a control character."""
    return escape(plain("" if is_missing(value) else value), quote=True)
