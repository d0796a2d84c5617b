"""The public form of a run: settings and inputs from which nobody can work out what may not be published.

Layers that are generalised or hidden are replaced by the cells in which their features lie, or left out. What is
then published is computed from this form alone: it cannot hold more of a feature's place than its cell.
"""

from __future__ import annotations

import os
import re
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas
import numpy as np
import pandas as pd
import pyogrio
import shapely

from sitefinder.delivery.geopackage import GDAL_OPTIONS, gdal_options
from sitefinder.errors import described, listed
from sitefinder.io.bound_files import files_of, logs_of
from sitefinder.io.catalogue_files import daily_files, files_of_costs
from sitefinder.io.decisions import NEEDED, OPTIONAL
from sitefinder.io.digests import SHAPEFILE_PARTS
from sitefinder.io.gauges import read_text_table
from sitefinder.io.opening import Places, allowing, files_of_mosaic, is_mosaic, places_of
from sitefinder.rules.generalisation import (
    APPLIES,
    YES,
    cell_ids,
    cells_of_features,
    cells_within,
    near,
    public_buffer_m,
    squares,
)
from sitefinder.rules.overlaps import disc_areas_m2
from sitefinder.schema.field_form import COLUMNS
from sitefinder.settings import Inputs, LayerSource, RuleSettings, Settings, Source
from sitefinder.settings.rules import SENSITIVE
from sitefinder.settings.run import OF_TRIAL
from sitefinder.steps.readers import read_rule
from sitefinder.vocabulary import NOT_PUBLISHED

if TYPE_CHECKING:
    from sitefinder.steps.inputs import LazyInputs

# What the title of a public edition ends with, so that no file of it is taken for one of the run itself.
OF_EDITION = " (public edition)"
MAX_TITLE = 170
SETTINGS_FILE, REPLAY_FOLDER = "settings.toml", "replay"
# Names of the layer of cells, and of the file that holds it.
CELLS, CELLS_FILE, COVERED_FILE = "cells", "cells.gpkg", "covered.gpkg"
CELL_ID = "cell_id"
# Settings of the computer that runs, and what is the publisher's alone: a replay needs none of them.
NOT_FOR_REPLAY = {
    "run": ("workers", "store_folder", "store_limit_gb", "memory_limit_gb", "part_stations"),
    "inputs": ("allow_outside",),
}
# What a rule does along the stream and where it applies: results show it in any case.
KEPT_OF_SENSITIVE_RULE = (
    *("action", "fish_safe_only", "touching_counts", "min_overlap_m", "min_overlap_share", "effect"),
    *("effect_distance_m", "ends_at_falls", "stops_at_drop_m", "closed_months", "never_past"),
)
NAMED_OF_GENERALISED_RULE = ("name", "source", "date", "licence", "attribution")
NOT_STATED = ("", "not stated")
# What publishers make themselves.
OWN_INPUTS = ("inputs.decisions", "inputs.observations", "inputs.within")
# Files beside a data set that say where it came from, and are not read.
NOT_READ = (".shp.xml", ".tif.xml", ".tiff.xml", "-shm", ".lock")


class PublicInput(NamedTuple):
    """One input of the public form.

    ``key`` is of the setting that names it, ``name`` what provenance calls it, and ``place`` that of its file in
    the bundle ("" for an address on the network). ``files`` are all that it is made of: where each lies now, and
    its place in the bundle. ``is_public`` says whether they are passed on, ``made_of`` what became of what may not
    be published: "" for an input as it is.
    """

    key: str
    name: str
    place: str
    files: tuple[tuple[Path, str], ...]
    is_public: bool
    source: str
    licence: str
    attribution: str
    date: str
    made_of: str = ""


class Generalised(NamedTuple):
    """A layer that cells stand for: the rule's name in the edition, the cells, and their side [m]."""

    name: str
    cells: pd.DataFrame
    cell_m: float


