"""Figures as a person writes them, and tables as plain text, the same on every terminal."""

import io
import math
import re
import textwrap

import pandas as pd
from rich.console import Console
from rich.table import Table
from rich.text import Text

from sitefinder.report.languages import numeral, say, say_as
from sitefinder.schema.arrays import records_of
from sitefinder.units import KILOWATTS_PER_MEGAWATT, MEGAWATT_HOURS_PER_GIGAWATT_HOUR

WIDTH = 100
# Text for a missing figure, on page and sheets.
NOT_KNOWN = "not known"
# Significant digits of money: its error is never below a hundredth (own choice).
MONEY_DIGITS = 3
# Currency and year of all money, see `sitefinder.delivery.context.Money`.
MONEY_OF_YEAR = re.compile(r"(.+) of (\d+)(, some converted, see provenance)?")
# A level with a standard error below this is given to the centimetre (own choice) [m].
CENTIMETRES_BELOW_M = 0.05


def text_table(*columns, wrapped=()):
    """A table without lines, from (heading, alignment) for each column.

    Cells must be short enough to fit, but for the columns whose headings are `wrapped`: these go on in further
    lines, and nothing of them is cut.
    """
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="")
    for name, side in columns:
        wraps = name in wrapped
        table.add_column(name, justify=side, no_wrap=not wraps, overflow="fold" if wraps else "ellipsis")
    return table


def rendered(table):
    """The table as text, independent of the terminal, and of a notebook, which would show the table instead."""
    page = io.StringIO()
    console = Console(
        file=page,
        width=WIDTH - 2,
        color_system=None,
        force_terminal=False,
        force_jupyter=False,
        legacy_windows=False,
        emoji=False,
    )
    console.print(table)
    return "\n".join(f"  {line}".rstrip() for line in page.getvalue().rstrip("\n").split("\n"))


def name_of(text, width):
    """A text of the user, unchanged but cut if it is too wide."""
    name = Text(plain(text))
    name.truncate(width, overflow="ellipsis")
    return name


def plain(text):
    """A text of the user without line breaks and control characters."""
    return "".join(character if character.isprintable() else " " for character in str(text))


def structure_name(identity):
    """Label of a structure in drawings: its id, or ``step`` if only the long profile shows it."""
    return say_as("structure", "step") if identity.startswith("step:") else plain(identity)


def is_missing(value):
    """Whether a cell of a table is empty: None, NaN or NA."""
    return value is None or bool(pd.isna(value))


def money_text(money):
    """Currency and price year in the current language.

    Examples
    --------
    >>> money_text("EUR of 2024"), money_text("EUR of 2024, some converted, see provenance"), money_text("EUR")
    ('EUR of 2024', 'EUR of 2024, some converted, see provenance', 'EUR')
    """
    found = MONEY_OF_YEAR.fullmatch(money)
    if not found:
        return money
    text = "{currency} of {year}, some converted, see provenance" if found[3] else "{currency} of {year}"
    return say(text, currency=found[1], year=found[2])


def rows_by_site(table):
    """Rows of a table as dicts by column, in lists by ``site_id``, in the order of the table."""
    rows = {}
    for row in records_of(table):
        rows.setdefault(row["site_id"], []).append(row)
    return rows


def indented(text):
    """A text in lines of the width of the output, indented, the second and later ones once more."""
    return "\n".join(textwrap.wrap(text, WIDTH, initial_indent="  ", subsequent_indent="    "))


def counted(number, one, many):
    """A number with its noun, in English; `sitefinder.report.languages.plural` is for what is delivered."""
    return f"{number} {one if number == 1 else many}"


def figure(value):
    """A number with three significant digits, more before the point, never an exponent.

    Examples
    --------
    >>> figure(3115.8), figure(0.01234), figure(float("nan"))
    ('3,116', '0.012', '–')
    """
    if math.isnan(value):
        return "–"
    size = math.floor(math.log10(abs(value))) if value else 2
    return decimals(value, min(max(2 - size, 0), 3))


def decimals(value, places):
    """A number with some decimals and commas between thousands; a dash if it is not known."""
    return "–" if math.isnan(value) else numeral(f"{value:,.{places}f}")


def money_figure(value):
    """An amount of money to three significant digits; a dash if it is not known.

    Examples
    --------
    >>> money_figure(951_768.3), money_figure(-70.569), money_figure(0.0)
    ('952,000', '-70.6', '0')
    """
    if math.isnan(value) or not value:
        return decimals(value, 0)
    places = MONEY_DIGITS - 1 - math.floor(math.log10(abs(value)))
    return decimals(round(float(value), places), max(places, 0))


def level_places(standard_error_m):
    """Decimals of a level or head: centimetres only if it was surveyed.

    Examples
    --------
    >>> level_places(0.25), level_places(0.02), level_places(float("nan"))
    (1, 2, 1)
    """
    return 2 if not is_missing(standard_error_m) and standard_error_m < CENTIMETRES_BELOW_M else 1


def power(kilowatts):
    """Power [kW] in kW or MW, with the unit."""
    if kilowatts < KILOWATTS_PER_MEGAWATT:
        return f"{figure(kilowatts)} kW"
    return f"{figure(kilowatts / KILOWATTS_PER_MEGAWATT)} MW"


def gigawatt_hours(megawatt_hours):
    """Energy [MWh] in GWh, without the unit."""
    return figure(megawatt_hours / MEGAWATT_HOURS_PER_GIGAWATT_HOUR)


def energy_interval(p90_mwh, p50_mwh, p10_mwh):
    """P90, P50 and P10 of an energy [MWh] in GWh, without the unit; unknown ones are omitted.

    Examples
    --------
    >>> energy_interval(2950.0, 3500.0, 4060.0)
    'P90 2.95, P50 3.50, P10 4.06'
    """
    figures = {"P90": p90_mwh, "P50": p50_mwh, "P10": p10_mwh}
    known = {name: value for name, value in figures.items() if value == value}
    return ", ".join(f"{name} {gigawatt_hours(value)}" for name, value in known.items())
