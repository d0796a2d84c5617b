"""The best set among real candidates on small trees, against all subsets and against greed.

Tributaries join in mid-stretch, canals lose head, ponds of new weirs reach up tributaries, sites keep a spacing.
What a candidate takes is found here again, by walks over the drawn tree, without the code under test.
"""

import functools
from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from small_trees import clashes, random_case, taken_by

from sitefinder.settings import CostSettings, RankingSettings
from sitefinder.settings.run import SelectionSettings
from sitefinder.siting.selection import PREFIXES, VALUED, choose_sites

pytestmark = pytest.mark.slow

CASES_A_SEED = 60


class GivenSettings:
    """The sections that the choice reads."""

    def __init__(self, spacing_m):
        self.costs = CostSettings(file="costs.toml", price_per_kwh=0.3)
        self.selection = SelectionSettings()
        self.ranking = RankingSettings(min_free_flowing_m=spacing_m)


def best_of_all_subsets(value, clash):
    against = [0] * len(value)
    for one, other in clash:
        against[one] |= 1 << other
        against[other] |= 1 << one
    # Each set without overlap as the bits of its candidates, with its value.
    held, total = np.array([0]), np.array([0.0])
    for number, own in enumerate(value):
        free = held & against[number] == 0
        held = np.concatenate([held, held[free] | 1 << number])
        total = np.concatenate([total, total[free] + own])
    return total.max()


def greedy_total(value, clash):
    clash, taken = set(clash), []
    for number in np.argsort(-value, kind="stable").tolist():
        if value[number] > 0 and not any((number, other) in clash or (other, number) in clash for other in taken):
            taken.append(number)
    return value[taken].sum()


@functools.cache
def made_cases(seed):
    """Trees with candidates, their value, the rows of their table, and what each takes; kept for each spacing."""
    rng, cases = np.random.default_rng(seed), []
    for _ in range(CASES_A_SEED):
        stations, profile_m, stretches, value = random_case(rng)
        rows = list(stretches.table.itertuples())
        cases.append((stations, stretches, value, rows, [taken_by(stations, profile_m, row) for row in rows]))
    return cases


@pytest.mark.parametrize("spacing_m", [0.0, 75.0])
@pytest.mark.parametrize("seed", range(3))
def test_the_chosen_set_is_the_best_of_all_subsets(seed, spacing_m):
    seen = {"tributary in mid-stretch": 0, "pond": 0, "pond up a tributary": 0, "canal": 0, "better than greed": 0}
    for stations, stretches, value, rows, pieces in made_cases(seed):
        table = stretches.table
        clash = list(clashes(stations, pieces, rows, spacing_m))
        columns = {prefix + name: np.ones(len(table)) for prefix in PREFIXES for name in VALUED}
        # A fish-safe turbine is one of any, and has no higher value than the best of these.
        valued = pd.DataFrame(columns | dict.fromkeys(("any_net_annual_value", "safe_net_annual_value"), value))

        offers = choose_sites(
            stretches, [], valued, np.zeros(len(table), dtype=int), stations, GivenSettings(spacing_m)
        )

        picked = np.flatnonzero(offers.chosen).tolist()
        assert value[picked].sum() == best_of_all_subsets(value, clash)
        assert not {(one, other) for one, other in combinations(picked, 2)} & set(clash)
        greedy = greedy_total(value, clash)
        assert value[picked].sum() >= greedy
        left = (value > 0) & ~offers.chosen
        assert (offers.blocked_by[left] >= 0).all()
        downstream = stations["downstream"].tolist()
        below = {station for station in downstream if downstream.count(station) > 1}
        seen["tributary in mid-stretch"] += sum(
            1 for row, piece in zip(rows, pieces, strict=True) if below & (piece - {row.tailrace})
        )
        seen["pond"] += sum(
            len(piece) > 1 for piece in np.array(pieces, dtype=object)[table["scheme_type"] == "new_weir"]
        )
        seen["pond up a tributary"] += sum(
            len({downstream[station] for station in piece}) < len(piece) for piece in pieces
        )
        seen["canal"] += int((table["conduit_length_m"] > 0).sum())
        seen["better than greed"] += value[picked].sum() > greedy
    print(seen)
    # The cases are hard enough to say something.
    assert min(seen.values()) >= 5