class PublicForm(NamedTuple):
    """Licence and settings of the edition, its inputs, and what was generalised or left out."""

    licence: str
    tables: dict[str, Any]
    inputs: list[PublicInput]
    # Data sets by their path, with their place and files: one that several settings name is there once.
    placed: dict[str, tuple[str, tuple[tuple[Path, str], ...]]]
    generalised: list[Generalised]
    left_out: list[str]
    hidden_left_out: int
    texts_withheld: list[str]
    warnings: list[str]


def problems_of_publication(settings: Settings) -> list[str]:
    """All that keeps settings from being published, each with what mends it; nothing is read but names of files.

    Parameters
    ----------
    settings : Settings
        Of the run.

    Returns
    -------
    list of str
    """
    publication, problems = settings.publication, []
    if publication.licence is None:
        problems.append(
            described(
                "the public edition has no licence",
                setting="publication.licence",
                expected="a licence that readers can look up",
                found="none",
                fix='add to the settings: [publication] licence = "CC-BY-4.0", or the one that you choose',
            )
        )
    if settings.delivery.date is None:
        problems.append(
            described(
                "the public edition has no date",
                setting="delivery.date",
                expected="the day of publication; sitefinder puts no clock into its files",
                found="none",
                fix='add to [delivery], for example: date = "2026-05-31"',
            )
        )
    problems += [text for key, source in _credited(settings) for text in _uncredited(key, source)]
    problems += [
        text for number, rule in _sensitive(settings) for text in _problems_of_rule(settings, number, rule)
    ]
    problems += _problems_of_left_out(settings)
    problems += _shared_files(settings)
    problems += _of_two_minds(settings)
    with allowing(_places(settings)):
        problems += [
            text for key, source in _sources(settings) for text in _problems_of_path(settings, key, source)
        ]
    return problems


# Where files that others name may lie, as in the run.
def _places(settings: Settings) -> Places:
    given = settings.inputs
    return places_of(Path(settings.folder), given.allow_outside, allow_network=given.allow_network)


# Rules of layers that must not be published exactly, each with its number from 1.
def _sensitive(settings: Settings) -> Iterator[tuple[int, RuleSettings]]:
    return ((number, rule) for number, rule in enumerate(settings.rules, 1) if rule.publish != "exact")


def _is_left_out(settings: Settings, rule: RuleSettings) -> bool:
    return rule.publish == "hidden" and settings.publication.hidden_rules == "left_out"


# Files of the user by the key of their setting, rules and the areas that they cover among them.
def _sources(settings: Settings) -> Iterator[tuple[str, Source]]:
    for name in Inputs.model_fields:
        value = getattr(settings.inputs, name)
        if name in settings.publication.left_out:
            continue
        if isinstance(value, Source):
            yield f"inputs.{name}", value
        elif isinstance(value, dict):
            yield from ((f"inputs.{name}.{own}", source) for own, source in value.items())
    for number, rule in enumerate(settings.rules, 1):
        yield f"rules[{number}]", rule
        if rule.covered_by is not None:
            yield f"rules[{number}].covered_by", rule.covered_by


# What somebody else may have made: the publisher's own decisions and observations, and the part of the region that
# is published, need no licence of anyone.
def _credited(settings: Settings) -> Iterator[tuple[str, Any]]:
    for key, source in _sources(settings):
        if key not in OWN_INPUTS:
            yield key, source
    if settings.flows.gauges is not None:
        yield "flows.gauges", settings.flows.gauges


def _uncredited(key: str, source: Any) -> list[str]:
    lacking = [name for name in ("licence", "attribution") if (getattr(source, name) or "") in NOT_STATED]
    if not lacking:
        return []
    lines = " and ".join(f'{name} = "…"' for name in lacking)
    return [
        described(
            f"{key}: {' and '.join(lacking)} not stated",
            file=source.path,
            expected="the licence of every input, and the credit that it asks for",
            fix=f'add {lines} there; attribution = "none" where the licence asks for none',
        )
    ]


