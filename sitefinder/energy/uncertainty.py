"""Monte Carlo simulation of energy, cost and value, with flow errors correlated by shared catchment."""

from typing import NamedTuple

import numpy as np

from sitefinder.compiled import kernel
from sitefinder.energy.costs import value_of_energy, yearly_cost
from sitefinder.energy.hydraulics import WaterDepths, net_head_m, pipe_loss_m, waterway
from sitefinder.energy.operation import plant_flow_head
from sitefinder.energy.plant import yearly_energy_mwh
from sitefinder.energy.turbines import turbine_table
from sitefinder.errors import listed
from sitefinder.units import KILOWATT_HOURS_PER_MEGAWATT_HOUR

# Sources of error. Flow is the error of the estimate, both parts; year is inter-annual variability.
SOURCES = ("head", "flow", "year", "efficiency", "cost")
# Random streams under one seed: the region's, and each site's own.
REGION_STREAM, SITE_STREAM = 0, 1


class EnergySimulations(NamedTuple):
    """One row a site, one column a simulation; a column is one possible state of the whole region.

    ``power_kw`` is the greatest power that the plant comes to in the year of the draw.
    """

    energy_mwh: np.ndarray
    lcoe_per_kwh: np.ndarray
    net_annual_value: np.ndarray
    power_kw: np.ndarray
    yearly_cost: np.ndarray


class Intervals(NamedTuple):
    """P90, P50 and P10 of each row."""

    p90: np.ndarray
    p50: np.ndarray
    p10: np.ndarray


