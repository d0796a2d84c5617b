"""What current turbines could take from free reaches: a table of the delivery."""

import numpy as np
import pandas as pd

from sitefinder.delivery.checking import checked_table
from sitefinder.energy.costs import capital_factor, turbine_cost, yearly_cost
from sitefinder.energy.fish_survival import GRADES, of_plants, survival_by_group, worst_of_groups
from sitefinder.energy.hydrokinetic import hydrokinetic_potential
from sitefinder.energy.plant import hydraulic_power_kw, yearly_energy_mwh
from sitefinder.energy.valuation import fish_answers
from sitefinder.profile.errors import head_standard_error
from sitefinder.schema import LAYERS
from sitefinder.units import HOURS_PER_YEAR, KILOWATT_HOURS_PER_MEGAWATT_HOUR, METRES_PER_KILOMETRE
from sitefinder.vocabulary import DEVELOPED, STANDING_WATER, TIDAL

# Upper limit of the drop given the DEM error: one-sided 95 %.
FALL_STANDARD_ERRORS = 1.645
# Share of the time that ``speed_fast_m_s`` is exceeded.
FAST_SHARE = 0.1


def hydrokinetic_table(settings, inputs, stationing, heads, flows, channel_shapes, water_bodies, verdicts, within):
    """The ``hydrokinetic`` layer: each reach of the region with each rotor.

    Parameters are the results of the stages of those names; `within` is True for reaches of the region. The stream
    at the lower end represents the reach, as in the layer reaches; standing, tidal and developed lengths are
    deducted.

    Returns
    -------
    DataFrame
    """
    columns = [column.name for column in LAYERS["hydrokinetic"].columns]
    rows = np.flatnonzero(within)
    if not inputs.rotors or not len(rows):
        return pd.DataFrame({name: pd.Series(dtype=object) for name in columns})
    reaches = stationing.reaches.iloc[rows]
    upper, lower = reaches["first_station"].to_numpy(), reaches["last_station"].to_numpy()
    shapes = channel_shapes.shapes
    width_m, depth_m, speed_m_s = shapes.at(lower, flows.bins_m3s[lower])
    mean_m3s = flows.bins_m3s[lower].mean(axis=1)
    at_mean = [part[:, 0] for part in shapes.at(lower, mean_m3s[:, None])]
    fall_m = heads.profile_m[upper] - heads.profile_m[lower]
    fall_m = fall_m + FALL_STANDARD_ERRORS * head_standard_error(heads.errors_m, upper, lower)
    fall_kw = hydraulic_power_kw(mean_m3s, fall_m)
    free_m, not_free = _free_lengths(stationing, water_bodies, rows)
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
        potential = hydrokinetic_potential(rotor, width_m, depth_m, speed_m_s, at_mean[:2], free_m, fall_kw)
        because = np.where(not_free != "", not_free, potential.because)
        rows = common.assign(turbine=rotor.name, because=because, rotors=potential.rotors)
        rows["kinetic_power_kw"] = potential.power_kw
        mean_kw = potential.power_mean_kw
        rows["kinetic_power_kw_per_km"] = mean_kw / (reaches["length_m"].to_numpy() / METRES_PER_KILOMETRE)
        rows["kinetic_energy_mwh"] = yearly_energy_mwh(mean_kw, settings.energy.availability)
        parts.append(rows.assign(**_valuation(settings, inputs.costs, rotor, rows)))
    return pd.concat(parts).sort_index(kind="stable")[columns].reset_index(drop=True)


# Length of each reach without standing, tidal and developed water, and the reason if nothing is left.
def _free_lengths(stationing, water_bodies, rows):
    stations = stationing.stations
    reach, segment_m = stations["reach"].to_numpy(), stations["segment_length_m"].to_numpy()
    barred = {STANDING_WATER: water_bodies.standing, DEVELOPED: water_bodies.developed, TIDAL: water_bodies.tidal}
    free, because = np.ones(len(stations), dtype=bool), np.full(len(stationing.reaches), "", dtype=object)
    for reason, stretch in barred.items():
        free &= ~stretch
        here = (reach >= 0) & free
        left_m = np.bincount(reach[here], weights=segment_m[here], minlength=len(stationing.reaches))
        because[(left_m == 0) & (because == "")] = reason.name
    return left_m[rows], because[rows]


# Cost and fish survival of the rotors of each reach, without access and connection, which depend on the place.
def _valuation(settings, costs, rotor, rows):
    some = rows["rotors"].to_numpy() > 0
    power_kw, units = (rows[name].to_numpy(dtype=float) for name in ("kinetic_power_kw", "rotors"))
    turbines = turbine_cost(rotor.cost, power_kw[some], 1.0, units[some])
    capital = np.full(len(rows), np.nan)
    money = settings.costs
    on_top = capital_factor(costs, money.real_rate)
    capital[some] = (turbines * (1.0 + rotor.civil_share) + costs.permits.fixed) * on_top
    kwh = rows["kinetic_energy_mwh"].to_numpy() * KILOWATT_HOURS_PER_MEGAWATT_HOUR
    # A rotor takes no water out of the stream, so a fee by m³ has nothing to go by.
    plant = np.where(some, power_kw, 1.0), kwh, 0.0
    yearly = yearly_cost(capital, costs.operation, money.real_rate, money.lifetime_years, *plant)
    per_kwh, factor = np.full(len(rows), np.nan), np.full(len(rows), np.nan)
    per_kwh[some], factor[some] = yearly[some] / kwh[some], kwh[some] / (power_kw[some] * HOURS_PER_YEAR)
    # A rotor has neither head nor design flow, and no screen.
    fish, one = settings.fish, np.ones(1)
    survival = survival_by_group([rotor], None, fish, [0], one, one)
    _, share, grade = worst_of_groups(*of_plants(survival, np.zeros(1, dtype=bool)), fish)
    return {
        "capacity_factor": factor,
        "capital_cost": capital,
        "lcoe_per_kwh": per_kwh,
        "fish_safe": bool(fish_answers(survival, np.zeros(1, dtype=bool), fish)["fish_safe"][0]),
        "survival": float(share[0]),
        "evidence": GRADES[grade[0]],
    }


def make_hydrokinetic(settings, inputs, stationing, heads, flows, channel_shapes, water_bodies, verdicts, within):
    """The ``hydrokinetic`` layer."""
    table = hydrokinetic_table(
        settings, inputs, stationing, heads, flows, channel_shapes, water_bodies, verdicts, within
    )
    return checked_table(table, "hydrokinetic")
