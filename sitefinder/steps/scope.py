"""What each stage may see of the settings and the inputs, and what its result therefore depends on."""

import contextlib
import functools
import inspect
from collections.abc import Mapping
from typing import NamedTuple

from pydantic import BaseModel

from sitefinder.pipeline.graph import WHOLE, Parts
from sitefinder.pipeline.keys import DERIVED, ORDER
from sitefinder.settings import Source
from sitefinder.steps.inputs import OF_A_FILE, counted_layer, counted_raster

# Files that the inputs hold as read; a stage looks there.
READ_ALREADY = (
    "inputs.dem.error_preset",
    "flows.equations",
    "flows.gauges.path",
    "flows.environmental",
    "energy.turbines",
    "costs.file",
    "costs.price_year",
)
# What a stage may see although it changes no result. Paths are there for messages.
CHANGES_NOTHING = ("terrain.tile_rows", "terrain.tile_columns", "terrain.margin_cells", "run.workers")
# Settings of a run that change no result, beside those of files.
OF_THE_COMPUTER = {"workers", "output_folder", "strict", "store_folder", "store_limit_gb"}


class NotDeclared(Exception):
    """A stage looked at what its line in `sitefinder.inventory.STAGES` does not name; our own fault."""


class SettingsParts(Parts):
    """Settings, of which a stage sees sections (``heads``) and single settings (``inputs.dem.vertical_unit``)."""

    def __init__(self, settings):
        self._settings = settings

    def scoped(self, parts):
        """Settings that refuse all else, or all of them where a stage declares `WHOLE`."""
        if WHOLE in parts:
            return self._settings
        return ScopedSettings(self._settings, "", tuple(parts))

    def facts(self, parts):
        """Each setting of these parts with its value, but for paths and what changes no result."""
        if WHOLE in parts:
            return dict(_flat(self._settings.model_dump(exclude={"run": OF_THE_COMPUTER, "delivery": True})))
        return _facts_of(self._settings, "", tuple(parts))


class InputsParts(Parts):
    """Inputs, of which a stage sees parts by name (``dem``) and single layers (``layers.lakes``)."""

    def __init__(self, inputs):
        self._inputs, self._digests = inputs, {}

    def scoped(self, parts):
        """Inputs that refuse all else."""
        return ScopedInputs(self._inputs, tuple(parts))

    def facts(self, parts):
        """A digest of each of these parts as it was read."""
        return {f"input {part.removeprefix('layers.')}": self._digest(part) for part in parts}

    # Each once a run, since large layers take a while.
    def _digest(self, part):
        if part not in self._digests:
            known = getattr(self._inputs, "digest_of", None)
            if known is not None:
                self._digests[part] = known(part)
            else:
                value = _input(self._inputs, part)
                self._digests[part] = "none" if value is None else _digest_of(value)
        return self._digests[part]


class ScopedRule(NamedTuple):
    """A rule as the stage of overlaps sees it: its settings, its features, and the ground that its layer covers.

    ``coverage`` is None where the layer covers everything. ``match`` tells which features the rule's filter means,
    see `sitefinder.rules.filters.Matching`; None of a layer without features.
    """

    settings: object
    frame: object
    coverage: object
    match: object


class RuleParts(Parts):
    """One rule with its layer, and the area that the layer covers, or None."""

    def __init__(self, rule, read, coverage):
        self._rule, self._read, self._coverage = rule, read, coverage

    def scoped(self, parts):
        """The rule; it is small enough to be seen whole."""
        coverage = None if self._coverage is None else self._coverage.frame
        rule = ScopedSettings(self._rule, self._name, (self._name,))
        return ScopedRule(rule, self._read.frame, coverage, self._read.match)

    def facts(self, parts):
        """Settings of the rule, and digests of its layers as read."""
        facts = _facts_of(self._rule, self._name, (self._name,))
        facts[f"input {self._name}"] = _digest_of_layer(self._read)
        if self._coverage is not None:
            facts[f"input {self._name}.coverage"] = _digest_of_layer(self._coverage)
        return facts

    @property
    def _name(self):
        return _key("rules", self._rule.name)


def rules_of(given):
    """Each rule by its name, from what a run is given."""
    settings, inputs = given["settings"], given["inputs"]
    return {
        rule.name: RuleParts(rule, read, coverage)
        for rule, read, coverage in zip(settings.rules, inputs.rules, inputs.coverages, strict=True)
    }


# A layer that was only judged knows its digest; of one that was read it is taken.
def _digest_of_layer(read):
    digest = getattr(read, "digest", None)
    return _digest_of(counted_layer(read)) if digest is None else digest


# Tables and geometry are loaded only where a digest must be taken.
def _digest_of(value):
    from sitefinder.steps.contents import digest_of

    return digest_of(value)


