"""Capital of the works whose size goes with the design flow and the power: headrace, powerhouse, transformer."""

import math
from typing import NamedTuple

import numpy as np

from sitefinder.compiled import part
from sitefinder.energy.hydraulics import LEAST_CANAL, LEAST_PIPE, pipe_diameter_m
from sitefinder.units import GRAVITY_M_S2, WATER_DENSITY_KG_M3

STEEL_DENSITY_KG_M3 = 7850.0
PASCALS_PER_MEGAPASCAL = 1.0e6
# A headrace that is a pipe is penstock over all its length.
ALL_PENSTOCK = 1.0e9
# A canal flatter than this is priced with it: without a slope it would need an endless cross-section.
FLATTEST_SLOPE = 1.0e-4
# Side slope of a cut above the canal, horizontal to vertical (common practice, no source).
CUT_SIDE_SLOPE = 1.0
# Width of a half hexagon at the water's level over its wetted perimeter.
WIDTH_OF_PERIMETER = 2.0 / 3.0
# Exponents of the flow of a canal's cross-section and perimeter, by Manning's formula for sections of one shape.
AREA_EXPONENT, PERIMETER_EXPONENT = 0.75, 0.375


class Works(NamedTuple):
    """Costs of works as bare numbers for kernels; money is that of the cost file, before its shares on top."""

    powerhouse: float
    powerhouse_flow_exponent: float
    powerhouse_head_exponent: float
    intake: float
    intake_flow_exponent: float
    canal_dug_per_m: float
    canal_lined_per_m: float
    canal_per_m: float
    penstock_diameter_m: float
    penstock_steel_per_m3: float
    penstock_handling_m: float
    penstock_handling_share: float
    penstock_pressure_share_per_m: float
    penstock_corrosion_m: float
    penstock_laying_per_m2: float
    penstock_m_per_head: float
    forebay_per_m3s: float
    spillway: float
    spillway_flow_exponent: float
    transformer: float
    transformer_power_exponent: float
    aqueduct_per_m: float
    tunnel_per_m: float


class CanalSection(NamedTuple):
    """Wetted cross-section [m²] and wetted perimeter [m] of a canal."""

    area_m2: float | np.ndarray
    perimeter_m: float | np.ndarray


def canal_section(flow_m3s, slope, manning_n):
    """The trapezoid of least perimeter, half a hexagon, that carries a flow by Manning's formula.

    Parameters
    ----------
    flow_m3s : float or ndarray
        [m³/s].
    slope : float
        Bed slope [m/m].
    manning_n : float
        [s/m^(1/3)].

    Returns
    -------
    CanalSection

    Notes
    -----
    With depth y its area is √3 · y², its perimeter 2 · √3 · y and its hydraulic radius y / 2 (V. T. Chow,
    Open-Channel Hydraulics, 1959, ch. 7, from memory).

    Examples
    --------
    >>> [round(float(part), 3) for part in canal_section(1.0, 0.001, 0.015)]
    [0.927, 2.535]
    """
    depth_m = (2.0 ** (2 / 3) * flow_m3s * manning_n / (math.sqrt(3.0) * math.sqrt(slope))) ** 0.375
    return CanalSection(math.sqrt(3.0) * depth_m**2, 2.0 * math.sqrt(3.0) * depth_m)


