"""What a run found, for machines: one JSON object whose keys are the names of layers and columns."""

import json
import math

from sitefinder.report.summary import BEST_SITES, surface_model_warning
from sitefinder.schema import VERDICTS
from sitefinder.schema.cautions import SCREENING
from sitefinder.siting.totals import whole


def run_json(handover, currency, files, notes=()):
    """A run's totals, verdicts, best sites, files and warnings.

    Parameters
    ----------
    handover : sitefinder.report.handover.Handover
    currency : str
        Of all money, for example "EUR of 2024".
    files : iterable of path-like
        What was written.
    notes : iterable of str
        What the user should know of the store of results.

    Returns
    -------
    str
        One JSON object: ``title``, ``version``, ``crs``, ``currency``; ``totals``, the row of the region in that
        layer; ``verdicts``, with ``verdict``, ``reaches`` and ``length_m`` in whole metres, the best first;
        ``sites``, the first five of the ranking with all columns of that layer; ``least_heads``, the layer;
        ``files``, ``warnings``, ``caution``. What is not known is null.
    """
    tables = handover.tables
    totals = tables["totals"]
    warnings = [surface_model_warning(tables["reaches"]), *notes]
    told = {
        "title": handover.title,
        "version": handover.version,
        "crs": handover.crs,
        "currency": currency,
        "totals": _rows(totals[totals["scope"] == "region"])[0],
        "verdicts": _verdicts(tables["reaches"]),
        "sites": _rows(tables["sites"].sort_values("rank").head(BEST_SITES)),
        "least_heads": _rows(tables["least_heads"]),
        "files": [str(file) for file in files],
        "warnings": [warning for warning in warnings if warning],
        "caution": SCREENING,
    }
    return json.dumps(told, ensure_ascii=False, allow_nan=False, indent=2)


def _verdicts(reaches):
    rows = []
    for verdict in reversed(VERDICTS):
        own = reaches.loc[reaches["verdict"] == verdict, "length_m"]
        if len(own):
            rows.append({"verdict": verdict, "reaches": len(own), "length_m": float(whole(own).sum())})
    return rows


# Rows as mappings of plain values, without geometry.
def _rows(table):
    plain = table.drop(columns="geometry", errors="ignore")
    return [{name: _value(value) for name, value in row.items()} for row in plain.to_dict("records")]


def _value(value):
    value = value.item() if hasattr(value, "item") else value
    if value is None or isinstance(value, str | bool | int):
        return value
    return float(value) if isinstance(value, float) and math.isfinite(value) else None
