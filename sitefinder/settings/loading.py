"""Settings files merged and checked against a model: an instance, or one error that lists every problem."""

import difflib
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, NamedTuple, TypeVar

from pydantic import BaseModel, ValidationError

from sitefinder.errors import ConfigError, all_of
from sitefinder.settings import renamed

EXTENDS, LEFT_OUT = "extends", "left_out"
RULES, RULES_LEFT_OUT, RULES_CHANGED, RULES_ADDED = "rules", "rules_left_out", "rules_changed", "rules_added"
RULE_KEYS = (RULES_LEFT_OUT, RULES_CHANGED, RULES_ADDED)
# Keys of a file that extends another; none is a setting.
EXTENDING_KEYS = (EXTENDS, LEFT_OUT, *RULE_KEYS)
# Never inherited from the extended file, so that one run does not replace the results of the other.
OWN_KEY = ("run", "output_folder")


AnyModel = TypeVar("AnyModel", bound=BaseModel)
# Keys and row numbers that lead to a setting, and what gives for them the key as written and its file.
Location = tuple[str | int, ...]
Written = Callable[[Location], tuple[str, str | None]]


class Node(NamedTuple):
    """A value, a table of nodes or a list of nodes, the file that states it, and its place there."""

    value: Any
    file: str | None
    place: str


class Joined(NamedTuple):
    """The merged settings of several files, and where each was written.

    ``written(location)`` gives the key as the user wrote it and the file, the latter None for a table that several
    files make, and for files that extend nothing.
    """

    mapping: dict[str, Any]
    written: Written | None


class Override(NamedTuple):
    """Tables that the command line puts over settings files: the option in messages, and keys removed before."""

    option: str
    mapping: dict[str, Any]
    replaces: tuple[tuple[str, ...], ...] = ()


def join(files: list[tuple[str, dict[str, Any]]], overrides: Sequence[Override] = ()) -> Joined:
    """Merged settings of files that extend one another; a later file takes precedence.

    Parameters
    ----------
    files : list of (str, dict)
        Name of each file in messages, and its tables; the first extends nothing, each other one its predecessor.
    overrides : sequence of Override, optional
        Laid over the files in their order, with the keys that a file may have that extends another.

    Returns
    -------
    Joined
        Tables are merged key by key; any other value, lists included, replaces the earlier one. ``left_out``
        removes keys first. ``rules`` replaces all rules; ``rules_left_out`` removes rules,
        ``rules_changed`` changes keys of rules by name, ``rules_added`` appends new ones.
        ``run.output_folder`` is never inherited.

    Raises
    ------
    ConfigError
        Listing every problem of these keys at once, with its file.
    """
    whole, problems = Node({}, files[-1][0], ""), []
    for number, (name, mapping) in enumerate(files):
        words = {word: _node(mapping[word], name, word) for word in EXTENDING_KEYS if word in mapping}
        own = _node({key: value for key, value in mapping.items() if key not in words}, name, "")
        found = _misused(words, own, extends=number > 0)
        if not found:
            if number:
                _take_out(whole, OWN_KEY)
            found += _leave_out(whole, words)
            whole = _over(whole, own)
            found += _edit_rules(whole, words)
        problems += [text if name == files[-1][0] else f"{name}: {text}" for text in found]
    for each in overrides:
        for key in each.replaces:
            _take_out(whole, key)
        whole, found = _laid_over(whole, each)
        problems += [f"{each.option}: {text}" for text in found]
    if problems:
        raise all_of(ConfigError, files[-1][0], problems)
    if len(files) == 1 and not overrides:
        return Joined(files[0][1], None)
    return Joined(_plain(whole), lambda location: _written(whole, location, files[-1][0]))


# Settings with those of the command line over them, and its problems.
def _laid_over(whole: Node, override: Override) -> tuple[Node, list[str]]:
    words = {
        word: _node(override.mapping[word], override.option, word)
        for word in EXTENDING_KEYS
        if word in override.mapping
    }
    own = {key: value for key, value in override.mapping.items() if key not in words}
    if EXTENDS in words:
        return whole, [f"{EXTENDS}: only a settings file can extend another"]
    found = _misused(words, _node(own, override.option, ""), extends=True)
    if not found:
        found = _leave_out(whole, words)
        whole = _over(whole, _node(own, override.option, ""))
        found += _edit_rules(whole, words)
    return whole, found


# A mapping as nodes, down to values that are not tables.
def _node(value: object, file: str, place: str) -> Node:
    if isinstance(value, dict):
        inner = {key: _node(each, file, f"{place}.{key}" if place else key) for key, each in value.items()}
        return Node(inner, file, place)
    if isinstance(value, list) and value and all(isinstance(each, dict) for each in value):
        return Node([_node(each, file, f"{place}[{row}]") for row, each in enumerate(value, 1)], file, place)
    return Node(value, file, place)


def _plain(node: Node) -> Any:
    if isinstance(node.value, dict):
        return {key: _plain(each) for key, each in node.value.items()}
    if isinstance(node.value, list):
        return [_plain(each) if isinstance(each, Node) else each for each in node.value]
    return node.value


