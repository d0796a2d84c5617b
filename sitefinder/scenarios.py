"""Several settings files, run one after the other and shown side by side: `sitefinder scenarios`."""

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from sitefinder.comparison.causes import StageGraph
from sitefinder.comparison.changes import NEEDED, compare_runs
from sitefinder.comparison.scenario_figures import measures, site_counts
from sitefinder.delivery.atomic import deliver
from sitefinder.delivery.comparison import reported_defaults
from sitefinder.errors import ConfigError, SitefinderError, all_of
from sitefinder.inventory import Inventory
from sitefinder.io.deliveries import read_delivery
from sitefinder.io.digests import Memory, remembering
from sitefinder.preparation import StrPath, memory_of, output_folder, read_run, settings_of, store_folder
from sitefinder.progress import Listener, listening
from sitefinder.running import run_and_deliver
from sitefinder.steps.graph import STEPS

MEASURED = NEEDED | {
    "reaches": f"{NEEDED['reaches']} flags",
    "sites": f"{NEEDED['sites']} capital_cost lcoe_per_kwh npv",
}


class SideBySide(NamedTuple):
    """A row for each scenario with its figures, title and currency of the first one, and the files written."""

    table: pd.DataFrame
    title: str
    currency: str
    files: list[str]


def run_scenarios(
    configs: Sequence[StrPath],
    *,
    csv: StrPath | None = None,
    workers: int | None = None,
    scheduler: str | None = None,
    memory_gb: float | None = None,
    progress: bool | Listener = False,
) -> SideBySide:
    """Run settings files in their order and compare each with the first.

    Parameters
    ----------
    configs : sequence of path-like
        Settings files; the first is what the others are held against.
    csv : path-like, optional
        Where to write the table.
    workers, scheduler, memory_gb
        See `sitefinder.running.run`.
    progress : bool or callable, optional
        As of `sitefinder.running.run`; what is done now begins with the scenario's name.

    Returns
    -------
    SideBySide
        ``table``: ``scenario``, ``settings`` (file), ``delivered`` (file), the totals of
        `sitefinder.comparison.scenario_figures.measures`, and the number of sites by change against the first.

    Raises
    ------
    ConfigError, InputError
        Before anything is run, if any of the files or its inputs are wrong, or two would deliver into one folder.
    """
    paths = [Path(config) for config in configs]
    _check_all(paths, memory_gb)
    rows: list[dict[str, Any]] = []
    runs: list[Inventory] = []
    first = None
    for name, config in zip(scenario_names(paths), paths, strict=True):
        with listening(progress) as listener:
            delivered = run_and_deliver(
                config,
                workers=workers,
                scheduler=scheduler,
                memory_gb=memory_gb,
                progress=_of_scenario(name, listener),
            )
        tables = read_delivery(delivered.path, MEASURED).tables
        runs.append(delivered)
        first = tables if first is None else first
        changes = compare_runs(first, tables, StageGraph(STEPS), defaults=reported_defaults()).changes
        rows.append(
            {
                "scenario": name,
                "settings": str(config),
                "delivered": str(delivered.path),
                **measures(
                    tables,
                    energy_p90_mwh=delivered.region_totals["energy_mwh_p90"],
                    energy_p10_mwh=delivered.region_totals["energy_mwh_p10"],
                    counts_unresolved=delivered.counts_unresolved,
                ),
                **site_counts(changes),
            }
        )
    table = pd.DataFrame(rows)
    files = [row["delivered"] for row in rows]
    if csv is not None:
        path = Path(csv)
        files += deliver(
            path.parent, {path.name: lambda place: table.to_csv(place, index=False, lineterminator="\n")}
        )
    return SideBySide(table, runs[0].title, runs[0].currency, files)


# A listener that says which scenario is run.
def _of_scenario(name: str, listener: Listener | None) -> bool | Listener:
    if listener is None:
        return False
    return lambda words, done, count: listener(f"{name}: {words}", done, count)


def scenario_names(configs: Sequence[Path]) -> list[str]:
    """Names of scenarios: those of their files, with the folder where two are called alike.

    Examples
    --------
    >>> scenario_names([Path("a/base.toml"), Path("a/strict.toml")])
    ['base', 'strict']
    >>> scenario_names([Path("a/run.toml"), Path("b/run.toml")])
    ['a/run', 'b/run']
    """
    stems = [config.stem for config in configs]
    return [
        stem if stems.count(stem) == 1 else config.with_suffix("").as_posix()
        for stem, config in zip(stems, configs, strict=True)
    ]


# Every problem of every file at once; two runs that would replace each other's results are one. What an input
# holds is read once for all, or not at all where an earlier run of one of them remembered it.
def _check_all(configs: Sequence[Path], memory_gb: float | None) -> None:
    problems: list[SitefinderError] = []
    folders: dict[str, list[str]] = {}
    memory = Memory()
    for config in configs:
        try:
            settings = settings_of(config)
            memory.known = memory_of(store_folder(settings)).known | memory.known
            with remembering(memory):
                settings, _ = read_run(settings, memory_gb)
        except SitefinderError as error:
            problems.append(error)
            continue
        folder = os.path.realpath(output_folder(settings))
        folders.setdefault(folder, []).append(str(config))
    for folder, files in folders.items():
        if len(files) > 1:
            problems.append(
                ConfigError.of(
                    "scenarios would replace each other's results",
                    files=", ".join(files),
                    expected="a separate run.output_folder for each",
                    found=folder,
                    fix="set run.output_folder in each",
                )
            )
    if len(problems) == 1:
        raise problems[0]
    if problems:
        raise all_of(ConfigError, "scenarios", [str(problem) for problem in problems])
