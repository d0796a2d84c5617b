"""What is made of runs that have ended, from what they kept or delivered; no stage is run.

An explanation of a place, field sheets of more sites, maps of districts, and what changed between two runs.
"""

from __future__ import annotations

import json
import os
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, cast

from sitefinder.delivery.atomic import deliver
from sitefinder.delivery.file_names import GEOPACKAGE, district_map_names
from sitefinder.delivery.graph import KNOWN, STAGES
from sitefinder.errors import InputError, listed
from sitefinder.inventory import Inventory, validate_replacing_inputs
from sitefinder.io import containers
from sitefinder.io.digests import content_digest, remembering
from sitefinder.io.settings_files import SET, WITHIN, read_settings
from sitefinder.io.software import software
from sitefinder.pipeline.code import own_code
from sitefinder.pipeline.graph import Results, run_stages
from sitefinder.pipeline.keys import recipes_of
from sitefinder.pipeline.run_log import records_of
from sitefinder.pipeline.store import looked_into, open_store
from sitefinder.preparation import (
    STORE,
    TRIAL_FOLDER,
    StrPath,
    fonts_of,
    logo_of,
    memory_of,
    output_folder,
    parts_of,
    settings_of,
    store_folder,
    with_inputs,
)
from sitefinder.settings import Settings
from sitefinder.steps.inputs import LazyInputs

if TYPE_CHECKING:
    import geopandas
    import pandas as pd

    from sitefinder.comparison.changes import Changes
    from sitefinder.delivery.comparison import Compared
    from sitefinder.steps.inputs import RunInputs

# Field sheets that are asked for when a run has ended.
SHEETS = "sheets.pdf"


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
        settings, inputs = with_inputs(settings, None, folder)
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
        return settings_of(run)
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
    validate_replacing_inputs(settings, path.parent, [path.name])
    _validate_not_of_run(settings, path, "the page", "leave out --page")
    return path


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
        validate_replacing_inputs(settings, path.parent, [path.name])
        _validate_not_of_run(settings, path, "the sheets", f"leave --output out for {SHEETS}")
        printed = sheets_of(settings, results, fonts_of(settings), site_ids)
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
        maps = list(district_maps_of(settings, results, fonts_of(settings), logo_of(settings), districts))
        names = district_map_names([district for district, _ in maps])
        validate_replacing_inputs(settings, into, names)
        files = {name: partial(_write_bytes, content=pdf) for name, (_, pdf) in zip(names, maps, strict=True)}
        return [Path(path) for path in deliver(into, files)]


def _validate_not_of_run(settings: Settings, path: Path, what: str, otherwise: str) -> None:
    if path.name in KNOWN and os.path.realpath(path.parent) == os.path.realpath(output_folder(settings)):
        raise InputError.of(
            f"{what} would replace a file of the run",
            file=path,
            expected="a name that no file of a delivery has",
            fix=f"choose another name, or {otherwise}",
        )


def _write_bytes(draft: Path, content: bytes) -> None:
    draft.write_bytes(content)


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


def compare(
    old: Inventory | StrPath | None,
    new: Inventory | StrPath,
    *,
    csv: StrPath | None = None,
    output: StrPath | None = None,
    page: StrPath | None = None,
    sheet: StrPath | None = None,
    language: str | None = None,
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
    sheet : path-like, optional
        The same on one printed page (PDF) to write.
    language : str, optional
        Language of page and sheet, such as ``"de"``; absent: English.
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
    from sitefinder.report.languages import ENGLISH

    compared = compare_deliveries(
        _delivery_of(old),
        _delivery_of(new),
        csv=csv,
        output=output,
        page=page,
        sheet=sheet,
        language=ENGLISH if language is None else language,
        near_m=NEAR_M if near_m is None else near_m,
        min_change_percent=min_change_percent,
    )
    return Comparison(compared)


# A run's tables as those of a delivery are read, or the path as it is.
def _delivery_of(given: Any) -> Any:
    if not isinstance(given, Inventory):
        return given
    from sitefinder.io.deliveries import delivery_in_memory

    return delivery_in_memory(given.tables, given.title, given.files[0] if given.files else None)
