"""The stages of candidates: stretches with their heads, and the energy and cost of each."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from sitefinder.energy.costs import best_price_per_kwh
from sitefinder.energy.hydraulics import LEAST_CANAL, LEAST_PIPE
from sitefinder.energy.plant import hydraulic_power_kw
from sitefinder.energy.valuation import MOST_FALL, expected_by_kind, value_any, value_fish_safe, value_stretches
from sitefinder.energy.works import canal_cost_per_m, penstock_cost_per_m, works_numbers
from sitefinder.io.raster import cells_at
from sitefinder.pipeline.executors import InThisProcess, results_in_order
from sitefinder.profile.shrinkage import fit_prior, head_priors, shrink_heads
from sitefinder.schema import is_scheme_that
from sitefinder.schema.arrays import arrays_by_name
from sitefinder.siting.access import is_off_grid, nearest_distance_m, on_roads, road_lines
from sitefinder.siting.candidates import Stretches, find_stretches, subset
from sitefinder.siting.grid import VOLTAGES, connections, grid_of
from sitefinder.siting.passed import new_weirs_at, passed_things, plants_of_structures
from sitefinder.siting.selection import without_prefix
from sitefinder.steps.systems import in_parts, joined_rows
from sitefinder.units import HOURS_PER_YEAR, KILOWATT_HOURS_PER_MEGAWATT_HOUR
from sitefinder.vocabulary import FLOW_TOO_WEAK, schemes_that

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import geopandas
    import numpy.typing as npt

    from sitefinder.energy.hydraulics import WaterDepths
    from sitefinder.network.stations import Stationing
    from sitefinder.pipeline.executors import Executor
    from sitefinder.profile.shrinkage import HeadSample, Prior
    from sitefinder.profile.thalweg import Channels
    from sitefinder.settings import Settings
    from sitefinder.settings.fish import FishSettings
    from sitefinder.steps.flows import Flows, StationShapes
    from sitefinder.steps.heads import Profile
    from sitefinder.steps.inputs import RunInputs
    from sitefinder.steps.systems import Systems
    from sitefinder.steps.water_bodies import WaterBodies

# A diversion that loses no more than this share of its revenue in the best case may pay: what closed months leave
# of its water is computed by other bins, so that the two can differ by as much.
NEARLY = 0.01
# By how much heads that are looked at for luck go beyond the maximum (own choice: some two standard errors).
BEYOND_SHARE = 0.1
# What a stretch without a valuation holds.
NO_VALUE = {"turbine": -1, "units": 0, "screened": False, "stream_too_small": False, "grade": -1}


def list_stretches(
    settings: Settings,
    inputs: RunInputs,
    stationing: Stationing,
    channels: Channels,
    heads: Profile,
    water_bodies: WaterBodies,
    catchments: pd.DataFrame,
    flows: Flows,
    channel_shapes: StationShapes,
    stream_things: pd.DataFrame,
    executor: Executor | None = None,
) -> Stretches:
    """Candidates within the limits of head, length and flow, with what depends on their place.

    Candidates are found by their measured heads, since whether a stretch or a weir fits the place is judged by
    what the DEM shows there; the same goes for `head_unresolved`. Energy and cost go by the shrunk heads, and
    so do the limits of head: a stretch that only luck brought within them is left out. So is a diversion with an
    existing structure within ``stretches.structure_snap_m`` of both of its ends that is most of its head, and a
    new weir on a structure or as near to one: its drop is not theirs.

    The list goes on a little beyond the maximum head: another survey might have found less there, and who asks
    what luck does must know of them. `sitefinder.steps.selection_luck.correct_heads` leaves them out.

    The executor fits what heads are likely, length by length; absent: this process does.
    """
    structures = water_bodies.structures
    barred = water_bodies.standing | water_bodies.developed | water_bodies.tidal
    barriers = structures[structures["is_barrier"].astype(bool)]
    rows = np.flatnonzero(structures["is_barrier"].astype(bool))
    limits = settings.stretches
    stretches = find_stretches(
        stationing.stations,
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
        limits.model_copy(update={"max_head_m": limits.max_head_m * (1.0 + BEYOND_SHARE)}),
        channels.bank_height_m,
    )
    executor = InThisProcess() if executor is None else executor
    stretches = _shrunk(settings, stationing, heads, barred, barriers, stretches, executor)
    table = stretches.table.copy()
    if len(rows):
        table["structure"] = np.where(table["structure"] >= 0, rows[table["structure"]], -1)
    own = stretches._replace(table=table)
    is_plant = _plants_of_structures(settings, stationing, own, structures, stream_things)
    stretches = subset(own, ~is_plant & ~_raises_structure(settings, stationing, own, structures))
    # Not a difference of the long profile.
    surveyed = np.append(structures["drop_m"].notna().to_numpy(dtype=bool), False)
    table = _with_intakes(settings, stretches, structures, stream_things, len(stationing.stations))
    intake, tailrace = table["intake"].to_numpy(), table["tailrace"].to_numpy()
    x_m, y_m = stationing.stations["x_m"].to_numpy(), stationing.stations["y_m"].to_numpy()
    roads = inputs.layers["roads"].frame if "roads" in inputs.layers else None
    table["road_distance_m"] = nearest_distance_m(x_m, y_m, roads)[tailrace]
    # Read here, so that no later stage opens the DEM.
    table["road_level_m"] = _road_levels_m(settings, inputs, x_m, y_m)[tailrace]
    served = settlements_to_serve(settings, inputs)
    table["settlement_distance_m"] = nearest_distance_m(x_m, y_m, served)[tailrace]
    # For the setting of runners against cavitation.
    table["tailrace_level_m"] = heads.profile_m[tailrace]
    table["flow_mean_m3s"] = flows.estimate.mean_m3s[intake]
    table = with_connections(settings, inputs, table.assign(x_m=x_m[tailrace], y_m=y_m[tailrace]))
    table = table.drop(columns=["x_m", "y_m"])
    # The turbine of a plant at a weir is below it.
    table["stream_width_m"] = channel_shapes.shapes.width_m[tailrace]
    table["stream_depth_m"] = channel_shapes.shapes.depth_m[tailrace]
    min_m = settings.heads.resolved_standard_errors * table["head_uncorrected_se_m"]
    table["head_surveyed"] = surveyed[table["structure"].to_numpy(dtype=np.int64)]
    table["head_unresolved"] = ~(table["head_uncorrected_m"] >= min_m)
    # By station first: a row of bins for each candidate would be the largest array of a run.
    has_gaps = np.asarray(np.isnan(flows.bins_m3s).any(axis=1))
    table["flow_missing"] = np.isnan(table["flow_mean_m3s"]) | has_gaps[intake]
    too_weak = np.array([FLOW_TOO_WEAK.flag in flags for flags in flows.estimate.flags], dtype=bool)
    table["flow_too_weak"] = too_weak[intake]
    table["catchment_incomplete"] = catchments["incomplete"].to_numpy()[intake]
    return Stretches(table, *stretches[1:])


def with_connections(settings: Settings, inputs: RunInputs, table: pd.DataFrame) -> pd.DataFrame:
    """Plants with the distance to what they connect to, and where voltages or substations are known, with these.

    What a plant will have is not known before it is sized, and its size depends on the cost of the line; so the
    voltage is chosen by the power of all head and mean flow.

    Parameters
    ----------
    settings, inputs
        Results of the stages of those names.
    table : DataFrame
        With ``x_m``, ``y_m``, ``head_m`` and ``flow_mean_m3s``.

    Returns
    -------
    DataFrame
        With ``line_distance_m``; and the other columns of `sitefinder.siting.grid.connections` where the layers
        of substations or of voltages of lines are there.
    """
    lines, substations = (
        inputs.layers[name].frame if name in inputs.layers else None for name in ("power_lines", "substations")
    )
    x_m, y_m = table["x_m"].to_numpy(), table["y_m"].to_numpy()
    if substations is None and (lines is None or VOLTAGES not in lines):
        return table.assign(line_distance_m=nearest_distance_m(x_m, y_m, lines))
    power_kw = hydraulic_power_kw(table["flow_mean_m3s"], table["head_m"]).to_numpy(dtype=np.float64)
    found = connections(x_m, y_m, power_kw, grid_of(lines, substations), settings.grid.connections)
    return table.assign(**{name: found[name].to_numpy() for name in found.columns})


# Diversions whose head is the drop of a structure that is valued by itself, or that is to be removed.
def _plants_of_structures(
    settings: Settings,
    stationing: Stationing,
    stretches: Stretches,
    structures: pd.DataFrame,
    things: pd.DataFrame,
) -> npt.NDArray[np.bool_]:
    examined = bool(set(settings.stretches.scheme_types) & set(schemes_that("uses_structure")))
    counts = structures["removal_planned"].to_numpy(dtype=bool)
    if examined:
        counts = counts | structures["is_barrier"].to_numpy(dtype=bool)
    counts = np.append(counts, False)[things["structure"].to_numpy(dtype=np.int64)]
    snap_m = settings.stretches.structure_snap_m
    found: npt.NDArray[np.bool_] = plants_of_structures(stretches, things, counts, stationing.stations, snap_m)
    return found


# New weirs on an existing structure, or so near to one that both are the same place: its drop is not theirs.
def _raises_structure(
    settings: Settings, stationing: Stationing, stretches: Stretches, structures: pd.DataFrame
) -> npt.NDArray[np.bool_]:
    holds = structures["is_barrier"].to_numpy(dtype=bool) | structures["removal_planned"].to_numpy(dtype=bool)
    standing = structures[holds]
    station = standing["station"].to_numpy(dtype=np.int64)
    segments = stationing.segments.set_index("station")["geometry"]
    # As mapped, and where that is on the stream.
    on_stream = shapely.line_interpolate_point(
        segments.reindex(station).to_numpy(), standing["share_above"].to_numpy(dtype=np.float64), normalized=True
    )
    places = np.concatenate([standing["geometry"].to_numpy(), on_stream])
    found: npt.NDArray[np.bool_] = new_weirs_at(
        stretches,
        stationing.stations,
        station,
        places[~shapely.is_missing(places)],
        settings.stretches.structure_snap_m,
    )
    return found


# Candidates with what they go past, and with the weirs at the intakes of diversions.
def _with_intakes(
    settings: Settings, stretches: Stretches, structures: pd.DataFrame, things: pd.DataFrame, count: int
) -> pd.DataFrame:
    table = stretches.table
    passed = passed_things(stretches, things, count)
    serves = passed.serving >= 0

    def of_serving(name: str, otherwise: float) -> npt.NDArray[Any]:
        return np.where(serves, np.append(things[name].to_numpy(), otherwise)[passed.serving], otherwise)

    at_intake = of_serving("structure", -1).astype(np.int64)
    used = np.where(at_intake >= 0, at_intake, table["structure"].to_numpy(dtype=np.int64))
    passes = np.append(structures["fish_pass"].to_numpy(dtype=bool), False)
    diverts = is_scheme_that(table["scheme_type"], "diverts")
    return table.assign(
        passed_kinds=passed.kinds,
        intake_thing=passed.serving,
        intake_structure=at_intake,
        has_fish_pass=passes[used],
        intake_weir_m=np.where(diverts & ~serves, settings.stretches.intake_weir_height_m, 0.0),
        intake_drop_m=np.nan_to_num(of_serving("drop_m", 0.0).astype(np.float64)),
    )


# Priors of heads over each length.
def _fitted_priors(executor: Executor, samples: list[HeadSample]) -> list[Prior]:
    items = [(f"likely heads, length {number}", sample._asdict()) for number, sample in enumerate(samples, 1)]
    return results_in_order(executor, fit_prior, {}, items, "found_candidates")


# Candidates with their shrunk heads, without those that leave the limits of head by it.
def _shrunk(
    settings: Settings,
    stationing: Stationing,
    heads: Profile,
    barred: npt.NDArray[np.bool_],
    barriers: pd.DataFrame,
    stretches: Stretches,
    executor: Executor,
) -> Stretches:
    table = stretches.table
    if not settings.heads.shrink:
        heads_m = {"head_uncorrected_m": table["head_m"], "head_uncorrected_se_m": table["head_se_m"]}
        return stretches._replace(table=table.assign(**heads_m))
    stations = stationing.stations
    likely = head_priors(
        heads.profile_m,
        heads.errors_m,
        stations["downstream"].to_numpy().astype(np.int32),
        stations["to_downstream_m"].to_numpy(),
        stations["segment_length_m"].to_numpy(),
        barred,
        settings.stretches.longest_m,
        partial(_fitted_priors, executor),
    )
    surveyed = barriers["drop_m"].notna()
    drop_m = barriers["drop_m"].where(surveyed, barriers["dem_drop_m"]).astype(float)
    drop_se_m = barriers["drop_error_m"].where(surveyed, barriers["dem_drop_se_m"]).astype(float)
    table = shrink_heads(table, likely, drop_m, drop_se_m)
    within = table["head_m"] >= settings.stretches.min_head_m
    return subset(stretches._replace(table=table), within)


# Level of the nearest road at each place [m], by the DEM's own cells; NaN without roads, shape (n,).
def _road_levels_m(
    settings: Settings, inputs: RunInputs, x_m: npt.NDArray[np.float64], y_m: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    lines = road_lines(inputs.layers["roads"].frame) if "roads" in inputs.layers else np.array([])
    if not (len(lines) and len(x_m)):
        return np.full(len(x_m), np.nan)
    roads = on_roads(shapely.points(x_m, y_m), lines)
    places = shapely.line_interpolate_point(lines[roads.line], roads.along_m)
    road_x_m, road_y_m = shapely.get_coordinates(places).T
    return cells_at(inputs.dem, road_x_m, road_y_m, settings.run.crs, factor=settings.inputs.dem.metres_per_unit)


def settlements_to_serve(settings: Settings, inputs: RunInputs) -> geopandas.GeoDataFrame | None:
    """The settlements that a line may lead to: all, or off-grid ones where the settings look for these.

    Returns
    -------
    GeoDataFrame or None
        None without a layer.
    """
    if "settlements" not in inputs.layers:
        return None
    frame = inputs.layers["settlements"].frame
    if settings.off_grid is None:
        return frame
    lines = inputs.layers["power_lines"].frame if "power_lines" in inputs.layers else None
    return frame[is_off_grid(frame, lines, settings.off_grid.beyond_m)].reset_index(drop=True)


def value_best_case(
    settings: Settings, inputs: RunInputs, candidates: Stretches, flows: Flows, water_depths: WaterDepths
) -> pd.DataFrame:
    """Which diversions may pay, whatever the ground, and the best values of the others.

    Each is valued with the least conduit that can be, as long as the straight line between its ends: a canal of
    the cheapest kind at each flow on level ground, and, if it does not pay by that, a pipe without loss of head.
    Since head and cost go with the length of either, what is partly canal and partly pipe has no more value than
    the better of the two. Only diversions that pay like this, or nearly, need a conduit that finds its way.

    Returns
    -------
    DataFrame
        A row for each candidate: ``may_pay``, False for all but diversions; and where this is known, the
        columns of `value_all`, of diversions alone; of those that may pay these are of no use, since the search
        ends where it has found a plant that pays. It is not known where sites are not chosen by money, or
        where a cost rises faster than the head, so that a little less head could be better; then all diversions of
        enough flow may pay.
    """
    table = candidates.table
    diverts = is_scheme_that(table["scheme_type"], "diverts") & _has_enough_flow(settings, table)
    if settings.conduits.route == "straight_line" or not _less_head_is_no_better(settings, inputs):
        return pd.DataFrame({"may_pay": diverts}, index=table.index)
    least_m = table["conduit_length_m"] / settings.stretches.headrace_detour_factor
    none, own_m = np.zeros(len(table)), least_m.to_numpy()
    most_m = table["length_m"].to_numpy() * max(settings.conduits.max_detour, 1.0)
    is_pipe = settings.energy.conduit == "pipe"
    slope = 0.0 if is_pipe else settings.energy.canal_slope

    floor = ceiling = None
    if settings.energy.design_by == "choice":
        # What counts as nearly paying, by twice the revenue of all water and head; and what pays for certain.
        kw = hydraulic_power_kw(table["flow_mean_m3s"], table["head_m"]).to_numpy(dtype=np.float64)
        floor = -NEARLY * 2.0 * best_price_per_kwh(settings.costs) * HOURS_PER_YEAR * np.nan_to_num(kw)
        ceiling = 0.0
    water = None
    if flows.model is not None:
        water = expected_by_kind(table[diverts], flows.bins_m3s, inputs.costs, settings, water_depths, flows.model)

    def valued(
        canal_m: npt.NDArray[np.float64],
        pipe_m: npt.NDArray[np.float64],
        rows: npt.NDArray[np.bool_],
        floor: npt.NDArray[np.float64] | None,
        value: Callable[..., pd.DataFrame] = value_stretches,
    ) -> pd.DataFrame:
        least = {"conduit_length_m": own_m, LEAST_CANAL: canal_m, LEAST_PIPE: pipe_m}
        least[MOST_FALL] = np.maximum(slope * (most_m - canal_m), 0.0)
        own = table[rows].assign(**{name: values[rows] for name, values in least.items()})
        floor = None if floor is None else floor[rows]
        return _values(
            settings, inputs, own, flows, water_depths, value, floor=floor, ceiling=ceiling, water=water
        )

    def pays(values: pd.DataFrame) -> npt.NDArray[np.bool_]:
        kwh = values["any_energy_mwh"].to_numpy() * KILOWATT_HOURS_PER_MEGAWATT_HOUR
        revenue = kwh * best_price_per_kwh(settings.costs)
        return np.asarray(values["any_net_annual_value"].to_numpy() > -NEARLY * revenue, dtype=bool)

    def of_all_rows(values: pd.DataFrame, rows: npt.NDArray[np.bool_]) -> pd.DataFrame:
        return _of_all_rows(values, table.index, rows)

    if is_pipe:
        best = of_all_rows(valued(none, own_m, diverts, floor), diverts)
        return best.assign(may_pay=diverts & pays(best))
    best = of_all_rows(valued(own_m, none, diverts, floor), diverts)
    may_pay = diverts & pays(best)
    rest = diverts & ~may_pay & _pipe_may_pay(settings, inputs, table, best, slope * own_m)
    if rest.any():
        # What has a plant by a canal keeps that unless it pays by a pipe; of the others any plant counts.
        lacks = best["any_turbine"].to_numpy() < 0
        asked = valued(none, own_m, rest, None if floor is None else np.where(lacks, -np.inf, floor), value_any)
        may_pay[rest] = pays(asked)
        fits = lacks & ~may_pay
        fits[rest] &= asked["any_turbine"].to_numpy() >= 0
        fits &= rest
        if fits.any():
            best = _with_rows_of(of_all_rows(valued(none, own_m, fits, floor), fits), fits, best)
    return best.assign(may_pay=may_pay)


# Energy of a plant grows with its head; one sized for more head gains a little more than that (own choice).
MORE_FOR_HEAD = 1.25


# Whether a pipe without loss may pay where a canal on level ground does not: where it costs less, or where the
# fall of the canal matters; a class of turbines that needs this head is tried.
def _pipe_may_pay(
    settings: Settings, inputs: RunInputs, table: pd.DataFrame, best: pd.DataFrame, fall_m: npt.NDArray[np.float64]
) -> npt.NDArray[np.bool_]:
    works = works_numbers(inputs.costs, settings)
    flow_m3s, head_m = best["any_flow_design_m3s"].to_numpy(), table["head_m"].to_numpy()
    is_dearer = penstock_cost_per_m(flow_m3s, head_m, works) > canal_cost_per_m(flow_m3s, works)
    kwh = best["any_energy_mwh"].to_numpy() * KILOWATT_HOURS_PER_MEGAWATT_HOUR
    revenue = kwh * best_price_per_kwh(settings.costs)
    left_m = np.maximum(head_m - fall_m - settings.energy.rack_and_gate_loss_m - settings.energy.exit_loss_m, 1e-9)
    worth = best["any_net_annual_value"].to_numpy() + revenue * (MORE_FOR_HEAD * fall_m / left_m + NEARLY)
    least_m = np.array([turbine.head_range_m[0] for turbine in inputs.turbines])
    is_new = ((least_m > left_m[:, None]) & (least_m <= (left_m + fall_m)[:, None])).any(axis=1)
    return np.asarray(~(is_dearer & (worth < 0.0)) | is_new, dtype=bool)


# Whether no plant has more value because it has a little less head: its cost grows no faster than the head, with
# which its energy grows, and it is chosen by its value or its cost. Then no conduit is better than none.
def _less_head_is_no_better(settings: Settings, inputs: RunInputs) -> bool:
    if settings.ranking.choose_by != "net_value" or settings.energy.design_by == "capacity_factor":
        return False
    # Laws in power never grow faster than power.
    return bool(inputs.costs.powerhouse.head_exponent <= 1.0)


def value_all(
    settings: Settings,
    inputs: RunInputs,
    stretches: Stretches,
    flows: Flows,
    water_depths: WaterDepths,
    best_case: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Energy and cost of each stretch with any turbine and with fish-safe ones; none where the flow is too small.

    Rules have no say here: a new rule redoes no energy. Nor has one stretch a say in another's
    valuation, so that this is done for each drainage system alone. Diversions that do not even pay at best keep
    the values of the best case (`value_best_case`), where there are any.
    """
    table = stretches.table
    enough = _has_enough_flow(settings, table)
    if best_case is None or "any_turbine" not in best_case:
        return _valued(settings, inputs, table, enough, flows, water_depths)
    is_left = cannot_pay(stretches, best_case)
    valued = _valued(settings, inputs, table, enough & ~is_left, flows, water_depths)
    return _with_rows_of(best_case, is_left, valued)


