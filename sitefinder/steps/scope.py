"""What each stage may see of the settings and the inputs, and what its result therefore depends on."""

from __future__ import annotations

import contextlib
import functools
import inspect
from collections.abc import Mapping
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol, cast

from pydantic import BaseModel

from sitefinder.pipeline.executors import Remade
from sitefinder.pipeline.graph import WHOLE, Parts
from sitefinder.pipeline.keys import DERIVED, ORDER
from sitefinder.settings import Source

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    import geopandas

    from sitefinder.io.raster import RasterFacts
    from sitefinder.io.vector import LayerRead
    from sitefinder.rules.filters import Matching
    from sitefinder.settings import RuleSettings, Settings
    from sitefinder.steps.inputs import LazyInputs, LazyLayer, RunInputs

# Who made a file, when, under which licence, and what may be published of it: never part of a stage's result.
OF_A_FILE = ("source", "date", "licence", "attribution", "redistribute", "publish_cell_m")
# Files that the inputs hold as read; a stage looks there.
READ_ALREADY = (
    "inputs.dem.error_preset",
    "flows.equations",
    "flows.gauges.path",
    "flows.gauges.licence",
    "flows.gauges.attribution",
    "flows.gauges.redistribute",
    "flows.environmental",
    "flows.regime",
    "flows.change",
    "energy.turbines",
    "costs.file",
    "costs.price_year",
)
# What a stage may see although it changes no result. Paths are there for messages.
CHANGES_NOTHING = ("terrain.tile_rows", "terrain.tile_columns", "terrain.margin_cells")
# Where settings were read, which no stage sees: inputs count by what they hold.
READ_FROM = ("folder", "file", "overrides")
# Settings of a run that change no result, beside those of files.
OF_THE_COMPUTER = {
    *("workers", "output_folder", "strict", "store_folder", "store_limit_gb", "memory_limit_gb", "part_stations")
}
# All that changes none, by section.
OF_NO_RESULT: dict[str, Any] = {
    "run": OF_THE_COMPUTER,
    "delivery": True,
    "publication": True,
    "inputs": {"allow_outside", "allow_network"},
}
# A value or a section of the settings, of whatever kind its name has.
Setting = Any


class NotDeclared(Exception):
    """A stage looked at what its line in `sitefinder.delivery.graph.STAGES` does not name; our own fault."""


