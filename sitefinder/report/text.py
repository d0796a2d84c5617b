"""Tables and figures as plain text, the same on every terminal."""

import io
import math

import pandas as pd
from rich.console import Console
from rich.table import Table
from rich.text import Text

from sitefinder.units import KILOWATTS_PER_MEGAWATT, MEGAWATT_HOURS_PER_GIGAWATT_HOUR

WIDTH = 100
# What stands where a figure is missing, on page and sheets.
NOT_KNOWN = "not known"


def text_table(*columns):
    """A table without lines from (heading, side) each; its texts are to be short enough beforehand."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="")
    for name, side in columns:
        table.add_column(name, justify=side, no_wrap=True)
    return table


def rendered(table):
    """The table as text, whatever terminal there is."""
    page = io.StringIO()
    console = Console(
        file=page, width=WIDTH - 2, color_system=None, force_terminal=False, legacy_windows=False, emoji=False
    )
    console.print(table)
    return "\n".join(f"  {line}".rstrip() for line in page.getvalue().rstrip("\n").split("\n"))


def name_of(text, width):
    """A user's text, shown as it is and cut where it is too wide."""
    name = Text(plain(text))
    name.truncate(width, overflow="ellipsis")
    return name


def plain(text):
    """A user's text without line breaks and control characters."""
    return "".join(character if character.isprintable() else " " for character in str(text))


def structure_name(identity):
    """What a drawing calls a structure: its id, or ``step`` where only the long profile tells of it."""
    return "step" if identity.startswith("step:") else plain(identity)


def is_missing(value):
    """Whether a cell of a table holds nothing: None, NaN or NA."""
    return value is None or bool(pd.isna(value))


def counted(number, one, many):
    """A number with its noun."""
    return f"{number} {one if number == 1 else many}"


def figure(value):
    """Three significant digits, more before the point, never an exponent."""
    if math.isnan(value):
        return "–"
    size = math.floor(math.log10(abs(value))) if value else 2
    return decimals(value, min(max(2 - size, 0), 3))


def decimals(value, places):
    """So many places after the point; a dash for what is not known."""
    return "–" if math.isnan(value) else f"{value:,.{places}f}".replace(",", " ")


def power(kilowatts):
    """Power [kW] in kW or MW, with its unit."""
    if kilowatts < KILOWATTS_PER_MEGAWATT:
        return f"{figure(kilowatts)} kW"
    return f"{figure(kilowatts / KILOWATTS_PER_MEGAWATT)} MW"


def gigawatt_hours(megawatt_hours):
    """Energy [MWh] in GWh, without its unit."""
    return figure(megawatt_hours / MEGAWATT_HOURS_PER_GIGAWATT_HOUR)


def careful(p90_mwh, p50_mwh, p10_mwh):
    """The interval of an energy [MWh] in GWh, without its unit, and P50 where it is known.

    Examples
    --------
    >>> careful(2950.0, 3500.0, 4060.0)
    'P90 2.95, P50 3.50, P10 4.06'
    """
    figures = {"P90": p90_mwh, "P50": p50_mwh, "P10": p10_mwh}
    known = {name: value for name, value in figures.items() if value == value}
    return ", ".join(f"{name} {gigawatt_hours(value)}" for name, value in known.items())
