"""The stage that finds standing water, existing plants, tidal water, structures and steps along the stream."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.network.catchments import carried_down
from sitefinder.network.stations import nearest_segments, place_names, touched_stations, without_repeats
from sitefinder.network.topology import REPAIR_COLUMNS
from sitefinder.profile.breaks import find_steps, is_coarse, level_segments, slopes_around
from sitefinder.profile.errors import head_standard_error
from sitefinder.rules.overlaps import overlaps
from sitefinder.settings import RuleSettings
from sitefinder.siting.inventories import merge_structures
from sitefinder.siting.passed import HOLDS_WATER, confluences, kinds_of_structures, stream_things
from sitefinder.siting.structures import (
    at_their_drops,
    developed_stations,
    entered_plants,
    judge_structures,
    locate_structures,
)
from sitefinder.siting.water_rights import place_rights
from sitefinder.steps.heads import own_cell_m
from sitefinder.vocabulary import PASSED_ABSTRACTION, PASSED_FALL, PASSED_PLANT, PASSED_RETURN
from sitefinder.vocabulary import STRUCTURE_ATTRIBUTES as ATTRIBUTES

if TYPE_CHECKING:
    import geopandas
    import numpy.typing as npt

    from sitefinder.network.stations import Stationing
    from sitefinder.network.topology import Network, RepairRow
    from sitefinder.profile.thalweg import Channels
    from sitefinder.settings import Settings
    from sitefinder.steps.flows import Flows
    from sitefinder.steps.heads import DemErrors, Profile
    from sitefinder.steps.inputs import RunInputs

STEP_KIND = "step"
OLDER_DEM = "the DEM shows a drop of {drop_m:.1f} m here: it may be older than the removal"
STEP_NOTE = "step_unexplained: no structure is mapped near, look on the field visit"
STRUCTURE_COLUMNS = [
    "structure_id",
    *ATTRIBUTES,
    "sources",
    "geometry",
    "station",
    "distance_to_stream_m",
    "share_above",
    "is_barrier",
    "note",
]


class WaterBodies(NamedTuple):
    """What lies on each station's segment, bool of shape (n,), and structures as placed.

    ``standing`` is standing water of either kind, ``detected`` that which only the DEM shows. ``structures`` has a
    row a structure, then one for each unexplained step; columns ``dem_drop_m`` and ``dem_drop_se_m`` hold its drop
    in the profile, ``fall_below_m`` what the stream falls between it and its station. ``repairs`` are what could
    not be done as asked. ``plants_entered`` are stations at which fish on their way down enter a plant.
    """

    standing: npt.NDArray[np.bool_]
    detected: npt.NDArray[np.bool_]
    developed: npt.NDArray[np.bool_]
    tidal: npt.NDArray[np.bool_]
    structures: pd.DataFrame
    repairs: pd.DataFrame
    plants_entered: npt.NDArray[np.bool_]


class MappedStructures(NamedTuple):
    """Structures of the user's layers, each once, and what the layers differ in, as rows of the repairs."""

    table: pd.DataFrame
    repairs: pd.DataFrame


def merge_inventories(
    settings: Settings, inputs: RunInputs, network: Network, stationing: Stationing
) -> MappedStructures:
    """Structures on the segments that are nearest to them, each once where several inventories list it.

    Returns
    -------
    MappedStructures
        See `sitefinder.siting.structures.judge_structures`; empty without a layer.
    """
    rows: list[RepairRow] = []
    table = pd.DataFrame(columns=STRUCTURE_COLUMNS)
    if "structures" in inputs.layers:
        frame, limits = inputs.layers["structures"].frame, settings.stretches
        merged = merge_structures(
            locate_structures(frame, stationing.segments, limits.structure_snap_m),
            frame,
            stationing.stations,
            network.links["stream"].fillna("").to_numpy(dtype=object),
            distance_m=limits.structure_merge_distance_m,
            drop_tolerance_m=limits.structure_drop_tolerance_m,
        )
        table = judge_structures(merged.table, with_planned=limits.plants_at_planned_removals)
        rows = merged.repairs
    return MappedStructures(table, pd.DataFrame(rows, columns=REPAIR_COLUMNS, dtype="str"))


