"""Texts, numbers and dates of page, summary and printed sheets in the language of the delivery.

An English text is its own name in the catalogues (gettext): `say` gives it in the current language where it is
shown. Tables, settings and everything that is computed stay English. A catalogue is a ``.po`` file of this folder;
how its language writes numbers and dates comes from the Unicode locale data that Babel carries. English needs
neither.
"""

import datetime
import gettext
import io
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from importlib.resources import files
from typing import Any, NamedTuple

from sitefinder import vocabulary
from sitefinder.vocabulary import MONTH_NAMES

ENGLISH = "en"
# Letters of a short name of a month in English.
SHORT_MONTH = 3


class Language(NamedTuple):
    """A language: its tag (BCP 47), its messages, its signs in numbers, and its names of months."""

    tag: str
    messages: gettext.NullTranslations
    decimal: str = "."
    group: str = ","
    months: tuple[str, ...] = MONTH_NAMES
    short_months: tuple[str, ...] = tuple(name[:SHORT_MONTH] for name in MONTH_NAMES)


_CURRENT = ContextVar("language", default=ENGLISH)


@contextmanager
def speaking(tag: str) -> Iterator[None]:
    """Show texts, numbers and dates in a language.

    Parameters
    ----------
    tag : str
        One of `sitefinder.settings.choices.LANGUAGES`.

    Examples
    --------
    >>> with speaking("de"):
    ...     say("Mean flow"), numeral("1,234.5"), day("2026-05-31")
    ('Mittlerer Abfluss', '1.234,5', '31.05.2026')
    >>> say("Mean flow"), numeral("1,234.5"), day("2026-05-31")
    ('Mean flow', '1,234.5', '2026-05-31')
    """
    before = _CURRENT.set(tag)
    try:
        yield
    finally:
        _CURRENT.reset(before)


# A language with its messages, from its catalogue.
@cache
def _language(tag):
    if tag == ENGLISH:
        return Language(ENGLISH, gettext.NullTranslations())
    # English starts without these libraries.
    from babel import Locale  # noqa: PLC0415
    from babel.messages.mofile import write_mo  # noqa: PLC0415

    locale, compiled = Locale.parse(tag), io.BytesIO()
    write_mo(compiled, catalogue(tag))
    compiled.seek(0)
    signs = locale.number_symbols["latn"]
    months = locale.months["stand-alone"]
    return Language(
        tag,
        gettext.GNUTranslations(compiled),
        signs["decimal"],
        signs["group"],
        *(tuple(months[width][month] for month in range(1, 13)) for width in ("wide", "abbreviated")),
    )


def catalogue(tag: str) -> Any:
    """The catalogue of a language.

    Parameters
    ----------
    tag : str

    Returns
    -------
    babel.messages.Catalog
    """
    from babel.messages.pofile import read_po  # noqa: PLC0415 - English starts without it

    return read_po(io.BytesIO(files(__package__).joinpath(f"{tag}.po").read_bytes()), locale=tag)


def current() -> Language:
    """The language in which texts are shown."""
    return _language(_CURRENT.get())


def say(message: str, /, **values: Any) -> str:
    """A text in the current language.

    Parameters
    ----------
    message : str
        The English text, a whole sentence where it is one.
    **values : object
        What its named placeholders stand for, already in words.

    Returns
    -------
    str
        A text that no catalogue has stays as it is.

    Examples
    --------
    >>> say("{number} more are in the layer {layer}.", number=3, layer="drops")
    '3 more are in the layer drops.'
    """
    shown = current().messages.gettext(message) if message else message
    return shown.format(**values) if values else shown


def say_as(context: str, message: str, /, **values: Any) -> str:
    """A text in the current language that has another meaning elsewhere.

    Parameters
    ----------
    context : str
        Where it is said; part of its name in the catalogues.
    message, **values
        See `say`.
    """
    shown = current().messages.pgettext(context, message)
    return shown.format(**values) if values else shown


def plural(one: str, many: str, number: int, /, **values: Any) -> str:
    """A text with a number of things, in the current language.

    Parameters
    ----------
    one, many : str
        The English text for one thing and for any other number of them, with ``{number}`` for the number.
    number : int
    **values
        See `say`.

    Examples
    --------
    >>> plural("{number} site", "{number} sites", 1), plural("{number} site", "{number} sites", 12)
    ('1 site', '12 sites')
    >>> plural("{number} reach", "{number} reaches", 50_000)
    '50,000 reaches'
    """
    return current().messages.ngettext(one, many, number).format(number=numeral(f"{number:,}"), **values)


# A text that a script or a printed template says.
_SAID = re.compile(r'\bsay\("((?:[^"\\]|\\.)*)"')


def said_in(source: str) -> tuple[str, ...]:
    """Texts that a script or a printed template shows by its own function ``say``, each once.

    Examples
    --------
    >>> said_in('say("flow [m³/s]"), say("{at} %", {at: 3}), say("flow [m³/s]")')
    ('flow [m³/s]', '{at} %')
    """
    return tuple(dict.fromkeys(re.sub(r"\\(.)", r"\1", text) for text in _SAID.findall(source)))


def texts_of(source: str) -> dict[str, dict[str, str]]:
    """What a script or a printed template needs to show its texts in the current language: nothing in English.

    Parameters
    ----------
    source : str

    Returns
    -------
    dict
        ``texts`` by English text.
    """
    return {} if current().tag == ENGLISH else {"texts": {text: say(text) for text in said_in(source)}}


def numeral(text: str) -> str:
    """A number that is written in the English way, with the signs of the current language.

    Examples
    --------
    >>> numeral(f"{1234.5:,.2f}")
    '1,234.50'
    """
    language = current()
    return text.translate({ord("."): language.decimal, ord(","): language.group})


def day(text: str) -> str:
    """A day such as 2026-05-31 as the current language writes it; English, and any other text, stays as it is."""
    if current().tag == ENGLISH:
        return text
    from babel.dates import format_date  # noqa: PLC0415 - English starts without it

    try:
        return str(format_date(datetime.date.fromisoformat(str(text)), "medium", locale=current().tag))
    except ValueError:
        return text


def labels(records: Iterable[Any]) -> dict[str, str]:
    """`sitefinder.vocabulary.labels` in the current language."""
    return {name: say(label) for name, label in vocabulary.labels(records).items()}


def phrases(records: Iterable[Any]) -> dict[str, str]:
    """`sitefinder.vocabulary.phrases` in the current language."""
    return {name: say(phrase) for name, phrase in vocabulary.phrases(records).items()}


def flag_phrases(text: str) -> list[str]:
    """`sitefinder.vocabulary.flag_phrases` in the current language; what a flag names stays as it is."""
    known, sentences = {flag.name: flag for flag in vocabulary.FLAGS}, []
    for name, value in vocabulary.split_flags(text):
        flag = known.get(name)
        if flag is None:
            sentences += vocabulary.flag_phrases(f"{name}{vocabulary.FLAG_VALUE}{value}" if value else name)
        else:
            sentences.append(say(flag.phrase_with_value, value=value) if value else say(flag.phrase))
    return sentences
