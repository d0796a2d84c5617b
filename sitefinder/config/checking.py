"""Mappings held against a model: an instance, or one error that names every problem by the user's own keys."""

import difflib

from pydantic import BaseModel, ValidationError

from sitefinder.errors import ConfigError, all_of


def checked(model, mapping, name):
    """An instance of a pydantic model, or one error that lists all that is wrong with the mapping.

    Parameters
    ----------
    model : type
        A pydantic model.
    mapping : dict
        Nested tables.
    name : str
        What to call the file in messages.

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
        problems = [_problem(item, model) for item in error.errors()]
        raise all_of(ConfigError, name, sorted(problems)) from None


# One problem of pydantic's as a line in the user's terms.
def _problem(item, model):
    place = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in item["loc"]).lstrip(".")
    if item["type"] == "missing":
        return f"{place}: missing"
    if item["type"] == "extra_forbidden":
        near = difflib.get_close_matches(str(item["loc"][-1]), _names_at(model, item["loc"][:-1]), n=1)
        return f"{place}: no such setting" + (f"; did you mean {near[0]}?" if near else "")
    message = item["msg"].removeprefix("Value error, ")
    message = message[0].lower() + message[1:]
    if item["type"] == "value_error":
        return f"{place}: {message}" if place else message
    return f"{place}: {message} (found {item['input']!r})"


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
