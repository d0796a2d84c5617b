"""Capital of the works whose size goes with the design flow and the power: headrace, powerhouse, transformer."""

import math
from typing import NamedTuple

import numpy as np

from sitefinder.compiled import part
from sitefinder.energy.hydraulics import pipe_diameter_m
from sitefinder.units import GRAVITY_M_S2, WATER_DENSITY_KG_M3

STEEL_DENSITY_KG_M3 = 7850.0
PASCALS_PER_MEGAPASCAL = 1.0e6
# A headrace that is a pipe is penstock over all its length.
ALL_PENSTOCK = 1.0e9
# A canal flatter than this is priced with it: without a slope it would need an endless cross-section.
FLATTEST_SLOPE = 1.0e-4
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
    )


@part
def penstock_length_m(conduit_m, head_m, works):
    """The part of a headrace that is penstock [m]; the rest is canal. Also for kernels."""
    return np.minimum(conduit_m, works.penstock_m_per_head * head_m)


@part
def canal_cost_per_m(flow_m3s, works):
    """Canal per metre of length, by its cross-section; also for kernels. It rises with the flow."""
    dug, lined = flow_m3s**AREA_EXPONENT, flow_m3s**PERIMETER_EXPONENT
    return works.canal_dug_per_m * dug + works.canal_lined_per_m * lined + works.canal_per_m


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
    diameter_m = works.penstock_diameter_m * flow_m3s**0.5
    steel_m2 = math.pi * diameter_m * penstock_wall_m(diameter_m, head_m, works)
    return works.penstock_steel_per_m3 * steel_m2 + works.penstock_laying_per_m2 * diameter_m


@part
def transformer_cost(power_kw, works):
    """Transformer, switchgear and protection; also for kernels."""
    return works.transformer * power_kw**works.transformer_power_exponent


@part
def sized_works(power_kw, flow_m3s, head_m, powerhouse, canal_m, penstock_m, works):
    """Capital of all works that go with a plant's size, for kernels: powerhouse, intake, headrace, transformer.

    `powerhouse` has the head and the class's civil factor in it. None falls when flow or power rises, on which the
    bounds of the search depend.
    """
    cost = powerhouse * flow_m3s**works.powerhouse_flow_exponent
    cost += works.intake * flow_m3s**works.intake_flow_exponent
    cost += transformer_cost(power_kw, works)
    if canal_m > 0.0:
        cost += canal_cost_per_m(flow_m3s, works) * canal_m + works.forebay_per_m3s * flow_m3s
        cost += works.spillway * flow_m3s**works.spillway_flow_exponent
    if penstock_m > 0.0:
        cost += penstock_cost_per_m(flow_m3s, head_m, works) * penstock_m
    return cost
