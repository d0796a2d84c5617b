"""The stages from flow to worth: flows, stretches and energy."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.flows.duration import flow_at
from sitefinder.flows.estimate import FlowEstimate, estimate_flows
from sitefinder.flows.fitting import fit_equations
from sitefinder.flows.reserve import reserved_flow
from sitefinder.power.valuation import value_stretches
from sitefinder.siting.access import nearest_distance_m
from sitefinder.siting.likely_heads import likely_heads, shrink_heads
from sitefinder.siting.stretches import Stretches, find_stretches, subset

LOW_FLOW_PERCENT = 95.0
# What a stretch without a valuation holds.
NO_VALUE = {"machine": -1, "units": 0, "screened": False}


class Flows(NamedTuple):
    """Flow of each station: the estimate, the flow exceeded 95 % of the time and the reserved flow [m³/s].

    ``equations`` are those used, ``fits`` their diagnostics where they were fitted.
    """

    estimate: FlowEstimate
    q95_m3s: np.ndarray
    reserved_m3s: np.ndarray
    equations: list
    fits: list


def estimate_station_flows(settings, inputs, catchments):
    """Mean flow, duration curve and reserved flow of each station."""
    fits = []
    equations = inputs.equations
    if inputs.gauges is not None:
        table = settings.flows.gauges
        fits = fit_equations(inputs.gauges, table.predictors, table.source, table.record_years_column)
        equations = [fit.equation for fit in fits]
    estimate = estimate_flows(catchments, equations)
    q95_m3s = flow_at(estimate.curve_exceedance, estimate.curve_m3s, LOW_FLOW_PERCENT)
    reserved_m3s = reserved_flow(estimate.curve_m3s, estimate.mean_m3s, settings.flows.reserve)
    return Flows(estimate, q95_m3s, reserved_m3s, equations, fits)


def list_stretches(settings, inputs, placed, channels, heads, waters, catchments, flows):
    """Candidates within the limits of head, length and flow, with what depends on their place.

    Candidates are found by their measured heads, since whether a stretch or a weir fits the place is judged by
    what the DEM shows there; the same goes for `head_unresolved`. What they are worth goes by the shrunk heads,
    and so does the least head: a stretch that only luck brought over it is left out.
    """
    structures = waters.structures
    barred = waters.standing | waters.developed | waters.tidal
    barriers = structures[structures["is_barrier"].astype(bool)]
    rows = np.flatnonzero(structures["is_barrier"].astype(bool))
    stretches = find_stretches(
        placed.stations,
        heads.profile_m,
        heads.errors_m,
        barred,
        pd.DataFrame(
            {
                "station": barriers["station"].astype(np.int64),
                "head_m": barriers["drop_m"].astype(float),
                "head_se_m": barriers["drop_error_m"].astype(float),
                "fall_below_m": barriers["fall_below_m"].astype(float),
            }
        ),
        settings.stretches,
        channels.bank_height_m,
    )
    stretches = _shrunk(settings, placed, heads, barred, barriers, stretches)
    table = stretches.table.copy()
    intake, tailrace = table["intake"].to_numpy(), table["tailrace"].to_numpy()
    if len(rows):
        table["structure"] = np.where(table["structure"] >= 0, rows[table["structure"]], -1)
    passes = structures["fish_pass"].to_numpy(dtype=bool)
    table["has_fish_pass"] = (table["structure"] >= 0) & (
        passes[table["structure"]] if len(passes) else np.zeros(len(table), dtype=bool)
    )
    x_m, y_m = placed.stations["x_m"].to_numpy(), placed.stations["y_m"].to_numpy()
    for name, layer in (("road_distance_m", "roads"), ("line_distance_m", "power_lines")):
        frame = inputs.layers[layer].frame if layer in inputs.layers else None
        table[name] = nearest_distance_m(x_m, y_m, frame)[tailrace]
    table["flow_mean_m3s"] = flows.estimate.mean_m3s[intake]
    least_m = settings.heads.resolved_standard_errors * table["head_unshrunk_se_m"]
    table["head_unresolved"] = ~(table["head_unshrunk_m"] >= least_m)
    table["catchment_incomplete"] = catchments["incomplete"].to_numpy()[intake]
    return Stretches(table, *stretches[1:])


# Candidates with their shrunk heads, without those that fall below the least head by it.
def _shrunk(settings, placed, heads, barred, barriers, stretches):
    table = stretches.table
    if not settings.heads.shrink:
        told = {"head_unshrunk_m": table["head_m"], "head_unshrunk_se_m": table["head_se_m"]}
        return stretches._replace(table=table.assign(**told))
    stations = placed.stations
    likely = likely_heads(
        heads.profile_m,
        heads.errors_m,
        stations["downstream"].to_numpy().astype(np.int32),
        stations["to_downstream_m"].to_numpy(),
        stations["segment_length_m"].to_numpy(),
        barred,
        settings.stretches.longest_m,
    )
    surveyed = barriers["drop_m"].notna()
    drop_m = barriers["drop_m"].where(surveyed, barriers["dem_drop_m"]).astype(float)
    drop_se_m = barriers["drop_error_m"].where(surveyed, barriers["dem_drop_se_m"]).astype(float)
    table = shrink_heads(table, likely, drop_m, drop_se_m)
    return subset(stretches._replace(table=table), table["head_m"] >= settings.stretches.least_head_m)


def value_all(settings, inputs, stretches, flows, water_depths):
    """What each stretch is worth for any machine and for fish-safe ones; those with too little flow nothing.

    Rules have no say here: a new rule redoes no energy.
    """
    table = stretches.table
    enough = table["flow_mean_m3s"] >= settings.stretches.least_flow_mean_m3s
    curve_m3s, reserved_m3s = flows.estimate.curve_m3s, flows.reserved_m3s
    data = (inputs.machines, inputs.costs, settings, water_depths)
    valued = value_stretches(table[enough], curve_m3s, reserved_m3s, *data)
    whole = {
        name: pd.Series(NO_VALUE.get(name.partition("_")[2], np.nan), index=table.index, dtype=valued[name].dtype)
        for name in valued
        if name != "costs_left_out"
    }
    whole["costs_left_out"] = pd.Series("", index=table.index, dtype=object)
    valuation = pd.DataFrame(whole)
    for name in valued:
        valuation.loc[enough, name] = valued[name]
    return valuation
