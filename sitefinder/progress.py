"""Progress of a run: a text for each stage, and a bar in a terminal or a notebook."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from html import escape
from typing import Any

# What hears of a run: what is done now, how many stages are done, and how many there are.
Listener = Callable[[str, int, int], None]

READING = "reading settings and inputs"
# Progress text of each stage.
STAGE_WORDS = {
    "dem_seams": "searching for seams in the DEM",
    "surface": "reprojecting the DEM",
    "relief": "shading relief",
    "network": "building the stream network",
    "check_network": "checking the stream network",
    "stationing": "placing stations and reaches",
    "systems": "separating drainage systems",
    "trial": "finding the part to show",
    "river_parts": "finding streams and water bodies",
    "mapped_structures": "merging inventories of structures",
    "structures": "placing structures",
    "falls": "placing natural falls",
    "dem_errors": "mapping DEM errors",
    "channels": "locating channels",
    "terrain": "routing drainage",
    "catchments": "delineating catchments",
    "long_profile": "fitting long profiles",
    "field_levels": "reading field levels",
    "heads": "computing heads",
    "flows": "estimating flows",
    "water_slopes": "finding slopes of the water surface",
    "water_depths": "estimating water depths",
    "channel_shapes": "estimating stream widths",
    "water_bodies": "mapping lakes and tidal water",
    "stream_things": "listing what lies on streams",
    "minimum_heads": "computing minimum resolvable heads",
    "quality_flags": "setting data-quality flags",
    "found_candidates": "generating stretches",
    "selection_luck": "simulating the selection",
    "candidates": "correcting heads for selection",
    "best_case": "valuing diversions at best",
    "conduits": "routing conduits",
    "stretches": "joining stretches and conduits",
    "energy": "evaluating stretches",
    "rule_overlaps": "overlaying rules",
    "rule_shapes": "mapping areas of rules",
    "site_contours": "drawing contours",
    "spawning_m": "measuring spawning grounds",
    "rule_verdicts": "determining verdicts",
    "decisions": "placing decisions",
    "verdicts": "applying decisions",
    "drop_values": "evaluating drops without a stream",
    "drop_overlaps": "overlaying rules on these drops",
    "drop_verdicts": "determining verdicts of these drops",
    "months": "sharing flows among the months",
    "closed_months": "listing closed months",
    "closed_energy": "evaluating stretches with closed months",
    "sites": "selecting sites",
    "limit_costs": "selecting sites without cumulative limits",
    "fish_safe_only": "listing stretches for fish-safe turbines",
    "evidence_values": "evaluating fish-safe turbines",
    "fish_safety": "selecting sites by evidence of fish safety",
    "selected_candidates": "listing selected sites and their alternatives",
    "ranked_sites": "simulating and ranking sites",
    "drop_choice": "listing what these drops may use",
    "drop_plants": "simulating drops without a stream",
    "structure_outcomes": "listing outcomes at structures",
    "structure_values": "evaluating structures by their cost",
    "depleted_reaches": "computing depleted reaches",
    "site_land": "listing owners of the ground",
    "site_water_rights": "listing water rights",
    "geopackage": "writing the GeoPackage",
    "page": "writing the report page",
    "field_sheets": "writing the field sheets",
    "district_map": "writing the district map",
}
OTHER_STAGES = "writing tables and files"


def stage_words(name: str) -> str:
    """Progress text of a stage.

    Examples
    --------
    >>> stage_words("surface"), stage_words("sites_table")
    ('reprojecting the DEM', 'writing tables and files')
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
        """The function to call when a stage starts, of stages that come after that number of others."""

        def started(name: str, number: int, _: int) -> None:
            self._words, self._done = stage_words(name), before + number - 1
            self._say(self._words)

        return started

    def tasks(self, done: int, count: int) -> None:
        """Say how many tasks of a stage are done, such as terrain tiles, where there are several."""
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
