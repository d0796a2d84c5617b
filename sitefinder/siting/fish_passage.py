"""Survival of migrating fish past all plants, and what fish-safe turbines gain."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.compiled import kernel
from sitefinder.rules.verdicts import NONE_MAY, SAFE_MAY
from sitefinder.schema import is_scheme_that
from sitefinder.schema.columns import EVIDENCE

# A product of survivals that misses the least one by less than this part of it, in rounding, meets it.
ROUNDING = 1.0e-9


class MigrationPath(NamedTuple):
    """What the way of migrating fish asks of the choice of sites.

    ``spawning``: bool, shape (n,), stations whose segment holds spawning ground. ``past_plants``: float64, shape
    (n,), share of fish that survive the existing plant that they enter at a station, 1 where there is none.
    ``survival``: float64, shape (m, 2), the share that survive each candidate with any turbine and with a
    fish-safe one, as far as it is proven. ``least``: the least product that a way may have, None where none is
    asked.
    """

    spawning: np.ndarray
    past_plants: np.ndarray
    survival: np.ndarray
    minimum: float | None


def entered_at(scheme_type, intake, tailrace):
    """Station at which a fish on its way down enters each stretch.

    Parameters
    ----------
    scheme_type : array of str, shape (m,)
    intake, tailrace : ndarray of int, shape (m,)

    Returns
    -------
    ndarray of int32, shape (m,)
        The intake. At an existing barrier the tailrace: the barrier stands somewhere on the segment above it, and
        fish of that segment count as coming from above, to be on the safe side.
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
    survival : ndarray of float64, shape (k,)
        Share that survive it.

    Returns
    -------
    ndarray of float64, shape (n,)
        The product over all plants entered at the station or below.

    Notes
    -----
    Every fish counts as going through every turbine on its way; none is credited for passing over a weir or down
    the stream beside a canal, since how many do so is not known from a map. Plants are taken as independent.

    Examples
    --------
    Five plants in a row, of which each lets 95 of 100 fish live:

    >>> downstream = np.array([1, 2, 3, 4, -1], dtype=np.int32)
    >>> float(survival_to_outlet(downstream, np.arange(5), np.full(5, 0.95))[0].round(3))
    0.774
    """
    here = np.ones(downstream.size)
    np.multiply.at(here, np.asarray(entered, dtype=np.int64), np.asarray(survival, dtype=np.float64))
    return _down_to_outlet(np.ascontiguousarray(downstream, dtype=np.int32), here)


# From the outlets up.
@kernel
def _down_to_outlet(downstream, here):
    total = here.copy()
    for i in range(downstream.size - 1, -1, -1):
        if downstream[i] >= 0:
            total[i] *= total[downstream[i]]
    return total


def plants_to_outlet(downstream, entered):
    """Number of plants that fish meet from each station down to the outlet of its network.

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
    here = np.bincount(np.asarray(entered, dtype=np.int64), minlength=downstream.size)
    return _counted_to_outlet(np.ascontiguousarray(downstream, dtype=np.int32), here)


# From the outlets up.
@kernel
def _counted_to_outlet(downstream, here):
    total = here.copy()
    for i in range(downstream.size - 1, -1, -1):
        if downstream[i] >= 0:
            total[i] += total[downstream[i]]
    return total


def worst_from_above(downstream, spawning, survival):
    """The spawning ground at each station or above it from which least fish come down alive.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
    spawning : ndarray of bool, shape (n,)
    survival : ndarray of float64, shape (n,)
        From each station to the outlet, see `survival_to_outlet`.

    Returns
    -------
    ndarray of int64, shape (n,)
        Its station, -1 where no spawning ground lies above; of equals the lowest number.

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


TURBINE_SEPARATOR, WITH_SCREEN = "; ", " with screen"


def grades_counted(weakest):
    """Grades of evidence that count when the weakest to count is this one, best first.

    Examples
    --------
    >>> grades_counted("claimed")
    ['tested', 'claimed']
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
        None where only a fish-safe turbine may stand.
    """
    return np.where(choice == SAFE_MAY, NONE_MAY, choice).astype(choice.dtype)


def gain_by_district(names, district, only_safe, without, by_grade, turbine_names):
    """Best sets with and without fish-safe turbines, added up by district and grade of evidence.

    Parameters
    ----------
    names : sequence of str
        Districts, in the order of the rows.
    district : ndarray of str, shape (m,)
        District of each candidate.
    only_safe : ndarray of bool, shape (m,)
        Candidates at which the rules admit a fish-safe turbine only.
    without : Offers
        The best set if no turbine counted as fish-safe.
    by_grade : dict of str to Offers
        The best set by the weakest grade of evidence that counts.
    turbine_names : ndarray of str
        By the number of the class.

    Returns
    -------
    DataFrame
        A row for each district and grade: ``district``, ``evidence``, ``sites_any``, ``energy_any_mwh``,
        ``sites``, ``energy_mwh``, ``sites_only_safe``, ``power_only_safe_kw``, ``energy_only_safe_mwh``,
        ``gain_mwh``, ``turbines`` (classes chosen where only fish-safe ones may stand, by name).

    Notes
    -----
    The two measures differ. ``energy_only_safe_mwh`` is what is had where only fish-safe turbines may stand;
    ``gain_mwh`` is by how much the whole set is better for it, which is less where a site on a protected stretch
    takes the place of a neighbour that any turbine could use. Both sets are the best in what the user chooses by,
    so that the energy, which is told here, need not gain everywhere when the choice goes by money.
    """
    rows = []
    for name in names:
        here = district == name
        any_set = without.chosen & here
        any_mwh = without.valued["energy_mwh"].to_numpy()[any_set].sum()
        for grade, offers in by_grade.items():
            picked = offers.chosen & here
            protected = picked & only_safe
            energy = offers.valued["energy_mwh"].to_numpy()
            used = offers.valued.loc[protected, ["turbine", "screened"]].drop_duplicates()
            notes = [turbine_names[row.turbine] + WITH_SCREEN * bool(row.screened) for row in used.itertuples()]
            rows.append(
                {
                    "district": name,
                    "evidence": grade,
                    "sites_any": int(any_set.sum()),
                    "energy_any_mwh": any_mwh,
                    "sites": int(picked.sum()),
                    "energy_mwh": energy[picked].sum(),
                    "sites_only_safe": int(protected.sum()),
                    "power_only_safe_kw": offers.valued["power_kw"].to_numpy()[protected].sum(),
                    "energy_only_safe_mwh": energy[protected].sum(),
                    "gain_mwh": energy[picked].sum() - any_mwh,
                    "turbines": TURBINE_SEPARATOR.join(sorted(notes)),
                }
            )
    return pd.DataFrame(rows)
