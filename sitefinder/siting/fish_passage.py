"""Passage of migrating fish past all plants and barriers, both ways, and what fish-safe turbines gain."""

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.sparse import csr_array

from sitefinder.compiled import kernel
from sitefinder.network.catchments import carried_down
from sitefinder.rules.verdicts import AS_BUILT_MAY, NONE_MAY, SAFE_MAY
from sitefinder.schema import is_scheme_that
from sitefinder.schema.columns import EVIDENCE
from sitefinder.vocabulary import AS_BUILT_SAFETY, IN_ONE_CELL

# A product of survivals below the minimum by less than this share of it meets it, since that is rounding.
ROUNDING = 1.0e-9


class MigrationPath(NamedTuple):
    """Requirements of fish migration on the selection of sites.

    ``spawning``: bool, shape (n,), stations whose segment has spawning ground. ``past_plants``: float64, shape
    (n,), share of fish that survive the existing plant that they enter at a station, 1 where there is none.
    ``survival``: float64, shape (m, 3), the share that survive each candidate with any turbine, with a fish-safe
    one and with one that is fish-safe as built, as far as there is evidence. ``minimum``: the minimum cumulative
    survival along a migration
    path, None where there is none.
    """

    spawning: np.ndarray
    past_plants: np.ndarray
    survival: np.ndarray
    minimum: float | None


def entered_at(scheme_type, intake, tailrace):
    """Station at which fish migrating downstream enter each stretch.

    Parameters
    ----------
    scheme_type : array of str, shape (m,)
    intake, tailrace : ndarray of int, shape (m,)

    Returns
    -------
    ndarray of int32, shape (m,)
        The intake. At an existing barrier the tailrace: the barrier is somewhere on the segment above it, and
        fish of that segment count as coming from upstream, to be on the safe side.
    """
    return np.where(is_scheme_that(scheme_type, "uses_structure"), tailrace, intake).astype(np.int32)


def survival_to_outlet(downstream, entered, survival):
    """Share of fish that survive from each station down to the outlet of its network.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    entered : ndarray of int, shape (k,)
        Station at which each plant is entered.
    survival : ndarray of float64, shape (k,) or (k, groups)
        Share that survive it, of each group of fish.

    Returns
    -------
    ndarray of float64, shape (n,) or (n, groups)
        The product over all plants entered at the station or below.

    Notes
    -----
    Every fish counts as passing through every turbine on its path; none is credited for passing over a weir or
    along the depleted reach, since their number is not known from a map. Plants are taken as independent.

    With the shares that get up each barrier it gives the share of fish that reach a station from the outlet. A
    barrier stands somewhere on the segment above its station, and counts for all of that segment, to be on the
    safe side in both directions.

    Examples
    --------
    Five plants in a row, of which each lets 95 of 100 fish live:

    >>> downstream = np.array([1, 2, 3, 4, -1], dtype=np.int32)
    >>> float(survival_to_outlet(downstream, np.arange(5), np.full(5, 0.95))[0].round(3))
    0.774
    """
    at_station = at_stations(len(downstream), entered, survival)
    columns = at_station.reshape(len(at_station), -1)
    found = _down_to_outlet(np.ascontiguousarray(downstream, dtype=np.int32), columns)
    return found.reshape(at_station.shape)


def at_stations(count, station, share):
    """Product of the shares of fish that pass what stands at each station.

    Parameters
    ----------
    count : int
        Number of stations, n.
    station : ndarray of int, shape (k,)
    share : ndarray of float64, shape (k,) or (k, groups)

    Returns
    -------
    ndarray of float64, shape (n,) or (n, groups)
        1 where nothing stands.
    """
    share = np.asarray(share, dtype=np.float64)
    product = np.ones((count, *share.shape[1:]))
    np.multiply.at(product, np.asarray(station, dtype=np.int64), share)
    return product


# From the outlets up.
@kernel
def _down_to_outlet(downstream, at_station):
    total = at_station.copy()
    for i in range(downstream.size - 1, -1, -1):
        if downstream[i] >= 0:
            for group in range(total.shape[1]):
                total[i, group] *= total[downstream[i], group]
    return total


