"""The choice within cumulative limits: against all subsets of candidates on small random trees, and made rivers.

What a candidate takes, depletes and leaves free is found here by walks over the drawn tree, as in
`small_trees`, without the code under test.
"""

import functools
import itertools
from typing import NamedTuple

import numpy as np
import pandas as pd
import pytest
from scipy.sparse import csr_array
from small_trees import clashes, ends_above, path_down, random_case, taken_by

from sitefinder.settings import CostSettings, RankingSettings
from sitefinder.settings.run import SelectionSettings
from sitefinder.siting.candidates import Stretches, subset
from sitefinder.siting.fish_passage import MigrationPath
from sitefinder.siting.limited_choice import LimitedChoice, choose_within_limits
from sitefinder.siting.limits import RiverUse
from sitefinder.siting.selection import PREFIXES, VALUED, choose_sites

pytestmark = pytest.mark.slow

CASES_A_SEED = 25
# Free capacity of substations [kW]; a candidate of value v has 10 v.
FREE_KW = {"S1": 12.0, "S2": 3.0, "S3": np.nan}
LIMITS = {
    "free-flowing": {"min_free_flowing_m": 120.0},
    "depleted share": {"max_depleted_share": 0.3},
    "plants": {"max_plants_per_km": 4.0},
    "plants of a water body": {"max_plants_per_water_body": 1},
    "new barriers of a water body": {"max_new_barriers_per_water_body": 0},
    "free capacity": {"within_free_capacity": True},
    "together": {"min_free_flowing_m": 60.0, "max_depleted_share": 0.35, "max_plants_per_km": 5.0},
}


class GivenSettings:
    """The sections that the choice reads."""

    def __init__(self, **ranking):
        self.costs = CostSettings(file="costs.toml", price_per_kwh=0.3)
        self.selection = SelectionSettings()
        self.ranking = RankingSettings(**{"min_free_flowing_m": 0.0, **ranking})


class Case(NamedTuple):
    """A tree with candidates, streams, water bodies and existing plants."""

    stations: pd.DataFrame
    profile_m: np.ndarray
    stretches: Stretches
    value: np.ndarray
    use: RiverUse
    pieces: list
    rows: list


def made_case(rng):
    stations, profile_m, stretches, value = random_case(rng)
    downstream, segment_m = stations["downstream"].to_numpy(), stations["segment_length_m"].to_numpy()
    count = len(stations)
    stream, water_body = np.full(count, -1), np.full(count, -1)
    for station in range(count - 1, -1, -1):
        below = downstream[station]
        new = below < 0 or rng.random() < 0.1
        stream[station] = stream.max() + 1 if new else stream[below]
        water_body[station] = rng.integers(-1, 2) if below < 0 or rng.random() < 0.3 else water_body[below]
    developed = (rng.random(count) < 0.06) & (segment_m > 0)
    pieces = [taken_by(stations, profile_m, row) for row in stretches.table.itertuples()]
    # A run lists no candidate in water that an existing plant uses.
    free = np.array([not developed[list(piece)].any() for piece in pieces], dtype=bool)
    use = RiverUse(stream, water_body, developed, developed & (rng.random(count) < 0.7))
    # Of three substations the last has no known capacity; some candidates have none near.
    near = rng.choice([*FREE_KW, ""], len(stretches.table))
    free_kw = [FREE_KW.get(name, np.nan) for name in near]
    table = stretches.table.assign(substation_id=near.astype(object), substation_free_kw=free_kw)
    stretches = stretches._replace(table=table)
    kept = [piece for piece, is_free in zip(pieces, free, strict=True) if is_free]
    listed = subset(stretches, free)
    return Case(stations, profile_m, listed, value[free], use, kept, list(listed.table.itertuples()))


@functools.cache
def made_cases(seed):
    """Cases of a seed: all that is asked is asked of the same ones."""
    rng = np.random.default_rng([seed, 14])
    return [made_case(rng) for _ in range(CASES_A_SEED)]


@functools.cache
def valued_at(values):
    """The table of candidates of these values: a case is chosen from under many limits."""
    value = np.array(values)
    columns = {prefix + name: np.ones(len(value)) for prefix in PREFIXES for name in VALUED}
    columns |= dict.fromkeys(("any_net_annual_value", "safe_net_annual_value"), value)
    return pd.DataFrame(columns | dict.fromkeys(("any_power_kw", "safe_power_kw"), 10.0 * value))


def chosen_of(case, settings, **more):
    valued, levels = valued_at(tuple(case.value)), np.zeros(len(case.value), dtype=int)
    given = case.stretches, [], valued, levels, case.stations, settings
    return choose_sites(*given, use=case.use, **more)