def value_all_fish_safe(
    settings: Settings,
    inputs: RunInputs,
    stretches: Stretches,
    flows: Flows,
    water_depths: WaterDepths,
    fishes: Sequence[FishSettings],
) -> list[pd.DataFrame]:
    """`value_all` with fish-safe turbines alone, by each of several settings of fish.

    Returns
    -------
    list of DataFrame
        See `sitefinder.energy.valuation.value_fish_safe`.
    """
    table, enough = stretches.table, _has_enough_flow(settings, stretches.table)
    data = (table[enough], flows.bins_m3s, flows.environmental_flow_m3s, inputs.turbines, inputs.costs, settings)
    valued = value_fish_safe(*data, fishes, water_depths, flows.closed, flows.model)
    return [_of_all_rows(own, table.index, enough) for own in valued]


def cannot_pay(stretches: Stretches, best_case: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Diversions that do not even pay at best, by `value_best_case`; shape (n,)."""
    diverts = is_scheme_that(stretches.table["scheme_type"], "diverts")
    return np.asarray(diverts & ~best_case["may_pay"].to_numpy(dtype=bool), dtype=bool)


def _has_enough_flow(settings: Settings, table: pd.DataFrame) -> npt.NDArray[np.bool_]:
    enough = table["flow_mean_m3s"] >= settings.stretches.min_flow_mean_m3s
    return np.asarray(enough & ~table["flow_missing"], dtype=bool)


# Energy and cost of some rows of a table, none of the others.
def _valued(
    settings: Settings,
    inputs: RunInputs,
    table: pd.DataFrame,
    enough: npt.NDArray[np.bool_],
    flows: Flows,
    water_depths: WaterDepths,
) -> pd.DataFrame:
    valued = _values(settings, inputs, table[enough], flows, water_depths)
    return _of_all_rows(valued, table.index, enough)


# Energy and cost of all rows of a table.
def _values(
    settings: Settings,
    inputs: RunInputs,
    table: pd.DataFrame,
    flows: Flows,
    water_depths: WaterDepths,
    value: Callable[..., pd.DataFrame] = value_stretches,
    **limits: Any,
) -> pd.DataFrame:
    where = flows.bins_m3s, flows.environmental_flow_m3s
    data = inputs.turbines, inputs.costs, settings, water_depths, flows.closed, flows.model
    return value(table, *where, *data, **limits)


# The valuation of all rows of a table from that of some of them; the others have no value.
def _of_all_rows(valued: pd.DataFrame, index: pd.Index, valued_rows: npt.NDArray[np.bool_]) -> pd.DataFrame:
    columns: dict[Any, npt.NDArray[Any]] = {}
    for name, own in arrays_by_name(valued).items():
        is_text = name == "costs_left_out"
        dtype, nothing = np.dtype(object) if is_text else own.dtype, "" if is_text else np.nan
        values = np.full(len(index), NO_VALUE.get(without_prefix(name), nothing), dtype=dtype)
        values[valued_rows] = np.asarray(own)
        columns[name] = values
    return _as_table(columns, index)


# A valuation, with the values of another one of the same candidates in some rows.
def _with_rows_of(other: pd.DataFrame, rows: npt.NDArray[np.bool_], valued: pd.DataFrame) -> pd.DataFrame:
    columns, others = {}, arrays_by_name(other)
    for name, own in arrays_by_name(valued).items():
        columns[name] = np.array(own)
        columns[name][rows] = np.asarray(others[name])[rows]
    return _as_table(columns, valued.index)


# A table of arrays, in which texts stay objects.
def _as_table(columns: dict[Any, npt.NDArray[Any]], index: pd.Index) -> pd.DataFrame:
    held = {
        name: pd.Series(values, index=index, dtype=object) if values.dtype == object else values
        for name, values in columns.items()
    }
    return pd.DataFrame(held, index=index)


def joined_best_case(
    found: dict[str, pd.DataFrame], systems: Systems, candidates: Stretches, **_: object
) -> pd.DataFrame:
    """The best case of all diversions, from those of each part of a drainage system."""
    return joined_rows(found, in_parts(systems), candidates)


def joined_energy(
    found: dict[str, pd.DataFrame], systems: Systems, stretches: Stretches, **_: object
) -> pd.DataFrame:
    """Energy and cost of all stretches, from those of each part of a drainage system."""
    return joined_rows(found, in_parts(systems), stretches)
