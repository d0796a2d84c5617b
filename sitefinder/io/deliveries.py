"""Delivered GeoPackages, read back and checked."""

import os
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pyogrio

from sitefinder.errors import InputError, SitefinderError, all_of, described, listed
from sitefinder.io.opening import is_database, validate_file
from sitefinder.io.output_folder import JOURNAL, OWN_FOLDER, PREVIOUS
from sitefinder.schema import LAYERS
from sitefinder.settings import renamed

# The file that a run delivers, where a folder is given.
DELIVERED = "sites.gpkg"


class Delivery(NamedTuple):
    """A delivery: its path (or `IN_MEMORY`), its layers by name, and the inventory's title."""

    path: Path | str
    tables: dict
    title: str


# In place of the path of a delivery that lies in no file.
IN_MEMORY = "(in memory)"


def delivery_in_memory(tables, title, path=None):
    """A delivery whose tables were not read from a file.

    Parameters
    ----------
    tables : Mapping of str to DataFrame or GeoDataFrame
        By layer, as `sitefinder.schema` declares them.
    title : str
    path : Path, optional
        Where they were written too.

    Returns
    -------
    Delivery
        With text as `read_delivery` gives it.
    """
    plain = {name: _plain_text(table.copy(), name) for name, table in tables.items()}
    return Delivery(IN_MEMORY if path is None else path, plain, title)


def read_pair(old, new, needed, optional=()):
    """Two deliveries that can be compared.

    Parameters
    ----------
    old, new : path-like or Delivery
        GeoPackages, or folders with ``sites.gpkg`` in them; where `old` is None, the one in ``previous`` next
        to the new one.
    needed : dict of str to str
        Layers to read, each with the columns that it must have, separated by blanks.
    optional : collection of str
        Layers to read too where they are there.

    Returns
    -------
    tuple of Delivery
        The old one and the new one, in the same coordinate system.

    Raises
    ------
    InputError
        Listing what is wrong with either.
    """
    new = _found(new)
    old = _replaced_by(new) if old is None else _found(old)
    read, problems = [], []
    for given in (old, new):
        try:
            read.append(given if isinstance(given, Delivery) else read_delivery(given, needed, optional))
        except SitefinderError as error:
            problems.append(error)
    if problems:
        raise (
            problems[0] if len(problems) == 1 else all_of(InputError, "deliveries", [str(one) for one in problems])
        )
    systems = [delivery.tables["reaches"].crs for delivery in read]
    if systems[0] != systems[1]:
        raise InputError.of(
            "the two deliveries are in different coordinate systems",
            expected=f"{systems[0].to_string()}, as {read[0].path}",
            found=f"{systems[1].to_string()}, in {read[1].path}",
            fix="run both with the same run.crs; lengths and places differ otherwise",
        )
    return tuple(read)


# What the new delivery has replaced.
def _replaced_by(new):
    path = new.path if isinstance(new, Delivery) else new
    old = None if path == IN_MEMORY else path.parent / PREVIOUS / path.name
    if old is not None and (path.parent / OWN_FOLDER / JOURNAL).exists():
        raise InputError.of(
            "a delivery into this folder was interrupted",
            folder=path.parent,
            expected="a delivery, and whole in previous the one that it replaced",
            found="files of two deliveries",
            fix="run again: that completes it",
        )
    if old is None or not old.is_file():
        raise InputError.of(
            "there is no earlier delivery to compare with",
            expected="two deliveries" if old is None else f"the previous delivery, {old}",
            found="one, in memory" if old is None else "no such file",
            fix="name two deliveries: sitefinder compare OLD NEW",
        )
    return old


# The delivery or file itself, or the file in a folder.
def _found(given):
    if isinstance(given, Delivery):
        return given
    path = Path(given)
    if not path.is_dir():
        return path
    if not (path / DELIVERED).is_file():
        raise InputError.of(
            "there is no delivery in this folder",
            folder=path,
            expected=f"a file {DELIVERED}, as a run leaves it in run.output_folder",
            found=listed(sorted(os.listdir(path))) or "nothing",
            fix="name the output folder of a run, or its GeoPackage",
        )
    return path / DELIVERED


