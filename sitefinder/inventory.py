"""The front door: settings checked, planned and run, and the inventory that comes of it.

What is here is what `import sitefinder` hands on and what the commands call: one way in.
"""

from __future__ import annotations

import datetime
import json
import os
import shutil
import sys
import tempfile
import time
import weakref
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, cast

from sitefinder import __version__
from sitefinder.delivery.atomic import deliver
from sitefinder.delivery.file_names import GEOPACKAGE, district_map_names, wanted_files
from sitefinder.delivery.graph import FIGURES, FILE_STAGES, KNOWN, LAYERS_MADE, STAGES, SUMMARY, stages_of_files
from sitefinder.delivery.made import FileParts, MadeParts
from sitefinder.delivery.ownership import problems_of_output
from sitefinder.errors import InputError, SitefinderError, all_of, listed
from sitefinder.io import containers
from sitefinder.io.bound_files import binding, bound_now, unchanged
from sitefinder.io.computer import available_memory_mb, free_disk_mb, usable_cores
from sitefinder.io.digests import Memory, content_digest, remembering
from sitefinder.io.opening import validate_file
from sitefinder.io.settings_files import SET, WITHIN, read_settings
from sitefinder.io.software import software
from sitefinder.pipeline.code import change_of_code, own_code
from sitefinder.pipeline.executors import Executor, InThisProcess, log_workers, peak_memory_mb
from sitefinder.pipeline.graph import Made, Results, Stage, run_stages
from sitefinder.pipeline.keys import Planned, Recipe, plan_of, recipes_of
from sitefinder.pipeline.linear_algebra import one_thread
from sitefinder.pipeline.run_log import (
    last_keys,
    last_recipes,
    last_record,
    records_of,
    reported_results,
    write_record,
)
from sitefinder.pipeline.store import (
    Store,
    looked_into,
    open_store,
    problems_of_store,
    read_json,
    size_of,
    write_json,
)
from sitefinder.progress import Listener, StageReports, listening
from sitefinder.report.handover import Handover, handover_of, region_of
from sitefinder.report.languages import speaking
from sitefinder.report.printed import printed_json, printed_summary
from sitefinder.settings import Settings
from sitefinder.steps.demand import demand_lines, demand_of, problems_of_demand, with_workers, within_memory
from sitefinder.steps.inputs import LazyInputs, read_inputs, with_year_to_year
from sitefinder.steps.part_size import with_parts_of
from sitefinder.steps.scope import InputsParts, SettingsParts
from sitefinder.vocabulary import HEAD_UNRESOLVED

if TYPE_CHECKING:
    import geopandas
    import pandas as pd

    from sitefinder.comparison.changes import Changes
    from sitefinder.delivery.comparison import Compared
    from sitefinder.steps.inputs import RunInputs

StrPath = str | os.PathLike[str]
STORE = ".sitefinder-store"
# What the folder of a trial's delivery is called after that of the whole region.
TRIAL_FOLDER = "-trial"
FILES = "files.json"
# Where the number of workers is chosen, not stated: how long tasks of a rerun are done by its own process before
# workers start [s]. A run with one more rule has few (own choice: some twice what their start takes).
PATIENCE_S = 10.0
# Field sheets that are asked for when a run has ended.
SHEETS = "sheets.pdf"
# What all compiled kernels are made by.
COMPILED = "sitefinder.compiled"
# Results that an inventory can write files from; all others are let go when a run has ended.
_FOR_FILES = {
    name for stage in (*FILE_STAGES.values(), SUMMARY, FIGURES) for name in stage.depends_on.get("made", ())
} | {f"{name}_table" for name in LAYERS_MADE}


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
        from sitefinder.report.summary import plan_text

        text = plan_text(self.title, self.stages, store=self.store, results=self.results, size_gb=self.size_gb)
        return str(text) + "".join(f"{line}\n" for line in self.needs)


