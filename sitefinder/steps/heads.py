"""The stages of heads: the DEM's error, channels, the long profile, and levels measured in the field."""

from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.energy.hydraulics import Rating, water_depths
from sitefinder.errors import InputError, all_of, listed
from sitefinder.io.raster import cells_at, run_grid
from sitefinder.io.vector import no_such_column, numbers_of
from sitefinder.network.topology import REPAIR_COLUMNS
from sitefinder.profile.breaks import slopes_around
from sitefinder.profile.errors import (
    OUTSIDE,
    TO_RMSE,
    footprints_at,
    head_standard_error,
    minimum_heads,
    simulate_fit_errors,
)
from sitefinder.profile.fitting import LongProfile, fit_long_profile
from sitefinder.profile.survey import MeasuredDrops, apply_measured_drops, between_stations, is_below
from sitefinder.profile.thalweg import find_channels, owned_points, transect_points
from sitefinder.siting.access import in_region
from sitefinder.siting.structures import known_breaks
from sitefinder.steps.terrain import BANK_ERRORS, FLAT_CELLS, MIN_BANK_M, PLACE_CELLS, TRANSECT_CELLS
from sitefinder.vocabulary import SURFACE_MODEL


class Profile(NamedTuple):
    """Raw and conditioned elevation of each station [m], and simulated errors, shape (stations, draws) [m].

    ``fitted`` tells of the fit: refused elevations, steps, level water, error of the elevations as used.
    """

    raw_m: np.ndarray
    profile_m: np.ndarray
    errors_m: np.ndarray
    long_profile: LongProfile


def read_channels(settings, inputs, network, stationing, dem_errors):
    """The channel at each station, from the DEM's own cells on a transect."""
    dem, stations = settings.inputs.dem, stationing.stations
    cell_m = _own_cell_m(inputs.dem, settings.run.crs)
    half_width_m = settings.heads.transect_half_width_m or TRANSECT_CELLS * cell_m
    step_m = cell_m / 2
    x_m, y_m = transect_points(stations, half_width_m=half_width_m, step_m=step_m)
    elevation_m = cells_at(inputs.dem, x_m, y_m, settings.run.crs, factor=dem.metres_per_unit)
    owned = owned_points(x_m, y_m, stations["link"].to_numpy(), stationing.segments, network.links)
    min_bank_m = np.maximum(MIN_BANK_M, BANK_ERRORS * np.sqrt(2.0) * dem_errors.rmse_m)
    return find_channels(x_m, y_m, elevation_m, owned, step_m=step_m, min_bank_m=min_bank_m)


# A cell's mean width and height [m], also where the DEM is in degrees.
def _own_cell_m(facts, crs):
    grid = run_grid(facts, crs, None)
    return float(np.sqrt(grid.cell_width_m * grid.cell_height_m))


def fit_profile(settings, inputs, stationing, channels, dem_errors, structures):
    """The long profile from the DEM's own cells, and what its error may be."""
    heads = settings.heads
    downstream = stationing.stations["downstream"].to_numpy().astype(np.int32)
    step_m = stationing.stations["to_downstream_m"].to_numpy()
    rmse_m, length_m = dem_errors.rmse_m, dem_errors.correlation_length_m
    cell_m = _own_cell_m(inputs.dem, settings.run.crs)
    place_m = PLACE_CELLS * cell_m
    known_break = _known_breaks(stationing, channels, structures, cell_m)
    long_profile = fit_long_profile(
        channels.raw_m,
        downstream,
        step_m,
        rmse_m,
        length_m,
        heads.quantile,
        FLAT_CELLS * cell_m,
        place_m,
        known_break,
    )
    errors_m = simulate_fit_errors(
        long_profile,
        ~np.isnan(channels.raw_m),
        downstream,
        step_m,
        rmse_m,
        length_m,
        heads.simulations,
        settings.run.seed,
        heads.quantile,
        place_m,
        known_break,
    )
    return Profile(channels.raw_m, long_profile.profile_m, errors_m, long_profile)


# Stations right above the weirs and falls that the layer of structures tells of.
def _known_breaks(stationing, channels, structures, cell_m):
    if not len(structures):
        return np.zeros(len(stationing.stations), dtype=bool)
    segment_m = stationing.stations["segment_length_m"].to_numpy()
    return known_breaks(structures, channels.raw_m, segment_m, cell_m)