class SettingsParts(Parts):
    """Settings, of which a stage gets sections (``heads``) and single settings (``inputs.dem.vertical_unit``)."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings

    def scoped(self, parts: Sequence[str]) -> Settings:
        """Settings that refuse all else, or all of them where a stage declares `WHOLE`."""
        if WHOLE in parts:
            return self._settings
        return cast("Settings", ScopedSettings(self._settings, "", tuple(parts)))

    def facts(self, parts: Sequence[str]) -> dict[str, str]:
        """Each setting of these parts with its value, but for paths and what changes no result."""
        if WHOLE in parts:
            facts = dict(_flat(self._settings.model_dump(exclude=OF_NO_RESULT)))
            return facts | {"overrides": repr(self._settings.overrides)}
        return _facts_of(self._settings, "", tuple(parts))

    def carried(self, parts: Sequence[str]) -> Remade:
        """The settings as data, of which a stage in another process sees these parts."""
        made = self._settings
        given = sorted(made.model_fields_set)
        sections = {name: getattr(made, name) for name in type(made).model_fields}
        return Remade("sitefinder.steps.scope:settings_as_carried", (sections, given, made.folder, list(parts)))


def settings_as_carried(data: tuple[dict[str, Any], list[str], str, list[str]]) -> Settings:
    """Settings as a stage sees them, from what `SettingsParts.carried` gives."""
    from sitefinder.settings import Settings

    sections, given, folder, parts = data
    made = Settings.model_construct(set(given), **sections)
    made._folder = folder
    return SettingsParts(made).scoped(parts)


class ScopedSettings:
    """A section of the settings that refuses what its stage does not declare."""

    def __init__(
        self, section: BaseModel, key: str, parts: tuple[str, ...], changed: dict[str, Any] | None = None
    ) -> None:
        self._section, self._key, self._parts, self._changed = section, key, parts, changed or {}

    def model_copy(self, update: dict[str, Any]) -> ScopedSettings:
        """The same section with some values changed, for a stage that compares alternatives."""
        return ScopedSettings(self._section, self._key, self._parts, self._changed | update)

    def __getattr__(self, name: str) -> Setting:
        if name.startswith("_"):
            raise AttributeError(name)
        value = self._found(name)
        # Settings are frozen: from now on Python finds it here, and does not ask again.
        self.__dict__[name] = value
        return value

    def _found(self, name: str) -> Setting:
        if name in self._changed:
            return self._changed[name]
        kind = type(self._section)
        if name not in kind.model_fields:
            # A property, derived from settings that are declared.
            return getattr(kind, name).__get__(self)
        key = _key(self._key, name)
        if not (_is_part(key, self._parts) or _is_path(kind, name)) or _is_hidden(kind, name, key):
            raise NotDeclared(
                f"setting {key}: name it in the depends_on of this stage, if its result may depend on it"
            )
        return self._wrapped(getattr(self._section, name), key)

    def _wrapped(self, value: Setting, key: str) -> Setting:
        if isinstance(value, BaseModel):
            return ScopedSettings(value, key, self._parts)
        if isinstance(value, list) and value and isinstance(value[0], BaseModel):
            return [ScopedSettings(item, key, self._parts) for item in value]
        if isinstance(value, dict) and value and isinstance(next(iter(value.values())), BaseModel):
            return {name: ScopedSettings(item, _key(key, name), self._parts) for name, item in value.items()}
        return value

    def __repr__(self) -> str:
        return f"ScopedSettings({self._key!r})"


# Settings by key, as texts. ``place`` is the key without the names of items of lists, by which parts are declared.
def _facts_of(section: BaseModel, key: str, parts: tuple[str, ...], place: str | None = None) -> dict[str, str]:
    facts: dict[str, str] = {}
    for name in type(section).model_fields:
        own, value = _key(key, name), getattr(section, name)
        at = own if place is None else _key(place, name)
        if _is_hidden(type(section), name, at) or _is_path(type(section), name) or at in CHANGES_NOTHING:
            continue
        if not _is_part(at, parts):
            continue
        if isinstance(value, BaseModel):
            facts |= _facts_of(value, own, parts, at)
        elif isinstance(value, list) and value and isinstance(value[0], BaseModel):
            names = [getattr(item, "name", number) for number, item in enumerate(value, 1)]
            facts[f"setting {own}{ORDER}"] = repr(names)
            for called, item in zip(names, value, strict=True):
                facts |= _facts_of(item, _key(own, called), parts, at)
        elif isinstance(value, dict):
            facts[f"setting {own}{ORDER}"] = repr(list(value))
            for called, item in value.items():
                known = isinstance(item, BaseModel)
                facts |= (
                    _facts_of(item, _key(own, called), parts, _key(at, called))
                    if known
                    else {f"setting {own}.{called}": repr(item)}
                )
        else:
            facts[f"setting {own}"] = repr(value)
    return facts | _derived_facts(section, key, parts)


# What a section derives from settings that are declared: its code is not among that which a stage imports.
def _derived_facts(section: BaseModel, key: str, parts: tuple[str, ...]) -> dict[str, str]:
    facts, scoped = {}, ScopedSettings(section, key, parts)
    for name, member in _derived_settings(type(section)):
        if _key(key, name) not in READ_FROM:
            with contextlib.suppress(NotDeclared):
                facts[f"{DERIVED}{_key(key, name)}"] = repr(member.__get__(scoped))
    return facts


# Names and properties of what a kind of section derives; each stage asks for it again.
@functools.cache
def _derived_settings(kind: type[BaseModel]) -> list[tuple[str, property]]:
    found = inspect.getmembers_static(kind, lambda one: isinstance(one, property))
    return [(name, member) for name, member in found if not hasattr(BaseModel, name)]


# Each setting by its key, as texts; items of lists by their number.
def _flat(value: Setting, key: str = "") -> Iterator[tuple[str, str]]:
    if isinstance(value, dict):
        for name, item in value.items():
            yield from _flat(item, _key(key, name))
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        for number, item in enumerate(value, 1):
            yield from _flat(item, _key(key, number))
    elif key not in CHANGES_NOTHING:
        yield f"setting {key}", repr(value)


def _key(key: str, name: object) -> str:
    return f"{key}.{name}" if key else str(name)


# Whether a key is one of the parts, lies within one, or on the way to one. Asked whenever a stage reads a setting.
@functools.cache
def _is_part(key: str, parts: tuple[str, ...]) -> bool:
    return key in _on_the_way_to(parts) or not _with_those_above(key).isdisjoint(parts)


# The keys that lead to parts, down to the parts themselves.
@functools.cache
def _on_the_way_to(parts: tuple[str, ...]) -> frozenset[str]:
    return frozenset[str]().union(*map(_with_those_above, parts))


# A key, and the sections that it lies in.
@functools.cache
def _with_those_above(key: str) -> frozenset[str]:
    names = key.split(".")
    return frozenset(".".join(names[:count]) for count in range(1, len(names) + 1))


def _is_path(kind: type[BaseModel], name: str) -> bool:
    return name == "path" and issubclass(kind, Source)


def _is_hidden(kind: type[BaseModel], name: str, key: str) -> bool:
    return key in READ_ALREADY or (name in OF_A_FILE and issubclass(kind, Source))


class InputsParts(Parts):
    """Inputs, of which a stage gets parts by name (``dem``) and single layers (``layers.lakes``)."""

    def __init__(self, inputs: LazyInputs | RunInputs) -> None:
        self._inputs = inputs
        self._digests: dict[str, str] = {}

    def scoped(self, parts: Sequence[str]) -> RunInputs:
        """Inputs that refuse all else."""
        return cast("RunInputs", ScopedInputs(self._inputs, tuple(parts)))

    def facts(self, parts: Sequence[str]) -> dict[str, str]:
        """A digest of each of these parts as it was read."""
        return {f"input {part.removeprefix('layers.')}": self._digest(part) for part in parts}

    def carried(self, parts: Sequence[str]) -> Remade:
        """These parts as data, for a stage in another process. Rasters are no parts of it: they hold paths."""
        layers = {
            part.removeprefix("layers."): self._inputs.layers[part.removeprefix("layers.")].frame
            for part in parts
            if part.startswith("layers.") and part.removeprefix("layers.") in self._inputs.layers
        }
        values = {part: getattr(self._inputs, part) for part in parts if not part.startswith("layers.")}
        return Remade("sitefinder.steps.scope:inputs_as_carried", (values, layers, list(parts)))

    def validate_unchanged(self) -> None:
        """Refuse files that changed since they were read."""
        validate: Callable[[], None] | None = getattr(self._inputs, "validate_unchanged", None)
        if validate is not None:
            validate()

    # Each once a run, since large layers take a while.
    def _digest(self, part: str) -> str:
        if part not in self._digests:
            known = getattr(self._inputs, "digest_of", None)
            if known is not None:
                self._digests[part] = known(part)
            else:
                value = _input(self._inputs, part)
                self._digests[part] = "none" if value is None else _digest_of(value)
        return self._digests[part]


def inputs_as_carried(data: tuple[dict[str, Any], dict[str, Any], list[str]]) -> RunInputs:
    """Inputs as a stage sees them, from what `InputsParts.carried` gives."""
    values, layers, parts = data
    held = SimpleNamespace(**values, layers={name: ScopedLayer(frame) for name, frame in layers.items()})
    return InputsParts(cast("RunInputs", held)).scoped(parts)


class Layer(Protocol):
    """A layer as stages see it: its features."""

    @property
    def frame(self) -> geopandas.GeoDataFrame:
        """A row a feature, in the run's coordinate system."""


