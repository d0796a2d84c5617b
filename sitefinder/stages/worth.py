"""The stages from flow to worth: flows, stretches and energy."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.flows.duration import flow_at
from sitefinder.flows.estimate import FlowEstimate, estimate_flows
from sitefinder.flows.fitting import fit_equations
from sitefinder.flows.reserve import reserved_flow
from sitefinder.flows.seasons import split_by_month
from sitefinder.power.valuation import value_stretches
from sitefinder.siting.access import nearest_distance_m
from sitefinder.siting.likely_heads import likely_heads, shrink_heads
from sitefinder.siting.stretches import Stretches, find_stretches, subset
from sitefinder.stages.alternatives import settlements_to_serve
from sitefinder.stages.flow_regions import list_region_doubts, region_weights
from sitefinder.stages.measured_flows import flag_extended, list_record_doubts, use_measured_flows
from sitefinder.stages.people import use_by_people
from sitefinder.stages.site_access import road_levels_m

LOW_FLOW_PERCENT = 95.0
# What a stretch without a valuation holds.
NO_VALUE = {"machine": -1, "units": 0, "screened": False, "stream_too_small": False}


class Flows(NamedTuple):
    """Flow of each station: the estimate, the flow exceeded 95 % of the time and the reserved flow [m³/s].

    ``bins_m3s`` are the flows that energy goes by, in bins of equal time that ``reserved_m3s`` shares: the
    duration curve, or with statistics of months the days of a year, whose months ``bin_month`` tells (else None).
    Water that is taken is off them, so that they need not fall from bin to bin; ``closed`` are bins in which
    nothing may be taken, or None. ``equations`` are those used, ``fits`` their diagnostics where they were fitted,
    ``repairs`` what is doubtful or left out, and ``measured`` what gauges and gaugings changed.
    """

    estimate: FlowEstimate
    q95_m3s: np.ndarray
    reserved_m3s: np.ndarray
    equations: list
    fits: list
    bins_m3s: np.ndarray
    bin_month: np.ndarray | None
    closed: np.ndarray | None
    repairs: pd.DataFrame
    measured: pd.DataFrame


def estimate_station_flows(settings, inputs, placed, catchments):
    """Mean flow, duration curve and reserved flow of each station.

    The reserve goes by natural flow, and is never more than what is left after abstractions.
    """
    fits = []
    equations = inputs.equations
    if inputs.gauges is not None:
        table = settings.flows.gauges
        fits = fit_equations(inputs.gauges, table.predictors, table.source, table.record_years_column)
        equations = [fit.equation for fit in fits]
    yearly, monthly = split_by_month(equations)
    natural = estimate_flows(catchments, yearly, region_weights(settings, inputs, catchments))
    natural, measured = use_measured_flows(
        settings, inputs, placed, catchments, _flagged(settings, inputs, natural, yearly)
    )
    used = use_by_people(settings, inputs, placed, catchments, natural, monthly)
    estimate = used.estimate
    q95_m3s = flow_at(estimate.curve_exceedance, estimate.curve_m3s, LOW_FLOW_PERCENT)
    closed_months = settings.flows.closed_months
    area_km2 = catchments["area_km2"].to_numpy()
    reserved_m3s = reserved_flow(
        natural.curve_m3s, natural.mean_m3s, inputs.reserve, area_km2, used.year, closed_months
    )
    if used.bins_m3s is not natural.curve_m3s:
        reserved_m3s = np.minimum(reserved_m3s, used.bins_m3s)
    month = None if used.year is None else used.year.month
    closed = np.isin(month, closed_months) if closed_months else None
    repairs = pd.concat(
        [list_region_doubts(inputs, equations), list_record_doubts(inputs.gauges), used.repairs], ignore_index=True
    )
    shared = (used.bins_m3s, month, closed, repairs, measured)
    return Flows(estimate, q95_m3s, reserved_m3s, equations, fits, *shared)


# The estimate, flagged where the run reads off more than the quantiles tell.
def _flagged(settings, inputs, estimate, equations):
    quantiles = [equation.exceedance_percent for equation in equations if equation.exceedance_percent]
    wanted = [LOW_FLOW_PERCENT, *settings.energy.design_exceedance_percent]
    wanted += [rule.exceedance_percent for rule in inputs.reserve if rule.exceedance_percent is not None]
    return flag_extended(estimate, quantiles, wanted)


def list_stretches(settings, inputs, placed, channels, heads, waters, catchments, flows, channel_shapes):
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
    # Kept here, so that no later stage opens the DEM.
    table["road_level_m"] = road_levels_m(settings, inputs, x_m, y_m)[tailrace]
    served = settlements_to_serve(settings, inputs)
    table["settlement_distance_m"] = nearest_distance_m(x_m, y_m, served)[tailrace]
    table["flow_mean_m3s"] = flows.estimate.mean_m3s[intake]
    # The machine of a plant at a weir stands below it.
    table["stream_width_m"] = channel_shapes.shapes.width_m[tailrace]
    table["stream_depth_m"] = channel_shapes.shapes.depth_m[tailrace]
    least_m = settings.heads.resolved_standard_errors * table["head_unshrunk_se_m"]
    table["head_unresolved"] = ~(table["head_unshrunk_m"] >= least_m)
    table["flow_missing"] = np.isnan(table["flow_mean_m3s"]) | np.isnan(flows.bins_m3s[intake]).any(axis=1)
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
    enough &= ~table["flow_missing"]
    data = (inputs.machines, inputs.costs, settings, water_depths, flows.closed)
    valued = value_stretches(table[enough], flows.bins_m3s, flows.reserved_m3s, *data)
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
