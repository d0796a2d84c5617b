"""Luck of the chosen: by how much selection favours heads that were measured too high, from simulated surveys."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.schema import is_scheme_that
from sitefinder.siting.candidates import boundary_of_path
from sitefinder.siting.limits import builds_at_intake, with_free_flow
from sitefinder.siting.selection import ponds_of
from sitefinder.siting.selection_tree import best_picks, by_tailrace_of, trace_upstream

# Luck is counted in whole parts of a standard error, so that sums are exact in any order.
LUCK_UNITS = 2.0**20
# Digits of the mean luck that count [standard errors]: what changes in one river seldom moves another one's heads.
LUCK_DIGITS = 2
# Columns of `luck_of_chosen`.
SITES, LUCK = "sites", "luck"


class Worth(NamedTuple):
    """Value of candidates at their heads [any additive unit], and what a metre of head adds to it; shape (n,)."""

    value: np.ndarray
    value_per_m: np.ndarray


def luck_of_chosen(stretches, stations, errors_m, worth, limits_m, free_m=0.0):
    r"""Luck of the candidates that are chosen in simulated surveys, by scheme type.

    Parameters
    ----------
    stretches : Stretches
        Columns ``head_m``, ``head_se_m``, ``head_uncorrected_m``, ``head_uncorrected_se_m`` [m] and
        ``head_surveyed`` (bool: the head is no difference of the long profile) beside those of its own; m rows.
    stations : DataFrame, n rows
        ``downstream`` and ``to_downstream_m`` [m].
    errors_m : ndarray of float32, shape (n, simulations)
        Simulated errors of the long profile [m]; one column is one survey.
    worth : Worth
        Of each candidate; NaN where no plant fits.
    limits_m : tuple of float
        Minimum and maximum head of a candidate [m].
    free_m : float
        Minimum free-flowing length between sites [m].

    Returns
    -------
    DataFrame
        Index ``scheme_type``: ``sites``, how many were chosen over all surveys, and ``luck``, the sum over them of
        the claimed head less the true one over its standard error. Both are sums, so that those of several
        drainage systems add up.

    Notes
    -----
    A parametric bootstrap [1]_: the heads that the region makes likely are taken for the truth :math:`h`, surveyed
    again with the simulated errors :math:`e`, and the selection is made by what these surveys claim. Where the
    shrinkage of a head took it from :math:`m` to :math:`h` and its standard error from :math:`s` to :math:`t`, it
    takes the new measurement :math:`h + e` to :math:`h + (t/s)^2 (e + h - m)`, since the posterior mean rises with
    the measured head by the ratio of the variances [2]_. The value is linear in the head. Surveyed heads do not
    err here. Rules have no say, so that the luck is the same whatever layers a run has.

    References
    ----------
    .. [1] B. Efron and R. J. Tibshirani, "An introduction to the bootstrap," Chapman & Hall, 1993 (from memory).
    .. [2] B. Efron, "Tweedie's formula and selection bias," J. Amer. Statist. Assoc., vol. 106, pp. 1602-1614,
       2011.
    """
    table = stretches.table
    head_m, se_m, found_m, found_se_m = (
        table[name].to_numpy(dtype=np.float64)
        for name in ("head_m", "head_se_m", "head_uncorrected_m", "head_uncorrected_se_m")
    )
    errs = ~table["head_surveyed"].to_numpy(dtype=bool) & (se_m > 0.0)
    kept = np.divide(se_m, found_se_m, out=np.zeros(len(table)), where=errs) ** 2
    downstream = stations["downstream"].to_numpy().astype(np.int32)
    intake, tailrace = (table[name].to_numpy().astype(np.int32) for name in ("intake", "tailrace"))
    builds = builds_at_intake(table["scheme_type"])
    step_m = stations["to_downstream_m"].to_numpy()
    ponds = with_free_flow(downstream, step_m, intake, *ponds_of(stretches), builds, free_m)
    boundary = boundary_of_path(downstream, intake, tailrace, *ponds)
    order = by_tailrace_of(tailrace, len(downstream))
    times, luck = np.zeros(len(table)), np.zeros(len(table))
    for survey in range(errors_m.shape[1]):
        measured_m = head_m + (errors_m[intake, survey].astype(np.float64) - errors_m[tailrace, survey])
        off_m = np.where(errs, kept * (measured_m - found_m), 0.0)
        claimed_m = head_m + off_m
        low, high = np.minimum(measured_m, claimed_m), np.maximum(measured_m, claimed_m)
        within = ~errs | (low >= limits_m[0]) & (high <= limits_m[1])
        # Neither what is below nothing nor what is not known is picked.
        worth_now = np.where(within, worth.value + worth.value_per_m * off_m, 0.0)
        picked = best_picks(downstream, *order, worth_now, boundary.start, boundary.station)
        chosen = trace_upstream(downstream, picked, boundary.start, boundary.station, len(table))
        times += chosen
        own_luck = np.divide(off_m, se_m, out=np.zeros(len(table)), where=errs)
        luck += np.where(chosen, np.rint(LUCK_UNITS * own_luck) / LUCK_UNITS, 0.0)
    own = pd.DataFrame({"scheme_type": table["scheme_type"].astype(str), SITES: times, LUCK: luck})
    return own[errs].groupby("scheme_type")[[SITES, LUCK]].sum()


def luck_in_heads_m(table, sums, weight_of_all):
    """What of the heads of candidates is the mean luck of those chosen.

    Parameters
    ----------
    table : DataFrame, m rows
        ``scheme_type``, ``head_m``, ``head_se_m`` [m], ``head_surveyed`` and ``weir_height_m`` [m].
    sums : DataFrame
        As `luck_of_chosen` gives them, for the whole region.
    weight_of_all : float
        The mean luck of a scheme type counts by the number of its sites, that of all scheme types by this number.

    Returns
    -------
    ndarray of float64, shape (m,)
        What is to be taken off each head [m]: the mean luck of its scheme type, to two digits, times its standard
        error; never below 0, nothing off a surveyed head, and of a new weir no more than the fall of the stream.
    """
    taken_m = np.zeros(len(table))
    scheme = table["scheme_type"].astype(str)
    sites, luck = (dict(zip(sums.index, sums[name], strict=True)) for name in (SITES, LUCK))
    if not sum(sites.values()) > 0.0:
        return taken_m
    of_all = sum(luck.values()) / sum(sites.values())
    for name in scheme.unique():
        own = (luck.get(name, 0.0) + weight_of_all * of_all) / (sites.get(name, 0.0) + weight_of_all)
        rows = (scheme == name).to_numpy()
        taken_m[rows] = max(round(own, LUCK_DIGITS), 0.0) * table["head_se_m"].to_numpy(dtype=np.float64)[rows]
    taken_m = np.where(table["head_surveyed"].to_numpy(dtype=bool), 0.0, np.nan_to_num(taken_m))
    is_new = is_scheme_that(scheme, "builds_barrier")
    built_m = np.where(is_new, table["weir_height_m"].to_numpy(dtype=np.float64), 0.0)
    return np.minimum(taken_m, np.maximum(table["head_m"].to_numpy(dtype=np.float64) - built_m, 0.0))
