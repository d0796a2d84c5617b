"""What each result of a run depends on, the key that it is kept under, and why one would be made again."""

from __future__ import annotations

import functools
import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Any, NamedTuple

from sitefinder.pipeline.code import SourceCode, change_of_code, digest_of_files
from sitefinder.pipeline.executors import loaded, place_of
from sitefinder.pipeline.graph import Parts, Stage

# Raised when results are kept in another way, so that none of the earlier ones is taken for one of the new.
KEPT_AS = 2
# A fact of this ending gives the order of things whose names begin as it does, one of this beginning is worked out
# from others; both are reasons only where there is no other.
ORDER, DERIVED = " (order)", "derived "
NO_RESULT = "no stored result"
AFTER = "after "


class _Parts(NamedTuple):
    stage: str
    item: str
    code: str
    facts: dict[str, str]
    reads: dict[str, str]
    software: dict[str, str]


class Recipe(_Parts):
    """All that a result depends on: never times, paths or numbers of workers.

    ``code`` is a digest of the source files that the function of the stage can reach, ``facts`` are what the stage
    sees of what the run was given, ``reads`` the keys of the results that it reads, ``software`` the versions of
    what it is made with; the last three are dicts of text to text.
    """

    @property
    def place(self) -> str:
        """Name of the result: that of its stage, with the item where there are several."""
        return place_of(self.stage, self.item)

    @functools.cached_property
    def key(self) -> str:
        """SHA-256 over all of it, hexadecimal. The name of an item is none of it: that stands in its facts."""
        text = json.dumps([KEPT_AS, *self._replace(item="")], sort_keys=True, ensure_ascii=True)
        return hashlib.sha256(text.encode()).hexdigest()

    def made_from(self, contents: Mapping[str, str]) -> str:
        """The same with what the results that it reads hold in place of their keys: equal for equal results.

        Parameters
        ----------
        contents : dict of str to str
            By the names in ``reads``: a digest of what each of these results holds.

        Returns
        -------
        str
            SHA-256, hexadecimal.
        """
        return self._replace(reads=dict(contents)).key

    def of_item(self, item: str, facts: dict[str, str], cut: Sequence[str]) -> Recipe:
        """The recipe of one item that is cut from earlier results.

        Parameters
        ----------
        item : str
            Its name.
        facts : dict of str to str
            What its own shares of those results hold; they stand in place of the keys of the results.
        cut : sequence of str
            The stages whose results it is cut from, and by.

        Returns
        -------
        Recipe
            With nothing in it of the other items.
        """
        reads = {name: key for name, key in self.reads.items() if name not in cut}
        return self._replace(item=item, facts=self.facts | facts, reads=reads)


class Planned(NamedTuple):
    """What would become of one stage: whether its result is there, and if not, each reason."""

    stage: str
    kept: bool
    reasons: list[str]


def recipes_of(
    stages: Iterable[Stage],
    given: Mapping[str, Any],
    parts: Mapping[str, Parts],
    software: dict[str, str],
    code: SourceCode,
) -> dict[str, list[Recipe]]:
    """The recipe of every result of a run; nothing is run for it.

    Parameters
    ----------
    stages : sequence of Stage
    given : dict
        What the run is given, by name.
    parts : dict of str to Parts
        Those of the given that stages see in parts.
    software : dict of str to str
        Versions of what results are made with.
    code : sitefinder.pipeline.code.SourceCode
        Of the package that the stages' functions come from.

    Returns
    -------
    dict of str to list of Recipe
        By stage: one, or one for each given item in their order. What is cut from earlier results is known only
        when these are there: such a stage has here the recipe of its joined result.
    """
    recipes: dict[str, list[Recipe]] = {}
    keys: dict[str, str] = {}
    for stage in stages:
        facts: dict[str, str] = {}
        for name in stage.reads:
            if name in parts:
                facts |= parts[name].facts(stage.depends_on.get(name, ()))
        reads = {name: keys[name] for name in stage.reads if name in keys}
        digest = digest_of_files(code.files_of(stage.functions))
        if stage.each is None or stage.cut is not None:
            recipes[stage.name] = [Recipe(stage.name, "", digest, facts, reads, software)]
            keys[stage.name] = recipes[stage.name][0].key
        else:
            recipes[stage.name] = [
                Recipe(stage.name, item, digest, facts | part.facts(()), reads, software)
                for item, part in loaded(stage.each.items)(given).items()
            ]
            # What is joined from items depends on theirs, and on their order.
            joined = json.dumps(
                [stage.name, digest, *([recipe.item, recipe.key] for recipe in recipes[stage.name])]
            )
            keys[stage.name] = hashlib.sha256(joined.encode()).hexdigest()
    return recipes


