"""The stage graph, and a run of it from settings to the delivered file."""

import os
import tempfile
from pathlib import Path
from typing import NamedTuple

import geopandas
import numpy as np
import pandas as pd

from sitefinder.io.catchment_polygons import catchment_polygons
from sitefinder.io.geopackage import write_geopackage
from sitefinder.io.settings import read_settings
from sitefinder.pipeline.graph import Stage, bound, run_stages
from sitefinder.power.uncertainty import intervals
from sitefinder.stages.channel_shapes import find_channel_shapes
from sitefinder.stages.choice import choose, in_region, judge, overlap_rules
from sitefinder.stages.dem_errors import find_dem_errors, find_least_heads
from sitefinder.stages.drainage import list_terrain_repairs
from sitefinder.stages.fish_safe_gain import make_fish_safe_gain, weigh_fish_safety
from sitefinder.stages.free_stream import make_free_stream
from sitefinder.stages.ground import (
    drain_terrain,
    fit_profile,
    read_channels,
    sum_catchments,
    warp_surface,
)
from sitefinder.stages.inputs import read_inputs
from sitefinder.stages.levels import find_water_depths, place_field_levels, use_field_levels
from sitefinder.stages.marks import find_dem_seams, list_seams, mark_stations
from sitefinder.stages.measured_flows import with_year_to_year
from sitefinder.stages.network import make_network, place_on_network
from sitefinder.stages.region_tables import (
    make_districts,
    make_provenance,
    make_reach_table,
    make_rule_hits,
    make_structures,
)
from sitefinder.stages.site_tables import make_site_tables
from sitefinder.stages.stream_repairs import list_stream_doubts, make_repairs
from sitefinder.stages.waters import find_waters
from sitefinder.stages.worth import estimate_station_flows, list_stretches, value_all

DELIVERED = "sites.gpkg"
GIVEN = ("settings", "inputs", "scratch", "progress")


class Delivered(NamedTuple):
    """Where the results are, the tables in them, and the energy interval of all sites together [MWh].

    ``least_heads`` tells the least head that the DEM resolves, by length of stretch, see
    `sitefinder.streams.least_head.least_heads`; ``counts_unresolved`` whether the settings let heads count that it
    does not.
    """

    title: str
    currency: str
    path: Path
    tables: dict
    energy_p90_mwh: float
    energy_p10_mwh: float
    least_heads: pd.DataFrame
    counts_unresolved: bool


def make_tables(
    settings,
    inputs,
    dem_seams,
    surface,
    network,
    placed,
    dem_errors,
    channels,
    terrain,
    catchments,
    fitted,
    field_levels,
    heads,
    flows,
    water_depths,
    channel_shapes,
    waters,
    least_heads,
    marks,
    stretches,
    energy,
    rule_overlaps,
    verdicts,
    sites,
    fish_safety,
):
    """All tables of the delivery, by name of layer, and the sites' draws."""
    # A reach across the border belongs to the region of its middle, so that neighbouring regions count it once.
    middle = (placed.reaches["first_station"].to_numpy() + placed.reaches["last_station"].to_numpy()) // 2
    within = in_region(placed.stations, inputs)[middle]
    made = make_site_tables(
        settings,
        inputs,
        network,
        placed,
        catchments,
        heads,
        flows,
        water_depths,
        waters,
        marks,
        stretches,
        verdicts,
        sites,
    )
    reaches = make_reach_table(
        settings, inputs, network, placed, catchments, heads, flows, marks, verdicts, sites, within
    )
    downstream = placed.stations["downstream"].to_numpy()
    ground = catchment_polygons(terrain.label_tiles, surface.grid, downstream, made.intakes)
    catchment_table = geopandas.GeoDataFrame(
        made.sites[["site_id", "area_km2"]].copy(), geometry=ground, crs=settings.run.crs
    )
    repairs = make_repairs(
        input=[inputs.repairs, dem_errors.repairs, waters.repairs, flows.repairs],
        field=[field_levels.repairs, flows.measured, channel_shapes.repairs],
        network=[network.repairs, list_stream_doubts(settings, inputs, surface, network, placed, terrain, heads)],
        terrain=[list_terrain_repairs(surface, terrain), list_seams(dem_seams)],
    )
    tables = {
        "sites": made.sites,
        "stretches": made.stretches,
        "reaches": reaches,
        "catchments": catchment_table,
        "structures": make_structures(settings, placed, waters),
        "rule_hits": make_rule_hits(settings, placed, rule_overlaps, within),
        "machine_options": made.machine_options,
        "flow_curves": made.flow_curves,
        "site_months": made.site_months,
        "free_stream": make_free_stream(
            settings, inputs, placed, heads, flows, channel_shapes, waters, verdicts, within
        ),
        "ranking_criteria": made.ranking_criteria,
        "ranking_sensitivity": made.ranking_sensitivity,
        "fish_safe_gain": make_fish_safe_gain(settings, inputs, placed, stretches, verdicts, fish_safety, reaches),
        "districts": make_districts(settings, inputs, reaches, made),
        "provenance": make_provenance(settings, inputs, STAGES, flows.equations, repairs),
        "repairs": repairs,
    }
    return tables, made.draws


