"""The screening cascade from gross to open potential, totals in whole numbers, and distributions."""

import math
from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.units import (
    HOURS_PER_YEAR,
    KILOWATTS_PER_MEGAWATT,
    MEGAWATT_HOURS_PER_GIGAWATT_HOUR,
    METRES_PER_KILOMETRE,
)
from sitefinder.vocabulary import ACTIONS, BARS_ALL, DOUBT, named

AMOUNTS = ("reaches", "km", "mw", "gwh")
IN_ORDER, ALONE = "in order", "alone"


class Step(NamedTuple):
    """A step of the screening cascade.

    ``met`` and ``barred``, bool of shape (n,), are the reaches that it affects and excludes; ``rule`` and
    ``action`` are empty where the step is not a rule.
    """

    kind: str
    met: np.ndarray
    barred: np.ndarray
    rule: str = ""
    action: str = ""


def rule_steps(rules, held, allow):
    """A step for each rule, in the order of the settings.

    Parameters
    ----------
    rules : list of config.RuleSettings
    held : sitefinder.rules.verdicts.Held
        Which rules hold in each of n reaches.
    allow : list of str
        The run's ``ranking.allow``.

    Returns
    -------
    list of Step
        A rule affects the reaches in which it holds or may hold. It excludes those in which it excludes every
        scheme type, and those that its layer does not cover, unless ``ranking.allow`` admits them. A reach counts
        as a whole, by the verdict that the rule leads to, never by the metres under the rule.
    """
    steps = []
    for number, rule in enumerate(rules):
        holds, unknown = held.holds[number], held.unknown[number]
        action = named(ACTIONS, rule.action)
        is_barring = action.bars == BARS_ALL and not action.is_allowed(allow)
        counts_unknown = action.limits and not DOUBT.is_allowed(allow)
        barred = (holds & is_barring) | (unknown & counts_unknown)
        steps.append(Step("rule", holds | unknown, barred, rule.display_name, rule.action))
    return steps


def screening_cascade(steps, length_m, theoretical_kw, shares):
    """Totals of what each step affects, excludes and leaves, for the region and each area.

    Parameters
    ----------
    steps : list of Step
        In their order, of n reaches.
    length_m, theoretical_kw : ndarray of float64, shape (n,)
        Length [m] and theoretical potential [kW] of each reach; a potential that is not known (NaN) adds none.
    shares : DataFrame
        ``reach`` (int), ``district`` (text) and ``length_m`` [m] of it there, see `access.lengths_by_district`;
        None where there are no districts.

    Returns
    -------
    DataFrame
        ``scope`` (region, district or outside districts), ``district``, ``way``, ``step`` (from 0), ``kind``,
        ``rule``, ``action``, and for each prefix ``affected``, ``excluded`` and ``remaining``: ``_reaches``,
        ``_km``, ``_mw`` and ``_gwh`` (the power all year). In order, a step affects and excludes among what the
        steps before it leave; alone, a rule does so among all reaches.

    Notes
    -----
    Every figure is a sum over reaches; none is the difference of two others. A reach in several districts counts
    as one in each of them, and the other amounts by its share of length.
    """
    numbers = np.arange(len(length_m))
    pieces = [("region", "", pd.DataFrame({"reach": numbers, "length_m": length_m}))]
    if shares is not None:
        named = [name for name in dict.fromkeys(shares["district"].tolist()) if name]
        pieces += [("district", name, shares[shares["district"] == name]) for name in named]
        pieces.append(("outside districts", "", shares[shares["district"] == ""]))
    rows = []
    for scope, district, piece in pieces:
        reach = piece["reach"].to_numpy(dtype=np.int64)
        part_m = piece["length_m"].to_numpy(dtype=np.float64)
        power_mw = np.nan_to_num(theoretical_kw[reach]) * part_m / length_m[reach] / KILOWATTS_PER_MEGAWATT
        amounts = {
            "reaches": np.ones(len(reach)),
            "km": part_m / METRES_PER_KILOMETRE,
            "mw": power_mw,
            "gwh": power_mw * HOURS_PER_YEAR / MEGAWATT_HOURS_PER_GIGAWATT_HOUR,
        }
        for way in (IN_ORDER, ALONE):
            before = np.ones(len(length_m), dtype=bool)
            for number, step in enumerate(steps):
                if way == ALONE and step.kind != "rule":
                    continue
                groups = {
                    "affected": before & step.met,
                    "excluded": before & step.barred,
                    "remaining": before & ~step.barred,
                }
                row = {"scope": scope, "district": district, "way": way, "step": number, "kind": step.kind}
                row |= {"rule": step.rule, "action": step.action}
                for prefix, group in groups.items():
                    row |= {f"{prefix}_{name}": values[group[reach]].sum() for name, values in amounts.items()}
                rows.append(row)
                if way == IN_ORDER:
                    before = groups["remaining"]
    table = pd.DataFrame(rows)
    counted = [f"{prefix}_reaches" for prefix in ("affected", "excluded", "remaining")]
    return table.astype(dict.fromkeys(counted, "int64"))


