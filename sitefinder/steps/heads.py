"""The stages of heads: error of the DEM, channels, long profile, levels measured in the field, water depths."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.energy.hydraulics import Rating, hydraulic_width_m, water_depths
from sitefinder.errors import InputError, all_of, listed
from sitefinder.io.raster import cells_at, run_grid
from sitefinder.io.vector import no_such_column, numbers_of
from sitefinder.network.ordering import main_upstream
from sitefinder.network.topology import REPAIR_COLUMNS
from sitefinder.pipeline.executors import InThisProcess, results_in_order
from sitefinder.profile.breaks import slopes_around
from sitefinder.profile.errors import (
    OUTSIDE,
    SIMULATIONS_AT_ONCE,
    TO_RMSE,
    footprints_at,
    head_standard_error,
    minimum_heads,
    simulate_fit_errors,
)
from sitefinder.profile.fitting import LongProfile, fit_long_profile
from sitefinder.profile.readings import reading_errors
from sitefinder.profile.survey import MeasuredDrops, apply_measured_drops, between_stations, is_below
from sitefinder.profile.thalweg import find_channels, owned_points, transect_points
from sitefinder.profile.water_slopes import WaterSlopes, water_slopes
from sitefinder.siting.access import in_region
from sitefinder.siting.structures import known_breaks, within_drops
from sitefinder.vocabulary import SURFACE_MODEL

if TYPE_CHECKING:
    import geopandas
    import numpy.typing as npt

    from sitefinder.energy.hydraulics import WaterDepths
    from sitefinder.io.raster import RasterFacts
    from sitefinder.network.stations import Stationing
    from sitefinder.network.topology import Network, RepairRow
    from sitefinder.pipeline.executors import Executor
    from sitefinder.profile.errors import DemError
    from sitefinder.profile.thalweg import Channels
    from sitefinder.settings import DemFootprintSource, Settings
    from sitefinder.steps.flows import Flows, StationShapes
    from sitefinder.steps.inputs import RunInputs
    from sitefinder.steps.water_bodies import WaterBodies

# What became of a measurement, in the table of repairs.
NOT_USED = "not used"
# Reach of a transect to each side, in cells of the DEM, where the settings state none.
TRANSECT_CELLS = 2.5
# A bank is higher than the channel by this height, and by as many standard errors of the difference of two cells
# (own choices).
MIN_BANK_M, BANK_ERRORS = 0.5, 3.0
# Water that is level over this number of cells was made level by the DEM's makers (own choice).
FLAT_CELLS = 5
# An elevation represents a cell, and the mapped line wanders: error of the place along the stream, in cells. That
# of a cell alone is 0.29 (1 / sqrt(12)). Own choice: on fresh regions (tests/benchmarks/fresh_regions.py) 3 to
# 7 % of heads then lie beyond two standard errors.
PLACE_CELLS = 1.0 / 3.0
# Kinds of model that a footprint may state.
KINDS = ("terrain", "surface")
SURFACE = "surface model: heights are those of trees, roofs and bridges"
FLAGGED = f"kept; reaches and sites are flagged {SURFACE_MODEL.name}"
# A date as pandas reads it, in whole days.
DAY = "datetime64[D]"
# Lengths of stretches for which the minimum resolvable head is given [m] (own choice).
MIN_HEAD_LENGTHS_M = (100.0, 250.0, 500.0, 1000.0, 1500.0)


class DemErrors(NamedTuple):
    """Error of the DEM at each station, all of shape (n,), and rows of the table of repairs.

    ``rmse_m`` and ``correlation_length_m`` are float64 [m]. ``is_surface`` is True where the DEM shows trees and
    roofs, ``across`` where two surveys of different date, error or kind meet along a station's segment.
    """

    rmse_m: npt.NDArray[np.float64]
    correlation_length_m: npt.NDArray[np.float64]
    is_surface: npt.NDArray[np.bool_]
    across: npt.NDArray[np.bool_]
    repairs: pd.DataFrame


def find_dem_errors(settings: Settings, inputs: RunInputs, stationing: Stationing) -> DemErrors:
    """Error of the DEM at each station.

    Where footprints overlap, the latest survey holds, of equal dates the one of smallest error, then the first in
    the layer. A station in none of them takes the error that ``inputs.dem`` states.

    Returns
    -------
    DemErrors
    """
    stations, usual = stationing.stations, inputs.dem_error
    count = len(stations)
    rmse_m, correlation_length_m = np.full(count, usual.rmse_m), np.full(count, usual.correlation_length_m)
    is_surface = np.full(count, usual.is_surface)
    survey = np.full(count, OUTSIDE)
    source = settings.inputs.dem_footprints
    repairs = [("dem", "", SURFACE, FLAGGED)] if usual.is_surface else []
    if "dem_footprints" in inputs.layers and source is not None:
        frame = inputs.layers["dem_footprints"].frame
        table = footprint_table(source, frame)
        x_m, y_m = stations["x_m"].to_numpy(), stations["y_m"].to_numpy()
        polygons = frame.geometry.to_numpy()
        footprint, over = footprints_at(x_m, y_m, polygons, table["day"].to_numpy(), table["rmse_m"].to_numpy())
        inside = footprint >= 0
        table["correlation_length_m"] = table["correlation_length_m"].fillna(usual.correlation_length_m)
        rmse_m[inside] = table["rmse_m"].to_numpy()[footprint[inside]]
        correlation_length_m[inside] = table["correlation_length_m"].to_numpy()[footprint[inside]]
        is_surface[inside] = table["is_surface"].to_numpy()[footprint[inside]]
        # Surveys of one date, error and kind are one; a border between two of its polygons is none.
        survey[inside] = table.groupby(table.columns.tolist(), sort=False).ngroup().to_numpy()[footprint[inside]]
        repairs = _footprint_repairs(frame, table, footprint, over, usual)
    across = np.zeros(count, dtype=bool)
    end = stationing.segments["station"].to_numpy()
    across[end] = survey[end] != survey[end - 1]
    found = pd.DataFrame(repairs, columns=REPAIR_COLUMNS, dtype="str")
    return DemErrors(rmse_m, correlation_length_m, is_surface, across, found)


# What the footprints leave open or settle, as rows of the repairs.
def _footprint_repairs(
    frame: geopandas.GeoDataFrame,
    table: pd.DataFrame,
    footprint: npt.NDArray[np.int64],
    over: npt.NDArray[np.int64],
    usual: DemError,
) -> list[RepairRow]:
    repairs, count = [], len(footprint)
    outside = int((footprint < 0).sum())
    if outside:
        takes = f"they take the error of inputs.dem, {usual.rmse_m:.2f} m"
        repairs.append(("dem_footprints", "", f"stations in no footprint: {outside} of {count}", takes))
        if usual.is_surface:
            repairs.append(("dem", "", SURFACE, FLAGGED))
    several = int((over > 1).sum())
    if several:
        rule = "the latest survey holds, of equal dates the most exact"
        repairs.append(("dem_footprints", "", f"stations in several footprints: {several} of {count}", rule))
    used = np.unique(footprint[footprint >= 0])
    surfaces = used[table["is_surface"].to_numpy()[used]]
    names = frame["feature_id"].to_numpy()[surfaces]
    repairs += [("dem_footprints", name, SURFACE, FLAGGED) for name in dict.fromkeys(names)]
    return repairs


def footprint_table(source: DemFootprintSource, frame: geopandas.GeoDataFrame) -> pd.DataFrame:
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
    problems: list[InputError] = []
    named = {key: getattr(source, key) for key in ("error_column", "date_column", "kind_column")}
    if source.correlation_column is not None:
        named["correlation_column"] = source.correlation_column
    for key, name in named.items():
        if name not in frame:
            setting = f"inputs.dem_footprints.{key}"
            problems.append(no_such_column("dem_footprints", source, frame, setting, name))
    found = {key: frame[name] for key, name in named.items() if name in frame}

    def checked(
        key: str, values: npt.NDArray[Any], wrong: npt.NDArray[np.bool_], expected: str
    ) -> npt.NDArray[Any]:
        if wrong.any():
            problems.append(_unfit(source, frame, found[key], wrong, expected))
        return values

    table = {}
    if "error_column" in found:
        error_m = numbers_of(found["error_column"])
        table["rmse_m"] = checked(
            "error_column",
            np.asarray(TO_RMSE[source.error_measure](error_m)),
            ~(np.isfinite(error_m) & (error_m > 0)),
            "an error above 0 [m]",
        )
    table["correlation_length_m"] = np.full(len(frame), np.nan)
    if "correlation_column" in found:
        given, length_m = found["correlation_column"].notna().to_numpy(), numbers_of(found["correlation_column"])
        wrong = given & ~(np.isfinite(length_m) & (length_m >= 0))
        table["correlation_length_m"] = checked(
            "correlation_column", length_m, wrong, "a length of 0 or more [m], or nothing"
        )
    if "kind_column" in found:
        kind = found["kind_column"].astype(str).str.strip().str.lower()
        table["is_surface"] = checked(
            "kind_column", (kind == "surface").to_numpy(), ~kind.isin(KINDS).to_numpy(), " or ".join(KINDS)
        )
    if "date_column" in found:
        date = _dates(found["date_column"])
        table["day"] = checked(
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


# Dates as given, or from text or numbers of years; NaT where there is none.
def _dates(column: pd.Series[Any]) -> pd.Series[pd.Timestamp]:
    if pd.api.types.is_datetime64_any_dtype(column):
        days: pd.Series[pd.Timestamp] = column.dt.tz_localize(None)
        return days
    if pd.api.types.is_numeric_dtype(column):
        years = column.where((column > 0) & (column % 1 == 0)).astype("Int64")
        column = years.astype("string").str.zfill(4)
    text = column.astype("string").str.strip()
    text = text.where(text.str.fullmatch(r"\d{4}(-\d{2}(-\d{2})?)?").fillna(False).astype(bool))
    return pd.to_datetime(text, format="ISO8601", errors="coerce")


# A column that holds what it cannot hold, with every feature where it does.
def _unfit(
    source: DemFootprintSource,
    frame: geopandas.GeoDataFrame,
    column: pd.Series[Any],
    wrong: npt.NDArray[np.bool_],
    expected: str,
) -> InputError:
    first, names = column[wrong].tolist()[0], dict.fromkeys(frame["feature_id"][wrong])
    value = "nothing" if pd.isna(first) else repr(first)
    return InputError.of(
        f"the dem_footprints layer's column {column.name} holds what it cannot hold",
        file=source.path,
        expected=expected,
        found=f"{value} and such in features {listed(names, shown=len(names))}",
        fix="correct the values, or leave these features out of the layer",
    )


def greatest_rmse_m(settings: Settings, inputs: RunInputs) -> float:
    """The maximum error that is stated anywhere of the DEM [m]."""
    rmse_m = inputs.dem_error.rmse_m
    source = settings.inputs.dem_footprints
    if "dem_footprints" in inputs.layers and source is not None:
        table = footprint_table(source, inputs.layers["dem_footprints"].frame)
        rmse_m = max(rmse_m, table["rmse_m"].max())
    return float(rmse_m)


def read_channels(
    settings: Settings, inputs: RunInputs, network: Network, stationing: Stationing, dem_errors: DemErrors
) -> Channels:
    """The channel at each station, from the DEM's own cells on a transect."""
    dem, stations = settings.inputs.dem, stationing.stations
    cell_m = own_cell_m(inputs.dem, settings.run.crs)
    half_width_m = settings.heads.transect_half_width_m or TRANSECT_CELLS * cell_m
    step_m = cell_m / 2
    x_m, y_m = transect_points(stations, half_width_m=half_width_m, step_m=step_m)
    elevation_m = cells_at(inputs.dem, x_m, y_m, settings.run.crs, factor=dem.metres_per_unit)
    owned = owned_points(x_m, y_m, stations["link"].to_numpy(), stationing.segments, network.links)
    min_bank_m = np.maximum(MIN_BANK_M, BANK_ERRORS * np.sqrt(2.0) * dem_errors.rmse_m)
    return find_channels(x_m, y_m, elevation_m, owned, step_m=step_m, min_bank_m=min_bank_m)