STAGES = bound(
    [
        Stage("dem_seams", find_dem_seams, ("settings", "inputs"), 1),
        Stage("surface", warp_surface, ("settings", "inputs", "scratch"), 1),
        Stage("network", make_network, ("settings", "inputs", "surface", "scratch"), 1),
        Stage("placed", place_on_network, ("settings", "network"), 1),
        Stage("dem_errors", find_dem_errors, ("settings", "inputs", "placed"), 1),
        Stage("channels", read_channels, ("settings", "inputs", "network", "placed"), 2),
        Stage(
            "terrain",
            drain_terrain,
            ("settings", "surface", "network", "placed", "channels", "scratch", "progress"),
            1,
        ),
        Stage("catchments", sum_catchments, ("settings", "surface", "network", "placed", "terrain"), 1),
        Stage("fitted", fit_profile, ("settings", "inputs", "placed", "channels", "dem_errors"), 2),
        Stage("field_levels", place_field_levels, ("settings", "inputs", "placed", "fitted"), 1),
        Stage("heads", use_field_levels, ("settings", "placed", "fitted", "field_levels"), 1),
        Stage("flows", estimate_station_flows, ("settings", "inputs", "placed", "catchments"), 2),
        Stage("water_depths", find_water_depths, ("settings", "flows", "field_levels"), 1),
        Stage("channel_shapes", find_channel_shapes, ("settings", "inputs", "placed", "flows"), 1),
        Stage("waters", find_waters, ("settings", "inputs", "network", "placed", "heads", "flows"), 2),
        Stage("least_heads", find_least_heads, ("settings", "inputs", "placed", "fitted", "waters"), 1),
        Stage(
            "marks",
            mark_stations,
            (
                "settings",
                "inputs",
                "placed",
                "channels",
                "catchments",
                "field_levels",
                "waters",
                "dem_seams",
                "dem_errors",
            ),
            3,
        ),
        Stage(
            "stretches",
            list_stretches,
            (
                "settings",
                "inputs",
                "placed",
                "channels",
                "heads",
                "waters",
                "catchments",
                "flows",
                "channel_shapes",
            ),
            4,
        ),
        Stage("energy", value_all, ("settings", "inputs", "stretches", "flows", "water_depths"), 3),
        Stage("rule_overlaps", overlap_rules, ("settings", "inputs", "placed"), 1),
        Stage("verdicts", judge, ("settings", "placed", "stretches", "rule_overlaps"), 1),
        Stage("sites", choose, ("settings", "inputs", "placed", "stretches", "energy", "verdicts", "waters"), 2),
        Stage(
            "fish_safety",
            weigh_fish_safety,
            ("settings", "inputs", "placed", "stretches", "flows", "water_depths", "energy", "verdicts"),
            1,
        ),
    ],
    GIVEN,
)


def check(path):
    """Settings and inputs of a run, read and judged.

    Parameters
    ----------
    path : Path
        Settings file.

    Returns
    -------
    settings : sitefinder.config.Settings
        With the year-to-year spread of the daily records where the file does not say it.
    inputs : RunInputs

    Raises
    ------
    ConfigError, InputError
        Listing every problem.
    """
    path = Path(path)
    settings = read_settings(path)
    inputs = read_inputs(settings, path.parent)
    return with_year_to_year(settings, inputs), inputs


def run(path, *, workers=None, strict=False, started=None, progress=None):
    """The whole job.

    Parameters
    ----------
    path : Path
        Settings file.
    workers : int, optional
        Processes, in place of the settings'; changes no result.
    strict : bool, optional
        Stop where a part of the network cannot be resolved, also where the settings do not say so.
    started, progress : callable, optional
        Told of each stage, and of each terrain tile.

    Returns
    -------
    Delivered

    Raises
    ------
    ConfigError, InputError
        If the user can mend it; nothing is written then.
    """
    settings, inputs = check(path)
    given_here = ({} if workers is None else {"workers": workers}) | ({"strict": True} if strict else {})
    settings = settings.model_copy(update={"run": settings.run.model_copy(update=given_here)})
    with tempfile.TemporaryDirectory(prefix="sitefinder-") as scratch:
        given = {"settings": settings, "inputs": inputs, "scratch": Path(scratch), "progress": progress}
        results = run_stages(STAGES, given, started=started)
        tables, draws = make_tables(
            **{name: value for name, value in results.items() if name not in ("scratch", "progress")}
        )
    total = intervals(draws.energy_mwh.sum(axis=0, keepdims=True))
    target = Path(os.path.normpath(Path(path).parent / settings.run.output_folder / DELIVERED))
    currency = f"{inputs.costs.currency} of {inputs.costs.year}"
    write_geopackage(target, tables, settings.run.crs, currency)
    if inputs.conversions:
        currency += ", some converted, see provenance"
    energy = (float(np.squeeze(total.p90)), float(np.squeeze(total.p10)))
    counts = "unresolved" in settings.ranking.allow
    return Delivered(settings.run.name, currency, target, tables, *energy, results["least_heads"], counts)