@functools.cache
def totals_without_limits(seed):
    return [total_of(case, chosen_of(case, GivenSettings())) for case in made_cases(seed)[:10]]


def total_of(case, offers):
    return case.value[offers.chosen].sum()


def too_near_to_plants(case, length_m):
    """Candidates with less free stream than the length above them to an existing plant, or below them."""
    downstream, developed = case.stations["downstream"].tolist(), case.use.developed
    near = []
    for row, piece in zip(case.rows, case.pieces, strict=True):
        free_m = [np.inf]
        for top in ends_above(case.stations, piece, row):
            for plant in np.flatnonzero(developed).tolist():
                free_m.append(path_down(case.stations, plant).get(top, np.inf))
        for station, way_m in path_down(case.stations, row.tailrace).items():
            if downstream[station] >= 0 and developed[downstream[station]]:
                free_m.append(way_m)
        near.append(min(free_m) < length_m)
    return near


def sums_and_limits(case, ranking):
    """What each candidate adds to each limited sum, shape (sums, candidates), and the limits."""
    segment_m, use = case.stations["segment_length_m"].to_numpy(), case.use
    rows, most = [], []
    depleted = [
        {station for station in path_down(case.stations, row.intake) if station <= row.tailrace} - {row.intake}
        if row.scheme_type == "diversion"
        else set()
        for row in case.rows
    ]
    parts = [(part, number) for part in (use.stream, use.water_body) for number in range(part.max() + 1)]
    for part, number in parts if ranking.max_depleted_share is not None else ():
        own = part == number
        rows.append([segment_m[[s for s in taken if own[s]]].sum() for taken in depleted])
        most.append(ranking.max_depleted_share * segment_m[own].sum() - segment_m[own & use.developed].sum())
    for number in range(use.stream.max() + 1) if ranking.max_plants_per_km is not None else ():
        own = use.stream == number
        rows.append(own[case.stretches.table["tailrace"].to_numpy()].astype(float))
        most.append(ranking.max_plants_per_km * segment_m[own].sum() / 1000.0 - use.plants[own].sum())
    types = [row.scheme_type for row in case.rows]
    tailrace, intake = (case.stretches.table[end].to_numpy() for end in ("tailrace", "intake"))
    caps = [cap if cap is not None else [np.nan] * 9 for cap in (use.max_plants, use.max_new_barriers)]
    for number in range(use.water_body.max() + 1):
        own = use.water_body == number
        plants, barriers = (
            usual if np.isnan(cap[number]) else cap[number]
            for usual, cap in zip(
                (ranking.max_plants_per_water_body, ranking.max_new_barriers_per_water_body), caps, strict=True
            )
        )
        if plants is not None:
            rows.append(own[tailrace].astype(float))
            most.append(plants - use.plants[own].sum())
        if barriers is not None:
            rows.append([float(own[at] and kind == "new_weir") for at, kind in zip(intake, types, strict=True)])
            most.append(barriers)
    if ranking.within_free_capacity:
        for substation in ("S1", "S2"):
            own = (case.stretches.table["substation_id"] == substation).to_numpy()
            rows.append(np.where(own, 10.0 * case.value, 0.0))
            most.append(FREE_KW[substation])
    return np.array(rows).reshape(len(rows), len(case.value)), np.maximum(most, 0.0)


def best_of_all_subsets(case, ranking):
    count = len(case.value)
    barred = too_near_to_plants(case, ranking.min_free_flowing_m)
    against = [0] * count
    for one, other in clashes(case.stations, case.pieces, case.rows, ranking.min_free_flowing_m):
        against[one] |= 1 << other
        against[other] |= 1 << one
    sums, most = sums_and_limits(case, ranking)
    held, total, used = np.array([0]), np.array([0.0]), np.zeros((len(most), 1))
    for number in range(count):
        if barred[number]:
            continue
        more = used + sums[:, [number]]
        fits = (held & against[number] == 0) & (more <= most[:, None] + 1e-9).all(axis=0)
        held = np.concatenate([held, held[fits] | 1 << number])
        total = np.concatenate([total, total[fits] + case.value[number]])
        used = np.concatenate([used, more[:, fits]], axis=1)
    return total.max()


@functools.cache
def best_without_limits(seed):
    return [best_of_all_subsets(case, GivenSettings().ranking) for case in made_cases(seed)]


