"""The same task on many items, in this process or on several, with the answers in the order of the items."""

import multiprocessing
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import TypeVar

try:
    import resource
except ImportError:  # Windows
    resource = None  # type: ignore[assignment]


Item = TypeVar("Item")
Answer = TypeVar("Answer")


def parallel_map(
    task: Callable[[Item], Answer],
    items: Sequence[Item],
    workers: int,
    *,
    done: Callable[[int, int], None] | None = None,
) -> list[Answer]:
    """Answers of a task for each item.

    Parameters
    ----------
    task : callable
        Of one argument; for more than one worker it must pickle, and so must items and answers.
    items : sequence
    workers : int
        Processes; 1 runs here.
    done : callable, optional
        Called with the number of answers so far and the number of items, after each answer.

    Returns
    -------
    list
        In the order of the items, for any number of workers.

    Raises
    ------
    Exception
        The first that a task raised, in the order of the items; tasks already running are finished first.

    Examples
    --------
    >>> parallel_map(abs, [-1, -2], 1)
    [1, 2]
    """
    if workers == 1 or len(items) < 2:
        answers = []
        for item in items:
            answers.append(task(item))
            if done is not None:
                done(len(answers), len(items))
        return answers
    # Spawned, not forked: a fork would copy GDAL's and numba's threads in an unknown state.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(min(workers, len(items)), mp_context=context) as pool:
        answers = []
        for answer in pool.map(task, items):
            answers.append(answer)
            if done is not None:
                done(len(answers), len(items))
    return answers


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
