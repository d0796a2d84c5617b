"""Several settings files, run one after the other and shown side by side: `sitefinder scenarios`."""

import os
from functools import partial
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from sitefinder.comparison.causes import StageGraph
from sitefinder.comparison.changes import NEEDED, compare_runs
from sitefinder.comparison.scenario_figures import measures, site_counts
from sitefinder.delivery.atomic import deliver
from sitefinder.delivery.comparison import reported_defaults
from sitefinder.errors import ConfigError, SitefinderError, all_of
from sitefinder.inventory import check, run
from sitefinder.io.deliveries import read_delivery
from sitefinder.steps.graph import STEPS

MEASURED = NEEDED | {"reaches": f"{NEEDED['reaches']} flags", "sites": f"{NEEDED['sites']} capital_cost"}


class SideBySide(NamedTuple):
    """A row for each scenario with its figures, title and currency of the first one, and the files written."""

    table: pd.DataFrame
    title: str
    currency: str
    files: list


def run_scenarios(configs, *, csv=None, workers=None, started=None, progress=None):
    """Run settings files in their order and compare each with the first.

    Parameters
    ----------
    configs : list of path-like
        Settings files; the others are compared with the first.
    csv : path-like, optional
        Where to write the table.
    workers : int, optional
        See `sitefinder.inventory.run`.
    started, progress : callable, optional
        As of `sitefinder.inventory.run`, with the scenario's name as the first argument.

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
    configs = [Path(config) for config in configs]
    names = scenario_names(configs)
    _check_all(configs)
    rows, first, heading = [], None, None
    for name, config in zip(names, configs, strict=True):
        callbacks = {
            key: None if call is None else partial(call, name)
            for key, call in (("started", started), ("progress", progress))
        }
        delivered = run(config, workers=workers, **callbacks)
        tables = read_delivery(delivered.path, MEASURED).tables
        if first is None:
            first, heading = tables, delivered
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
    return SideBySide(table, heading.title, heading.currency, files)


def scenario_names(configs):
    """Names of scenarios: those of their files, with the folder if two have the same name.

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


# Every problem of every file at once, including two runs that would replace each other's results.
def _check_all(configs):
    problems, folders = [], {}
    for config in configs:
        try:
            settings, _ = check(config)
        except SitefinderError as error:
            problems.append(error)
            continue
        folder = os.path.realpath(config.parent / settings.run.output_folder)
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
