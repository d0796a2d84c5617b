"""What a run went by: flow equations, minimum heads, repairs, and the provenance of its results."""

import pandas as pd

from sitefinder.catalogue.equations import LN_10, percent_from_log10
from sitefinder.delivery.checking import checked_table
from sitefinder.hydrology.strength import MEAN
from sitefinder.pipeline.build import own_build
from sitefinder.pipeline.code import digest_of_files, own_code
from sitefinder.rules.confidentiality import (
    published_lineage,
    published_overrides,
    published_repairs,
    published_settings,
)
from sitefinder.schema import LAYERS, empty_table
from sitefinder.steps.flags import list_seams
from sitefinder.steps.graph import STEPS
from sitefinder.steps.network import joined_repairs, list_stream_doubts
from sitefinder.steps.scope import OF_NO_RESULT
from sitefinder.steps.terrain import list_terrain_repairs


def flow_equations_table(equations, regressions=()):
    """The terms of each flow equation, with its range, error and source.

    Parameters
    ----------
    equations : list of sitefinder.hydrology.equations.Equation
    regressions : list of sitefinder.hydrology.strength.MeanRegression
        Those of the mean flow that the run uses.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``flow_equations``.
    """
    strength = {(MEAN, each.region): (each.strength, each.reason) for each in regressions}
    rows = []
    for number, equation in enumerate(equations, 1):
        bears, reason = strength.get((equation.statistic, equation.region or ""), ("", ""))
        shared = {
            "equation": number,
            "statistic": equation.statistic,
            "region": equation.region or "",
            "form": equation.form,
            "flow_unit": equation.flow_unit,
            **_errors(equation),
            "bias_correction": equation.bias_correction,
            "interval_widening": equation.interval_widening,
            "gauges": equation.gauges,
            "strength": bears,
            "strength_reason": reason,
            "source": equation.source,
            "table": equation.table,
        }
        rows += [shared | term for term in _terms(equation)]
    if not rows:
        return empty_table("flow_equations")
    return pd.DataFrame(rows, columns=[column.name for column in LAYERS["flow_equations"].columns])


# The constant, each predictor, and each product of predictors.
def _terms(equation):
    empty = {"unit": "", "transform": "", "offset": None, "exponent": None, "minimum": None, "maximum": None}
    if equation.has_constant:
        kind = "constant" if equation.constant is not None else "factor"
        yield empty | {"predictor": kind, "coefficient": getattr(equation, kind)}
    names = [item.name for item in equation.predictors]
    for item in equation.predictors:
        transform = equation.form if item.transform == "log" else item.transform
        name = item.name
        if names.count(name) > 1:
            name += f" ({transform})" if item.exponent is None else f" ({transform} {item.exponent:g})"
        yield {
            "predictor": name,
            "unit": item.unit,
            "transform": transform,
            "offset": item.offset,
            "exponent": item.exponent,
            "coefficient": item.coefficient,
            "minimum": item.minimum,
            "maximum": item.maximum,
        }
    for term in equation.terms:
        product = " × ".join(name if power == 1 else f"{name}^{power:g}" for name, power in term.powers.items())
        yield empty | {"predictor": product, "coefficient": term.coefficient}


# The errors that the equation has; percent and log10 are the same error in two units.
def _errors(equation):
    log10 = None if equation.log_sd is None else equation.log_sd / LN_10
    return {
        "standard_error_percent": None if log10 is None else percent_from_log10(log10),
        "standard_error_log10": log10,
        "standard_error_in_flow_unit": equation.standard_error_in_flow_unit,
        "misclassified_percent": equation.misclassified_percent,
    }


def make_flow_equations(flows):
    """The ``flow_equations`` layer."""
    return checked_table(flow_equations_table(flows.equations, flows.mean_regressions), "flow_equations")


def make_minimum_heads(minimum_heads):
    """The ``minimum_heads`` layer."""
    return checked_table(
        minimum_heads[[column.name for column in LAYERS["minimum_heads"].columns]], "minimum_heads"
    )


