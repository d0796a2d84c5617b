"""Mappings held against a model: an instance, or one error that names every problem by the user's own keys."""

import difflib

from pydantic import BaseModel, ValidationError

from sitefinder.config.extending import EXTENDING_WORDS, OWN_KEY
from sitefinder.errors import ConfigError, all_of


def checked(model, mapping, name, written=None):
    """An instance of a pydantic model, or one error that lists all that is wrong with the mapping.

    Parameters
    ----------
    model : type
        A pydantic model.
    mapping : dict
        Nested tables.
    name : str
        What to call the file in messages.
    written : callable, optional
        Gives the key and the file of a location, for settings that several files make; see
        `sitefinder.config.extending.Joined`.

    Returns
    -------
    BaseModel
        Of the given model.

    Raises
    ------
    ConfigError
        See `check_settings`.
    """
    try:
        return model.model_validate(mapping)
    except ValidationError as error:
        problems = [_problem(item, model, written) for item in error.errors()]
        raise all_of(ConfigError, name, sorted(problems)) from None


# One problem of pydantic's as a line in the user's terms.
def _problem(item, model, written):
    place = _place(item["loc"], written)
    if item["type"] == "missing":
        if written is not None and item["loc"] == OWN_KEY:
            return f"{'.'.join(OWN_KEY)}: missing; a file that extends another names its own"
        return f"{place}: missing"
    if item["type"] == "extra_forbidden":
        names = _names_at(model, item["loc"][:-1]) + list(EXTENDING_WORDS if len(item["loc"]) == 1 else ())
        near = difflib.get_close_matches(str(item["loc"][-1]), names, n=1)
        return f"{place}: no such setting" + (f"; did you mean {near[0]}?" if near else "")
    message = item["msg"].removeprefix("Value error, ")
    message = message[0].lower() + message[1:]
    if item["type"] == "value_error":
        return f"{place}: {message}" if place else message
    return f"{place}: {message} (found {item['input']!r})"


# The key as the user wrote it, with its file where that is not the one that the message is headed by.
def _place(location, written):
    if written is not None:
        key, file = written(location)
        return key if file is None else f"{key} (in {file})"
    return "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in location).lstrip(".")


# Names of the fields that the model has at a place.
def _names_at(model, location):
    for part in location:
        if isinstance(part, str) and hasattr(model, "model_fields") and part in model.model_fields:
            model = _model_within(model.model_fields[part].annotation)
    return list(getattr(model, "model_fields", {}))


# The pydantic model inside an annotation such as ``list[Rule]`` or ``Layer | None``.
def _model_within(annotation):
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    inner = [_model_within(part) for part in getattr(annotation, "__args__", ())]
    return next((found for found in inner if found is not None), None)