def find_structures(
    settings: Settings,
    inputs: RunInputs,
    stationing: Stationing,
    channels: Channels,
    dem_errors: DemErrors,
    mapped_structures: MappedStructures,
) -> pd.DataFrame:
    """Structures of the user's layers with the station of the segment in which the DEM shows their drop.

    Returns
    -------
    DataFrame
        See `sitefinder.siting.structures.at_their_drops`; empty without a layer.
    """
    placed, stations = as_seen(mapped_structures.table, inputs.seen_conditions), stationing.stations
    if placed.empty:
        return placed
    snap_m = settings.stretches.structure_snap_m
    return at_their_drops(
        placed,
        channels.raw_m,
        stations["downstream"].to_numpy().astype(np.int32),
        stations["segment_length_m"].to_numpy(),
        dem_errors.rmse_m,
        reach_m=own_cell_m(inputs.dem, settings.run.crs),
        snap_m=snap_m,
        min_step_m=settings.stretches.step_min_m,
    )


def as_seen(placed: pd.DataFrame, conditions: dict[str, str] | None) -> pd.DataFrame:
    """Structures with the condition in which visitors saw them, in place of that of the layers.

    Parameters
    ----------
    placed : DataFrame
        Structures, each once, with ``structure_id`` and ``condition``.
    conditions : dict of str to str, or None
        By id of the structure.
    """
    if not conditions or placed.empty:
        return placed
    seen = placed["structure_id"].astype(str).map(conditions)
    return placed.assign(condition=seen.where(seen.notna(), placed["condition"]))


def find_water_bodies(
    settings: Settings,
    inputs: RunInputs,
    network: Network,
    stationing: Stationing,
    structures: pd.DataFrame,
    heads: Profile,
    flows: Flows,
) -> WaterBodies:
    """Standing water, existing plants, tidal water, structures and steps along the stream.

    Tidal is a segment below the level that the settings state or in the layer of tidal water, and all below it.

    Returns
    -------
    WaterBodies
    """
    count = len(stationing.stations)
    doubts: list[RepairRow] = []
    standing = np.zeros(count, dtype=bool)
    lakes, plant_source = settings.inputs.lakes, settings.inputs.plants
    if "lakes" in inputs.layers and lakes is not None:
        rule = RuleSettings(name="lakes", path=lakes.path, action="exclude")
        hits = overlaps(stationing.segments, inputs.layers["lakes"].frame, rule)
        standing[hits["station"].to_numpy()] = True
    detected = _level_water(settings, stationing, heads, doubts) & ~standing
    downstream = stationing.stations["downstream"].to_numpy().astype(np.int32)
    structures = _with_dem_drops(settings, network, stationing, heads, flows, structures)
    developed = np.zeros(count, dtype=bool)
    powered = structures["powered"].astype(bool) & (structures["station"] >= 0)
    developed[structures["station"][powered].to_numpy(dtype=np.int64)] = True
    between, intakes = np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
    if "plants" in inputs.layers and plant_source is not None:
        plants = developed_stations(
            inputs.layers["plants"].frame,
            stationing.segments,
            downstream,
            snap_m=settings.stretches.structure_snap_m,
            plant_column=plant_source.plant_column,
            role_column=plant_source.role_column,
        )
        developed |= plants.stations
        between, intakes = plants.on_path, plants.intakes
        doubts += [("plants", *doubt) for doubt in plants.problems]
    tidal = np.zeros(count, dtype=bool)
    if settings.heads.tidal_below_m is not None:
        tidal = heads.profile_m < settings.heads.tidal_below_m
    if "tidal" in inputs.layers:
        features = inputs.layers["tidal"].frame.geometry.to_numpy()
        tidal |= touched_stations(features, stationing.segments, settings.stretches.structure_snap_m, count)
    tidal = carried_down(tidal, downstream)
    repairs = pd.DataFrame(doubts, columns=REPAIR_COLUMNS, dtype="str")
    entered = entered_plants(
        developed, between, intakes, stationing.stations["segment_length_m"].to_numpy(), downstream
    )
    return WaterBodies(standing | detected, detected, developed, tidal, structures, repairs, entered)


