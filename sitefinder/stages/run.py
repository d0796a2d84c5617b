"""The stage graph, and a run of it from settings to the delivered file."""

import inspect
import os
import tempfile
from pathlib import Path
from typing import NamedTuple

import geopandas
import numpy as np
import pandas as pd

from sitefinder import __version__
from sitefinder.io.catchment_polygons import catchment_polygons
from sitefinder.io.remembered import remembering
from sitefinder.io.settings import read_settings
from sitefinder.pipeline.code import own_code
from sitefinder.pipeline.graph import run_stages
from sitefinder.pipeline.keys import recipes_of
from sitefinder.pipeline.store import opened
from sitefinder.power.uncertainty import intervals
from sitefinder.report.handover import Handover
from sitefinder.report.sheets.font_files import checked_fonts
from sitefinder.schema import LAYERS, empty_table
from sitefinder.siting.publication import published_repairs
from sitefinder.stages.choice import in_region
from sitefinder.stages.deliver import GEOPACKAGE, deliver_all, map_context
from sitefinder.stages.drainage import list_terrain_repairs
from sitefinder.stages.fish_safe_gain import make_fish_safe_gain
from sitefinder.stages.fish_ways import fish_alive
from sitefinder.stages.free_stream import make_free_stream
from sitefinder.stages.inputs import read_inputs, with_year_to_year
from sitefinder.stages.keeping import (
    Account,
    config_name,
    keep_memory,
    memory_of,
    parts_of,
    planned,
    software,
    store_folder,
)
from sitefinder.stages.long_profiles import site_profiles
from sitefinder.stages.marks import list_seams
from sitefinder.stages.potential import make_reach_districts, make_waterfall
from sitefinder.stages.region_tables import (
    make_provenance,
    make_reach_table,
    make_rule_hits,
    make_structures,
)
from sitefinder.stages.rules import list_distant_falls
from sitefinder.stages.site_tables import make_site_tables
from sitefinder.stages.stage_graph import GIVEN, STAGES
from sitefinder.stages.stream_repairs import list_stream_doubts, make_repairs
from sitefinder.stages.stream_totals import make_streams
from sitefinder.stages.told_tables import make_distributions, make_flow_equations, make_supply_curve
from sitefinder.stages.totals import make_districts, make_totals

__all__ = ["DELIVERED", "GIVEN", "STAGES", "Delivered", "check", "make_tables", "plan", "run"]

DELIVERED = GEOPACKAGE


class Delivered(NamedTuple):
    """What a run delivered: all that its files were made of, and the files, the GeoPackage first.

    ``conversions`` tells what was in other money, see `sitefinder.power.price_levels`. ``notes`` are what the user
    should know of the store of results.
    """

    handover: Handover
    files: tuple
    conversions: tuple = ()
    notes: tuple = ()

    @property
    def path(self):
        """The GeoPackage."""
        return self.files[0]

    @property
    def currency(self):
        """Of all money, and whether some was in another."""
        return self.handover.currency + (", some converted, see provenance" if self.conversions else "")

    @property
    def tables(self):
        """Tables by name of layer."""
        return self.handover.tables


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
    alive = fish_alive(settings, inputs, placed, stretches, rule_overlaps, waters, sites)
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
        alive,
    )
    reaches = make_reach_table(
        settings, inputs, network, placed, catchments, heads, flows, marks, verdicts, sites, alive, within
    )
    downstream = placed.stations["downstream"].to_numpy()
    ground = catchment_polygons(terrain.label_tiles, surface.grid, downstream, made.intakes)
    catchment_table = geopandas.GeoDataFrame(
        made.sites[["site_id", "area_km2"]].copy(), geometry=ground, crs=settings.run.crs
    )
    found = make_repairs(
        input=[inputs.repairs, dem_errors.repairs, waters.repairs, flows.repairs],
        field=[field_levels.repairs, flows.measured, channel_shapes.repairs],
        network=[
            network.repairs,
            list_stream_doubts(settings, inputs, surface, network, placed, terrain, heads),
            list_distant_falls(settings, inputs, placed),
        ],
        terrain=[list_terrain_repairs(surface, terrain), list_seams(dem_seams)],
    )
    repairs = published_repairs(found, settings.rules)
    totals = make_totals(settings, inputs, reaches, made)
    tables = {
        "sites": made.sites,
        "stretches": made.stretches,
        "reaches": reaches,
        "catchments": catchment_table,
        "structures": make_structures(settings, placed, waters),
        "rule_hits": make_rule_hits(settings, placed, rule_overlaps, verdicts, within),
        "machine_options": made.machine_options,
        "flow_curves": made.flow_curves,
        "site_months": made.site_months,
        "site_profiles": _profile_table(network, placed, heads, waters, stretches, sites),
        "free_stream": make_free_stream(
            settings, inputs, placed, heads, flows, channel_shapes, waters, verdicts, within
        ),
        "ranking_criteria": made.ranking_criteria,
        "ranking_sensitivity": made.ranking_sensitivity,
        "fish_safe_gain": make_fish_safe_gain(settings, inputs, placed, stretches, verdicts, fish_safety, reaches),
        "districts": make_districts(settings, inputs, totals),
        "streams": make_streams(settings, network, placed, heads, stretches, waters, sites, alive, within),
        "waterfall": make_waterfall(settings, inputs, placed, verdicts.held, reaches),
        "reach_districts": make_reach_districts(inputs, reaches),
        "totals": totals,
        "supply_curve": make_supply_curve(made.sites),
        "distributions": make_distributions(reaches, made.sites),
        "flow_equations": make_flow_equations(flows.equations),
        "least_heads": least_heads[[column.name for column in LAYERS["least_heads"].columns]],
        "provenance": make_provenance(settings, inputs, STAGES, flows.equations, repairs),
        "repairs": repairs,
    }
    return tables, made.draws


