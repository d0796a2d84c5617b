"""The same task on many items, in this process or on others, and what every way of doing it has in common."""

from __future__ import annotations

import importlib
import logging
import math
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple, Protocol

from sitefinder.errors import SitefinderError

try:
    import resource
except ImportError:  # Windows
    resource = None  # type: ignore[assignment]

LOGGER = logging.getLogger("sitefinder")
LOGGER.addHandler(logging.NullHandler())
# New objects before Python looks for unreachable cycles, in the command and in workers. Its own 700 cost a run of
# the sample region with one more layer about a tenth of its processor time, most of it while libraries are loaded,
# whose objects all stay. That run makes fewer than this, and a first run twice as many, of which some 4,000 are
# freed in this way: its peak memory is the same as with half of it.
OBJECTS_BEFORE_COLLECTION = 500_000
Function = Callable[..., Any]
# An item's name, and the arguments that are its own.
Item = tuple[str, dict[str, Any]]


class Remade(NamedTuple):
    """An argument that another process makes for itself, from data: the function that makes it, by name."""

    maker: str
    data: Any


class Written(NamedTuple):
    """A result that lies in a file already, as a store holds it."""

    path: Path
    size: int
    digest: str


class Answer(NamedTuple):
    """What became of an item: its name, the result, the seconds that it took, and the file it lies in, if any."""

    item: str
    result: Any
    seconds: float
    written: Written | None = None


class Executor(Protocol):
    """What does the same task on many items, such as drainage systems or terrain tiles."""

    @property
    def is_here(self) -> bool:
        """Whether tasks are done in this process, so that their arguments may be of any kind."""

    @property
    def peak_memory_mb(self) -> float:
        """The most memory that a worker in another process has held so far [MB]; 0 where there is none."""

    def prepare(self, functions: Iterable[Function | str]) -> None:
        """Say of which functions there will soon be tasks, so that what does them can get ready meanwhile."""

    def release(self) -> None:
        """Say that no tasks are left, so that what does them can end while the caller goes on."""

    def answers(
        self, function: Function | str, common: Mapping[str, Any], items: Iterable[Item], stage: str
    ) -> Iterator[Answer]:
        """Answers of a function to items, in the order in which they are done.

        Parameters
        ----------
        function : callable or str
            Of a module, or the name of one as ``module:function``.
        common : dict
            Arguments that all items share.
        items : iterable
            Names, and the arguments of each; taken when there is room for their work.
        stage : str
            For messages.
        """


class InThisProcess:
    """Does one item after the other, here.

    Examples
    --------
    >>> here = InThisProcess()
    >>> [answer.result for answer in here.answers(dict, {"a": 1}, [("one", {"b": 2})], "example")]
    [{'a': 1, 'b': 2}]
    """

    is_here = True
    peak_memory_mb = 0.0

    def prepare(self, functions: Iterable[Function | str]) -> None:
        """See `Executor`; nothing is needed."""

    def release(self) -> None:
        """See `Executor`; nothing has to end."""

    def answers(
        self, function: Function | str, common: Mapping[str, Any], items: Iterable[Item], stage: str
    ) -> Iterator[Answer]:
        """See `Executor`. The first error ends it, with a note that names the item."""
        for item, own in items:
            result, seconds = called(loaded(function), {**common, **own}, place_of(stage, item))
            yield Answer(item, result, seconds)


def results_in_order(
    executor: Executor,
    function: Function | str,
    common: Mapping[str, Any],
    items: Iterable[Item],
    stage: str,
    done: Callable[[int], None] | None = None,
) -> list[Any]:
    """Results of a function in the order of the items, whichever is done first; each is logged.

    Parameters
    ----------
    executor : Executor
    function, common, items, stage
        As `Executor.answers` takes them; no two items have the same name.
    done : callable, optional
        Called with the number of items done, after each.

    Returns
    -------
    list
    """
    names: list[str] = []

    def noted() -> Iterator[Item]:
        for name, own in items:
            names.append(name)
            yield name, own

    found: dict[str, Any] = {}
    for answer in executor.answers(function, common, noted(), stage):
        found[answer.item] = answer.result
        log_finished(stage, answer.item, answer.seconds, executor.peak_memory_mb)
        if done is not None:
            done(len(found))
    return [found[name] for name in names]


def called(function: Function, arguments: Mapping[str, Any], place: str) -> tuple[Any, float]:
    """The answer of a function and its seconds; an error that no user can mend gets a note of the place."""
    begun = time.perf_counter()
    try:
        return function(**arguments), time.perf_counter() - begun
    except SitefinderError:
        raise
    except Exception as error:
        error.add_note(f"in stage {place!r}")
        raise


def loaded(function: Function | str) -> Function:
    """A function, loaded where a text names it as ``package.module:function``."""
    if not isinstance(function, str):
        return function
    module, _, name = function.partition(":")
    found: Function = getattr(importlib.import_module(module), name)
    return found


def name_of(function: Function | str) -> str:
    """The name of a function as ``package.module:function``, under which another process can load it."""
    return function if isinstance(function, str) else f"{function.__module__}:{function.__qualname__}"


def place_of(stage: str, item: str = "") -> str:
    """Name of a result, for example ``heads`` or ``overlaps: nature reserve``."""
    return f"{stage}: {item}" if item else stage


def log_started(stage: str, part: str = "") -> None:
    """Log that a stage, or a part of one, starts."""
    LOGGER.info(
        "%s: started", place_of(stage, part), extra={"event": "started", "stage": stage, "part": part or None}
    )


def log_kept(stage: str, part: str = "") -> None:
    """Log that a result is there already."""
    extra = {"event": "kept", "stage": stage, "part": part or None}
    LOGGER.info("%s: kept from an earlier run", place_of(stage, part), extra=extra)


def log_workers(count: int) -> None:
    """Log the number of worker processes that was chosen where none was stated."""
    own = "this process alone" if count == 1 else f"{count} worker processes"
    LOGGER.info("workers: %s (run.workers states none)", own, extra={"event": "workers"})


def log_finished(stage: str, part: str, seconds: float, workers_mb: float = 0.0) -> None:
    """Log that a stage, or a part of one, is done.

    Parameters
    ----------
    stage : str
    part : str
        Empty for a whole stage.
    seconds : float
        That it took.
    workers_mb : float
        The most memory that a worker in another process has held so far [MB].
    """
    memory_mb = peak_memory_mb()
    memory_mb = workers_mb if math.isnan(memory_mb) else max(memory_mb, workers_mb)
    extra = {"event": "finished", "stage": stage, "part": part or None, "seconds": round(seconds, 3)}
    # Where the system does not say, nothing is said.
    extra["memory_mb"] = round(memory_mb, 1) or None
    LOGGER.info("%s: finished in %.2f s", place_of(stage, part), seconds, extra=extra)


def remade(arguments: Mapping[str, Any]) -> dict[str, Any]:
    """The arguments, with those made that another process makes for itself (`Remade`)."""
    return {
        name: loaded(value.maker)(value.data) if isinstance(value, Remade) else value
        for name, value in arguments.items()
    }


def peak_memory_mb() -> float:
    """The most memory that this process, or any of its workers that has ended, has held so far [MB].

    Returns
    -------
    float
        NaN where the system does not say.
    """
    if resource is None:
        return float("nan")
    maximum = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    # In kilobytes, but on macOS in bytes.
    return maximum / (1e6 if sys.platform == "darwin" else 1e3)
