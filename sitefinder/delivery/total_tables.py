"""The region and its districts in figures: totals, screening cascade, supply curve, distributions, and limits."""

import geopandas
import numpy as np
import pandas as pd
import shapely

from sitefinder.delivery.checking import checked_table
from sitefinder.delivery.closed_sites import MONTH_ENERGIES
from sitefinder.delivery.drop_table import selected_drops
from sitefinder.delivery.money_tables import total_finance
from sitefinder.delivery.site_energy import interval_columns
from sitefinder.rules.verdicts import Held
from sitefinder.schema import LAYERS, empty_table, has_flag
from sitefinder.schema.total_layers import DISTRIBUTIONS_OF, DROPS_SCOPE, MONTHLY_WH, SCOPES, STREAM_SCOPE
from sitefinder.siting.access import district_names
from sitefinder.siting.potential import (
    Step,
    class_edges,
    distribution,
    rule_steps,
    screening_cascade,
    shared,
    whole,
)
from sitefinder.steps.limits import limit_costs_table
from sitefinder.steps.selection import fish_safe_gain_table
from sitefinder.steps.trial import candidates_in
from sitefinder.units import (
    KILOWATT_HOURS_PER_MEGAWATT_HOUR,
    METRES_PER_KILOMETRE,
    WATT_HOURS_PER_MEGAWATT_HOUR,
    WATTS_PER_KILOWATT,
)
from sitefinder.vocabulary import (
    DROP,
    HEAD_UNRESOLVED,
    IN_ONE_CELL,
    NO_FLOW_ESTIMATE,
    NO_STREAM,
    UNMEASURED,
    cascade_reasons,
    names,
    passing_verdicts,
    reasons_of,
)

REGION, DISTRICT, OUTSIDE = SCOPES
OF_REACHES = ("reaches", "length_m", "open_m", "excluded_m", "dropped_m", "theoretical_w")
METRES = ("length_m", "open_m", "excluded_m", "dropped_m", "depleted_m")


def cascade_table(settings, stationing, held, reaches, lengths, *, has_decisions=False):
    """The screening cascade: from everything measured to what is open, in the region and each district.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    stationing : Stationing
    held : sitefinder.rules.verdicts.Held
        Which rules apply to the reaches of `stationing`.
    reaches : GeoDataFrame
        The delivered reaches.
    lengths : DataFrame or None
        Length of each of them in each district; None if the run has no districts.
    has_decisions : bool
        Whether the settings name decisions.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``screening_cascade``.

    Notes
    -----
    The order: everything; the reasons of `sitefinder.vocabulary.cascade_reasons`, first what cannot be measured,
    by the flags of the reaches, then what is not a natural stream (by ``rejection_reason``); the rules in the
    order of the settings; decisions, where there are any, which affect reaches that they are of and exclude those
    that they drop; and what is open by its verdict. A reach that rules exclude and a decision keeps stays excluded
    here: what is kept against rules is counted in ``totals``. ``ranking.allow`` lifts unresolved heads, incomplete
    catchments, conditions and unknown rules.
    """
    allow = settings.ranking.allow
    nowhere = np.zeros(len(reaches), dtype=bool)
    because, verdict = reaches["rejection_reason"], reaches["verdict"]
    has_no_flow = ~np.isfinite(reaches["flow_mean_m3s"].to_numpy(dtype=np.float64))
    affected = {reason: has_flag(reaches["flags"], reason.flag) for reason in reasons_of(UNMEASURED)}
    affected[NO_FLOW_ESTIMATE] = has_no_flow
    affected |= {reason: (because == reason.name).to_numpy() for reason in reasons_of(NO_STREAM)}
    is_open = verdict.isin(passing_verdicts(allow)).to_numpy()
    steps = [
        Step("everything", ~nowhere, nowhere),
        *(
            Step(reason.name, affected[reason], affected[reason] & (not reason.is_allowed(allow)))
            for reason in cascade_reasons()
        ),
        *rule_steps(settings.rules, _of_delivered(stationing, held, reaches), allow),
        *([Step("decision", reaches["decision"] != "", _is_dropped(reaches))] if has_decisions else []),
        Step("open", is_open, ~is_open),
    ]
    length_m, power_kw = (reaches[name].to_numpy(dtype=np.float64) for name in ("length_m", "theoretical_kw"))
    table = screening_cascade(steps, length_m, power_kw, lengths)
    return table[[column.name for column in LAYERS["screening_cascade"].columns]]