# The long profiles of all sites in one table.
def _profile_table(network, placed, heads, waters, stretches, sites):
    columns = [column.name for column in LAYERS["site_profiles"].columns]
    profiles = site_profiles(network, placed, heads, waters, stretches, sites)
    told = [
        profile.assign(site_id=site_id, position=range(1, len(profile) + 1))[columns]
        for site_id, profile in profiles.items()
    ]
    return pd.concat(told, ignore_index=True) if told else empty_table("site_profiles")


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
    return _with_inputs(read_settings(path), path.parent)


# The settings with what inputs add to them, and the inputs.
def _with_inputs(settings, folder):
    checked_fonts(settings.delivery.font_files, folder)
    inputs = read_inputs(settings, folder)
    return with_year_to_year(settings, inputs), inputs


def plan(path):
    """What a run would do again, and why; nothing is run and nothing written.

    Parameters
    ----------
    path : Path
        Settings file.

    Returns
    -------
    sitefinder.stages.keeping.Plan

    Raises
    ------
    ConfigError, InputError
        Listing every problem.
    """
    path = Path(path)
    settings = read_settings(path)
    folder = store_folder(settings, path.parent)
    with remembering(memory_of(folder)):
        settings, inputs = _with_inputs(settings, path.parent)
        return planned(STAGES, settings, inputs, path, folder)


def run(path, *, workers=None, strict=False, started=None, progress=None, keep=True, verify=False):
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
        Told of each stage that is run, and of each terrain tile.
    keep : bool, optional
        Use results that earlier runs kept, and keep those of this one; changes no result.
    verify : bool, optional
        Read files afresh, also those whose size and time of change stayed, and check every byte that was kept.

    Returns
    -------
    Delivered

    Raises
    ------
    ConfigError, InputError
        If the user can mend it; nothing is delivered then.
    """
    path = Path(path)
    settings = read_settings(path)
    folder = store_folder(settings, path.parent)
    account = Account(config_name(path, folder))
    memory = memory_of(folder if keep else None, recalls=not verify)
    with remembering(memory):
        return _run(path, settings, folder, account, memory, workers, strict, started, progress, keep, verify)


# What is read later in the run is remembered too.
def _run(path, settings, folder, account, memory, workers, strict, started, progress, keep, verify):
    settings, inputs = _with_inputs(settings, path.parent)
    given_here = ({} if workers is None else {"workers": workers}) | ({"strict": True} if strict else {})
    settings = settings.model_copy(update={"run": settings.run.model_copy(update=given_here)})
    given = {"settings": settings, "inputs": inputs, "progress": account.counting_tiles(progress)}
    parts = parts_of(settings, inputs)
    account.passed("reading")
    if not keep:
        with tempfile.TemporaryDirectory(prefix="sitefinder-") as scratch:
            results = run_stages(STAGES, given | {"scratch": Path(scratch)}, started=started, parts=parts)
            return _delivered(path, settings, inputs, results)
    with opened(folder, verify=verify) as store:
        recipes = recipes_of(STAGES, given, parts, software(), own_code())
        given["scratch"], log = store.scratch, {}
        options = {"started": started, "parts": parts, "store": store, "recipes": recipes, "log": log}
        try:
            results = run_stages(STAGES, given, **options)
            account.passed("stages")
            delivered = _delivered(path, settings, inputs, results)
        finally:
            keep_memory(store, memory)
        account.passed("delivery")
        account.write(store, settings, inputs, recipes, log, delivered.path)
        store.mark_used([recipe.key for own in recipes.values() for recipe in own])
        store.clean(settings.run.store_limit_gb)
        return delivered._replace(notes=tuple(store.notes))


def _delivered(path, settings, inputs, results):
    needed = inspect.signature(make_tables).parameters
    tables, draws = make_tables(**{name: results[name] for name in needed})
    total = intervals(draws.energy_mwh.sum(axis=0, keepdims=True))
    handover = Handover(
        title=settings.run.name,
        crs=settings.run.crs,
        currency=f"{inputs.costs.currency} of {inputs.costs.year}",
        tables=tables,
        energy_p90_mwh=float(np.squeeze(total.p90)),
        energy_p50_mwh=float(np.squeeze(total.p50)),
        energy_p10_mwh=float(np.squeeze(total.p10)),
        relief=results["relief"],
        context=map_context(settings.run.crs, inputs),
        counts_unresolved="unresolved" in settings.ranking.allow,
        font_paths=checked_fonts(settings.delivery.font_files, path.parent),
        version=__version__,
        dem_path=results["surface"].dem_path,
    )
    folder = Path(os.path.normpath(path.parent / settings.run.output_folder))
    files = deliver_all(folder, settings, handover, path.parent)
    return Delivered(handover, tuple(files), inputs.conversions)
