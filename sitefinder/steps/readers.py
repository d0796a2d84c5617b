"""What reads inputs and judges them; loaded only by a run that reads, since it needs large libraries."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError

from sitefinder.catalogue.costs import to_common_currency, with_screen
from sitefinder.dem.judging import IMPLAUSIBLE_GROUND
from sitefinder.errors import ConfigError
from sitefinder.hydrology.abstractions import alterations_of
from sitefinder.hydrology.change import flow_change_of
from sitefinder.hydrology.estimate import validate_unfit_equations
from sitefinder.hydrology.regime import regime_of_records
from sitefinder.hydrology.regression import fit_equations
from sitefinder.hydrology.seasons import month_of, month_statistics, split_by_month
from sitefinder.hydrology.stated_flows import stated_drops
from sitefinder.hydrology.strength import mean_regressions
from sitefinder.io.catalogue_files import (
    daily_files,
    data_file_lineage,
    files_of_costs,
    read_costs,
    read_dem_error,
    read_environmental_flow,
    read_regime,
    read_screen,
    read_turbine_files,
)
from sitefinder.io.crs import Operation, scale_note
from sitefinder.io.decisions import read_decisions
from sitefinder.io.gauges import (
    measured_gauges,
    read_daily_records,
    read_equations,
    read_gauges,
    read_text_table,
)
from sitefinder.io.observations import conditions_of, gaugings_of, levels_of, read_observations
from sitefinder.io.raster import bounds_in_run, operation_to_run, parts_of_raster, raster_facts, run_grid
from sitefinder.io.raster_judging import judge_covariate, judge_dem, judge_streams
from sitefinder.io.survey import (
    read_drop_flows,
    read_field_levels,
    read_ratings,
    read_sections,
    read_spot_gaugings,
)
from sitefinder.io.vector import read_layer, validate_near_region
from sitefinder.io.water_rights import read_water_rights
from sitefinder.network.extent import lines_within
from sitefinder.network.quality import count_crossings
from sitefinder.network.topology import REPAIR_COLUMNS
from sitefinder.rules.filters import Matching, matching
from sitefinder.rules.overlaps import disc_areas_m2, pairs_within_buffer
from sitefinder.settings import ParcelSource, RuleSettings
from sitefinder.siting.access import demand_of_settlements
from sitefinder.siting.grid import power_lines_of, substations_of
from sitefinder.siting.inventories import inventory_of, joined_inventories
from sitefinder.siting.land import parcels_of
from sitefinder.siting.structures import validate_structures
from sitefinder.siting.water_body_status import water_bodies_of
from sitefinder.steps.flow_regions import flow_by_regions, read_flow_regions, trial_weights
from sitefinder.steps.flows import suspects_of, validate_unfit_months, validate_unknown_gauges, year_to_year_of
from sitefinder.steps.heads import footprint_table
from sitefinder.steps.network import stream_lines

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from sitefinder.catalogue.equations import Equation
    from sitefinder.hydrology.change import FlowChange
    from sitefinder.hydrology.regime import Regime
    from sitefinder.hydrology.regions import RegionWeights
    from sitefinder.hydrology.regression import Fit
    from sitefinder.io.raster import RasterFacts
    from sitefinder.io.vector import LayerRead
    from sitefinder.settings import (
        ChangeSettings,
        CovariateSource,
        DemSource,
        EnvironmentalFlowRule,
        FlowSettings,
        GaugeTable,
        LayerSource,
        Settings,
        ShareSource,
        StructureSource,
    )

# What `sitefinder.steps.inputs` reads with.
__all__ = [
    "alterations_of",
    "bounds_in_run",
    "check_run_crs",
    "conditions_of",
    "daily_files",
    "data_file_lineage",
    "demand_of_settlements",
    "files_of_costs",
    "fitted_equations",
    "footprint_table",
    "gaugings_of",
    "ground_repairs",
    "joined_inventories",
    "judge_covariate",
    "judge_dem",
    "judge_streams",
    "levels_of",
    "mean_regressions",
    "measured_gauges",
    "parts_of_raster",
    "read_change",
    "read_costs",
    "read_coverage",
    "read_decisions",
    "read_dem_error",
    "read_drop_flows",
    "read_environmental_flow",
    "read_equations",
    "read_field_levels",
    "read_flow_regions",
    "read_gauges",
    "read_inventory",
    "read_judged_layer",
    "read_layer_here",
    "read_observations",
    "read_raster",
    "read_ratings",
    "read_rule",
    "read_screen",
    "read_sections",
    "read_share",
    "read_spot_gaugings",
    "read_turbine_files",
    "read_water_rights",
    "region_regime",
    "scale_note",
    "stated_drops",
    "stream_lines",
    "suspects_of",
    "to_common_currency",
    "trial_weights",
    "validate_structures",
    "validate_unfit_flows",
    "validate_unknown_gauges",
    "with_screen",
    "year_to_year_of",
]


def check_run_crs(crs: str) -> None:
    """Refuse a run's coordinate system that is not projected in metres.

    Raises
    ------
    ConfigError
    """
    expected = "a projected system in metres, for example EPSG:32633"
    try:
        system = CRS.from_user_input(crs)
    except CRSError:
        raise ConfigError.of(
            "run.crs is no coordinate system",
            expected=expected,
            found=crs,
            fix="look up the code of the projected system of your region",
        ) from None
    if not system.is_projected or system.axis_info[0].unit_name != "metre":
        unit = system.axis_info[0].unit_name if system.axis_info else "no"
        raise ConfigError.of(
            "run.crs does not measure in metres",
            expected=expected,
            found=f"{crs} ({system.name}), with axes in {unit}",
            fix="choose the projected system of your region; degrees have no length",
        )


def read_raster(source: DemSource | CovariateSource, folder: Path, crs: str, what: str) -> RasterFacts:
    """Facts of a raster, with the operation that takes it to the run's system in its lineage."""
    facts = raster_facts(source, folder, what)
    return facts._replace(lineage=facts.lineage | {"operation": operation_to_run(facts, crs).description})


