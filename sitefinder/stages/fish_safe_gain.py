"""The stage that asks what fish-safe machines win: best sets without them, and by the evidence that counts."""

from types import SimpleNamespace
from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.config import FishSettings
from sitefinder.power.machines import machine_table
from sitefinder.schema import EVIDENCE, LAYERS, has_flag
from sitefinder.schema.vocabulary import ACTIONS, HEAD_UNRESOLVED, passing_verdicts
from sitefinder.siting.access import district_names, district_of
from sitefinder.siting.fish_safe_gain import gain_by_district, grades_counted, without_fish_safe
from sitefinder.siting.offers import Offers, choose_sites
from sitefinder.siting.stretches import subset
from sitefinder.siting.verdicts import SAFE_MAY
from sitefinder.stages.choice import offer_steps
from sitefinder.stages.fish_ways import fish_way
from sitefinder.stages.worth import value_all
from sitefinder.units import METRES_PER_KILOMETRE


class FishSafety(NamedTuple):
    """The best set if no machine counted as fish-safe, and the best sets by the weakest grade that counts."""

    without: Offers
    by_grade: dict


class OtherFish:
    """Settings with other grades of evidence for the survival of fish."""

    def __init__(self, settings, evidence):
        self._settings = settings
        fish = {name: getattr(settings.fish, name) for name in FishSettings.model_fields}
        self.fish = SimpleNamespace(**(fish | {"evidence": evidence}))

    def __getattr__(self, name):
        return getattr(self._settings, name)


def weigh_fish_safety(
    settings, inputs, placed, stretches, flows, water_depths, energy, rule_overlaps, verdicts, waters
):
    """Best sets of sites without fish-safe machines, and with them by grade of evidence."""

    def best(settings, judged, valued):
        steps = offer_steps(settings, inputs, placed, stretches, valued, judged)
        way = fish_way(settings, inputs, placed, valued, rule_overlaps, waters)
        return choose_sites(stretches, steps, valued, judged.choice, placed.stations, settings, way)

    without = best(settings, verdicts._replace(choice=without_fish_safe(verdicts.choice)), energy)
    by_grade, known = {}, {}
    for grade in EVIDENCE:
        other = OtherFish(settings, grades_counted(grade))
        safety = tuple(machine_table(inputs.machines, other.fish).safety.tolist())
        # A grade that makes no further class safe changes nothing.
        if safety not in known:
            valued = _valued_by(settings, other, inputs, stretches, flows, water_depths, energy, verdicts)
            known[safety] = best(other, verdicts, valued)
        by_grade[grade] = known[safety]
    return FishSafety(without, by_grade)


# The valuation under another bar for fish, where that matters: at stretches that admit fish-safe machines only.
def _valued_by(settings, other, inputs, stretches, flows, water_depths, energy, verdicts):
    rows = np.flatnonzero(verdicts.choice == SAFE_MAY)
    if set(other.fish.evidence) == set(settings.fish.evidence) or not len(rows):
        return energy
    protected = subset(stretches, verdicts.choice == SAFE_MAY)
    found = value_all(other, inputs, protected, flows, water_depths)
    columns = {}
    for name in energy:
        values = energy[name].to_numpy().copy()
        if name.startswith("safe_"):
            values[rows] = found[name].to_numpy()
        columns[name] = values
    return pd.DataFrame(columns, index=energy.index)


def fish_safe_gain_table(settings, inputs, placed, stretches, verdicts, fish_safety, reaches, lengths):
    """The ``fish_safe_gain`` layer.

    Parameters
    ----------
    settings, inputs, placed, stretches, verdicts, fish_safety
        Results of the stages of those names.
    reaches : DataFrame
        As delivered.
    lengths : DataFrame
        Length of each of them in each district, see `sitefinder.siting.access.lengths_by_district`.

    Returns
    -------
    DataFrame
    """
    districts = inputs.layers["districts"].frame if "districts" in inputs.layers else None
    names = [] if districts is None else list(dict.fromkeys(district_names(districts)))
    tailrace = stretches.table["tailrace"].to_numpy()
    x_m, y_m = (placed.stations[name].to_numpy()[tailrace] for name in ("x_m", "y_m"))
    machines = np.array([machine.name for machine in inputs.machines], dtype=object)
    table = gain_by_district(
        [*names, ""],
        district_of(x_m, y_m, districts),
        verdicts.choice == SAFE_MAY,
        *fish_safety,
        machines,
    )
    potential = _potential(settings, reaches, lengths)
    for name in potential:
        table[name] = table["district"].map(potential[name]).fillna(0.0)
    as_set = [set(grades_counted(grade)) == set(settings.fish.evidence) for grade in table["evidence"]]
    table["as_set"] = as_set
    return table[[column.name for column in LAYERS["fish_safe_gain"].columns]]


# Stream and its theoretical potential by district: where only fish-safe machines may stand, and where any may.
def _potential(settings, reaches, lengths):
    share = lengths["length_m"].to_numpy() / reaches["length_m"].to_numpy()[lengths["reach"]]
    of_reach = reaches.iloc[lengths["reach"]].reset_index(drop=True)
    free = of_reach["verdict"].isin(passing_verdicts(()))
    only_safe = free & of_reach[[action.mark for action in ACTIONS if action.fish_safe_only]].any(axis=1)
    power_kw = of_reach["theoretical_kw"].fillna(0.0) * share
    if not HEAD_UNRESOLVED.is_allowed(settings.ranking.allow):
        power_kw = power_kw.where(~has_flag(of_reach["flags"], HEAD_UNRESOLVED.flag), 0.0)
    columns = {
        "only_safe_length_km": lengths["length_m"].reset_index(drop=True).where(only_safe, 0.0)
        / METRES_PER_KILOMETRE,
        "only_safe_theoretical_kw": power_kw.where(only_safe, 0.0),
        "any_theoretical_kw": power_kw.where(free & ~only_safe, 0.0),
    }
    return pd.DataFrame(columns).groupby(lengths["district"].to_numpy()).sum()
