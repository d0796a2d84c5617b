"""Data files of turbines, costs, equations, DEM errors and environmental-flow presets, read from TOML."""

import difflib
from pathlib import Path
from typing import NamedTuple

import pandas as pd
from pydantic import ValidationError

from sitefinder.catalogue.costs import CostFile
from sitefinder.catalogue.screens import ScreenFile
from sitefinder.catalogue.turbines import TurbineFile, family
from sitefinder.errors import ConfigError, all_of, listed
from sitefinder.hydrology.regime import regime_of_means
from sitefinder.io.credits import licence_with_credit
from sitefinder.io.digests import content_digest
from sitefinder.io.opening import validate_place
from sitefinder.io.settings_files import read_toml
from sitefinder.io.toml_text import toml_value
from sitefinder.profile.errors import DemErrorFile, stated_error
from sitefinder.settings import EXTENDS, EnvironmentalFlowPreset, RegimeFile, checked


def data_file_lineage(settings, folder):
    """Lineage of each data file that the settings name, so that provenance shows when it changed.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    folder : Path
        Folder that relative paths start from. The files have been read already.

    Returns
    -------
    list of dict
        As of a layer; see `sitefinder.io.vector.LayerRead`. Several files of a kind are numbered in the order of
        the settings. The digest of gauges with daily records is that of all their files.
    """
    presets = dict.fromkeys(rule.preset for rule in settings.flows.environmental if rule.preset is not None)
    kinds = {
        "turbine file": settings.energy.turbines,
        "screen file": settings.fish.screens,
        "cost file": [settings.costs.file],
        "equation file": settings.flows.equations,
        "environmental flow preset": list(presets),
    }
    lineage = []
    for kind, paths in kinds.items():
        for number, path in enumerate(paths, 1):
            name = kind if kind == "cost file" else f"{kind} {number}"
            more = files_of_costs(folder / path)[1:] if kind == "cost file" else []
            lineage.append(_row(name, path, content_digest(folder / path, more)))
    regime, change = settings.flows.regime, settings.flows.change
    if regime is not None and regime.preset is not None:
        lineage.append(_row("regime", regime.preset, content_digest(folder / regime.preset)))
    if change is not None:
        lineage.append(
            _row("flow change", change.path, content_digest(folder / change.path))
            | {"source": change.source, "operation": change.label}
        )
    table = settings.flows.gauges
    if table is not None:
        digest = content_digest(folder / table.path, daily_files(table, folder))
        licence = licence_with_credit(table.licence, table.attribution) if table.licence else ""
        stated = {"source": table.source, "licence": licence}
        lineage.append(_row("gauges", table.path, digest) | stated)
    return lineage


def daily_files(table, folder):
    """Files of daily flows that a gauge table names.

    Parameters
    ----------
    table : sitefinder.settings.GaugeTable
    folder : Path
        Folder that relative paths start from.

    Returns
    -------
    list of Path
        Each once.
    """
    if table.daily is None:
        return []
    path = Path(folder / table.path)
    named = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")[table.daily.file_column]
    return [path.parent / name for name in sorted({name for name in named if name})]


def _row(name, path, digest):
    empty = dict.fromkeys(("layer", "source", "date", "licence", "crs", "operation"), "")
    return {**empty, "name": name, "path": path, "digest": digest}


def read_dem_error(source, folder):
    """The error that the settings state of their DEM, with the preset that they name.

    Parameters
    ----------
    source : sitefinder.settings.DemSource
    folder : Path
        Folder that the preset's path starts from.

    Returns
    -------
    error : sitefinder.profile.errors.DemError
    lineage : dict or None
        Where the preset came from, as of a layer; None without one.

    Raises
    ------
    ConfigError
        If the preset is missing, is not TOML, or is incomplete: a preset without error or source does not load.
    """
    if source.error_preset is None:
        return stated_error(source), None
    path = folder / source.error_preset
    preset = checked(DemErrorFile, read_toml(path, "DEM error"), str(path))
    lineage = {
        "name": "dem error preset",
        "path": source.error_preset,
        "layer": "",
        "digest": content_digest(path),
        "source": preset.sources.error,
        "date": "",
        "licence": "",
        "crs": "",
        "operation": preset.name,
    }
    return stated_error(source, preset), lineage