def ground_repairs(layer: str, notes: Sequence[Sequence[str]]) -> list[list[str]]:
    """What a look at the DEM found, each with what to do, as rows of the table of repairs."""
    return [[layer, "", f"{IMPLAUSIBLE_GROUND}{problem}", f"used as it is; {fix}"] for problem, fix in notes]


def read_layer_here(
    source: LayerSource,
    folder: Path,
    crs: str,
    bounds: Sequence[float] | None,
    what: str,
    geometry: str,
    allow_empty: bool,
    margin_m: float | None = None,
) -> LayerRead:
    """A layer that lies where the run is, unless it may be empty.

    Parameters
    ----------
    source, folder, crs, what, geometry, allow_empty
        See `sitefinder.io.vector.read_layer`.
    bounds : sequence of float or None
        Of the run [m]; None where they are not known.
    margin_m : float, optional
        Farther than this beyond the bounds no feature matters [m]: a large layer is read by area. Absent: all of
        them may.

    Returns
    -------
    sitefinder.io.vector.LayerRead

    Raises
    ------
    InputError
    """
    area = None
    if bounds is not None and margin_m is not None:
        west, south, east, north = bounds
        area = (west - margin_m, south - margin_m, east + margin_m, north + margin_m)
    read = read_layer(source, folder, crs, what=what, geometry=geometry, allow_empty=allow_empty, area=area)
    if bounds is not None and not allow_empty:
        validate_near_region(read, bounds)
    return read


# How far from a stream a rule's feature is still named as the nearest one [m] (own choice).
NEAREST_M = 5000.0


def read_inventory(
    source: StructureSource, folder: Path, crs: str, bounds: Sequence[float] | None, name: str, is_first: bool
) -> LayerRead:
    """An inventory of structures, with its columns named as the program names them.

    Parameters
    ----------
    source : sitefinder.settings.StructureSource
    folder, crs, bounds
        See `read_layer_here`.
    name : str
        Of the inventory.
    is_first : bool
        Whether its ids stay as they are, see `sitefinder.siting.inventories.inventory_of`.

    Returns
    -------
    sitefinder.io.vector.LayerRead

    Raises
    ------
    InputError
        If the layer cannot be read, is empty or elsewhere, or lacks a column that the settings name.
    """
    what = name if is_first else f"structures {name}"
    read = read_layer_here(source, folder, crs, bounds, what, "point", allow_empty=False)
    frame, notes = inventory_of(read.frame, source, name, is_first=is_first)
    return _with_notes(read, frame, notes)


# A layer as a computation made it of what was read, with its notes among the repairs.
def _with_notes(read: LayerRead, frame: geopandas.GeoDataFrame, notes: Sequence[tuple[str, str]]) -> LayerRead:
    what = read.lineage["name"]
    added = pd.DataFrame([(what, "", *note) for note in notes], columns=REPAIR_COLUMNS, dtype="str")
    return read._replace(frame=frame, repairs=pd.concat([read.repairs, added], ignore_index=True))


# What makes columns of the program's own of those that settings name, and judges them, by layer.
_JUDGED: dict[str, Callable[..., tuple[geopandas.GeoDataFrame, list[tuple[str, str]]]]] = {
    "parcels": parcels_of,
    "power_lines": power_lines_of,
    "substations": substations_of,
    "water_bodies": water_bodies_of,
}


