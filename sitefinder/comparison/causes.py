"""Differences between the provenance of two runs, and which of them can have caused which change."""

from __future__ import annotations

import re
from collections.abc import Hashable
from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple, TypedDict, TypeVar

import pandas as pd

from sitefinder.schema import LAYERS

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping

    from sitefinder.pipeline.graph import Stage

# Names of provenance inputs among the inputs that stages depend on, where they differ.
PARTS_OF_INPUT = {
    "dem error preset": ("dem_error",),
    "equation file": ("equations",),
    "turbine file": ("turbines", "rotors"),
    "cost file": ("costs",),
    "environmental flow preset": ("environmental",),
    "gauges": ("gauges", "fits", "measured_gauges"),
    "gauge_stations": ("measured_gauges",),
    "spot_gaugings": ("spot_gaugings", "measured_gauges"),
    "observations": ("observations", "seen_conditions", "field_levels", "spot_gaugings", "measured_gauges"),
}
# Inputs with names that the user chooses: rasters and layers that the flow equations read.
NAMED_BY_USER = ("covariates", "shares")
# Inputs behind provenance rows of kind setting, by how their names begin.
SETTINGS_OF_INPUTS = {
    "equation ": ("equations",),
    "environmental flow rule ": ("environmental",),
    "money": ("costs",),
    "price level of ": ("turbines", "costs"),
}
# Sections of the settings that change no table.
CHANGES_NO_TABLE = ("delivery", "publication", "fit")
# Prefixes of settings and inputs in what columns are made by, besides stages.
BESIDE = ("settings.", "inputs.")
# Types of column whose values show whether a stage gave the same result.
FIGURES = ("real", "integer")
# Settings that only state a path or a source, whose content has a digest; and that there are no rules, which are
# compared one by one.
NO_CAUSE = re.compile(
    r"(^|\.)(path|source|date|licence|attribution|redistribute|publish_cell_m)$|^run\.(name|output_folder|workers)$|^costs\.file$|"
    r"^energy\.turbines$|^flows\.equations$|\.preset$|\.error_preset$|^rules$"
)
RULE_SETTING = re.compile(r"^rules\[(\d+)\]\.(.+)$")
RULE_INPUT = re.compile(r"^(area of )?rule (.+)$")
ORDER_OF_RULES = "order of the rules"
K = TypeVar("K", bound=Hashable)
COLUMNS = ["origin", "name", "difference", "old", "new"]
# The fact that stages of rules depend on, and the one that no known stage depends on, which may affect anything.
RULES, ANYTHING = "rules", "anything"
# The stage that selects sites: anything that reaches it can have changed the selection.
SELECTION = "sites"
# Stages of columns that rules alone decide.
OF_RULES = ("rule_verdicts",)
# The input of decisions, what stages depend on of it, the stage of columns that decisions alone decide, and what a
# decision states, as the layer has it.
DECISIONS, OF_DECISION = "decisions", "inputs.decisions"
OF_DECISIONS = ("decisions",)
STATED_BY_DECISION = (
    "decision",
    "scheme_type",
    "stated_reach_id",
    "x_m",
    "y_m",
    "date",
    "valid_until",
    "author",
    "justification",
    "stated_head_m",
    "stated_verdict",
    "stated_structure_id",
)


class Provenance(TypedDict):
    """The provenance of a run by kind, with what each row says; rules by name, apart from other settings.

    ``layer`` has the digest by rule and by "layer" or "area"; ``means`` describes each rule in a few words.
    """

    input: dict[str, str]
    setting: dict[str, str]
    stage: dict[str, str]
    rule: dict[str, dict[str, str]]
    layer: dict[tuple[str, str], str]
    means: dict[str, str]


class Causes(NamedTuple):
    """Differences, and the graph that leads from them to results.

    ``table`` has a row a difference, as the schema declares ``causes``; ``facts`` are for each of them the names
    that stages depend on, such as ``settings.heads.quantile``, ``inputs.dem``, ``rules`` and ``stages.flows``.
    """

    table: pd.DataFrame
    facts: list[set[str]]
    graph: StageGraph