def weighted_above(downstream, length_m, at_station):
    """Length of stream at and above each station, each metre weighted by the share of fish that pass to it.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
    length_m : ndarray of float64, shape (n,)
        Length of each station's segment [m].
    at_station : ndarray of float64, shape (n, groups)
        See `at_stations`.

    Returns
    -------
    ndarray of float64, shape (n, groups)
        [m] Sum over the station and all above it of the length times the product of the shares at the stations
        between, those at the station itself left out. What a change of the station's own share does to the whole
        network follows without another pass: this, times the change, times the share of fish that come up to it.

    Examples
    --------
    Two tributaries of 100 m, one behind a weir that half of the fish pass, join above 50 m of river:

    >>> downstream = np.array([2, 2, -1], dtype=np.int32)
    >>> weighted_above(downstream, np.array([100.0, 100.0, 50.0]), np.array([[0.5], [1.0], [0.2]])).ravel()
    array([100., 100., 200.])
    """
    downstream = np.ascontiguousarray(downstream, dtype=np.int32)
    return _weighted(downstream, np.asarray(length_m, dtype=np.float64), np.asarray(at_station, dtype=np.float64))


# Downstream loop.
@kernel
def _weighted(downstream, length_m, at_station):
    total = np.empty(at_station.shape)
    for i in range(downstream.size):
        total[i, :] = length_m[i]
    for i in range(downstream.size):
        below = downstream[i]
        if below >= 0:
            for group in range(total.shape[1]):
                total[below, group] += at_station[i, group] * total[i, group]
    return total


def plants_to_outlet(downstream, entered):
    """Number of plants that fish pass from each station down to the outlet of its network.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
    entered : ndarray of int, shape (k,)
        Station at which each plant is entered.

    Returns
    -------
    ndarray of int64, shape (n,)

    Examples
    --------
    >>> plants_to_outlet(np.array([1, 2, -1], dtype=np.int32), [1, 1, 2]).tolist()
    [3, 3, 1]
    """
    at_station = np.bincount(np.asarray(entered, dtype=np.int64), minlength=downstream.size)
    return _counted_to_outlet(np.ascontiguousarray(downstream, dtype=np.int32), at_station)


# From the outlets up.
@kernel
def _counted_to_outlet(downstream, at_station):
    total = at_station.copy()
    for i in range(downstream.size - 1, -1, -1):
        if downstream[i] >= 0:
            total[i] += total[downstream[i]]
    return total


def fish_losses(downstream, entered, migration):
    """What each option of a candidate takes of the fish of each spawning ground, as a limit on sums.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
    entered : ndarray of int, shape (m,)
        Station at which each candidate is entered.
    migration : MigrationPath
        With a minimum survival.

    Returns
    -------
    amounts : sparse array of float64, shape (k, 2 m)
        Negative logarithm of the survival past each candidate, first with any turbine, then with a fish-safe one,
        for the fish of each spawning station without another upstream; infinite where none survive. Fish of
        stations further down pass fewer plants.
    maximum : ndarray of float64, shape (k,)
        What the minimum allows, less what existing plants take; 0 where they take more.
    """
    spawning = np.asarray(migration.spawning, dtype=bool)
    carried = carried_down(spawning, downstream)
    has_above = np.zeros(len(downstream), dtype=bool)
    above = np.flatnonzero(carried & (downstream >= 0))
    has_above[downstream[above]] = True
    grounds = np.flatnonzero(spawning & ~has_above)
    with np.errstate(divide="ignore"):
        loss = -np.log(np.minimum(migration.survival, 1.0))
    order = np.argsort(entered, kind="stable")
    first = np.searchsorted(np.asarray(entered)[order], np.arange(len(downstream) + 1))
    rows, columns = [], []
    for row, ground in enumerate(grounds.tolist()):
        station = ground
        while station >= 0:
            own = order[first[station] : first[station + 1]]
            rows.append(np.full(len(own), row))
            columns.append(own)
            station = int(downstream[station])
    row, column = (
        np.concatenate([np.zeros(0, dtype=np.int64), *parts]).astype(np.int64) for parts in (rows, columns)
    )
    count = len(entered)
    entries = np.concatenate([loss[column, 0], loss[column, 1]])
    where = np.tile(row, 2), np.concatenate([column, column + count])
    passed = survival_to_outlet(downstream, np.arange(len(downstream)), migration.past_plants)[grounds]
    maximum = -np.log(migration.minimum) + ROUNDING + np.log(np.maximum(passed, 1e-300))
    return csr_array((entries, where), shape=(len(grounds), 2 * count)), np.maximum(maximum, 0.0)