def write_equations(path, equations, remark):
    """Write equations so that reading them again gives the same numbers.

    Parameters
    ----------
    path : path-like
    equations : list of sitefinder.hydrology.equations.Equation
    remark : str
        Written at the top of the file, for those who open it.

    Notes
    -----
    Only what differs from an equation's defaults is written. Numbers have as many digits as it takes to read the
    same number again.
    """
    parts = [f"remark = {toml_value(remark)}"]
    for equation in equations:
        parts.append(_table(equation))
    Path(path).write_text("\n\n".join(parts) + "\n", encoding="utf-8")


def _table(equation):
    fields = equation.model_dump(exclude_defaults=True)
    lines = ["[[equations]]"]
    lines += [
        f"{key} = {toml_value(value)}"
        for key, value in fields.items()
        if key not in ("predictors", "terms", "covariance")
    ]
    if "covariance" in fields:
        lines += ["covariance = [", *(f"    {toml_value(row)}," for row in fields["covariance"]), "]"]
    for name in ("predictors", "terms"):
        for item in fields.get(name, ()):
            lines += [
                "",
                f"[[equations.{name}]]",
                *(f"{key} = {toml_value(value)}" for key, value in item.items()),
            ]
    return "\n".join(lines)


class TurbinesRead(NamedTuple):
    """Turbine classes that use a head, and hydrokinetic rotors; each size is a class of its own."""

    turbines: list
    rotors: list


def read_turbine_files(paths):
    """Turbine classes and hydrokinetic rotors from files.

    Parameters
    ----------
    paths : list of path-like
        TOML files with ``[[turbines]]`` and ``[[rotors]]`` tables; see config/turbines/generic.toml.

    Returns
    -------
    TurbinesRead
        In the order of the files, of the tables in them, and of the sizes that a table states.

    Raises
    ------
    ConfigError
        With the problems of all files at once: a missing file, a file that is not TOML, an
        inconsistent class, a repeated name, no class at all that uses a head.
    """
    turbines, rotors, defined_in, problems = [], [], {}, []
    for path in paths:
        try:
            read = checked(TurbineFile, read_toml(path, "turbine"), str(path))
        except ConfigError as error:
            problems.append(str(error))
            continue
        for kind, into in ((read.turbines, turbines), (read.rotors, rotors)):
            for turbine in (size for stated in kind for size in _sizes(stated, path, problems)):
                if turbine.name in defined_in:
                    where = (
                        "defined twice"
                        if defined_in[turbine.name] == path
                        else f"already in {defined_in[turbine.name]}"
                    )
                    problems.append(f"{path}: the turbine class {turbine.name!r} is {where}; give it another name")
                defined_in.setdefault(turbine.name, path)
                into.append(turbine)
    if not turbines and not problems:
        names = ", ".join(map(str, paths))
        problems.append(
            f"{names}: no turbine class that uses a head; add a [[turbines]] table to one of the files"
        )
    if problems:
        raise all_of(ConfigError, "turbine files", problems)
    return TurbinesRead(turbines, rotors)


# The sizes of a class; an inconsistent one is a problem.
def _sizes(stated, path, problems):
    try:
        return family(stated)
    except ValidationError as error:
        first = error.errors()[0]["msg"]
        problems.append(f"{path}: a size of {stated.name!r} is inconsistent: {first}; correct its sizes")
        return [stated]


def read_screen(paths, name=None):
    """The screen that plants may get.

    Parameters
    ----------
    paths : list of path-like
        TOML files with ``[[screens]]`` tables; see config/screens/generic.toml.
    name : str, optional
        Which of them; by default the first.

    Returns
    -------
    sitefinder.catalogue.screens.Screen or None
        None without files.

    Raises
    ------
    ConfigError
        With the problems of all files at once: a missing file, a file that is not TOML, an inconsistent screen, a
        repeated name, no screen of the name.
    """
    screens, problems = {}, []
    for path in paths:
        try:
            read = checked(ScreenFile, read_toml(path, "screen"), str(path))
        except ConfigError as error:
            problems.append(str(error))
            continue
        for screen in read.screens:
            if screen.name in screens:
                problems.append(f"{path}: the screen {screen.name!r} is defined twice; give it another name")
            screens.setdefault(screen.name, screen)
    if problems:
        raise all_of(ConfigError, "screen files", problems)
    if not screens:
        return None
    if name is None:
        return next(iter(screens.values()))
    if name not in screens:
        near = difflib.get_close_matches(name, screens, n=1)
        raise ConfigError.of(
            "fish.screen names no screen of fish.screens",
            file=paths[0],
            expected=f"one of: {listed(screens, 20)}",
            found=name,
            fix=f"did you mean {near[0]}?" if near else "choose one of these",
        )
    return screens[name]


