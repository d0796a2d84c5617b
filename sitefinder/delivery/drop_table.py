"""Drops without a stream: valued and simulated like the sites, and ranked beside the selected ones."""

import zlib
from typing import NamedTuple

import geopandas
import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer

from sitefinder.delivery.checking import checked_table
from sitefinder.delivery.money_tables import with_finance
from sitefinder.delivery.site_energy import SiteErrors, simulated
from sitefinder.delivery.structure_tables import needs_of
from sitefinder.energy.hydraulics import WaterDepths, net_head_m, waterway_lengths_m
from sitefinder.energy.uncertainty import EnergySimulations
from sitefinder.energy.valuation import fish_answers, plant_survival
from sitefinder.hydrology.flow_errors import FlowModel, stated_flow_errors
from sitefinder.hydrology.seasons import BIN_MONTH
from sitefinder.rules.verdicts import ANY_MAY, SAFE_MAY
from sitefinder.schema import LAYERS, empty_table
from sitefinder.schema.arrays import records_of
from sitefinder.siting.ranking import RANKED_BY
from sitefinder.siting.selection import valued_for
from sitefinder.steps.trial import places_in
from sitefinder.vocabulary import (
    ABOVE_COST_LIMIT,
    ALREADY_POWERED,
    BARRED_BY_RULE,
    FLOW_TOO_SMALL,
    HEAD_TOO_LARGE,
    HEAD_TOO_SMALL,
    NO_SUITABLE_TURBINE,
    OUTSIDE_REGION,
    POWER_TOO_SMALL,
    REMOVAL_PLANNED,
    ROAD_TOO_FAR,
)

# Random number streams of the errors of stated flows and drops; 0 to 3 are those of sites. A drop's number is no
# station's.
FLOW_STREAM, DROP_STREAM, FIRST_NUMBER = 4, 5, 2**32
PERCENT = 100.0


class DropPlants(NamedTuple):
    """Drops with their plants, a row a drop, and simulations of these.

    ``table`` has the figures of the best plant, ``rejection_reason``, and the columns of intervals.
    ``simulations`` are NaN where a drop has no plant or its flow no stated error.
    """

    table: pd.DataFrame
    simulations: EnergySimulations


class _Stated(NamedTuple):
    """What `sitefinder.delivery.site_energy.simulated` takes of flows."""

    model: FlowModel


def find_drop_plants(settings, inputs, drop_values, drop_choice, trial):
    """The best plant of each drop, its simulations, and whether it is selected.

    A drop takes no stream from another, so that each is selected that pays and meets the limits of the settings.

    Parameters
    ----------
    settings, inputs, drop_values, drop_choice, trial
        Results of the stages of those names.

    Returns
    -------
    DropPlants or None
        None without drops; in a trial those in its part.

    Notes
    -----
    The simulations are those of the sites, with these errors: the flow's, lognormal with the standard error that
    the user states, a drop's own or shared with the drops of its ``flow_group``; all drops without a group share
    theirs, which gives their total its widest interval. The errors of the regional regression and of the year have
    no part in it: a stated error holds both. The stated drop errs by its standard error. As for sites, energy,
    LCOE and value are means over the simulations; without a stated error they are those of the stated flow.
    """
    if drop_values is None or not len(drop_values.table):
        return None
    table, choice = drop_values.table, drop_choice
    valued = valued_for(drop_values.energy, np.maximum(choice, ANY_MAY))
    table = pd.concat([table.reset_index(drop=True), valued], axis=1)
    rows = np.flatnonzero(places_in(trial, table["x_m"].to_numpy(), table["y_m"].to_numpy()))
    if not len(rows):
        return None
    table, choice = table.iloc[rows].reset_index(drop=True).assign(row=rows), choice[rows]
    fits = table["turbine"].to_numpy(dtype=np.int64) >= 0
    table, simulations = _simulated(settings, inputs, table, drop_values.bins_m3s[rows], fits)
    table["rejection_reason"] = _why_none(settings, table, choice, fits)
    return DropPlants(table, simulations)


