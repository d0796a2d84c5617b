"""Key figures of an inventory, for comparison with those of other settings."""

import numpy as np

from sitefinder.schema import CHANGES, VERDICTS, has_flag
from sitefinder.units import KILOWATTS_PER_MEGAWATT, MEGAWATT_HOURS_PER_GIGAWATT_HOUR, METRES_PER_KILOMETRE
from sitefinder.vocabulary import HEAD_NOT_RESOLVED, passing_verdicts


def measures(tables, *, energy_p90_mwh, energy_p10_mwh, counts_unresolved=False):
    """Totals of a run by name, the unit in the name.

    Parameters
    ----------
    tables : dict of str to DataFrame
        ``sites`` and ``reaches``.
    energy_p90_mwh, energy_p10_mwh : float
        Energy of all sites together that 90 % and 10 % of the simulations exceed [MWh].
    counts_unresolved : bool
        Whether reaches whose head is not resolved count in the potential.

    Returns
    -------
    dict of str to float
        In the order in which they are shown.
    """
    sites, reaches = tables["sites"], tables["reaches"]
    km = reaches["length_m"].to_numpy(dtype=np.float64) / METRES_PER_KILOMETRE
    notes = {"reaches": len(reaches), "reach_length_km": km.sum()}
    for verdict in reversed(VERDICTS):
        notes[f"{verdict}_length_km"] = km[(reaches["verdict"] == verdict).to_numpy()].sum()
    kilowatts = reaches["theoretical_kw"].fillna(0.0).to_numpy(dtype=np.float64)
    if not counts_unresolved:
        kilowatts = np.where(has_flag(reaches["flags"], HEAD_NOT_RESOLVED.name), 0.0, kilowatts)
    free = reaches["verdict"].isin(passing_verdicts(())).to_numpy()
    notes["theoretical_mw"] = kilowatts.sum() / KILOWATTS_PER_MEGAWATT
    notes["theoretical_open_mw"] = kilowatts[free].sum() / KILOWATTS_PER_MEGAWATT
    notes["sites"] = len(sites)
    notes["power_mw"] = sites["power_kw"].sum() / KILOWATTS_PER_MEGAWATT
    for name, energy_mwh in (
        ("energy_gwh", sites["energy_mwh"].sum()),
        ("energy_gwh_p90", energy_p90_mwh),
        ("energy_gwh_p10", energy_p10_mwh),
    ):
        notes[name] = energy_mwh / MEGAWATT_HOURS_PER_GIGAWATT_HOUR
    notes["capital_cost"] = sites["capital_cost"].sum()
    return notes


def site_counts(changes):
    """Number of sites of each change, against the first run.

    Parameters
    ----------
    changes : DataFrame
        As of `sitefinder.comparison.changes.compare_runs`.

    Returns
    -------
    dict of str to int
        Under ``sites_CHANGE``, blanks and hyphens as underscores; every change is there.
    """
    of_sites = changes.loc[changes["kind"] == "site", "change"]
    return {f"sites_{name.replace(' ', '_').replace('-', '_')}": int((of_sites == name).sum()) for name in CHANGES}
