"""The generated documents: every setting, every delivered column and every word of the inventory, as Markdown.

Nothing here touches a file: ``tests/tools/refresh_documents.py`` writes what `documents` and `filled` give.
"""

import re
import types
from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from sitefinder.schema import CHANGE_LAYERS, LAYERS, Layer
from sitefinder.settings import Settings
from sitefinder.vocabulary import (
    ACTIONS,
    DECISIONS,
    EVIDENCE_GRADES,
    FLAGS,
    NOT_APPLIED,
    REJECTION_REASONS,
    SCHEME_TYPES,
    VERDICTS,
    labels,
    phrases,
)

Model = type[BaseModel]
TYPE_WORDS = {str: "text", float: "number", int: "whole number", bool: "true or false"}
# Stands for the key of a setting that has several tables.
ANY_NAME = "NAME"
UNIONS = (Union, types.UnionType)
# The words of the inventory, by the name of the part that lists them.
WORDS = {
    "verdicts": ("Verdicts, worst first", VERDICTS),
    "actions": ("Actions of rules", ACTIONS),
    "scheme types": ("Scheme types", SCHEME_TYPES),
    "rejection reasons": ("Rejection reasons, in the order of examination", REJECTION_REASONS),
    "decisions": ("What a decision says", DECISIONS),
    "decisions not applied": ("Why a decision does not apply, in the order of examination", NOT_APPLIED),
    "evidence": ("Evidence of fish survival, strongest first", EVIDENCE_GRADES),
    "flags": ("Data-quality flags", FLAGS),
}
SETTINGS_INTRODUCTION = """\
# Settings

Every setting with its kind, its default and its meaning. [The guide](README.md) explains how they work together. A
setting that is not listed here is refused; one that is left out takes its default. Paths are relative to the
settings file, and units are part of the names. This file is generated from `sitefinder/settings/`.
"""
DICTIONARY_INTRODUCTION = """\
# Data dictionary

Every layer that a run and a comparison deliver, every column with its type, unit and meaning, and the words that
columns may hold. Quantities are SI, with the unit in the name. Power is electrical power at the terminals. The
GeoPackage holds the same in its layer `columns`. This file is generated from `sitefinder/schema/` and
`sitefinder/vocabulary.py`.
"""


def documents() -> dict[str, str]:
    """The documents that are generated whole.

    Returns
    -------
    dict of str to str
        Markdown by path in the checkout.
    """
    own = {name: layer for name, layer in CHANGE_LAYERS.items() if name not in LAYERS}
    dictionary = [
        DICTIONARY_INTRODUCTION,
        "## Layers of a run\n",
        _layer_list(LAYERS) + "\n",
        layers_reference(LAYERS) + "\n",
        "## Layers of a comparison\n",
        "`sitefinder compare --output changes.gpkg` writes these, and `columns`.\n",
        layers_reference(own) + "\n",
        "## Words\n",
        vocabulary_reference() + "\n",
    ]
    return {
        "config/SETTINGS.md": f"{SETTINGS_INTRODUCTION}\n{_settings_list()}\n\n{settings_reference()}\n",
        "sitefinder/schema/README.md": "\n".join(dictionary),
    }


def settings_reference() -> str:
    """Every setting with its type, default and meaning, one Markdown table for each table of a settings file.

    Returns
    -------
    str
        Markdown. Tables that may hold the same settings share one heading.
    """
    return "\n\n".join(_section(model, names) for model, names in _models().items())


def layers_reference(layers: Mapping[str, Layer] = LAYERS) -> str:
    """Every column of every delivered layer with its type, unit and meaning.

    Parameters
    ----------
    layers : dict of str to Layer
        Those of a run, or those of a comparison.

    Returns
    -------
    str
        Markdown.
    """
    parts = []
    for layer in layers.values():
        rows = [(f"`{column.name}`", column.dtype, column.unit, column.meaning) for column in layer.columns]
        head = f"### `{layer.name}`\n\nOne row for {layer.row}; {_geometry(layer)}."
        parts.append(f"{head}\n\n{_table(('column', 'type', 'unit', 'meaning'), rows)}")
    return "\n\n".join(parts)


def vocabulary_reference(*names: str) -> str:
    """Verdicts, rule actions, scheme types, rejection reasons, grades of evidence and flags, with their meaning.

    Parameters
    ----------
    *names : str
        Keys of `WORDS`: of one, its table alone; of none, all tables under their titles.

    Returns
    -------
    str
        Markdown.
    """
    if names:
        return "\n\n".join(_words(WORDS[name][1]) for name in names)
    return "\n\n".join(f"### {title}\n\n{_words(records)}" for title, records in WORDS.values())


def filled(text: str) -> str:
    """A document with its generated parts brought up to date.

    Parameters
    ----------
    text : str
        Markdown. A part stands between ``<!-- generated: NAME -->``, with a key of `WORDS`, and ``<!-- end -->``.

    Returns
    -------
    str

    Raises
    ------
    ValueError
        If a part has no such name, or is not closed.
    """

    def part(found: re.Match[str]) -> str:
        if found[1] not in WORDS or found[2] is None:
            raise ValueError(
                f"<!-- generated: {found[1]} --> must name one of {', '.join(WORDS)}, closed by <!-- end -->"
            )
        return f"<!-- generated: {found[1]} -->\n{vocabulary_reference(found[1])}\n<!-- end -->"

    return re.sub(r"^<!-- generated: (.*?) -->$(?:\n((?:(?!<!--).*\n)*)<!-- end -->$)?", part, text, flags=re.M)