def own_cell_m(facts: RasterFacts, crs: str) -> float:
    """Mean of the width and height of the DEM's own cells [m], also where it is in degrees."""
    grid = run_grid(facts, crs, None)
    return float(np.sqrt(grid.cell_width_m * grid.cell_height_m))


class Profile(NamedTuple):
    """Raw and conditioned elevation of each station [m], and simulated errors, shape (stations, simulations) [m].

    ``long_profile`` is the fit: refused elevations, steps, level water, error of the elevations as used.
    """

    raw_m: npt.NDArray[np.float64]
    profile_m: npt.NDArray[np.float64]
    errors_m: npt.NDArray[np.float32]
    long_profile: LongProfile


def fit_profile(
    settings: Settings,
    inputs: RunInputs,
    stationing: Stationing,
    channels: Channels,
    dem_errors: DemErrors,
    structures: pd.DataFrame,
    executor: Executor | None = None,
) -> Profile:
    """The long profile from the DEM's own cells, and what its error may be.

    Elevations of cells that hold part of the drop of a known structure are refused: the drop is in the segment
    where the structure is, and in no other.

    The executor does the simulated surveys, some at a time; absent: this process does.
    """
    heads = settings.heads
    downstream = stationing.stations["downstream"].to_numpy().astype(np.int32)
    step_m = stationing.stations["to_downstream_m"].to_numpy()
    rmse_m, length_m = dem_errors.rmse_m, dem_errors.correlation_length_m
    cell_m = own_cell_m(inputs.dem, settings.run.crs)
    place_m = PLACE_CELLS * cell_m
    segment_m = stationing.stations["segment_length_m"].to_numpy()
    known_break = known_breaks(structures, len(segment_m))
    is_within = within_drops(structures, channels.raw_m, downstream, segment_m, rmse_m)
    level_m = np.where(is_within, np.nan, channels.raw_m)
    long_profile = fit_long_profile(
        level_m,
        downstream,
        step_m,
        rmse_m,
        length_m,
        heads.quantile,
        FLAT_CELLS * cell_m,
        place_m,
        known_break,
    )
    readings = reading_errors(
        np.where(long_profile.is_spike, np.nan, level_m),
        channels.offset_m,
        stationing.stations["link"].to_numpy(),
        downstream,
        step_m,
        long_profile.profile_m,
        long_profile.is_break,
        long_profile.rmse_m,
        length_m,
        place_m,
        cell_m,
    )
    simulated = {
        "fitted": long_profile,
        "known": ~np.isnan(level_m),
        "downstream": downstream,
        "to_downstream_m": step_m,
        "rmse_m": rmse_m,
        "correlation_length_m": length_m,
        "seed": settings.run.seed,
        "quantile": heads.quantile,
        "place_error_m": place_m,
        "known_break": known_break,
        "readings": readings,
    }
    errors_m = _simulated_errors(simulated, heads.simulations, InThisProcess() if executor is None else executor)
    long_profile = long_profile._replace(is_spike=long_profile.is_spike | is_within)
    return Profile(channels.raw_m, long_profile.profile_m, errors_m, long_profile)


