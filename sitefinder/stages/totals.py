"""Totals of region, districts and streams without double counting, and the layer of districts made of them."""

import geopandas
import numpy as np
import pandas as pd
import shapely

from sitefinder.schema import LAYERS, has_flag
from sitefinder.schema.total_layers import OF_STREAM, SCOPES
from sitefinder.schema.vocabulary import HEAD_UNRESOLVED, passing_verdicts
from sitefinder.siting.access import district_names
from sitefinder.siting.totals import shared, whole
from sitefinder.stages.site_draws import interval_columns
from sitefinder.units import (
    KILOWATT_HOURS_PER_MEGAWATT_HOUR,
    METRES_PER_KILOMETRE,
    WATT_HOURS_PER_MEGAWATT_HOUR,
    WATTS_PER_KILOWATT,
)

REGION, DISTRICT, OUTSIDE = SCOPES
OF_REACHES = ("reaches", "length_m", "open_m", "excluded_m", "theoretical_w")
METRES = ("length_m", "open_m", "excluded_m")


def totals_table(settings, inputs, reaches, district_lengths, sites, simulations):
    """Totals of the region, of each district and what lies outside all of them, and of the streams of each name.

    Parameters
    ----------
    settings : sitefinder.config.Settings
    inputs : sitefinder.stages.inputs.RunInputs
    reaches : GeoDataFrame
        The delivered reaches.
    district_lengths : DataFrame
        Length of each of them in each district, see `sitefinder.siting.access.lengths_by_district`.
    sites : GeoDataFrame
        The delivered sites.
    simulations : sitefinder.power.uncertainty.EnergyDraws
        Of the sites, in their order.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``totals``; without rows of districts where no district layer is given.

    Notes
    -----
    Each site and each reach is rounded once, to watts, watt-hours and metres, and only then added, so that any
    grouping gives the same sum. A reach that districts share is cut by the method of the largest remainder, see
    `sitefinder.siting.totals.shared`. P90, P50 and P10 are those of the sums of the sites' common draws, and do
    not add up. Reaches whose head is not resolved add no potential, unless the settings allow them.
    """
    whole_reaches = _whole_reaches(settings, reaches)
    of_reach = whole_reaches.assign(
        reaches=1, stream=_named(reaches["stream"]), district=reaches["district"].to_numpy()
    )
    of_site = pd.DataFrame(
        {
            "stream": _named(sites["stream"]),
            "district": sites["district"].to_numpy(),
            "power_w": whole(sites["power_kw"] * WATTS_PER_KILOWATT),
            "energy_wh": whole(sites["energy_mwh"] * WATT_HOURS_PER_MEGAWATT_HOUR),
        }
    )
    pieces = _pieces(district_lengths, whole_reaches)
    all_sites = np.ones(len(of_site), dtype=bool)
    rows = [{"scope": REGION, "name": "", **_row(of_reach, all_sites, of_site, sites, simulations)}]
    if "districts" in inputs.layers:
        for name in [*dict.fromkeys(district_names(inputs.layers["districts"].frame)), ""]:
            here = pieces[pieces["district"] == name].drop(columns="district")
            here = here.assign(reaches=0).to_dict("list") | {"reaches": (of_reach["district"] == name).tolist()}
            mine = (of_site["district"] == name).to_numpy()
            row = _row(here, mine, of_site, sites, simulations)
            rows.append({"scope": DISTRICT if name else OUTSIDE, "name": name, **row})
    for name in sorted({*of_reach["stream"], *of_site["stream"]}):
        here = of_reach[of_reach["stream"] == name]
        mine = (of_site["stream"] == name).to_numpy()
        rows.append({"scope": OF_STREAM, "name": name, **_row(here, mine, of_site, sites, simulations)})
    table = pd.DataFrame(rows)
    table = table.astype(dict.fromkeys(METRES, "float64"))
    return table[[column.name for column in LAYERS["totals"].columns]]


# Name of each stream, "" where it has none.
def _named(names):
    return names.fillna("").astype(str).to_numpy(dtype=object)