def _problems_of_rule(settings: Settings, number: int, rule: RuleSettings) -> list[str]:
    if _is_left_out(settings, rule):
        named = {"fish.spawning_rules": settings.fish.spawning_rules}
        named |= {f"rules of the fish group {group.name}": group.rules or [] for group in settings.fish.groups}
        return [
            described(
                f"rules[{number}] cannot be left out",
                expected="a rule on which nothing else depends",
                found=f"{place} names it",
                fix='set publication.hidden_rules = "cells"',
            )
            for place, names in named.items()
            if rule.name in names
        ]
    if _cell_m(settings, rule) is not None:
        return []
    return [
        described(
            f"rules[{number}] has no cell to generalise it to",
            setting=f'publish = "{rule.publish}"',
            expected="the side of the cells [m], so large that a cell does not give the place away",
            found="neither publish_cell_m nor publication.cell_m",
            fix="set publication.cell_m, for example 5000, or publish_cell_m of the rule",
        )
    ]


def _cell_m(settings: Settings, rule: RuleSettings) -> float | None:
    return settings.publication.cell_m if rule.publish_cell_m is None else rule.publish_cell_m


def _problems_of_left_out(settings: Settings) -> list[str]:
    fields = Inputs.model_fields
    may = [name for name, field in fields.items() if not field.is_required() and not name.startswith("allow_")]
    return [
        described(
            f"publication.left_out: there is no such input: {name}",
            expected=f"inputs that a run can do without: {listed(may, 40)}",
            fix="correct the name, or take it out",
        )
        for name in settings.publication.left_out
        if name not in may
    ]


# A file that holds something secret is never passed on, also where another layer of it is public.
def _shared_files(settings: Settings) -> list[str]:
    folder, problems = Path(settings.folder), []
    secret: dict[str, str] = {}
    for _, rule in _sensitive(settings):
        own: tuple[LayerSource | None, ...] = (rule, rule.covered_by)
        secret |= {os.path.realpath(folder / each.path): each.path for each in own if each is not None}
    sensitive = {f"rules[{number}]" for number, _ in _sensitive(settings)}
    for key, source in _sources(settings):
        shared = secret.get(os.path.realpath(folder / source.path))
        if shared is not None and key.removesuffix(".covered_by") not in sensitive:
            problems.append(
                described(
                    f"{key} is in one file with a layer that must not be published",
                    file=source.path,
                    expected="sensitive layers in files of their own",
                    fix="write this layer to another file, and name that one",
                )
            )
    return problems


# A file that several settings name is passed on or it is not.
def _of_two_minds(settings: Settings) -> list[str]:
    first: dict[str, tuple[str, Source]] = {}
    problems = []
    sensitive = {f"rules[{number}]" for number, _ in _sensitive(settings)}
    for key, source in _sources(settings):
        if key.removesuffix(".covered_by") in sensitive:
            continue
        known, same = first.setdefault(os.path.realpath(Path(settings.folder) / source.path), (key, source))
        if bool(same.redistribute) != bool(source.redistribute):
            problems.append(
                described(
                    f"{known} and {key} are in one file, of which only one may be passed on",
                    file=source.path,
                    expected="the same redistribute for both",
                    fix="set it for both, or for neither, or write them to separate files",
                )
            )
    return problems


def _problems_of_path(settings: Settings, key: str, source: Source) -> list[str]:
    path = source.path
    if "://" in path and re.search(r"[@?]", path):
        return [
            described(
                f"{key} is read from an address that may hold a password",
                expected="an address without user, password and question mark",
                fix="copy the file, and name the copy",
            )
        ]
    if path.startswith("/vsi") and "://" not in path:
        return [
            described(
                f"{key} is read from an archive",
                file=path,
                expected="a file by itself, so that it can be passed on by its name",
                fix="take it out of the archive, and name it",
            )
        ]
    if is_address(path):
        return []
    file = Path(settings.folder) / path
    if logs_of(file):
        return [
            described(
                f"{key} has changes that are not in the file itself yet",
                file=path,
                expected="a database that no program holds open",
                found=listed([log.name for log in logs_of(file)]),
                fix="close the programs that have it open",
            )
        ]
    if source.redistribute and is_mosaic(file):
        parts = files_of_mosaic(file)
        root = _common_folder([file, *parts])
        if root is None or 'relativeToVRT="0"' in file.read_text(encoding="utf-8", errors="replace"):
            return [
                described(
                    f"{key} is a mosaic that names its parts by absolute paths",
                    file=path,
                    expected="parts in or below its folder, named relative to it",
                    found=listed(parts),
                    fix="build it again beside its parts, or write it to one GeoTIFF",
                )
            ]
    return []