# The drops with figures and intervals by simulation, where the error of their flow is stated.
def _simulated(settings, inputs, table, bins_m3s, fits):
    error_share = table["flow_error_percent"].to_numpy(dtype=np.float64) / PERCENT
    rows = np.flatnonzero(fits & np.isfinite(error_share))
    seed, count = settings.run.seed, settings.uncertainty.simulations
    # What the region's flows have in common is no error of these.
    spread = settings.uncertainty.model_copy(update={"shared_flow_share": 0.0, "year_to_year_sd": 0.0})
    apart = settings.model_copy(update={"uncertainty": spread})
    own = table.iloc[rows].reset_index(drop=True)
    number = np.array([zlib.crc32(name.encode()) for name in own["drop_id"]], dtype=np.int64)
    group = [zlib.crc32(name.encode()) for name in own["flow_group"]]
    flow = np.array([_normals(seed, FLOW_STREAM, each, count) for each in group]).reshape(len(own), count, 1)
    head_m = np.array([_normals(seed, DROP_STREAM, each, count) for each in number]).reshape(len(own), count)
    errors = stated_flow_errors(
        bins_m3s[rows], BIN_MONTH, own["flow_left_m3s"].to_numpy(dtype=np.float64), error_share[rows]
    )
    level = np.zeros((len(own), bins_m3s.shape[1]))
    place = np.arange(len(own))
    found, columns = simulated(
        apart,
        inputs,
        _Stated(FlowModel(errors, (), settings.flows.closed_months)),
        WaterDepths(level, np.zeros(len(own))),
        own.assign(intake=place, tailrace=place, turbine_number=own["turbine"]),
        SiteErrors(flow, head_m * own["head_se_m"].to_numpy(dtype=np.float64)[:, None]),
        number + FIRST_NUMBER,
    )
    for name in columns:
        if name not in table:
            table[name] = np.nan
        table[name] = table[name].astype(float)
        table.loc[rows, name] = columns[name].to_numpy(dtype=np.float64)
    whole = [np.full((len(table), count), np.nan) for _ in found]
    for part, drawn in zip(whole, found, strict=True):
        part[rows] = drawn
    return table, EnergySimulations(*whole)


