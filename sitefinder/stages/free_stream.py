"""What rotors in the open current could give in each reach, as a table of its own beside those of heads."""

import numpy as np
import pandas as pd

from sitefinder.power.cost import machine_cost, yearly_cost
from sitefinder.power.energy import hydraulic_power_kw, yearly_energy_mwh
from sitefinder.power.free_stream import free_stream_potential
from sitefinder.power.machines import SAFE_AS_BUILT, fish_safety
from sitefinder.schema import LAYERS
from sitefinder.schema.vocabulary import DEVELOPED, STANDING_WATER, TIDAL
from sitefinder.streams.profile_error import head_standard_error
from sitefinder.units import HOURS_PER_YEAR, KILOWATT_HOURS_PER_MEGAWATT_HOUR, METRES_PER_KILOMETRE

# A fall as great as the DEM leaves possible: one-sided 95 %.
FALL_STANDARD_ERRORS = 1.645
# Share of the time that the speed told as high is exceeded.
FAST_SHARE = 0.1


def free_stream_table(settings, inputs, placed, heads, flows, channel_shapes, waters, verdicts, within):
    """The ``free_stream`` layer: each reach of the region with each rotor.

    Parameters are the results of the stages of those names; `within` is True for reaches of the region. The stream
    at the lower end stands for the reach, as in the layer of reaches; standing, tidal and developed parts of it
    are left out by length.

    Returns
    -------
    DataFrame
    """
    columns = [column.name for column in LAYERS["free_stream"].columns]
    rows = np.flatnonzero(within)
    if not inputs.rotors or not len(rows):
        return pd.DataFrame({name: pd.Series(dtype=object) for name in columns})
    reaches = placed.reaches.iloc[rows]
    upper, lower = reaches["first_station"].to_numpy(), reaches["last_station"].to_numpy()
    shapes = channel_shapes.shapes
    width_m, depth_m, speed_m_s = shapes.at(lower, flows.bins_m3s[lower])
    mean_m3s = flows.bins_m3s[lower].mean(axis=1)
    at_mean = [part[:, 0] for part in shapes.at(lower, mean_m3s[:, None])]
    fall_m = heads.profile_m[upper] - heads.profile_m[lower]
    fall_m = fall_m + FALL_STANDARD_ERRORS * head_standard_error(heads.errors_m, upper, lower)
    fall_kw = hydraulic_power_kw(mean_m3s, fall_m)
    free_m, not_free = _free_lengths(placed, waters, rows)
    common = pd.DataFrame(
        {
            "reach_id": reaches["reach_id"].to_numpy(),
            "verdict": verdicts.reaches["verdict"].to_numpy()[rows],
            "free_length_m": free_m,
            "width_m": at_mean[0],
            "depth_m": at_mean[1],
            "speed_m_s": at_mean[2],
            "speed_fast_m_s": np.quantile(speed_m_s, 1.0 - FAST_SHARE, axis=1, method="hazen"),
            "section_measured": shapes.is_measured[lower],
        }
    )
    parts = []
    for rotor in inputs.rotors:
        potential = free_stream_potential(rotor, width_m, depth_m, speed_m_s, at_mean[:2], free_m, fall_kw)
        because = np.where(not_free != "", not_free, potential.because)
        told = common.assign(machine=rotor.name, because=because, rotors=potential.rotors)
        told["kinetic_power_kw"] = potential.power_kw
        mean_kw = potential.power_mean_kw
        told["kinetic_power_kw_per_km"] = mean_kw / (reaches["length_m"].to_numpy() / METRES_PER_KILOMETRE)
        told["kinetic_energy_mwh"] = yearly_energy_mwh(mean_kw, settings.energy.availability)
        parts.append(told.assign(**_worth(settings, inputs.costs, rotor, told)))
    return pd.concat(parts).sort_index(kind="stable")[columns].reset_index(drop=True)


# Length of each reach without standing, tidal and developed water, and why nothing is left of it.
def _free_lengths(placed, waters, rows):
    stations = placed.stations
    reach, segment_m = stations["reach"].to_numpy(), stations["segment_length_m"].to_numpy()
    barred = {STANDING_WATER: waters.standing, DEVELOPED: waters.developed, TIDAL: waters.tidal}
    free, because = np.ones(len(stations), dtype=bool), np.full(len(placed.reaches), "", dtype=object)
    for reason, stretch in barred.items():
        free &= ~stretch
        here = (reach >= 0) & free
        left_m = np.bincount(reach[here], weights=segment_m[here], minlength=len(placed.reaches))
        because[(left_m == 0) & (because == "")] = reason.name
    return left_m[rows], because[rows]


# Money and fish of the rotors of each reach. Access and line are not in: they go by the place that is chosen.
def _worth(settings, costs, rotor, told):
    some = told["rotors"].to_numpy() > 0
    power_kw, units = (told[name].to_numpy(dtype=float) for name in ("kinetic_power_kw", "rotors"))
    machines = machine_cost(rotor.cost, power_kw[some], 1.0, units[some])
    capital = np.full(len(told), np.nan)
    capital[some] = (machines * (1.0 + rotor.civil_share) + costs.permits.fixed) * (1.0 + costs.contingency.share)
    money = settings.costs
    life = money.real_rate, money.lifetime_years
    yearly = yearly_cost(capital, costs.operation, *life, np.where(some, power_kw, 1.0))
    kwh = told["kinetic_energy_mwh"].to_numpy() * KILOWATT_HOURS_PER_MEGAWATT_HOUR
    per_kwh, factor = np.full(len(told), np.nan), np.full(len(told), np.nan)
    per_kwh[some], factor[some] = yearly[some] / kwh[some], kwh[some] / (power_kw[some] * HOURS_PER_YEAR)
    return {
        "capacity_factor": factor,
        "capital_cost": capital,
        "cost_per_kwh": per_kwh,
        "fish_safe": fish_safety(rotor, settings.fish) == SAFE_AS_BUILT,
        "survival": rotor.survival.share,
        "evidence": rotor.survival.evidence,
    }