def is_address(path: str) -> bool:
    """Whether a path is no file of this computer, but something on a network."""
    return "://" in path


def public_form(settings: Settings, inputs: LazyInputs, bounds: Sequence[float], made: Path) -> PublicForm:
    """The public form of a run.

    Parameters
    ----------
    settings : Settings
        Of the run; `problems_of_publication` finds nothing wrong with them.
    inputs : LazyInputs
        Of the run.
    bounds : sequence of float, shape (4,)
        West, south, east and north of the DEM in the run's system [m].
    made : Path
        Folder for files that stand for others.

    Returns
    -------
    PublicForm
    """
    tables = settings.model_dump(mode="json", exclude_unset=True, exclude_none=True)
    for section in ("publication", "fit"):
        tables.pop(section, None)
    for section, names in NOT_FOR_REPLAY.items():
        for name in names:
            tables[section].pop(name, None)
    title = settings.run.name.removesuffix(OF_TRIAL)[:MAX_TITLE]
    tables["run"] |= {"name": f"{title}{OF_EDITION}", "output_folder": REPLAY_FOLDER}
    form = PublicForm(
        str(settings.publication.licence), tables, [], {}, [], list(settings.publication.left_out), 0, [], []
    )
    for name in settings.publication.left_out:
        tables["inputs"].pop(name, None)
    folder = Path(settings.folder)
    with allowing(_places(settings)):
        for key, source in _sources(settings):
            if key.startswith("inputs."):
                _add_input(form, settings, inputs, folder, key, source, made)
        form = _add_rules(form, settings, inputs, bounds, folder, made)
        _add_data_files(form, settings, folder)
    form.warnings.extend(_more_in_files(settings))
    if settings.delivery.terrain_rasters and not settings.inputs.dem.redistribute:
        tables["delivery"]["terrain_rasters"] = False
        form.warnings.append(
            "terrain-dem.tif and terrain-relief.tif are left out: they are the DEM (inputs.dem.redistribute)"
        )
    return form


def _add_input(
    form: PublicForm, settings: Settings, inputs: LazyInputs, folder: Path, key: str, source: Source, made: Path
) -> None:
    table = form.tables["inputs"]
    for part in key.split(".")[1:]:
        table = table[part]
    own = key.removeprefix("inputs.")
    if key in ("inputs.decisions", "inputs.observations") and settings.publication.texts == "withheld":
        place = f"inputs/{own}/{own}.csv"
        path = made / f"{own}.csv"
        if own == "decisions":
            write_decisions_without_texts(inputs.decisions, path)
            for name in ("layer", "id_column", "name_column", "operation"):
                table.pop(name, None)
            table["crs"] = settings.run.crs
        else:
            write_observations_without_texts(folder / source.path, path)
        table["path"] = place
        form.texts_withheld.append(own)
        made_of = "personal names and free texts are withheld"
        form.inputs.append(_input(key, place, ((path, place),), source, is_public=True, made_of=made_of))
        return
    if is_address(source.path):
        form.inputs.append(_input(key, "", (), source, is_public=False))
        return
    table["path"], files = _placed(form, folder / source.path, f"inputs/{own.replace('.', '/')}")
    is_public = bool(source.redistribute) or key == "inputs.within"
    form.inputs.append(_input(key, table["path"], files, source, is_public=is_public))