NOT_USED = "not used"
SURFACE = "surface model: heights are those of trees, roofs and bridges"
FLAGGED = f"kept; reaches and sites are flagged {SURFACE_MODEL.name}"
KINDS = ("terrain", "surface")
# Lengths of stretches for which the least resolvable head is told [m] (own choice).
MIN_HEAD_LENGTHS_M = (100.0, 250.0, 500.0, 1000.0, 1500.0)
# A date as pandas reads it, in whole days.
DAY = "datetime64[D]"


class DemErrors(NamedTuple):
    """Error of the DEM at each station, all of shape (n,), and what is told of it.

    ``rmse_m`` and ``correlation_length_m`` are float64 [m]. ``is_surface`` is True where the DEM shows trees and
    roofs, ``across`` where two surveys of different date, error or kind meet along a station's segment.
    """

    rmse_m: np.ndarray
    correlation_length_m: np.ndarray
    is_surface: np.ndarray
    across: np.ndarray
    repairs: pd.DataFrame


def find_dem_errors(settings, inputs, stationing):
    """Error of the DEM at each station.

    Where footprints overlap, the latest survey holds, of equal dates the most exact, then the first in the layer.
    A station in none of them takes the error that ``inputs.dem`` states.

    Returns
    -------
    DemErrors
    """
    stations, usual = stationing.stations, inputs.dem_error
    count = len(stations)
    columns = [np.full(count, value) for value in (usual.rmse_m, usual.correlation_length_m, usual.is_surface)]
    survey = np.full(count, OUTSIDE)
    notes = [("dem", "", SURFACE, FLAGGED)] if usual.is_surface else []
    if "dem_footprints" in inputs.layers:
        frame = inputs.layers["dem_footprints"].frame
        table = footprint_table(settings.inputs.dem_footprints, frame)
        x_m, y_m = stations["x_m"].to_numpy(), stations["y_m"].to_numpy()
        polygons = frame.geometry.to_numpy()
        footprint, over = footprints_at(x_m, y_m, polygons, table["day"].to_numpy(), table["rmse_m"].to_numpy())
        inside = footprint >= 0
        table["correlation_length_m"] = table["correlation_length_m"].fillna(usual.correlation_length_m)
        for column, name in zip(columns, ("rmse_m", "correlation_length_m", "is_surface"), strict=True):
            column[inside] = table[name].to_numpy()[footprint[inside]]
        # Surveys of one date, error and kind are one; a border between two of its polygons is none.
        survey[inside] = table.groupby(table.columns.tolist(), sort=False).ngroup().to_numpy()[footprint[inside]]
        notes = _told(frame, table, footprint, over, usual)
    across = np.zeros(count, dtype=bool)
    end = stationing.segments["station"].to_numpy()
    across[end] = survey[end] != survey[end - 1]
    repairs = pd.DataFrame(notes, columns=REPAIR_COLUMNS, dtype="str")
    return DemErrors(*columns, across, repairs)


def footprint_table(source, frame):
    """Footprints as arrays.

    Parameters
    ----------
    source : sitefinder.settings.DemFootprintSource
    frame : GeoDataFrame
        The layer as read.

    Returns
    -------
    DataFrame
        A row a polygon: ``rmse_m`` (float64) [m], ``correlation_length_m`` (float64, NaN where none is stated)
        [m], ``is_surface`` (bool), ``day`` (int64, days from 1970); a year or month counts as its first day.

    Raises
    ------
    InputError
        Listing each column that is missing, and each feature whose error, date, kind or correlation length is
        none.
    """
    problems = []
    named = {key: getattr(source, key) for key in ("error_column", "date_column", "kind_column")}
    if source.correlation_column is not None:
        named["correlation_column"] = source.correlation_column
    for key, column in named.items():
        if column not in frame:
            problems.append(
                no_such_column("dem_footprints", source, frame, f"inputs.dem_footprints.{key}", column)
            )
    found = {key: frame[column] for key, column in named.items() if column in frame}

    def column(key, values, wrong, expected):
        if wrong.any():
            problems.append(_unfit(source, frame, found[key], wrong, expected))
        return values

    table = {}
    if "error_column" in found:
        error_m = numbers_of(found["error_column"])
        table["rmse_m"] = column(
            "error_column",
            np.asarray(TO_RMSE[source.error_measure](error_m)),
            ~(np.isfinite(error_m) & (error_m > 0)),
            "an error above 0 [m]",
        )
    table["correlation_length_m"] = np.full(len(frame), np.nan)
    if "correlation_column" in found:
        given, length_m = found["correlation_column"].notna().to_numpy(), numbers_of(found["correlation_column"])
        wrong = given & ~(np.isfinite(length_m) & (length_m >= 0))
        table["correlation_length_m"] = column(
            "correlation_column", length_m, wrong, "a length of 0 or more [m], or nothing"
        )
    if "kind_column" in found:
        kind = found["kind_column"].astype(str).str.strip().str.lower()
        table["is_surface"] = column(
            "kind_column", (kind == "surface").to_numpy(), ~kind.isin(KINDS).to_numpy(), " or ".join(KINDS)
        )
    if "date_column" in found:
        date = _dates(found["date_column"])
        table["day"] = column(
            "date_column",
            date.to_numpy().astype(DAY).astype(np.int64),
            date.isna().to_numpy(),
            "a year, month or day such as 2019, 2019-04 or 2019-04-30",
        )
    if len(problems) == 1:
        raise problems[0]
    if problems:
        raise all_of(InputError, "the dem_footprints layer", [str(problem) for problem in problems])
    return pd.DataFrame(table)


