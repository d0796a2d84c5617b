"""Where data files of a run come from: machines, costs, equations, gauges, reserve presets, with digests."""

from pathlib import Path

import pandas as pd

from sitefinder.io.digests import content_digest


def data_file_lineage(settings, folder):
    """Lineage of each file that settings name beside rasters and layers, so that provenance tells when it changed.

    Parameters
    ----------
    settings : sitefinder.config.Settings
    folder : Path
        Folder that relative paths start from. The files have been read already.

    Returns
    -------
    list of dict
        As of a layer; see `sitefinder.io.vectors.LayerRead`. Several files of a kind are numbered in the order of
        the settings. The digest of gauges with daily records is that of all their files.
    """
    presets = dict.fromkeys(rule.preset for rule in settings.flows.reserve if rule.preset is not None)
    kinds = {
        "machine file": settings.energy.machines,
        "cost file": [settings.costs.file],
        "equation file": settings.flows.equations,
        "reserve preset": list(presets),
    }
    lineage = []
    for kind, paths in kinds.items():
        for number, path in enumerate(paths, 1):
            name = kind if kind == "cost file" else f"{kind} {number}"
            lineage.append(_row(name, path, content_digest(folder / path)))
    table = settings.flows.gauges
    if table is not None:
        digest = content_digest(folder / table.path, daily_files(table, folder))
        lineage.append(_row("gauges", table.path, digest) | {"source": table.source})
    return lineage


def daily_files(table, folder):
    """Files of daily flows that a gauge table names.

    Parameters
    ----------
    table : sitefinder.config.GaugeTable
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