# The later merged over the earlier; neither is changed.
def _over(earlier: Node, later: Node) -> Node:
    if not (isinstance(earlier.value, dict) and isinstance(later.value, dict)):
        return later
    merged = dict(earlier.value)
    for key, node in later.value.items():
        merged[key] = _over(merged[key], node) if key in merged else node
    return Node(merged, None, later.place)


# Keys of the wrong type, or without effect.
def _misused(words: dict[str, Node], own: Node, extends: bool) -> list[str]:
    if not extends:
        return [f"{word}: only allowed in a file that extends another" for word in words if word != EXTENDS]
    problems = []
    for word in (LEFT_OUT, RULES_LEFT_OUT):
        if word in words and not _is_list_of(words[word].value, str):
            problems.append(f"{word}: must be a list of texts (found {_plain(words[word])!r})")
    if RULES_ADDED in words and not _is_list_of(words[RULES_ADDED].value, Node):
        problems.append(f"{RULES_ADDED}: must be tables, each with the heading [[{RULES_ADDED}]]")
    changed = words.get(RULES_CHANGED)
    if changed is not None and not (
        isinstance(changed.value, dict) and all(isinstance(each.value, dict) for each in changed.value.values())
    ):
        problems.append(f"{RULES_CHANGED}: must hold a table for each rule, as [{RULES_CHANGED}.NAME]")
    both = [word for word in RULE_KEYS if word in words]
    if RULES in own.value and both:
        problems.append(
            f"{RULES}: replaces all rules, so {', '.join(both)} would have no effect; keep one or the other"
        )
    return problems


def _is_list_of(value: object, kind: type) -> bool:
    return isinstance(value, list) and all(isinstance(each, kind) for each in value)


# Remove the listed keys; each must exist.
def _leave_out(whole: Node, words: dict[str, Node]) -> list[str]:
    problems = []
    for row, key in enumerate(words[LEFT_OUT].value if LEFT_OUT in words else [], 1):
        if not _take_out(whole, tuple(key.split("."))):
            problems.append(f"{LEFT_OUT}[{row}]: no such key to leave out{_nearest(key, _keys(whole))}")
    return problems


# Remove a key, on a copy of every table above it; returns whether it existed.
def _take_out(whole: Node, key: tuple[str, ...]) -> bool:
    table = whole.value
    for part in key[:-1]:
        inner = table.get(part)
        if inner is None or not isinstance(inner.value, dict):
            return False
        table[part] = inner._replace(value=dict(inner.value))
        table = table[part].value
    return table.pop(key[-1], None) is not None


# Every key, dotted.
def _keys(node: Node, prefix: str = "") -> Iterator[str]:
    for key, inner in node.value.items():
        yield prefix + key
        if isinstance(inner.value, dict):
            yield from _keys(inner, f"{prefix}{key}.")


def _edit_rules(whole: Node, words: dict[str, Node]) -> list[str]:
    if not any(word in words for word in RULE_KEYS):
        return []
    kept = whole.value.get(RULES, Node([], None, RULES)).value
    if not _is_list_of(kept, Node):
        return []  # not rules at all, which the model reports
    rules = {_name(rule): rule for rule in kept}
    problems = []
    for row, name in enumerate(words[RULES_LEFT_OUT].value if RULES_LEFT_OUT in words else [], 1):
        if rules.pop(name, None) is None:
            problems.append(f"{RULES_LEFT_OUT}[{row}]: no rule of this name to leave out{_nearest(name, rules)}")
    for name, change in (words[RULES_CHANGED].value if RULES_CHANGED in words else {}).items():
        if name in rules:
            rules[name] = _over(rules[name], change)
        else:
            problems.append(f"{RULES_CHANGED}.{name}: no rule of this name to change{_nearest(name, rules)}")
    added = words[RULES_ADDED].value if RULES_ADDED in words else []
    whole.value[RULES] = Node([*rules.values(), *added], None, RULES)
    return problems


# Name of a rule; one without a name gets a unique key, so that none is lost before the model rejects it.
def _name(rule: Node) -> str | int:
    name = rule.value.get("name")
    return name.value if name is not None and isinstance(name.value, str) else id(rule)


def _nearest(name: str, names: Iterable[object]) -> str:
    texts = [each for each in names if isinstance(each, str)]
    near = difflib.get_close_matches(name, texts, n=1)
    found = f"; did you mean {near[0]}?" if near else f" (there are: {', '.join(texts) or 'none'})"
    return f" (found {name!r}){found}" if near or len(texts) < 10 else f" (found {name!r})"


# Key and file of a location in the merged settings.
def _written(node: Node, location: Location, last: str) -> tuple[str, str | None]:
    rest = ""
    for part in location:
        inner = None if rest else _inner(node, part)
        if inner is None:
            rest += f"[{part + 1}]" if isinstance(part, int) else f".{part}"
        else:
            node = inner
    return (node.place + rest).lstrip("."), None if node.file == last else node.file