def energy_simulations(
    sites,
    curve_m3s,
    environmental_flow_m3s,
    head_errors_m,
    flow_log_sd,
    turbines,
    costs,
    settings,
    seed,
    depths=None,
    own_flow=None,
    sources=SOURCES,
):
    """Energy, cost and value of fixed plants under errors of head, flow, year, efficiency and cost.

    Parameters
    ----------
    sites : DataFrame, n rows
        ``tailrace`` (station number; no two sites have the same), ``turbine`` (place in the list), ``units``,
        ``flow_design_m3s``, ``power_kw`` (rated), ``head_m`` (gross) [m], ``conduit_length_m`` [m],
        ``capital_cost``.
    curve_m3s, environmental_flow_m3s : ndarray of float64, shape (n, bins)
        Natural and environmental flow at each site's intake in bins of equal time [m³/s].
    head_errors_m : ndarray of float, shape (n, h)
        Simulated errors of the gross heads [m]; a column is one state of the whole profile.
    flow_log_sd : ndarray of float64, shape (n,)
        Standard deviation of the natural logarithm of the flow estimate.
    turbines : list of TurbineClass
    costs : CostFile
    settings : sitefinder.settings.Settings
        Reads the sections energy, tailwater, costs, fish and uncertainty.
    seed : int
    depths : WaterDepths, optional
        Of each site: by how much more the water at the tailrace moves than at the intake, where that moves at all
        (see `net_depths`). Without it levels are constant.
    own_flow : ndarray of float64, shape (n, simulations), optional
        Standard normals of the sites' own part of the flow error, as
        `sitefinder.energy.uncertainty.nested_normals` gives them for catchments that share ground; without it
        the sites' own parts have nothing in common.
    sources : collection of str
        Of `SOURCES`, those that err; the others stay at their median, and the numbers drawn stay the same.

    Returns
    -------
    EnergySimulations of ndarray of float64, shape (n, simulations)
        Energy of a year [MWh], cost of a kWh (infinite where a draw gives no energy), net yearly value, greatest
        power [kW], yearly cost.

    Raises
    ------
    ValueError
        If a site has no turbine.

    Notes
    -----
    Each factor is lognormal with median 1. The flow's logarithm has a part that the whole region shares, of
    ``shared_flow_share`` of its variance, and a part of its own; natural and environmental flow move together,
    because the rules of the reserve go by the true flow. A wet or dry year is shared and leaves the reserve as it
    is. Depths go with the flow: a river that carries more than was thought is deeper, on the survey day as well,
    by the factor to the power of ``downstream_exponent``, and in a wet year by that of the year to the power of
    ``station_exponent``. Efficiency and cost are a site's own. The plant stays as it was sized, but its generator
    is that for the head that turns out. Columns of ``head_errors_m`` are used equally often, in a shuffled order
    that all sites share. A site's own numbers depend on the seed and its tailrace only, not on which other sites
    are in the table, so that two runs can be compared site by site.
    """
    if (sites["turbine"] < 0).any():
        raise ValueError(
            f"every site needs a turbine (rows {listed(sites.index[sites['turbine'] < 0])} have none)"
        )
    spread, energy = settings.uncertainty, settings.energy
    simulations, rows = spread.simulations, len(sites)
    region = np.random.Generator(np.random.Philox(np.random.SeedSequence(seed, spawn_key=(REGION_STREAM,))))
    shared_flow, year = region.standard_normal((2, simulations))
    head_column = _shuffled_columns(region, head_errors_m.shape[1], simulations)
    drawn_flow, own_efficiency, own_cost = _own_normals(sites["tailrace"].to_numpy(), simulations, seed)
    own_flow = drawn_flow if own_flow is None else np.asarray(own_flow, dtype=float)
    errs = {name: float(name in sources) for name in SOURCES}

    share = spread.shared_flow_share
    flow_log_sd = errs["flow"] * np.asarray(flow_log_sd, dtype=float)[:, None]
    flow_factor = np.exp(flow_log_sd * (np.sqrt(share) * shared_flow + np.sqrt(1.0 - share) * own_flow))
    year_factor = np.exp(errs["year"] * (spread.year_to_year_sd or 0.0) * year)
    head_errors_m = errs["head"] * np.asarray(head_errors_m, dtype=float)[:, head_column]
    head_m = sites["head_m"].to_numpy(float)[:, None] + head_errors_m
    head_net = net_head_m(head_m, sites["conduit_length_m"].to_numpy(float)[:, None], energy)

    table = turbine_table(turbines, settings.fish)
    curve_m3s = np.ascontiguousarray(curve_m3s, dtype=np.float64)
    if depths is None:
        depths = WaterDepths(np.zeros(curve_m3s.shape), np.zeros(rows))
    wetter = settings.tailwater.downstream_exponent, settings.tailwater.station_exponent
    sized_m = net_head_m(sites["head_m"], sites["conduit_length_m"], energy)
    conduit = waterway(energy)
    design_m3s, conduit_m = (sites[name].to_numpy(np.float64) for name in ("flow_design_m3s", "conduit_length_m"))
    mean_kw, power_kw = _mean_power_simulations(
        curve_m3s,
        np.ascontiguousarray(environmental_flow_m3s, dtype=np.float64),
        np.ascontiguousarray(depths.depth_m),
        np.ascontiguousarray(depths.survey_m),
        flow_factor ** wetter[0],
        year_factor ** wetter[1],
        sites["power_kw"].to_numpy(np.float64) / sized_m,
        np.ascontiguousarray(head_net),
        flow_factor,
        year_factor,
        design_m3s,
        np.array([pipe_loss_m(*pipe, conduit) for pipe in zip(design_m3s, conduit_m, strict=True)]),
        sites["units"].to_numpy(np.int64),
        sites["turbine"].to_numpy(np.int64),
        table.efficiency,
        table.lowest_relative_flow,
        conduit.kw_per_m3s_m,
    )
    better = np.exp(errs["efficiency"] * spread.efficiency_sd * own_efficiency)
    energy_mwh = yearly_energy_mwh(mean_kw * better, energy.availability)
    costlier = np.exp(errs["cost"] * spread.cost_sd * own_cost)
    capital = sites["capital_cost"].to_numpy(float)[:, None] * costlier
    rated_kw = sites["power_kw"].to_numpy(float)[:, None]
    money = settings.costs
    kwh = energy_mwh * KILOWATT_HOURS_PER_MEGAWATT_HOUR
    plant = rated_kw, kwh, design_m3s[:, None]
    yearly = yearly_cost(capital, costs.operation, money.real_rate, money.lifetime_years, *plant)
    lcoe_per_kwh = np.divide(yearly, kwh, out=np.full((rows, simulations), np.inf), where=kwh > 0)
    return EnergySimulations(
        energy_mwh, lcoe_per_kwh, value_of_energy(kwh, money) - yearly, power_kw * better, yearly
    )


class VarianceShares(NamedTuple):
    """Contributions of each source to the variance of each site's energy and LCOE.

    Each is a dict by the names of `SOURCES` (``energy`` without ``cost``) of ndarray, shape (n,); those of a site
    add up to 1, and are NaN where nothing errs.
    """

    energy: dict
    cost: dict


def variance_shares(simulations_of):
    """Contributions of each source of error to the uncertainty of energy and LCOE.

    Parameters
    ----------
    simulations_of : callable
        Takes a tuple of names of `SOURCES` and gives the `EnergySimulations` in which those alone err, the same
        random numbers each time.

    Returns
    -------
    VarianceShares

    Notes
    -----
    One source errs at a time; its variance is divided by the sum of all. What sources do together, beyond their
    sum, is neglected: it is of second order where errors are small. Of the cost the logarithm is taken, and draws
    without energy are left out, since one would make the variance endless.
    """
    energy, cost = {}, {}
    for source in SOURCES:
        simulations = simulations_of((source,))
        if source != "cost":
            energy[source] = simulations.energy_mwh.var(axis=1)
        logs = np.log(np.where(np.isfinite(simulations.lcoe_per_kwh), simulations.lcoe_per_kwh, np.nan))
        cost[source] = _variance_of_known(logs)
    return VarianceShares(_shares(energy), _shares(cost))


