"""Stages as data: each is a plain function, bound to the names that it reads."""

from __future__ import annotations

import inspect
import itertools
import json
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol, overload

from sitefinder.errors import SitefinderError, StageError
from sitefinder.pipeline.disk import validate_room
from sitefinder.pipeline.executors import (
    Executor,
    Function,
    InThisProcess,
    Remade,
    Written,
    called,
    loaded,
    log_finished,
    log_kept,
    log_started,
    peak_memory_mb,
    place_of,
)
from sitefinder.pipeline.memory import hand_back

if TYPE_CHECKING:
    from sitefinder.pipeline.keys import Recipe

# What hears that a stage starts: its name, its number from 1, and how many there are.
Started = Callable[[str, int, int], None]
# What hears how many tasks of a stage are done, and how many there are.
TasksDone = Callable[[int, int], None]
# What every stage may read beside what the run provides: what does tasks, such as terrain tiles.
EXECUTOR = "executor"
# What a stage declares that sees all of something given in parts, also what is only for readers.
WHOLE = "*"
# A kept result of this many bytes is let go once no stage to come reads it; and where all that are held take more
# than this together, so are large ones that the next stage does not read. They are read from the store again where
# something asks for them (own choices). The results of small regions all stay.
LARGE_B, HELD_B = 4e6, 600e6
# After a stage that took so long, memory that it has freed is handed back to the system (own choice) [s].
LONG_S = 1.0


class Together(NamedTuple):
    """How a few items cut from earlier results are done in one call, where a call costs more than an item.

    ``cut`` takes what makes the shares of each of these items, and gives what makes shares of all of them;
    ``apart`` takes the function's result of these and their number, and gives a list of the result of each, in the
    same order: to the last bit what it would be alone, since which items are missing changes from run to run. At
    most ``most`` items are done so. Both are functions, or name one as `Stage` does.
    """

    cut: Function | str
    apart: Function | str
    most: int


class PerItem(NamedTuple):
    """How a stage is done once for each of several items, so that a changed item redoes itself alone.

    ``items`` gives the items by name, ``joined`` makes the stage's result from a dict of item name to result. Both
    are functions, or name one as `Stage` does. There are two kinds of item:

    - What the run was given, such as a rule. ``items`` takes what was given and gives the `Parts` of each item,
      and the stage's function takes the item beside all that the stage reads, under the name ``argument``. Only
      the items' results are kept.
    - Cut from the results of earlier stages that ``cut_from`` names, where nothing crosses from one item to
      another. ``items`` takes these results by name, and those of ``cut_by``, which say how to cut. It gives for
      each item a function that takes names in ``cut_from`` and makes the item's shares of these results, a dict by
      name; where it has a ``size``, items of greatest size are begun first, so that no long one is left when the
      others are done. Stages with the same ``items`` get the same share of a result. The stage's function takes
      the shares in place of the whole results, so that the same function could do all items at once. An item's
      result is kept under what its shares hold, of which
      ``content`` gives a digest, whatever they were made from, so that what came to the same is not done again.
      ``joined`` takes the results by item, and what ``items`` takes; what it gives is kept as the result of any
      other stage. ``argument`` is what an item is called in a plan. No item needs another, so that they could be
      done side by side, on several machines too. Where there are many small items, ``together`` has some done at
      once.
    """

    argument: str
    items: Function | str
    joined: Function | str
    cut_from: tuple[str, ...] = ()
    cut_by: tuple[str, ...] = ()
    content: Function | str | None = None
    together: Together | None = None

    @property
    def functions(self) -> tuple[Function | str, ...]:
        """The functions whose code makes the result beside that of the stage."""
        return (self.items, self.joined, *(self.together[:2] if self.together else ()))

    @property
    def takes(self) -> tuple[str, ...]:
        """Earlier results that ``items`` and ``joined`` take."""
        return (*self.cut_by, *self.cut_from)


