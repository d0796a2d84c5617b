"""Where groups of fish spawn or live, and the stations that they migrate past from there."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from sitefinder.network.catchments import carried_down
from sitefinder.rules.overlaps import SHORTEST_OVERLAP_M, union_of_intervals
from sitefinder.siting.barriers import max_leap_m, share_over_drop, stated_passable
from sitefinder.siting.fish_passage import survival_to_outlet
from sitefinder.vocabulary import PASSED_FALL, TOUCHING, UNDER

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt
    import pandas as pd

    from sitefinder.network.stations import Stationing
    from sitefinder.settings import Settings
    from sitefinder.steps.water_bodies import WaterBodies


def spawning_metres(
    settings: Settings, stationing: Stationing, rule_overlaps: pd.DataFrame, rules: Sequence[str] | None = None
) -> npt.NDArray[np.float64]:
    """Length of each station's segment under the spawning rules, or others by name [m].

    Features that may be meant (a missing category) count; where a rule works along the stream, only what lies
    under its layer does.
    """
    meant = rule_overlaps["rule"].isin(settings.fish.spawning_rules if rules is None else rules)
    hits = rule_overlaps[meant & rule_overlaps["effect"].isin([UNDER.name, TOUCHING.name])]
    station = hits["station"].to_numpy(dtype=np.int64)
    union = union_of_intervals(station, *(hits[name].to_numpy(dtype=np.float64) for name in ("from_m", "to_m")))
    metres = np.zeros(len(stationing.stations))
    np.add.at(metres, union.owner, union.to_m - union.from_m)
    # A touch that its rule counts is spawning ground without length.
    metres[station] = np.maximum(metres[station], SHORTEST_OVERLAP_M)
    return metres


def groups_migrating(
    settings: Settings, stationing: Stationing, rule_overlaps: pd.DataFrame, natural: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Where each group spawns or lives, and the stations that it migrates past from there.

    Parameters
    ----------
    settings, stationing, rule_overlaps
        Results of the stages of those names.
    natural : ndarray of float64, shape (n, groups)
        Share of fish that natural falls let up to each station.

    Returns
    -------
    ground_m : ndarray of float64, shape (n, groups)
        Length of each segment on which the group spawns or lives [m]; that beyond falls which none of a group
        that goes up overcomes does not count.
    migrates : ndarray of bool, shape (n, groups)
        Stations at or downstream of that.
    """
    stations = stationing.stations
    downstream = stations["downstream"].to_numpy().astype(np.int32)
    groups = settings.fish.migrating
    ground_m = np.zeros((len(stations), len(groups)))
    for place, group in enumerate(groups):
        rules = settings.fish.rules_of(group)
        own_m = spawning_metres(settings, stationing, rule_overlaps, rules) if rules else whole_segments(stations)
        ground_m[:, place] = np.where(natural[:, place] > 0, own_m, 0.0) if group.goes_up else own_m
    migrates = [carried_down(ground_m[:, place] > 0, downstream) for place in range(len(groups))]
    return ground_m, np.column_stack(migrates)


def whole_segments(stations: pd.DataFrame) -> npt.NDArray[np.float64]:
    """Length of the segment of each station [m]."""
    return stations["segment_length_m"].to_numpy(dtype=np.float64)


def natural_access(
    settings: Settings, stationing: Stationing, stream_things: pd.DataFrame, water_bodies: WaterBodies
) -> npt.NDArray[np.float64]:
    """Share of each group that natural falls let up to each station, shape (n, groups)."""
    groups = settings.fish.migrating
    falls = stream_things[stream_things["kind"] == PASSED_FALL.name]
    stated = stated_passable(of_structures(falls, water_bodies, "passable", ""))
    drop_m = falls["drop_m"].to_numpy(dtype=np.float64)
    over = [share_over_drop(drop_m, max_leap_m(group)) for group in groups]
    share = np.column_stack([np.where(np.isnan(stated), each, stated) for each in over])
    downstream = stationing.stations["downstream"].to_numpy().astype(np.int32)
    access: npt.NDArray[np.float64] = survival_to_outlet(
        downstream, falls["station"].to_numpy(dtype=np.int64), share
    )
    return access


def of_structures(
    things: pd.DataFrame, water_bodies: WaterBodies, name: str, otherwise: object
) -> npt.NDArray[Any]:
    """A column of the structures, for things on the stream that are structures; others get the value given."""
    values: npt.NDArray[Any] = np.array([*water_bodies.structures[name], otherwise], dtype=object)
    own: npt.NDArray[Any] = values[things["structure"].to_numpy(dtype=np.int64)]
    return own