class Inventory:
    """What a run found: its tables, its summary, and the files that are made of them.

    Every layer of the delivery is an attribute (``inventory.sites``, ``inventory.reaches``, ``inventory.totals``)
    and an item of `tables`: a GeoDataFrame, or a DataFrame where the layer has no geometry, with the columns,
    types and ranges that the data dictionary declares. It is your own copy: what you change in it changes no file.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    results : Mapping
        Of the stages of `STAGES`; those that are kept in a store are read when they are asked for.
    files : sequence of Path
        Those delivered, the GeoPackage first; none where nothing was written.
    texts : Mapping, optional
        Results of the stages of the summary and of the figures, if they were run.
    fonts : sequence of Path
        See `sitefinder.report.handover.Handover`.
    notes : sequence of str
        What the user should know of the store of results.
    """

    def __init__(
        self,
        settings: Settings,
        results: Mapping[str, Any],
        files: Sequence[Path] = (),
        texts: Mapping[str, Any] | None = None,
        fonts: Sequence[Path] = (),
        notes: Sequence[str] = (),
    ) -> None:
        self.settings, self.title = settings, settings.run.name
        self.files, self.notes = tuple(files), tuple(notes)
        self._results, self._texts, self._fonts = results, texts, tuple(fonts)
        self._tables = Tables(results)

    def __repr__(self) -> str:
        return f"<Inventory {self.title!r}: {len(self.sites)} sites, {len(self.reaches)} reaches>"

    def __getattr__(self, name: str) -> Any:
        if name in LAYERS_MADE:
            return self._tables[name]
        raise AttributeError(f"an inventory has no {name!r}; its layers are {', '.join(LAYERS_MADE)}")

    def __dir__(self) -> list[str]:
        return sorted({*super().__dir__(), *LAYERS_MADE})

    @property
    def tables(self) -> Mapping[str, pd.DataFrame]:
        """All layers by name, each a table as the data dictionary declares it."""
        return self._tables

    @property
    def sites(self) -> geopandas.GeoDataFrame:
        """The selected sites, a point each."""
        return self._tables["sites"]

    @property
    def reaches(self) -> geopandas.GeoDataFrame:
        """All reaches of the region, a line each, with verdict and reasons."""
        return self._tables["reaches"]

    @property
    def totals(self) -> pd.DataFrame:
        """Totals of the region and of each district."""
        table: pd.DataFrame = self._tables["totals"]
        return table

    @property
    def path(self) -> Path:
        """The delivered GeoPackage.

        Raises
        ------
        InputError
            If no file was written.
        """
        if not self.files:
            raise InputError.of(
                "this inventory lies in no file",
                expected="one that was written",
                found="tables in memory alone",
                fix="call its write() or write_geopackage() first",
            )
        return self.files[0]

    @property
    def currency(self) -> str:
        """Of all money, and whether some was in another."""
        return str(self._results["money"].described)

    @property
    def region_totals(self) -> dict[str, Any]:
        """The row of the whole region in the layer ``totals``, as a dict."""
        return dict(region_of(self._results["totals_table"]))

    @property
    def counts_unresolved(self) -> bool:
        """Whether heads count that the DEM does not resolve."""
        return bool(HEAD_UNRESOLVED.is_allowed(self.settings.ranking.allow))

    @property
    def handover(self) -> Handover:
        """All that page, sheets and plate are made of."""
        handover: Handover = handover_of(self.settings, self._results, self._fonts)
        return handover._replace(tables={name: self._results[f"{name}_table"] for name in LAYERS_MADE})

    @property
    def summary(self) -> str:
        """What was found, in words and figures."""
        with speaking(self.settings.delivery.language):
            return str(printed_summary(self._text(SUMMARY.name), self.files))

    @property
    def json(self) -> str:
        """What was found, as one JSON object."""
        return str(printed_json(self._text(FIGURES.name), self.files, self.notes))

    def write(self, folder: StrPath) -> list[Path]:
        """Write all files that the settings ask for, in place of the last delivery in a folder.

        Parameters
        ----------
        folder : path-like
            Made where it is not there. Files of an earlier delivery that differ go to ``previous`` in it.

        Returns
        -------
        list of Path
            The GeoPackage first.

        Raises
        ------
        InputError
            If a file would replace an input, or the folder or the disk refuses.
        """
        with tempfile.TemporaryDirectory(prefix="sitefinder-") as scratch:
            files, self._texts = make_files(self.settings, Path(folder), self._results, self._fonts, Path(scratch))
        self.files = tuple(files)
        return files

    def write_geopackage(self, path: StrPath) -> Path:
        """Write the GeoPackage alone.

        Parameters
        ----------
        path : path-like
            A file that is there already goes to ``previous`` in its folder.

        Returns
        -------
        Path

        Raises
        ------
        InputError
            If the file would replace an input, or the folder or the disk refuses.
        """
        path = Path(path)
        _validate_replacing_inputs(self.settings, path.parent, [path.name])
        with tempfile.TemporaryDirectory(prefix="sitefinder-") as scratch:
            given, parts = _given_to_files(self.settings, self._results, self._fonts, Path(scratch))
            stage = FILE_STAGES[GEOPACKAGE]
            made = run_stages([stage], given, parts=parts)
            (written,) = deliver(path.parent, {path.name: partial(_copy, made, stage.name)})
        self.files = self.files or (written,)
        return Path(written)

    # Summary or figures; a run that wrote no file has not made them yet.
    def _text(self, name: str) -> Any:
        if self._texts is None:
            given, parts = _given_to_files(self.settings, self._results, self._fonts, None)
            self._texts = run_stages(stages_of_files([]), given, parts=parts)
        return self._texts[name]


