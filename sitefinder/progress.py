"""How far a run is: what each stage is called while it runs, and a bar in a terminal or a notebook."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from html import escape
from typing import Any

# What hears of a run: what is done now, how many stages are done, and how many there are.
Listener = Callable[[str, int, int], None]

READING = "reading settings and inputs"
# What a stage is called while it runs.
STAGE_WORDS = {
    "dem_seams": "looking for seams in the DEM",
    "surface": "warping the DEM",
    "relief": "shading the relief",
    "network": "linking streams",
    "resolved": "linking streams",
    "stationing": "placing stations and reaches",
    "structures": "placing structures",
    "falls": "placing waterfalls",
    "dem_errors": "estimating the DEM's errors",
    "channels": "finding channels",
    "terrain": "draining the terrain",
    "catchments": "adding up catchments",
    "long_profile": "fitting the long profile",
    "field_levels": "taking in field measurements",
    "heads": "taking in field measurements",
    "flows": "estimating flows",
    "water_depths": "estimating water levels",
    "channel_shapes": "estimating how wide streams are",
    "water_bodies": "looking for lakes, tides and structures",
    "minimum_heads": "finding the minimum resolvable head",
    "marks": "flagging doubtful data",
    "stretches": "finding stretches",
    "energy": "valuing stretches",
    "rule_overlaps": "laying rules over the streams",
    "verdicts": "judging reaches",
    "sites": "selecting sites",
    "fish_safety": "comparing fish-safe turbines",
    "ranked_sites": "simulating and ranking the sites",
    "geopackage": "writing the GeoPackage",
    "page": "drawing the page",
    "field_sheets": "drawing the field sheets",
    "district_map": "drawing the map plate",
}
OTHER_STAGES = "making tables and files"


def stage_words(name: str) -> str:
    """What a stage is called while it runs.

    Examples
    --------
    >>> stage_words("surface"), stage_words("sites_table")
    ('warping the DEM', 'making tables and files')
    """
    return STAGE_WORDS.get(name, OTHER_STAGES)


class StageReports:
    """Words for a listener, from what stages report.

    Parameters
    ----------
    listener : callable or None
        Called with what is done now, how many stages are done, and how many there are.
    count : int
        Of all stages.
    """

    def __init__(self, listener: Listener | None, count: int) -> None:
        self._listener, self._count, self._done, self._words = listener, count, 0, READING

    def started_after(self, before: int) -> Callable[[str, int, int], None]:
        """The function to call when a stage starts, of stages that come after so many others."""

        def started(name: str, number: int, _: int) -> None:
            self._words, self._done = stage_words(name), before + number - 1
            self._say(self._words)

        return started

    def tile(self, done: int, count: int) -> None:
        """Say how many terrain tiles are done, where there are several."""
        if count > 1:
            self._say(f"{self._words}, {done} of {count}")

    def _say(self, words: str) -> None:
        if self._listener is not None:
            self._listener(words, self._done, self._count)


@contextmanager
def listening(progress: bool | Listener) -> Iterator[Listener | None]:
    """What hears of a run while it goes on.

    Parameters
    ----------
    progress : bool or callable
        True for a bar: on standard error, or under the cell of a notebook. A callable hears itself, see
        `StageReports`.

    Yields
    ------
    callable or None
    """
    if not isinstance(progress, bool):
        yield progress
    elif not progress:
        yield None
    elif _is_notebook():
        with _notebook_bar() as listener:
            yield listener
    else:
        with _terminal_bar() as listener:
            yield listener


# Whether this is a cell of a notebook, and not a script or the terminal of IPython.
def _is_notebook() -> bool:
    ipython = sys.modules.get("IPython")
    shell = None if ipython is None else ipython.get_ipython()
    return shell is not None and shell.__class__.__name__ == "ZMQInteractiveShell"


@contextmanager
def _terminal_bar() -> Iterator[Listener]:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description:<34}"), BarColumn(bar_width=24), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True)) as bars:
        bar = bars.add_task(READING, total=None)

        def listener(words: str, done: int, count: int) -> None:
            bars.update(bar, description=words, completed=done, total=count)

        yield listener
        bars.update(bar, description="done", completed=1, total=1)


# The bar under a cell is plain HTML in place of the widgets that other bars need installed.
@contextmanager
def _notebook_bar() -> Iterator[Listener]:
    import time

    from IPython.display import display

    begun = time.monotonic()

    def shown(words: str, done: int, count: int) -> dict[str, Any]:
        minutes, seconds = divmod(int(time.monotonic() - begun), 60)
        bar = f'<progress value="{done}" max="{count}" style="width: 16em"></progress>'
        text = f"{words} {minutes}:{seconds:02}"
        return {"text/html": f"{bar} {escape(text)}", "text/plain": text}

    # That library says nothing of types.
    handle: Any = display(shown(READING, 0, 1), raw=True, display_id=True)

    def listener(words: str, done: int, count: int) -> None:
        handle.update(shown(words, done, count), raw=True)

    yield listener
    listener("done", 1, 1)