def worst_from_above(downstream, spawning, survival):
    """The spawning ground at or upstream of each station from which the fewest fish survive.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
    spawning : ndarray of bool, shape (n,)
    survival : ndarray of float64, shape (n,)
        From each station to the outlet, see `survival_to_outlet`.

    Returns
    -------
    ndarray of int64, shape (n,)
        Its station, -1 without spawning ground upstream; of equals the lowest number.

    Examples
    --------
    >>> downstream, spawning = np.array([2, 2, -1], dtype=np.int32), np.array([True, True, False])
    >>> worst_from_above(downstream, spawning, np.array([0.8, 0.5, 1.0]))
    array([0, 1, 1])
    """
    worst = np.where(spawning, np.arange(downstream.size), -1)
    return _carried_worst(np.ascontiguousarray(downstream, dtype=np.int32), worst, survival)


# Downstream loop.
@kernel
def _carried_worst(downstream, worst, survival):
    carried = worst.copy()
    for i in range(downstream.size):
        below, own = downstream[i], carried[i]
        if below < 0 or own < 0:
            continue
        other = carried[below]
        is_worse = other < 0 or survival[own] < survival[other]
        if is_worse or (survival[own] == survival[other] and own < other):
            carried[below] = own
    return carried


WITH_SCREEN = " with screen"


def grades_counted(weakest):
    """Grades of evidence that count where the given one is the weakest accepted, best first.

    Examples
    --------
    >>> grades_counted("claimed")
    ['tested', 'modelled', 'claimed']
    """
    return list(EVIDENCE[: EVIDENCE.index(weakest) + 1])


def without_fish_safe(choice):
    """The turbine choice of each stretch if no turbine counted as fish-safe.

    Parameters
    ----------
    choice : ndarray of int8, shape (m,)
        See `sitefinder.rules.verdicts.admissible`.

    Returns
    -------
    ndarray of int8, shape (m,)
        -1 where only a fish-safe turbine may be used.
    """
    return np.where(choice >= SAFE_MAY, NONE_MAY, choice).astype(choice.dtype)


# How much lower and higher the bar of survival is taken, to say what it decides: one point either way.
BAR_CHANGES = (-0.01, 0.01)


class SafetyCase(NamedTuple):
    """One way to judge what is fish-safe.

    ``question`` that rules ask, of `sitefinder.vocabulary.FISH_SAFETIES`; ``evidence``, the weakest grade that
    counts;
    ``bar_change``, what the bars of all groups are raised by, 0 for the stated ones.
    """

    question: str
    evidence: str
    bar_change: float = 0.0


def with_bars(fish, change):
    """The settings of fish with the bars of all groups raised, within 0 and 1.

    Parameters
    ----------
    fish : sitefinder.settings.FishSettings
    change : float
        As a share; negative lowers them.

    Returns
    -------
    sitefinder.settings.FishSettings
    """
    groups = [
        group.model_copy(update={"min_survival": min(max(fish.bar_of(group) + change, 0.0), 1.0)})
        for group in fish.migrating
    ]
    return fish.model_copy(update={"groups": groups})


def weakest_counted(fish):
    """The weakest grade of evidence that counts in the settings."""
    return max(fish.evidence, key=EVIDENCE.index)


def fish_cases(fish):
    """Cases that fish safety is judged by: each grade of evidence with the stated bars, and other bars.

    Parameters
    ----------
    fish : sitefinder.settings.FishSettings

    Returns
    -------
    list of (str, float)
        The weakest grade of evidence that counts, and the change of the bars.
    """
    own = weakest_counted(fish)
    return [*((grade, 0.0) for grade in EVIDENCE), *((own, change) for change in BAR_CHANGES)]


def judged_by(fish, grade, change):
    """The settings of fish for one of `fish_cases`; with the weakest stated grade, those that are stated count."""
    if change:
        return with_bars(fish, change)
    counted = fish.evidence if grade == weakest_counted(fish) else grades_counted(grade)
    return fish.model_copy(update={"evidence": counted})