def _input(
    key: str,
    place: str,
    files: tuple[tuple[Path, str], ...],
    source: Any,
    *,
    is_public: bool,
    made_of: str = "",
    is_named: bool = True,
    name: str = "",
) -> PublicInput:
    stated = [(getattr(source, name, None) or "") for name in ("source", "licence", "attribution", "date")]
    texts = [text if text not in NOT_STATED else "" for text in stated] if is_named else [NOT_PUBLISHED.name] * 4
    producer, licence, attribution, date = texts
    name = name or key.removeprefix("inputs.")
    return PublicInput(key, name, place, files, is_public, producer, licence, attribution, date, made_of)


# The place of a data set below a folder of the bundle, and all files that it is made of with theirs.
def _placed(form: PublicForm, path: Path, below: str) -> tuple[str, tuple[tuple[Path, str], ...]]:
    own = os.path.realpath(path)
    if own not in form.placed:
        if path.is_dir():
            files = [file for file in files_of(path) if file.is_file()]
            root = path.parent
            form.placed[own] = (
                f"{below}/{path.name}",
                tuple((file, f"{below}/{file.relative_to(root).as_posix()}") for file in files),
            )
        else:
            placed = _side_by_side(_parts_of(path), below)
            form.placed[own] = placed[0][1], placed
    return form.placed[own]


# Files that a data set of plain files is made of, the one that settings name first.
def _parts_of(path: Path) -> list[Path]:
    if is_mosaic(path):
        return [path, *files_of_mosaic(path)]
    if path.suffix.lower() in (".gpkg", ".sqlite", ".csv", ".parquet", ".geojson", ".fgb"):
        return [path]
    files = [file for file in files_of(path) if file.is_file() and not file.name.lower().endswith(NOT_READ)]
    if path.suffix.lower() == ".shp":
        files = [file for file in files if file.suffix.lower() in SHAPEFILE_PARTS]
    return [path, *(file for file in files if file != path)]


# Each file with its place below a folder of the bundle; files that name each other keep how they lie to each
# other.
def _side_by_side(files: Sequence[Path], below: str) -> tuple[tuple[Path, str], ...]:
    files = list(dict.fromkeys(Path(os.path.abspath(file)) for file in files))
    root = _common_folder(files) or files[0].parent
    return tuple((file, f"{below}/{file.relative_to(root).as_posix()}") for file in files)


def _common_folder(files: Sequence[Path]) -> Path | None:
    try:
        return Path(os.path.commonpath([os.path.abspath(file.parent) for file in files]))
    except ValueError:  # on several drives
        return None


# What else lies in databases that are passed on: layers that the run does not read.
def _more_in_files(settings: Settings) -> list[str]:
    read: dict[Path, list[str | None]] = {}
    for _, source in _sources(settings):
        if isinstance(source, LayerSource) and source.redistribute and source.path.lower().endswith(".gpkg"):
            read.setdefault(Path(settings.folder) / source.path, []).append(source.layer)
    found = []
    for path, layers in read.items():
        others = (
            [] if None in layers else [str(name) for name in pyogrio.list_layers(path)[:, 0] if name not in layers]
        )
        if others:
            found.append(
                f"{path.name} is passed on whole, with layers that the run does not read: {listed(others)}"
            )
        if _has_free_pages(path):
            found.append(
                f"{path.name} may still hold rows that were deleted from it: write its layers to a new file first"
            )
    return found


# Whether a database has pages that are no longer used, in which what was deleted stays legible (SQLite, "Database
# File Format", section 1.5: the freelist).
def _has_free_pages(path: Path) -> bool:
    with (
        suppress(sqlite3.Error),
        closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True)) as file,
    ):
        return bool(file.execute("PRAGMA freelist_count").fetchone()[0])
    return False


