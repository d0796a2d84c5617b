"""Monte Carlo simulation of energy, cost and value, with flow errors correlated by shared catchment."""

from typing import NamedTuple

import numpy as np
from scipy.special import ndtri

from sitefinder.compiled import kernel
from sitefinder.energy.costs import screen_takes, value_of_energy, yearly_cost
from sitefinder.energy.expectation import drawn_water, residual_flow_of
from sitefinder.energy.hydraulics import WaterDepths, net_head_m, pipe_loss_m, waterway, waterway_lengths_m
from sitefinder.energy.operation import has_fish_pass, is_undiverted, plant_flow_head
from sitefinder.energy.plant import yearly_energy_mwh
from sitefinder.energy.runners import scale_factors
from sitefinder.energy.turbines import turbine_table
from sitefinder.errors import listed
from sitefinder.units import KILOWATT_HOURS_PER_MEGAWATT_HOUR

# Sources of error. Flow is the error of the estimate, both parts; year is inter-annual variability.
SOURCES = ("head", "flow", "year", "efficiency", "cost")
# Random streams under one seed: the region's, and each site's own.
REGION_STREAM, SITE_STREAM = 0, 1


class EnergySimulations(NamedTuple):
    """One row a site, one column a simulation; a column is one possible state of the whole region.

    ``energy_mwh`` is the energy of one year of that state, ``energy_long_term_mwh`` the mean over its years, which
    LCOE and value go by; ``power_kw`` is the power at the design flow, at the head and efficiency that turn out.
    """

    energy_mwh: np.ndarray
    energy_long_term_mwh: np.ndarray
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
    model,
    head_errors_m,
    turbines,
    costs,
    settings,
    seed,
    depths=None,
    own_flow=None,
):
    r"""Energy, cost and value of fixed plants under errors of head, flow, year, efficiency and cost.

    Parameters
    ----------
    sites : DataFrame, n rows
        ``tailrace`` (station number; no two sites have the same), ``scheme_type``, ``has_fish_pass``, ``turbine``
        (place in the list), ``units``, ``flow_design_m3s``, ``power_kw`` (rated), ``head_m`` (gross) [m],
        ``conduit_length_m`` [m] (see `sitefinder.energy.hydraulics.waterway_lengths_m`), ``capital_cost``.
    model : sitefinder.hydrology.flow_errors.FlowModel
        What the flow at each site's intake may be, n rows.
    head_errors_m : ndarray of float, shape (n, h)
        Simulated errors of the gross heads [m]; a column is one state of the whole profile.
    turbines : list of TurbineClass
    costs : CostFile
    settings : sitefinder.settings.Settings
        Reads the sections energy, tailwater, costs, fish, flows.releases and uncertainty.
    seed : int
    depths : WaterDepths, optional
        Of each site: by how much more the water at the tailrace moves than at the intake, where that moves at all
        (see `net_depths`). Without it levels are constant.
    own_flow : ndarray of float64, shape (n, simulations, components), optional
        Standard normals of the sites' own parts of the flow error, as
        `sitefinder.energy.uncertainty.nested_normals` gives them for catchments that share ground; without it
        the sites' own parts have nothing in common.

    Returns
    -------
    EnergySimulations of ndarray of float64, shape (n, simulations)
        Energy [MWh], LCOE (infinite where a simulation gives no energy), net annual value, power [kW] and annual
        cost.
    VarianceShares
        Contributions of each source of error to the uncertainty of energy and LCOE.

    Raises
    ------
    ValueError
        If a site has no turbine.

    Notes
    -----
    Flows are those of `sitefinder.hydrology.flow_errors.draw_flows`. Of each component of their error the whole
    region shares a part, of ``shared_flow_share`` of the variance; the rest is a site's own. A dry or wet year is
    shared, multiplies the flow and leaves the environmental flow as it is. Since the duration curve holds dry and
    wet years already, a plant's years are scaled so that their mean is its long-term energy. Year, efficiency and
    cost are lognormal with mean 1; efficiency and cost are a site's own. The plant stays as it was sized, but its
    generator is that for the head that turns out.

    Simulations come in pairs with opposite errors of flow, year, efficiency and cost (antithetic variates, [1]_),
    and the errors that all sites share are a Latin hypercube sample [2]_, so that the mean and the interval of
    totals hardly depend on the seed. Columns of ``head_errors_m`` are used equally often, in a shuffled order that
    all sites share. A site's own numbers depend on the seed and its tailrace only, not on which other sites are in
    the table, so that two runs can be compared site by site.

    For the contributions one source errs at a time, with the same numbers, and its variance is divided by the sum
    of all. What sources do together, beyond their sum, is neglected: it is of second order where errors are small.
    Of the cost the logarithm is taken, and simulations without energy are left out, since one would make the
    variance endless. LCOE is of the whole life, so that a single year has no part in it.

    References
    ----------
    .. [1] J. M. Hammersley and K. W. Morton, "A new Monte Carlo technique: antithetic variates," Math. Proc.
       Cambridge Philos. Soc., vol. 52, pp. 449-475, 1956.
    .. [2] M. D. McKay, R. J. Beckman and W. J. Conover, "A comparison of three methods for selecting values of
       input variables in the analysis of output from a computer code," Technometrics, vol. 21, pp. 239-245, 1979.
    """
    if (sites["turbine"] < 0).any():
        raise ValueError(
            f"every site needs a turbine (rows {listed(sites.index[sites['turbine'] < 0])} have none)"
        )
    spread, energy = settings.uncertainty, settings.energy
    simulations, rows, components = spread.simulations, len(sites), model.errors.components
    region = np.random.Generator(np.random.Philox(np.random.SeedSequence(seed, spawn_key=(REGION_STREAM,))))
    half = -(-simulations // 2)
    shared = _mirrored(_even_normals(region, half, components + 1), simulations)
    uniform = np.tile(_even_uniforms(region, half, 1)[:, 0], 2)[:simulations]
    head_column = _shuffled_columns(region, head_errors_m.shape[1], simulations)
    own = _own_normals(sites["tailrace"].to_numpy(), half, simulations, seed, components)
    own_flow = own[..., 2:] if own_flow is None else own_flow

    share = spread.shared_flow_share
    normals = np.sqrt(share) * shared[None, :, :components] + np.sqrt(1.0 - share) * own_flow
    year_factor = _of_mean_one(spread.year_to_year_sd or 0.0, shared[:, components])[:, None]
    # Row by row in memory: a sum along rows that lie otherwise is added up in an order that goes by their number.
    head_errors_m = np.ascontiguousarray(np.asarray(head_errors_m, dtype=float)[:, head_column])
    # Errors of the columns drawn, about the head that is used.
    head_errors_m = head_errors_m - head_errors_m.mean(axis=1, keepdims=True)
    head_m = sites["head_m"].to_numpy(float)[:, None] + head_errors_m
    headrace_m, _ = waterway_lengths_m(sites, energy)
    head_net = net_head_m(head_m, headrace_m[:, None], energy)
    sized_m = np.asarray(net_head_m(sites["head_m"], headrace_m, energy), dtype=np.float64)
    plants = _Plants(sites, turbines, costs, settings)
    # What is left behind screen and pipe at the design flow, for which a plant is rated.
    losses_m = plants.loss_m + plants.screen_m
    rated_kw = sites["power_kw"].to_numpy(np.float64) / np.maximum(sized_m - losses_m, np.finfo(float).tiny)
    # Where the head turns out to be less than they take, there is no power.
    rated_kw = rated_kw[:, None] * np.maximum(head_net - losses_m[:, None], 0.0)

    # Mean power of each site: in the long term, in a year, and where one source alone errs.
    mean_kw = {name: np.zeros((rows, simulations)) for name in ("long term", "a year", "head", "flow", "year")}
    sure, surely = model.without_errors(), np.full(1, 0.5)
    for row in range(rows):
        # One site at a time, so that the drawn curves of one alone are held.
        given = (
            _row_of(depths, row, model),
            settings,
            residual_flow_of(plants.kind(row), settings.flows.releases),
        )
        drawn = drawn_water(model.at([row]), normals[[row]], uniform, *given)
        expected = drawn_water(sure.at([row]), np.zeros((1, 1, components)), surely, *given)
        turned_out = head_net[row], rated_kw[row]
        still = np.full(simulations, sized_m[row]), np.full(simulations, sites["power_kw"].iloc[row])
        whole, flow_alone = plants.mean_kw(row, drawn.usable(), turned_out, still)
        mean_kw["long term"][row], mean_kw["flow"][row] = whole, flow_alone
        mean_kw["a year"][row] = plants.mean_kw(row, drawn.usable(year_factor), turned_out)[0]
        mean_kw["head"][row] = plants.mean_kw(row, expected.usable(), turned_out)[0]
        mean_kw["year"][row] = plants.mean_kw(row, expected.usable(year_factor), still)[0]
    long_term_kw = mean_kw["long term"]
    of_years = mean_kw["a year"].mean(axis=1)
    scale = np.divide(long_term_kw.mean(axis=1), of_years, out=np.ones(rows), where=of_years > 0)
    year_kw = mean_kw["a year"] * scale[:, None]

    better = _of_mean_one(spread.efficiency_sd, own[..., 0])
    long_term_mwh, year_mwh = (
        yearly_energy_mwh(kw * better, energy.availability) for kw in (long_term_kw, year_kw)
    )
    capital = sites["capital_cost"].to_numpy(float)[:, None] * _of_mean_one(spread.cost_sd, own[..., 1])
    money = settings.costs
    installed_kw = sites["power_kw"].to_numpy(float)[:, None]
    kwh = long_term_mwh * KILOWATT_HOURS_PER_MEGAWATT_HOUR
    plant = installed_kw, kwh, sites["flow_design_m3s"].to_numpy(float)[:, None]
    yearly = yearly_cost(capital, costs.operation, money.real_rate, money.lifetime_years, *plant)
    lcoe_per_kwh = np.divide(yearly, kwh, out=np.full((rows, simulations), np.inf), where=kwh > 0)
    value = value_of_energy(kwh, money) - yearly
    found = EnergySimulations(year_mwh, long_term_mwh, lcoe_per_kwh, value, rated_kw * better, yearly)
    alone = {name: mean_kw[name] for name in ("head", "flow", "year")}
    alone["efficiency"] = better * alone["head"].mean(axis=1, keepdims=True)
    return found, _variance_shares(alone, yearly)


# Levels of one site; constant ones without any.
def _row_of(depths, row, model):
    if depths is None:
        return WaterDepths(np.zeros((1, model.errors.bins_m3s.shape[1])), np.zeros(1))
    return depths.at([row])


# The plants of the sites, each at work on drawn water.
class _Plants:
    def __init__(self, sites, turbines, costs, settings):
        self.table, self.conduit = turbine_table(turbines), waterway(settings.energy)
        self.undiverted = is_undiverted(sites)
        self.with_pass = has_fish_pass(sites, costs)
        self.design_m3s = sites["flow_design_m3s"].to_numpy(np.float64)
        _, pipe_m = waterway_lengths_m(sites, settings.energy)
        losses = [pipe_loss_m(*own, self.conduit) for own in zip(self.design_m3s, pipe_m, strict=True)]
        self.loss_m = np.array(losses, dtype=np.float64)
        # What a fish screen takes.
        screened = sites["screened"] if "screened" in sites else np.zeros(len(sites), dtype=bool)
        self.screen_m, self.bypass_m3s = screen_takes(costs, screened, self.design_m3s)
        self.units, self.turbine = (sites[name].to_numpy(np.int64) for name in ("units", "turbine"))
        self.scale = scale_factors(self.table, self.turbine, self.design_m3s / self.units)

    # Whether a site has no depleted reach, and whether it has a fish pass.
    def kind(self, row):
        return bool(self.undiverted[row]), bool(self.with_pass[row])

    # Mean power of a site on the same water with each of some pairs of net head and rated power, in each
    # simulation [kW], shape (pairs, simulations).
    def mean_kw(self, row, water, *heads_and_rated):
        number, design = self.turbine[row], self.design_m3s[row]
        head_net_m, rated_kw = (np.array(each) for each in zip(*heads_and_rated, strict=True))
        return _mean_power_simulations(
            water.usable_m3s - self.bypass_m3s[row],
            water.rise_m,
            head_net_m - self.screen_m[row],
            rated_kw,
            design,
            self.loss_m[row],
            self.units[row],
            self.table.efficiency[number],
            self.table.lowest_relative_flow[number],
            self.table.open_from[number],
            self.conduit.kw_per_m3s_m * self.scale[row],
        )


# This number of rows, of which the second half is the first with the other sign.
def _mirrored(first, count):
    return np.concatenate([first, -first])[:count]


# Numbers between 0 and 1, one in each of as many strata of equal width, each column in an order of its own.
def _even_uniforms(generator, count, columns):
    stratum = np.argsort(generator.random((count, columns)), axis=0)
    return (stratum + generator.random((count, columns))) / count


# Standard normals whose sizes are spread evenly, so that those with their mirror images are.
def _even_normals(generator, count, columns):
    size = -ndtri(_even_uniforms(generator, count, columns) / 2.0)
    return np.where(generator.random((count, columns)) < 0.5, -size, size)


# Lognormal factors whose mean over the simulations is 1, so that a chance of the draws is in no expectation.
def _of_mean_one(log_sd, normals):
    factors = np.exp(log_sd * normals)
    return factors / factors.mean(axis=-1, keepdims=True)


class VarianceShares(NamedTuple):
    """Contributions of each source to the variance of each site's energy and LCOE.

    Each is a dict by the names of `SOURCES` (``energy`` without ``cost``) of ndarray, shape (n,); those of a site
    add up to 1, and are NaN where nothing errs.
    """

    energy: dict
    cost: dict


# Contributions by the mean power of each source alone, in the order of the sources, and by the yearly cost.
def _variance_shares(alone_kw, yearly):
    energy = {name: alone_kw[name].var(axis=1) for name in SOURCES if name in alone_kw}
    cost = {}
    for source in SOURCES:
        values = yearly if source == "cost" else alone_kw[source]
        logs = np.log(np.where(values > 0, values, np.nan))
        cost[source] = np.zeros(len(yearly)) if source == "year" else _variance_of_known(logs)
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
        Of n rows; its rise is what a flood takes from the head [m]. Its exponents are those of the tailrace, where
        levels move more.
    """
    moves = ~np.asarray(held, dtype=bool)
    return WaterDepths(
        depths.depth_m[tailrace] - depths.depth_m[intake] * moves[:, None],
        depths.survey_m[tailrace] - depths.survey_m[intake] * moves,
        *depths.at(tailrace)[2:],
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


# Standard normals (n, simulations, 2 + components) from each site's own random stream, in opposite pairs.
def _own_normals(tailrace, half, simulations, seed, components):
    normals = np.empty((len(tailrace), simulations, 2 + components))
    for row, station in enumerate(tailrace):
        sequence = np.random.SeedSequence(seed, spawn_key=(SITE_STREAM, int(station)))
        drawn = np.random.Generator(np.random.Philox(sequence)).standard_normal((half, 2 + components))
        normals[row] = _mirrored(drawn, simulations)
    return normals


# Mean power [kW] of one plant in each simulation, before the error of efficiency, for each row of heads. Water of
# a single row is that of all simulations. Without a pipe the best flow does not depend on the head, so that flow
# times efficiency is found once for all heads on the same water.
def _mean_power_simulations(usable, rise, head, *plant):
    power_kw = np.empty(head.shape)
    _fill_mean_power(usable, rise, head, *plant, np.empty(usable.shape[1]), power_kw)
    return power_kw


# The same into the last argument; the one before is room to work in.
@kernel(
    takes=(
        "float64[:, ::1], float64[:, ::1], float64[:, ::1], float64[:, ::1], float64, float64, int64, "
        "float64[::1], float64, float64, float64, float64[::1], float64[:, ::1]"
    ),
    fills=("of_one_metre", "power"),
    allocates=False,
)
def _fill_mean_power(
    usable,
    rise,
    head,
    rated,
    flow_design,
    pipe_loss,
    units,
    efficiency,
    lowest,
    open_from,
    kw_per_m3s_m,
    of_one_metre,
    power,
):
    cases, simulations = head.shape
    rows, bins = usable.shape
    for draw in range(simulations):
        row = min(draw, rows - 1)
        if pipe_loss == 0.0 and draw < rows:
            for index in range(bins):
                flow = min(usable[row, index], flow_design)
                if flow > 0.0:
                    of_one_metre[index] = plant_flow_head(flow, flow_design, units, efficiency, lowest, 1.0, 0.0)[
                        1
                    ]
                else:
                    of_one_metre[index] = 0.0
        for case in range(cases):
            total = 0.0
            for index in range(bins):
                flow = min(usable[row, index], flow_design)
                left = head[case, draw] - rise[row, index]
                if flow > 0.0 and left > 0.0:
                    if pipe_loss == 0.0:
                        flow_head = of_one_metre[index] * left
                    else:
                        flow_head = plant_flow_head(
                            flow, flow_design, units, efficiency, lowest, left, pipe_loss, open_from
                        )[1]
                    total += min(kw_per_m3s_m * flow_head, rated[case, draw])
            power[case, draw] = total / bins


# Stream of random numbers under the run's seed; 0 to 2 are the region's, each site's own and surveyed heads.
GROUND_STREAM = 3


def nested_normals(downstream, area_km2, stations, simulations, seed, components=1):
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
    components : int
        How many independent errors each station has.

    Returns
    -------
    ndarray of float64, shape (m, simulations, components)
        Mean 0 and variance 1. The second half of the simulations is the first with the other sign.

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

    Simulation k of the first half depends on seed and k alone, with one number for each station and component, so
    that it is the same whichever sites are requested.

    Examples
    --------
    A catchment of 4 km² below one of 1 km²: they correlate by 1/2.

    >>> errors = nested_normals(np.array([1, -1]), np.array([1.0, 4.0]), np.array([0, 1]), 8000, 1)
    >>> round(float(np.corrcoef(errors[..., 0])[0, 1]), 1)
    0.5
    """
    downstream = np.ascontiguousarray(downstream, dtype=np.int32)
    area_km2 = np.ascontiguousarray(area_km2, dtype=np.float64)
    if downstream.shape != area_km2.shape or downstream.ndim != 1:
        raise ValueError(
            f"downstream and area_km2 must have the same length, found {downstream.shape} and {area_km2.shape}"
        )
    own, handed = _weights(downstream, area_km2)
    half = -(-simulations // 2)
    result = np.empty((len(stations), half, components))
    for draw in range(half):
        for component in range(components):
            sequence = np.random.SeedSequence(seed, spawn_key=(GROUND_STREAM, draw, component))
            errors = np.random.Generator(np.random.Philox(sequence)).standard_normal(len(downstream))
            _gather(errors, downstream, own, handed)
            result[:, draw, component] = errors[stations]
    return np.concatenate([result, -result], axis=1)[:, :simulations]


# Weight of the area that joins at each station, and of its error in that of the next station downstream.
@kernel(takes="int32[::1], float64[::1]")
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
@kernel(takes="float64[::1], int32[::1], float64[::1], float64[::1]", fills=("errors",))
def _gather(errors, downstream, own, handed):
    from_above = np.zeros(errors.size)
    for i in range(errors.size):
        errors[i] = own[i] * errors[i] + from_above[i]
        if downstream[i] >= 0:
            from_above[downstream[i]] += handed[i] * errors[i]
