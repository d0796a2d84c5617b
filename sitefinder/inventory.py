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
    """What a run would do: `Planned` by stage, and the store of results: folder, number and size [GB]."""

    title: str
    stages: list
    store: Path
    results: int
    size_gb: float


def store_folder(settings, folder):
    """Folder of stored results: that of the settings, or one in the output folder.

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
    """File digests of earlier runs; empty without a store."""
    return Memory(None if store is None else read_json(store / FILES), recalls)


def keep_memory(store, memory):
    """Store file digests for the next run, beside the results; nothing if there are no results.

    Parameters
    ----------
    store : sitefinder.pipeline.store.Store
    memory : Memory
    """
    if not store.is_empty():
        try:
            write_json(store.folder / FILES, memory.kept)
        except OSError as error:
            store.notes.append(f"file digests could not be stored: {error.strerror or error}")


def parts_of(settings, inputs):
    """Settings and inputs, scoped for stages."""
    return {"settings": SettingsParts(settings), "inputs": InputsParts(inputs)}


def software_of_files():
    """Versions of what files are made with, by name: that of this program."""
    return software() | {"sitefinder": __version__}


class KeptResults:
    """Digests and keys of stored results, for a plan; results that are not stored have no digest.

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
        Their keys are the contents of the results that they depend on.
    given_to_files : callable, optional
        Returns, from results, the arguments of those stages and their parts.

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
            planned.append(
                Planned(stage.name, False, [f"after {listed(before)}, unless their results are unchanged"])
            )
        else:
            own = recipes_of([stage], given, parts, software_of_files(), own_code())
            planned += plan_of(own, last, store.has, code_change)
    return Plan(settings.run.name, planned, folder, count, size_gb)


def config_name(config, folder):
    """Path of a settings file in run records, relative to the store."""
    try:
        return Path(os.path.relpath(config, folder)).as_posix()
    except ValueError:  # on another drive
        return str(config)


class RunRecord:
    """Record of a run in progress, kept beside the stored results and never delivered.

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
        """A progress function that counts terrain tiles and passes them on."""

        def count_tile(done, count):
            self._tiles = done
            if progress is not None:
                progress(done, count)

        return count_tile

    def write(self, store, settings, inputs, recipes, log, delivered):
        """Write the record to the store.

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
        If the disk refuses, the notes of the store say so.
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
            store.notes.append(f"the record of the run could not be stored: {error.strerror or error}")


__all__ = ["DELIVERED", "GIVEN", "STAGES", "Delivered", "check", "plan", "run"]
DELIVERED = GEOPACKAGE


class Delivered:
    """What a run delivered: its files, the GeoPackage first, and the results that they were made from.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    results : Mapping
        Of the stages of `STAGES`; stored ones are read when accessed.
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
        """Currency and year of all money, and whether any was converted."""
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
        """Input of page, sheets and map."""
        return handover_of(self._settings, self._results, self._fonts)._replace(tables=self.tables)

    @property
    def summary(self):
        """Summary of the results, as text."""
        return printed_summary(self._texts[SUMMARY.name], self.files)

    @property
    def json(self):
        """Figures of the results, as one JSON object."""
        return printed_json(self._texts[FIGURES.name], self.files, self.notes)


def check(path):
    """Settings and inputs of a run, read and checked.

    Parameters
    ----------
    path : Path
        Settings file.

    Returns
    -------
    settings : sitefinder.settings.Settings
        With the inter-annual variability of the daily records if the file states none.
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


# The font files of the settings, after a check. Most runs have none, and load no drawing code for it.
def _fonts_of(settings, folder):
    if not settings.delivery.font_files:
        return ()
    from sitefinder.report.sheets.font_files import checked_fonts

    return checked_fonts(settings.delivery.font_files, folder)


def plan(path):
    """What a run would do again, and why, without running or writing anything.

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
    """Run an inventory and deliver its files.

    Parameters
    ----------
    path : Path
        Settings file.
    workers : int, optional
        Number of processes instead of that of the settings; no effect on results.
    strict : bool, optional
        Stop if a part of the network cannot be resolved, whatever the settings say.
    started, progress : callable, optional
        Called for each stage that is run, and for each terrain tile.
    keep : bool, optional
        Use stored results, and store those of this run; no effect on results.
    verify : bool, optional
        Read files again even if size and time of change are unchanged, and check every stored byte.

    Returns
    -------
    Delivered

    Raises
    ------
    ConfigError, InputError
        If the user can fix it; nothing is delivered then.
    """
    path = Path(path)
    settings = read_settings(path)
    folder = store_folder(settings, path.parent)
    account = RunRecord(config_name(path, folder))
    memory = memory_of(folder if keep else None, recalls=not verify)
    with remembering(memory):
        return _run(path, settings, folder, account, memory, workers, strict, started, progress, keep, verify)


# Digests of files read later in the run are stored too.
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
            # The next run knows the digests of delivered files and need not read them.
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
    """Make all files of the settings and replace the last delivery with them, without a store.

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
        Temporary folder for files.
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


# Arguments of the stages of files, and those that are scoped.
def _given_to_files(settings, results, fonts, scratch):
    parts = {"settings": SettingsParts(settings), "made": MadeParts(results, STAGES), "fonts": FontParts(fonts)}
    return {"settings": settings, "made": results, "fonts": fonts, "scratch": scratch}, parts


# A function that reports stages, for stages that follow a number of others.
def _counted(started, before, count):
    if started is None:
        return None
    return lambda name, number, _: started(name, before + number, count)


# Copy the files into the output folder, except those already there.
def _put_in_place(settings, folder, names, texts, digests):
    writers = {name: partial(_copy, texts, FILE_STAGES[name].name) for name in names}
    inputs = _names_in_output(settings, folder)
    return deliver(
        _output_folder(settings, folder), writers, [name for name in KNOWN if name not in inputs], digests
    )


# A copy and not a link: a change in place, such as a new style in a GeoPackage, must not change the stored
# file.
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


# Files of the output folder that are inputs: name of the file to key of the setting. Any path that leads
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