def read_delivery(path, needed, optional=()):
    """Layers of a delivered GeoPackage.

    Parameters
    ----------
    path : path-like
    needed : dict of str to str
    optional : collection of str
        See `read_pair`.

    Returns
    -------
    Delivery
        Text that is NULL in the file reads as empty.

    Raises
    ------
    InputError
        If the file cannot be read, is not a delivery, or lacks a layer, a column, or the stretch of a site.
    """
    path = Path(path)
    validate_file(path, "delivery")
    try:
        if path.is_file() and not is_database(path):
            raise OSError(f"'{path}' is no GeoPackage")
        present = pyogrio.list_layers(path)[:, 0].tolist()
    except (pyogrio.errors.DataSourceError, OSError) as error:
        raise InputError.of(
            "the delivery cannot be read",
            file=path,
            expected="a GeoPackage that sitefinder delivered",
            found="no such file" if not path.exists() else str(error).splitlines()[0],
            fix="check the path",
        ) from None
    missing = [name for name in needed if name not in present]
    if earlier := [name for name in present if name in renamed.LAYERS]:
        raise _of_earlier_version(path, [f"layer {listed(earlier)}"])
    if missing:
        ours = "reaches" in present and "provenance" in present
        raise InputError.of(
            "the delivery lacks layers" if ours else "this is not a delivery of sitefinder",
            file=path,
            expected=f"the layers {', '.join(needed)}",
            found=f"the layers {listed(present, shown=20)}" if present else "no layer",
            fix="run it again with this version of sitefinder" if ours else "name the GeoPackage of a run",
        )
    layers = [*needed, *(name for name in optional if name in present)]
    tables = {name: _plain_text(pyogrio.read_dataframe(path, layer=name), name) for name in layers}
    old = {name: [column for column in tables[name] if column in renamed.COLUMNS] for name in needed}
    if earlier := [f"{name}.{column}" for name, columns in old.items() for column in columns]:
        raise _of_earlier_version(path, earlier)
    problems = [problem for name in needed for problem in _column_problems(tables[name], name, needed[name])]
    if problems:
        problems.append(
            described(
                "an older version of sitefinder wrote it", fix="run it again with this version of sitefinder"
            )
        )
        raise all_of(InputError, str(path), problems)
    drawn = set(tables["stretches"]["site_id"]) if {"sites", "stretches"} <= set(needed) else set()
    bare = [site for site in tables["sites"]["site_id"] if site not in drawn] if "sites" in needed else []
    if bare:
        raise InputError.of(
            "the delivery is incomplete",
            file=path,
            expected="a stretch for every site",
            found=f"none for {listed(bare)}",
            fix="restore the file as it was delivered, or run it again",
        )
    return Delivery(path, tables, _title(tables))


# A delivery whose layers and columns have names that were given up.
def _of_earlier_version(path, found):
    return InputError.of(
        "the delivery was made by an earlier version of sitefinder, whose layers and columns had other names",
        file=path,
        expected="names of today, such as sites.turbine and sites.lcoe_per_kwh",
        found=listed(found),
        fix="run its settings again with this version: sitefinder run CONFIG.toml",
    )


# Text and booleans as in the schema: NULL text in the file reads as empty.
def _plain_text(table, name):
    for column in LAYERS[name].columns:
        if column.dtype == "text" and column.name in table:
            values = table[column.name].astype(object)
            table[column.name] = values.where(values.notna(), "")
        if column.dtype == "boolean" and column.name in table:
            table[column.name] = table[column.name].to_numpy(dtype=np.bool_)
    return table


def _column_problems(table, name, needed):
    missing = [column for column in needed.split() if column not in table.columns]
    if LAYERS[name].geometry and "geometry" not in table.columns:
        missing.append("geometry")
    if not missing:
        return []
    return [
        described(f"layer {name} lacks columns", expected=needed.replace(" ", ", "), missing=", ".join(missing))
    ]


def _title(tables):
    if "provenance" not in tables:
        return ""
    named = tables["provenance"].query("kind == 'setting' and name == 'run.name'")["value"]
    return str(named.iloc[0]) if len(named) else ""