class ScopedInputs:
    """Inputs that refuse what their stage does not declare. Of layers they give the features alone."""

    def __init__(self, inputs: LazyInputs | RunInputs, parts: tuple[str, ...]) -> None:
        self._inputs, self._parts = inputs, parts

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_"):
            raise AttributeError(name)
        if name == "layers":
            return ScopedLayers(self._inputs, self._parts)
        if name not in self._parts:
            raise NotDeclared(
                f"input {name}: name it in the depends_on of this stage, if its result may depend on it"
            )
        value = getattr(self._inputs, name)
        return {key: ScopedLayer(read.frame) for key, read in value.items()} if name == "shares" else value


class ScopedLayers(Mapping[str, Layer]):
    """Layers by name, those that a stage declares."""

    def __init__(self, inputs: LazyInputs | RunInputs, parts: tuple[str, ...]) -> None:
        self._layers, self._parts = inputs.layers, parts

    def __getitem__(self, name: str) -> ScopedLayer:
        if f"layers.{name}" not in self._parts:
            raise NotDeclared(f"input layers.{name}: name it in the depends_on of this stage")
        return ScopedLayer(self._layers[name].frame)

    def __iter__(self) -> Iterator[str]:
        raise NotDeclared("all layers at once: name those that this stage needs")

    def __len__(self) -> int:
        raise NotDeclared("all layers at once: name those that this stage needs")