def works_numbers(costs, settings):
    """Works as bare numbers, from a cost file and the settings of the run.

    Parameters
    ----------
    costs : sitefinder.catalogue.costs.CostFile
    settings : sitefinder.settings.Settings
        Reads energy (headrace, slope, velocity) and costs.ground.

    Returns
    -------
    Works
    """
    canal, penstock, energy = costs.canal, costs.penstock, settings.energy
    section = canal_section(1.0, max(energy.canal_slope, FLATTEST_SLOPE), canal.manning_n)
    stress_pa = penstock.allowable_stress_mpa * PASCALS_PER_MEGAPASCAL
    return Works(
        powerhouse=costs.powerhouse.coefficient,
        powerhouse_flow_exponent=costs.powerhouse.flow_exponent,
        powerhouse_head_exponent=costs.powerhouse.head_exponent,
        intake=costs.intake.coefficient,
        intake_flow_exponent=costs.intake.flow_exponent,
        canal_dug_per_m=section.area_m2
        * canal.excavation_factor
        * getattr(canal, f"{settings.costs.ground}_per_m3"),
        canal_lined_per_m=section.perimeter_m * canal.lining_factor * canal.lining_per_m2,
        canal_per_m=canal.per_m,
        penstock_diameter_m=pipe_diameter_m(1.0, energy.pipe_velocity_m_s),
        penstock_steel_per_m3=STEEL_DENSITY_KG_M3 * penstock.steel_per_kg,
        penstock_handling_m=penstock.handling_constant_m / penstock.handling_divisor,
        penstock_handling_share=1.0 / penstock.handling_divisor,
        penstock_pressure_share_per_m=(
            WATER_DENSITY_KG_M3 * GRAVITY_M_S2 * (1.0 + penstock.surge_share) / (2.0 * stress_pa)
        ),
        penstock_corrosion_m=penstock.corrosion_m,
        penstock_laying_per_m2=penstock.laying_per_m2,
        penstock_m_per_head=ALL_PENSTOCK if energy.conduit == "pipe" else penstock.length_per_head,
        forebay_per_m3s=costs.forebay.per_m3 * costs.forebay.seconds_held,
        spillway=costs.spillway.coefficient,
        spillway_flow_exponent=costs.spillway.flow_exponent,
        transformer=costs.transformer.coefficient,
        transformer_power_exponent=costs.transformer.power_exponent,
        aqueduct_per_m=costs.crossings.aqueduct_per_m,
        tunnel_per_m=costs.crossings.tunnel_per_m if costs.crossings.tunnel_per_m > 0 else np.inf,
    )


@part
def penstock_length_m(conduit_m, head_m, works):
    """The part of a headrace that is penstock [m]; the rest is canal. Also for kernels."""
    return np.minimum(conduit_m, works.penstock_m_per_head * head_m)


@part
def canal_cost_per_m(flow_m3s, works):
    """Canal per metre of length, by its cross-section; also for kernels. It rises with the flow."""
    return _canal_cost_by_section(flow_m3s**AREA_EXPONENT, flow_m3s**PERIMETER_EXPONENT, works)


# The same by the area and the perimeter of the section over those at 1 m³/s.
@part
def _canal_cost_by_section(area, perimeter, works):
    return works.canal_dug_per_m * area + works.canal_lined_per_m * perimeter + works.canal_per_m


@part
def penstock_wall_m(diameter_m, head_m, works):
    """Wall of a steel penstock [m]: what handling needs, or the pressure with surge and corrosion if that is more.

    Notes
    -----
    For handling (diameter + 508 mm) / 400, a rule of the U.S. Bureau of Reclamation (Engineering Monograph 3,
    Welded Steel Penstocks, from memory); for pressure the hoop stress of a thin shell, p · D / (2 · stress).
    """
    handling = works.penstock_handling_m + works.penstock_handling_share * diameter_m
    pressure = works.penstock_pressure_share_per_m * head_m * diameter_m + works.penstock_corrosion_m
    return np.maximum(handling, pressure)


@part
def penstock_cost_per_m(flow_m3s, head_m, works):
    """Penstock per metre of length, by the mass of its steel and its diameter; also for kernels."""
    return _penstock_cost_by_diameter(works.penstock_diameter_m * flow_m3s**0.5, head_m, works)


@part
def _penstock_cost_by_diameter(diameter_m, head_m, works):
    steel_m2 = math.pi * diameter_m * penstock_wall_m(diameter_m, head_m, works)
    return works.penstock_steel_per_m3 * steel_m2 + works.penstock_laying_per_m2 * diameter_m


class ConduitWorks(NamedTuple):
    """What conduits are made of, to price it at a flow: arrays of shape (n,).

    ``canal_m`` and ``penstock_m`` are lengths; ``least_m`` is the length of a headrace of which no more is known
    than that it is no shorter, priced by the cheapest of canal, aqueduct and tunnel. Money beside these: ``bench``
    times flow^`AREA_EXPONENT`, ``cut`` and ``aqueduct`` times flow^`PERIMETER_EXPONENT`, and ``cut_fixed`` and
    ``crossings`` at any flow.
    """

    canal_m: np.ndarray
    penstock_m: np.ndarray
    bench: np.ndarray
    cut: np.ndarray
    aqueduct: np.ndarray
    cut_fixed: np.ndarray
    crossings: np.ndarray
    least_m: np.ndarray

    @property
    def for_search(self):
        """Lengths, what goes with the area and the perimeter of the section, and `least_m`; shape (n, 5)."""
        parts = [self.canal_m, self.penstock_m, self.bench, self.cut + self.aqueduct, self.least_m]
        return np.column_stack(parts)


