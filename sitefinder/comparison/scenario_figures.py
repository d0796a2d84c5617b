"""Key figures of an inventory, for comparison with those of other settings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from sitefinder.schema import CHANGES, VERDICTS, has_flag
from sitefinder.units import KILOWATTS_PER_MEGAWATT, MEGAWATT_HOURS_PER_GIGAWATT_HOUR, METRES_PER_KILOMETRE
from sitefinder.vocabulary import HEAD_NOT_RESOLVED, passing_verdicts

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd


# Seasons whose energy is shown, by the end of the figure's name: months of each.
SEASONS = {"dec_feb": (12, 1, 2), "mar_may": (3, 4, 5), "jun_aug": (6, 7, 8), "sep_nov": (9, 10, 11)}


def measures(
    tables: Mapping[str, Any], *, energy_p90_mwh: float, energy_p10_mwh: float, counts_unresolved: bool = False
) -> dict[str, float]:
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
    figures: dict[str, float] = {"reaches": len(reaches), "reach_length_km": km.sum()}
    for verdict in reversed(VERDICTS):
        figures[f"{verdict}_length_km"] = km[(reaches["verdict"] == verdict).to_numpy()].sum()
    kilowatts = reaches["theoretical_kw"].fillna(0.0).to_numpy(dtype=np.float64)
    if not counts_unresolved:
        kilowatts = np.where(has_flag(reaches["flags"], HEAD_NOT_RESOLVED.name), 0.0, kilowatts)
    free = reaches["verdict"].isin(passing_verdicts(())).to_numpy()
    figures["theoretical_mw"] = kilowatts.sum() / KILOWATTS_PER_MEGAWATT
    figures["theoretical_open_mw"] = kilowatts[free].sum() / KILOWATTS_PER_MEGAWATT
    figures["sites"] = len(sites)
    figures["power_mw"] = sites["power_kw"].sum() / KILOWATTS_PER_MEGAWATT
    for name, energy_mwh in (
        ("energy_gwh", sites["energy_mwh"].sum()),
        ("energy_gwh_p90", energy_p90_mwh),
        ("energy_gwh_p10", energy_p10_mwh),
    ):
        figures[name] = energy_mwh / MEGAWATT_HOURS_PER_GIGAWATT_HOUR
    for name, months in SEASONS.items():
        # Not a number where nothing says when water flows.
        energy_mwh = sites[[f"energy_month_{month:02d}_mwh" for month in months]].sum(axis=1, skipna=False)
        figures[f"energy_gwh_{name}"] = energy_mwh.sum(skipna=False) / MEGAWATT_HOURS_PER_GIGAWATT_HOUR
    figures["capital_cost"] = sites["capital_cost"].sum()
    energy_mwh = sites["energy_mwh"].sum()
    # The cost of a year of all sites over their energy.
    figures["lcoe_per_kwh"] = (
        (sites["lcoe_per_kwh"] * sites["energy_mwh"]).sum() / energy_mwh if energy_mwh > 0 else np.nan
    )
    figures["npv"] = sites["npv"].sum()
    return figures


def site_counts(changes: pd.DataFrame) -> dict[str, int]:
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