# Rules in the order of the settings; names of hidden ones are exchanged wherever the settings list them.
def _add_rules(
    form: PublicForm, settings: Settings, inputs: LazyInputs, bounds: Sequence[float], folder: Path, made: Path
) -> PublicForm:
    kept = [pair for pair in enumerate(settings.rules, 1) if not _is_left_out(settings, pair[1])]
    hidden = [rule.name for _, rule in kept if rule.publish == "hidden"]
    public_names = dict(zip(hidden, _names_of_hidden(settings, len(hidden)), strict=True))
    rules = []
    for place, (number, rule) in enumerate(kept, 1):
        stated = form.tables["rules"][number - 1]
        below = f"inputs/rules/{place}"
        if rule.publish == "exact":
            rules.append(_exact_rule(form, stated, rule, folder, f"rules[{place}]", below))
        else:
            name = public_names.get(rule.name, rule.name)
            rules.append(
                _sensitive_rule(form, settings, inputs, bounds, made, stated, (number, rule), place, name, below)
            )
    if rules:
        form.tables["rules"] = rules
    else:
        form.tables.pop("rules", None)
    fish = form.tables.get("fish", {})
    if "spawning_rules" in fish:
        fish["spawning_rules"] = [public_names.get(name, name) for name in fish["spawning_rules"]]
    for group in fish.get("groups", ()):
        if group.get("rules"):
            group["rules"] = [public_names.get(name, name) for name in group["rules"]]
    return form._replace(hidden_left_out=len(settings.rules) - len(kept))


# What hidden rules are called in the edition, none like another rule.
def _names_of_hidden(settings: Settings, count: int) -> list[str]:
    taken = {rule.name for rule in settings.rules if rule.publish != "hidden"}
    if count == 1 and SENSITIVE not in taken:
        return [SENSITIVE]
    free = (name for number in range(1, count + len(taken) + 1) if (name := f"{SENSITIVE} {number}") not in taken)
    return [next(free) for _ in range(count)]


def _exact_rule(
    form: PublicForm, stated: dict[str, Any], rule: RuleSettings, folder: Path, key: str, below: str
) -> dict[str, Any]:
    public = {name: value for name, value in stated.items() if name != "publish_cell_m"}
    for source, own, place in ((rule, "", below), (rule.covered_by, ".covered_by", f"{below}/covered")):
        if source is None:
            continue
        table = public if not own else dict(public["covered_by"])
        path: str = ""
        files: tuple[tuple[Path, str], ...] = ()
        if not is_address(source.path):
            path, files = _placed(form, folder / source.path, place)
            table["path"] = path
        name = f"{'area of ' if own else ''}rule {rule.name}"
        is_public = bool(source.redistribute)
        form.inputs.append(_input(f"{key}{own}", path, files, source, is_public=is_public, name=name))
        if own:
            public["covered_by"] = table
    return public