def read_judged_layer(
    source: LayerSource, folder: Path, crs: str, bounds: Sequence[float] | None, what: str, geometry: str
) -> LayerRead:
    """A layer with what the settings make of its columns: parcels, power lines, substations or water bodies.

    Parameters
    ----------
    source, folder, crs, bounds, what, geometry
        See `read_layer_here`; parcels of a large layer are those near the region.

    Returns
    -------
    sitefinder.io.vector.LayerRead

    Raises
    ------
    InputError
    """
    margin_m = source.within_m if isinstance(source, ParcelSource) else None
    read = read_layer_here(source, folder, crs, bounds, what, geometry, allow_empty=False, margin_m=margin_m)
    return _with_notes(read, *_JUDGED[what](read.frame, source))


class JoinedLayer(NamedTuple):
    """Several layers as one."""

    frame: geopandas.GeoDataFrame


class RuleLayer(NamedTuple):
    """The layer of a rule as read, see `sitefinder.io.vector.LayerRead`, and what the rule's filter makes of it.

    ``match`` is None where the layer has no features.
    """

    frame: geopandas.GeoDataFrame
    repairs: pd.DataFrame
    lineage: dict[str, Any]
    operation: Operation
    match: Matching | None


def read_rule(
    rule: RuleSettings, folder: Path, crs: str, bounds: Sequence[float] | None, margin_m: float | None = None
) -> RuleLayer:
    """The layer of a rule, with what its filter and areas make of it among the repairs and in its lineage.

    Parameters
    ----------
    rule : sitefinder.settings.RuleSettings
    folder, crs, bounds
        See `read_layer_here`.
    margin_m : float, optional
        How far beyond the bounds streams are looked at [m].

    Returns
    -------
    RuleLayer

    Raises
    ------
    InputError
        If the layer cannot be read, is empty or elsewhere, or the filter or an area is wrong.
    """
    what = f"rule {rule.name}"
    around_m = None if margin_m is None else margin_m + rule.buffer_m + NEAREST_M
    read = read_layer_here(rule, folder, crs, bounds, what, "any", rule.may_be_empty, around_m)
    frame = read.frame
    if frame.empty:
        return RuleLayer(*read, None)
    match = matching(frame, rule)
    rows, features = [], read.lineage["features"]
    if rule.column is not None or rule.where is not None:
        row = frame["source_row"]
        features += f", {row[match.selected].nunique()} selected by the filter"
        if match.category_missing.any():
            count = row[match.category_missing].nunique()
            rows.append(("", "no category to filter by", f"{count} features make what they touch unknown"))
    if (area_m2 := disc_areas_m2(frame, rule)).any():
        action = f"{(area_m2 > 0).sum()} turned into discs, {area_m2.sum():.1f} m² in all"
        rows.append(("", "points with an area", action))
    added = pd.DataFrame([(what, *row) for row in rows], columns=REPAIR_COLUMNS, dtype="str")
    repairs = pd.concat([read.repairs, added], ignore_index=True)
    return RuleLayer(frame, repairs, read.lineage | {"features": features}, read.operation, match)


def grid_size(facts: RasterFacts, crs: str, cell_size_m: float | None) -> tuple[int, int, float, float]:
    """Rows and columns of the run's grid, and width and height of its cells [m]."""
    grid = run_grid(facts, crs, cell_size_m)
    return int(grid.rows), int(grid.columns), float(grid.cell_width_m), float(grid.cell_height_m)


def count_streams(frame: geopandas.GeoDataFrame, bounds: Sequence[float], margin_m: float) -> dict[str, float]:
    """Length [km], number and crossings of the stream lines that a run will look at.

    Parameters
    ----------
    frame : GeoDataFrame
        The layer as read.
    bounds : sequence of float
        West, south, east and north of the DEM in the run's system [m].
    margin_m : float
        How far beyond the DEM lines are looked at [m].

    Returns
    -------
    dict of str to float
    """
    west, south, east, north = bounds
    around = (west - margin_m, south - margin_m, east + margin_m, north + margin_m)
    lines = pd.DataFrame({"feature_id": frame["feature_id"], "geometry": np.asarray(frame.geometry, dtype=object)})
    geometry = np.asarray(lines_within(lines, around)[0]["geometry"], dtype=object)
    return {
        "stream_km": float(shapely.length(geometry).sum()) / 1000.0,
        "lines": len(geometry),
        "crossings": count_crossings(geometry),
    }


def count_buffer_pairs(frame: geopandas.GeoDataFrame, buffer_m: float) -> float:
    """See `sitefinder.rules.overlaps.pairs_within_buffer`, of the features of a layer."""
    return float(pairs_within_buffer(np.asarray(frame.geometry, dtype=object), buffer_m))


