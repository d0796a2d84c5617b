"""Settings and delivered columns as Markdown, read from where they are declared."""

import types
from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from sitefinder.schema import CHANGE_LAYERS, LAYERS, Layer
from sitefinder.settings import Settings
from sitefinder.vocabulary import ACTIONS, FLAGS, REJECTION_REASONS, SCHEME_TYPES, VERDICTS, labels, names, phrases

Model = type[BaseModel]
TYPE_WORDS = {str: "text", float: "number", int: "whole number", bool: "true or false"}
# What a setting of several tables is called in place of its key.
ANY_NAME = "NAME"
UNIONS = (Union, types.UnionType)


def settings_reference() -> str:
    """Every setting with its kind, default and meaning, one table for each kind of table in a settings file.

    Returns
    -------
    str
        Markdown. Tables that may hold the same settings share one heading.
    """
    places: dict[Model, list[str]] = {}
    _collect(Settings, "", places)
    return "\n\n".join(_section(model, names) for model, names in places.items() if model is not Settings)


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
        geometry = layer.geometry.lower() if layer.geometry else "no geometry"
        rows = [(f"`{column.name}`", column.dtype, column.unit, column.meaning) for column in layer.columns]
        head = f"#### `{layer.name}` ({geometry})\n\nOne row for {layer.row}."
        parts.append(f"{head}\n\n{_table(('column', 'type', 'unit', 'meaning'), rows)}")
    return "\n\n".join(parts)


def vocabulary_reference() -> str:
    """Verdicts, rule actions, scheme types, rejection reasons and flags, with what each says.

    Returns
    -------
    str
        Markdown.
    """
    parts = []
    for title, records in (
        ("Verdicts, worst first", VERDICTS),
        ("Actions of rules", ACTIONS),
        ("Scheme types", SCHEME_TYPES),
        ("Rejection reasons, in the order of examination", REJECTION_REASONS),
        ("Data-quality flags", FLAGS),
    ):
        label, phrase = labels(records), phrases(records)
        rows = [(f"`{name}`", label[name], phrase[name]) for name in names(records)]
        if label == {name: name for name in label}:
            table = _table(("name", "meaning"), [(name, text) for name, _, text in rows])
        else:
            table = _table(("name", "label", "meaning"), rows)
        parts.append(f"#### {title}\n\n{table}")
    return "\n\n".join(parts)


def filled(text: str) -> str:
    """A document with its generated parts brought up to date.

    Parameters
    ----------
    text : str
        Markdown that holds ``<!-- generated: settings -->``, ``<!-- generated: layers -->`` and ``<!-- generated:
        changes -->``, each closed by ``<!-- end -->``.

    Returns
    -------
    str

    Raises
    ------
    ValueError
        If a marker is not there exactly once, or is not closed.
    """
    notes = {name: layer for name, layer in CHANGE_LAYERS.items() if name not in LAYERS}
    for name, made in (
        ("settings", settings_reference()),
        ("layers", layers_reference()),
        ("changes", layers_reference(notes)),
    ):
        start, end = f"<!-- generated: {name} -->\n", "\n<!-- end -->"
        if text.count(start) != 1 or end not in text.split(start)[1]:
            raise ValueError(f"the text must hold {start.strip()} once, closed by {end.strip()}")
        before, after = text.split(start)
        text = before + start + made + end + after.split(end, 1)[1]
    return text


# Each model with the headings under which a settings file may hold it, in the order of the declarations.
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
    title = ", ".join(f"`{heading}`" for heading in headings)
    about = (model.__doc__ or "").strip()
    return f"#### {title}\n\n{about}\n\n{_table(('setting', 'kind', 'default', 'meaning'), rows)}"


# Kind of value and its limits, in words.
def _kind(field: FieldInfo) -> str:
    words = _kind_of(field.annotation)
    limits = _limits(field.metadata)
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
        return f"list of {_kind_of(parts[0])}"
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
    notes = [words[name].format(value) for name, value in bounds.items() if name in words]
    if "min_length" in bounds:
        notes.append(f"at least {bounds['min_length']}")
    return ", ".join(notes)


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