class Stage(NamedTuple):
    """One step of a run.

    ``run`` is a function, or names one as ``package.module:function``, which is loaded when the stage is first
    run: a run that finds all results kept loads none of the libraries that make them. It is called with what it
    reads by name: results of earlier stages, then what the run was given. ``sees`` names, for what is given in
    `Parts`, those that this stage may look at; its result is kept under them and under a digest of the code that
    its functions can reach. ``content`` gives a digest of what a result holds, however it was made; it is kept
    beside the result, see `Results.content_of`. ``describes`` names further functions, where a result says with
    which code others were made.
    """

    name: str
    run: Function | str
    reads: tuple[str, ...]
    depends_on: Mapping[str, tuple[str, ...]] = MappingProxyType({})
    each: PerItem | None = None
    content: Function | str | None = None
    describes: tuple[Function | str, ...] = ()

    @property
    def functions(self) -> tuple[Function | str, ...]:
        """The functions whose code makes the result."""
        return (self.run, *(self.each.functions if self.each else ()), *self.describes)

    @property
    def function(self) -> Function:
        """The function that is run, loaded where ``run`` only names it."""
        return loaded(self.run)

    @property
    def cut(self) -> PerItem | None:
        """How it is done by items that are cut from earlier results; None for any other stage."""
        return self.each if self.each is not None and self.each.cut_from else None


class Made(NamedTuple):
    """Whether a result was there already, the seconds to make it (or to read it, if it was asked for), and memory.

    ``peak_memory_mb`` is the most that this process, or any worker that has ended, has held so far.
    """

    was_kept: bool
    seconds: float
    peak_memory_mb: float


class Parts:
    """Something given to a run of which each stage sees only what it declares.

    A base to derive from: `seen` gives an object that refuses all else, and `facts` states what those parts hold,
    as short texts by name. Equal facts must mean equal results. What a run is given besides (a scratch folder, a
    progress bar) is handed to stages as it is and must change no result.
    """

    def scoped(self, parts: Sequence[str]) -> Any:
        """What a stage gets that declares these parts."""
        raise NotImplementedError

    def facts(self, parts: Sequence[str]) -> dict[str, str]:
        """What these parts hold, a dict of text to text."""
        raise NotImplementedError

    def carried(self, parts: Sequence[str]) -> Remade:
        """What another process makes of data in place of what `scoped` gives; for stages that are cut."""
        raise NotImplementedError

    def validate_unchanged(self) -> None:
        """Refuse what is no longer as the facts were taken of it, such as a file that somebody wrote meanwhile.

        Asked after each stage that was given parts, before anything of it is kept, and where one fails.
        """


def bound(stages: Iterable[Stage], given: Sequence[str]) -> tuple[Stage, ...]:
    """The stages, after a check that each finds what it reads and takes nothing else.

    What a function takes is checked here where the stage holds the function itself; of one that is only named,
    `check_arguments` does it.

    Parameters
    ----------
    stages : sequence of Stage
        In the order in which they run.
    given : sequence of str
        Names that the run itself provides.

    Returns
    -------
    tuple of Stage

    Raises
    ------
    TypeError
        Naming the stage and the argument, so that a misspelt input fails at import.

    Examples
    --------
    >>> bound([Stage("double", lambda number: 2 * number, ("numbre",))], ["number"])
    Traceback (most recent call last):
    TypeError: stage 'double' reads 'numbre', which neither an earlier stage nor the run provides
    """
    known = {*given, EXECUTOR}
    for stage in stages:
        for name in stage.reads:
            if name not in known:
                raise TypeError(
                    f"stage {stage.name!r} reads {name!r}, which neither an earlier stage nor the run provides"
                )
        for name in stage.depends_on:
            if name not in stage.reads or name not in given:
                raise TypeError(f"stage {stage.name!r} sees parts of {name!r}, which it does not read")
        for name in () if stage.cut is None else stage.cut.takes:
            if name not in stage.reads or name in given:
                raise TypeError(f"stage {stage.name!r} is cut from {name!r}, which is no result that it reads")
        if not isinstance(stage.run, str):
            check_arguments(stage)
        known.add(stage.name)
    return tuple(stages)