# Standard normals in opposite pairs, by stream and number.
def _normals(seed, stream, number, count):
    generator = np.random.Generator(
        np.random.Philox(np.random.SeedSequence(seed, spawn_key=(stream, int(number))))
    )
    drawn = generator.standard_normal(-(-count // 2))
    return np.concatenate([drawn, -drawn])[:count]


def selected_drops(settings, inputs, drop_plants):
    """The selected drops with their money, and their simulations, for the totals.

    Parameters
    ----------
    settings, inputs
        Results of the stages of those names.
    drop_plants : DropPlants

    Returns
    -------
    DataFrame
    EnergySimulations
    """
    chosen = np.flatnonzero(drop_plants.table["rejection_reason"].to_numpy() == "")
    own = drop_plants.table.iloc[chosen].reset_index(drop=True)
    return with_finance(settings, inputs, own), EnergySimulations(
        *(part[chosen] for part in drop_plants.simulations)
    )


def make_drops(settings, inputs, drop_verdicts, drop_plants, ranked_sites):
    """The ``drops`` layer: each drop with its plant, and its rank among the sites or why it has none."""
    if drop_plants is None:
        return empty_table("drops", settings.run.crs)
    rows = drop_plants.table["row"].to_numpy(dtype=np.int64)
    judged = drop_verdicts.verdicts.drop(columns=["only_reason"]).iloc[rows].reset_index(drop=True)
    table, choice = pd.concat([drop_plants.table, judged], axis=1), drop_verdicts.choice[rows]
    number = table["turbine"].to_numpy(dtype=np.int64)
    fits = number >= 0
    table["lcoe_per_kwh"] = np.where(np.isfinite(table["lcoe_per_kwh"]), table["lcoe_per_kwh"], np.nan)
    screened = table["screened"].to_numpy(dtype=bool)
    head_m = net_head_m(table["head_m"], waterway_lengths_m(table, settings.energy)[0], settings.energy)
    survival = plant_survival(inputs.turbines, inputs.costs, settings.fish, table, head_m)
    table = table.assign(**fish_answers(survival, screened, settings.fish))
    names = np.array([turbine.name for turbine in inputs.turbines] + [""], dtype=object)
    needs_pass = ~table["has_fish_pass"].to_numpy(dtype=bool) & inputs.costs.fish_pass.at_existing_barriers
    table["needs"] = [
        needs_of(*each)
        for each in zip(records_of(table), needs_pass, screened, choice >= SAFE_MAY, fits, strict=True)
    ]
    table["turbine"] = names[number]
    table["units"] = pd.array(np.where(fits, table["units"], 0), dtype="Int64")
    table.loc[~fits, "units"] = pd.NA
    table["rank_with_sites"] = _ranks(settings.ranking, table, ranked_sites.order)
    into = Transformer.from_crs(settings.run.crs, "OGC:CRS84", always_xy=True)
    lon, lat = into.transform(table["x_m"].to_numpy(), table["y_m"].to_numpy())
    table["lon"], table["lat"] = np.round(lon, 9), np.round(lat, 9)
    columns = [column.name for column in LAYERS["drops"].columns]
    points = shapely.points(table["x_m"], table["y_m"])
    return checked_table(
        geopandas.GeoDataFrame(table[columns], geometry=points, crs=settings.run.crs), "drops", settings.run.crs
    )


# The first condition that a drop does not meet, "" where it meets all.
def _why_none(settings, table, choice, fits):
    limits, ranking, costs = settings.stretches, settings.ranking, settings.costs
    head_m, value = table["head_m"], "energy_mwh" if ranking.choose_by == "energy" else "net_annual_value"
    pays = np.nan_to_num(table[value].to_numpy(dtype=float), nan=-1.0) > 0
    if costs.max_lcoe_per_kwh is not None:
        pays &= np.nan_to_num(table["lcoe_per_kwh"].to_numpy(dtype=float), nan=np.inf) <= costs.max_lcoe_per_kwh
    road_m = np.nan_to_num(table["road_distance_m"].to_numpy(dtype=float), nan=np.inf)
    farthest_m = np.inf if ranking.max_road_distance_m is None else ranking.max_road_distance_m
    cases = (
        (ALREADY_POWERED, table["powered"]),
        (REMOVAL_PLANNED, table["removal_planned"]),
        (OUTSIDE_REGION, ~table["is_in_region"]),
        (HEAD_TOO_SMALL, head_m < limits.min_head_m),
        (HEAD_TOO_LARGE, head_m > limits.max_head_m),
        (FLOW_TOO_SMALL, table["flow_mean_m3s"] < limits.min_flow_mean_m3s),
        (BARRED_BY_RULE, choice < 0),
        (NO_SUITABLE_TURBINE, ~fits),
        (POWER_TOO_SMALL, np.nan_to_num(table["power_kw"].to_numpy(dtype=float)) < ranking.min_power_kw),
        (ROAD_TOO_FAR, road_m > farthest_m),
        (ABOVE_COST_LIMIT, ~pays),
    )
    reason = np.full(len(table), "", dtype=object)
    for case, applies in cases:
        reason[np.asarray(applies, dtype=bool) & (reason == "")] = case.name
    return reason


# Rank that each selected drop would have among sites and drops together; missing for others, and by a score.
def _ranks(ranking, table, sites):
    ranks = pd.array([pd.NA] * len(table), dtype="Int64")
    if ranking.rank_by not in RANKED_BY:
        return ranks
    column, rising = RANKED_BY[ranking.rank_by]
    chosen = np.flatnonzero(table["rejection_reason"].to_numpy() == "")
    own = table[column].to_numpy(dtype=np.float64)[chosen]
    all_of_them = np.concatenate([sites[column].to_numpy(dtype=np.float64), own])
    sign = 1.0 if rising else -1.0
    for row, figure in zip(chosen.tolist(), own.tolist(), strict=True):
        ranks[row] = 1 + int((sign * all_of_them < sign * figure).sum())
    return ranks