class Tables(Mapping[str, "pd.DataFrame"]):
    """Layers by name, each copied when it is first asked for, so that nobody changes what files are made of."""

    def __init__(self, results: Mapping[str, Any]) -> None:
        self._results = results
        self._copies: dict[str, pd.DataFrame] = {}

    def __getitem__(self, name: str) -> Any:
        if name not in LAYERS_MADE:
            raise KeyError(name)
        if name not in self._copies:
            self._copies[name] = self._results[f"{name}_table"].copy()
        return self._copies[name]

    def __iter__(self) -> Iterator[str]:
        return iter(LAYERS_MADE)

    def __len__(self) -> int:
        return len(LAYERS_MADE)


class Comparison:
    """What changed between two inventories, each table as the data dictionary declares it.

    Parameters
    ----------
    compared : sitefinder.delivery.comparison.Compared
    """

    def __init__(self, compared: Compared) -> None:
        self._compared = compared
        self.title, self.files = compared.title, tuple(compared.files)

    def __repr__(self) -> str:
        return f"<Comparison {self.title!r}: {len(self.changes)} reaches and sites>"

    @property
    def changes(self) -> geopandas.GeoDataFrame:
        """Every reach and site of either, with what became of it and why."""
        return self._compared.tables["changes"]

    @property
    def changed_values(self) -> pd.DataFrame:
        """Every value of a reach or site of both that differs."""
        table: pd.DataFrame = self._compared.tables["changed_values"]
        return table

    @property
    def causes(self) -> pd.DataFrame:
        """In what inputs, settings, rules and code of the two differ."""
        table: pd.DataFrame = self._compared.tables["causes"]
        return table

    @property
    def summary(self) -> str:
        """The comparison in words and figures, ending with a line break."""
        from sitefinder.report.text_comparison import change_text

        changes: Changes = self._compared.changes
        return str(change_text(self.title, self._compared.paths, changes, self.files))


def check(settings: Settings | StrPath) -> list[str]:
    """All that is wrong with settings and with the inputs that they name; nothing is run and nothing written.

    Parameters
    ----------
    settings : Settings or path-like
        Settings, or a settings file.

    Returns
    -------
    list of str
        A text for each problem: where, what was expected, what was found and how to mend it. Empty when sound.
    """
    try:
        read_run(settings)
    except SitefinderError as error:
        return list(error.problems)
    return []


def plan(settings: Settings | StrPath, store: StrPath | None = None, *, memory_gb: float | None = None) -> Plan:
    """What a run would do again, and why; nothing is run and nothing written.

    Parameters
    ----------
    settings : Settings or path-like
        Settings, or a settings file.
    store : path-like, optional
        Folder of the results that earlier runs kept; absent: the one that the settings name.
    memory_gb : float, optional
        See `run`.

    Returns
    -------
    Plan

    Raises
    ------
    ConfigError, InputError
        Listing every problem.
    """
    settings = _with_memory(_settings_of(settings), memory_gb)
    folder = store_folder(settings) if store is None else Path(store)
    memory = memory_of(folder)
    with remembering(memory):
        settings, inputs = _with_inputs(settings, output_folder(settings), folder)
        file_stages = stages_of_files(wanted_files(settings.delivery))
        fonts = _fonts_of(settings)

        def given_to_files(results: KeptResults) -> tuple[dict[str, Any], dict[str, Any]]:
            return _given_to_files(settings, results, fonts, None)

        found = planned(STAGES, settings, inputs, folder, file_stages, given_to_files)
        return found._replace(needs=demand_lines(settings, demand_of(settings, inputs.counts)))


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
        there are as many as cores if the region is large enough for them to pay and memory allows.
    scheduler : str, optional
        Address of the scheduler of a running Dask cluster, whose workers are used instead; changes no result.
        Whoever can reach a scheduler can run code on its workers: keep it on a private network, or use TLS.
    memory_gb : float, optional
        Memory that all processes on this machine may take together [GB], in place of the settings'; terrain tiles
        are made to fit, and a run that would need more is refused. It changes no result.
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
    settings = _with_memory(_settings_of(settings), memory_gb)
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
        settings, inputs = _with_inputs(settings, target, kept)
        settings = within_memory(settings, inputs.counts, _memory_mb(settings))
        said = _to_standard_error if progress is True else None
        if is_chosen:
            log_workers(settings.run.workers or 1)
        executor = partial(_executor, settings, scheduler, said, PATIENCE_S if is_chosen else 0.0)
        job = _Job(settings, inputs, target, record, memory, listener, executor)
        bound.validate()
        record.passed("reading")
        with with_parts_of(settings.run.part_stations), one_thread():
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
    settings = _settings_of(settings)
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