class ScopedLayer(NamedTuple):
    """A layer as stages see it."""

    frame: geopandas.GeoDataFrame


# What of one part of the inputs a stage's result depends on.
def _input(inputs: LazyInputs | RunInputs, part: str) -> object:
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


def counted_layer(layer: Any) -> Any:
    """Parts of a layer that can change a result: its features, and which of them a rule's filter selects."""
    match = getattr(layer, "match", None)
    return layer.frame if match is None else (layer.frame, match)


def counted_raster(facts: RasterFacts) -> dict[str, Any]:
    """What of a raster's facts can change a result: not where it lies; its content is in the digest."""
    notes = {name: value for name, value in facts.lineage.items() if name not in ("path", *OF_A_FILE)}
    return {**facts._asdict(), "path": "", "lineage": notes}


class ScopedRule(NamedTuple):
    """A rule as the stage of overlaps gets it: its settings, its features, and the ground that its layer covers.

    ``coverage`` is None where the layer covers everything. ``match`` says which features the rule's filter
    selects, see `sitefinder.rules.filters.Matching`; None of a layer without features.
    """

    settings: RuleSettings
    frame: geopandas.GeoDataFrame
    coverage: geopandas.GeoDataFrame | None
    match: Matching | None


class RuleParts(Parts):
    """One rule with its layer, and the area that the layer covers, or None."""

    def __init__(
        self, rule: RuleSettings, read: LayerRead | LazyLayer, coverage: LayerRead | LazyLayer | None
    ) -> None:
        self._rule, self._read, self._coverage = rule, read, coverage

    def scoped(self, parts: Sequence[str]) -> ScopedRule:
        """The rule, whole: it is small."""
        coverage = None if self._coverage is None else self._coverage.frame
        settings = ScopedSettings(self._rule, self._name, (self._name,))
        match = getattr(self._read, "match", None)
        return ScopedRule(cast("RuleSettings", settings), self._read.frame, coverage, match)

    def facts(self, parts: Sequence[str]) -> dict[str, str]:
        """Settings of the rule, and digests of its layers as read."""
        facts = _facts_of(self._rule, self._name, (self._name,))
        facts[f"input {self._name}"] = _digest_of_layer(self._read)
        if self._coverage is not None:
            facts[f"input {self._name}.coverage"] = _digest_of_layer(self._coverage)
        return facts

    def validate_unchanged(self) -> None:
        """Refuse files that changed since they were read."""
        validate: Callable[[], None] | None = getattr(self._read, "validate_unchanged", None)
        if validate is not None:
            validate()

    @property
    def _name(self) -> str:
        return _key("rules", self._rule.name)


def rules_of(given: Mapping[str, Any]) -> dict[str, RuleParts]:
    """Each rule by its name, from what a run is given."""
    settings, inputs = given["settings"], given["inputs"]
    return {
        rule.name: RuleParts(rule, read, coverage)
        for rule, read, coverage in zip(settings.rules, inputs.rules, inputs.coverages, strict=True)
    }


# A layer that was only judged knows its digest; of one that was read it is taken.
def _digest_of_layer(read: LayerRead | LazyLayer) -> str:
    digest = getattr(read, "digest", None)
    return _digest_of(counted_layer(read)) if digest is None else digest


# Tables and geometry are loaded only where a digest must be taken.
def _digest_of(value: object) -> str:
    from sitefinder.steps.contents import digest_of

    return digest_of(value)