def read_coverage(rule: RuleSettings, folder: Path, crs: str, bounds: Sequence[float] | None) -> LayerRead | None:
    """Polygons of the area that a rule's layer covers, or None where the rule names none.

    Parameters
    ----------
    rule : sitefinder.settings.RuleSettings
    folder, crs, bounds
        See `read_layer_here`.

    Returns
    -------
    sitefinder.io.vector.LayerRead or None

    Raises
    ------
    InputError
        If the layer cannot be read, is empty or lies elsewhere.
    """
    if rule.covered_by is None:
        return None
    return read_layer_here(
        rule.covered_by, folder, crs, bounds, f"area of rule {rule.name}", "polygon", allow_empty=False
    )


def read_share(source: ShareSource, folder: Path, crs: str, name: str) -> LayerRead:
    """Polygons of the values that count, whose share of each catchment is a predictor of flow.

    A layer of no ground near the DEM is right: the share is nothing there.

    Parameters
    ----------
    source : sitefinder.settings.ShareSource
    folder, crs
        See `read_layer_here`.
    name : str
        Of the share.

    Returns
    -------
    sitefinder.io.vector.LayerRead

    Raises
    ------
    InputError
    """
    read = read_layer(source, folder, crs, what=f"share {name}", geometry="polygon")
    rule = RuleSettings(
        name=f"share {name}", path=source.path, action="note", column=source.column, values=source.values
    )
    match = matching(read.frame, rule)
    repairs = read.repairs
    if match.category_missing.any():
        row = (
            f"share {name}",
            "",
            f"{match.category_missing.sum()} polygons do not say {source.column}",
            "left out",
        )
        repairs = pd.concat([repairs, pd.DataFrame([row], columns=REPAIR_COLUMNS, dtype="str")], ignore_index=True)
    return read._replace(frame=read.frame[match.selected].reset_index(drop=True), repairs=repairs)


def fitted_equations(gauges: pd.DataFrame | None, table: GaugeTable | None) -> list[Fit]:
    """Equations fitted to a table of gauges; none without gauges.

    Raises
    ------
    InputError
        See `sitefinder.hydrology.regression.fit_equations`.
    """
    if gauges is None or table is None:
        return []
    fits: list[Fit] = fit_equations(
        gauges, table.predictors, table.source, table.record_years_column, forms=table.forms
    )
    return fits


def region_regime(flows: FlowSettings, folder: Path, equations: Sequence[Equation]) -> Regime | None:
    """What says when the flows of a duration curve occur.

    Equations of months say it themselves. Otherwise daily records of gauges do, and where there are none the
    regime that the settings state.

    Parameters
    ----------
    flows : sitefinder.settings.FlowSettings
    folder : Path
        Folder that relative paths start from.
    equations : list of Equation

    Returns
    -------
    Regime or None
        None with equations of months, or where nothing says it.

    Raises
    ------
    ConfigError, InputError
    """
    stated: Regime | None = None if flows.regime is None else read_regime(flows.regime, folder)
    if any(month_of(equation.statistic) for equation in equations):
        return None
    table = flows.gauges
    if table is not None and table.daily is not None:
        found: Regime | None = regime_of_records(read_daily_records(folder / table.path, table), table.daily)
        if found is not None:
            return found
    return stated


def read_change(change: ChangeSettings | None, folder: Path) -> FlowChange | None:
    """The climate table of the settings; None without one.

    Raises
    ------
    InputError
        See `sitefinder.hydrology.change.flow_change_of`.
    """
    if change is None:
        return None
    path = folder / change.path
    table = read_text_table(path, "climate table", "flows.change.path")
    found: FlowChange = flow_change_of(table, str(path), change)
    return found


def validate_unfit_flows(
    settings: Settings,
    equations: Sequence[Equation],
    environmental: Sequence[EnvironmentalFlowRule] = (),
    weights: RegionWeights | None = None,
    regime: Regime | None = None,
    change: FlowChange | None = None,
) -> None:
    """Refuse equations that make no duration curve, or ask for a predictor that the run does not have.

    Found here, it costs seconds; found when the flows are due, all the terrain has been drained before. Rules of
    the environmental flow, and a climate table, that go by the month are refused where no equation and no regime
    does.

    Raises
    ------
    ConfigError, InputError
    """
    predictors = ["area_km2", *settings.inputs.covariates, *(f"{name}_percent" for name in settings.inputs.shares)]
    one = pd.DataFrame({name: [1.0] for name in predictors})
    yearly = validate_unfit_months(settings, list(equations), environmental, regime, change)
    validate_unfit_equations(one, yearly, weights)
    month_statistics(one, split_by_month(equations)[1], partial(flow_by_regions, weights=weights))