def read_run(settings: Settings | StrPath, memory_gb: float | None = None) -> tuple[Settings, LazyInputs]:
    """Settings and inputs of a run, read and judged.

    Parameters
    ----------
    settings : Settings or path-like
        Settings, or a settings file.
    memory_gb : float, optional
        See `run`.

    Returns
    -------
    settings : sitefinder.settings.Settings
        With the year-to-year spread of the daily records where the file does not state it.
    inputs : LazyInputs

    Raises
    ------
    ConfigError, InputError
        Listing every problem.
    """
    settings = _with_memory(_settings_of(settings), memory_gb)
    return _with_inputs(settings, output_folder(settings), store_folder(settings))


def compare(
    old: Inventory | StrPath | None,
    new: Inventory | StrPath,
    *,
    csv: StrPath | None = None,
    output: StrPath | None = None,
    page: StrPath | None = None,
    near_m: float | None = None,
    min_change_percent: float | None = None,
) -> Comparison:
    """What changed between two inventories, reach by reach and site by site, with the cause.

    Parameters
    ----------
    old, new : Inventory or path-like
        Inventories, or GeoPackages or output folders of runs; `old` None for what the new delivery replaced.
    csv, output : path-like, optional
        A table (CSV) of the layer ``changes``, and a GeoPackage of all tables, to write.
    page : path-like, optional
        A page for a browser to write, with a map of both and of their difference.
    near_m : float, optional
        How far apart a stream may be drawn in the two to be the same [m]; absent: 20.
    min_change_percent : float, optional
        Numbers that differ by less are the same [%]; absent: by rounding alone.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        If a delivery cannot be read or compared, or a file would replace one that is compared.
    """
    from sitefinder.comparison.matching import NEAR_M
    from sitefinder.delivery.comparison import compare as compare_deliveries

    compared = compare_deliveries(
        _delivery_of(old),
        _delivery_of(new),
        csv=csv,
        output=output,
        page=page,
        near_m=NEAR_M if near_m is None else near_m,
        min_change_percent=min_change_percent,
    )
    return Comparison(compared)


class Explanation(NamedTuple):
    """Why a site, structure or reach has its verdict: see `sitefinder.explanation.explaining.explained`.

    ``files`` are those that were written.
    """

    found: dict[str, Any]
    files: tuple[Path, ...] = ()

    @property
    def summary(self) -> str:
        """The explanation in words and figures, ending with a line break."""
        from sitefinder.report.explanation import explanation_text

        text = str(explanation_text(self.found))
        return text + "".join(f"\nFiles\n  {path}\n" for path in self.files)

    @property
    def json(self) -> str:
        """The explanation as one JSON object, ending with a line break."""
        return json.dumps(self.found, ensure_ascii=False, indent=2) + "\n"


def explain(
    settings: Settings | StrPath, what: str, *, page: StrPath | None = None, store: StrPath | None = None
) -> Explanation:
    """Why a site, structure, reach or place has its verdict, and the smallest change that would alter it.

    Parameters
    ----------
    settings : Settings or path-like
        Settings, a settings file, or the output folder or GeoPackage of a run beside whose store it lies.
    what : str
        Id of a site, an existing structure or a reach, or ``x,y`` in the run's system [m].
    page : path-like, optional
        A page for a browser to write: that of the run, with the explanation in the section of the site, which it
        opens at. Of a site alone.
    store : path-like, optional
        Folder of the results that the run kept; absent: the one that the settings name.

    Returns
    -------
    Explanation

    Raises
    ------
    ConfigError, InputError
        Listing every problem; also if a result is not kept, nothing is called so, or the page would replace an
        input or a file of the run. Nothing is run, and nothing written then.
    """
    from sitefinder.delivery.page import explained_page
    from sitefinder.explanation.explaining import explained

    with finished_run(settings, store, "it cannot be explained") as (settings, inputs, results):
        found = explained(settings, cast("RunInputs", inputs), results, what)
        if page is None:
            return Explanation(found)
        path = _page_to_write(settings, Path(page), found["about"])
        html = explained_page(settings, results, {found["about"]["id"]: Explanation(found).summary})
        (written,) = deliver(path.parent, {path.name: partial(_write_bytes, content=html.encode("utf-8"))})
        return Explanation(found, (Path(written),))