def check_arguments(stage: Stage) -> None:
    """Refuse a stage whose function takes other arguments than the stage passes.

    Parameters
    ----------
    stage : Stage

    Raises
    ------
    TypeError
        Naming the stage and the argument.
    """
    cut = stage.cut
    passed = [name for name in stage.reads if cut is None or name not in cut.cut_by]
    passed += [stage.each.argument] if stage.each is not None and cut is None else []
    try:
        inspect.signature(stage.function).bind(**dict.fromkeys(passed))
    except TypeError as error:
        raise TypeError(
            f"stage {stage.name!r} passes {', '.join(passed)} to {stage.function.__name__}(), but {error}"
        ) from None


@overload
def run_stages(
    stages: Sequence[Stage],
    given: Mapping[str, Any],
    *,
    started: Started | None = None,
    parts: Mapping[str, Parts] | None = None,
    store: None = None,
    recipes: None = None,
    log: None = None,
    executor: Executor | None = None,
    tasks_done: TasksDone | None = None,
) -> dict[str, Any]: ...


@overload
def run_stages(
    stages: Sequence[Stage],
    given: Mapping[str, Any],
    *,
    started: Started | None = None,
    parts: Mapping[str, Parts] | None = None,
    store: KeepsResults,
    recipes: dict[str, list[Recipe]],
    log: dict[str, Made] | None = None,
    executor: Executor | None = None,
    tasks_done: TasksDone | None = None,
    before: Mapping[str, str] | None = None,
) -> Results: ...


def run_stages(
    stages: Sequence[Stage],
    given: Mapping[str, Any],
    *,
    started: Started | None = None,
    parts: Mapping[str, Parts] | None = None,
    store: KeepsResults | None = None,
    recipes: dict[str, list[Recipe]] | None = None,
    log: dict[str, Made] | None = None,
    executor: Executor | None = None,
    tasks_done: TasksDone | None = None,
    before: Mapping[str, str] | None = None,
) -> dict[str, Any] | Results:
    """Results of all stages, by name.

    Parameters
    ----------
    stages : sequence of Stage
        As `bound` returned them.
    given : dict
        What the run provides, by name.
    started : callable, optional
        Called with the stage's name, its number from 1 and the number of stages, before each one that is run.
    parts : dict of str to Parts, optional
        Those of `given` that each stage sees only in the parts that it declares.
    store : sitefinder.pipeline.store.Store, optional
        Where results are kept; what is kept there is not made again.
    recipes : dict of str to list of Recipe, optional
        See `sitefinder.pipeline.keys.recipes_of`; needed with a store.
    log : dict, optional
        Filled, where there is a store, with what became of each result (`Made`), by its place; results that are
        only read later, when something asks for them, are entered again then.
    executor : Executor, optional
        What does the items of stages that are cut from earlier results, and the tasks of stages that read
        ``executor``; absent: this process, one after the other.
    tasks_done : callable, optional
        Called with the number of items done, and of all, after each item of a stage that is cut.
    before : dict of str to str, optional
        Keys of results of an earlier run, by place. Where all that a result is made of holds the same as it did
        then, however it came about, that earlier result is kept on and the stage is not run.

    Returns
    -------
    dict, or Results with a store
        Of what was given and what each stage returned.

    Raises
    ------
    Exception
        As the stage raised it. One that the user cannot mend carries a note that names the stage.
    """
    results = Results(
        stages,
        given,
        started,
        parts or {},
        store,
        recipes,
        {} if log is None else log,
        InThisProcess() if executor is None else executor,
        tasks_done,
        before or {},
    )
    results.prepare_executor()
    for stage in stages:
        results.make_ready(stage)
        results.let_go_after(stage)
    return dict(results) if store is None else results