def read_costs(path):
    """A cost file.

    Parameters
    ----------
    path : path-like
        TOML; see config/costs/generic.toml. With ``extends`` at its top, a cost file beside it, tables that it
        does not hold are taken from that one.

    Returns
    -------
    CostFile

    Raises
    ------
    ConfigError
        Naming every problem of the file at once.
    """
    tables = {}
    for each in reversed(files_of_costs(path)):
        tables |= {name: table for name, table in read_toml(each, "cost").items() if name != EXTENDS}
    if isinstance(tables.get("screen"), dict) and "design" in tables["screen"]:
        raise ConfigError.of(
            "screen.design is not part of a cost file",
            file=path,
            expected="prices of the screen alone: per_m2 and bypass_fixed",
            found="design",
            fix="describe the screen in a file that fish.screens lists, and take design out",
        )
    return checked(CostFile, tables, str(path))


def files_of_costs(path):
    """A cost file, and those that it extends in their order.

    Parameters
    ----------
    path : path-like

    Returns
    -------
    list of Path

    Raises
    ------
    ConfigError
        If one is missing or is not TOML, if ``extends`` is no text, or if files extend each other in a circle.
    InputError
        If one lies outside the folders of the run.
    """
    files = [Path(path)]
    while (base := read_toml(files[-1], "cost").get(EXTENDS)) is not None:
        if not (isinstance(base, str) and base):
            raise ConfigError.of(
                f"{EXTENDS} names no file",
                file=files[-1],
                expected="a cost file, relative to this one, as text",
                found=repr(base),
                fix="name the file whose tables are used where this one has none",
            )
        base = files[-1].parent / base
        validate_place(base, files[-1])
        if any(base.resolve() == file.resolve() for file in files):
            raise ConfigError.of(
                "cost files extend each other in a circle",
                file=files[0],
                found=" extends ".join(str(file) for file in (*files, base)),
                fix=f"take {EXTENDS} out of one of them",
            )
        files.append(base)
    return files


def read_environmental_flow(environmental, folder):
    """Environmental-flow rules of the settings, with presets replaced by the rules that they hold.

    Parameters
    ----------
    environmental : list of EnvironmentalFlowSetting
    folder : Path
        Folder that relative paths start from.

    Returns
    -------
    list of EnvironmentalFlowRule
        Rules of a preset carry its source.

    Raises
    ------
    ConfigError
        With the problems of all files at once: a missing file, a file that is not TOML, a preset without source
        or remark, a choice that is missing or unknown.
    """
    rules, problems = [], []
    for setting in environmental:
        if setting.preset is None:
            rules.append(setting)
            continue
        path = folder / setting.preset
        try:
            preset = checked(EnvironmentalFlowPreset, read_toml(path, "environmental flow"), str(path))
            chosen = _chosen(preset, setting, path)
        except ConfigError as error:
            problems.append(error)
            continue
        source = f"{preset.name}, {chosen.name}: {preset.source}"
        rules += [rule.model_copy(update={"source": source}) for rule in chosen.rules]
    if len(problems) == 1:
        raise problems[0]
    if problems:
        raise all_of(ConfigError, "environmental flow files", [str(problem) for problem in problems])
    return rules


def read_regime(regime, folder):
    """The regional regime that the settings state, or that their file holds.

    Parameters
    ----------
    regime : RegimeSettings
    folder : Path
        Folder that the preset's path starts from.

    Returns
    -------
    Regime

    Raises
    ------
    ConfigError
        If the file is missing, is not TOML, or has no source or not twelve factors.
    """
    if regime.preset is None:
        return regime_of_means(regime.factors, f"regional regime ({regime.source})")
    path = folder / regime.preset
    stated = checked(RegimeFile, read_toml(path, "regime"), str(path))
    return regime_of_means(stated.factors, f"regional regime ({stated.name}: {stated.source})")


# Where a preset offers more than one choice, the user decides.
def _chosen(preset, setting, path):
    names = [choice.name for choice in preset.choices]
    if setting.choice is None and len(names) == 1:
        return preset.choices[0]
    if setting.choice in names:
        return preset.choices[names.index(setting.choice)]
    near = difflib.get_close_matches(setting.choice or "", names, n=1)
    raise ConfigError.of(
        "flows.environmental does not say which of the preset's rules to take",
        file=path,
        expected=f"choice = one of: {listed(names, 20)}",
        found="no choice" if setting.choice is None else f'choice = "{setting.choice}"',
        fix=f"did you mean {near[0]}?" if near else "choose; local law decides",
    )
