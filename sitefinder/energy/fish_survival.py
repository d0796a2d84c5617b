"""Survival of fish going downstream past a plant: as built, and behind a screen with a bypass, by group.

A plant is safe for a group where the worst of its body lengths meets the group's bar, and fish-safe where it is
safe
for every group that goes downstream. Both questions have one answer for each size of a class at a head: the flow
of a
unit from which on it is safe, since larger runners strike less.
"""

from typing import NamedTuple

import numpy as np

from sitefinder.catalogue.trials import covers
from sitefinder.energy.blade_strike import VON_RABEN_MUTILATION, strikes_at_one_m3s, von_raben_strikes
from sitefinder.vocabulary import EVIDENCE_GRADES, MODELLED, TESTED, names

GRADES = names(EVIDENCE_GRADES)
NO_EVIDENCE = len(GRADES) - 1
# Stream of random numbers under the run's seed; 0 to 3 are those of the energy's errors.
FISH_STREAM = 4
# A share below the bar by less than this meets it, since that is rounding.
ROUNDING = 1e-9
# The smallest net head that strikes are computed for [m]; no class is built for less.
LEAST_HEAD_M = 0.05


class Survival(NamedTuple):
    """Survival of groups at plants, shape (n, groups); NaN for groups that do not go downstream.

    ``as_built`` and ``screened`` are shares of the worst body length; without a screen both are the same.
    ``grade_as_built`` and ``grade_screened`` are places in the list of grades of evidence, the strongest first.
    """

    as_built: np.ndarray
    screened: np.ndarray
    grade_as_built: np.ndarray
    grade_screened: np.ndarray


class Draw(NamedTuple):
    """Places of uncertain shares in their likely range: from 0, the worst for fish, to 1; 0.5 is as stated."""

    turbine: float = 0.5
    guidance: float = 0.5
    bypass: float = 0.5


AS_STATED = Draw()


# From the worst to the best of a range, by way of the stated value at the middle.
def _within(worst, stated, best, place):
    return np.where(
        place < 0.5, worst + 2.0 * place * (stated - worst), stated + (2.0 * place - 1.0) * (best - stated)
    )


def as_built_share(turbine, length_m, unit_flow_m3s, head_net_m, relative_flow, draw=AS_STATED):
    """Share of fish of one length that survive a turbine.

    Parameters
    ----------
    turbine : sitefinder.catalogue.turbines.TurbineClass or HydrokineticRotor
    length_m : float
        Body length [m].
    unit_flow_m3s, head_net_m : ndarray of float64, shape (n,)
        Design flow of one unit [m³/s], and net head [m].
    relative_flow : float
        Share of the design flow at which strikes are counted.
    draw : Draw

    Returns
    -------
    ndarray of float64, shape (n,)
    """
    law = getattr(turbine, "strike", None)
    unit_flow_m3s = np.asarray(unit_flow_m3s, dtype=float)
    if law is None:
        low, high = turbine.survival.likely_range
        return np.broadcast_arrays(_within(low, turbine.survival.share, high, draw.turbine), unit_flow_m3s)[0]
    head_m = np.maximum(np.asarray(head_net_m, dtype=float), LEAST_HEAD_M)
    struck = strikes_at_one_m3s(turbine, head_m, relative_flow) * length_m / np.sqrt(unit_flow_m3s)
    low, high = law.correlation_range
    killing = _within(high, law.deaths_per_strike(length_m), low, draw.turbine)
    return 1.0 - np.minimum(killing * struck, 1.0)


def von_raben_share(turbine, length_m, unit_flow_m3s, head_net_m, relative_flow):
    """`as_built_share` by the model of von Raben, for comparison; NaN without axial blades."""
    law = getattr(turbine, "strike", None)
    if law is None:
        return np.full(np.shape(unit_flow_m3s), np.nan)
    head_m = np.maximum(np.asarray(head_net_m, dtype=float), LEAST_HEAD_M)
    struck = strikes_at_one_m3s(turbine, head_m, relative_flow, von_raben_strikes) * length_m
    return 1.0 - np.minimum(VON_RABEN_MUTILATION * struck / np.sqrt(unit_flow_m3s), 1.0)