# What each reach adds, in whole metres and watts.
def _whole_reaches(settings, reaches):
    length_m = whole(reaches["length_m"])
    counts = np.ones(len(reaches), dtype=bool)
    if not HEAD_UNRESOLVED.is_allowed(settings.ranking.allow):
        counts = ~has_flag(reaches["flags"], HEAD_UNRESOLVED.flag)
    verdict = reaches["verdict"]
    return pd.DataFrame(
        {
            "length_m": length_m,
            "open_m": length_m * verdict.isin(passing_verdicts(())).to_numpy(),
            "excluded_m": length_m * (verdict == "excluded").to_numpy(),
            "theoretical_w": whole(reaches["theoretical_kw"] * WATTS_PER_KILOWATT) * counts,
        }
    )


# The same cut at the borders of districts.
def _pieces(lengths, whole_reaches):
    reach, length_m = lengths["reach"].to_numpy(), lengths["length_m"].to_numpy()
    cut = {
        name: shared(whole_reaches[name].to_numpy(dtype=np.int64), reach, length_m)
        for name in whole_reaches.columns
    }
    return pd.DataFrame({"district": lengths["district"].to_numpy(dtype=object), **cut})


# One row: sums of what reaches add, and of the sites that are mine.
def _row(of_reaches, mine, of_site, sites, simulations):
    own = sites.loc[mine]
    return {
        **{name: int(np.asarray(of_reaches[name], dtype=np.int64).sum()) for name in OF_REACHES},
        "sites": int(mine.sum()),
        "power_w": int(of_site.loc[mine, "power_w"].sum()),
        "energy_wh": int(of_site.loc[mine, "energy_wh"].sum()),
        "capital_cost": own["capital_cost"].sum(),
        "net_value_per_year": own["net_value_per_year"].sum(),
        **_simulated(sites, simulations, mine),
    }


# Cost of all the energy of some sites, and the intervals of their totals from the same draws.
def _simulated(sites, simulations, mine):
    power, energy, cost = (
        part[mine].sum(axis=0)[None]
        for part in (simulations.power_kw, simulations.energy_mwh, simulations.yearly_cost)
    )
    per_mwh = np.divide(cost, energy, out=np.full_like(cost, np.inf), where=energy > 0)
    own = sites.loc[mine]
    kwh = own["energy_mwh"].sum() * KILOWATT_HOURS_PER_MEGAWATT_HOUR
    columns = interval_columns("power_kw", power) | interval_columns("energy_mwh", energy)
    per_kwh = per_mwh / KILOWATT_HOURS_PER_MEGAWATT_HOUR
    columns |= interval_columns("cost_per_kwh", per_kwh, of_cost=True)
    yearly = (own["cost_per_kwh"] * own["energy_mwh"]).sum() * KILOWATT_HOURS_PER_MEGAWATT_HOUR
    return {name: values[0] for name, values in columns.items()} | {
        "cost_per_kwh": yearly / kwh if kwh > 0 else np.nan
    }


def districts_table(settings, inputs, totals):
    """Totals of each district with its ground, and a last row for what lies outside all of them.

    Parameters
    ----------
    settings : sitefinder.config.Settings
    inputs : sitefinder.stages.inputs.RunInputs
    totals : DataFrame
        Of `totals_table`.

    Returns
    -------
    GeoDataFrame
        As `sitefinder.schema` declares ``districts``: the figures of `totals` in km, kW and MWh; empty where no
        district layer is given.
    """
    columns = [column.name for column in LAYERS["districts"].columns]
    if "districts" not in inputs.layers:
        return geopandas.GeoDataFrame(columns=[*columns, "geometry"], geometry="geometry", crs=settings.run.crs)
    frame = inputs.layers["districts"].frame
    names = district_names(frame)
    ground = {name: shapely.union_all(frame.geometry.to_numpy()[names == name]) for name in dict.fromkeys(names)}
    rows = totals[totals["scope"].isin([DISTRICT, OUTSIDE])].reset_index(drop=True)
    table = rows.assign(
        district=rows["name"],
        reach_length_km=rows["length_m"] / METRES_PER_KILOMETRE,
        open_length_km=rows["open_m"] / METRES_PER_KILOMETRE,
        excluded_length_km=rows["excluded_m"] / METRES_PER_KILOMETRE,
        theoretical_kw=rows["theoretical_w"] / WATTS_PER_KILOWATT,
        power_kw=rows["power_w"] / WATTS_PER_KILOWATT,
        energy_mwh=rows["energy_wh"] / WATT_HOURS_PER_MEGAWATT_HOUR,
    )
    geometry = [shapely.multipolygons(shapely.get_parts(area)) for area in ground.values()]
    return geopandas.GeoDataFrame(table[columns], geometry=[*geometry, None], crs=settings.run.crs)