@pytest.mark.parametrize("limit", LIMITS)
@pytest.mark.parametrize("seed", range(3))
def test_the_choice_within_limits_is_the_best_of_all_subsets(seed, limit):
    settings = GivenSettings(**LIMITS[limit])
    binding = 0
    for case, unlimited in zip(made_cases(seed), best_without_limits(seed), strict=True):
        offers = chosen_of(case, settings)

        best = best_of_all_subsets(case, settings.ranking)
        assert case.value[offers.chosen].sum() == pytest.approx(best, abs=1e-9)
        # The choice is exact, and says so.
        assert offers.gap == 0.0
        sums, most = sums_and_limits(case, settings.ranking)
        assert (sums @ offers.chosen <= most + 1e-9).all()
        binding += best < unlimited
    # The limit costs something in enough of the cases.
    assert binding >= CASES_A_SEED // 4


@pytest.mark.parametrize("seed", range(3))
def test_the_best_set_is_found_where_the_bounds_alone_say_what_to_leave_out(seed, monkeypatch):
    # Hardly any prices, and only the sets that these bring: the last program has what the bounds leave.
    for name, steps in (("MULTIPLIER_STEPS", 3), ("PROGRAM_STEPS", 0), ("PROMISING", 0)):
        monkeypatch.setattr(f"sitefinder.siting.limited_choice.{name}", steps)
    rng = np.random.default_rng([seed, 19])
    # Each of the trees with other values and amounts twice.
    for case in 2 * made_cases(seed)[:20]:
        count, table = len(case.value), case.stretches.table
        value = rng.integers(1, 30, count).astype(float)
        amounts, most = rng.integers(0, 9, (2, count)).astype(float), rng.integers(6, 20, 2).astype(float)
        pond_start = np.concatenate([[0], np.cumsum(case.stretches.start[1:] - case.stretches.pond_start)])
        starts = zip(case.stretches.pond_start, case.stretches.start[1:], strict=True)
        pond = np.concatenate([np.zeros(0, dtype=np.int32), *(case.stretches.taken[a:b] for a, b in starts)])
        ends = table["intake"].to_numpy(), table["tailrace"].to_numpy()
        downstream = case.stations["downstream"].to_numpy()

        found = choose_within_limits(downstream, *ends, value, csr_array(amounts), most, pond_start, pond)

        apart = [[not case.pieces[one] & case.pieces[other] for other in range(count)] for one in range(count)]
        sets = [((), 0.0, np.zeros(2))]
        for number in range(count):
            sets += [
                ((*held, number), total + value[number], used + amounts[:, number])
                for held, total, used in sets
                if (used + amounts[:, number] <= most).all() and all(apart[number][other] for other in held)
            ]
        best = max(total for _, total, _ in sets)
        assert found.total_value == best
        assert found.upper_bound == pytest.approx(best, abs=1e-6)


STRICTER = [
    ("min_free_flowing_m", [50.0, 100.0, 200.0, 400.0]),
    ("max_depleted_share", [0.8, 0.5, 0.3, 0.1, 0.0]),
    ("max_plants_per_km", [20.0, 8.0, 4.0, 2.0, 0.5]),
    ("max_plants_per_water_body", [4, 2, 1, 0]),
    ("max_new_barriers_per_water_body", [3, 1, 0]),
]


@pytest.mark.parametrize(("name", "values"), STRICTER)
@pytest.mark.parametrize("seed", range(3))
def test_a_stricter_limit_never_raises_the_value(seed, name, values):
    for case, unlimited in zip(made_cases(seed)[:10], totals_without_limits(seed), strict=True):
        limited = [total_of(case, chosen_of(case, GivenSettings(**{name: value}))) for value in values]
        totals = [unlimited, *limited]

        assert all(later <= earlier + 1e-9 for earlier, later in itertools.pairwise(totals))


@pytest.mark.parametrize("seed", range(3))
def test_a_cap_of_the_layer_goes_before_that_of_the_settings(seed):
    settings = GivenSettings(max_plants_per_water_body=3)
    binding = 0
    for made in made_cases(seed):
        # One water body may hold one plant, the other as many as the settings say; a third has no stream.
        case = made._replace(use=made.use._replace(max_plants=np.array([1.0, np.nan, 0.0])))

        offers = chosen_of(case, settings)

        best = best_of_all_subsets(case, settings.ranking)
        assert total_of(case, offers) == pytest.approx(best, abs=1e-9)
        free = case._replace(use=case.use._replace(max_plants=None))
        binding += best < best_of_all_subsets(free, settings.ranking)
    assert binding >= 3


def test_without_a_limit_that_is_left_out_the_choice_is_that_of_settings_without_it():
    both = {"min_free_flowing_m": 100.0, "max_plants_per_km": 4.0}
    differing = 0
    for case in made_cases(0)[:20]:
        found = chosen_of(case, GivenSettings(**both), left_out=("plants per km of stream",))

        expected = chosen_of(case, GivenSettings(min_free_flowing_m=100.0))
        assert found.chosen.tolist() == expected.chosen.tolist()
        differing += total_of(case, found) > total_of(case, chosen_of(case, GivenSettings(**both)))
    assert differing >= 3