def screened_share(screen, length_m, thickness_share, as_built, draw=AS_STATED):
    """Share of fish of one length that survive a turbine behind a screen.

    Parameters
    ----------
    screen : sitefinder.catalogue.screens.Screen
    length_m, thickness_share : float
        Body length [m], and thickness across as a share of it.
    as_built : float or ndarray
        Share that survive the turbine.
    draw : Draw

    Returns
    -------
    float or ndarray
        Guidance · survival of the bypass + (1 - guidance) · survival of the turbine. Fish that do not fit between
        the bars do not reach the turbine: those that come down take the bypass, and others are kept back, which is
        a delay and not counted here.
    """
    low, high = screen.bypass_survival_range
    bypass = _within(low, screen.bypass_survival, high, draw.bypass)
    if not screen.fits_between(length_m, thickness_share):
        return np.broadcast_arrays(bypass, as_built)[0]
    low, high = screen.guidance_range(length_m)
    guided = _within(low, screen.guided(length_m), high, draw.guidance)
    return guided * bypass + (1.0 - guided) * np.asarray(as_built)


def turbine_grade(turbine, length_m):
    """Grade of evidence for a turbine and a body length [m]: a trial counts for the lengths that it was made with.

    Returns
    -------
    int
        Place in the list of grades; outside the trials there is no evidence.
    """
    if getattr(turbine, "strike", None) is not None:
        return GRADES.index(MODELLED.name)
    stated = turbine.survival
    if stated.evidence == TESTED.name and not covers(stated.trials, length_m):
        return NO_EVIDENCE
    return GRADES.index(stated.evidence)


def screen_grade(screen, length_m, thickness_share):
    """Grade of evidence for the guidance of a body length; fish too wide for the bars need no trial."""
    if covers(screen.trials, length_m):
        return GRADES.index(TESTED.name)
    return NO_EVIDENCE if screen.fits_between(length_m, thickness_share) else GRADES.index(MODELLED.name)


# Grade of a group behind the screen; what is never in the turbine needs no evidence for it.
def _screened_grade(turbine, screen, length_m, thickness_share):
    own = screen_grade(screen, length_m, thickness_share)
    return max(own, turbine_grade(turbine, length_m)) if screen.fits_between(length_m, thickness_share) else own


def survival_by_group(
    turbines, screen, fish, number, unit_flow_m3s, head_net_m, draw=AS_STATED, share=as_built_share
):
    """Survival of each group of fish at plants.

    Parameters
    ----------
    turbines : list of TurbineClass or HydrokineticRotor
    screen : sitefinder.catalogue.screens.Screen or None
    fish : sitefinder.settings.FishSettings
    number : array of int, shape (n,)
        Place of each plant's turbine in the list; -1 for none.
    unit_flow_m3s, head_net_m : array of float64, shape (n,)
        Design flow of one unit [m³/s], and net head on the survey day, without the loss of a fine screen [m].
    draw : Draw
    share : callable
        `as_built_share`.

    Returns
    -------
    Survival
        NaN and -1 where there is no turbine.
    """
    number = np.asarray(number, dtype=np.int64)
    unit_flow_m3s, head_net_m = (np.asarray(part, dtype=float) for part in (unit_flow_m3s, head_net_m))
    groups = fish.migrating
    shape = (len(number), len(groups))
    found = Survival(*np.full((2, *shape), np.nan), *np.full((2, *shape), -1, dtype=np.int64))
    for each in np.unique(number[number >= 0]).tolist():
        rows, turbine = np.flatnonzero(number == each), turbines[each]
        for column, group in enumerate(groups):
            if not group.goes_down:
                continue
            of_lengths = [
                _of_length(turbine, screen, group, length, unit_flow_m3s[rows], head_net_m[rows], fish, draw)
                for length in group.lengths_m
            ]
            for into, parts in zip(found, zip(*of_lengths, strict=True), strict=True):
                worst = np.min if into.dtype.kind == "f" else np.max
                into[rows, column] = worst(np.array(parts), axis=0)
    return found


# Both shares and both grades of one body length.
def _of_length(turbine, screen, group, length_m, unit_flow_m3s, head_net_m, fish, draw):
    own = as_built_share(turbine, length_m, unit_flow_m3s, head_net_m, fish.relative_flow, draw)
    grade = np.full(own.shape, turbine_grade(turbine, length_m))
    if screen is None or not takes_screen(turbine):
        return own, own, grade, grade
    behind = screened_share(screen, length_m, group.thickness_share, own, draw)
    return (
        own,
        behind,
        grade,
        np.full(own.shape, _screened_grade(turbine, screen, length_m, group.thickness_share)),
    )