class _GroundPrices(NamedTuple):
    per_m3: float
    width_m: float


# Price of ground moved, and the width of a canal at 1 m³/s.
def _ground_prices(costs, settings):
    section = canal_section(1.0, max(settings.energy.canal_slope, FLATTEST_SLOPE), costs.canal.manning_n)
    per_m3 = getattr(costs.canal, f"{settings.costs.ground}_per_m3")
    return _GroundPrices(per_m3, WIDTH_OF_PERIMETER * section.perimeter_m)


def conduit_works(stretches, head_m, costs, settings):
    """What the conduits of stretches are made of.

    Parameters
    ----------
    stretches : DataFrame, n rows
        ``conduit_length_m``, and where the ground was looked at the columns of
        `sitefinder.steps.conduits.find_ways`; without them, or where they are NaN, the penstock is as long as the
        cost file says for each metre of head, and the rest is a canal on level ground. With ``least_canal_m``
        and ``least_pipe_m`` these are all that counts, see `ConduitWorks`.
    head_m : ndarray of float64, shape (n,)
        Net head [m].
    costs : sitefinder.catalogue.costs.CostFile
    settings : sitefinder.settings.Settings
        Reads energy and costs.ground.

    Returns
    -------
    ConduitWorks

    Notes
    -----
    A cut d deep takes d · width + d² · side slope for each metre beside the canal's own section, on a side slope s
    the bench takes width² · s / 2; the width is that of the water, so it grows with flow as the perimeter does.
    """
    works = works_numbers(costs, settings)
    conduit_m = np.nan_to_num(stretches["conduit_length_m"].to_numpy(np.float64))
    plain_m = np.asarray(penstock_length_m(conduit_m, head_m, works), dtype=np.float64)
    none = np.zeros(len(conduit_m))
    if LEAST_CANAL in stretches:
        canal_m, pipe_m = (stretches[name].to_numpy(np.float64) for name in (LEAST_CANAL, LEAST_PIPE))
        return ConduitWorks(none, pipe_m, *[none] * 5, canal_m)
    if "bench_m" not in stretches:
        return ConduitWorks(conduit_m - plain_m, plain_m, *[none] * 6)
    own = {
        name: stretches[name].to_numpy(np.float64)
        for name in ("headrace_length_m", "canal_length_m", "penstock_length_m", "bench_m", "cut_m2", "cut_m3")
        + ("aqueduct_length_m", "tunnel_length_m", "crossings", "road_crossings")
    }
    if "building_crossings" in stretches:
        own["building_crossings"] = stretches["building_crossings"].to_numpy(np.float64)
    is_known = ~np.isnan(own["bench_m"])
    own = {name: np.where(is_known, values, 0.0) for name, values in own.items()}
    canal_m, penstock_m = own["canal_length_m"], own["penstock_length_m"]
    if settings.energy.conduit == "pipe":
        canal_m, penstock_m = none, penstock_m + canal_m
    ground, crossings = _ground_prices(costs, settings), costs.crossings
    return ConduitWorks(
        np.where(is_known, canal_m, conduit_m - plain_m),
        np.where(is_known, penstock_m, plain_m),
        ground.per_m3 * ground.width_m**2 / 2.0 * own["bench_m"],
        ground.per_m3 * ground.width_m * own["cut_m2"],
        crossings.aqueduct_per_m * own["aqueduct_length_m"],
        ground.per_m3 * CUT_SIDE_SLOPE * own["cut_m3"],
        crossings.tunnel_per_m * own["tunnel_length_m"]
        + crossings.per_stream * own["crossings"]
        + crossings.per_road * own["road_crossings"]
        + crossings.per_building * own.get("building_crossings", none),
        none,
    )