class KeepsResults(Protocol):
    """A store as stages are run with one; that of `sitefinder.pipeline.store`, whose code makes no result."""

    def has(self, key: str) -> bool:
        """Whether a result is there."""

    def load(self, recipe: Recipe) -> Any:
        """A result, or None where there is none that is sound."""

    def content_of(self, key: str) -> str | None:
        """The digest of what a result holds that was kept with it."""

    def bytes_of(self, key: str) -> str | None:
        """A digest of all bytes of a result as it is kept, None where there is none."""

    def size_of(self, key: str) -> int:
        """Bytes of a result as it is kept, without files beside it; 0 where there is none."""

    def keep(
        self,
        recipe: Recipe,
        result: object,
        seconds: float,
        content: str | None = None,
        items: Sequence[str] = (),
        written: Written | None = None,
        made_from: str | None = None,
    ) -> None:
        """Keep a result."""

    def keep_again(self, recipe: Recipe, key: str, made_from: str) -> bool:
        """Keep the result of a key for another recipe too, if it was made from the same."""


class Results(Mapping[str, Any]):
    """Results by name; those that are kept are read when something first asks for them. See `run_stages`."""

    def __init__(
        self,
        stages: Sequence[Stage],
        given: Mapping[str, Any],
        started: Started | None,
        parts: Mapping[str, Parts],
        store: KeepsResults | None,
        recipes: dict[str, list[Recipe]] | None,
        log: dict[str, Made],
        executor: Executor,
        tasks_done: TasksDone | None,
        before: Mapping[str, str],
    ) -> None:
        self._stages = {stage.name: stage for stage in stages}
        self._given, self._parts = dict(given), parts
        self._started, self._store, self._recipes = started, store, recipes or {}
        self._held: dict[str, Any] = {}
        self._contents: dict[str, str] = {}
        # Of shares: by what cuts them, what gives their digest, and the result and item that they are of.
        self._share_contents: dict[tuple[Function | str, Function | str, str], str] = {}
        self._announced: set[str] = set()
        self._items: dict[str, list[Recipe]] = {}
        self._log, self._is_closed = log, False
        self._executor, self._tasks_done, self._before = executor, tasks_done, before
        self._sizes: dict[str, int] = {}
        self._numbers = {stage.name: number for number, stage in enumerate(stages)}
        self._readers: dict[str, list[int]] = {}
        for number, stage in enumerate(stages):
            for name in stage.reads:
                self._readers.setdefault(name, []).append(number)

    def __iter__(self) -> Iterator[str]:
        return iter([*self._given, *(name for name in self._stages if name not in self._given)])

    def __len__(self) -> int:
        return len(set(self._given) | set(self._stages))

    def __getitem__(self, name: str) -> Any:
        if name not in self._held:
            if name not in self._stages:
                return self._given[name]
            self._held[name] = self._made(self._stages[name])
        return self._held[name]

    def prepare_executor(self) -> None:
        """Have what does tasks made ready where all stages that give it some themselves are to be run.

        Where one of them is kept, so may be most tasks of the others; of stages that are cut the shares may all be
        kept, which only their turn shows.
        """
        has_tasks = [stage for stage in self._stages.values() if stage.cut is not None or EXECUTOR in stage.reads]
        missing = [stage for stage in has_tasks if not self._is_kept(stage)]
        giving = [stage for stage in has_tasks if EXECUTOR in stage.reads]
        if giving and all(stage in missing for stage in giving):
            self._executor.prepare([stage.run for stage in missing])

    def make_ready(self, stage: Stage) -> None:
        """Run a stage, unless all of its results are kept, or are as in the earlier run."""
        if not self._is_kept(stage) and not self._is_as_before(stage):
            self[stage.name]
        else:
            for recipe in self._recipes[stage.name]:
                self._log[recipe.place] = Made(True, 0.0, peak_memory_mb())
                log_kept(stage.name, recipe.item)

    def let_go_after(self, stage: Stage) -> None:
        """Hold large results no longer than they are needed, once a stage is done."""
        if self._store is None:
            return
        number = self._numbers[stage.name] + 1
        for name in self._held.keys() - self._sizes.keys():
            self._sizes[name] = self._size_of(self._store, name)
        sizes = {name: self._sizes[name] for name in self._held}
        # The stage that reads each of the large ones next.
        due = {
            name: next((reader for reader in self._readers.get(name, ()) if reader >= number), len(self._stages))
            for name, size in sizes.items()
            if size >= LARGE_B
        }
        held_b, gone = sum(sizes.values()), False
        for name in sorted(due, key=lambda name: -due[name]):
            if due[name] == len(self._stages) or (held_b > HELD_B and due[name] > number):
                del self._held[name]
                held_b -= sizes[name]
                gone = True
        made = self._log.get(stage.name)
        if gone or (made is not None and not made.was_kept and made.seconds >= LONG_S):
            hand_back()

    # Bytes of a stage's result in the store; 0 where some of it is not there, since it could not be kept.
    def _size_of(self, store: KeepsResults, name: str) -> int:
        sizes = [store.size_of(recipe.key) for recipe in self._recipes[name]]
        return sum(sizes) if all(sizes) else 0

    # Whether all of a stage's results are in the store.
    def _is_kept(self, stage: Stage) -> bool:
        return self._store is not None and all(self._store.has(own.key) for own in self._recipes[stage.name])

    # Whether all of a stage's results are in the store after those are kept for this run too that an earlier run
    # made from the same.
    def _is_as_before(self, stage: Stage) -> bool:
        store = self._store
        if store is None or not self._before:
            return False
        missing = [recipe for recipe in self._recipes[stage.name] if not store.has(recipe.key)]
        return all([self._is_kept_again(store, recipe) for recipe in missing])

    def _is_kept_again(self, store: KeepsResults, recipe: Recipe) -> bool:
        key = self._before.get(recipe.place)
        made_from = None if key is None else self._made_from(store, recipe)
        return key is not None and made_from is not None and store.keep_again(recipe, key, made_from)

    # What a result is made from by what that holds; None where some of it could not be kept.
    def _made_from(self, store: KeepsResults, recipe: Recipe) -> str | None:
        contents: dict[str, str] = {}
        for name in recipe.reads:
            held = [(own.item, store.bytes_of(own.key)) for own in self._recipes[name]]
            if any(digest is None for _, digest in held):
                return None
            contents[name] = json.dumps(held)
        return recipe.made_from(contents)

    def close(self) -> None:
        """Run no further stage, since the store is no longer this run's; what is kept there can still be read."""
        self._is_closed = True

    def content_of(self, name: str) -> str:
        """A digest of what a stage's result holds: equal for equal results, whatever they were made from.

        What is kept under it, in place of the key of the result, need not be made again where a stage was run
        again and came to the same. A kept result is not read for it.

        Parameters
        ----------
        name : str
            Of a stage that declares ``content``.

        Returns
        -------
        str
        """
        if name not in self._contents:
            stage = self._stages[name]
            known = None if self._store is None else self._store.content_of(self._recipes[name][0].key)
            if known is None:
                result = self[name]
                known = self._contents.get(name)
                if known is None:
                    if stage.content is None:
                        raise TypeError(f"stage {name!r} declares no content")
                    known = str(loaded(stage.content)(result))
            self._contents[name] = known
        return self._contents[name]

    def key_of(self, name: str) -> str:
        """The key that a stage's one result is kept under."""
        return self._recipes[name][0].key

    @property
    def item_recipes(self) -> dict[str, list[Recipe]]:
        """Of each stage that was done by items cut from earlier results, the recipes of its items.

        A stage whose joined result was kept has none here: its items were not looked at.
        """
        return {name: list(recipes) for name, recipes in self._items.items()}

    # A stage's result: of one that is done for each of several given items, joined from theirs.
    def _made(self, stage: Stage) -> Any:
        if stage.each is None or stage.cut is not None:
            return self._one(stage, 0, {})
        items = loaded(stage.each.items)(self._given)
        found = {}
        for number, (item, part) in enumerate(items.items()):
            found[item] = self._one(stage, number, {stage.each.argument: part})
        return loaded(stage.each.joined)(found)

    # One result, from the store or made now and then kept.
    def _one(self, stage: Stage, number: int, item: dict[str, Any]) -> Any:
        if self._store is None:
            return self._run(stage, item)[0]
        recipe = self._recipes[stage.name][number]
        begun = time.perf_counter()
        kept = self._store.load(recipe)
        if kept is not None:
            # One that this run made, let go and reads again stays one that it made.
            if (known := self._log.get(recipe.place)) is None or known.was_kept:
                self._log[recipe.place] = Made(True, time.perf_counter() - begun, peak_memory_mb())
            return kept.result
        if self._is_closed:
            raise StageError.of(
                f"the result of stage {stage.name} is no longer kept",
                expected="a result in the store, as the run left it",
                found="none: another run has removed it",
                fix="run again",
            )
        result, seconds = self._run(stage, item)
        self._log[recipe.place] = Made(False, seconds, peak_memory_mb())
        content = None if stage.content is None else loaded(stage.content)(result)
        if content is not None:
            self._contents[stage.name] = content
        items = [own.key for own in self._items.get(stage.name, ())]
        made_from = self._made_from(self._store, recipe)
        self._store.keep(recipe, result, seconds, content, items, made_from=made_from)
        return result

    # A stage's result joined from those of items that are cut from earlier results, and the seconds of all of it.
    def _run_by_items(self, stage: Stage, cut: PerItem) -> tuple[Any, float]:
        whole = {name: self[name] for name in cut.takes}
        shared = {name: self._shared(stage, name) for name in stage.reads if name not in whole}
        self._announce(stage)
        begun = time.perf_counter()
        items = loaded(cut.items)(**whole)
        found: dict[str, Any] = {}
        recipes: dict[str, Recipe] = {}

        def done(item: str, result: Any) -> None:
            found[item] = result
            if self._tasks_done is not None:
                self._tasks_done(len(found), len(items))

        # Shares are cut when there is room for their work, and those whose result is kept need none. What a stage
        # before has found of a share is not cut again for it.
        def missing() -> Iterator[tuple[str, dict[str, Any]]]:
            for item in sorted(items, key=lambda name: -getattr(items[name], "size", 0)):
                own: dict[str, Any] = {}
                if self._store is not None:
                    recipes[item], own = self._recipe_of_share(stage, cut, item, items[item])
                    kept = self._kept_item(self._store, recipes[item])
                    if kept is not None:
                        done(item, kept.result)
                        continue
                log_started(stage.name, item)
                if cut.together is not None:
                    yield item, {}
                    continue
                if others := [name for name in cut.cut_from if name not in own]:
                    own |= items[item](others)
                yield item, own
                # Gone before the next ones are cut.
                del own

        def finished(item: str, result: Any, seconds: float, written: Written | None) -> None:
            place = place_of(stage.name, item)
            log_finished(stage.name, item, seconds, self._executor.peak_memory_mb)
            if self._store is not None:
                self._log[place] = Made(False, seconds, peak_memory_mb())
                self._validate_unchanged(stage)
                self._store.keep(recipes[item], result, seconds, written=written)
            done(item, result)

        if cut.together is None:
            for item, result, seconds, written in self._executor.answers(stage.run, shared, missing(), stage.name):
                finished(item, result, seconds, written)
        else:
            self._run_together(stage, cut, cut.together, shared, items, missing(), finished)
        if self._store is not None:
            self._items[stage.name] = [recipes[item] for item in items]
        joined = loaded(cut.joined)({item: found[item] for item in items}, **whole)
        return joined, time.perf_counter() - begun

    # Missing items, some in each call.
    def _run_together(
        self,
        stage: Stage,
        cut: PerItem,
        together: Together,
        shared: dict[str, Any],
        items: Mapping[str, Any],
        missing: Iterator[tuple[str, dict[str, Any]]],
        finished: Callable[[str, Any, float, Written | None], None],
    ) -> None:
        groups: dict[str, list[str]] = {}

        def tasks() -> Iterator[tuple[str, dict[str, Any]]]:
            while names := [item for item, _ in itertools.islice(missing, together.most)]:
                title = names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"
                groups[title] = names
                make = loaded(together.cut)([items[name] for name in names])
                yield title, make(cut.cut_from)

        for title, result, seconds, written in self._executor.answers(stage.run, shared, tasks(), stage.name):
            names = groups[title]
            if len(names) == 1:
                finished(names[0], result, seconds, written)
                continue
            for item, own in zip(names, loaded(together.apart)(result, len(names)), strict=True):
                finished(item, own, seconds / len(names), None)

    # The recipe of one of those items: what its own shares of the earlier results hold. And the shares that had to
    # be cut to know that.
    def _recipe_of_share(
        self, stage: Stage, cut: PerItem, item: str, make: Callable[..., Any]
    ) -> tuple[Recipe, dict[str, Any]]:
        if cut.content is None:
            raise TypeError(f"stage {stage.name!r} is cut, but declares no content of a share")
        known = {name: (cut.items, cut.content, place_of(name, item)) for name in cut.cut_from}
        unknown = [name for name, key in known.items() if key not in self._share_contents]
        shares = make(unknown) if unknown else {}
        for name, share in shares.items():
            self._share_contents[known[name]] = str(loaded(cut.content)(share))
        held = {f"share of {name}": self._share_contents[key] for name, key in known.items()}
        return self._recipes[stage.name][0].of_item(item, held, cut.takes), shares

    # The kept result of an item, if there is one.
    def _kept_item(self, store: KeepsResults, recipe: Recipe) -> Any:
        begun = time.perf_counter()
        kept = store.load(recipe)
        if kept is not None:
            self._log[recipe.place] = Made(True, time.perf_counter() - begun, peak_memory_mb())
            log_kept(recipe.stage, recipe.item)
        return kept

    # What all items of a stage get under a name that it reads, here or in another process.
    def _shared(self, stage: Stage, name: str) -> Any:
        if name in self._parts and not self._executor.is_here:
            return self._parts[name].carried(stage.depends_on.get(name, ()))
        return self._scoped(stage, name)

    # The answer of a stage's function and its seconds, without those of what it reads. What was given in parts
    # must be the same afterwards, also where the stage fails: then that is why, unless the disk refuses to be
    # written.
    def _run(self, stage: Stage, item: dict[str, Any]) -> tuple[Any, float]:
        try:
            answer = self._answer(stage, item)
        except Exception as error:
            self._validate_unchanged(stage, *item.values())
            scratch = self._given.get("scratch")
            if isinstance(scratch, Path) and not isinstance(error, SitefinderError):
                validate_room(scratch, stage.name)
            raise
        self._validate_unchanged(stage, *item.values())
        return answer

    def _validate_unchanged(self, stage: Stage, *items: Parts) -> None:
        for part in (*(self._parts[name] for name in stage.reads if name in self._parts), *items):
            part.validate_unchanged()

    def _answer(self, stage: Stage, item: dict[str, Any]) -> tuple[Any, float]:
        if stage.cut is not None:
            return self._run_by_items(stage, stage.cut)
        # An item is looked at only where its result is not kept, since it may be a large layer.
        items = {name: part.scoped(()) for name, part in item.items()}
        arguments = {name: self._scoped(stage, name) for name in stage.reads} | items
        self._announce(stage)
        return self._called(stage, arguments)

    # Say once that a stage is run.
    def _announce(self, stage: Stage) -> None:
        if self._started is not None and stage.name not in self._announced:
            self._announced.add(stage.name)
            self._started(stage.name, list(self._stages).index(stage.name) + 1, len(self._stages))

    # The answer of a stage's function to these arguments, and its seconds.
    def _called(self, stage: Stage, arguments: dict[str, Any]) -> tuple[Any, float]:
        log_started(stage.name)
        result, seconds = called(stage.function, arguments, stage.name)
        log_finished(stage.name, "", seconds, self._executor.peak_memory_mb)
        return result, seconds

    # What a stage gets under a name that it reads: of what is given in parts, those that it declares.
    def _scoped(self, stage: Stage, name: str) -> Any:
        if name == EXECUTOR:
            return self._executor
        if name in self._parts:
            return self._parts[name].scoped(stage.depends_on.get(name, ()))
        return self[name]
