"""What settings are where a file says nothing, as provenance tells them."""

from pydantic import BaseModel

from sitefinder.config import Settings


def told_defaults():
    """Defaults by key, as text; of rules, under ``rules[].KEY``.

    Returns
    -------
    dict of str to str
        Settings without a default, or whose default is that there is none, are left out.
    """
    return dict(_told(Settings, ""))


def _told(model, prefix):
    for key, field in model.model_fields.items():
        name = f"{prefix}{key}"
        inner, listed = _inner(field.annotation)
        if inner is not None:
            yield from _told(inner, f"{name}[]." if listed else f"{name}.")
        elif not field.is_required():
            value = field.get_default(call_default_factory=True)
            if value is not None:
                yield name, str(value)


# The model that an annotation holds, and whether a list of them.
def _inner(annotation, listed=False):
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation, listed
    for part in getattr(annotation, "__args__", ()):
        found = _inner(part, listed or getattr(annotation, "__origin__", None) is list)
        if found[0] is not None:
            return found
    return None, False