def _page_to_write(settings: Settings, path: Path, about: dict[str, Any]) -> Path:
    if about["kind"] != "site":
        raise InputError.of(
            "the page has a section for sites alone",
            expected="the id of a selected site",
            found=f"{about['kind']} {about['id']}",
            fix="leave out --page, or explain the site that uses it",
        )
    _validate_replacing_inputs(settings, path.parent, [path.name])
    _validate_not_of_run(settings, path, "the page", "leave out --page")
    return path


def _validate_not_of_run(settings: Settings, path: Path, what: str, otherwise: str) -> None:
    if path.name in KNOWN and os.path.realpath(path.parent) == os.path.realpath(output_folder(settings)):
        raise InputError.of(
            f"{what} would replace a file of the run",
            file=path,
            expected="a name that no file of a delivery has",
            fix=f"choose another name, or {otherwise}",
        )


def write_sheets(
    settings: Settings | StrPath,
    site_ids: Sequence[str],
    output: StrPath | None = None,
    *,
    store: StrPath | None = None,
) -> Path:
    """Write field sheets of any sites of a finished run, whatever their rank, from what the run kept.

    Parameters
    ----------
    settings : Settings or path-like
        Settings, a settings file, or the output folder or GeoPackage of a run beside whose store it lies.
    site_ids : sequence of str
        Ids of sites; sheets come in the order of rank. Of the best N sites they are the run's own, to the byte.
    output : path-like, optional
        The PDF to write; absent: ``sheets.pdf`` in the run's output folder. A file that is there already goes to
        ``previous`` in its folder.
    store : path-like, optional
        Folder of the results that the run kept; absent: the one that the settings name.

    Returns
    -------
    Path

    Raises
    ------
    ConfigError, InputError
        Listing every problem; if a result is not kept, an id is unknown, the file would replace an input or a
        file of the run's own, or the folder or the disk refuses.
    """
    from sitefinder.delivery.sheets import sheets_of

    with finished_run(settings, store, "no sheet can be made of it") as (settings, _, results):
        path = output_folder(settings) / SHEETS if output is None else Path(output)
        _validate_replacing_inputs(settings, path.parent, [path.name])
        _validate_not_of_run(settings, path, "the sheets", f"leave --output out for {SHEETS}")
        printed = sheets_of(settings, results, _fonts_of(settings), site_ids)
        (written,) = deliver(path.parent, {path.name: lambda draft: draft.write_bytes(printed)})
        return Path(written)


def write_district_maps(
    settings: Settings | StrPath,
    districts: Sequence[str] = (),
    folder: StrPath | None = None,
    *,
    store: StrPath | None = None,
) -> list[Path]:
    """Write a map of each of some districts of a finished run, from what the run kept.

    Parameters
    ----------
    settings : Settings or path-like
        Settings, a settings file, or the output folder or GeoPackage of a run beside whose store it lies.
    districts : sequence of str
        As the layer ``districts`` names them; empty for every one with a reach.
    folder : path-like, optional
        Where to write ``district-map-NAME.pdf`` for each; absent: the run's output folder. Files that are there
        already go to ``previous`` in it.
    store : path-like, optional
        Folder of the results that the run kept; absent: the one that the settings name.

    Returns
    -------
    list of Path

    Raises
    ------
    ConfigError, InputError
        Listing every problem; if a result is not kept, the run has no districts, a name is unknown, a file would
        replace an input, or the folder or the disk refuses. Then nothing is written.
    """
    from sitefinder.delivery.sheets import district_maps_of

    with finished_run(settings, store, "no map can be made of it") as (settings, _, results):
        into = output_folder(settings) if folder is None else Path(folder)
        maps = list(district_maps_of(settings, results, _fonts_of(settings), _logo_of(settings), districts))
        names = district_map_names([district for district, _ in maps])
        _validate_replacing_inputs(settings, into, names)
        files = {name: partial(_write_bytes, content=pdf) for name, (_, pdf) in zip(names, maps, strict=True)}
        return [Path(path) for path in deliver(into, files)]


def _write_bytes(draft: Path, content: bytes) -> None:
    draft.write_bytes(content)