# Errors of all simulated surveys, a column each, from as many at a time as are held at once anyway.
def _simulated_errors(simulated: dict[str, Any], simulations: int, executor: Executor) -> npt.NDArray[np.float32]:
    items = (
        (
            f"simulations from number {first} on",
            {"first_draw": first, "simulations": min(SIMULATIONS_AT_ONCE, simulations - first)},
        )
        for first in range(0, simulations, SIMULATIONS_AT_ONCE)
    )
    parts = results_in_order(executor, simulate_fit_errors, simulated, items, "long_profile")
    return np.concatenate(parts, axis=1)


class FieldLevels(NamedTuple):
    """Measured drops and ratings as used, segments whose fall is measured (bool, shape (n,)), what changed.

    ``compared`` holds for each drop that was used its ``level_id``, and the drop of the DEM with its standard
    error there, ``dem_drop_m`` and ``dem_drop_se_m`` [m].
    """

    drops: MeasuredDrops
    measured: npt.NDArray[np.bool_]
    ratings: list[Rating]
    repairs: pd.DataFrame
    compared: pd.DataFrame


def place_field_levels(
    settings: Settings, inputs: RunInputs, stationing: Stationing, long_profile: Profile
) -> FieldLevels:
    """Measured drops between stations, in the order in which they count, the most precise last; and ratings.

    A drop goes from the station above its upper place to the one below its lower place; what the stream falls in
    between comes from the slope around. A rating holds for the stations of its link within
    ``tailwater.rating_reach_m`` along it.

    Returns
    -------
    FieldLevels
    """
    count = len(stationing.stations)
    repairs: list[RepairRow] = []
    used, compared = [], []
    measured = np.zeros(count, dtype=bool)
    downstream = stationing.stations["downstream"].to_numpy().astype(np.int32)
    segment_m = stationing.stations["segment_length_m"].to_numpy()
    columns = ["level_id", "drop_m", "error_m", "date", "upper", "lower"]
    slopes = slopes_around(long_profile.profile_m, downstream, segment_m)
    snap_m = settings.stretches.structure_snap_m
    rows = _in_order(inputs)[columns].itertuples(index=False, name=None)
    for level_id, measured_m, measured_error_m, date, upper_place, lower_place in rows:
        upper_end = _nearest_segment(upper_place, stationing.segments, snap_m, from_below=True)
        lower_end = _nearest_segment(lower_place, stationing.segments, snap_m, from_below=False)
        text = f"drop measured: {measured_m:.2f} m with an error of {measured_error_m:.2f} m, {date}"
        if upper_end is None or lower_end is None:
            repairs.append(("field_levels", level_id, f"{text}; no stream within {snap_m:g} m", NOT_USED))
            continue
        (above, above_share), (below, below_share) = upper_end, lower_end
        # The station before it in its link: a segment never ends at a first station.
        upper, lower = above - 1, below
        fall_above_m = slopes.above[above] * above_share * segment_m[above]
        fall_below_m = slopes.below[below] * (1.0 - below_share) * segment_m[below]
        drop_m, error_m = between_stations(measured_m, measured_error_m, fall_above_m, fall_below_m)
        fell_m = long_profile.profile_m[upper] - long_profile.profile_m[lower]
        if not is_below(upper, lower, downstream):
            repairs.append(
                (
                    "field_levels",
                    level_id,
                    f"{text}; one of its places is not downstream of the other",
                    NOT_USED,
                )
            )
        elif np.isnan(fell_m):
            repairs.append(("field_levels", level_id, f"{text}; the DEM has no elevation there", NOT_USED))
        else:
            se_m = head_standard_error(long_profile.errors_m, np.array([upper]), np.array([lower]))[0]
            dem_m = fell_m - fall_above_m - fall_below_m
            said = f"the DEM says {dem_m:.2f} m with an error of {se_m:.2f} m"
            compared.append((str(level_id), float(dem_m), float(se_m)))
            changed = f"head changed by {drop_m - fell_m:+.2f} m there"
            repairs.append(("field_levels", level_id, f"{text}; {said}", changed))
            used.append((upper, lower, float(drop_m), float(error_m)))
            station = upper
            while station != lower:
                station = int(downstream[station])
                measured[station] = True
    parts = [np.array(part) for part in zip(*used, strict=True)] or [np.zeros(0)] * 4
    drops = MeasuredDrops(parts[0].astype(np.int64), parts[1].astype(np.int64), parts[2], parts[3])
    ratings = _placed_ratings(settings, inputs, stationing, repairs)
    listed_repairs = pd.DataFrame(repairs, columns=REPAIR_COLUMNS, dtype="str")
    against = pd.DataFrame(compared, columns=["level_id", "dem_drop_m", "dem_drop_se_m"])
    return FieldLevels(drops, measured, ratings, listed_repairs, against)


