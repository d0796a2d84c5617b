"""Printed output: what turbines do to fish, by question, and what one point of the bar would move."""

import numpy as np
import pandas as pd

from sitefinder.report.languages import labels, numeral, plural, say
from sitefinder.report.text import figure, gigawatt_hours, power
from sitefinder.schema import EVIDENCE
from sitefinder.vocabulary import AS_BUILT_SAFETY, EVIDENCE_GRADES, SCREENED_SAFETY

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
    could = say(
        "Only fish-safe turbines are allowed on {length} km of stream ({there} gross theoretical "
        "potential, against {elsewhere} where any turbine is allowed)",
        length=figure(length_km),
        there=power(could_kw),
        elsewhere=power(rows["any_theoretical_kw"].sum()),
    )
    only = int(rows["sites_only_safe"].sum())
    if not only:
        return say("{allowed}; no site was selected there.", allowed=could)
    there, without, with_them = (
        gigawatt_hours(rows[name].sum()) for name in ("energy_only_safe_mwh", "energy_any_mwh", "energy_mwh")
    )
    weakest = rows["evidence"].iloc[0]
    grade = labels(EVIDENCE_GRADES)[weakest]
    end = (
        "there give {there} GWh; the best selection without fish-safe turbines would give {without} GWh "
        "instead of {with_them} GWh (evidence that counts: {grade})."
    )
    gained = plural(
        "{number} site " + end,
        "{number} sites " + end,
        only,
        there=there,
        without=without,
        with_them=with_them,
        grade=grade if weakest == EVIDENCE[0] else say("{grade} or better", grade=grade),
    )
    return f"{could}. {gained}"


# The same with the other question: a selection of its own.
def _other_question(gain):
    own = gain[gain["as_set"]]
    if not len(own) or not own["only_safe_length_km"].sum():
        return ""
    asked, evidence = own["question"].iloc[0], own["evidence"].iloc[0]
    other = gain[(gain["question"] != asked) & (gain["evidence"] == evidence) & (gain["bar_change"] == 0.0)]
    asked_for = (
        "If the rules asked for turbines that are safe as built, without a screen, {change}."
        if asked == SCREENED_SAFETY.name
        else "If the rules asked for turbines that are safe with a screen where that takes one, {change}."
    )
    changed = int(other["sites_changed"].sum())
    if not changed and other["sites"].sum() == own["sites"].sum():
        return say(asked_for, change=say("no site would change"))
    best = plural(
        "{change} and the best selection would be {number} site with {energy} GWh",
        "{change} and the best selection would be {number} sites with {energy} GWh",
        int(other["sites"].sum()),
        change=_changing(changed),
        energy=gigawatt_hours(other["energy_mwh"].sum()),
    )
    return say(asked_for, change=best)


def _changing(sites):
    if not sites:
        return say("all sites would stay")
    return plural("{number} site would change", "{number} sites would change", sites)


# What the best selection would be with the bar a point lower or higher.
def _other_bars(gain):
    own = gain[gain["as_set"]]
    parts = []
    for change in sorted(gain["bar_change"].unique()) if own["only_safe_length_km"].sum() else ():
        rows = gain[gain["bar_change"] == change]
        changed, more = int(rows["sites_changed"].sum()), int(rows["sites"].sum() - own["sites"].sum())
        if change and (changed or more):
            energy, before = (gigawatt_hours(part["energy_mwh"].sum()) for part in (rows, own))
            text = (
                "with the bar {points} lower, {change} ({energy} GWh instead of {before})"
                if change < 0
                else "with the bar {points} higher, {change} ({energy} GWh instead of {before})"
            )
            points = numeral(f"{abs(change):g}")
            parts.append(say(text, points=points, change=_changing(changed), energy=energy, before=before))
    if not len(own) or not own["only_safe_length_km"].sum():
        return ""
    if not parts:
        return say("A bar {points} lower or higher would change none of them.", points=numeral(f"{POINT:g}"))
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
    assumed = say(" (an assumption: state fish.groups)") if groups["is_assumed"].any() else ""
    names = ", ".join(dict.fromkeys(down["fish_group"]))
    end = (
        "{as_built} meet the bar of survival with the turbine as built, and {screened} as built or behind a "
        "screen."
    )
    return plural(
        "Fish that go downstream: {groups}. Of {number} site, " + end,
        "Fish that go downstream: {groups}. Of {number} sites, " + end,
        len(each),
        groups=names + assumed,
        as_built=int(each["safe_as_built"].sum()),
        screened=int(each["safe_screened"].sum()),
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
                text = (
                    "{after} instead of {before} as built with the bar {change}"
                    if question == AS_BUILT_SAFETY
                    else "{after} instead of {before} as built or behind a screen with the bar {change}"
                )
                moved.append(say(text, after=int(after), before=int(before), change=numeral(f"{change:+.2f}")))
    if not moved:
        text = "A bar {points} lower or higher moves none of these plants across it."
        return say(text, points=numeral(f"{POINT:g}"))
    return say("One point of the bar moves plants across it: {moved}.", moved="; ".join(moved))


# Whether each row meets its bar, raised by so much, in one of several ways with evidence that counts.
def _meeting(down, columns, counts, change):
    meets = np.zeros(len(down), dtype=bool)
    for name in columns:
        counted_grade = down[f"evidence_{name}"].map(lambda grade: bool(grade) and f"'{grade}'" in counts)
        share = down[f"survival_{name}"].fillna(-1.0)
        meets |= (counted_grade & (share >= down["min_survival"] + change - ROUNDING)).to_numpy(dtype=bool)
    return pd.Series(meets, index=down.index)