class StageGraph:
    """Which settings, inputs and other stages each stage depends on, for the search for causes.

    Parameters
    ----------
    stages : iterable of sitefinder.pipeline.graph.Stage
        Names, ``reads``, ``depends_on`` and ``each`` are read, and nothing is run.
    """

    def __init__(self, stages: Iterable[Stage]) -> None:
        stages = list(stages)
        self.names = {stage.name for stage in stages}
        self._reads = {stage.name: [name for name in stage.reads if name in self.names] for stage in stages}
        self._depends_on: dict[str, set[str]] = {}
        for stage in stages:
            scoped = {f"{given}.{part}" for given, parts in stage.depends_on.items() for part in parts}
            if "settings.rules" in scoped or (stage.each is not None and stage.each.argument == "rule"):
                scoped.add(RULES)
            self._depends_on[stage.name] = {*scoped, f"stages.{stage.name}"}

    def is_used_by_any(self, fact: str) -> bool:
        """Whether any stage depends on a fact."""
        return any(_meet(fact, part) for parts in self._depends_on.values() for part in parts)

    def facts_of(self, made_by: Iterable[str], quiet: Collection[str] = ()) -> dict[str, int]:
        """Everything that a result depends on, through all stages before it.

        Parameters
        ----------
        made_by : iterable of str
            Names of stages, settings and inputs.
        quiet : collection of str
            Stages with unchanged results, through which nothing can have had an effect.

        Returns
        -------
        dict of str to int
            Each with the number of stages between it and the result, on the shortest path.
        """
        facts = dict.fromkeys((name for name in made_by if name not in self.names), 0)
        near = [name for name in made_by if name in self.names and name not in quiet]
        known: set[str] = set()
        distance = 0
        while near:
            known |= set(near)
            for name in near:
                facts = dict.fromkeys(self._depends_on[name], distance) | facts
            read = {name for stage in near for name in self._reads[stage]}
            near, distance = sorted(read - known - set(quiet)), distance + 1
        return facts


# Whether one of two dotted names equals or contains the other.
def _meet(one: str, other: str) -> bool:
    return f"{one}.".startswith(f"{other}.") or f"{other}.".startswith(f"{one}.")


def differences(
    old: pd.DataFrame,
    new: pd.DataFrame,
    graph: StageGraph,
    defaults: Mapping[str, str] | Iterable[tuple[str, str]] = (),
    decisions: tuple[pd.DataFrame | None, pd.DataFrame | None] = (None, None),
) -> Causes:
    """Differences between the provenance of two runs.

    Parameters
    ----------
    old, new : DataFrame
        ``provenance`` of each run.
    graph : StageGraph
        Of the running program.
    defaults : mapping
        Defaults of settings as text, by key. A setting that only one run has, at its default, is no difference:
        the other run's program did not have it yet.
    decisions : pair of DataFrame, optional
        The layer ``decisions`` of each run; None where a run has none.

    Returns
    -------
    Causes
        Rules first, then decisions, inputs, settings, stages. A rule is known by its name, at any position in
        the list.
    """
    before, after = (_split(table) for table in (old, new))
    defaults = dict(defaults)
    rows: list[tuple[tuple[str, str, str, str, str], set[str]]]
    rows = [(row, {RULES}) for row in _rule_rows(before, after, defaults)]
    one_by_one = _decision_rows(*decisions)
    rows += [(row, {OF_DECISION}) for row in one_by_one]
    for name, old_digest, new_digest in _unequal(before["input"], after["input"]):
        if name == DECISIONS and one_by_one:
            continue
        text = f"input {name} {_became(old_digest, new_digest, 'changed')}"
        rows.append((("input", name, text, old_digest, new_digest), _facts_of_input(name, graph)))
    for key, old_value, new_value in _unequal(before["setting"], after["setting"], defaults):
        text = f"setting {key}: {old_value or 'not set'} → {new_value or 'not set'}"
        rows.append((("setting", key, text, old_value, new_value), _facts_of_setting(key, graph)))
    for name, old_version, new_version in _unequal(before["stage"], after["stage"]):
        text = f"code of stage {name} {_became(old_version, new_version, 'changed')}"
        facts = {f"stages.{name}"} if name in graph.names else {ANYTHING}
        rows.append((("stage", name, text, old_version, new_version), facts))
    return Causes(pd.DataFrame([row for row, _ in rows], columns=COLUMNS), [facts for _, facts in rows], graph)