def find_minimum_heads(settings, inputs, stationing, long_profile, water_bodies):
    """The least head that the DEM resolves, by length of stretch, between stations of the region.

    Standing water is left out: its level is known better, and no head is taken there.

    Returns
    -------
    DataFrame
        See `sitefinder.profile.errors.minimum_heads`.
    """
    stations = stationing.stations
    return minimum_heads(
        long_profile.errors_m,
        stations["downstream"].to_numpy().astype(np.int32),
        stations["to_downstream_m"].to_numpy(),
        [length_m for length_m in MIN_HEAD_LENGTHS_M if length_m <= settings.stretches.longest_m],
        settings.heads.resolved_standard_errors,
        in_region(stations, inputs) & ~water_bodies.standing,
    )


def greatest_rmse_m(settings, inputs):
    """The greatest error that is stated anywhere of the DEM [m]."""
    rmse_m = inputs.dem_error.rmse_m
    if "dem_footprints" in inputs.layers:
        table = footprint_table(settings.inputs.dem_footprints, inputs.layers["dem_footprints"].frame)
        rmse_m = max(rmse_m, table["rmse_m"].max())
    return float(rmse_m)


# What the footprints leave open or settle, as rows of the repairs.
def _told(frame, table, footprint, over, usual):
    notes, count = [], len(footprint)
    outside = int((footprint < 0).sum())
    if outside:
        takes = f"they take the error of inputs.dem, {usual.rmse_m:.2f} m"
        notes.append(("dem_footprints", "", f"stations in no footprint: {outside} of {count}", takes))
        if usual.is_surface:
            notes.append(("dem", "", SURFACE, FLAGGED))
    several = int((over > 1).sum())
    if several:
        rule = "the latest survey holds, of equal dates the most exact"
        notes.append(("dem_footprints", "", f"stations in several footprints: {several} of {count}", rule))
    used = np.unique(footprint[footprint >= 0])
    surfaces = used[table["is_surface"].to_numpy()[used]]
    names = frame["feature_id"].to_numpy()[surfaces]
    notes += [("dem_footprints", name, SURFACE, FLAGGED) for name in dict.fromkeys(names)]
    return notes


# Dates as given, or from text or numbers of years; NaT where there is none.
def _dates(column):
    if pd.api.types.is_datetime64_any_dtype(column):
        return column.dt.tz_localize(None)
    if pd.api.types.is_numeric_dtype(column):
        years = column.where((column > 0) & (column % 1 == 0)).astype("Int64")
        column = years.astype("string").str.zfill(4)
    text = column.astype("string").str.strip()
    text = text.where(text.str.fullmatch(r"\d{4}(-\d{2}(-\d{2})?)?").fillna(False).astype(bool))
    return pd.to_datetime(text, format="ISO8601", errors="coerce")


# A column that holds what it cannot hold, with every feature where it does.
def _unfit(source, frame, column, wrong, expected):
    first, names = column[wrong].tolist()[0], dict.fromkeys(frame["feature_id"][wrong])
    notes = "nothing" if pd.isna(first) else repr(first)
    return InputError.of(
        f"the dem_footprints layer's column {column.name} holds what it cannot hold",
        file=source.path,
        expected=expected,
        found=f"{notes} and such in features {listed(names, shown=len(names))}",
        fix="correct the values, or leave these features out of the layer",
    )


class FieldLevels(NamedTuple):
    """Measured drops and ratings as used, segments whose fall is measured (bool, shape (n,)), what changed."""

    drops: MeasuredDrops
    measured: np.ndarray
    ratings: list
    repairs: pd.DataFrame