# Segments of one level in the DEM's own cells, over a length as long as the settings ask.
def _level_water(
    settings: Settings, stationing: Stationing, heads: Profile, doubts: list[RepairRow]
) -> npt.NDArray[np.bool_]:
    shortest_m, dem = settings.heads.standing_water_m, settings.inputs.dem
    none = np.zeros(len(stationing.stations), dtype=bool)
    if shortest_m == 0:
        return none
    stations = stationing.stations
    level: npt.NDArray[np.bool_] = level_segments(
        heads.raw_m,
        stations["downstream"].to_numpy().astype(np.int32),
        stations["to_downstream_m"].to_numpy(),
        stations["segment_length_m"].to_numpy(),
        shortest_m,
    )
    if level.any() and is_coarse(heads.raw_m / dem.metres_per_unit):
        doubts.append(("dem", "", "equal elevations, but all in whole steps", "not taken for standing water"))
        return none
    return level


# Structures with what the profile says of their drop, and a row for each step that none of them explains.
def _with_dem_drops(
    settings: Settings,
    network: Network,
    stationing: Stationing,
    heads: Profile,
    flows: Flows,
    structures: pd.DataFrame,
) -> pd.DataFrame:
    stations = stationing.stations
    segment_m = stations["segment_length_m"].to_numpy()
    slopes = slopes_around(heads.profile_m, stations["downstream"].to_numpy().astype(np.int32), segment_m)
    drop_se_m = np.full(len(stations), np.nan)
    inner = np.flatnonzero(segment_m > 0)
    drop_se_m[inner] = head_standard_error(heads.errors_m, inner - 1, inner)
    at = structures["station"].to_numpy(dtype=np.int64)
    removed = structures["removed"].to_numpy(dtype=bool)
    near, share_above = at >= 0, structures["share_above"].to_numpy(dtype=float)
    fall_below_m = np.where(near, slopes.below[at] * (1 - share_above) * segment_m[at], np.nan)
    fall_m = heads.profile_m[at - 1] - heads.profile_m[at]
    shown_m = np.maximum(fall_m - fall_below_m, 0.0)
    structures = structures.assign(
        fall_below_m=fall_below_m,
        dem_drop_m=np.where(near & ~removed, shown_m, np.nan),
        dem_drop_se_m=np.where(near & ~removed, drop_se_m[at], np.nan),
        note=[
            f"{note}; {OLDER_DEM.format(drop_m=drop_m)}" if is_gone else note
            for note, drop_m, is_gone in zip(
                structures["note"],
                shown_m,
                near & removed & (shown_m >= settings.stretches.step_min_m),
                strict=True,
            )
        ],
    )
    steps, excess_m = find_steps(
        heads.profile_m,
        drop_se_m,
        slopes,
        segment_m,
        min_m=settings.stretches.step_min_m,
        standard_errors=settings.stretches.step_standard_errors,
    )
    wet = flows.estimate.mean_m3s[steps] >= settings.stretches.min_flow_mean_m3s
    lines = stationing.segments.set_index("station")["geometry"]
    own = structures["geometry"].to_numpy(dtype=object)
    apart_m = np.array([shapely.distance(own, lines[step]).min(initial=np.inf) for step in steps.tolist()])
    kept = wet & (apart_m > settings.stretches.step_explained_m)
    steps, excess_m = steps[kept], excess_m[kept]
    if not len(steps):
        return structures
    middle_m = stations["distance_m"].to_numpy()[steps] - segment_m[steps] / 2
    names = place_names(network.parts, stations["link"].to_numpy()[steps], middle_m)["name"]
    found = {name: np.full(len(steps), default) for name, default in ATTRIBUTES.items()} | {
        "structure_id": [f"step:{name}" for name in without_repeats(names)],
        "sources": "",
        "kind": STEP_KIND,
        "geometry": shapely.line_interpolate_point(lines[steps].to_numpy(), 0.5, normalized=True),
        "station": steps,
        "distance_to_stream_m": 0.0,
        "share_above": 0.5,
        "is_barrier": False,
        "note": STEP_NOTE,
        "fall_below_m": 0.0,
        "dem_drop_m": excess_m,
        "dem_drop_se_m": drop_se_m[steps],
    }
    listed = pd.DataFrame(found)[structures.columns]
    return pd.concat([structures, listed], ignore_index=True) if len(structures) else listed


