"""Drops without a stream, valued like the others and ranked beside the selected sites."""

import geopandas
import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer

from sitefinder.delivery.checking import checked_table
from sitefinder.delivery.structure_tables import needs_of
from sitefinder.energy.hydraulics import net_head_m
from sitefinder.energy.valuation import fish_answers, plant_survival
from sitefinder.rules.verdicts import ANY_MAY, SAFE_MAY
from sitefinder.schema import LAYERS, empty_table
from sitefinder.siting.ranking import RANKED_BY
from sitefinder.siting.selection import valued_for
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


def make_drops(settings, inputs, drop_values, drop_verdicts, ranked_sites):
    """The ``drops`` layer: each drop with its plant, and its rank among the sites or the reason why it has none.

    A drop takes no stream from another, so that each is selected that pays and meets the limits of the settings.
    """
    if drop_values is None or not len(drop_values.table):
        return empty_table("drops", settings.run.crs)
    table, choice = drop_values.table, drop_verdicts.choice
    valued = valued_for(drop_values.energy, np.maximum(choice, ANY_MAY))
    table = pd.concat([table.reset_index(drop=True), valued], axis=1)
    table = pd.concat([table, drop_verdicts.verdicts.drop(columns=["only_reason"])], axis=1)
    number = table["turbine"].to_numpy(dtype=np.int64)
    fits = number >= 0
    table["rejection_reason"] = _why_none(settings, table, choice, fits)
    table["lcoe_per_kwh"] = np.where(np.isfinite(table["lcoe_per_kwh"]), table["lcoe_per_kwh"], np.nan)
    screened = table["screened"].to_numpy(dtype=bool)
    head_m = net_head_m(table["head_m"], table["conduit_length_m"], settings.energy)
    survival = plant_survival(inputs.turbines, inputs.costs, settings.fish, table, head_m)
    table = table.assign(**fish_answers(survival, screened, settings.fish))
    names = np.array([turbine.name for turbine in inputs.turbines] + [""], dtype=object)
    needs_pass = ~table["has_fish_pass"].to_numpy(dtype=bool) & inputs.costs.fish_pass.at_existing_barriers
    table["needs"] = [
        needs_of(*each)
        for each in zip(table.to_dict("records"), needs_pass, screened, choice >= SAFE_MAY, fits, strict=True)
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