# Measured drops by falling error; of equals, the one that is later in the table counts more.
def _in_order(inputs: RunInputs) -> pd.DataFrame:
    if inputs.field_levels is None:
        return pd.DataFrame(columns=["level_id", "drop_m", "error_m", "date", "upper", "lower"])
    levels: pd.DataFrame = inputs.field_levels.sort_values("error_m", ascending=False, kind="stable")
    return levels


# Ratings with the stations that each holds for.
def _placed_ratings(
    settings: Settings, inputs: RunInputs, stationing: Stationing, repairs: list[RepairRow]
) -> list[Rating]:
    if inputs.ratings is None:
        return []
    snap_m = settings.stretches.structure_snap_m
    ratings = []
    for name, rows in inputs.ratings.groupby("rating_id", sort=False):
        near = stations_along(rows.geometry.iloc[0], stationing, snap_m, settings.tailwater.rating_reach_m)
        if near is None:
            repairs.append(("ratings", name, f"rating: no stream within {snap_m:g} m", NOT_USED))
            continue
        holds = near[0]
        ratings.append(Rating(holds, rows["flow_m3s"].to_numpy(), rows["level_m"].to_numpy()))
        repairs.append(
            (
                "ratings",
                name,
                f"rating: holds for {len(holds)} stations",
                "used for levels in place of slope or hydraulic geometry",
            )
        )
    return ratings