def make_repairs(
    settings,
    inputs,
    surface,
    network,
    stationing,
    terrain,
    dem_seams,
    dem_errors,
    field_levels,
    heads,
    flows,
    channel_shapes,
    water_bodies,
    falls,
    mapped_structures,
):
    """The ``repairs`` layer: repairs and doubts, by where they were found."""
    found = joined_repairs(
        input=[
            inputs.repairs,
            mapped_structures.repairs,
            dem_errors.repairs,
            water_bodies.repairs,
            flows.repairs,
        ],
        field=[field_levels.repairs, flows.measured, channel_shapes.repairs],
        network=[
            network.repairs,
            list_stream_doubts(settings, inputs, surface, network, stationing, terrain, heads),
            falls.distant,
        ],
        terrain=[list_terrain_repairs(surface, terrain), list_seams(dem_seams)],
    )
    return checked_table(published_repairs(found, settings.rules), "repairs")


def make_provenance(settings, inputs, flows, repairs_table):
    """The ``provenance`` layer: inputs, settings that change results, the version, and the code of each step."""
    equations = flows.equations
    changed = repairs_table.groupby("layer").size().to_dict()
    rows = []
    for lineage in published_lineage(inputs.lineage, settings.rules):
        notes = [lineage.get("crs", ""), lineage.get("operation", ""), lineage.get("features", "")]
        if lineage["name"] in changed:
            notes.append(f"{changed[lineage['name']]} repairs")
        rows.append(
            {
                "kind": "input",
                "name": lineage["name"],
                "value": lineage["path"],
                "digest": lineage["digest"],
                **{key: lineage[key] for key in ("source", "date", "licence")},
                "note": "; ".join(part for part in notes if part),
            }
        )
    statistics = [equation.statistic for equation in equations]
    for equation in equations:
        several = statistics.count(equation.statistic) > 1
        name = f"equation {equation.statistic}" + (f", {equation.region or 'elsewhere'}" if several else "")
        rows.append(_setting(name, equation.region or "", equation.source))
    if any(setting.preset for setting in settings.flows.environmental):
        for number, rule in enumerate(inputs.environmental, 1):
            rows.append(_setting(f"environmental flow rule {number}", rule.kind, rule.source))
    costs = inputs.costs
    rows.append(_setting("money", f"{costs.currency} of {costs.year}", "the cost file and costs.price_year"))
    for change in inputs.conversions:
        conversion = f"{change.money} × {change.factor:.4g} = {change.to_money}"
        rows.append(_setting(f"price level of {change.name}", conversion, change.source))
    given = _flat(settings.model_dump(exclude=OF_NO_RESULT))
    for key, value in published_settings(given, settings.rules):
        rows.append(_setting(key, str(value), ""))
    for option, value in published_overrides(settings.overrides, settings.rules):
        rows.append(_setting(option, value, "the command line"))
    build = own_build()
    rows.append(
        {
            **_setting("sitefinder", build.version, ""),
            "kind": "version",
            "digest": build.commit,
            "note": build.note,
        }
    )
    for stage in STEPS:
        digest = digest_of_files(own_code().files_of(stage.functions))
        rows.append({**_setting(stage.name, digest[:12], ""), "kind": "stage", "digest": digest})
    columns = [column.name for column in LAYERS["provenance"].columns]
    return checked_table(pd.DataFrame(rows, columns=columns), "provenance")


def _setting(name, value, source):
    empty = dict.fromkeys(("digest", "date", "licence", "note"), "")
    return {"kind": "setting", "name": name, "value": value, "source": source, **empty}


# Settings as (key, value), the key as the user would write it; without tiles and workers, which affect no result.
def _flat(tables, prefix=""):
    for key, value in tables.items() if isinstance(tables, dict) else enumerate(tables, 1):
        name = f"{prefix}.{key}" if isinstance(tables, dict) and prefix else f"{prefix}[{key}]" if prefix else key
        if isinstance(value, dict) or (isinstance(value, list) and value and isinstance(value[0], dict)):
            yield from _flat(value, name)
        elif value is not None and name not in (
            "terrain.tile_rows",
            "terrain.tile_columns",
            "terrain.margin_cells",
        ):
            yield name, value