def as_asked(choice, question, own):
    """The turbine choice of each stretch if all rules for fish-safe turbines asked one question.

    Parameters
    ----------
    choice : ndarray of int8, shape (m,)
        As the rules ask, see `sitefinder.rules.verdicts.admissible`.
    question, own : str
        Names of the question, and of the one that ``fish.safe`` states, of `sitefinder.vocabulary.FISH_SAFETIES`.

    Returns
    -------
    ndarray of int8, shape (m,)
        Unchanged where the question is the stated one.
    """
    if question == own:
        return choice
    asked = AS_BUILT_MAY if question == AS_BUILT_SAFETY.name else SAFE_MAY
    return np.where(choice >= SAFE_MAY, asked, choice).astype(choice.dtype)


def gain_by_district(names, district, only_safe, without, by_case, own, turbine_names):
    """Selections with and without fish-safe turbines, totalled by district and grade of evidence.

    Parameters
    ----------
    names : sequence of str
        Districts, in the order of the rows.
    district : ndarray of str, shape (m,)
        District of each candidate.
    only_safe : ndarray of bool, shape (m,)
        Candidates at which the rules admit only a fish-safe turbine.
    without : BestSet
        The selection if no turbine counted as fish-safe.
    by_case : dict of SafetyCase to BestSet
        The selection for each case.
    own : SafetyCase
        The one that the settings state, or come nearest to.
    turbine_names : ndarray of str
        By the number of the class.

    Returns
    -------
    DataFrame
        A row for each district and case: ``district``, ``question``, ``evidence``, ``bar_change``, ``sites_any``,
        ``energy_any_mwh``,
        ``sites``, ``sites_changed`` (of the own case, that are not there or are other plants), ``energy_mwh``,
        ``sites_only_safe``, ``power_only_safe_kw``, ``energy_only_safe_mwh``,
        ``gain_mwh``, ``turbines`` (classes chosen where only fish-safe ones may be used, by name).

    Notes
    -----
    The two measures differ. ``energy_only_safe_mwh`` is the energy where only fish-safe turbines may be used;
    ``gain_mwh`` is the gain of the whole selection, which is less where a site on a protected stretch displaces a
    neighbour that any turbine could use. Both selections are the best by the user's criterion, so that energy need
    not gain everywhere where sites are chosen by net annual value.
    """
    rows = []
    of_own = district[by_case[own].candidates]
    is_other = {case: _is_other(by_case[own], sites) for case, sites in by_case.items()}
    for name in names:
        any_set = district[without.candidates] == name
        any_mwh = without.valued["energy_mwh"].to_numpy()[any_set].sum()
        own_set = of_own == name
        for case, sites in by_case.items():
            picked = district[sites.candidates] == name
            protected = picked & only_safe[sites.candidates]
            energy = sites.valued["energy_mwh"].to_numpy()
            plants = (sites.valued[name].to_numpy()[protected].tolist() for name in ("turbine", "screened"))
            used = dict.fromkeys(zip(*plants, strict=True))
            turbines = [turbine_names[turbine] + WITH_SCREEN * bool(screened) for turbine, screened in used]
            rows.append(
                {
                    "district": name,
                    **case._asdict(),
                    "sites_any": int(any_set.sum()),
                    "energy_any_mwh": any_mwh,
                    "sites": int(picked.sum()),
                    "sites_changed": int((is_other[case] & own_set).sum()),
                    "energy_mwh": energy[picked].sum(),
                    "sites_only_safe": int(protected.sum()),
                    "power_only_safe_kw": sites.valued["power_kw"].to_numpy()[protected].sum(),
                    "energy_only_safe_mwh": energy[protected].sum(),
                    "gain_mwh": energy[picked].sum() - any_mwh,
                    "turbines": IN_ONE_CELL.join(sorted(turbines)),
                }
            )
    return pd.DataFrame(rows)


# Sites of a selection that another one does not have, or has with another turbine or screen.
def _is_other(sites, other):
    _, own, there = np.intersect1d(sites.candidates, other.candidates, return_indices=True)
    same = np.zeros(len(sites.candidates), dtype=bool)
    same[own] = True
    for name in ("turbine", "screened"):
        same[own] &= sites.valued[name].to_numpy()[own] == other.valued[name].to_numpy()[there]
    return ~same