def best_with_fish(case, ranking, survival, spawning, minimum):
    """The best of all sets of candidates, each with any turbine or a fish-safe one at half the value."""
    against = set(clashes(case.stations, case.pieces, case.rows, ranking.min_free_flowing_m))
    sums, most = sums_and_limits(case, ranking)
    barred = too_near_to_plants(case, ranking.min_free_flowing_m)
    ways = {ground: set(path_down(case.stations, ground)) for ground in np.flatnonzero(spawning).tolist()}
    intake, best = case.stretches.table["intake"].tolist(), 0.0
    for options in itertools.product((-1, 0, 1), repeat=len(case.value)):
        rows = [row for row, option in enumerate(options) if option >= 0]
        if any(barred[row] for row in rows):
            continue
        if any(pair in against for pair in itertools.combinations(rows, 2)):
            continue
        if (sums[:, rows].sum(axis=1) > most + 1e-9).any():
            continue
        alive = [
            np.prod([survival[row, options[row]] for row in rows if intake[row] in way]) for way in ways.values()
        ]
        if min(alive, default=1.0) < minimum - 1e-9:
            continue
        best = max(best, sum(case.value[row] * (0.5 if options[row] else 1.0) for row in rows))
    return best


@pytest.mark.parametrize("seed", range(3))
def test_fish_and_limits_together_are_the_best_of_all_sets_of_options(seed):
    rng = np.random.default_rng([seed, 17])
    settings = GivenSettings(max_depleted_share=0.5, max_plants_per_km=6.0)
    binding = 0
    for made in made_cases(seed)[:8]:
        few = np.arange(len(made.value)) < 6
        pieces, rows = made.pieces[:6], made.rows[:6]
        case = made._replace(
            stretches=subset(made.stretches, few), value=made.value[few], pieces=pieces, rows=rows
        )
        count, stations = len(case.value), len(case.stations)
        survival = np.column_stack([rng.choice([0.0, 0.6, 0.8], count), np.full(count, 0.95)])
        spawning = rng.random(stations) < 0.2
        path = MigrationPath(spawning, np.ones(stations), survival, 0.7)
        valued = pd.DataFrame({prefix + name: np.ones(count) for prefix in PREFIXES for name in VALUED})
        valued["any_net_annual_value"], valued["safe_net_annual_value"] = case.value, case.value / 2
        given = case.stretches, [], valued, np.zeros(count, dtype=int), case.stations, settings

        offers = choose_sites(*given, path, case.use)

        best = best_with_fish(case, settings.ranking, survival, spawning, 0.7)
        assert offers.valued["net_annual_value"].to_numpy()[offers.chosen].sum() == pytest.approx(best, abs=1e-9)
        assert offers.gap == 0.0
        free = choose_sites(*given, path, None)
        binding += best < free.valued["net_annual_value"].to_numpy()[free.chosen].sum()
    assert binding >= 1


def no_program(tree, value, *_):
    return LimitedChoice(np.zeros(len(value), dtype=bool), 0.0, np.inf)


def test_a_choice_that_stops_early_gives_a_bound_that_is_not_below_the_best(monkeypatch):
    # Without an integer program only the priced relaxation is left, and the sets that it came upon.
    monkeypatch.setattr("sitefinder.siting.limited_choice.MAX_PROGRAM", 0)
    monkeypatch.setattr("sitefinder.siting.limited_choice._program", no_program)
    rng = np.random.default_rng(18)
    gaps = []
    for _ in range(40):
        count = 12
        downstream = np.append(np.arange(1, count + 1), -1).astype(np.int32)
        value, amounts = rng.integers(1, 20, count).astype(float), rng.integers(1, 20, count).astype(float)
        most = 40.0
        ends = np.arange(count), np.arange(1, count + 1)
        no_ponds = np.zeros(count + 1, dtype=np.int64), np.zeros(0, dtype=np.int32)

        found = choose_within_limits(downstream, *ends, value, csr_array(amounts[None]), [most], *no_ponds)

        # None of them overlap: it is the knapsack of whole numbers, by the table of values for each room.
        table = np.zeros(int(most) + 1)
        for gain, size in zip(value, amounts.astype(int), strict=True):
            table[size:] = np.maximum(table[size:], table[: len(table) - size] + gain)
        best = table[-1]
        assert (amounts[found.chosen]).sum() <= most
        assert found.total_value <= best <= found.upper_bound + 1e-9
        gaps.append(found.upper_bound - found.total_value)
    assert max(gaps) > 0.1
