"""Tables for diagrams and readers: energy against cost, distributions, and the flow equations that were used."""

import numpy as np
import pandas as pd

from sitefinder.flows.standard_errors import LN_10, percent_from_log10
from sitefinder.schema import LAYERS, empty_table
from sitefinder.schema.total_layers import SPREAD_OF
from sitefinder.siting.distributions import class_edges, distribution


def supply_curve_table(sites):
    """Sites in the order of what their energy costs, with the energy so far.

    Parameters
    ----------
    sites : DataFrame
        As `sitefinder.schema` declares it.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``supply_curve``; of equal costs the smaller id comes first, and sites
        without a cost come last.
    """
    curve = sites[["site_id", "cost_per_kwh", "energy_mwh"]].sort_values(["cost_per_kwh", "site_id"])
    curve = curve.assign(position=np.arange(1, len(curve) + 1), energy_sum_mwh=curve["energy_mwh"].cumsum())
    return pd.DataFrame(curve[[column.name for column in LAYERS["supply_curve"].columns]]).reset_index(drop=True)


def distributions_table(reaches, sites):
    """How heads, flows, areas, power and energy are spread over reaches and sites.

    Parameters
    ----------
    reaches, sites : DataFrame
        As `sitefinder.schema` declares them.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``distributions``. Of a quantity that both have the classes are the same.
    """
    layers = {"reaches": reaches, "sites": sites}
    parts = []
    for quantity in dict.fromkeys(name for names in SPREAD_OF.values() for name in names):
        having = [name for name in SPREAD_OF if quantity in SPREAD_OF[name]]
        edges = class_edges(np.concatenate([layers[name][quantity].to_numpy(dtype=float) for name in having]))
        for name in having:
            table = layers[name]
            part = distribution(
                table[quantity].to_numpy(dtype=float), table["length_m"].to_numpy(dtype=float), edges
            )
            parts.append(part.assign(quantity=quantity, of=name))
    columns = [column.name for column in LAYERS["distributions"].columns]
    filled = [part for part in parts if len(part)]
    return pd.concat(filled, ignore_index=True)[columns] if filled else empty_table("distributions")


def flow_equations_table(equations):
    """The terms of each flow equation, with its range, error and source.

    Parameters
    ----------
    equations : list of sitefinder.flows.equations.Equation

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``flow_equations``.
    """
    rows = []
    for number, equation in enumerate(equations, 1):
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
            "source": equation.source,
            "table": equation.table,
        }
        rows += [shared | term for term in _terms(equation)]
    if not rows:
        return empty_table("flow_equations")
    return pd.DataFrame(rows, columns=[column.name for column in LAYERS["flow_equations"].columns])


# The constant, each predictor, and each product of predictors.
def _terms(equation):
    empty = {"unit": "", "transform": "", "offset": None, "exponent": None, "least": None, "most": None}
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
            "least": item.least,
            "most": item.most,
        }
    for term in equation.terms:
        product = " × ".join(name if power == 1 else f"{name}^{power:g}" for name, power in term.powers.items())
        yield empty | {"predictor": product, "coefficient": term.coefficient}


# The errors as far as the equation has them; percent and log10 units are the same error told twice.
def _errors(equation):
    log10 = None if equation.log_sd is None else equation.log_sd / LN_10
    return {
        "standard_error_percent": None if log10 is None else percent_from_log10(log10),
        "standard_error_log10": log10,
        "standard_error_in_flow_unit": equation.standard_error_in_flow_unit,
        "misclassified_percent": equation.misclassified_percent,
    }
