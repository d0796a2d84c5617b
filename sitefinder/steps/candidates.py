"""The stages of candidates: stretches with their heads, and the energy and cost of each."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from sitefinder.energy.valuation import value_stretches
from sitefinder.io.raster import cells_at
from sitefinder.profile.shrinkage import head_priors, shrink_heads
from sitefinder.schema import is_scheme_that
from sitefinder.siting.access import is_off_grid, nearest_distance_m, on_roads, road_lines
from sitefinder.siting.candidates import Stretches, find_stretches, subset
from sitefinder.siting.passed import passed_things
from sitefinder.siting.selection import without_prefix
from sitefinder.steps.systems import joined_rows
from sitefinder.vocabulary import FLOW_TOO_WEAK

if TYPE_CHECKING:
    import geopandas
    import numpy.typing as npt

    from sitefinder.energy.hydraulics import WaterDepths
    from sitefinder.network.stations import Stationing
    from sitefinder.profile.thalweg import Channels
    from sitefinder.settings import Settings
    from sitefinder.steps.flows import Flows, StationShapes
    from sitefinder.steps.heads import Profile
    from sitefinder.steps.inputs import RunInputs
    from sitefinder.steps.systems import Systems
    from sitefinder.steps.water_bodies import WaterBodies

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
) -> Stretches:
    """Candidates within the limits of head, length and flow, with what depends on their place.

    Candidates are found by their measured heads, since whether a stretch or a weir fits the place is judged by
    what the DEM shows there; the same goes for `head_unresolved`. Energy and cost go by the shrunk heads, and
    so does the minimum head: a stretch that only luck brought over it is left out.
    """
    structures = water_bodies.structures
    barred = water_bodies.standing | water_bodies.developed | water_bodies.tidal
    barriers = structures[structures["is_barrier"].astype(bool)]
    rows = np.flatnonzero(structures["is_barrier"].astype(bool))
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
        settings.stretches,
        channels.bank_height_m,
    )
    stretches = _shrunk(settings, stationing, heads, barred, barriers, stretches)
    table = stretches.table.copy()
    intake, tailrace = table["intake"].to_numpy(), table["tailrace"].to_numpy()
    if len(rows):
        table["structure"] = np.where(table["structure"] >= 0, rows[table["structure"]], -1)
    own = stretches._replace(table=table)
    table = _with_intakes(settings, own, structures, stream_things, len(stationing.stations))
    x_m, y_m = stationing.stations["x_m"].to_numpy(), stationing.stations["y_m"].to_numpy()
    for name, layer in (("road_distance_m", "roads"), ("line_distance_m", "power_lines")):
        frame = inputs.layers[layer].frame if layer in inputs.layers else None
        table[name] = nearest_distance_m(x_m, y_m, frame)[tailrace]
    # Read here, so that no later stage opens the DEM.
    table["road_level_m"] = _road_levels_m(settings, inputs, x_m, y_m)[tailrace]
    served = settlements_to_serve(settings, inputs)
    table["settlement_distance_m"] = nearest_distance_m(x_m, y_m, served)[tailrace]
    # For the setting of runners against cavitation.
    table["tailrace_level_m"] = heads.profile_m[tailrace]
    table["flow_mean_m3s"] = flows.estimate.mean_m3s[intake]
    # The turbine of a plant at a weir is below it.
    table["stream_width_m"] = channel_shapes.shapes.width_m[tailrace]
    table["stream_depth_m"] = channel_shapes.shapes.depth_m[tailrace]
    min_m = settings.heads.resolved_standard_errors * table["head_uncorrected_se_m"]
    table["head_unresolved"] = ~(table["head_uncorrected_m"] >= min_m)
    table["flow_missing"] = np.isnan(table["flow_mean_m3s"]) | np.isnan(flows.bins_m3s[intake]).any(axis=1)
    too_weak = np.array([FLOW_TOO_WEAK.flag in flags for flags in flows.estimate.flags], dtype=bool)
    table["flow_too_weak"] = too_weak[intake]
    table["catchment_incomplete"] = catchments["incomplete"].to_numpy()[intake]
    return Stretches(table, *stretches[1:])


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


# Candidates with their shrunk heads, without those that fall below the minimum head by it.
def _shrunk(
    settings: Settings,
    stationing: Stationing,
    heads: Profile,
    barred: npt.NDArray[np.bool_],
    barriers: pd.DataFrame,
    stretches: Stretches,
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
    )
    surveyed = barriers["drop_m"].notna()
    drop_m = barriers["drop_m"].where(surveyed, barriers["dem_drop_m"]).astype(float)
    drop_se_m = barriers["drop_error_m"].where(surveyed, barriers["dem_drop_se_m"]).astype(float)
    table = shrink_heads(table, likely, drop_m, drop_se_m)
    return subset(stretches._replace(table=table), table["head_m"] >= settings.stretches.min_head_m)


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


def value_all(
    settings: Settings,
    inputs: RunInputs,
    stretches: Stretches,
    flows: Flows,
    water_depths: WaterDepths,
    *,
    only_safe: bool = False,
) -> pd.DataFrame:
    """Energy and cost of each stretch with any turbine and with fish-safe ones; none where the flow is too small.

    Rules have no say here: a new rule redoes no energy. Nor has one stretch a say in another's
    valuation, so that this is done for each drainage system alone. With `only_safe` there are no columns ``any_``.
    """
    table = stretches.table
    enough = table["flow_mean_m3s"] >= settings.stretches.min_flow_mean_m3s
    enough &= ~table["flow_missing"]
    data = (inputs.turbines, inputs.costs, settings, water_depths, flows.closed, flows.model)
    valued = value_stretches(
        table[enough], flows.bins_m3s, flows.environmental_flow_m3s, *data, only_safe=only_safe
    )
    columns = {
        name: pd.Series(NO_VALUE.get(without_prefix(name), np.nan), index=table.index, dtype=valued[name].dtype)
        for name in valued
        if name != "costs_left_out"
    }
    columns["costs_left_out"] = pd.Series("", index=table.index, dtype=object)
    valuation = pd.DataFrame(columns)
    for name in valued:
        valuation.loc[enough, name] = valued[name]
    return valuation


def joined_energy(
    found: dict[str, pd.DataFrame], systems: Systems, stretches: Stretches, **_: object
) -> pd.DataFrame:
    """Energy and cost of all stretches, from those of each drainage system."""
    return joined_rows(found, systems, stretches)