def whole(values):
    """Amounts as whole numbers, a half rounded up.

    Parameters
    ----------
    values : array_like of float64, shape (n,)
        Not negative, in the unit that is to be whole; what is not known (NaN) counts as nothing.

    Returns
    -------
    ndarray of int64, shape (n,)

    Examples
    --------
    >>> whole([0.49, 0.5, 12.0, np.nan]).tolist()
    [0, 1, 12, 0]
    """
    return np.floor(np.nan_to_num(np.asarray(values, dtype=np.float64)) + 0.5).astype(np.int64)


def shared(amounts, owner, weights):
    """Whole amounts cut into whole pieces that add up to them, by the method of the largest remainder.

    Parameters
    ----------
    amounts : ndarray of int64, shape (n,)
        What is to be shared.
    owner : ndarray of int64, shape (m,)
        Which amount each piece is of.
    weights : ndarray of float64, shape (m,)
        Share of each part, above 0; those of one amount need not add up to 1.

    Returns
    -------
    ndarray of int64, shape (m,)
        Each piece is its exact share rounded down or up. Of equal remainders the earlier piece is rounded up.

    Notes
    -----
    The method is Hamilton's of apportionment [1]_: every part is rounded down, and the remainder goes, one
    each, to those with the largest remainders.

    References
    ----------
    .. [1] M. L. Balinski and H. P. Young, "Fair Representation: Meeting the Ideal of One Man, One Vote," Yale
       University Press, 1982 (from memory).

    Examples
    --------
    Ten metres by thirds, and seven metres in one part:

    >>> shared(np.array([10, 7]), np.array([0, 0, 0, 1]), np.array([1.0, 1.0, 1.0, 5.0])).tolist()
    [4, 3, 3, 7]
    """
    together = np.bincount(owner, weights=weights, minlength=len(amounts))
    exact = amounts[owner] * (weights / together[owner])
    pieces = np.floor(exact).astype(np.int64)
    left = amounts - np.bincount(owner, weights=pieces, minlength=len(amounts)).astype(np.int64)
    order = np.lexsort((np.arange(len(owner)), pieces - exact, owner))
    first = np.searchsorted(owner[order], owner[order])
    place = np.arange(len(owner)) - first
    pieces[order] += place < left[owner[order]]
    return pieces


# Own choice: three classes to a factor of ten, and no more of them than a diagram shows.
STEPS = (1.0, 2.0, 5.0)
MAX_CLASSES = 12


def class_edges(values):
    """Borders of classes for amounts: 0, and then 1, 2 and 5 times powers of ten.

    Parameters
    ----------
    values : array_like of float64
        Not negative; unknown values (NaN) are ignored.

    Returns
    -------
    ndarray of float64
        The first is 0 and the last above all values; at most `MAX_CLASSES` classes. Empty without a value.

    Examples
    --------
    >>> class_edges([0.0, 0.7, 3.0, 20.0]).tolist()
    [0.0, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0]
    >>> class_edges([0.0]).tolist()
    [0.0, 1.0]
    """
    known = np.asarray(values, dtype=np.float64)
    known = known[np.isfinite(known)]
    if not len(known):
        return np.zeros(0)
    above = known[known > 0]
    if not len(above):
        return np.array([0.0, 1.0])
    decades = range(math.floor(math.log10(above.min())), math.floor(math.log10(above.max())) + 2)
    # Read from text, so that 0.2 is the nearest number to 0.2 and not a product.
    ladder = np.array([float(f"{step:g}e{decade}") for decade in decades for step in STEPS])
    last = np.searchsorted(ladder, above.max(), side="right")
    first = max(np.searchsorted(ladder, above.min(), side="right"), last - MAX_CLASSES + 1)
    return np.concatenate([[0.0], ladder[first : last + 1]])


def distribution(values, length_m, edges):
    """Number and length of what falls into each class.

    Parameters
    ----------
    values, length_m : ndarray of float64, shape (n,)
        Amounts, and the length of stream of each [m]. Unknown amounts (NaN) are left out.
    edges : ndarray of float64
        Of `class_edges`.

    Returns
    -------
    DataFrame
        ``bin`` (from 1), ``from_value`` (in the class), ``to_value`` (no longer in it), ``number`` and
        ``length_m``; a row a class, those without anything included.
    """
    values, length_m = np.asarray(values, dtype=np.float64), np.asarray(length_m, dtype=np.float64)
    known = np.isfinite(values)
    place = np.searchsorted(edges, values[known], side="right") - 1
    classes = max(len(edges) - 1, 0)
    return pd.DataFrame(
        {
            "bin": np.arange(1, classes + 1),
            "from_value": edges[:-1],
            "to_value": edges[1:],
            "number": np.bincount(place, minlength=classes),
            "length_m": np.bincount(place, weights=length_m[known], minlength=classes),
        }
    )
