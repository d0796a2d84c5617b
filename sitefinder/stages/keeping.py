"""A run and its store: where that is, what is remembered of files, and the account of what the run did."""

import datetime
import os
import time
from pathlib import Path
from typing import NamedTuple

from sitefinder import __version__
from sitefinder.errors import listed
from sitefinder.io.digests import content_digest
from sitefinder.io.remembered import Memory
from sitefinder.io.software import software
from sitefinder.pipeline.accounts import last_account, last_recipes, told_results, write_account
from sitefinder.pipeline.code import change_of_code, own_code
from sitefinder.pipeline.durable import read_json, write_json
from sitefinder.pipeline.housekeeping import size_of
from sitefinder.pipeline.keys import Planned, plan_of, recipes_of
from sitefinder.pipeline.store import looked_into
from sitefinder.pipeline.workers import peak_memory_mb
from sitefinder.stages.seen import InputsParts, SettingsParts

STORE = ".sitefinder-store"
FILES = "files.json"


class Plan(NamedTuple):
    """What a run would do: `Planned` by stage, and where its results are kept, how many, how large [GB]."""

    title: str
    stages: list
    store: Path
    results: int
    size_gb: float


def store_folder(settings, folder):
    """Where results are kept: as the settings say, or in the output folder.

    Parameters
    ----------
    settings : sitefinder.config.Settings
    folder : Path
        Of the settings file.

    Returns
    -------
    Path
    """
    named = settings.run.store_folder
    return Path(os.path.normpath(folder / (Path(settings.run.output_folder, STORE) if named is None else named)))


def memory_of(store, recalls=True):
    """What earlier runs remembered of files; nothing where there is no store."""
    return Memory(None if store is None else read_json(store / FILES), recalls)


def keep_memory(store, memory):
    """Keep what is remembered of files for the next run, beside results; without any there is no next run for it.

    Parameters
    ----------
    store : sitefinder.pipeline.store.Store
    memory : Memory
    """
    if not store.is_empty():
        try:
            write_json(store.folder / FILES, memory.kept)
        except OSError as error:
            store.notes.append(f"digests of files could not be kept: {error.strerror or error}")


def parts_of(settings, inputs):
    """Settings and inputs as stages see them."""
    return {"settings": SettingsParts(settings), "inputs": InputsParts(inputs)}


def software_of_files():
    """Versions of what files are made with, by name; they show that of this program."""
    return software() | {"sitefinder": __version__}


class KeptResults:
    """Digests and keys of results as they are kept, for a plan; those that are not kept have no digest.

    Parameters
    ----------
    store : sitefinder.pipeline.store.Store
    recipes : dict of str to list of Recipe
    """

    def __init__(self, store, recipes):
        self._store, self._recipes = store, recipes

    def content_of(self, name):
        """As `sitefinder.pipeline.graph.Results.content_of`."""
        return self._store.content_of(self.key_of(name)) or ""

    def key_of(self, name):
        """As `sitefinder.pipeline.graph.Results.key_of`."""
        return self._recipes[name][0].key


def planned(stages, settings, inputs, config, folder, file_stages=(), given_to_files=None):
    """What a run would do again, and why.

    Parameters
    ----------
    stages : sequence of Stage
    settings, inputs
        As `sitefinder.stages.run.check` gives them.
    config : Path
        The settings file.
    folder : Path
        Of the store.
    file_stages : sequence of Stage, optional
        They are kept under what the results hold that they see as ``made``.
    given_to_files : callable, optional
        Gives from results what those stages are given, and the parts of it.

    Returns
    -------
    Plan
    """
    store, given = looked_into(folder), {"settings": settings, "inputs": inputs}
    recipes = recipes_of(stages, given, parts_of(settings, inputs), software(), own_code())
    account = last_account(folder, config_name(config, folder))
    files = {stage.name: own_code().files_of(stage.functions) for stage in (*stages, *file_stages)}
    size_gb, count = size_of(folder)

    def code_change(stage):
        return change_of_code(files[stage], {} if account is None else account["code"])

    last = last_recipes(account)
    planned = plan_of(recipes, last, store.has, code_change)
    redone = {stage.stage for stage in planned if not stage.kept}
    given, parts = given_to_files(KeptResults(store, recipes)) if file_stages else ({}, {})
    for stage in file_stages:
        before = [name for name in stage.sees.get("made", ()) if name in redone]
        if before:
            planned.append(Planned(stage.name, False, [f"after {listed(before)}, unless they come to the same"]))
        else:
            own = recipes_of([stage], given, parts, software_of_files(), own_code())
            planned += plan_of(own, last, store.has, code_change)
    return Plan(settings.run.name, planned, folder, count, size_gb)


def config_name(config, folder):
    """Name of a settings file in accounts, seen from the store."""
    try:
        return Path(os.path.relpath(config, folder)).as_posix()
    except ValueError:  # on another drive
        return str(config)


class Account:
    """The account of a run while it goes on; it never goes into the delivery, only beside the results.

    Parameters
    ----------
    config : str
        See `config_name`.
    """

    def __init__(self, config):
        self._config, self._began, self._clock = config, datetime.datetime.now(), time.perf_counter()
        self._seconds, self._tiles = {}, 0

    def passed(self, part):
        """Count the seconds since the last call for a part of the run."""
        now = time.perf_counter()
        self._seconds[part], self._clock = round(now - self._clock, 3), now

    def counting_tiles(self, progress):
        """The function to tell of terrain tiles, which counts them and passes them on."""

        def told(done, count):
            self._tiles = done
            if progress is not None:
                progress(done, count)

        return told

    def write(self, store, settings, inputs, recipes, log, delivered):
        """Keep the account in the store.

        Parameters
        ----------
        store : sitefinder.pipeline.store.Store
        settings, inputs
            Of the run.
        recipes, log
            See `sitefinder.pipeline.accounts.told_results`.
        delivered : Path
            The file.

        Notes
        -----
        Where the disk refuses, that is told in the notes of the store.
        """
        account = {
            "config": self._config,
            "title": settings.run.name,
            "began": self._began.isoformat(timespec="seconds"),
            "seconds": self._seconds,
            "workers": settings.run.workers,
            "tiles": self._tiles,
            "peak_memory_mb": round(peak_memory_mb(), 1),
            "version": __version__,
            "software": software(),
            "code": own_code().digests,
            "inputs": [{key: lineage[key] for key in ("name", "path", "digest")} for lineage in inputs.lineage],
            "delivered": {"file": delivered.name, "digest": content_digest(delivered)},
            "results": told_results(recipes, log),
        }
        try:
            write_account(store.folder, account)
        except OSError as error:
            store.notes.append(f"the account of the run could not be kept: {error.strerror or error}")