def _split(table: pd.DataFrame) -> Provenance:
    parts: Provenance = {"input": {}, "setting": {}, "stage": {}, "rule": {}, "layer": {}, "means": {}}
    numbered: dict[int, dict[str, str]] = {}
    columns = ["kind", "name", "digest", "value", "source"]
    for kind, name, digest, value, source in table[columns].itertuples(index=False, name=None):
        match = RULE_SETTING.match(name)
        of_rule = RULE_INPUT.match(name) if kind == "input" else None
        if of_rule:
            parts["layer"][of_rule[2], "area" if of_rule[1] else "layer"] = digest
        elif kind == "input":
            parts["input"][name] = digest
        elif kind == "stage":
            parts["stage"][name] = value
        elif match:
            numbered.setdefault(int(match[1]), {})[match[2]] = value
        elif kind == "setting" and not NO_CAUSE.search(name):
            # An equation's or an environmental flow rule's text is its source.
            parts["setting"][name] = value or source
    for number, settings in sorted(numbered.items()):
        name = settings.pop("name", f"number {number}")
        kept_settings = {key: value for key, value in settings.items() if not NO_CAUSE.search(key)}
        parts["rule"].setdefault(name, kept_settings)
        means = [settings.get(key, "") for key in ("action", "path", "layer")]
        parts["means"].setdefault(name, ", ".join(each for each in means if each))
    return parts


# Names of which the values differ, with both; "" where there is none.
def _unequal(
    before: Mapping[K, str], after: Mapping[K, str], defaults: Mapping[K, str] | None = None
) -> Iterator[tuple[K, str, str]]:
    for name in dict.fromkeys([*before, *after]):
        one, other = before.get(name, ""), after.get(name, "")
        missing = name not in before or name not in after
        if one != other and not (missing and defaults and defaults.get(name) == (one or other)):
            yield name, one, other


def _became(old: str, new: str, otherwise: str) -> str:
    return "is new" if not old else "is gone" if not new else otherwise


def _rule_rows(
    before: Provenance, after: Provenance, defaults: Mapping[str, str]
) -> list[tuple[str, str, str, str, str]]:
    rows = []
    every = "rules[]."
    of_rule = {key.removeprefix(every): value for key, value in defaults.items() if key.startswith(every)}
    for name in dict.fromkeys([*before["rule"], *after["rule"]]):
        one, other = before["rule"].get(name), after["rule"].get(name)
        if one is None or other is None:
            text = f"rule {name} {'is new' if one is None else 'is gone'}"
            rows.append(("rule", name, text, before["means"].get(name, ""), after["means"].get(name, "")))
            continue
        for key, old_value, new_value in _unequal(one, other, of_rule):
            text = f"rule {name}: {key} {old_value or 'not set'} → {new_value or 'not set'}"
            rows.append(("rule", name, text, old_value, new_value))
    both = [name for name in before["rule"] if name in after["rule"]]
    for (name, what), old_digest, new_digest in _unequal(before["layer"], after["layer"]):
        if name in both or name not in {*before["rule"], *after["rule"]}:
            text = f"{what} of rule {name} {_became(old_digest, new_digest, 'changed')}"
            rows.append(("rule", name, text, old_digest, new_digest))
    order = [name for name in after["rule"] if name in before["rule"]]
    if both != order:
        text = f"{ORDER_OF_RULES} changed"
        rows.append(("rule", ORDER_OF_RULES, text, "; ".join(both), "; ".join(order)))
    return rows


# Decisions that only one run has, or of which something differs, or that apply in one run alone.
def _decision_rows(old: pd.DataFrame | None, new: pd.DataFrame | None) -> list[tuple[str, str, str, str, str]]:
    before, after = (_decisions_by_id(table) for table in (old, new))
    rows = []
    for name in dict.fromkeys([*before, *after]):
        one, other = before.get(name), after.get(name)
        if one is None or other is None:
            means = [each["decision"] if each else "" for each in (one, other)]
            text = f"decision {name} ({''.join(means)}) {'is new' if one is None else 'is gone'}"
            rows.append(("decision", name, text, *means))
            continue
        for key in STATED_BY_DECISION:
            was, now = str(one[key]), str(other[key])
            if was != now and not (pd.isna(one[key]) and pd.isna(other[key])):
                text = f"decision {name}: {key} {was or 'not set'} → {now or 'not set'}"
                rows.append(("decision", name, text, was, now))
        if bool(one["applied"]) != bool(other["applied"]):
            why = other["not_applied"] or one["not_applied"]
            text = f"decision {name} {'applies again' if other['applied'] else 'no longer applies'} ({why})"
            rows.append(("decision", name, text, one["not_applied"], other["not_applied"]))
    return [(origin, name, text, str(was), str(now)) for origin, name, text, was, now in rows]


def _decisions_by_id(table: pd.DataFrame | None) -> dict[str, dict[str, Any]]:
    if table is None:
        return {}
    rows: list[dict[str, Any]] = table.to_dict("records")
    return {str(row["decision_id"]): row for row in rows}


