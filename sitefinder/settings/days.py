"""Days as settings and tables state them: year, month and day, as in 2026-05-31."""

import calendar
import re
from typing import Any

DAY = re.compile(r"(\d{4})-(\d{2})-(\d{2})")
EXPECTED = "expected a date, year, month and day, such as 2026-05-31"


def day_as_text(value: Any) -> Any:
    """A day of TOML, which also knows days without quotation marks, as text; anything else as it is."""
    return value.isoformat() if hasattr(value, "isoformat") else value


def is_day(text: str) -> bool:
    """Whether a text is a day that exists.

    Examples
    --------
    >>> is_day("2024-02-29"), is_day("2026-02-29"), is_day("31.5.2026")
    (True, False, False)
    """
    match = DAY.fullmatch(text)
    if not match:
        return False
    year, month, day = map(int, match.groups())
    return year >= 1 and 1 <= month <= 12 and 1 <= day <= calendar.monthrange(year, month)[1]


def existing_day(value: str | None) -> str | None:
    """A day that exists, or None where none is stated.

    Raises
    ------
    ValueError
        If it is no such day.
    """
    if value is None or is_day(value):
        return value
    raise ValueError(EXPECTED)
