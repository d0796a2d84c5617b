"""What a run found, for machines: plain values whose keys are the names of layers and columns."""

import math

from sitefinder.report.summary import BEST_SITES, surface_model_warning
from sitefinder.schema.cautions import SCREENING
from sitefinder.schema.vocabulary import VERDICTS, names
from sitefinder.siting.totals import whole


def run_figures(about, tables):
    """A run's totals, verdicts, best sites and warnings.

    Parameters
    ----------
    about : dict of str to str
        ``title``, ``version``, ``crs`` and ``currency`` (of all money, for example "EUR of 2024").
    tables : Mapping
        ``totals``, ``reaches``, ``sites`` and ``least_heads``, as `sitefinder.schema` declares them.

    Returns
    -------
    dict
        What JSON holds: those of `about`; ``totals``, the row of the region in that layer; ``verdicts``, with
        ``verdict``, ``reaches`` and ``length_m`` in whole metres, the best first; ``sites``, the first five of the
        ranking with all columns of that layer; ``least_heads``, the layer; ``warnings``, ``caution``. What is not
        known is None. `sitefinder.report.printed.printed_json` adds the files.
    """
    totals, warning = tables["totals"], surface_model_warning(tables["reaches"])
    return about | {
        "totals": _rows(totals[totals["scope"] == "region"])[0],
        "verdicts": _verdicts(tables["reaches"]),
        "sites": _rows(tables["sites"].sort_values("rank").head(BEST_SITES)),
        "least_heads": _rows(tables["least_heads"]),
        "warnings": [warning] if warning else [],
        "caution": SCREENING,
    }


def _verdicts(reaches):
    rows = []
    for verdict in reversed(names(VERDICTS)):
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