def _sensitive_rule(
    form: PublicForm,
    settings: Settings,
    inputs: LazyInputs,
    bounds: Sequence[float],
    made: Path,
    stated: dict[str, Any],
    numbered: tuple[int, RuleSettings],
    place: int,
    name: str,
    below: str,
) -> dict[str, Any]:
    number, rule = numbered
    # Whole, whatever the number of features: a run reads large layers near the region alone, and what is near may
    # be decided by where in its cell a feature lies.
    read = read_rule(rule, Path(settings.folder), settings.run.crs, bounds)
    cell_m = float(_cell_m(settings, rule) or 0.0)
    geometry = np.asarray(read.frame.geometry, dtype=object)
    if read.match is not None:
        selected, missing = read.match.selected, read.match.category_missing
        area_m2 = disc_areas_m2(read.frame, rule)[selected | missing]
        disc_m = float(np.sqrt(area_m2.max(initial=0.0) / np.pi))
    else:
        selected = missing = np.zeros(0, dtype=bool)
        disc_m = 0.0
    buffer_m = public_buffer_m(rule, disc_m, cell_m)
    cells = cells_of_features(geometry, selected, missing, cell_m)
    cells = near(cells, bounds, buffer_m + settings.network.dem_margin_m, cell_m)
    path = made / f"{place}-{CELLS_FILE}"
    write_cells(path, cells, cell_m, settings.run.crs)
    is_named = rule.publish == "generalised"
    kept = (*(NAMED_OF_GENERALISED_RULE if is_named else ()), *KEPT_OF_SENSITIVE_RULE)
    public = {"name": name} | {key: stated[key] for key in kept if key in stated}
    public |= {"path": f"{below}/{CELLS_FILE}", "layer": CELLS, "id_column": CELL_ID}
    public |= {"column": APPLIES, "values": [YES], "buffer_m": buffer_m, "may_be_empty": True}
    files = ((path, public["path"]),)
    made_of = f"square cells of {length_text(cell_m)} in which features lie, in place of the features"
    key = f"rules[{place}]"
    credit = {"is_public": True, "is_named": is_named}
    form.inputs.append(_input(key, public["path"], files, rule, made_of=made_of, name=f"rule {name}", **credit))
    form.generalised.append(Generalised(name, cells, cell_m))
    coverage = inputs.coverages[number - 1]
    if rule.covered_by is not None and coverage is not None:
        area = coverage.read().frame
        covered = cells_within(np.asarray(area.geometry, dtype=object), _widened(bounds, settings), cell_m)
        path = made / f"{place}-{COVERED_FILE}"
        write_cells(path, covered.assign(**{APPLIES: YES}), cell_m, settings.run.crs, _corner(bounds))
        public["covered_by"] = {"path": f"{below}/{COVERED_FILE}", "layer": CELLS, "id_column": CELL_ID}
        made_of = f"square cells of {length_text(cell_m)} that the layer covers whole, in place of its area"
        place_of_area = public["covered_by"]["path"]
        given = _input(
            f"{key}.covered_by",
            place_of_area,
            ((path, place_of_area),),
            rule.covered_by,
            made_of=made_of,
            name=f"area of rule {name}",
            **credit,
        )
        form.inputs.append(given)
    return public


# A square metre in a corner of the DEM: an area that covers no stream, where no cell is covered whole.
def _corner(bounds: Sequence[float]) -> Any:
    west, south = bounds[:2]
    return shapely.box(west, south, west + 1.0, south + 1.0)


# As far as streams are looked at.
def _widened(bounds: Sequence[float], settings: Settings) -> list[float]:
    west, south, east, north = bounds
    margin_m = settings.network.dem_margin_m
    return [west - margin_m, south - margin_m, east + margin_m, north + margin_m]


def write_cells(path: Path, cells: pd.DataFrame, cell_m: float, crs: str, where_none: Any = None) -> None:
    """Write cells as a GeoPackage, the same bytes for the same cells.

    Parameters
    ----------
    path : Path
        A file that does not exist yet.
    cells : DataFrame
        ``column``, ``row`` and ``applies``.
    cell_m : float
        Side of a cell [m].
    crs : str
    where_none : shapely polygon, optional
        What stands for the cells where there are none, in a layer that must not be empty.
    """
    shapes = squares(cells["column"].to_numpy(), cells["row"].to_numpy(), cell_m)
    ids, applies = cell_ids(cells), cells[APPLIES].tolist()
    if cells.empty and where_none is not None:
        shapes, ids, applies = np.array([where_none], dtype=object), ["none"], [YES]
    columns = {CELL_ID: pd.Series(ids, dtype=object), APPLIES: pd.Series(applies, dtype=object)}
    frame = geopandas.GeoDataFrame(columns, geometry=list(shapes), crs=crs)
    with gdal_options(GDAL_OPTIONS):
        pyogrio.write_dataframe(
            frame, path, layer=CELLS, driver="GPKG", geometry_type="Polygon", VERSION="1.3", GEOMETRY_NAME="geom"
        )