def plan_of(
    recipes: Mapping[str, list[Recipe]],
    last: Mapping[str, Recipe],
    is_kept: Callable[[str], bool],
    code_change: Callable[[str], str] = lambda stage: change_of_code({}, {}),
    cut: Mapping[str, str] = MappingProxyType({}),
) -> list[Planned]:
    """What would be done again, and why.

    Parameters
    ----------
    recipes : dict of str to list of Recipe
        See `recipes_of`.
    last : dict of str to Recipe
        Of the run before, by place; empty where there was none.
    is_kept : callable
        Whether the result of a key is there.
    code_change : callable, optional
        Gives for the name of a stage the reason to show where its code changed.
    cut : dict of str to str, optional
        What items are called, by the names of stages that are cut from earlier results. Where such a stage only
        comes after others that are made again, it redoes those items alone whose shares of their results differ.

    Returns
    -------
    list of Planned
        In the order of the stages. Reasons of one item alone say which.
    """
    planned: list[Planned] = []
    redone: list[str] = []
    for stage, own in recipes.items():
        missing = [recipe for recipe in own if not is_kept(recipe.key)]
        known = {other.stage for other in last.values()}
        found: dict[str, list[str]] = {}
        for recipe in missing:
            before = last.get(recipe.place)
            is_new = recipe.item and before is None and stage in known
            found[recipe.item] = (
                ["it is new"] if is_new else reasons_of(recipe, before, redone, code_change(stage))
            )
        shared = set.intersection(*map(set, found.values())) if len(missing) == len(own) > 1 else set()
        reasons = [
            f"{item}: {reason}" if item and reason not in shared and f".{item}" not in reason else reason
            for item, notes in found.items()
            for reason in notes
        ]
        if stage in cut and len(reasons) == 1 and reasons[0].startswith(AFTER):
            reasons = [f"{reasons[0]}, for each {cut[stage]} that then differs"]
        if missing:
            redone.append(stage)
        planned.append(Planned(stage, not missing, list(dict.fromkeys(reasons))))
    return planned


def reasons_of(
    recipe: Recipe, last: Recipe | None, redone: Sequence[str] = (), code_change: str = "code changed"
) -> list[str]:
    """Why a result would be made again, each reason a phrase.

    Parameters
    ----------
    recipe : Recipe
    last : Recipe or None
        Of the same result in the run before.
    redone : sequence of str
        Stages that are made again before it.
    code_change : str
        The reason to show where the code changed.

    Returns
    -------
    list of str
        Never empty.
    """
    if last is None:
        return [NO_RESULT]
    reasons = []
    if recipe.code != last.code:
        reasons.append(code_change)
    for name in sorted(set(recipe.software) | set(last.software)):
        new, old = recipe.software.get(name, "none"), last.software.get(name, "none")
        if new != old:
            reasons.append(f"{name} {old} → {new}")
    reasons += _changes(recipe.facts, last.facts)
    before = [name for name in recipe.reads if name in redone]
    if before:
        reasons.append(f"{AFTER}{', '.join(before)}")
    if not reasons:
        changed = [name for name, key in recipe.reads.items() if last.reads.get(name) != key]
        reasons = [f"the result of stage {name} is another" for name in changed] or [NO_RESULT]
    return reasons


# Differences between new and old facts, each a phrase. Several facts of one new thing make one phrase.
def _changes(new: dict[str, str], old: dict[str, str]) -> list[str]:
    notes = []
    for name, value in new.items():
        if name.startswith(DERIVED):
            continue
        if name not in old:
            notes.append(f"{_first_new(name, old)} is new")
        elif value != old[name] and not name.endswith(ORDER):
            is_digest = name.startswith("input ")
            notes.append(f"{name} changed" if is_digest else f"{name}: {old[name]} → {value}")
    notes += [
        f"{_first_new(name, new)} is gone" for name in old if name not in new and not name.startswith(DERIVED)
    ]
    if not notes:
        notes = [
            f"{name}: {old.get(name, 'none')} → {value}" for name, value in new.items() if value != old.get(name)
        ]
    return list(dict.fromkeys(notes))


# The shortest beginning of a dotted name that none of the others has.
def _first_new(name: str, others: Iterable[str]) -> str:
    parts = name.split(".")
    for count in range(1, len(parts)):
        begun = ".".join(parts[:count])
        if not any(other == begun or other.startswith(f"{begun}.") for other in others):
            return begun
    return name