@contextmanager
def finished_run(
    settings: Settings | StrPath, store: StrPath | None, so_that: str, apart_from: Collection[str] = ()
) -> Iterator[tuple[Settings, LazyInputs, Results]]:
    """A run that has ended, from what it kept; nothing is run.

    Parameters
    ----------
    settings, store
        See `explain`.
    so_that : str
        What cannot be done where results are not kept, for the message.
    apart_from : collection of str, optional
        Stages whose results are not asked for.

    Yields
    ------
    tuple of (Settings, LazyInputs, Results)

    Raises
    ------
    ConfigError, InputError
        Listing every problem.
    """
    settings = settings if isinstance(settings, Settings) else settings_of_run(Path(settings))
    folder = store_folder(settings) if store is None else Path(os.path.abspath(store))
    with remembering(memory_of(folder)):
        settings, inputs = _with_inputs(settings, None, folder)
        parts = parts_of(settings, inputs)
        given = {"settings": settings, "inputs": inputs, "progress": None, "scratch": None}
        recipes = recipes_of(STAGES, given, parts, software(), own_code())
        looked, stages = looked_into(folder), [stage for stage in STAGES if stage.name not in apart_from]
        missing = [stage.name for stage in stages if not all(looked.has(own.key) for own in recipes[stage.name])]
        if missing:
            raise InputError.of(
                f"not all results of this run are kept, so that {so_that}",
                folder=folder,
                expected="the results of a run of these settings, inputs and version",
                found=f"{len(missing)} of {len(STAGES)} stages would run: {listed(missing)}",
                fix="run it first, with the same --within and --set, and without --no-store",
            )
        with open_store(folder, containers) as kept:
            yield settings, inputs, run_stages(stages, given, parts=parts, store=kept, recipes=recipes)


def settings_of_run(run: Path) -> Settings:
    """Settings of a settings file, or of the run that delivered a folder or GeoPackage beside whose store it lies.

    Raises
    ------
    ConfigError, InputError
        Also if no record says which settings a delivery was made with.
    """
    if run.suffix.lower() != ".gpkg" and not run.is_dir():
        return _settings_of(run)
    package = run if run.suffix.lower() == ".gpkg" else run / GEOPACKAGE
    stores = [package.parent / STORE]
    if package.parent.name.endswith(TRIAL_FOLDER):
        stores.append(package.parent.with_name(package.parent.name.removesuffix(TRIAL_FOLDER)) / STORE)
    digest = content_digest(package) if package.is_file() else None
    for folder in stores:
        for record in records_of(folder) if digest is not None else ():
            if (record.get("delivered") or {}).get("digest") == digest:
                changes = [value for option, value in record.get("overrides", ()) if option == SET]
                within = next((value for option, value in record.get("overrides", ()) if option == WITHIN), None)
                found: Settings = read_settings(folder / record["config"], changes, within)
                return found
    raise InputError.of(
        "the settings of this run are not known",
        folder=run,
        expected=f"a delivered {GEOPACKAGE} as its run left it, with the stored results of that run beside it",
        found="no such file" if digest is None else "no record of the run that wrote it",
        fix="give the settings file of the run, with the same --within and --set",
    )


# A run's tables as those of a delivery are read, or the path as it is.
def _delivery_of(given: Any) -> Any:
    if not isinstance(given, Inventory):
        return given
    from sitefinder.io.deliveries import delivery_in_memory

    return delivery_in_memory(given.tables, given.title, given.files[0] if given.files else None)


# Settings as they are, or read from a file.
def _settings_of(settings: Settings | StrPath) -> Settings:
    return settings if isinstance(settings, Settings) else read_settings(Path(settings))


def output_folder(settings: Settings) -> Path:
    """Where the settings send the files of the delivery; those of a trial go into a folder beside it."""
    whole = _whole_output_folder(settings)
    return whole.with_name(f"{whole.name}{TRIAL_FOLDER}") if settings.is_trial else whole


def _whole_output_folder(settings: Settings) -> Path:
    return Path(os.path.normpath(os.path.join(settings.folder, settings.run.output_folder)))


def store_folder(settings: Settings) -> Path:
    """Where the settings keep results of stages: in a folder that they name, or in the output folder.

    A trial and the whole region share it: what the trial did is done for the whole.
    """
    named = settings.run.store_folder
    if named is None:
        return _whole_output_folder(settings) / STORE
    return Path(os.path.normpath(os.path.join(settings.folder, named)))


