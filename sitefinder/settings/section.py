"""A table of the settings file: frozen, closed to unknown keys, and strict about what a value may be."""

import functools
import math
import unicodedata
from collections.abc import Iterator
from typing import Any, Literal, Self, cast, get_args, get_origin

from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler
from pydantic_core.core_schema import CoreSchema, no_info_before_validator_function

# No value in these units can be greater, whatever it is of; names end in the unit. Where a setting has a narrower
# range, its field says so.
GREATEST = {
    "_m3s": (1e6, "m³/s: the largest rivers carry a fifth of that"),
    "_km2": (5.2e8, "km²: the surface of the earth is 510 million"),
    "_mm": (1e6, "mm"),
    "_kw": (1e8, "kW: the largest power stations have a quarter of that"),
    "_mwh": (1e9, "MWh"),
    "_per_kwh": (1e6, "in money per kWh, whatever the currency"),
    "_years": (1e4, "years"),
    "_degrees": (360.0, "degrees"),
    "_m": (4.1e7, "m: the earth's circumference is 40 million"),
}
GREATEST_NUMBER, GREATEST_WHOLE = (1e100, ""), (2**63 - 1, "")
# Texts are names, paths, sources and conditions; more than this is a mistake, or meant to do harm (own choice).
MAX_CHARACTERS = 10_000
# Control characters that a text of several lines needs.
LINE_ENDS = "\n\r\t"
# How definitions of coordinate systems name files, which would be opened.
GRID_FILES = ("grids=", "parameterfile", "init=")
# Types that a number may be declared as.
NUMBERS = (int, float)


class Section(BaseModel):
    """A table of the settings file: frozen, and closed to unknown keys.

    Numbers are numbers, no texts and no true or false, finite, and within what their unit allows. Texts hold no
    control characters.
    """

    # What checks values is made when it is first used: of the whole settings, once, with all that they hold. Made
    # with each class, it took a sixth longer to read a settings file, for which every command waits.
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)

    @classmethod
    def of_defaults(cls) -> Self:
        """The table where nothing is set, as a default of the one that holds it.

        Its values are those of the code and are not validated here; a test does that. To make what validates them
        for each such default took a third of the time in which the settings are imported.
        """
        return cast("Self", cls.model_construct())

    # Each value is looked at before its field's own validation. A validator of pydantic's for all fields does the
    # same, but is inspected for each of them, and a third of the time to make what validates settings went there.
    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        schema = handler(source)
        for name, field in _fields_of(handler.resolve_ref_schema(schema)).items():
            # A default is no value of the user's.
            holder = field["schema"] if field["schema"]["type"] == "default" else field
            if not _is_checked(holder["schema"]):
                holder["schema"] = no_info_before_validator_function(_OfItsKind(cls, name), holder["schema"])
        return schema


class _OfItsKind:
    # Gives back a value of a field, which may be of the kinds of its annotation alone.
    def __init__(self, section: type[Section], name: str) -> None:
        self._section, self._name = section, name

    @functools.cached_property
    def _kinds(self) -> tuple[type, ...]:
        return tuple(_kinds_within(self._section.model_fields[self._name].annotation))

    def __call__(self, value: Any) -> Any:
        if not any(issubclass(kind, BaseModel) for kind in self._kinds):
            for each in _plain_values(value):
                _validate_kind(each, self._name, self._kinds)
        return value


# The fields in the schema of a section, below what validates the section as a whole.
def _fields_of(schema: Any) -> dict[str, Any]:
    while schema["type"] != "model-fields":
        schema = schema["schema"]
    fields: dict[str, Any] = schema["fields"]
    return fields


# Whether a schema is that of a section which was looked at before.
def _is_checked(schema: Any) -> bool:
    return schema["type"] == "function-before" and isinstance(schema["function"]["function"], _OfItsKind)


# The plain types in an annotation such as ``list[float] | None``.
def _kinds_within(annotation: Any) -> Iterator[type]:
    if get_origin(annotation) is Literal:
        yield from {type(value) for value in get_args(annotation)}
    elif inner := get_args(annotation):
        for each in inner:
            yield from _kinds_within(each)
    elif isinstance(annotation, type):
        yield annotation


# Values in lists and tables, with the keys of tables.
def _plain_values(value: Any) -> Iterator[Any]:
    if isinstance(value, list | tuple):
        for each in value:
            yield from _plain_values(each)
    elif isinstance(value, dict):
        for key, each in value.items():
            _validate_text(str(key))
            yield from _plain_values(each)
    else:
        yield value


def _validate_kind(value: Any, name: str, kinds: tuple[type, ...]) -> None:
    if isinstance(value, str):
        _validate_text(value)
        if name.endswith("crs") and any(word in value.lower() for word in GRID_FILES):
            raise ValueError("expected a coordinate system without grid files of its own, such as EPSG:32633")
    is_number = any(kind in NUMBERS for kind in kinds)
    if not is_number:
        return
    if isinstance(value, bool) and bool not in kinds:
        raise ValueError(f"expected a number (found {str(value).lower()}, which is none)")
    if isinstance(value, str) and str not in kinds:
        raise ValueError(f"expected a number, without quotation marks (found {_shown(value)!r})")
    if isinstance(value, int | float) and not isinstance(value, bool):
        _validate_size(value, name)


def _validate_size(value: float, name: str) -> None:
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError(f"expected a finite number (found {value})")
    usual = GREATEST_WHOLE if isinstance(value, int) else GREATEST_NUMBER
    most, unit = next((held for suffix, held in GREATEST.items() if name.endswith(suffix)), usual)
    if abs(value) > most:
        found = f"{value:g}" if isinstance(value, float) else f"a whole number of {_digits(value)} digits"
        raise ValueError(f"expected at most {most:,.15g}{unit and f' {unit}'} (found {found})")


# Of a whole number, which may have too many digits for Python to write it.
def _digits(value: int) -> int:
    return int(abs(value).bit_length() * math.log10(2)) + 1


def _validate_text(value: str) -> None:
    if len(value) > MAX_CHARACTERS:
        raise ValueError(f"expected a text of at most {MAX_CHARACTERS:,} characters (found {len(value):,})")
    if found := control_characters(value):
        raise ValueError(f"expected a text without control characters (found {found})")


def control_characters(text: str) -> str:
    """Control characters of a text, as ``U+0000`` and so on; empty where there are none but ends of lines.

    Examples
    --------
    >>> control_characters("weir" + chr(0))
    'U+0000'
    >>> control_characters("two\\nlines")
    ''
    """
    found = {one for one in text if unicodedata.category(one) == "Cc" and one not in LINE_ENDS}
    return ", ".join(f"U+{ord(one):04X}" for one in sorted(found))


def _shown(text: str) -> str:
    return text if len(text) <= 40 else f"{text[:40]}…"