# The node of a key or a row; None if there is none.
def _inner(node: Node, part: str | int) -> Node | None:
    if isinstance(node.value, dict):
        return node.value.get(part)
    if isinstance(node.value, list) and isinstance(part, int) and part < len(node.value):
        return node.value[part] if isinstance(node.value[part], Node) else None
    return None


def checked(model: type[AnyModel], mapping: dict[str, Any], name: str, written: Written | None = None) -> AnyModel:
    """An instance of a pydantic model, or one error that lists every problem of the mapping.

    Parameters
    ----------
    model : type
        A pydantic model.
    mapping : dict
        Nested tables.
    name : str
        Name of the file in messages.
    written : callable, optional
        Gives the key and the file of a location, for settings that several files make; see
        `sitefinder.settings.loading.Joined`.

    Returns
    -------
    BaseModel
        An instance of the given model.

    Raises
    ------
    ConfigError
        See `check_settings`.
    """
    instance = model.__new__(model)
    try:
        # Not by calling the class: `Settings` turns this error into one of its own, which knows no file.
        BaseModel.__init__(instance, **mapping)
    except ValidationError as error:
        raise config_error(error, model, name, written) from None
    return instance


def config_error(
    error: ValidationError, model: type[BaseModel], name: str, written: Written | None = None
) -> ConfigError:
    """The error of a mapping that a model refuses, in the user's terms.

    Parameters
    ----------
    error : pydantic.ValidationError
    model, name, written
        See `checked`.

    Returns
    -------
    ConfigError
        Listing every problem by its key.
    """
    items = [_without_key_mark(dict(item)) for item in error.errors()]
    # What is missing under its name of today, but is there under its old one, is one problem and not two.
    there = {(*item["loc"][:-1], today) for item in items if (today := _name_of_today(item, model))}
    left = [item for item in items if item["type"] != "missing" or item["loc"] not in there]
    return all_of(ConfigError, name, sorted(_problem(item, model, written) for item in left))


# A problem with the key of a mapping is one at that key; pydantic adds a word to the place.
def _without_key_mark(item: dict[str, Any]) -> dict[str, Any]:
    return item | {"loc": item["loc"][:-1]} if item["loc"] and item["loc"][-1] == "[key]" else item


# What a key that no model has is called today, where the model has that one.
def _name_of_today(item: dict[str, Any], model: type[BaseModel]) -> str | None:
    if item["type"] != "extra_forbidden":
        return None
    there, names = _names_at(model, item["loc"][:-1]), renamed.SETTINGS.get(str(item["loc"][-1]), "")
    return next((today for today in names.split() if today in there), None)


# A pydantic problem as one line, by the key that the user wrote.
def _problem(item: dict[str, Any], model: type[BaseModel], written: Written | None) -> str:
    place = _place(item["loc"], written)
    if item["type"] == "missing":
        if written is not None and item["loc"] == OWN_KEY:
            return f"{'.'.join(OWN_KEY)}: missing; a file that extends another needs its own"
        return f"{place}: missing"
    if item["type"] == "extra_forbidden":
        names = _names_at(model, item["loc"][:-1]) + list(EXTENDING_KEYS if len(item["loc"]) == 1 else ())
        if today := _name_of_today(item, model):
            return f"{place}: this setting is now called {today}"
        near = difflib.get_close_matches(str(item["loc"][-1]), names, n=1)
        return f"{place}: no such setting" + (f"; did you mean {near[0]}?" if near else "")
    message = item["msg"].removeprefix("Value error, ")
    message = message[0].lower() + message[1:]
    if item["type"] == "value_error":
        return f"{place}: {message}" if place else message
    found = f"{place}: {message} (found {_shortened(repr(item['input']))})"
    if item["type"] == "literal_error" and isinstance(item["input"], str):
        today = renamed.VALUES.get(item["input"])
        if today is not None and f"'{today}'" in item["ctx"]["expected"]:
            return f"{found}; {item['input']} is now called {today}"
    return found


# What a message shows of a value.
MAX_SHOWN = 80


def _shortened(text: str) -> str:
    return text if len(text) <= MAX_SHOWN else f"{text[:MAX_SHOWN]}…"


# The key as the user wrote it, with its file unless that is the file in the headline.
def _place(location: Location, written: Written | None) -> str:
    if written is not None:
        key, file = written(location)
        return key if file is None else f"{key} (in {file})"
    return "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in location).lstrip(".")


# Names of the fields of the model at a location.
def _names_at(model: type[BaseModel] | None, location: Location) -> list[str]:
    for part in location:
        if isinstance(part, str) and model is not None and part in model.model_fields:
            model = _model_within(model.model_fields[part].annotation)
    return [] if model is None else list(model.model_fields)


# The pydantic model inside an annotation such as ``list[Rule]`` or ``Layer | None``.
def _model_within(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    inner = [_model_within(part) for part in getattr(annotation, "__args__", ())]
    return next((found for found in inner if found is not None), None)