def route_prices(flow_m3s, head_m, costs, settings):
    """Prices by which the ways of conduits are compared, at a flow.

    Parameters
    ----------
    flow_m3s, head_m : ndarray of float64, shape (n,)
        Flow that the conduit is to carry [m³/s], gross head [m].
    costs : sitefinder.catalogue.costs.CostFile
    settings : sitefinder.settings.Settings
        Reads energy, costs.ground and conduits.tunnels.

    Returns
    -------
    dict of str to ndarray of float64, shape (n,)
        By the names of `sitefinder.siting.conduits.Prices`.
    """
    works, ground, crossings = works_numbers(costs, settings), _ground_prices(costs, settings), costs.crossings
    penstock = penstock_cost_per_m(flow_m3s, head_m, works)
    is_pipe = settings.energy.conduit == "pipe"
    width = ground.width_m * flow_m3s**PERIMETER_EXPONENT
    can_tunnel = settings.conduits.tunnels and crossings.tunnel_per_m > 0
    per_m = penstock if is_pipe else canal_cost_per_m(flow_m3s, works)
    aqueduct = crossings.aqueduct_per_m * flow_m3s**PERIMETER_EXPONENT
    prices = {
        "canal_per_m": per_m,
        "penstock_per_m": penstock,
        "cut_per_m2": ground.per_m3 * width,
        "cut_per_m3": ground.per_m3 * CUT_SIDE_SLOPE,
        "bench_per_m": ground.per_m3 * width**2 / 2.0,
        "aqueduct_per_m": np.maximum(aqueduct, per_m),
        "tunnel_per_m": crossings.tunnel_per_m if can_tunnel else np.inf,
        "per_crossing": crossings.per_stream,
        "per_road": crossings.per_road,
        "per_building": crossings.per_building if crossings.per_building > 0 else np.inf,
    }
    return {
        name: np.broadcast_to(np.asarray(each, dtype=np.float64), flow_m3s.shape) for name, each in prices.items()
    }


@part
def transformer_cost(power_kw, works):
    """Transformer, switchgear and protection; also for kernels."""
    return works.transformer * power_kw**works.transformer_power_exponent


# What works cost by the design flow alone, and what else of it their costs go by: columns of a table with a row
# for each flow, so that it is worked out once for all places with that flow. `AT_INTAKE` and `SPILLWAY` are money,
# `CANAL` and `LEAST` money a metre; `HOUSE` is the factor of the flow in the cost of a powerhouse, `AREA` and
# `PERIMETER` are those of a canal's section, `DIAMETER` is a penstock's [m].
FLOW_TERMS = 8
HOUSE, AT_INTAKE, SPILLWAY, AREA, PERIMETER, CANAL, LEAST, DIAMETER = range(FLOW_TERMS)


@part
def fill_flow_terms(flow_m3s, works, terms, row):
    """Fill a row of a table with what the works of a design flow cost by it, for `sized_works`; for kernels.

    The headrace of no known kind is the cheapest on level ground: a canal, an aqueduct or a tunnel.
    """
    area, perimeter = flow_m3s**AREA_EXPONENT, flow_m3s**PERIMETER_EXPONENT
    terms[row, HOUSE] = flow_m3s**works.powerhouse_flow_exponent
    terms[row, AT_INTAKE] = works.intake * flow_m3s**works.intake_flow_exponent
    terms[row, SPILLWAY] = works.spillway * flow_m3s**works.spillway_flow_exponent
    terms[row, AREA], terms[row, PERIMETER] = area, perimeter
    terms[row, CANAL] = _canal_cost_by_section(area, perimeter, works)
    terms[row, LEAST] = min(terms[row, CANAL], works.aqueduct_per_m * perimeter, works.tunnel_per_m)
    terms[row, DIAMETER] = works.penstock_diameter_m * flow_m3s**0.5


@part
def sized_works(
    power_kw, flow_m3s, terms, row, head_m, powerhouse, canal_m, penstock_m, by_area, by_perimeter, least_m, works
):
    """Capital of all works that go with a plant's size, for kernels: powerhouse, intake, headrace, transformer.

    `powerhouse` has the head and the class's civil factor in it; `by_area` and `by_perimeter` are what the ground
    adds to a canal of 1 m³/s, `least_m` is a headrace of unknown kind, see `ConduitWorks`. What goes with the flow
    is in a row of `terms`, see `fill_flow_terms`. None falls when flow or power rises, on which the bounds of the
    search depend.
    """
    cost = powerhouse * terms[row, HOUSE]
    cost += terms[row, AT_INTAKE]
    cost += transformer_cost(power_kw, works)
    if canal_m > 0.0:
        cost += terms[row, CANAL] * canal_m + works.forebay_per_m3s * flow_m3s
        cost += terms[row, SPILLWAY]
    if penstock_m > 0.0:
        cost += _penstock_cost_by_diameter(terms[row, DIAMETER], head_m, works) * penstock_m
    if by_area > 0.0:
        cost += by_area * terms[row, AREA]
    if by_perimeter > 0.0:
        cost += by_perimeter * terms[row, PERIMETER]
    if least_m > 0.0:
        cost += terms[row, LEAST] * least_m
    return cost
