"""A run: from settings to the inventory, with what earlier runs kept, and a record of what it did."""

from __future__ import annotations

import datetime
import os
import shutil
import sys
import tempfile
import time
import weakref
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from functools import partial
from pathlib import Path
from typing import Any

from sitefinder import __version__
from sitefinder.delivery.file_names import wanted_files
from sitefinder.delivery.graph import FILE_STAGES, STAGES, stages_of_files
from sitefinder.inventory import (
    FOR_FILES,
    Inventory,
    given_to_files,
    make_files,
    put_in_place,
    software_of_files,
    validate_replacing_inputs,
)
from sitefinder.io import containers
from sitefinder.io.bound_files import binding
from sitefinder.io.digests import Memory, content_digest, remembering
from sitefinder.io.settings_files import WITHIN
from sitefinder.io.software import software
from sitefinder.pipeline.code import own_code
from sitefinder.pipeline.executors import Executor, InThisProcess, log_workers, peak_memory_mb
from sitefinder.pipeline.graph import Made, Results, Stage, run_stages
from sitefinder.pipeline.keys import Recipe, recipes_of
from sitefinder.pipeline.linear_algebra import one_thread
from sitefinder.pipeline.memory import held_to
from sitefinder.pipeline.run_log import last_keys, last_record, reported_results, write_record
from sitefinder.pipeline.store import Store, open_store
from sitefinder.preparation import (
    StrPath,
    config_name,
    fonts_of,
    keep_memory,
    memory_mb,
    memory_of,
    output_folder,
    parts_of,
    settings_of,
    store_folder,
    with_inputs,
    with_memory,
)
from sitefinder.progress import Listener, StageReports, listening
from sitefinder.settings import Settings
from sitefinder.steps.demand import within_memory
from sitefinder.steps.inputs import LazyInputs
from sitefinder.steps.part_size import with_parts_of

# What all compiled kernels are made by.
COMPILED = "sitefinder.compiled"
# How long tasks of a rerun are done by its own process before workers of this machine start [s], be their number
# chosen or stated. A run with one more rule has few (own choice: some twice what their start takes).
PATIENCE_S = 10.0


def run(
    settings: Settings | StrPath,
    output: StrPath | None = None,
    *,
    store: StrPath | None = None,
    workers: int | None = None,
    scheduler: str | None = None,
    memory_gb: float | None = None,
    strict: bool = False,
    verify: bool = False,
    progress: bool | Listener = False,
) -> Inventory:
    """The whole job: from settings to the inventory.

    Parameters
    ----------
    settings : Settings or path-like
        Settings, or a settings file.
    output : path-like, optional
        Folder to write all files of the delivery into; absent: tables in memory, and no file is written. It takes
        the place of ``run.output_folder``, which is for the command line.
    store : path-like, optional
        Folder in which results of stages are kept for the next run, and found from earlier ones; absent: none.
        It changes no result.
    workers : int, optional
        Worker processes on this machine, in place of the settings'; changes no result. Where neither states any,
        there are as many as cores if the region is large enough for them to pay and memory allows. In a run that
        finds most kept they start when its own process has done tasks for a while.
    scheduler : str, optional
        Address of the scheduler of a running Dask cluster, whose workers are used instead; changes no result.
        Whoever can reach a scheduler can run code on its workers: keep it on a private network, or use TLS.
    memory_gb : float, optional
        Memory that all processes on this machine may take together [GB], in place of the settings'; terrain tiles
        are made to fit, and a run that would need more is refused, or stopped where it takes more after all. It
        changes no result.
    strict : bool, optional
        Stop where a part of the network cannot be resolved, also where the settings do not say so.
    verify : bool, optional
        Read files again, also those whose size and time of change stayed.
    progress : bool or callable, optional
        True for a bar on standard error or under the cell of a notebook. A callable is called with what is done
        now, how many stages are done, and how many there are.

    Returns
    -------
    Inventory

    Raises
    ------
    ConfigError, InputError
        If the user can mend it, listing every problem; nothing is delivered then.
    """
    settings = with_memory(settings_of(settings), memory_gb)
    changed = ({} if workers is None else {"workers": workers}) | ({"strict": True} if strict else {})
    if scheduler is not None and workers is None and settings.run.workers is None:
        changed["workers"] = 1
    settings = settings.model_copy(update={"run": settings.run.model_copy(update=changed)})
    is_chosen = settings.run.workers is None
    kept = None if store is None else Path(os.path.abspath(store))
    record = RunRecord(settings, kept)
    memory = memory_of(kept, recalls=not verify)
    with listening(progress) as listener, remembering(memory), binding() as bound:
        target = None if output is None else Path(output)
        settings, inputs = with_inputs(settings, target, kept)
        settings = within_memory(settings, inputs.counts, memory_mb(settings))
        said = _to_standard_error if progress is True else None
        if is_chosen:
            log_workers(settings.run.process_count)
        executor = partial(_executor, settings, scheduler, said)
        job = _Job(settings, inputs, target, record, memory, listener, executor)
        bound.validate()
        record.passed("reading")
        limit_gb = settings.run.memory_limit_gb
        held = held_to(None if limit_gb is None else limit_gb * 1e3)
        with with_parts_of(settings.run.part_stations), one_thread(), held:
            return job.run_alone() if kept is None else job.run_with(kept)