def stations_along(
    place: shapely.Point, stationing: Stationing, snap_m: float, reach_m: float
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]] | None:
    """Stations of the nearest link within a distance along the stream of a place on the bank.

    Parameters
    ----------
    place : Point
    stationing : Stationing
    snap_m : float
        Farthest from the place to the stream [m].
    reach_m : float
        Farthest along the stream, up and down [m].

    Returns
    -------
    (ndarray of int64, ndarray of float64) or None
        Station numbers, and the distance to each [m]; None where no stream is near.
    """
    near = _nearest_segment(place, stationing.segments, snap_m, from_below=False)
    if near is None:
        return None
    stations, own = stationing.stations, stationing.stations.loc[near[0]]
    at_m = own["distance_m"] - (1.0 - near[1]) * own["segment_length_m"]
    away_m = (stations["distance_m"] - at_m).abs().to_numpy()
    holds = np.flatnonzero((stations["link"] == own["link"]).to_numpy() & (away_m <= reach_m))
    return holds, away_m[holds]


# Station of the nearest segment, and the share of its length above the place; None where none is within reach. A
# place between two segments counts as the top of the lower one if asked so, else as the foot of the upper one.
def _nearest_segment(
    place: shapely.Point, segments: geopandas.GeoDataFrame, snap_m: float, *, from_below: bool
) -> tuple[int, float] | None:
    lines, station = segments.geometry.to_numpy(), segments["station"].to_numpy()
    near = shapely.STRtree(lines).query_nearest(place, max_distance=snap_m, all_matches=True)
    if not len(near):
        return None
    pick = near[np.argmax(station[near])] if from_below else near[np.argmin(station[near])]
    return int(station[pick]), float(shapely.line_locate_point(lines[pick], place, normalized=True))


