"""Two deliveries compared and the comparison written: what `sitefinder compare` does."""

from functools import partial
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from sitefinder.errors import InputError
from sitefinder.io.deliveries import read_pair
from sitefinder.io.geopackage import checked_tables, write_layers
from sitefinder.io.outputs import deliver
from sitefinder.schema import CHANGE_LAYERS
from sitefinder.siting.causes import StageGraph
from sitefinder.siting.changes import LEAST_CHANGE, NEEDED, Changes, compare_runs
from sitefinder.siting.places import NEAR_M
from sitefinder.stages.default_settings import told_defaults
from sitefinder.stages.stage_graph import STEPS

PERCENT = 100.0


class Compared(NamedTuple):
    """The comparison, the title of the newer run, the two files compared, and those written."""

    changes: Changes
    title: str
    paths: tuple
    files: list


def compare(old, new, *, csv=None, output=None, near_m=NEAR_M, least_change_percent=None):
    """What changed between two deliveries.

    Parameters
    ----------
    old, new : path-like
        GeoPackages or output folders of runs; `old` None for what the new one replaced.
    csv, output : path-like, optional
        A table (CSV) of the layer ``changes``, and a GeoPackage of all that `sitefinder.schema.CHANGE_LAYERS`
        declares, to write.
    near_m : float
        How far apart a stream may be drawn in the two runs to be the same [m].
    least_change_percent : float, optional
        Numbers that differ by less are the same [%]; absent: by rounding alone.

    Returns
    -------
    Compared

    Raises
    ------
    InputError
        If a delivery cannot be read or compared, or a file would replace one that is compared.
    """
    deliveries = read_pair(old, new, NEEDED)
    paths = tuple(delivery.path for delivery in deliveries)
    for path in (csv, output):
        _refuse_replacing(path, paths)
    least = LEAST_CHANGE if least_change_percent is None else least_change_percent / PERCENT
    tables = [delivery.tables for delivery in deliveries]
    options = {"near_m": near_m, "least_change": max(least, LEAST_CHANGE), "defaults": told_defaults()}
    changes = compare_runs(*tables, StageGraph(STEPS), **options)
    ready = checked_tables(changes._asdict(), tables[1]["reaches"].crs, CHANGE_LAYERS)
    writers = [(csv, partial(_write_csv, table=ready["changes"]))] if csv is not None else []
    if output is not None:
        writers.append((output, partial(write_layers, tables=ready, layers=CHANGE_LAYERS)))
    files = [deliver(Path(path).parent, {Path(path).name: write})[0] for path, write in writers]
    return Compared(changes, deliveries[1].title or deliveries[0].title, paths, files)


def _refuse_replacing(path, compared):
    if path is not None and Path(path).resolve() in [each.resolve() for each in compared]:
        raise InputError.of(
            "the comparison would replace a delivery",
            file=path,
            expected="another file than those compared",
            fix="choose another name",
        )


def _write_csv(path, table):
    pd.DataFrame(table.drop(columns="geometry")).to_csv(path, index=False, lineterminator="\n")
