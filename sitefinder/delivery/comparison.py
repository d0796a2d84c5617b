"""Comparison of two deliveries, and its files: `sitefinder compare`."""

from functools import partial
from pathlib import Path
from typing import NamedTuple

import pandas as pd
from pydantic import BaseModel

from sitefinder.comparison.causes import StageGraph
from sitefinder.comparison.changes import MIN_CHANGE, NEEDED, OPTIONAL, Changes, compare_runs
from sitefinder.comparison.matching import NEAR_M
from sitefinder.delivery.atomic import deliver
from sitefinder.delivery.geopackage import checked_tables, write_layers
from sitefinder.errors import InputError
from sitefinder.io.deliveries import read_pair
from sitefinder.report.change_page import change_page
from sitefinder.report.languages import ENGLISH, speaking
from sitefinder.report.sheets.change_sheet import change_sheet_pdf
from sitefinder.schema import CHANGE_LAYERS
from sitefinder.settings import Settings
from sitefinder.settings.choices import LANGUAGES
from sitefinder.steps.graph import STEPS


def reported_defaults():
    """Defaults by key, as text; of rules, under ``rules[].KEY``.

    Returns
    -------
    dict of str to str
        Settings without a default, or with the default None, are omitted.
    """
    return dict(_defaults_of(Settings, ""))


def _defaults_of(model, prefix):
    for key, field in model.model_fields.items():
        name = f"{prefix}{key}"
        inner, listed = _inner(field.annotation)
        if inner is not None:
            yield from _defaults_of(inner, f"{name}[]." if listed else f"{name}.")
        elif not field.is_required():
            value = field.get_default(call_default_factory=True)
            if value is not None:
                yield name, str(value)


# The model that an annotation holds, and whether a list of them.
def _inner(annotation, listed=False):
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation, listed
    for part in getattr(annotation, "__args__", ()):
        found = _inner(part, listed or getattr(annotation, "__origin__", None) is list)
        if found[0] is not None:
            return found
    return None, False


PERCENT = 100.0


class Compared(NamedTuple):
    """The comparison, the title of the newer run, the two files compared, those written, and the tables.

    ``tables`` are those of ``changes``, by name, held against `sitefinder.schema.CHANGE_LAYERS`.
    """

    changes: Changes
    title: str
    paths: tuple
    files: list
    tables: dict


def compare(
    old,
    new,
    *,
    csv=None,
    output=None,
    page=None,
    sheet=None,
    language=ENGLISH,
    near_m=NEAR_M,
    min_change_percent=None,
):
    """Changes between two deliveries.

    Parameters
    ----------
    old, new : path-like or sitefinder.io.deliveries.Delivery
        GeoPackages or output folders of runs; `old` None for what the new one replaced.
    csv, output : path-like, optional
        Files to write: the layer ``changes`` as CSV, and all of `sitefinder.schema.CHANGE_LAYERS` as GeoPackage.
    page : path-like, optional
        File to write: a page for a browser, with a map of both runs and of their difference.
    sheet : path-like, optional
        File to write: the same on one printed page (PDF).
    language : str
        Of page and sheet: one of `sitefinder.settings.choices.LANGUAGES`. Other texts are English.
    near_m : float
        Maximum distance between two lines of the same stream [m].
    min_change_percent : float, optional
        Numbers that differ by less are equal [%]; absent: rounding alone.

    Returns
    -------
    Compared

    Raises
    ------
    InputError
        If a delivery cannot be read or compared, a file would replace one that is compared, or no texts are in the
        language.
    """
    _validate_language(language)
    deliveries = read_pair(old, new, NEEDED, OPTIONAL)
    paths = tuple(delivery.path for delivery in deliveries)
    for path in (csv, output, page, sheet):
        _validate_replacing(path, paths)
    minimum = MIN_CHANGE if min_change_percent is None else min_change_percent / PERCENT
    tables = [delivery.tables for delivery in deliveries]
    options = {"near_m": near_m, "min_change": max(minimum, MIN_CHANGE), "defaults": reported_defaults()}
    changes = compare_runs(*tables, StageGraph(STEPS), **options)
    ready = checked_tables(changes._asdict(), tables[1]["reaches"].crs, CHANGE_LAYERS)
    writers = [(csv, partial(_write_csv, table=ready["changes"]))] if csv is not None else []
    if output is not None:
        writers.append((output, partial(write_layers, tables=ready, layers=CHANGE_LAYERS)))
    title = deliveries[1].title or deliveries[0].title
    drawn = {"title": title, "paths": paths, "changes": changes, "language": language}
    if page is not None:
        writers.append((page, partial(_write_page, **drawn)))
    if sheet is not None:
        writers.append((sheet, partial(_write_sheet, **drawn)))
    files = [deliver(Path(path).parent, {Path(path).name: write})[0] for path, write in writers]
    return Compared(changes, title, paths, files, ready)


def _validate_replacing(path, compared):
    if path is not None and Path(path).resolve() in [Path(each).resolve() for each in compared]:
        raise InputError.of(
            "the comparison would replace a delivery",
            file=path,
            expected="another file than those compared",
            fix="choose another name",
        )


def _validate_language(language):
    if language not in LANGUAGES:
        raise InputError.of(
            "page and sheet cannot be written in this language",
            expected=" or ".join(LANGUAGES),
            found=str(language),
            fix="choose one of these",
        )


def _write_page(path, title, paths, changes, language):
    with speaking(language):
        path.write_text(change_page(title, paths, changes), encoding="utf-8", newline="\n")


def _write_sheet(path, title, paths, changes, language):
    with speaking(language):
        path.write_bytes(change_sheet_pdf(title, paths, changes))


def _write_csv(path, table):
    pd.DataFrame(table.drop(columns="geometry")).to_csv(path, index=False, lineterminator="\n")
