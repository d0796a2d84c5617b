"""A run from settings to the delivered files, its plan and its check."""

import datetime
import os
import shutil
import tempfile
import time
from functools import partial
from pathlib import Path
from typing import NamedTuple

from sitefinder import __version__
from sitefinder.delivery.atomic import deliver
from sitefinder.delivery.graph import (
    FIGURES,
    FILE_STAGES,
    GEOPACKAGE,
    KNOWN,
    LAYERS_MADE,
    STAGES,
    SUMMARY,
    stages_of_files,
    wanted_files,
)
from sitefinder.delivery.made import FontParts, MadeParts
from sitefinder.errors import InputError, listed
from sitefinder.io.digests import Memory, content_digest, remembering
from sitefinder.io.settings_files import read_settings
from sitefinder.io.software import software
from sitefinder.pipeline.code import change_of_code, own_code
from sitefinder.pipeline.executors import peak_memory_mb
from sitefinder.pipeline.graph import run_stages
from sitefinder.pipeline.keys import Planned, plan_of, recipes_of
from sitefinder.pipeline.run_log import last_recipes, last_record, reported_results, write_record
from sitefinder.pipeline.store import looked_into, open_store, read_json, size_of, write_json
from sitefinder.report.handover import handover_of, region_of
from sitefinder.report.printed import printed_json, printed_summary
from sitefinder.steps.graph import GIVEN
from sitefinder.steps.inputs import read_inputs, with_year_to_year
from sitefinder.steps.scope import InputsParts, SettingsParts
from sitefinder.vocabulary import HEAD_UNRESOLVED

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
    settings : sitefinder.settings.Settings
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
        As `sitefinder.inventory.check` gives them.
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
    account = last_record(folder, config_name(config, folder))
    files = {stage.name: own_code().files_of(stage.functions) for stage in (*stages, *file_stages)}
    size_gb, count = size_of(folder)

    def code_change(stage):
        return change_of_code(files[stage], {} if account is None else account["code"])

    last = last_recipes(account)
    planned = plan_of(recipes, last, store.has, code_change)
    redone = {stage.stage for stage in planned if not stage.kept}
    given, parts = given_to_files(KeptResults(store, recipes)) if file_stages else ({}, {})
    for stage in file_stages:
        before = [name for name in stage.depends_on.get("made", ()) if name in redone]
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


