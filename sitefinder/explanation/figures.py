"""Head, flow, plant and cost at a reach or candidate, as the stages worked them out, with what they come from."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from sitefinder.delivery.record_tables import flow_equations_table
from sitefinder.delivery.site_lines import profile_between
from sitefinder.delivery.structure_tables import PLANT
from sitefinder.energy.costs import screen_takes
from sitefinder.energy.hydraulics import net_head_m, waterway_lengths_m
from sitefinder.hydrology.equations import apply_equation
from sitefinder.schema.arrays import records_of
from sitefinder.siting.selection import valued_for
from sitefinder.steps.closed_months import with_closed

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from sitefinder.explanation.changes import Given

# Columns of a profile's rows that are given as samples of a head.
SAMPLE = ("distance_m", "raw_m", "profile_m", "low_m", "high_m")
MEAN = "mean"
# Columns of a site that say what its head, conduit, plant and money are.
OF_HEAD = (
    "head_m",
    "head_se_m",
    "head_uncorrected_m",
    "head_uncorrected_se_m",
    "selection_luck_m",
    "head_is_capped",
)
OF_CONDUIT = (
    "conduit_route",
    "conduit_bank",
    "conduit_length_m",
    "headrace_length_m",
    "penstock_length_m",
    "deepest_cut_m",
    "aqueduct_length_m",
    "tunnel_length_m",
    "crossings",
)
OF_PLANT = (
    "turbine",
    "units",
    "flow_design_m3s",
    "efficiency_design",
    "power_kw",
    "power_kw_p90",
    "power_kw_p50",
    "power_kw_p10",
    "energy_mwh",
    "energy_mwh_p90",
    "energy_mwh_p50",
    "energy_mwh_p10",
    "capacity_factor",
    "screened",
    "survival",
    "fish_safe",
)
OF_MONEY = (
    "capital_cost",
    "lcoe_per_kwh",
    "lcoe_per_kwh_p90",
    "lcoe_per_kwh_p10",
    "annual_revenue",
    "annual_operating_cost",
    "net_annual_value",
    "break_even_price_per_kwh",
)
# What optional layers of the user say of a site.
OF_SURROUNDINGS = (
    "water_body_id",
    "water_body_status",
    "intake_owner",
    "conduit_owner",
    "tailrace_owner",
    "line_distance_m",
    "connection_kv",
    "substation_id",
    "substation_distance_m",
    "substation_free_kw",
    "substation_left_kw",
)


def picked(row: Mapping[str, Any], columns: tuple[str, ...]) -> dict[str, Any]:
    """Those of some columns that a row has."""
    return {name: row[name] for name in columns if name in row}


def head_of_reach(given: Given, reach: int, row: Mapping[str, Any]) -> dict[str, Any]:
    """The head of a reach with its error, what it takes to be resolved, and the elevations that it comes from.

    Parameters
    ----------
    given : Given
    reach : int
        Its number.
    row : Mapping
        Its row of the layer ``reaches``.

    Returns
    -------
    dict
        ``head_m``, ``head_se_m``, ``standard_errors`` (their ratio), ``needed_standard_errors``, ``dem_rmse_m`` at
        the lower end, ``simulations``, and ``samples``: a dict a station, with the way along the stream [m], the
        elevation read from the DEM, the fitted one and its 90 % confidence interval [m].
    """
    results = given.results
    ends = [int(results["stationing"].reaches[name].iloc[reach]) for name in ("first_station", "last_station")]
    return {
        **picked(row, ("head_m", "head_se_m")),
        **_resolution(given, row["head_m"], row["head_se_m"]),
        "dem_rmse_m": float(results["dem_errors"].rmse_m[ends[1]]),
        "simulations": int(results["heads"].errors_m.shape[1]),
        "samples": _samples(given, *ends),
    }


def head_of_candidate(given: Given, candidate: int, row: Mapping[str, Any]) -> dict[str, Any]:
    """The head of a candidate: as found, after regional shrinkage, and after the correction for selection.

    Parameters
    ----------
    given : Given
    candidate : int
        Its number.
    row : Mapping
        Of the layer ``sites``, or of the table of candidates.

    Returns
    -------
    dict
        As `head_of_reach`, with ``head_uncorrected_m`` and its error, ``shrinkage_m`` and ``selection_luck_m``:
        both are taken off it.
    """
    table = given.results["stretches"].table.iloc[candidate]
    ends = int(table["intake"]), int(table["tailrace"])
    uncorrected_m, error_m = float(table["head_uncorrected_m"]), float(table["head_uncorrected_se_m"])
    luck_m = float(table["selection_luck_m"])
    return {
        **picked(row, OF_HEAD),
        "shrinkage_m": uncorrected_m - luck_m - float(table["head_m"]),
        **_resolution(given, uncorrected_m, error_m),
        "is_surveyed": bool(table["head_surveyed"]),
        "dem_rmse_m": float(given.results["dem_errors"].rmse_m[ends[1]]),
        "simulations": int(given.results["heads"].errors_m.shape[1]),
        "samples": _samples(given, *ends),
    }


def _resolution(given: Given, head_m: float, error_m: float) -> dict[str, Any]:
    ratio = head_m / error_m if error_m > 0 else math.inf
    return {"standard_errors": ratio, "needed_standard_errors": given.settings.heads.resolved_standard_errors}


def _samples(given: Given, upper: int, lower: int) -> list[dict[str, Any]]:
    profile = profile_between(
        given.results["stationing"], given.results["heads"], given.results["water_bodies"], upper, lower
    )
    return [picked(row, SAMPLE) for row in records_of(profile)]


def flow_at(given: Given, station: int) -> dict[str, Any]:
    """The flow of a station: its figures, and the equations of the mean flow with their predictors and ranges.

    Parameters
    ----------
    given : Given
    station : int

    Returns
    -------
    dict
        ``flow_mean_m3s`` with ``low_m3s`` and ``high_m3s`` (90 % prediction interval), ``flow_q95_m3s``,
        ``environmental_flow_m3s`` (mean), ``source``, ``flags``, ``area_km2``, and ``equations``: each with
        source, errors, ``gives_m3s``, and its predictors with value, range, coefficient and whether the value is
        within it.
    """
    results = given.results
    flows, estimate = results["flows"], results["flows"].estimate
    place = results["catchments"].iloc[[station]].reset_index(drop=True)
    return {
        "flow_mean_m3s": float(estimate.mean_m3s[station]),
        "low_m3s": float(estimate.mean_low_m3s[station]),
        "high_m3s": float(estimate.mean_high_m3s[station]),
        "flow_q95_m3s": float(flows.q95_m3s[station]),
        "environmental_flow_m3s": float(np.mean(flows.environmental_flow_m3s[station])),
        "source": str(estimate.source[station]),
        "flags": list(estimate.flags[station]),
        "area_km2": float(place["area_km2"].iloc[0]),
        "equations": [_equation(each, flows, place) for each in flows.equations if each.statistic == MEAN],
    }


def _equation(equation: Any, flows: Any, place: pd.DataFrame) -> dict[str, Any]:
    table = flow_equations_table([equation], flows.mean_regressions)
    applied = apply_equation(equation, place)
    terms = []
    for term in records_of(table):
        name = str(term["predictor"])
        column = next((each.column for each in equation.predictors if name.split(" (")[0] == each.name), "")
        value = float(place[column].iloc[0]) if column in place else None
        inside = None
        if value is not None and column in applied.outside:
            inside = not bool(applied.outside[column][0])
        terms.append(
            {
                "predictor": name,
                "column": column,
                **{key: term[key] for key in ("unit", "transform", "coefficient", "minimum", "maximum")},
                "value": value,
                "is_in_range": inside,
            }
        )
    first = table.iloc[0]
    return {
        **{
            name: first[name]
            for name in (
                "statistic",
                "region",
                "form",
                "standard_error_percent",
                "bias_correction",
                "gauges",
                "source",
            )
        },
        "gives_m3s": float(applied.flow_m3s[0]),
        "low_m3s": float(applied.low_m3s[0]),
        "high_m3s": float(applied.high_m3s[0]),
        "terms": terms,
    }


def plant_of_site(given: Given, row: Mapping[str, Any], candidate: int) -> dict[str, Any]:
    """Turbine, losses of head, energy, cost parts and conduit of a site.

    Parameters
    ----------
    given : Given
    row : Mapping
        Of the layer ``sites``.
    candidate : int
        Its number.

    Returns
    -------
    dict
        ``plant``, ``losses`` [m], ``net_head_m``, ``conduit``, ``money``, ``cost_parts`` by name.
    """
    own = given.results["site_costs_table"]
    parts = own[own["site_id"] == row["site_id"]]
    return {
        "plant": picked(row, OF_PLANT),
        **losses(given, candidate, float(row["flow_design_m3s"]), bool(row["screened"])),
        "conduit": picked(row, OF_CONDUIT),
        "money": picked(row, OF_MONEY),
        "cost_parts": dict(zip(parts["part"].tolist(), parts["cost"].tolist(), strict=True)),
    }


def losses(given: Given, candidate: int, flow_m3s: float, screened: bool) -> dict[str, Any]:
    """What comes off the gross head of a candidate before its turbine, but for the friction in a pipe.

    Parameters
    ----------
    given : Given
    candidate : int
        Its number.
    flow_m3s : float
        Design flow [m³/s], for the screen.
    screened : bool

    Returns
    -------
    dict
        ``losses`` (canal, rack and gates, exit, fish screen) and ``net_head_m`` [m].
    """
    energy = given.settings.energy
    own = given.results["stretches"].table.iloc[[candidate]]
    headrace_m = float(waterway_lengths_m(own, energy)[0][0])
    screen_m = screen_takes(given.inputs.costs, np.array([screened]), np.array([flow_m3s]))[0]
    net_m = float(net_head_m(own["head_m"].to_numpy(), np.array([headrace_m]), energy)[0])
    return {
        "losses": {
            "canal_m": energy.canal_slope * headrace_m if energy.conduit == "canal" else 0.0,
            "rack_and_gates_m": energy.rack_and_gate_loss_m,
            "exit_m": energy.exit_loss_m,
            "fish_screen_m": float(np.ravel(screen_m)[0]),
        },
        "net_head_m": net_m - float(np.ravel(screen_m)[0]),
    }


def candidate_facts(given: Given, candidate: int) -> dict[str, Any]:
    """A candidate that was not selected: where it is, its head and flow, and its plant with any turbine.

    Parameters
    ----------
    given : Given
    candidate : int
        Its number.

    Returns
    -------
    dict
    """
    results = given.results
    table = results["stretches"].table.iloc[candidate]
    reaches, reach = results["stationing"].reaches, results["stationing"].stations["reach"].to_numpy()
    valued = with_closed(results["energy"], results["closed_energy"]).iloc[[candidate]].reset_index(drop=True)
    choice = np.maximum(results["verdicts"].choice[[candidate]], 0)
    own = valued_for(valued, choice).iloc[0].to_dict()
    number = int(own["turbine"])
    turbine = given.inputs.turbines[number].name if number >= 0 else ""
    at = reach[int(table["tailrace"])]
    return {
        "scheme_type": table["scheme_type"],
        "tailrace_reach_id": reaches["reach_id"].iloc[at] if at >= 0 else "",
        "length_m": float(table["length_m"]),
        "head_m": float(table["head_m"]),
        "head_uncorrected_m": float(table["head_uncorrected_m"]),
        "head_uncorrected_se_m": float(table["head_uncorrected_se_m"]),
        "flow_mean_m3s": float(table["flow_mean_m3s"]),
        "turbine": turbine,
        **(picked(own, PLANT) if number >= 0 else {}),
    }


def turbine_ranges(given: Given, scheme_type: str) -> list[dict[str, Any]]:
    """Net heads [m] and flows of a unit [m³/s] that each class of turbines for a scheme type is for."""
    return [
        {
            "turbine": each.name,
            "head_range_m": list(each.head_range_m),
            "flow_range_m3s": list(each.flow_range_m3s),
        }
        for each in given.inputs.turbines
        if scheme_type in each.scheme_types
    ]