# What stages depend on of an input by its name in the provenance, where several files of a kind are numbered.
def _facts_of_input(name: str, graph: StageGraph) -> set[str]:
    kind = re.sub(r" \d+$", "", name)
    for known in (name, kind):
        parts = PARTS_OF_INPUT.get(known, (known, f"layers.{known}"))
        facts = {f"inputs.{part}" for part in parts}
        if any(_is_known(fact, graph) for fact in facts):
            return facts
    return {f"inputs.{part}" for part in NAMED_BY_USER}


# What stages depend on of a setting. One that states how an input is read changes that input; one that no stage
# knows, since it is of another version of the program, may change everything in its section.
def _facts_of_setting(key: str, graph: StageGraph) -> set[str]:
    for begin, parts in SETTINGS_OF_INPUTS.items():
        if key.startswith(begin):
            return {f"inputs.{part}" for part in parts}
    key = re.sub(r"\[\d+\]", "", key)
    section, _, rest = key.partition(".")
    if section == "inputs":
        name = rest.partition(".")[0]
        own = {f"settings.{key}"} | _facts_of_input(name, graph)
        return own | {"inputs.dem_error"} if name == "dem" else own
    for fact in (f"settings.{key}", f"settings.{section}"):
        if _is_known(fact, graph):
            return {fact}
    return set() if section in CHANGES_NO_TABLE else {ANYTHING}


# Whether a stage depends on a fact, or a column is made by it.
def _is_known(fact: str, graph: StageGraph) -> bool:
    beside = {part for made in _MADE_BY.values() for part in made}
    return graph.is_used_by_any(fact) or any(_meet(fact, part) for part in beside)


def made_by(layer_name: str, column: str) -> tuple[str, ...]:
    """Stages, settings and inputs that a column is made by; the selection where it is not declared."""
    made: tuple[str, ...] = _MADE_BY.get((layer_name, column), (SELECTION,))
    return made


_MADE_BY = {(layer.name, column.name): column.made_by for layer in LAYERS.values() for column in layer.columns}


def reaching(causes: Causes, layer_name: str, changed: Collection[str], shown: Collection[str] = ()) -> list[int]:
    """Which differences can have caused a row's change.

    Parameters
    ----------
    causes : Causes
    layer_name : str
        Of the row.
    changed : collection of str
        Columns of the row whose values differ.
    shown : collection of str
        Columns that were compared. No effect can have passed through a stage whose figures are shown and all
        unchanged. A difference is left out where its shortest path to the row's change leads through such a
        stage, unless no other difference is left.

    Returns
    -------
    list of int
        Rows of the table.
    """
    made = tuple(dict.fromkeys(part for column in changed for part in made_by(layer_name, column)))
    able = _distances(causes, causes.graph.facts_of(made))
    near = _distances(causes, causes.graph.facts_of(made, _quiet(layer_name, changed, shown)))
    return [row for row in near if near[row] == able[row]] or list(able)


# Differences that touch any of these facts, with the distance of the nearest.
def _distances(causes: Causes, facts: Mapping[str, int]) -> dict[int, int]:
    found = {}
    for row, own in enumerate(causes.facts):
        distances = [facts[other] for fact in own for other in facts if _meet(fact, other)]
        if distances or ANYTHING in own:
            found[row] = min(distances, default=0)
    return found


# Stages whose figures in a row are all unchanged. Where a figure of several stages differs and each of them seems
# unchanged, the row does not show what differs, so none of them counts as unchanged.
def _quiet(layer_name: str, changed: Collection[str], shown: Collection[str]) -> set[str]:
    figures = {made_by(layer_name, name) for name in shown if name in _figures(layer_name)}
    moved = [{part for part in made_by(layer_name, name) if not part.startswith(BESIDE)} for name in changed]
    quiet = {made[0] for made in figures if len(made) == 1} - set().union(
        *(each for each in moved if len(each) == 1)
    )
    return quiet.difference(*(each for each in moved if each <= quiet))


@cache
def _figures(layer_name: str) -> frozenset[str]:
    return frozenset(column.name for column in LAYERS[layer_name].columns if column.dtype in FIGURES)


def of_decisions(causes: Causes, ids: Collection[str]) -> list[int]:
    """Rows of differences in the decisions of these ids."""
    pairs = zip(causes.table["origin"], causes.table["name"], strict=True)
    return [row for row, (origin, name) in enumerate(pairs) if origin == "decision" and name in ids]


def of_rules(causes: Causes, rules: Collection[str]) -> list[int]:
    """Rows of differences in the rules of these names; if there are none, those that can change a verdict."""
    table = causes.table
    of_name = [
        row
        for row, (origin, name) in enumerate(zip(table["origin"], table["name"], strict=True))
        if origin == "rule" and name in rules
    ]
    return of_name or reaching(causes, "reaches", ["verdict"])