class RunRecord:
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

        def entries(done, count):
            self._tiles = done
            if progress is not None:
                progress(done, count)

        return entries

    def write(self, store, settings, inputs, recipes, log, delivered):
        """Keep the account in the store.

        Parameters
        ----------
        store : sitefinder.pipeline.store.Store
        settings, inputs
            Of the run.
        recipes, log
            See `sitefinder.pipeline.run_log.reported_results`.
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
            "results": reported_results(recipes, log),
        }
        try:
            write_record(store.folder, account)
        except OSError as error:
            store.notes.append(f"the account of the run could not be kept: {error.strerror or error}")


__all__ = ["DELIVERED", "GIVEN", "STAGES", "Delivered", "check", "plan", "run"]
DELIVERED = GEOPACKAGE


class Delivered:
    """What a run delivered: its files, the GeoPackage first, and the results that they were made of.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    results : Mapping
        Of the stages of `STAGES`; those that are kept are read when they are asked for.
    texts : Mapping
        Results of the stages of files.
    files : sequence of Path
    fonts : sequence of Path
        See `sitefinder.report.handover.Handover`.
    notes : sequence of str
        What the user should know of the store of results.
    """

    def __init__(self, settings, results, texts, files, fonts=(), notes=()):
        self.files, self.notes = tuple(files), tuple(notes)
        self.title = settings.run.name
        self._settings, self._results, self._texts, self._fonts = settings, results, texts, fonts

    @property
    def path(self):
        """The GeoPackage."""
        return self.files[0]

    @property
    def currency(self):
        """Of all money, and whether some was in another."""
        return self._results["money"].described

    @property
    def tables(self):
        """Tables by name of layer."""
        return {name: self._results[f"{name}_table"] for name in LAYERS_MADE}

    @property
    def region_totals(self):
        """The row of the whole region in the layer ``totals``, as a dict."""
        return region_of(self._results["totals_table"])

    @property
    def counts_unresolved(self):
        """Whether heads count that the DEM does not resolve."""
        return HEAD_UNRESOLVED.is_allowed(self._settings.ranking.allow)

    @property
    def handover(self):
        """All that page, sheets and plate are made of."""
        return handover_of(self._settings, self._results, self._fonts)._replace(tables=self.tables)

    @property
    def summary(self):
        """What was found, in words and figures."""
        return printed_summary(self._texts[SUMMARY.name], self.files)

    @property
    def json(self):
        """What was found, as one JSON object."""
        return printed_json(self._texts[FIGURES.name], self.files, self.notes)


def check(path):
    """Settings and inputs of a run, read and judged.

    Parameters
    ----------
    path : Path
        Settings file.

    Returns
    -------
    settings : sitefinder.settings.Settings
        With the year-to-year spread of the daily records where the file does not say it.
    inputs : RunInputs

    Raises
    ------
    ConfigError, InputError
        Listing every problem.
    """
    path = Path(path)
    return _with_inputs(read_settings(path), path.parent)


# The settings with what inputs add to them, and the inputs.
def _with_inputs(settings, folder):
    _fonts_of(settings, folder)
    inputs = read_inputs(settings, folder)
    return with_year_to_year(settings, inputs), inputs


# The font files that the settings name, after a check. Most runs name none, and load no drawing code for it.
def _fonts_of(settings, folder):
    if not settings.delivery.font_files:
        return ()
    from sitefinder.report.sheets.font_files import checked_fonts

    return checked_fonts(settings.delivery.font_files, folder)


def plan(path):
    """What a run would do again, and why; nothing is run and nothing written.

    Parameters
    ----------
    path : Path
        Settings file.

    Returns
    -------
    sitefinder.inventory.Plan

    Raises
    ------
    ConfigError, InputError
        Listing every problem.
    """
    path = Path(path)
    settings = read_settings(path)
    folder = store_folder(settings, path.parent)
    memory = memory_of(folder)
    with remembering(memory):
        settings, inputs = _with_inputs(settings, path.parent)
    file_stages = stages_of_files(wanted_files(settings.delivery))
    fonts = _fonts_of(settings, path.parent)

    def given_to_files(results):
        return _given_to_files(settings, results, fonts, None)

    with remembering(memory):
        return planned(STAGES, settings, inputs, path, folder, file_stages, given_to_files)


def run(path, *, workers=None, strict=False, started=None, progress=None, keep=True, verify=False):
    """The whole job.

    Parameters
    ----------
    path : Path
        Settings file.
    workers : int, optional
        Processes, in place of the settings'; changes no result.
    strict : bool, optional
        Stop where a part of the network cannot be resolved, also where the settings do not say so.
    started, progress : callable, optional
        Told of each stage that is run, and of each terrain tile.
    keep : bool, optional
        Use results that earlier runs kept, and keep those of this one; changes no result.
    verify : bool, optional
        Read files again, also those whose size and time of change stayed, and check every byte that was kept.

    Returns
    -------
    Delivered

    Raises
    ------
    ConfigError, InputError
        If the user can mend it; nothing is delivered then.
    """
    path = Path(path)
    settings = read_settings(path)
    folder = store_folder(settings, path.parent)
    account = RunRecord(config_name(path, folder))
    memory = memory_of(folder if keep else None, recalls=not verify)
    with remembering(memory):
        return _run(path, settings, folder, account, memory, workers, strict, started, progress, keep, verify)


# What is read later in the run is remembered too.
def _run(path, settings, folder, account, memory, workers, strict, started, progress, keep, verify):
    settings, inputs = _with_inputs(settings, path.parent)
    given_here = ({} if workers is None else {"workers": workers}) | ({"strict": True} if strict else {})
    settings = settings.model_copy(update={"run": settings.run.model_copy(update=given_here)})
    names = wanted_files(settings.delivery)
    _validate_replacing_inputs(settings, path.parent, names)
    fonts = _fonts_of(settings, path.parent)
    given = {"settings": settings, "inputs": inputs, "progress": account.counting_tiles(progress)}
    parts, file_stages = parts_of(settings, inputs), stages_of_files(names)
    count = len(STAGES) + len(file_stages)
    first, then = (_counted(started, before, count) for before in (0, len(STAGES)))
    account.passed("reading")
    if not keep:
        with tempfile.TemporaryDirectory(prefix="sitefinder-") as scratch:
            given["scratch"] = Path(scratch)
            results = run_stages(STAGES, given, started=first, parts=parts)
            files, texts = make_files(settings, path.parent, results, fonts, Path(scratch), started=then)
            return Delivered(settings, results, texts, files, fonts)
    with open_store(folder, verify=verify) as store:
        recipes = recipes_of(STAGES, given, parts, software(), own_code())
        given["scratch"], log = store.scratch, {}
        try:
            results = run_stages(STAGES, given, started=first, parts=parts, store=store, recipes=recipes, log=log)
            account.passed("stages")
            given, parts = _given_to_files(settings, results, fonts, store.scratch)
            file_recipes = recipes_of(file_stages, given, parts, software_of_files(), own_code())
            texts = run_stages(
                file_stages, given, started=then, parts=parts, store=store, recipes=file_recipes, log=log
            )
            digests = {name: texts.content_of(FILE_STAGES[name].name) for name in names}
            files = _put_in_place(settings, path.parent, names, texts, digests)
            # What lies there now is known to the next run, which then reads none of it.
            for file in files:
                content_digest(file)
        finally:
            keep_memory(store, memory)
        account.passed("delivery")
        recipes |= file_recipes
        account.write(store, settings, inputs, recipes, log, files[0])
        store.mark_used([recipe.key for own in recipes.values() for recipe in own])
        store.clean(settings.run.store_limit_gb)
        results.close()
        texts.close()
        return Delivered(settings, results, texts, files, fonts, store.notes)


def make_files(settings, folder, results, fonts, scratch, *, started=None):
    """Make all files that the settings ask for and put them in place of the last delivery, without a store.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    folder : Path
        Of the settings file.
    results : Mapping
        Of the stages of `STAGES`.
    fonts : sequence of Path
        See `sitefinder.report.handover.Handover`.
    scratch : Path
        Folder for files on their way.
    started : callable, optional
        See `sitefinder.pipeline.graph.run_stages`.

    Returns
    -------
    files : list of Path
        The GeoPackage first.
    texts : dict
        Results of the stages of files.

    Raises
    ------
    InputError
        If a file would replace an input, or the folder or the disk refuses.
    """
    names = wanted_files(settings.delivery)
    _validate_replacing_inputs(settings, folder, names)
    given, parts = _given_to_files(settings, results, fonts, scratch)
    texts = run_stages(stages_of_files(names), given, started=started, parts=parts)
    return _put_in_place(settings, folder, names, texts, {}), texts


# What stages of files are given, and that of it which each sees in parts.
def _given_to_files(settings, results, fonts, scratch):
    parts = {"settings": SettingsParts(settings), "made": MadeParts(results, STAGES), "fonts": FontParts(fonts)}
    return {"settings": settings, "made": results, "fonts": fonts, "scratch": scratch}, parts


# The function to tell of stages, for stages that come after so many others.
def _counted(started, before, count):
    if started is None:
        return None
    return lambda name, number, _: started(name, before + number, count)


# Put the files into the output folder, those that are not there already.
def _put_in_place(settings, folder, names, texts, digests):
    writers = {name: partial(_copy, texts, FILE_STAGES[name].name) for name in names}
    inputs = _names_in_output(settings, folder)
    return deliver(
        _output_folder(settings, folder), writers, [name for name in KNOWN if name not in inputs], digests
    )


# A copy and no link: who changes a file in place, such as a GeoPackage with a new style, must not change the one
# that is kept.
def _copy(texts, stage, path):
    shutil.copyfile(texts[stage], path)


def _output_folder(settings, folder):
    return Path(os.path.normpath(folder / settings.run.output_folder))


def _validate_replacing_inputs(settings, folder, names):
    inputs = _names_in_output(settings, folder)
    for name in names:
        if name in inputs:
            raise InputError.of(
                "the delivery would replace an input",
                file=_output_folder(settings, folder) / name,
                input=inputs[name],
                fix="change run.output_folder, or move the input to another folder",
            )


# Files of the output folder that the settings name: name of the file to key of the setting. Any text that leads
# there counts, so that no input is forgotten.
def _names_in_output(settings, folder):
    output, found = os.path.realpath(_output_folder(settings, folder)), {}
    for key, value in _texts(settings.model_dump(exclude={"run": True}), ""):
        place, file = os.path.split(os.path.realpath(os.path.join(folder, value)))
        if place == output:
            found.setdefault(file, key)
    return found


def _texts(value, key):
    if isinstance(value, str):
        if "\0" not in value:  # which no path holds
            yield key, value
    elif isinstance(value, dict):
        for name, item in value.items():
            yield from _texts(item, f"{key}.{name}" if key else str(name))
    elif isinstance(value, list | tuple):
        for item in value:
            yield from _texts(item, key)