# Variance of each row, NaN left out.
def _variance_of_known(values):
    known = np.isfinite(values)
    count = np.maximum(known.sum(axis=1), 1)
    mean = np.where(known, values, 0.0).sum(axis=1) / count
    return np.where(known, (values - mean[:, None]) ** 2, 0.0).sum(axis=1) / count


def _shares(variance):
    total = sum(variance.values())
    # Rounding of a constant is not variance.
    return {
        name: np.divide(part, total, out=np.full(len(total), np.nan), where=total > 1e-20)
        for name, part in variance.items()
    }


def net_depths(depths, intake, tailrace, held):
    """Change of water depth at each site's tailrace relative to its intake.

    Parameters
    ----------
    depths : WaterDepths
        Of all stations.
    intake, tailrace : ndarray of int64, shape (n,)
        Station numbers.
    held : ndarray of bool, shape (n,)
        True where the level at the intake is constant.

    Returns
    -------
    WaterDepths
        Of n rows; its rise is what a flood takes from the head [m].
    """
    moves = ~np.asarray(held, dtype=bool)
    return WaterDepths(
        depths.depth_m[tailrace] - depths.depth_m[intake] * moves[:, None],
        depths.survey_m[tailrace] - depths.survey_m[intake] * moves,
    )


def intervals(simulations, *, of_cost=False):
    """P90, P50 and P10 of each row of simulations.

    Parameters
    ----------
    simulations : ndarray of float64, shape (n, simulations)
        For a total over many sites pass their sum as one row, so that shared errors do not cancel.
    of_cost : bool
        P90 of an amount is exceeded in 90 % of simulations; P90 of a cost is not exceeded in 90 %.

    Returns
    -------
    Intervals of ndarray, shape (n,)
        Each is one of the simulations, so that infinite costs do no harm.

    Examples
    --------
    >>> tenths = np.arange(1.0, 11.0)[None, :]
    >>> [float(part[0]) for part in intervals(tenths)]
    [1.0, 5.0, 9.0]
    >>> [float(part[0]) for part in intervals(tenths, of_cost=True)]
    [9.0, 5.0, 1.0]
    """
    shares = (0.9, 0.5, 0.1) if of_cost else (0.1, 0.5, 0.9)
    return Intervals(*np.quantile(simulations, shares, axis=1, method="inverted_cdf"))


def prob_in_top_n(value_simulations, count):
    """Probability of each site being among the best N, as a share of simulations.

    Parameters
    ----------
    value_simulations : ndarray of float64, shape (n, simulations)
        What is ranked, greater being better; pass costs with a minus.
    count : int
        How many are the best.

    Returns
    -------
    ndarray of float64, shape (n,)
        Their sum is the lesser of ``count`` and n. Ties go to the earlier row.

    Examples
    --------
    >>> prob_in_top_n(np.array([[3.0, 1.0], [2.0, 2.0], [1.0, 3.0]]), 1).tolist()
    [0.5, 0.0, 0.5]
    """
    order = np.argsort(-value_simulations, axis=0, kind="stable")
    rank = np.empty_like(order)
    np.put_along_axis(rank, order, np.arange(len(order))[:, None], axis=0)
    return (rank < count).mean(axis=1)