def place_field_levels(settings, inputs, stationing, long_profile):
    """Measured drops between stations, in the order in which they count, the most precise last; and ratings.

    A drop goes from the station above its upper place to the one below its lower place; what the stream falls in
    between comes from the slope around. A rating holds for the stations of its link within
    ``tailwater.rating_reach_m`` along it.

    Returns
    -------
    FieldLevels
    """
    count = len(stationing.stations)
    notes, used = [], []
    measured = np.zeros(count, dtype=bool)
    downstream = stationing.stations["downstream"].to_numpy().astype(np.int32)
    segment_m = stationing.stations["segment_length_m"].to_numpy()
    frame = _in_order(inputs)
    slopes = slopes_around(long_profile.profile_m, downstream, segment_m)
    snap_m = settings.stretches.structure_snap_m
    for row in frame.itertuples():
        ends = [
            _nearest_segment(place, stationing.segments, snap_m, from_below)
            for place, from_below in ((row.upper, True), (row.lower, False))
        ]
        text = f"drop measured: {row.drop_m:.2f} m with an error of {row.error_m:.2f} m, {row.date}"
        if None in ends:
            notes.append(("field_levels", row.level_id, f"{text}; no stream within {snap_m:g} m", NOT_USED))
            continue
        (above, above_share), (below, below_share) = ends
        upper, lower = (
            above - 1,
            below,
        )  # the station before it in its link: a segment never ends at a first station
        fall_above_m = slopes.above[above] * above_share * segment_m[above]
        fall_below_m = slopes.below[below] * (1.0 - below_share) * segment_m[below]
        drop_m, error_m = between_stations(row.drop_m, row.error_m, fall_above_m, fall_below_m)
        fell_m = long_profile.profile_m[upper] - long_profile.profile_m[lower]
        if not is_below(upper, lower, downstream):
            notes.append(("field_levels", row.level_id, f"{text}; its places are on no one way down", NOT_USED))
        elif np.isnan(fell_m):
            notes.append(("field_levels", row.level_id, f"{text}; the DEM has no elevation there", NOT_USED))
        else:
            se_m = head_standard_error(long_profile.errors_m, np.array([upper]), np.array([lower]))[0]
            said = f"the DEM says {fell_m - fall_above_m - fall_below_m:.2f} m with an error of {se_m:.2f} m"
            changed = f"head changed by {drop_m - fell_m:+.2f} m there"
            notes.append(("field_levels", row.level_id, f"{text}; {said}", changed))
            used.append((upper, lower, float(drop_m), float(error_m)))
            station = upper
            while station != lower:
                station = int(downstream[station])
                measured[station] = True
    columns = [np.array(column) for column in zip(*used, strict=True)] or [np.zeros(0)] * 4
    drops = MeasuredDrops(*(part.astype(np.int64) for part in columns[:2]), *columns[2:])
    ratings = _placed_ratings(settings, inputs, stationing, notes)
    return FieldLevels(drops, measured, ratings, pd.DataFrame(notes, columns=REPAIR_COLUMNS, dtype="str"))


def use_field_levels(settings, stationing, long_profile, field_levels):
    """The long profile and its errors with the measured drops laid over them."""
    if not len(field_levels.drops.upper):
        return long_profile
    profile_m, errors_m = apply_measured_drops(
        long_profile.profile_m,
        long_profile.errors_m,
        stationing.stations["downstream"].to_numpy().astype(np.int32),
        stationing.stations["to_downstream_m"].to_numpy(),
        field_levels.drops,
        settings.run.seed,
    )
    return long_profile._replace(profile_m=profile_m, errors_m=errors_m)


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
def _placed_ratings(settings, inputs, stationing, notes):
    if inputs.ratings is None:
        return []
    snap_m = settings.stretches.structure_snap_m
    ratings = []
    for name, rows in inputs.ratings.groupby("rating_id", sort=False):
        near = stations_along(rows.geometry.iloc[0], stationing, snap_m, settings.tailwater.rating_reach_m)
        if near is None:
            notes.append(("ratings", name, f"rating: no stream within {snap_m:g} m", NOT_USED))
            continue
        holds = near[0]
        ratings.append(Rating(holds, rows["flow_m3s"].to_numpy(), rows["level_m"].to_numpy()))
        notes.append(
            ("ratings", name, f"rating: holds for {len(holds)} stations", "used in place of hydraulic geometry")
        )
    return ratings


def stations_along(place, stationing, snap_m, reach_m):
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
    near = _nearest_segment(place, stationing.segments, snap_m, False)
    if near is None:
        return None
    stations, own = stationing.stations, stationing.stations.loc[near[0]]
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
