"""Settings and inputs of a run, read and judged before anything is run, and the folders that the run uses."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import Any

from sitefinder.delivery.file_names import wanted_files
from sitefinder.delivery.ownership import problems_of_output
from sitefinder.errors import InputError, SitefinderError, all_of
from sitefinder.io.bound_files import unchanged
from sitefinder.io.computer import available_memory_mb, free_disk_mb, usable_cores
from sitefinder.io.digests import Memory
from sitefinder.io.opening import validate_file
from sitefinder.io.settings_files import read_settings
from sitefinder.pipeline.store import Store, problems_of_store, read_json, write_json
from sitefinder.settings import Settings
from sitefinder.steps.demand import problems_of_demand, with_workers
from sitefinder.steps.inputs import LazyInputs, read_inputs, with_year_to_year
from sitefinder.steps.scope import InputsParts, SettingsParts

StrPath = str | os.PathLike[str]
STORE = ".sitefinder-store"
# What the folder of a trial's delivery is called after that of the whole region.
TRIAL_FOLDER = "-trial"
FILES = "files.json"


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


def read_run(settings: Settings | StrPath, memory_gb: float | None = None) -> tuple[Settings, LazyInputs]:
    """Settings and inputs of a run, read and judged.

    Parameters
    ----------
    settings : Settings or path-like
        Settings, or a settings file.
    memory_gb : float, optional
        See `sitefinder.running.run`.

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
    settings = with_memory(settings_of(settings), memory_gb)
    return with_inputs(settings, output_folder(settings), store_folder(settings))


def settings_of(settings: Settings | StrPath) -> Settings:
    """Settings as they are, or read from a file."""
    return settings if isinstance(settings, Settings) else read_settings(Path(settings))


def with_inputs(settings: Settings, output: Path | None, store: Path | None) -> tuple[Settings, LazyInputs]:
    """Settings with what inputs add to them, and the inputs; the folders of files and results are judged too.

    Parameters
    ----------
    settings : Settings
    output, store : Path or None
        Folders of the delivery and of kept results, where there are any.

    Returns
    -------
    tuple of (Settings, LazyInputs)

    Raises
    ------
    ConfigError, InputError
        Listing every problem.
    """
    fonts_of(settings)
    logo_of(settings)
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
    folder, limit_mb = store or output or Path(tempfile.gettempdir()), memory_mb(settings)
    settings = with_workers(settings, inputs.counts, limit_mb, usable_cores)
    lacking = problems_of_demand(settings, inputs.counts, limit_mb, free_disk_mb(folder), folder)
    if len(lacking) == 1:
        raise lacking[0]
    if lacking:
        texts = [text for problem in lacking for text in problem.problems]
        raise all_of(InputError, "settings and inputs", texts, named=False)
    return with_year_to_year(settings, inputs), inputs


def with_memory(settings: Settings, memory_gb: float | None) -> Settings:
    """Settings with another limit of memory [GB], where one is stated."""
    if memory_gb is None:
        return settings
    return settings.model_copy(update={"run": settings.run.model_copy(update={"memory_limit_gb": memory_gb})})


def memory_mb(settings: Settings) -> float:
    """Memory that a run may take [MB]: what the settings allow, else what there is."""
    limit_gb = settings.run.memory_limit_gb
    return available_memory_mb() if limit_gb is None else limit_gb * 1e3


def fonts_of(settings: Settings) -> tuple[Path, ...]:
    """The font files that the settings name, after a check; most runs name none, and load no drawing code."""
    if not settings.delivery.font_files:
        return ()
    from sitefinder.report.sheets.font_files import checked_fonts

    folder = Path(settings.folder)
    for file in settings.delivery.font_files:
        validate_file(folder / file, "font", file)
    with unchanged(*(folder / file for file in settings.delivery.font_files)):
        return tuple(checked_fonts(settings.delivery.font_files, folder))


def logo_of(settings: Settings) -> tuple[Path, ...]:
    """The logo that the settings name, after a check; none or one."""
    if settings.delivery.logo is None:
        return ()
    from sitefinder.report.sheets.logo import checked_logo

    return (checked_logo(settings.delivery.logo, Path(settings.folder)),)


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


def config_name(settings: Settings, folder: Path) -> str:
    """What settings are called in the records of runs: their file as the store lies to it, or their title."""
    if not settings.file:
        return settings.run.name
    try:
        return Path(os.path.relpath(settings.file, folder)).as_posix()
    except ValueError:  # on another drive
        return settings.file