class ScopedSettings:
    """A section of the settings that refuses what its stage does not declare."""

    def __init__(self, section, key, parts, changed=None):
        self._section, self._key, self._parts, self._changed = section, key, parts, changed or {}

    def model_copy(self, update):
        """The same section with some values changed, as a stage needs it that tries what else could be."""
        return ScopedSettings(self._section, self._key, self._parts, self._changed | update)

    def __getattr__(self, name):
        if name.startswith("_"):
            raise AttributeError(name)
        if name in self._changed:
            return self._changed[name]
        kind = type(self._section)
        if name not in kind.model_fields:
            # A property, worked out from what may be seen.
            return getattr(kind, name).__get__(self)
        key = _key(self._key, name)
        if not (_is_part(key, self._parts) or _is_path(kind, name)) or _is_hidden(kind, name, key):
            raise NotDeclared(f"setting {key}: name it in the sees of this stage, if its result may hang on it")
        return self._wrapped(getattr(self._section, name), key)

    def _wrapped(self, value, key):
        if isinstance(value, BaseModel):
            return ScopedSettings(value, key, self._parts)
        if isinstance(value, list) and value and isinstance(value[0], BaseModel):
            return [ScopedSettings(item, key, self._parts) for item in value]
        if isinstance(value, dict) and value and isinstance(next(iter(value.values())), BaseModel):
            return {name: ScopedSettings(item, _key(key, name), self._parts) for name, item in value.items()}
        return value

    def __repr__(self):
        return f"SeenSettings({self._key!r})"


class ScopedInputs:
    """Inputs that refuse what their stage does not declare. Of layers they give the features alone."""

    def __init__(self, inputs, parts):
        self._inputs, self._parts = inputs, parts

    def __getattr__(self, name):
        if name.startswith("_"):
            raise AttributeError(name)
        if name == "layers":
            return ScopedLayers(self._inputs, self._parts)
        if name not in self._parts:
            raise NotDeclared(f"input {name}: name it in the sees of this stage, if its result may hang on it")
        value = getattr(self._inputs, name)
        return {key: ScopedLayer(read.frame) for key, read in value.items()} if name == "shares" else value


class ScopedLayers(Mapping):
    """Layers by name, those that a stage declares."""

    def __init__(self, inputs, parts):
        self._layers, self._parts = inputs.layers, parts

    def __getitem__(self, name):
        if f"layers.{name}" not in self._parts:
            raise NotDeclared(f"input layers.{name}: name it in the sees of this stage")
        return ScopedLayer(self._layers[name].frame)

    def __iter__(self):
        raise NotDeclared("all layers at once: name those that this stage needs")

    def __len__(self):
        raise NotDeclared("all layers at once: name those that this stage needs")


class ScopedLayer(NamedTuple):
    """A layer as stages see it."""

    frame: object


# Settings by key, as texts.
def _facts_of(section, key, parts):
    facts = {}
    for name in type(section).model_fields:
        own, value = _key(key, name), getattr(section, name)
        if _is_hidden(type(section), name, own) or _is_path(type(section), name) or own in CHANGES_NOTHING:
            continue
        if isinstance(value, BaseModel):
            facts |= _facts_of(value, own, parts)
        elif not _is_part(own, parts):
            continue
        elif isinstance(value, list) and value and isinstance(value[0], BaseModel):
            names = [getattr(item, "name", number) for number, item in enumerate(value, 1)]
            facts[f"setting {own}{ORDER}"] = repr(names)
            for called, item in zip(names, value, strict=True):
                facts |= _facts_of(item, _key(own, called), parts)
        elif isinstance(value, dict):
            facts[f"setting {own}{ORDER}"] = repr(list(value))
            for called, item in value.items():
                known = isinstance(item, BaseModel)
                facts |= (
                    _facts_of(item, _key(own, called), parts) if known else {f"setting {own}.{called}": repr(item)}
                )
        else:
            facts[f"setting {own}"] = repr(value)
    return facts | _derived_facts(section, key, parts)


# What a section works out from settings that may be seen: its code is not among that which a stage imports.
def _derived_facts(section, key, parts):
    facts, scoped = {}, ScopedSettings(section, key, parts)
    for name, member in _derived_settings(type(section)):
        with contextlib.suppress(NotDeclared):
            facts[f"{DERIVED}{_key(key, name)}"] = repr(member.__get__(scoped))
    return facts


# Names and properties of what a kind of section works out; each stage asks for it again.
@functools.cache
def _derived_settings(kind):
    found = inspect.getmembers_static(kind, lambda one: isinstance(one, property))
    return [(name, member) for name, member in found if not hasattr(BaseModel, name)]


# Each setting by its key, as texts; items of lists by their number.
def _flat(value, key=""):
    if isinstance(value, dict):
        for name, item in value.items():
            yield from _flat(item, _key(key, name))
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        for number, item in enumerate(value, 1):
            yield from _flat(item, _key(key, number))
    elif key not in CHANGES_NOTHING:
        yield f"setting {key}", repr(value)


def _key(key, name):
    return f"{key}.{name}" if key else str(name)


# Whether a key is one of the parts, lies within one, or on the way to one.
def _is_part(key, parts):
    return any(f"{key}.".startswith(f"{part}.") or part.startswith(f"{key}.") for part in parts)


def _is_path(kind, name):
    return name == "path" and issubclass(kind, Source)


def _is_hidden(kind, name, key):
    return key in READ_ALREADY or (name in OF_A_FILE and issubclass(kind, Source))


# What a stage's result hangs on in one part of the inputs.
def _input(inputs, part):
    if part.startswith("layers."):
        read = inputs.layers.get(part.removeprefix("layers."))
        return None if read is None else read.frame
    value = getattr(inputs, part)
    if part == "dem":
        return counted_raster(value)
    if part == "covariates":
        return {name: counted_raster(facts) for name, facts in value.items()}
    if part == "shares":
        return {name: read.frame for name, read in value.items()}
    return value
