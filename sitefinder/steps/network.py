"""The stage that turns stream lines into a network, and what was repaired or is doubtful in it."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, TypeGuard

import geopandas
import numpy as np
import pandas as pd
import shapely
from shapely.ops import substring

from sitefinder.dem.grid import bounds_of
from sitefinder.errors import InputError, all_of, listed
from sitefinder.io.raster import cells_at
from sitefinder.io.vector import no_such_column, numbers_of
from sitefinder.network.directions import RIDGE_M
from sitefinder.network.extent import lines_within
from sitefinder.network.quality import list_close_streams, list_crossings, list_ridges, list_shared_cells
from sitefinder.network.snapping import snapping_distance_m
from sitefinder.network.stations import place_stations, without_repeats
from sitefinder.network.topology import build_network
from sitefinder.schema import LAYERS
from sitefinder.steps.derived_network import derive_network
from sitefinder.steps.heads import greatest_rmse_m
from sitefinder.vocabulary import NETWORK_UNRESOLVED

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import numpy.typing as npt

    from sitefinder.dem.grid import Grid
    from sitefinder.network.stations import Stationing
    from sitefinder.network.topology import Network
    from sitefinder.pipeline.executors import Executor
    from sitefinder.settings import NetworkSettings, Settings, StreamSource
    from sitefinder.steps.heads import Profile
    from sitefinder.steps.inputs import RunInputs
    from sitefinder.steps.terrain import Drainage, Surface

# Errors of the elevations that a climb along a stream has to exceed before it is no error (own choice).
RIDGE_ERRORS = 4.0
# And in cells, since a line a cell beside its channel runs up the side of the valley (own choice).
RIDGE_CELLS = 0.5


def make_network(
    settings: Settings,
    inputs: RunInputs,
    surface: Surface,
    scratch: Path,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Network:
    """Links, from the mapped streams or from the DEM where none are mapped.

    Raises
    ------
    InputError
        If no line is left.
    """
    crs = settings.run.crs
    source = settings.inputs.streams
    if "streams" in inputs.layers and source is not None:
        lines = stream_lines(source, settings.network, inputs.layers["streams"].frame)
    else:
        lines = derive_network(
            surface.dem_path,
            settings.network.derive_threshold_km2,
            scratch,
            executor,
            progress,
            source_path=settings.inputs.dem.path,
        )
        lines = pd.DataFrame(lines.rename(columns={"stream_id": "feature_id"}).assign(stream=""))
        lines = lines[["feature_id", "stream", "geometry"]]
    margin_m = settings.network.dem_margin_m
    lines, beyond = lines_within(lines, bounds_of(surface.grid, margin_m))
    if not len(lines):
        raise InputError.of(
            "no stream line lies on the DEM",
            file=None if source is None else source.path,
            expected=f"lines that reach within {margin_m:g} m of the DEM (network.dem_margin_m)",
            found=f"{len(beyond)} features that do not: {listed(beyond['feature'])}",
            fix="use a DEM of the same region, or check the coordinate systems of both",
        )
    geometry = lines["geometry"].to_numpy()
    ends = [shapely.get_point(geometry, place) for place in (0, -1)]
    elevation_m = np.column_stack(
        [cells_at(inputs.dem, shapely.get_x(point), shapely.get_y(point), crs) for point in ends]
    )
    snap_m = settings.network.snap_m
    if snap_m is None:
        snap_m = snapping_distance_m(shapely.length(geometry))
    network = build_network(
        lines,
        snap_m=snap_m,
        end_elevation_m=elevation_m * settings.inputs.dem.metres_per_unit,
        main_path=settings.network.main_path,
        ridge_m=ridge_limit_m(settings, inputs, surface.grid),
    )
    return network._replace(repairs=pd.concat([beyond, network.repairs], ignore_index=True))


def stream_lines(source: StreamSource, network: NetworkSettings, frame: geopandas.GeoDataFrame) -> pd.DataFrame:
    """The streams layer as `sitefinder.network.topology.build_network` takes it.

    Parameters
    ----------
    source : sitefinder.settings.StreamSource
    network : sitefinder.settings.NetworkSettings
    frame : GeoDataFrame
        The layer as read.

    Returns
    -------
    DataFrame

    Raises
    ------
    InputError
        Listing each column that is missing, is no number, or holds numbers out of range.
    """
    problems: list[InputError] = []

    def numbers(
        column: str | None, key: str, minimum: float = -np.inf, maximum: float = np.inf
    ) -> npt.NDArray[np.float64]:
        if _is_there(column, frame, key, source, problems):
            return _numbers(frame, column, key, source, (minimum, maximum), problems)
        return np.full(len(frame), np.nan)

    lines = pd.DataFrame(
        {
            "feature_id": frame["feature_id"].to_numpy(),
            "stream": frame["feature_name"].to_numpy(),
            "geometry": frame.geometry.to_numpy(),
            "inflow_area_km2": numbers(source.inflow_area_column, "inputs.streams.inflow_area_column", 0.0),
            "arm_share": network.divergence_share,
            "is_canal": False,
        }
    )
    sign = -1.0 if network.main_path_column_wins == "minimum" else 1.0
    lines["main_path_value"] = sign * numbers(network.main_path_column, "network.main_path_column")
    share = numbers(network.divergence_share_column, "network.divergence_share_column", 0.0, 1.0)
    lines["arm_share"] = np.where(np.isnan(share), lines["arm_share"], share)
    if _is_there(network.canal_column, frame, "network.canal_column", source, problems):
        column = frame[network.canal_column]
        values = network.canal_values or []
        texts = [str(value) for value in values]
        lines["is_canal"] = (column.isin(values) | column.astype(str).isin(texts)).to_numpy()
    if len(problems) == 1:
        raise problems[0]
    if problems:
        raise all_of(InputError, "the streams layer", [str(problem) for problem in problems])
    return lines


# Whether a column is named and is there; if it is named and missing, that is a problem.
def _is_there(
    column: str | None, frame: geopandas.GeoDataFrame, key: str, source: StreamSource, problems: list[InputError]
) -> TypeGuard[str]:
    if column is None or column in frame:
        return column is not None
    problems.append(no_such_column("streams", source, frame, key, column))
    return False


# A column as numbers; what is no number or out of range is a problem.
def _numbers(
    frame: geopandas.GeoDataFrame,
    column: str,
    key: str,
    source: StreamSource,
    limits: tuple[float, float],
    problems: list[InputError],
) -> npt.NDArray[np.float64]:
    given = frame[column]
    values: npt.NDArray[np.float64] = numbers_of(given)
    wrong = (np.isnan(values) & given.notna().to_numpy()) | (values < limits[0]) | (values > limits[1])
    if wrong.any():
        minimum, maximum = limits
        span = "numbers" + (f" from {minimum:g}" if np.isfinite(minimum) else "")
        span += f" to {maximum:g}" if np.isfinite(maximum) else " up" if np.isfinite(minimum) else ""
        problems.append(
            InputError.of(
                f"the streams layer's column {column} holds what it cannot hold",
                file=source.path,
                expected=f"{span}, or nothing, as {key} names it",
                found=f"{given[wrong].tolist()[0]!r} and such in {wrong.sum()} features: "
                f"{listed(frame['feature_id'][wrong])}",
                fix="correct the values, or name another column",
            )
        )
    return values


def ridge_limit_m(settings: Settings, inputs: RunInputs, grid: Grid) -> float:
    """Climb along a stream that no error of the DEM explains [m]."""
    if settings.network.ridge_m is not None:
        return settings.network.ridge_m
    cell_m = float(np.sqrt(grid.cell_width_m * grid.cell_height_m))
    return max(RIDGE_M, RIDGE_ERRORS * greatest_rmse_m(settings, inputs), RIDGE_CELLS * cell_m)


def validate_unresolved(settings: Settings, network: Network) -> None:
    """Stop where a part of the network cannot be resolved and the run is strict.

    A stage by itself, so that a strict run may use a network that a lenient one made.

    Raises
    ------
    InputError
    """
    if settings.run.strict and len(network.unresolved):
        raise _unresolved(settings, network.unresolved)


def _unresolved(settings: Settings, unresolved: pd.DataFrame) -> InputError:
    source = settings.inputs.streams
    reasons = [
        f"{because}: {listed(rows['feature_id'].unique())}"
        for because, rows in unresolved.groupby("because", sort=True)
    ]
    return InputError.of(
        "a part of the stream network cannot be resolved",
        file=None if source is None else source.path,
        expected="streams that lead to an outlet and fall on the whole",
        found="; ".join(reasons),
        fix="mend these features, or run without --strict: they are then set aside as unknown",
    )


def place_on_network(settings: Settings, network: Network) -> Stationing:
    """Stations, segments and reaches."""
    return place_stations(
        network,
        station_spacing_m=settings.network.station_spacing_m,
        reach_length_m=settings.network.reach_length_m,
    )


def list_stream_doubts(
    settings: Settings,
    inputs: RunInputs,
    surface: Surface,
    network: Network,
    stationing: Stationing,
    terrain: Drainage,
    heads: Profile,
) -> pd.DataFrame:
    """Streams that the DEM cannot distinguish, that cross, or that are drawn over a ridge.

    Returns
    -------
    DataFrame
        As the repairs of a layer.
    """
    grid = surface.grid
    cell_m = float(np.sqrt(grid.cell_width_m * grid.cell_height_m))
    found: list[pd.DataFrame] = [
        list_shared_cells(terrain.cells.shared, stationing.stations, network),
        list_close_streams(stationing.segments, stationing.stations, network, cell_m),
        list_crossings(network),
        list_ridges(
            heads.raw_m, heads.profile_m, stationing.stations, network, ridge_limit_m(settings, inputs, grid)
        ),
    ]
    return pd.concat(found, ignore_index=True)


def unresolved_reaches(settings: Settings, network: Network, stationing: Stationing) -> geopandas.GeoDataFrame:
    """Reaches of what was set aside: a line and a verdict, but no area, flow or head.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    network : Network
    stationing : Stationing

    Returns
    -------
    GeoDataFrame
        With the columns of ``reaches`` that are known, ``feature_from_m`` and ``feature_to_m`` along the feature
        as drawn, and ``geometry``; as long as the settings have reaches.
    """
    rows, lines = [], []
    pieces = network.unresolved[["feature_id", "stream", "feature_from_m", "geometry"]]
    for feature_id, stream, feature_from_m, geometry in pieces.itertuples(index=False, name=None):
        count = max(1, round(geometry.length / settings.network.reach_length_m))
        at = np.linspace(0.0, geometry.length, count + 1)
        for from_m, to_m in pairwise(at):
            middle_m = feature_from_m + (from_m + to_m) / 2
            drawn = feature_from_m + from_m, feature_from_m + to_m
            rows.append((f"{feature_id}@{middle_m:.0f}", stream, feature_id, from_m, to_m, *drawn))
            lines.append(substring(geometry, from_m, to_m))
    columns = ["reach_id", "stream", "feature_id", "from_m", "to_m", "feature_from_m", "feature_to_m"]
    table = pd.DataFrame(rows, columns=columns)
    known = stationing.reaches["reach_id"].tolist()
    table["reach_id"] = without_repeats([*known, *table["reach_id"]])[len(known) :]
    table["length_m"] = shapely.length(np.array(lines, dtype=object))
    others = {}
    for column in LAYERS["reaches"].columns:
        if column.name not in table:
            empty = {"text": "", "boolean": False}.get(column.dtype, np.nan)
            others[column.name] = pd.Series([empty] * len(table), index=table.index)
    table = pd.concat([table, pd.DataFrame(others, index=table.index)], axis=1)
    table["verdict"] = "unknown"
    table["mark_unknown"] = True
    table["flags"] = NETWORK_UNRESOLVED.flag
    table["rejection_reason"] = NETWORK_UNRESOLVED.name
    return geopandas.GeoDataFrame(table, geometry=lines, crs=settings.run.crs)


def joined_repairs(**by_kind: list[pd.DataFrame]) -> pd.DataFrame:
    """The ``repairs`` layer.

    Parameters
    ----------
    **by_kind : list of DataFrame
        Repairs by what found them.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``repairs``.
    """
    tables = [table.assign(kind=kind) for kind, tables in by_kind.items() for table in tables]
    columns = [column.name for column in LAYERS["repairs"].columns]
    return pd.concat(tables, ignore_index=True)[columns].fillna("")