def takes_screen(turbine):
    """Whether a screen can stand in front of a turbine; not in the open stream."""
    return hasattr(turbine, "head_range_m")


def of_plants(survival, screened):
    """Share and grade of each group at plants with or without a screen.

    Parameters
    ----------
    survival : Survival
        Of n plants.
    screened : array of bool, shape (n,)

    Returns
    -------
    share : ndarray of float64, shape (n, groups)
    grade : ndarray of int64, shape (n, groups)
    """
    with_screen = np.asarray(screened, dtype=bool)[:, None]
    return (
        np.where(with_screen, survival.screened, survival.as_built),
        np.where(with_screen, survival.grade_screened, survival.grade_as_built),
    )


def worst_of_groups(share, grade, fish):
    """What decides at each plant: the group with the smallest margin above its bar.

    Parameters
    ----------
    share, grade : ndarray, shape (n, groups)
        See `of_plants`; NaN and -1 without a turbine, and of groups that do not go downstream.
    fish : sitefinder.settings.FishSettings

    Returns
    -------
    group : ndarray of int64, shape (n,)
        Place of the group; -1 where no group goes downstream, or there is no turbine.
    survival : ndarray of float64, shape (n,)
        Its share; 1 where no group goes downstream, and NaN without a turbine.
    weakest : ndarray of int64, shape (n,)
        Weakest grade of the groups that go downstream; -1 without a turbine.
    """
    bars = np.array([fish.bar_of(group) for group in fish.migrating])
    if not any(group.goes_down for group in fish.migrating):
        return np.full(len(share), -1), np.ones(len(share)), np.zeros(len(share), dtype=np.int64)
    margin = np.where(np.isnan(share), np.inf, share - bars)
    group = margin.argmin(axis=1)
    known = np.isfinite(margin).any(axis=1)
    return np.where(known, group, -1), share[np.arange(len(share)), group], grade.max(axis=1)


def meets_bar(share, grade, fish):
    """Whether each group's share meets its bar with evidence that counts; arguments as `worst_of_groups`.

    Returns
    -------
    ndarray of bool, shape (n, groups)
        True for groups that do not go downstream; False without a turbine.
    """
    bars = np.array([fish.bar_of(group) for group in fish.migrating])
    down = np.array([group.goes_down for group in fish.migrating], dtype=bool)
    counts = np.array([name in fish.evidence for name in GRADES])
    with np.errstate(invalid="ignore"):
        meets = (share >= bars - ROUNDING) & counts[grade]
    return meets | ~down


def prob_safe(turbines, screen, fish, number, unit_flow_m3s, head_net_m, screened, draws):
    """Probability that plants are fish-safe, by the likely ranges of what is uncertain.

    Parameters
    ----------
    turbines, screen, fish, number, unit_flow_m3s, head_net_m
        As `survival_by_group`.
    screened : array of bool, shape (n,)
    draws : Draw of ndarray of float64, shape (simulations,)
        Places in the ranges, the same for all plants: an error of a class is that of all its plants.

    Returns
    -------
    group : ndarray of float64, shape (n, groups)
        Share of the simulations in which a group meets its bar; 0 where its evidence does not count.
    all_groups : ndarray of float64, shape (n,)
        Share in which all do; NaN without a turbine.
    """
    groups, counts = fish.migrating, [name in fish.evidence for name in GRADES]
    each, together = np.full((len(number), len(groups)), np.nan), np.full(len(number), np.nan)
    for row in np.flatnonzero(np.asarray(number) >= 0).tolist():
        turbine, has_screen = turbines[int(number[row])], bool(screened[row]) and screen is not None
        meets = np.ones((len(groups), len(draws.turbine)), dtype=bool)
        for place, group in enumerate(groups):
            for length in group.lengths_m if group.goes_down else ():
                plant = unit_flow_m3s[row], head_net_m[row]
                share = as_built_share(turbine, length, *plant, fish.relative_flow, draws)
                grade = turbine_grade(turbine, length)
                if has_screen:
                    share = screened_share(screen, length, group.thickness_share, share, draws)
                    grade = _screened_grade(turbine, screen, length, group.thickness_share)
                meets[place] &= (share >= fish.bar_of(group) - ROUNDING) & counts[grade]
        each[row], together[row] = meets.mean(axis=1), meets.all(axis=0).mean()
    return each, together