# Column of the head errors for each simulation: successive full shuffles, so that all are used equally.
def _shuffled_columns(region, columns, simulations):
    rounds = -(-simulations // columns)
    return np.concatenate([region.permutation(columns) for _ in range(rounds)])[:simulations]


# Standard normals (3, n, simulations) from each site's own random stream.
def _own_normals(tailrace, simulations, seed):
    normals = np.empty((3, len(tailrace), simulations))
    for row, station in enumerate(tailrace):
        sequence = np.random.SeedSequence(seed, spawn_key=(SITE_STREAM, int(station)))
        normals[:, row] = np.random.Generator(np.random.Philox(sequence)).standard_normal((3, simulations))
    return normals


# Mean and maximum power [kW] of each site in each simulation, before the error of efficiency.
@kernel
def _mean_power_simulations(
    curve,
    environmental_flow,
    depth,
    survey_depth,
    flow_depth_factor,
    year_depth_factor,
    rated_kw_per_m,
    head,
    flow_factor,
    year_factor,
    flow_design,
    pipe_loss,
    units,
    turbine,
    efficiency,
    lowest,
    kw_per_m3s_m,
):
    rows, simulations = head.shape
    bins = curve.shape[1]
    power, greatest = np.zeros((rows, simulations)), np.zeros((rows, simulations))
    for row in range(rows):
        table, minimum, design, many = efficiency[turbine[row]], lowest[turbine[row]], flow_design[row], units[row]
        for draw in range(simulations):
            factor, total, level = flow_factor[row, draw], 0.0, head[row, draw]
            deeper, wetter = flow_depth_factor[row, draw], year_depth_factor[draw]
            maximum = rated_kw_per_m[row] * level
            for index in range(bins):
                usable = factor * (curve[row, index] * year_factor[draw] - environmental_flow[row, index])
                left = level - deeper * (wetter * depth[row, index] - survey_depth[row])
                if usable > 0.0 and left > 0.0:
                    flow = min(usable, design)
                    flow_head = plant_flow_head(flow, design, many, table, minimum, left, pipe_loss[row])[1]
                    now = min(kw_per_m3s_m * flow_head, maximum)
                    total += now
                    greatest[row, draw] = max(greatest[row, draw], now)
            power[row, draw] = total / bins
    return power, greatest


# Stream of random numbers under the run's seed; 0 to 2 are the region's, each site's own and surveyed heads.
GROUND_STREAM = 3


def nested_normals(downstream, area_km2, stations, simulations, seed):
    r"""Standard normal errors of the flow at stations, correlated by the area that their catchments share.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    area_km2 : ndarray of float64, shape (n,)
        Catchment of each station [km²].
    stations : ndarray of int64, shape (m,)
        Stations whose errors to return.
    simulations : int
    seed : int

    Returns
    -------
    ndarray of float64, shape (m, draws)
        Mean 0 and variance 1 in each row.

    Raises
    ------
    ValueError
        If lengths differ.

    Notes
    -----
    The error of a flow is taken as the mean, over the catchment, of what the area of each station adds or
    keeps beyond the equation: independent from place to place, and scaled so that every station has variance 1.
    The errors of two nested catchments then correlate as
    :math:`\sqrt{A_\mathrm{inner} / A_\mathrm{outer}}`, and not at all where they share no ground: errors of
    gauges on one stream are similar, as in regional regressions with correlated errors (Stedinger and
    Tasker 1985, Water Resour. Res. 21:1421-1432, from memory); the law itself is our own choice. The ground that
    joins at a station is its area less those of the stations right above; where streams part and areas do not
    add up, the shares of those above are scaled to fit.

    Simulation k depends on seed and k alone, with one number for each station, so that it is the same whichever
    sites or simulations are requested.

    Examples
    --------
    A catchment of 4 km² below one of 1 km²: they correlate by 1/2.

    >>> errors = nested_normals(np.array([1, -1]), np.array([1.0, 4.0]), np.array([0, 1]), 4000, 1)
    >>> round(float(np.corrcoef(errors)[0, 1]), 1)
    0.5
    """
    downstream = np.ascontiguousarray(downstream, dtype=np.int32)
    area_km2 = np.ascontiguousarray(area_km2, dtype=np.float64)
    if downstream.shape != area_km2.shape or downstream.ndim != 1:
        raise ValueError(
            f"downstream and area_km2 must have the same length, found {downstream.shape} and {area_km2.shape}"
        )
    own, handed = _weights(downstream, area_km2)
    result = np.empty((len(stations), simulations))
    for draw in range(simulations):
        sequence = np.random.SeedSequence(seed, spawn_key=(GROUND_STREAM, draw))
        errors = np.random.Generator(np.random.Philox(sequence)).standard_normal(len(downstream))
        _gather(errors, downstream, own, handed)
        result[:, draw] = errors[stations]
    return result


# Weight of the area that joins at each station, and of its error in that of the next station downstream.
@kernel
def _weights(downstream, area):
    above = np.zeros(area.size)
    for i in range(area.size):
        if downstream[i] >= 0 and area[i] > 0.0:
            above[downstream[i]] += area[i]
    own, handed = np.ones(area.size), np.zeros(area.size)
    for i in range(area.size):
        if above[i] > 0.0:
            whole = max(area[i], above[i]) if area[i] > 0.0 else above[i]
            own[i] = np.sqrt((whole - above[i]) / whole)
    for i in range(area.size):
        below = downstream[i]
        if below >= 0 and area[i] > 0.0:
            whole = max(area[below], above[below]) if area[below] > 0.0 else above[below]
            handed[i] = np.sqrt(area[i] / whole)
    return own, handed


# Downstream loop, in place: fresh numbers in, errors of whole catchments out.
@kernel(fills=("errors",))
def _gather(errors, downstream, own, handed):
    from_above = np.zeros(errors.size)
    for i in range(errors.size):
        errors[i] = own[i] * errors[i] + from_above[i]
        if downstream[i] >= 0:
            from_above[downstream[i]] += handed[i] * errors[i]