def use_field_levels(
    settings: Settings, stationing: Stationing, long_profile: Profile, field_levels: FieldLevels
) -> Profile:
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


def find_water_slopes(
    settings: Settings,
    stationing: Stationing,
    heads: Profile,
    field_levels: FieldLevels,
    flows: Flows,
    water_bodies: WaterBodies,
) -> WaterSlopes:
    """Slope of the water surface at each station, without steps, surveyed drops and standing or tidal water."""
    stations = stationing.stations
    downstream = stations["downstream"].to_numpy().astype(np.int32)
    to_downstream_m = stations["to_downstream_m"].to_numpy()
    if settings.tailwater.method == "hydraulic_geometry":
        unknown = np.full(len(stations), np.nan)
        return WaterSlopes(unknown, unknown)
    # The way to the next station is the segment of that station.
    is_open = ~(field_levels.measured | water_bodies.standing | water_bodies.tidal)
    is_drop = heads.long_profile.is_break | ~np.where(downstream >= 0, is_open[downstream], False)
    return water_slopes(
        heads.profile_m,
        heads.errors_m,
        main_upstream(downstream, to_downstream_m),
        downstream,
        to_downstream_m,
        is_drop,
        settings.channel.slope_lengths_m,
        settings.channel.slope_widths * hydraulic_width_m(flows.estimate.mean_m3s, settings.channel),
        settings.heads.resolved_standard_errors,
    )


def find_water_depths(
    settings: Settings, flows: Flows, field_levels: FieldLevels, channel_shapes: StationShapes
) -> WaterDepths:
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
        channel_shapes.shapes,
    )


def find_minimum_heads(
    settings: Settings, inputs: RunInputs, stationing: Stationing, long_profile: Profile, water_bodies: WaterBodies
) -> pd.DataFrame:
    """The minimum head that the DEM resolves, by length of stretch, between stations of the region.

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
