"""From everything measured down to what is open: totals of reaches at each step, each summed afresh."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.schema.vocabulary import ACTIONS, BARS_ALL, DOUBT, named
from sitefinder.units import (
    HOURS_PER_YEAR,
    KILOWATTS_PER_MEGAWATT,
    MEGAWATT_HOURS_PER_GIGAWATT_HOUR,
    METRES_PER_KILOMETRE,
)

AMOUNTS = ("reaches", "km", "mw", "gwh")
IN_ORDER, ALONE = "in order", "alone"


class Step(NamedTuple):
    """A step of the waterfall.

    ``met`` and ``barred``, bool of shape (n,), are the reaches that it concerns and that it bars; ``rule`` and
    ``action`` are empty where it is no rule.
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
    held : sitefinder.siting.verdicts.Held
        Which rules hold in each of n reaches.
    allow : list of str
        The run's ``ranking.allow``.

    Returns
    -------
    list of Step
        A rule affects the reaches in which it holds or may hold. It excludes those in which it bars every scheme
        type, and those of which its layer says nothing, unless ``ranking.allow`` lets them pass. A reach is taken
        as a whole, by the verdict that the rule leads to, never by the metres under the rule.
    """
    steps = []
    for number, rule in enumerate(rules):
        holds, unknown = held.holds[number], held.unknown[number]
        action = named(ACTIONS, rule.action)
        is_barring = action.bars == BARS_ALL and not action.is_allowed(allow)
        counts_unknown = action.limits and not DOUBT.is_allowed(allow)
        barred = (holds & is_barring) | (unknown & counts_unknown)
        steps.append(Step("rule", holds | unknown, barred, rule.told_as, rule.action))
    return steps


def waterfall(steps, length_m, theoretical_kw, shares):
    """Totals of what each step meets, bars and leaves, in the whole and in each area.

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
        ``rule``, ``action``, and for each prefix ``met``, ``barred`` and ``left``: ``_reaches``, ``_km``, ``_mw``
        and ``_gwh`` (the power all year). In order, a step meets and bars among what the steps before it leave;
        alone, a rule does so among all reaches.

    Notes
    -----
    Every figure is a sum over reaches of its own; none is the difference of two others. A reach that lies in
    several districts counts as one in each of them, with its share by length of the rest.
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
                    "met": before & step.met,
                    "barred": before & step.barred,
                    "left": before & ~step.barred,
                }
                row = {"scope": scope, "district": district, "way": way, "step": number, "kind": step.kind}
                row |= {"rule": step.rule, "action": step.action}
                for prefix, group in groups.items():
                    row |= {f"{prefix}_{name}": values[group[reach]].sum() for name, values in amounts.items()}
                rows.append(row)
                if way == IN_ORDER:
                    before = groups["left"]
    table = pd.DataFrame(rows)
    counted = [f"{prefix}_reaches" for prefix in ("met", "barred", "left")]
    return table.astype(dict.fromkeys(counted, "int64"))
