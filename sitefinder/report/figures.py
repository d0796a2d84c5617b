"""The figures of a run as plain values, for programs."""

import math

from sitefinder.report.flow_quality import delivered_regressions, delivered_suspects, input_notes
from sitefinder.report.handover import drops_of
from sitefinder.report.summary import BEST_SITES, surface_model_warning
from sitefinder.schema.arrays import records_of
from sitefinder.schema.wording import SCREENING
from sitefinder.siting.potential import whole
from sitefinder.vocabulary import VERDICTS, names


def run_figures(about, tables, allow=()):
    """A run's totals, verdicts, best sites and warnings.

    Parameters
    ----------
    about : dict of str to str
        ``title``, ``version``, ``crs`` and ``currency`` (of all money, for example "EUR of 2024").
    tables : Mapping
        ``totals``, ``reaches``, ``sites`` and ``minimum_heads``, and optionally ``flow_equations``, ``decisions``
        and ``repairs``, as `sitefinder.schema` declares them.
    allow : collection of str
        The run's ``ranking.allow``.

    Returns
    -------
    dict
        Content of the JSON: that of `about`; ``mean_flow_regressions`` (see
        `sitefinder.report.flow_quality.delivered_regressions`) and ``suspect_gauges``; ``totals``, the row of
        the region in that layer; ``drops``, that of drops without a stream (None without any); ``verdicts``,
        with ``verdict``, ``reaches`` and ``length_m`` in whole metres, best first; ``decisions`` and
        ``observations``, these layers; ``sites``, the best five with
        all columns of that layer; ``minimum_heads``, the layer; ``warnings``, ``caution``. Unknown values are
        None. `sitefinder.report.printed.printed_json` adds the files.
    """
    totals = tables["totals"]
    warnings = [text for text, is_warning in input_notes(tables, allow) if is_warning]
    warnings.append(surface_model_warning(tables["reaches"]))
    regressions = delivered_regressions(tables["flow_equations"]) if "flow_equations" in tables else []
    suspects = delivered_suspects(tables["repairs"]) if "repairs" in tables else []
    return about | {
        "mean_flow_regressions": [{name: _value(value) for name, value in one.items()} for one in regressions],
        "suspect_gauges": suspects,
        "totals": _rows(totals[totals["scope"] == "region"])[0],
        "drops": _drops_as_json(totals),
        "verdicts": _verdicts_as_json(tables["reaches"]),
        "decisions": _rows(tables["decisions"]) if "decisions" in tables else [],
        "observations": _rows(tables["observations"]) if "observations" in tables else [],
        "sites": _rows(tables["sites"].sort_values("rank").head(BEST_SITES)),
        "minimum_heads": _rows(tables["minimum_heads"]),
        "warnings": [warning for warning in warnings if warning],
        "caution": SCREENING,
    }


def _drops_as_json(totals):
    drops = drops_of(totals)
    return None if drops is None else {name: _value(value) for name, value in drops.items()}


def _verdicts_as_json(reaches):
    rows = []
    for verdict in reversed(names(VERDICTS)):
        own = reaches.loc[reaches["verdict"] == verdict, "length_m"]
        if len(own):
            rows.append({"verdict": verdict, "reaches": len(own), "length_m": float(whole(own).sum())})
    return rows


# Rows as mappings of plain values, without geometry.
def _rows(table):
    plain = table.drop(columns="geometry", errors="ignore")
    return [{name: _value(value) for name, value in row.items()} for row in records_of(plain)]


def _value(value):
    value = value.item() if hasattr(value, "item") else value
    if value is None or isinstance(value, str | bool | int):
        return value
    return float(value) if isinstance(value, float) and math.isfinite(value) else None