def run_and_deliver(
    settings: Settings | StrPath,
    *,
    keep: bool = True,
    workers: int | None = None,
    scheduler: str | None = None,
    memory_gb: float | None = None,
    strict: bool = False,
    verify: bool = False,
    progress: bool | Listener = False,
) -> Inventory:
    """A run as its settings say: files go into ``run.output_folder``, and results into the store that they name.

    Parameters
    ----------
    settings : Settings or path-like
        Settings, or a settings file.
    keep : bool, optional
        Use results that earlier runs kept, and keep those of this one; changes no result.
    workers, scheduler, memory_gb, strict, verify, progress
        See `run`.

    Returns
    -------
    Inventory

    Raises
    ------
    ConfigError, InputError
        See `run`.
    """
    settings = settings_of(settings)
    return run(
        settings,
        output_folder(settings),
        store=store_folder(settings) if keep else None,
        workers=workers,
        scheduler=scheduler,
        memory_gb=memory_gb,
        strict=strict,
        verify=verify,
        progress=progress,
    )


class RunRecord:
    """Record of a run in progress, kept beside the stored results and never delivered.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    store : Path or None
        Where it will be kept.
    """

    def __init__(self, settings: Settings, store: Path | None) -> None:
        self.config = "" if store is None else config_name(settings, store)
        self._began, self._clock = datetime.datetime.now(), time.perf_counter()
        self._seconds: dict[str, float] = {}
        self._tiles = 0
        # Of workers that are still there; those that have ended count with this process.
        self.workers_mb = 0.0

    def passed(self, part: str) -> None:
        """Count the seconds since the last call for a part of the run."""
        now = time.perf_counter()
        self._seconds[part], self._clock = round(now - self._clock, 3), now

    def count_tiles(self, done: int) -> None:
        """Keep how many terrain tiles are done."""
        self._tiles = done

    def write(
        self,
        store: Store,
        settings: Settings,
        inputs: LazyInputs,
        recipes: dict[str, list[Recipe]],
        log: dict[str, Made],
        delivered: Path | None,
    ) -> None:
        """Keep the account in the store.

        Parameters
        ----------
        store : sitefinder.pipeline.store.Store
        settings, inputs
            Of the run.
        recipes, log
            See `sitefinder.pipeline.run_log.reported_results`.
        delivered : Path or None
            The GeoPackage, if one was delivered.

        Notes
        -----
        Where the disk refuses, a note of the store says so.
        """
        account = {
            "config": self.config,
            "title": settings.run.name,
            "began": self._began.isoformat(timespec="seconds"),
            "seconds": self._seconds,
            "overrides": [[option, _lasting(settings, option, value)] for option, value in settings.overrides],
            "workers": settings.run.workers,
            "tiles": self._tiles,
            "peak_memory_mb": round(max(peak_memory_mb(), self.workers_mb), 1),
            "version": __version__,
            "software": software(),
            "code": own_code().digests,
            "inputs": [{key: lineage[key] for key in ("name", "path", "digest")} for lineage in inputs.lineage],
            "delivered": delivered and {"file": delivered.name, "digest": content_digest(delivered)},
            "results": reported_results(recipes, log),
        }
        try:
            write_record(store.folder, account)
        except OSError as error:
            store.notes.append(f"the record of the run could not be stored: {error.strerror or error}")


# What an option was given, so that it means the same from any folder.
def _lasting(settings: Settings, option: str, value: str) -> str:
    area = settings.inputs.within
    return os.path.abspath(os.path.join(settings.folder, area.path)) if option == WITHIN and area else value