def write_decisions_without_texts(decisions: pd.DataFrame, path: Path) -> None:
    """Write decisions as a table, without who made them and why.

    Parameters
    ----------
    decisions : DataFrame
        As `sitefinder.io.decisions.read_decisions` gives them.
    path : Path
    """
    table = decisions[[name for name in (*NEEDED, *OPTIONAL) if name in decisions]].copy()
    table["author"] = table["justification"] = NOT_PUBLISHED.name
    points = np.asarray(decisions["geometry"], dtype=object)
    table["x"], table["y"] = shapely.get_x(points), shapely.get_y(points)
    table.to_csv(path, index=False, lineterminator="\n")


def write_observations_without_texts(given: Path, path: Path) -> None:
    """Write observations of visits without who was there and what they wrote in words.

    Parameters
    ----------
    given, path : Path
        The filled-in form, and the file to write.
    """
    table = read_text_table(given, "table of observations", "inputs.observations.path")
    table = table[[column.name for column in COLUMNS if column.name in table]].copy()
    table["observer"] = table["observer"].where(table["observer"].str.strip() == "", NOT_PUBLISHED.name)
    table[["fish_signs", "access", "remarks"]] = ""
    table.to_csv(path, index=False, lineterminator="\n")


# Data files that the settings name beside inputs: gauges with their records, and files of equations, turbines and
# so on, which are part of the settings and passed on with them.
def _add_data_files(form: PublicForm, settings: Settings, folder: Path) -> None:
    tables = form.tables

    def add(key: str, files: Sequence[Path], below: str, source: Any = None, *, is_public: bool = True) -> str:
        placed = _side_by_side(files, below)
        own = _input(key, placed[0][1], placed, source, is_public=is_public)
        if source is None and is_public:
            own = own._replace(licence=form.licence)
        form.inputs.append(own)
        return placed[0][1]

    def add_listed(section: str, name: str, *, is_public: bool = True) -> None:
        paths = tables.get(section, {}).get(name, [])
        for number, path in enumerate(paths, 1):
            key, below = f"{section}.{name}[{number}]", f"data-files/{name}/{number}"
            paths[number - 1] = add(key, [folder / path], below, is_public=is_public)

    add_listed("energy", "turbines")
    add_listed("fish", "screens")
    add_listed("flows", "equations")
    # Fonts have licences of their own, which the settings do not state.
    add_listed("delivery", "font_files", is_public=False)
    costs = tables["costs"]
    costs["file"] = add("costs.file", files_of_costs(folder / costs["file"]), "data-files/costs")
    if "error_preset" in tables["inputs"]["dem"]:
        dem = tables["inputs"]["dem"]
        dem["error_preset"] = add(
            "inputs.dem.error_preset", [folder / dem["error_preset"]], "data-files/dem-error"
        )
    for number, rule in enumerate(tables["flows"].get("environmental", ()), 1):
        if "preset" in rule:
            below = f"data-files/environmental-flow/{number}"
            rule["preset"] = add(f"flows.environmental[{number}].preset", [folder / rule["preset"]], below)
    for section, name in (("regime", "preset"), ("change", "path")):
        table = tables["flows"].get(section) or {}
        if name in table:
            source = getattr(settings.flows, section)
            table[name] = add(f"flows.{section}.{name}", [folder / table[name]], f"data-files/{section}", source)
    if "logo" in tables.get("delivery", {}):
        tables["delivery"]["logo"] = add("delivery.logo", [folder / tables["delivery"]["logo"]], "data-files/logo")
    gauges = settings.flows.gauges
    if gauges is not None:
        files = [folder / gauges.path, *daily_files(gauges, folder)]
        tables["flows"]["gauges"]["path"] = add(
            "flows.gauges", files, "inputs/gauges", gauges, is_public=bool(gauges.redistribute)
        )


def length_text(length_m: float) -> str:
    """A length as a person writes it.

    Examples
    --------
    >>> length_text(5000.0), length_text(1250.0), length_text(400.0)
    ('5 km', '1.25 km', '400 m')
    """
    return f"{length_m / 1000:g} km" if length_m >= 1000 else f"{length_m:g} m"
