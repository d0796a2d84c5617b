"""What a run would do again, and why: nothing is run and nothing written."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from sitefinder.delivery.file_names import wanted_files
from sitefinder.delivery.graph import STAGES, stages_of_files
from sitefinder.errors import listed
from sitefinder.inventory import given_to_files, software_of_files
from sitefinder.io.digests import remembering
from sitefinder.io.software import software
from sitefinder.pipeline.code import change_of_code, own_code
from sitefinder.pipeline.graph import Stage
from sitefinder.pipeline.keys import Planned, Recipe, plan_of, recipes_of
from sitefinder.pipeline.run_log import last_recipes, last_record
from sitefinder.pipeline.store import Store, looked_into, size_of
from sitefinder.preparation import (
    StrPath,
    config_name,
    fonts_of,
    memory_of,
    output_folder,
    parts_of,
    settings_of,
    store_folder,
    with_inputs,
    with_memory,
)
from sitefinder.settings import Settings
from sitefinder.steps.demand import demand_lines, demand_of
from sitefinder.steps.inputs import LazyInputs


class Plan(NamedTuple):
    """What a run would do and need: `Planned` by stage, folder, number and size [GB] of results, lines of text."""

    title: str
    stages: list[Planned]
    store: Path
    results: int
    size_gb: float
    needs: Sequence[str] = ()

    @property
    def summary(self) -> str:
        """The plan as text, ending with a line break."""
        from sitefinder.report.plan import plan_text

        text = plan_text(self.title, self.stages, store=self.store, results=self.results, size_gb=self.size_gb)
        return str(text) + "".join(f"{line}\n" for line in self.needs)


def plan(settings: Settings | StrPath, store: StrPath | None = None, *, memory_gb: float | None = None) -> Plan:
    """What a run would do again, and why; nothing is run and nothing written.

    Parameters
    ----------
    settings : Settings or path-like
        Settings, or a settings file.
    store : path-like, optional
        Folder of the results that earlier runs kept; absent: the one that the settings name.
    memory_gb : float, optional
        See `sitefinder.running.run`.

    Returns
    -------
    Plan

    Raises
    ------
    ConfigError, InputError
        Listing every problem.
    """
    settings = with_memory(settings_of(settings), memory_gb)
    folder = store_folder(settings) if store is None else Path(store)
    memory = memory_of(folder)
    with remembering(memory):
        settings, inputs = with_inputs(settings, output_folder(settings), folder)
        file_stages = stages_of_files(wanted_files(settings.delivery))
        fonts = fonts_of(settings)

        def given(results: KeptResults) -> tuple[dict[str, Any], dict[str, Any]]:
            return given_to_files(settings, results, fonts, None)

        found = planned(STAGES, settings, inputs, folder, file_stages, given)
        return found._replace(needs=demand_lines(settings, demand_of(settings, inputs.counts)))


def planned(
    stages: Sequence[Stage],
    settings: Settings,
    inputs: LazyInputs,
    folder: Path,
    file_stages: Sequence[Stage] = (),
    given_of: Callable[[KeptResults], tuple[dict[str, Any], dict[str, Any]]] | None = None,
) -> Plan:
    """What a run would do again, and why.

    Parameters
    ----------
    stages : sequence of Stage
    settings, inputs
        As `sitefinder.preparation.read_run` gives them.
    folder : Path
        Of the store.
    file_stages : sequence of Stage, optional
        Their keys are the contents of the results that they depend on.
    given_of : callable, optional
        Returns, from results, the arguments of those stages and their parts.

    Returns
    -------
    Plan
    """
    store, given = looked_into(folder), {"settings": settings, "inputs": inputs}
    recipes = recipes_of(stages, given, parts_of(settings, inputs), software(), own_code())
    account = last_record(folder, config_name(settings, folder))
    files = {stage.name: own_code().files_of(stage.functions) for stage in (*stages, *file_stages)}
    size_gb, count = size_of(folder)

    def code_change(stage: str) -> str:
        return change_of_code(files[stage], {} if account is None else account["code"])

    last = last_recipes(account)
    cut = {stage.name: stage.cut.argument for stage in stages if stage.cut is not None}
    planned = plan_of(recipes, last, store.has, code_change, cut)
    redone = {stage.stage for stage in planned if not stage.kept}
    given, parts = ({}, {}) if given_of is None else given_of(KeptResults(store, recipes))
    for stage in file_stages:
        before = [name for name in stage.depends_on.get("made", ()) if name in redone]
        if before:
            planned.append(
                Planned(stage.name, False, [f"after {listed(before)}, unless their results are unchanged"])
            )
        else:
            own = recipes_of([stage], given, parts, software_of_files(), own_code())
            planned += plan_of(own, last, store.has, code_change)
    return Plan(settings.run.name, planned, folder, count, size_gb)


class KeptResults:
    """Digests and keys of stored results, for a plan; results that are not stored have no digest.

    Parameters
    ----------
    store : sitefinder.pipeline.store.Store
    recipes : dict of str to list of Recipe
    """

    def __init__(self, store: Store, recipes: dict[str, list[Recipe]]) -> None:
        self._store, self._recipes = store, recipes

    def content_of(self, name: str) -> str:
        """As `sitefinder.pipeline.graph.Results.content_of`."""
        return self._store.content_of(self.key_of(name)) or ""

    def key_of(self, name: str) -> str:
        """As `sitefinder.pipeline.graph.Results.key_of`."""
        return self._recipes[name][0].key
