"""What a fish-safe machine wins: sites and energy that only it may use, by the grade of its evidence."""

import numpy as np
import pandas as pd

from sitefinder.schema.columns import EVIDENCE
from sitefinder.siting.verdicts import NONE_MAY, SAFE_MAY

MACHINE_SEPARATOR, WITH_SCREEN = "; ", " with screen"


def grades_counted(weakest):
    """Grades of evidence that count when the weakest to count is this one, best first.

    Examples
    --------
    >>> grades_counted("claimed")
    ['tested', 'claimed']
    """
    return list(EVIDENCE[: EVIDENCE.index(weakest) + 1])


def without_fish_safe(choice):
    """The machine choice of each stretch if no machine counted as fish-safe.

    Parameters
    ----------
    choice : ndarray of int8, shape (m,)
        See `sitefinder.siting.verdicts.admissible`.

    Returns
    -------
    ndarray of int8, shape (m,)
        None where only a fish-safe machine may stand.
    """
    return np.where(choice == SAFE_MAY, NONE_MAY, choice).astype(choice.dtype)


def gain_by_district(names, district, only_safe, without, by_grade, machine_names):
    """Best sets with and without fish-safe machines, added up by district and grade of evidence.

    Parameters
    ----------
    names : sequence of str
        Districts, in the order of the rows.
    district : ndarray of str, shape (m,)
        District of each candidate.
    only_safe : ndarray of bool, shape (m,)
        Candidates at which the rules admit a fish-safe machine only.
    without : Offers
        The best set if no machine counted as fish-safe.
    by_grade : dict of str to Offers
        The best set by the weakest grade of evidence that counts.
    machine_names : ndarray of str
        By the number of the class.

    Returns
    -------
    DataFrame
        A row for each district and grade: ``district``, ``evidence``, ``sites_any``, ``energy_any_mwh``,
        ``sites``, ``energy_mwh``, ``sites_only_safe``, ``power_only_safe_kw``, ``energy_only_safe_mwh``,
        ``gain_mwh``, ``machines`` (classes chosen where only fish-safe ones may stand, by name).

    Notes
    -----
    The two measures differ. ``energy_only_safe_mwh`` is what is had where only fish-safe machines may stand;
    ``gain_mwh`` is by how much the whole set is better for it, which is less where a site on a protected stretch
    takes the place of a neighbour that any machine could use. Both sets are the best in what the user chooses by,
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
            used = offers.valued.loc[protected, ["machine", "screened"]].drop_duplicates()
            told = [machine_names[row.machine] + WITH_SCREEN * bool(row.screened) for row in used.itertuples()]
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
                    "machines": MACHINE_SEPARATOR.join(sorted(told)),
                }
            )
    return pd.DataFrame(rows)