# Reaches on which a decision allows no site, bool of shape (n,).
def _is_dropped(reaches):
    return np.array([DROP.name in text.split(IN_ONE_CELL) for text in reaches["decision"]], dtype=bool)


# Rules that apply to the delivered reaches; none where the network is not resolved.
def _of_delivered(stationing, held, reaches):
    row = pd.Index(stationing.reaches["reach_id"]).get_indexer(reaches["reach_id"])
    return Held(*[each[:, row] & (row >= 0) for each in held])


def supply_curve_table(sites):
    """Sites by ascending LCOE, with cumulative energy.

    Parameters
    ----------
    sites : DataFrame
        As `sitefinder.schema` declares it.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``supply_curve``; ties are in order of id, and sites
        without an LCOE come last.
    """
    curve = sites[["site_id", "lcoe_per_kwh", "energy_mwh"]].sort_values(["lcoe_per_kwh", "site_id"])
    curve = curve.assign(position=np.arange(1, len(curve) + 1), energy_sum_mwh=curve["energy_mwh"].cumsum())
    return pd.DataFrame(curve[[column.name for column in LAYERS["supply_curve"].columns]]).reset_index(drop=True)


def distributions_table(reaches, sites):
    """Distributions of heads, flows, catchment areas, power and energy over reaches and sites.

    Parameters
    ----------
    reaches, sites : DataFrame
        As `sitefinder.schema` declares them.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``distributions``. A quantity of both has the same classes for both.
    """
    layers = {"reaches": reaches, "sites": sites}
    parts = []
    for quantity in dict.fromkeys(name for of_layer in DISTRIBUTIONS_OF.values() for name in of_layer):
        having = [name for name in DISTRIBUTIONS_OF if quantity in DISTRIBUTIONS_OF[name]]
        edges = class_edges(np.concatenate([layers[name][quantity].to_numpy(dtype=float) for name in having]))
        for name in having:
            table = layers[name]
            part = distribution(
                table[quantity].to_numpy(dtype=float), table["length_m"].to_numpy(dtype=float), edges
            )
            parts.append(part.assign(quantity=quantity, of=name))
    columns = [column.name for column in LAYERS["distributions"].columns]
    filled = [part for part in parts if len(part)]
    return pd.concat(filled, ignore_index=True)[columns] if filled else empty_table("distributions")


def totals_table(settings, inputs, reaches, district_lengths, sites, simulations, drops=None):
    """Totals of the region, each district, the area outside all, the streams of each name, and the drops.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    inputs : sitefinder.steps.inputs.RunInputs
    reaches : GeoDataFrame
        The delivered reaches.
    district_lengths : DataFrame
        Length of each of them in each district, see `sitefinder.siting.access.lengths_by_district`.
    sites : GeoDataFrame
        The delivered sites.
    simulations : sitefinder.energy.uncertainty.EnergySimulations
        Of the sites, in their order.
    drops : (DataFrame, EnergySimulations), optional
        The selected drops without a stream, see `sitefinder.delivery.drop_table.selected_drops`; without it there
        is no row of drops.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``totals``; without rows of districts if there is no district layer.

    Notes
    -----
    Each site and each reach is rounded once, to watts, watt-hours and metres, and then added, so that any
    grouping gives the same sum. A reach in several districts is divided by the largest remainder method, see
    `sitefinder.siting.potential.shared`. P90, P50 and P10 are those of the sums of the sites' common simulations,
    and do not add up. Reaches with an unresolved head add no potential, unless the settings allow them.
    """
    whole_reaches = _whole_reaches(settings, reaches)
    of_reach = whole_reaches.assign(
        reaches=1, stream=_named(reaches["stream"]), district=reaches["district"].to_numpy()
    )
    of_site = pd.DataFrame(
        {
            "stream": _named(sites["stream"]),
            "district": sites["district"].to_numpy(),
            "depleted_m": whole(sites["depleted_length_m"]),
            "new_barriers": sites["new_barrier"].to_numpy(dtype=np.int64),
            "kept": sites["kept_by_decision"].to_numpy(dtype=np.int64),
            "power_w": whole(sites["power_kw"] * WATTS_PER_KILOWATT),
            "energy_wh": whole(sites["energy_mwh"] * WATT_HOURS_PER_MEGAWATT_HOUR),
            **_whole_months(sites),
        }
    )
    pieces = _pieces(district_lengths, whole_reaches)
    all_sites = np.ones(len(of_site), dtype=bool)
    data = of_site, sites, simulations, settings
    # Most streams of a region have no site: what no sites sum to is worked out once.
    of_no_site = _of_sites(~all_sites, *data)

    def row(of_reaches, mine):
        return _of_reaches(of_reaches) | (_of_sites(mine, *data) if mine.any() else of_no_site)

    rows = [{"scope": REGION, "name": "", **row(of_reach, all_sites)}]
    if "districts" in inputs.layers:
        for name in [*dict.fromkeys(district_names(inputs.layers["districts"].frame)), ""]:
            here = pieces[pieces["district"] == name].drop(columns="district")
            here = here.assign(reaches=0).to_dict("list") | {"reaches": (of_reach["district"] == name).tolist()}
            mine = (of_site["district"] == name).to_numpy()
            rows.append({"scope": DISTRICT if name else OUTSIDE, "name": name, **row(here, mine)})
    for name in sorted({*of_reach["stream"], *of_site["stream"]}):
        here = of_reach[of_reach["stream"] == name]
        mine = (of_site["stream"] == name).to_numpy()
        rows.append({"scope": STREAM_SCOPE, "name": name, **row(here, mine)})
    if drops is not None:
        rows.append({"scope": DROPS_SCOPE, "name": "", **_row_of_drops(*drops, settings)})
    table = pd.DataFrame(rows)
    table = table.astype(dict.fromkeys(METRES, "float64"))
    table = table.astype(dict.fromkeys(names(MONTHLY_WH), "Int64"))
    return table[[column.name for column in LAYERS["totals"].columns]]