# What an abstraction layer calls points where water leaves the stream.
TAKES_WATER = ("abstraction", "transfer_out")


def find_stream_things(
    settings: Settings, inputs: RunInputs, network: Network, stationing: Stationing, water_bodies: WaterBodies
) -> pd.DataFrame:
    """Structures, falls, plants, abstractions and confluences on the stream, see `stream_things`.

    Returns
    -------
    DataFrame
    """
    structures, stretches = water_bodies.structures, settings.stretches
    drop_m = structures["drop_m"].astype(float)
    kind = kinds_of_structures(structures, stretches.navigation_uses, stretches.abstraction_uses)
    mapped = structures.assign(
        kind=kind,
        object_id=structures["structure_id"].astype(str),
        structure=np.arange(len(structures)),
        drop_m=drop_m.where(drop_m.notna(), structures["dem_drop_m"].astype(float)),
        may_serve=np.isin(kind, HOLDS_WATER) & ~structures["removal_planned"].to_numpy(dtype=bool),
    )
    # What has been removed is on no stream any more.
    found = [mapped[~structures["removed"].to_numpy(dtype=bool)]]
    kinds = {"falls": PASSED_FALL.name, "plants": PASSED_PLANT.name, "abstractions": PASSED_ABSTRACTION.name}
    for layer, name in kinds.items():
        if layer in inputs.layers:
            place = _rights_of if layer == "abstractions" else _points_of
            found.append(place(inputs.layers[layer].frame, stationing, name, stretches.structure_snap_m))
    streams = network.links["stream"].fillna("").to_numpy(dtype=object)
    things: pd.DataFrame = stream_things(*found, confluences(stationing.stations, streams))
    return things


# Water rights where they take or bring water.
def _rights_of(frame: geopandas.GeoDataFrame, stationing: Stationing, kind: str, snap_m: float) -> pd.DataFrame:
    station, share_above = place_rights(frame.geometry.to_numpy(), stationing.segments, snap_m)
    kinds = np.where(frame["kind"].isin(TAKES_WATER), kind, PASSED_RETURN.name)
    return pd.DataFrame(
        {
            "kind": kinds.astype(object),
            "object_id": frame["feature_id"].astype(str).to_numpy(dtype=object),
            "station": station,
            "share_above": share_above,
        }
    )


# Points of a layer on their segments; of a line both ends, of a polygon a point inside.
def _points_of(frame: geopandas.GeoDataFrame, stationing: Stationing, kind: str, snap_m: float) -> pd.DataFrame:
    names, points = [], []
    for name, shape in zip(frame["feature_id"].astype(str), frame.geometry, strict=True):
        for part in shapely.get_parts(shape):
            ends = [shapely.get_point(part, place) for place in (0, -1)] if part.geom_type == "LineString" else []
            for point in ends or [shapely.point_on_surface(part)]:
                names.append(name)
                points.append(point)
    station, distance_m, share_above = nearest_segments(np.array(points, dtype=object), stationing.segments)
    return pd.DataFrame(
        {
            "kind": kind,
            "object_id": names,
            "station": np.where(distance_m <= snap_m, station, -1),
            "share_above": share_above,
        }
    )