# One run: what its stages are given, and what becomes of their results.
class _Job:
    def __init__(
        self,
        settings: Settings,
        inputs: LazyInputs,
        output: Path | None,
        record: RunRecord,
        memory: Memory,
        listener: Listener | None,
        executor: Callable[[Path | None], AbstractContextManager[Executor]],
    ) -> None:
        self.settings, self.inputs, self.output = settings, inputs, output
        self.record, self.memory, self.executor = record, memory, executor
        self.names = [] if output is None else wanted_files(settings.delivery)
        if output is not None:
            validate_replacing_inputs(settings, output, self.names)
        self.fonts = fonts_of(settings)
        self.file_stages = () if output is None else stages_of_files(self.names)
        self.parts = parts_of(settings, inputs)
        self.reports = StageReports(listener, len(STAGES) + len(self.file_stages))

    # What stages are given, with a folder for files on their way.
    def given(self, scratch: Path | None) -> dict[str, Any]:
        return {"settings": self.settings, "inputs": self.inputs, "progress": self._tile, "scratch": scratch}

    def _tile(self, done: int, count: int) -> None:
        self.record.count_tiles(done)
        self.reports.tasks(done, count)

    # Without a store. The scratch folder is removed at the end, or with the inventory where that still needs the
    # copy of the DEM in it.
    def run_alone(self) -> Inventory:
        scratch = tempfile.mkdtemp(prefix="sitefinder-")
        stays, texts = False, None
        files: list[Path] = []
        try:
            given = self.given(Path(scratch))
            with self.executor(Path(scratch)) as executor, _kernels_ahead(STAGES):
                made = run_stages(
                    STAGES,
                    given,
                    started=self.reports.started_after(0),
                    parts=self.parts,
                    executor=executor,
                    tasks_done=self.reports.tasks,
                )
            results = {name: made[name] for name in FOR_FILES}
            if self.output is not None:
                started = self.reports.started_after(len(STAGES))
                files, texts = make_files(
                    self.settings, self.output, results, self.fonts, Path(scratch), started=started
                )
            inventory = Inventory(self.settings, results, files, texts, self.fonts)
            stages = [FILE_STAGES[name] for name in wanted_files(self.settings.delivery)]
            if any("surface" in stage.depends_on.get("made", ()) for stage in stages):
                weakref.finalize(inventory, shutil.rmtree, scratch, ignore_errors=True)
                stays = True
            return inventory
        finally:
            if not stays:
                shutil.rmtree(scratch, ignore_errors=True)

    # With the store in a folder: what is kept there is not made again.
    def run_with(self, folder: Path) -> Inventory:
        with open_store(folder, containers) as store, self.executor(store.scratch) as executor:
            recipes = recipes_of(STAGES, self.given(store.scratch), self.parts, software(), own_code())
            log: dict[str, Made] = {}
            files: list[Path] = []
            texts: Results | None = None
            try:
                missing = [stage for stage in STAGES if not all(store.has(own.key) for own in recipes[stage.name])]
                before = last_keys(last_record(folder, self.record.config)) if missing else {}
                with _kernels_ahead(missing):
                    results = run_stages(
                        STAGES,
                        self.given(store.scratch),
                        started=self.reports.started_after(0),
                        parts=self.parts,
                        store=store,
                        recipes=recipes,
                        log=log,
                        executor=executor,
                        tasks_done=self.reports.tasks,
                        before=before,
                    )
                executor.release()
                self.record.passed("stages")
                if self.output is not None:
                    texts, file_recipes = self._kept_files(results, store, log)
                    recipes |= file_recipes
                    digests = {name: texts.content_of(FILE_STAGES[name].name) for name in self.names}
                    files = put_in_place(self.settings, self.output, self.names, texts, digests)
                # What lies there now is known to the next run, which then reads none of it.
                for file in files:
                    content_digest(file)
            finally:
                keep_memory(store, self.memory)
            self.record.passed("delivery")
            self.record.workers_mb = executor.peak_memory_mb
            # Items that the run looked at, beside the results that they were joined to.
            items = results.item_recipes
            reported = {name: [*own, *items.get(name, ())] for name, own in recipes.items()}
            self.record.write(store, self.settings, self.inputs, reported, log, files[0] if files else None)
            store.mark_used([recipe.key for own in recipes.values() for recipe in own])
            cut = [results.key_of(stage.name) for stage in STAGES if stage.cut is not None]
            store.mark_used([key for joined in cut for key in store.items_of(joined)])
            store.clean(self.settings.run.store_limit_gb)
            results.close()
            if texts is not None:
                texts.close()
            return Inventory(self.settings, results, files, texts, self.fonts, store.notes)

    # The files as results of their stages, which lie in the store, and their recipes.
    def _kept_files(
        self, results: Results, store: Store, log: dict[str, Made]
    ) -> tuple[Results, dict[str, list[Recipe]]]:
        given, parts = given_to_files(self.settings, results, self.fonts, store.scratch)
        recipes = recipes_of(self.file_stages, given, parts, software_of_files(), own_code())
        started = self.reports.started_after(len(STAGES))
        texts = run_stages(
            self.file_stages, given, started=started, parts=parts, store=store, recipes=recipes, log=log
        )
        return texts, recipes


# What does the tasks of a run: this process, or workers, with files of tasks in a folder. The library for
# workers is loaded only where there are some.
def _executor(
    settings: Settings,
    scheduler: str | None,
    said: Callable[[str], None] | None,
    folder: Path | None,
) -> AbstractContextManager[Executor]:
    workers = settings.run.process_count
    if folder is None or (workers == 1 and scheduler is None):
        return nullcontext(InThisProcess())
    from sitefinder.pipeline.cluster import Cluster

    return Cluster(
        folder,
        containers.__name__,
        "sitefinder.io.software:software",
        workers=workers,
        scheduler=scheduler,
        announce=said,
        patience_s=PATIENCE_S if scheduler is None else 0.0,
    )


def _to_standard_error(text: str) -> None:
    print(text, file=sys.stderr)


# While this holds, kernels that stages use and that are not compiled yet are compiled beside them. Stages that use
# none load nothing for it.
def _kernels_ahead(stages: Sequence[Stage]) -> AbstractContextManager[None]:
    modules = own_code().importers_of(COMPILED, [stage.functions for stage in stages])[::-1]
    if not modules:
        return nullcontext()
    from sitefinder.compiled import compiled_ahead

    ahead: AbstractContextManager[None] = compiled_ahead(modules)
    return ahead