# Energy of sites in each month in whole watt-hours, by the column of the totals; missing where it is not known.
def _whole_months(sites):
    columns = {}
    for name, of_month in zip(names(MONTHLY_WH), MONTH_ENERGIES, strict=True):
        energy = sites[of_month]
        known = energy.notna().all()
        values = whole(energy * WATT_HOURS_PER_MEGAWATT_HOUR) if known else [pd.NA] * len(sites)
        columns[name] = pd.array(values, dtype="Int64")
    return columns


# Name of each stream, "" if none.
def _named(names):
    return names.fillna("").astype(str).to_numpy(dtype=object)


# Contribution of each reach, in whole metres and watts.
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
            "dropped_m": length_m * _is_dropped(reaches),
            "theoretical_w": whole(reaches["theoretical_kw"] * WATTS_PER_KILOWATT) * counts,
        }
    )


# The same, cut at district boundaries.
def _pieces(lengths, whole_reaches):
    reach, length_m = lengths["reach"].to_numpy(), lengths["length_m"].to_numpy()
    cut = {
        name: shared(whole_reaches[name].to_numpy(dtype=np.int64), reach, length_m)
        for name in whole_reaches.columns
    }
    return pd.DataFrame({"district": lengths["district"].to_numpy(dtype=object), **cut})


# Of one row the sums of its reaches.
def _of_reaches(of_reaches):
    return {name: int(np.asarray(of_reaches[name], dtype=np.int64).sum()) for name in OF_REACHES}


# Of one row the sums of its sites.
def _of_sites(mine, of_site, sites, simulations, settings):
    own, whole_own = sites.loc[mine], of_site.loc[mine]
    return {
        "sites": int(mine.sum()),
        **{name: int(whole_own[name].sum()) for name in ("depleted_m", "new_barriers")},
        "power_w": int(whole_own["power_w"].sum()),
        "energy_wh": int(whole_own["energy_wh"].sum()),
        "kept_sites": int(whole_own["kept"].sum()),
        "kept_power_w": int((whole_own["power_w"] * whole_own["kept"]).sum()),
        "kept_energy_wh": int((whole_own["energy_wh"] * whole_own["kept"]).sum()),
        **{name: whole_own[name].sum(skipna=False) for name in names(MONTHLY_WH)},
        "capital_cost": own["capital_cost"].sum(),
        "net_annual_value": own["net_annual_value"].sum(),
        **total_finance(settings, own),
        **_simulated(sites, simulations, mine),
    }