# Each model with the headings under which a settings file may hold it, in the order of the declarations.
def _models() -> dict[Model, list[str]]:
    places: dict[Model, list[str]] = {}
    _collect(Settings, "", places)
    return {model: names for model, names in places.items() if model is not Settings}


def _collect(model: Model, place: str, places: dict[Model, list[str]]) -> None:
    for key, field in model.model_fields.items():
        inner, kind = _inner_model(field.annotation)
        if inner is None:
            continue
        name = f"{place}.{key}" if place else key
        heading = {"one": f"[{name}]", "list": f"[[{name}]]", "dict": f"[{name}.{ANY_NAME}]"}[kind]
        places.setdefault(inner, []).append(heading)
        _collect(inner, name, places)


# The model that an annotation holds, and whether there is one of it, a list, or several by name.
def _inner_model(annotation: Any) -> tuple[Model | None, str]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation, "one"
    origin = get_origin(annotation)
    kind = {list: "list", dict: "dict"}.get(origin)
    for part in get_args(annotation) if kind or origin in UNIONS else ():
        inner, found = _inner_model(part)
        if inner is not None:
            return inner, kind or found
    return None, ""


def _section(model: Model, headings: list[str]) -> str:
    rows = [
        (f"`{key}`", _kind(field), _default(field), field.description or "")
        for key, field in model.model_fields.items()
    ]
    about = (model.__doc__ or "").strip()
    first, *others = headings
    also = f" The same settings hold in {', '.join(f'`{heading}`' for heading in others)}." if others else ""
    table = _table(("setting", "kind", "default", "meaning"), rows)
    return f"## `{first}`\n\n{about}{also}\n\n{table}"


# Links to the tables of a settings file.
def _settings_list() -> str:
    items = [f"[`{names[0]}`](#{re.sub(r'[^A-Za-z_]', '', names[0]).lower()})" for names in _models().values()]
    return f"Tables: {', '.join(items)}."


def _layer_list(layers: Mapping[str, Layer]) -> str:
    rows = [(f"[`{name}`](#{name})", _geometry(layer), layer.row) for name, layer in layers.items()]
    return _table(("layer", "geometry", "one row for"), rows)


def _geometry(layer: Layer) -> str:
    return f"{layer.geometry.lower()}s" if layer.geometry else "no geometry"


def _words(records: Any) -> str:
    label, phrase = labels(records), phrases(records)
    if all(name == text for name, text in label.items()):
        return _table(("name", "meaning"), [(f"`{name}`", phrase[name]) for name in label])
    return _table(("name", "label", "meaning"), [(f"`{name}`", label[name], phrase[name]) for name in label])


# Kind of value and its limits, in words.
def _kind(field: FieldInfo) -> str:
    words = _kind_of(field.annotation)
    limits = _limits(field.metadata)
    if words == TYPE_WORDS[str] and limits == "at least 1":
        limits = "not empty"
    return f"{words}, {limits}" if limits else words


def _kind_of(annotation: Any) -> str:
    if annotation in TYPE_WORDS:
        return TYPE_WORDS[annotation]
    inner, kind = _inner_model(annotation)
    if inner is not None:
        return {"one": "table", "list": "tables", "dict": "tables by name"}[kind]
    origin, parts = get_origin(annotation), get_args(annotation)
    if origin is Literal:
        return ", ".join(f"`{_toml(part)}`" for part in parts)
    if origin is Annotated:
        limits = _limits([item for part in parts[1:] for item in getattr(part, "metadata", [part])])
        return f"{_kind_of(parts[0])}, {limits}" if limits else _kind_of(parts[0])
    if origin is list:
        return f"list of {re.sub(r'number(?!s)', 'numbers', _kind_of(parts[0]))}"
    if origin is dict:
        return f"{_kind_of(parts[1])} by name"
    if origin in UNIONS:
        return " or ".join(_kind_of(part) for part in parts if part is not type(None))
    raise TypeError(f"no words for a setting of type {annotation!r}")


# Limits of a number or of a list's length, in words.
def _limits(metadata: Iterable[Any]) -> str:
    bounds = {}
    for item in metadata:
        for name in ("gt", "ge", "lt", "le", "min_length"):
            if not isinstance(item, FieldInfo) and hasattr(item, name):
                bounds[name] = getattr(item, name)
    if "ge" in bounds and "le" in bounds:
        return f"{bounds['ge']:g} to {bounds['le']:g}"
    words = {"gt": "above {:g}", "ge": "{:g} or more", "lt": "below {:g}", "le": "{:g} or less"}
    parts = [words[name].format(value) for name, value in bounds.items() if name in words]
    if "min_length" in bounds:
        parts.append(f"at least {bounds['min_length']}")
    return ", ".join(parts)


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "required"
    value = field.get_default(call_default_factory=True)
    if isinstance(value, BaseModel):
        return "as listed below"
    return "none" if value is None or value == {} else f"`{_toml(value)}`"


# A value as a settings file would write it.
def _toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, list):
        return f"[{', '.join(_toml(each) for each in value)}]"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    lines = [head, ("---",) * len(head), *rows]
    return "\n".join("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |" for line in lines)
