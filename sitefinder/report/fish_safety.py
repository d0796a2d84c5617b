"""Printed output: what turbines do to fish, by question, and what one point of the bar would move."""

import numpy as np
import pandas as pd

from sitefinder.report.text import counted, figure, gigawatt_hours, power
from sitefinder.schema import EVIDENCE
from sitefinder.vocabulary import AS_BUILT_SAFETY, SCREENED_SAFETY

# The bar is moved by one point either way.
POINT = 0.01
ROUNDING = 1e-9


def fish_safety_text(gain, groups, settings):
    """Fish safety of the sites, as two paragraphs.

    Parameters
    ----------
    gain, groups : DataFrame
        The layers ``fish_safe_gain`` and ``fish_groups``.
    settings : dict of str to str
        Settings of the run as provenance lists them.

    Returns
    -------
    list of str
        A paragraph about the plants as they stand, and one about what rules ask; "" where there is nothing to say.
    """
    of_rules = [_protected(gain), _other_question(gain), _other_bars(gain)]
    of_plants = [_plants(groups), _one_point(groups, settings)]
    return [" ".join(filter(None, parts)) for parts in (of_plants, of_rules)]


# What stands where rules allow fish-safe turbines only.
def _protected(gain):
    rows = gain[gain["as_set"]]
    length_km, could_kw = (rows[name].sum() for name in ("only_safe_length_km", "only_safe_theoretical_kw"))
    if not length_km:
        return ""
    could = (
        f"Only fish-safe turbines are allowed on {figure(length_km)} km of stream ({power(could_kw)} gross "
        f"theoretical potential, against {power(rows['any_theoretical_kw'].sum())} where any turbine is allowed)"
    )
    only = rows["sites_only_safe"].sum()
    if not only:
        return f"{could}; no site was selected there."
    there, without, with_them = (
        gigawatt_hours(rows[name].sum()) for name in ("energy_only_safe_mwh", "energy_any_mwh", "energy_mwh")
    )
    gained = (
        f"{counted(only, 'site', 'sites')} there give {there} GWh; the best selection without fish-safe turbines "
        f"would give {without} GWh instead of {with_them} GWh"
    )
    weakest = rows["evidence"].iloc[0]
    return f"{could}. {gained} (evidence that counts: {weakest}{'' if weakest == EVIDENCE[0] else ' or better'})."


# The same with the other question: a selection of its own.
def _other_question(gain):
    own = gain[gain["as_set"]]
    if not len(own) or not own["only_safe_length_km"].sum():
        return ""
    asked, evidence = own["question"].iloc[0], own["evidence"].iloc[0]
    other = gain[(gain["question"] != asked) & (gain["evidence"] == evidence) & (gain["bar_change"] == 0.0)]
    words = "as built, without a screen" if asked == SCREENED_SAFETY.name else "with a screen where that takes one"
    changed = int(other["sites_changed"].sum())
    if not changed and other["sites"].sum() == own["sites"].sum():
        return f"If the rules asked for turbines that are safe {words}, no site would change."
    energy = gigawatt_hours(other["energy_mwh"].sum())
    return (
        f"If the rules asked for turbines that are safe {words}, {_changing(changed)} and the best selection "
        f"would be {counted(int(other['sites'].sum()), 'site', 'sites')} with {energy} GWh."
    )


def _changing(sites):
    return f"{counted(sites, 'site', 'sites')} would change" if sites else "all sites would stay"


# What the best selection would be with the bar a point lower or higher.
def _other_bars(gain):
    own = gain[gain["as_set"]]
    parts = []
    for change in sorted(gain["bar_change"].unique()) if own["only_safe_length_km"].sum() else ():
        rows = gain[gain["bar_change"] == change]
        changed, more = int(rows["sites_changed"].sum()), int(rows["sites"].sum() - own["sites"].sum())
        if change and (changed or more):
            energy, before = (gigawatt_hours(part["energy_mwh"].sum()) for part in (rows, own))
            parts.append(
                f"with the bar {abs(change):g} {'lower' if change < 0 else 'higher'}, {_changing(changed)} "
                f"({energy} GWh instead of {before})"
            )
    if not len(own) or not own["only_safe_length_km"].sum():
        return ""
    if not parts:
        return f"A bar {POINT:g} lower or higher would change none of them."
    text = "; ".join(parts)
    return f"{text[0].upper()}{text[1:]}."


# How many sites meet the bar of all groups as built, and behind a screen.
def _plants(groups):
    if not len(groups):
        return ""
    down = groups[groups["length_m"].notna()]
    if not len(down):
        return ""
    each = down.groupby("site_id")[["safe_as_built", "safe_screened"]].all()
    assumed = " (an assumption: state fish.groups)" if groups["is_assumed"].any() else ""
    names = ", ".join(dict.fromkeys(down["fish_group"]))
    return (
        f"Fish that go downstream: {names}{assumed}. Of {counted(len(each), 'site', 'sites')}, "
        f"{int(each['safe_as_built'].sum())} meet the bar of survival with the turbine as built, and "
        f"{int(each['safe_screened'].sum())} as built or behind a screen."
    )


# How many plants a point of the bar would move, as they stand: no cliff of a whole fleet without a word.
def _one_point(groups, settings):
    down = groups[groups["length_m"].notna()] if len(groups) else groups
    if not len(down):
        return ""
    counts = settings.get("fish.evidence", "")
    moved = []
    for change in (-POINT, POINT):
        for question, columns in (
            (AS_BUILT_SAFETY, ["as_built"]),
            (SCREENED_SAFETY, ["as_built", "screened"]),
        ):
            before, after = (
                _meeting(down, columns, counts, move).groupby(down["site_id"]).all().sum()
                for move in (0.0, change)
            )
            if after != before:
                words = "as built" if question == AS_BUILT_SAFETY else "as built or behind a screen"
                moved.append(f"{int(after)} instead of {int(before)} {words} with the bar {change:+.2f}")
    if not moved:
        return f"A bar {POINT:g} lower or higher moves none of these plants across it."
    return f"One point of the bar moves plants across it: {'; '.join(moved)}."


# Whether each row meets its bar, raised by so much, in one of several ways with evidence that counts.
def _meeting(down, columns, counts, change):
    meets = np.zeros(len(down), dtype=bool)
    for name in columns:
        counted_grade = down[f"evidence_{name}"].map(lambda grade: bool(grade) and f"'{grade}'" in counts)
        share = down[f"survival_{name}"].fillna(-1.0)
        meets |= (counted_grade & (share >= down["min_survival"] + change - ROUNDING)).to_numpy(dtype=bool)
    return pd.Series(meets, index=down.index)