# The row of drops without a stream: no reach, no depleted reach and no new barrier.
def _row_of_drops(drops, simulations, settings):
    whole_drops = pd.DataFrame(
        {
            "depleted_m": 0,
            "new_barriers": 0,
            "kept": 0,
            "power_w": whole(drops["power_kw"] * WATTS_PER_KILOWATT),
            "energy_wh": whole(drops["energy_mwh"] * WATT_HOURS_PER_MEGAWATT_HOUR),
        },
        index=drops.index,
    )
    of_months = {name: pd.array([pd.NA] * len(drops), dtype="Int64") for name in names(MONTHLY_WH)}
    all_drops = np.ones(len(drops), dtype=bool)
    of_drops = _of_sites(all_drops, whole_drops.assign(**of_months), drops, simulations, settings)
    return dict.fromkeys(OF_REACHES, 0) | of_drops


# LCOE of some sites together, and the intervals of their totals from the same simulations.
def _simulated(sites, simulations, mine):
    power, energy, long_term, cost = (
        part[mine].sum(axis=0)[None]
        for part in (
            simulations.power_kw,
            simulations.energy_mwh,
            simulations.energy_long_term_mwh,
            simulations.yearly_cost,
        )
    )
    per_mwh = np.divide(cost, long_term, out=np.full_like(cost, np.inf), where=long_term > 0)
    own = sites.loc[mine]
    kwh = own["energy_mwh"].sum() * KILOWATT_HOURS_PER_MEGAWATT_HOUR
    columns = interval_columns("power_kw", power) | interval_columns("energy_mwh", energy)
    columns |= interval_columns("energy_long_term_mwh", long_term)
    per_kwh = per_mwh / KILOWATT_HOURS_PER_MEGAWATT_HOUR
    columns |= interval_columns("lcoe_per_kwh", per_kwh, of_cost=True)
    yearly = (own["lcoe_per_kwh"] * own["energy_mwh"]).sum() * KILOWATT_HOURS_PER_MEGAWATT_HOUR
    return {name: values[0] for name, values in columns.items()} | {
        "lcoe_per_kwh": yearly / kwh if kwh > 0 else np.nan
    }


def districts_table(settings, inputs, totals):
    """Totals of each district with its polygon, and a last row for the area outside all districts.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    inputs : sitefinder.steps.inputs.RunInputs
    totals : DataFrame
        Of `totals_table`.

    Returns
    -------
    GeoDataFrame
        As `sitefinder.schema` declares ``districts``: the figures of `totals` in km, kW and MWh; empty without a
        district layer.
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


def make_totals(settings, inputs, reaches_table, district_lengths, sites_table, ranked_sites, drop_plants):
    """The ``totals`` layer."""
    simulations = ranked_sites.simulations
    drops = None if drop_plants is None else selected_drops(settings, inputs, drop_plants)
    table = totals_table(settings, inputs, reaches_table, district_lengths, sites_table, simulations, drops)
    return checked_table(table, "totals")


def make_districts(settings, inputs, totals_table):
    """The ``districts`` layer."""
    return checked_table(districts_table(settings, inputs, totals_table), "districts", settings.run.crs)


def make_screening_cascade(settings, inputs, stationing, verdicts, decisions, reaches_table, district_lengths):
    """The ``screening_cascade`` layer."""
    lengths = district_lengths if "districts" in inputs.layers else None
    given = settings, stationing, verdicts.held, reaches_table, lengths
    return checked_table(cascade_table(*given, has_decisions=decisions is not None), "screening_cascade")


def make_fish_safe_gain(
    settings, inputs, stationing, stretches, verdicts, fish_safety, reaches_table, district_lengths, trial
):
    """The ``fish_safe_gain`` layer."""
    if trial is not None:
        inside = candidates_in(trial, stationing, stretches.table)

        def shown(best):
            own = inside[best.candidates]
            return best._replace(candidates=best.candidates[own], valued=best.valued[own].reset_index(drop=True))

        by_case = {case: shown(best) for case, best in fish_safety.by_case.items()}
        fish_safety = fish_safety._replace(without=shown(fish_safety.without), by_case=by_case)
    given = stationing, stretches, verdicts, fish_safety, reaches_table, district_lengths
    return checked_table(fish_safe_gain_table(settings, inputs, *given), "fish_safe_gain")


def make_cumulative_limits(settings, limit_costs):
    """The ``cumulative_limits`` layer."""
    return checked_table(limit_costs_table(settings, limit_costs), "cumulative_limits")


def make_supply_curve(sites_table):
    """The ``supply_curve`` layer."""
    return checked_table(supply_curve_table(sites_table), "supply_curve")


def make_distributions(reaches_table, sites_table):
    """The ``distributions`` layer."""
    return checked_table(distributions_table(reaches_table, sites_table), "distributions")