def memory_of(store: Path | None, recalls: bool = True) -> Memory:
    """What earlier runs remembered of files; nothing where there is no store."""
    return Memory(None if store is None else read_json(store / FILES), recalls)


def keep_memory(store: Store, memory: Memory) -> None:
    """Keep what is remembered of files for the next run, beside results, if there are any."""
    if not store.is_empty():
        try:
            write_json(store.folder / FILES, memory.kept)
        except OSError as error:
            store.notes.append(f"file digests could not be stored: {error.strerror or error}")


def parts_of(settings: Settings, inputs: LazyInputs) -> dict[str, Any]:
    """Settings and inputs as stages see them."""
    return {"settings": SettingsParts(settings), "inputs": InputsParts(inputs)}


def software_of_files() -> dict[str, str]:
    """Versions of what files are made with, by name; they show that of this program."""
    return {**software(), "sitefinder": __version__}


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


def planned(
    stages: Sequence[Stage],
    settings: Settings,
    inputs: LazyInputs,
    folder: Path,
    file_stages: Sequence[Stage] = (),
    given_to_files: Callable[[KeptResults], tuple[dict[str, Any], dict[str, Any]]] | None = None,
) -> Plan:
    """What a run would do again, and why.

    Parameters
    ----------
    stages : sequence of Stage
    settings, inputs
        As `read_run` gives them.
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
    account = last_record(folder, config_name(settings, folder))
    files = {stage.name: own_code().files_of(stage.functions) for stage in (*stages, *file_stages)}
    size_gb, count = size_of(folder)

    def code_change(stage: str) -> str:
        return change_of_code(files[stage], {} if account is None else account["code"])

    last = last_recipes(account)
    cut = {stage.name: stage.cut.argument for stage in stages if stage.cut is not None}
    planned = plan_of(recipes, last, store.has, code_change, cut)
    redone = {stage.stage for stage in planned if not stage.kept}
    given, parts = ({}, {}) if given_to_files is None else given_to_files(KeptResults(store, recipes))
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


def config_name(settings: Settings, folder: Path) -> str:
    """What settings are called in the records of runs: their file as the store lies to it, or their title."""
    if not settings.file:
        return settings.run.name
    try:
        return Path(os.path.relpath(settings.file, folder)).as_posix()
    except ValueError:  # on another drive
        return settings.file


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
            _validate_replacing_inputs(settings, output, self.names)
        self.fonts = _fonts_of(settings)
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
            results = {name: made[name] for name in _FOR_FILES}
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
                    files = _put_in_place(self.settings, self.output, self.names, texts, digests)
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
        given, parts = _given_to_files(self.settings, results, self.fonts, store.scratch)
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
    patience_s: float,
    folder: Path | None,
) -> AbstractContextManager[Executor]:
    workers = settings.run.workers or 1
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
        patience_s=patience_s,
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


# The settings with what inputs add to them, and the inputs; the folders of files and results are judged with them.
def _with_inputs(settings: Settings, output: Path | None, store: Path | None) -> tuple[Settings, LazyInputs]:
    _fonts_of(settings)
    _logo_of(settings)
    problems: list[SitefinderError] = []
    problems += [] if output is None else problems_of_output(output, wanted_files(settings.delivery))
    if store is not None:
        is_in_output = output is not None and Path(os.path.abspath(store)).is_relative_to(os.path.abspath(output))
        problems += problems_of_store(store, is_tried=not is_in_output)
    try:
        inputs = read_inputs(settings, Path(settings.folder), output)
    except SitefinderError as error:
        if not problems:
            raise
        problems = [error, *problems]
    if len(problems) == 1:
        raise problems[0]
    if problems:
        texts = [text for problem in problems for text in problem.problems]
        raise all_of(InputError, "settings and inputs", texts, named=False)
    folder, memory_mb = store or output or Path(tempfile.gettempdir()), _memory_mb(settings)
    settings = with_workers(settings, inputs.counts, memory_mb, usable_cores)
    lacking = problems_of_demand(settings, inputs.counts, memory_mb, free_disk_mb(folder), folder)
    if len(lacking) == 1:
        raise lacking[0]
    if lacking:
        texts = [text for problem in lacking for text in problem.problems]
        raise all_of(InputError, "settings and inputs", texts, named=False)
    return with_year_to_year(settings, inputs), inputs


# Settings with another limit of memory, where one is stated.
def _with_memory(settings: Settings, memory_gb: float | None) -> Settings:
    if memory_gb is None:
        return settings
    return settings.model_copy(update={"run": settings.run.model_copy(update={"memory_limit_gb": memory_gb})})


# Memory that a run may take [MB]: what the settings allow, else what there is.
def _memory_mb(settings: Settings) -> float:
    limit_gb = settings.run.memory_limit_gb
    return available_memory_mb() if limit_gb is None else limit_gb * 1e3


# The font files that the settings name, after a check. Most runs name none, and load no drawing code for it.
def _fonts_of(settings: Settings) -> tuple[Path, ...]:
    if not settings.delivery.font_files:
        return ()
    from sitefinder.report.sheets.font_files import checked_fonts

    folder = Path(settings.folder)
    for file in settings.delivery.font_files:
        validate_file(folder / file, "font", file)
    with unchanged(*(folder / file for file in settings.delivery.font_files)):
        return tuple(checked_fonts(settings.delivery.font_files, folder))


# The logo that the settings name, after a check; none or one.
def _logo_of(settings: Settings) -> tuple[Path, ...]:
    if settings.delivery.logo is None:
        return ()
    from sitefinder.report.sheets.logo import checked_logo

    return (checked_logo(settings.delivery.logo, Path(settings.folder)),)


def make_files(
    settings: Settings,
    output: Path,
    results: Mapping[str, Any],
    fonts: Sequence[Path],
    scratch: Path,
    *,
    started: Callable[[str, int, int], None] | None = None,
) -> tuple[list[Path], Mapping[str, Any]]:
    """Make all files that the settings ask for and put them in place of the last delivery, without a store.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    output : Path
        Folder of the delivery.
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
    texts : Mapping
        Results of the stages of files.

    Raises
    ------
    InputError
        If a file would replace an input, or the folder or the disk refuses.
    """
    names = wanted_files(settings.delivery)
    _validate_replacing_inputs(settings, output, names)
    given, parts = _given_to_files(settings, results, fonts, scratch)
    texts = run_stages(stages_of_files(names), given, started=started, parts=parts)
    return _put_in_place(settings, output, names, texts, {}), texts


# What stages of files are given, and that of it which each sees in parts.
def _given_to_files(
    settings: Settings, results: Any, fonts: Sequence[Path], scratch: Path | None
) -> tuple[dict[str, Any], dict[str, Any]]:
    logo = _logo_of(settings)
    parts = {
        "settings": SettingsParts(settings),
        "made": MadeParts(results, STAGES),
        "fonts": FileParts("font", fonts),
        "logo": FileParts("logo", logo),
    }
    return {"settings": settings, "made": results, "fonts": fonts, "logo": logo, "scratch": scratch}, parts


# Put the files into the output folder, those that are not there already.
def _put_in_place(
    settings: Settings, output: Path, names: list[str], texts: Mapping[str, Any], digests: dict[str, str]
) -> list[Path]:
    writers = {name: partial(_copy, texts, FILE_STAGES[name].name) for name in names}
    # Files of a run state what was read; later, an inventory may be written whatever became of its inputs.
    if (bound := bound_now()) is not None:
        bound.validate()
    inputs = _inputs_in(settings, output)
    known = [name for name in KNOWN if name not in inputs]
    return list(deliver(output, writers, known, digests, is_own=True))


# A copy and no link: who changes a file in place, such as a GeoPackage with a new style, must not change the one
# that is kept.
def _copy(texts: Mapping[str, Any], stage: str, path: Path) -> None:
    shutil.copyfile(texts[stage], path)


def _validate_replacing_inputs(settings: Settings, output: Path, names: Sequence[str]) -> None:
    inputs = _inputs_in(settings, output)
    for name in names:
        if name in inputs:
            raise InputError.of(
                "the delivery would replace an input",
                file=output / name,
                input=inputs[name],
                fix="deliver into another folder (run.output_folder), or move the input to another one",
            )


# Files of a folder that the settings name: name of the file to key of the setting. Any text that leads there
# counts, so that no input is forgotten.
def _inputs_in(settings: Settings, folder: Path) -> dict[str, str]:
    output = os.path.realpath(folder)
    found: dict[str, str] = {}
    for key, value in _texts(settings.model_dump(exclude={"run": True}), ""):
        place, file = os.path.split(os.path.realpath(os.path.join(settings.folder, value)))
        if place == output:
            found.setdefault(file, key)
    return found


def _texts(value: object, key: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, str):
        if "\0" not in value:  # which no path holds
            yield key, value
    elif isinstance(value, dict):
        for name, item in value.items():
            yield from _texts(item, f"{key}.{name}" if key else str(name))
    elif isinstance(value, list | tuple):
        for item in value:
            yield from _texts(item, key)
