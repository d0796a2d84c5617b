"""The stages of water levels: drops measured in the field, and how levels move with flow at each station."""

from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.power.tailwater import Rating, water_depths
from sitefinder.streams.field_levels import MeasuredDrops, between_stations, is_below, lay_over
from sitefinder.streams.lines import REPAIR_COLUMNS
from sitefinder.streams.profile_error import head_standard_error
from sitefinder.streams.steps import slopes_around

NOT_USED = "not used"


class FieldLevels(NamedTuple):
    """Measured drops and ratings as used, segments whose fall is measured (bool, shape (n,)), what changed."""

    drops: MeasuredDrops
    measured: np.ndarray
    ratings: list
    repairs: pd.DataFrame


def place_field_levels(settings, inputs, placed, fitted):
    """Measured drops between stations, in the order in which they count, the most precise last; and ratings.

    A drop goes from the station above its upper place to the one below its lower place; what the stream falls in
    between comes from the slope around. A rating holds for the stations of its link within
    ``tailwater.rating_reach_m`` along it.

    Returns
    -------
    FieldLevels
    """
    count = len(placed.stations)
    told, used = [], []
    measured = np.zeros(count, dtype=bool)
    downstream = placed.stations["downstream"].to_numpy().astype(np.int32)
    segment_m = placed.stations["segment_length_m"].to_numpy()
    frame = _in_order(inputs)
    slopes = slopes_around(fitted.profile_m, downstream, segment_m)
    snap_m = settings.stretches.structure_snap_m
    for row in frame.itertuples():
        ends = [
            _nearest_segment(place, placed.segments, snap_m, from_below)
            for place, from_below in ((row.upper, True), (row.lower, False))
        ]
        text = f"drop measured: {row.drop_m:.2f} m with an error of {row.error_m:.2f} m, {row.date}"
        if None in ends:
            told.append(("field_levels", row.level_id, f"{text}; no stream within {snap_m:g} m", NOT_USED))
            continue
        (above, above_share), (below, below_share) = ends
        upper, lower = (
            above - 1,
            below,
        )  # the station before it in its link: a segment never ends at a first station
        fall_above_m = slopes.above[above] * above_share * segment_m[above]
        fall_below_m = slopes.below[below] * (1.0 - below_share) * segment_m[below]
        drop_m, error_m = between_stations(row.drop_m, row.error_m, fall_above_m, fall_below_m)
        fell_m = fitted.profile_m[upper] - fitted.profile_m[lower]
        if not is_below(upper, lower, downstream):
            told.append(("field_levels", row.level_id, f"{text}; its places are on no one way down", NOT_USED))
        elif np.isnan(fell_m):
            told.append(("field_levels", row.level_id, f"{text}; the DEM has no elevation there", NOT_USED))
        else:
            se_m = head_standard_error(fitted.errors_m, np.array([upper]), np.array([lower]))[0]
            said = f"the DEM says {fell_m - fall_above_m - fall_below_m:.2f} m with an error of {se_m:.2f} m"
            changed = f"head changed by {drop_m - fell_m:+.2f} m there"
            told.append(("field_levels", row.level_id, f"{text}; {said}", changed))
            used.append((upper, lower, float(drop_m), float(error_m)))
            station = upper
            while station != lower:
                station = int(downstream[station])
                measured[station] = True
    columns = [np.array(column) for column in zip(*used, strict=True)] or [np.zeros(0)] * 4
    drops = MeasuredDrops(*(part.astype(np.int64) for part in columns[:2]), *columns[2:])
    ratings = _placed_ratings(settings, inputs, placed, told)
    return FieldLevels(drops, measured, ratings, pd.DataFrame(told, columns=REPAIR_COLUMNS, dtype="str"))


def use_field_levels(settings, placed, fitted, field_levels):
    """The long profile and its errors with the measured drops laid over them."""
    if not len(field_levels.drops.upper):
        return fitted
    profile_m, errors_m = lay_over(
        fitted.profile_m,
        fitted.errors_m,
        placed.stations["downstream"].to_numpy().astype(np.int32),
        placed.stations["to_downstream_m"].to_numpy(),
        field_levels.drops,
        settings.run.seed,
    )
    return fitted._replace(profile_m=profile_m, errors_m=errors_m)


def find_water_depths(settings, flows, field_levels):
    """Depth of water at each station over its duration curve and on the day of the survey."""
    estimate = flows.estimate
    return water_depths(
        estimate.curve_m3s,
        estimate.curve_exceedance,
        estimate.mean_m3s,
        settings.tailwater,
        settings.inputs.dem.survey_flow_exceedance_percent,
        field_levels.ratings,
        flows.bins_m3s,
    )


# Ratings with the stations that each holds for.
def _placed_ratings(settings, inputs, placed, told):
    if inputs.ratings is None:
        return []
    snap_m = settings.stretches.structure_snap_m
    ratings = []
    for name, rows in inputs.ratings.groupby("rating_id", sort=False):
        near = stations_along(rows.geometry.iloc[0], placed, snap_m, settings.tailwater.rating_reach_m)
        if near is None:
            told.append(("ratings", name, f"rating: no stream within {snap_m:g} m", NOT_USED))
            continue
        holds = near[0]
        ratings.append(Rating(holds, rows["flow_m3s"].to_numpy(), rows["level_m"].to_numpy()))
        told.append(
            ("ratings", name, f"rating: holds for {len(holds)} stations", "used in place of hydraulic geometry")
        )
    return ratings


def stations_along(place, placed, snap_m, reach_m):
    """Stations of the nearest link within a way of a place on the bank.

    Parameters
    ----------
    place : Point
    placed
        Result of the stage of that name.
    snap_m : float
        Farthest from the place to the stream [m].
    reach_m : float
        Farthest along the stream, up and down [m].

    Returns
    -------
    (ndarray of int64, ndarray of float64) or None
        Station numbers, and the way to each [m]; None where no stream is near.
    """
    near = _nearest_segment(place, placed.segments, snap_m, False)
    if near is None:
        return None
    stations, own = placed.stations, placed.stations.loc[near[0]]
    at_m = own["distance_m"] - (1.0 - near[1]) * own["segment_length_m"]
    away_m = (stations["distance_m"] - at_m).abs().to_numpy()
    holds = np.flatnonzero((stations["link"] == own["link"]).to_numpy() & (away_m <= reach_m))
    return holds, away_m[holds]


# Measured drops by falling error; of equals, the one that stands later in the table counts more.
def _in_order(inputs):
    if inputs.field_levels is None:
        return pd.DataFrame(columns=["level_id", "drop_m", "error_m", "date", "upper", "lower"])
    return inputs.field_levels.sort_values("error_m", ascending=False, kind="stable")


# Station of the nearest segment, and the share of its length above the place; None where none is within reach. A
# place between two segments counts as the top of the lower one if asked so, else as the foot of the upper one.
def _nearest_segment(place, segments, snap_m, from_below):
    lines, station = segments.geometry.to_numpy(), segments["station"].to_numpy()
    near = shapely.STRtree(lines).query_nearest(place, max_distance=snap_m, all_matches=True)
    if not len(near):
        return None
    pick = near[np.argmax(station[near])] if from_below else near[np.argmin(station[near])]
    return int(station[pick]), float(shapely.line_locate_point(lines[pick], place, normalized=True))
