"""Stages as data: each is a plain function, bound to the names that it reads when it is declared."""

import inspect
from collections.abc import Callable
from typing import NamedTuple

from sitefinder.errors import SitefinderError


class Stage(NamedTuple):
    """One step of a run.

    ``run`` is called with what it reads by name: results of earlier stages, then what the run was given.
    ``version`` is raised by hand when the stage's numbers change.
    """

    name: str
    run: Callable
    reads: tuple
    version: int


def bound(stages, given):
    """The stages, after a check that each finds what it reads and takes nothing else.

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
    >>> bound([Stage("double", lambda number: 2 * number, ("numbre",), 1)], ["number"])
    Traceback (most recent call last):
    TypeError: stage 'double' reads 'numbre', which neither an earlier stage nor the run provides
    """
    known = set(given)
    for stage in stages:
        for name in stage.reads:
            if name not in known:
                raise TypeError(
                    f"stage {stage.name!r} reads {name!r}, which neither an earlier stage nor the run provides"
                )
        try:
            inspect.signature(stage.run).bind(**dict.fromkeys(stage.reads))
        except TypeError as error:
            passes = ", ".join(stage.reads)
            raise TypeError(
                f"stage {stage.name!r} passes {passes} to {stage.run.__name__}(), but {error}"
            ) from None
        known.add(stage.name)
    return tuple(stages)


def run_stages(stages, given, *, started=None):
    """Results of all stages, by name.

    Parameters
    ----------
    stages : sequence of Stage
        As `bound` returned them.
    given : dict
        What the run provides, by name.
    started : callable, optional
        Called with the stage's name, its number from 1 and the number of stages, before each one.

    Returns
    -------
    dict
        Of what was given and what each stage returned.

    Raises
    ------
    Exception
        As the stage raised it. One that the user cannot mend carries a note that names the stage.
    """
    results = dict(given)
    for number, stage in enumerate(stages, 1):
        if started is not None:
            started(stage.name, number, len(stages))
        try:
            results[stage.name] = stage.run(**{name: results[name] for name in stage.reads})
        except SitefinderError:
            raise
        except Exception as error:
            error.add_note(f"in stage {stage.name!r}")
            raise
    return results