def drawn_places(seed, simulations):
    """Places in the likely ranges, drawn for `prob_safe`: both halves of a range are equally likely.

    Returns
    -------
    Draw of ndarray of float64, shape (simulations,)
    """
    stream = np.random.SeedSequence(seed, spawn_key=(FISH_STREAM,))
    return Draw(*np.random.Generator(np.random.Philox(stream)).random((len(Draw._fields), simulations)))


def classes_that_may_be_safe(turbines, screen, fish):
    """Classes of which some size is fish-safe, as built and with the screen: what a grade of evidence changes.

    Parameters
    ----------
    turbines, screen, fish
        As `least_safe_flow`.

    Returns
    -------
    tuple of bool
        Of each class as built, then of each with the screen. The sizes themselves do not depend on grades.
    """
    flows = least_safe_flow(turbines, screen, fish, np.ones(1))
    return tuple(bool(is_safe) for flow in flows for is_safe in np.isfinite(flow[0]))


def least_safe_flow(turbines, screen, fish, head_net_m):
    """Design flow of one unit from which on a class is fish-safe, by the net head.

    Parameters
    ----------
    turbines : list of TurbineClass
    screen : sitefinder.catalogue.screens.Screen or None
    fish : sitefinder.settings.FishSettings
    head_net_m : ndarray of float64, shape (n,)
        Net head [m].

    Returns
    -------
    as_built, screened : ndarray of float64, shape (n, classes)
        [m³/s]: 0 where every size is safe, infinite where none is.

    Notes
    -----
    The inverse of `survival_by_group`: strikes fall with the square root of the unit's flow. For the worst body
    length of the worst group.
    """
    head_m = np.maximum(np.asarray(head_net_m, dtype=float), LEAST_HEAD_M)
    found = np.zeros((2, len(head_m), len(turbines)))
    counts = [name in fish.evidence for name in GRADES]
    for number, turbine in enumerate(turbines):
        per_metre = None
        if turbine.strike is not None:
            per_metre = strikes_at_one_m3s(turbine, head_m, fish.relative_flow)
        for group in (group for group in fish.migrating if group.goes_down):
            bar = fish.bar_of(group) - ROUNDING
            for length in group.lengths_m:
                flow = np.full(len(head_m), np.inf)
                if counts[turbine_grade(turbine, length)]:
                    flow = _flow_for(turbine, per_metre, length, bar, len(head_m))
                found[0, :, number] = np.maximum(found[0, :, number], flow)
                flow = np.full(len(head_m), np.inf)
                if screen is not None and counts[_screened_grade(turbine, screen, length, group.thickness_share)]:
                    flow = _flow_for(
                        turbine,
                        per_metre,
                        length,
                        _behind(screen, length, group.thickness_share, bar),
                        len(head_m),
                    )
                found[1, :, number] = np.maximum(found[1, :, number], flow)
    return found[0], found[1]


# Share that must survive the turbine for a bar behind the screen; 0 where the bar is met whatever the turbine
# does,
# and infinite where no turbine is good enough.
def _behind(screen, length_m, thickness_share, bar):
    if not screen.fits_between(length_m, thickness_share):
        return 0.0 if screen.bypass_survival >= bar else np.inf
    guided = screen.guided(length_m)
    missing = bar - guided * screen.bypass_survival
    if missing <= 0.0:
        return 0.0
    return missing / (1.0 - guided) if guided < 1.0 else np.inf


# Least flow of a unit [m³/s] with which this share survives the turbine, shape (count,).
def _flow_for(turbine, per_metre, length_m, share, count):
    if per_metre is None:
        return np.full(count, 0.0 if turbine.survival.share >= share else np.inf)
    if share <= 0.0:
        return np.zeros(count)
    if share >= 1.0:
        return np.full(count, np.inf)
    return (per_metre * length_m * turbine.strike.deaths_per_strike(length_m) / (1.0 - share)) ** 2
