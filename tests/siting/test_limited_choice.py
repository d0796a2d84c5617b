"""The parts of the choice within limits, each by a table worked by hand."""

from types import SimpleNamespace

import numpy as np
import pytest
import scipy.optimize
from scipy.sparse import csr_array

from sitefinder.siting import limited_choice
from sitefinder.siting.limited_choice import (
    LimitedChoice,
    _Bounds,
    _keeps,
    _made_to_fit,
    _price_by_programs,
    _program,
    _promising,
    _shares,
    _step_down,
    _takes,
    _tree,
    choose_within_limits,
)


def row_of(count):
    """A stream of as many segments, and candidates that take one each, so that none overlap."""
    return np.append(np.arange(1, count + 1), -1).astype(np.int32), np.arange(count), np.arange(1, count + 1)


def no_ponds(count):
    return np.zeros(count + 1, dtype=np.int64), np.zeros(0, dtype=np.int32)


def row_tree(count):
    return _tree(*row_of(count), *no_ponds(count))


@pytest.mark.parametrize(
    ("amounts", "maximum", "keeps"),
    [
        ([[4.0, 6.0]], [10.0], True),
        ([[4.0, 6.0]], [9.9], False),
        # What is above by a billionth of the limit is rounding.
        ([[0.0, 10.0 * (1.0 + 0.9e-9)]], [10.0], True),
        ([[0.0, 10.0 * (1.0 + 1.1e-9)]], [10.0], False),
        ([[4.0, 6.0], [1.0, 1.0]], [10.0, 1.9], False),
        # Of nothing, a billionth of a billionth, and that amount itself.
        ([[0.0, 0.0]], [0.0], True),
        ([[0.0, 1e-9 * 1e-9]], [0.0], True),
        ([[0.0, 1.1e-18]], [0.0], False),
        ([[0.0, 0.5]], [0.0], False),
    ],
)
def test_sums_keep_limits_up_to_rounding_each_of_them(amounts, maximum, keeps):
    assert _keeps(csr_array(amounts), np.array(maximum), np.array([True, True])) == keeps
    assert _keeps(csr_array(amounts), np.array(maximum), np.array([False, False]))


def test_limits_that_all_candidates_together_keep_are_left_out_and_others_are_shares():
    amounts = [[3.0, 3.0], [2.0, 2.0], [1.0, 2.0], [1.0, 1.0]]

    shares = _shares(csr_array(amounts), np.array([5.0, 4.0, 0.0, 1.0]))

    # All of the second limit may be used; where nothing may be, each candidate alone is above it.
    assert shares.toarray() == pytest.approx(np.array([[0.6, 0.6], [1.0, 1.0]]))


@pytest.mark.parametrize(("value", "chosen"), [(5.0, [False, True]), (0.5, [False, True])])
def test_nothing_is_chosen_that_adds_to_a_sum_of_which_none_is_left(value, chosen):
    given = [value, value], csr_array([[1.0, 0.0], [0.1, 0.1]]), [0.0, 10.0]

    assert choose_within_limits(*row_of(2), *given, *no_ponds(2)).chosen.tolist() == chosen


@pytest.mark.parametrize(("share", "is_chosen"), [(1.0, True), (1.0 + 1e-9, True), (1.0 + 1.1e-9, False)])
@pytest.mark.parametrize("maximum", [5.0, 0.2])
def test_what_alone_is_above_a_limit_is_in_no_set(share, is_chosen, maximum):
    amounts = csr_array([[maximum * share, 0.0]])

    found = choose_within_limits(*row_of(2), [3.0, 1.0], amounts, [maximum], *no_ponds(2))

    assert found.chosen.tolist() == [is_chosen, True]
    assert found.upper_bound == found.total_value == 1.0 + 3.0 * is_chosen


def test_members_are_kept_by_their_value_for_what_they_use_while_they_fit():
    # Values for what is used: 10, 6, 6, 8, without end, 9. The fourth is not chosen.
    value = np.array([5.0, 3.0, 3.0, 8.0, 0.1, 4.5])
    shares = np.array([[0.5, 0.25, 0.25, 0.5, 0.0, 0.25], [0.0, 0.25, 0.25, 0.5, 0.0, 0.25]])
    by_candidate, chosen = csr_array(shares.T), np.array([True, True, True, False, True, True])

    def kept(used):
        return np.flatnonzero(_made_to_fit(value, np.array(used), by_candidate, chosen)).tolist()

    # 0.5, 0.25 and, of two alike, the lower number's 0.25 fill the first limit.
    assert kept([0.5, 0.5, 0.5, 1.0, 0.0, 0.5]) == [0, 1, 4, 5]
    # What is said to use most comes last, and what fits after one that did not is still taken.
    assert kept([9.0, 0.5, 0.5, 1.0, 0.0, 0.5]) == [1, 2, 4, 5]


@pytest.mark.parametrize(("second", "fits"), [(0.5, True), (0.5 + 1e-9, True), (0.5 + 1.1e-9, False)])
def test_members_fit_up_to_rounding(second, fits):
    by_candidate = csr_array([[0.5], [second]])

    kept = _made_to_fit(np.array([2.0, 1.0]), np.array([0.5, 0.5]), by_candidate, np.array([True, True]))

    assert kept.tolist() == [True, fits]


@pytest.mark.parametrize(
    ("promising", "most", "found"),
    # By limit: 3 before 1 before 0, and 4 before 1 and 2, which are alike.
    [(1, 100, [3, 4]), (2, 100, [1, 3, 4]), (3, 100, [0, 1, 2, 3, 4]), (3, 2, [3, 4]), (3, 1, []), (0, 100, [])],
)
def test_the_most_promising_of_each_limit_are_those_with_the_greatest_bound(monkeypatch, promising, most, found):
    monkeypatch.setattr(limited_choice, "PROMISING", promising)
    monkeypatch.setattr(limited_choice, "MAX_PROMISING", most)
    shares = csr_array([[0.5, 0.5, 0.0, 0.5, 0.0], [0.0, 0.5, 0.5, 0.0, 0.5]])
    bounds_with = np.array([5.0, 7.0, 7.0, 8.0, 9.0])
    bounds = SimpleNamespace(shares=shares, bounds_with=bounds_with, value=np.ones(5))

    assert np.flatnonzero(_promising(bounds)).tolist() == found


def test_a_limit_alone_has_all_that_may_be_promising(monkeypatch):
    monkeypatch.setattr(limited_choice, "MAX_PROMISING", 2)
    bounds = SimpleNamespace(shares=csr_array([[0.5, 0.5, 0.5]]), bounds_with=np.arange(3.0), value=np.ones(3))

    assert _promising(bounds).tolist() == [False, True, True]


def test_without_limits_none_is_promising():
    bounds = SimpleNamespace(shares=csr_array((0, 2)), bounds_with=np.ones(2), value=np.ones(2))

    assert _promising(bounds).tolist() == [False, False]


class Scripted:
    """Bounds that answer each price with a set and a bound as written, and note the prices."""

    def __init__(self, shares, chosen, bounds, *, price, known=0.0, closed_after=np.inf, bound=np.inf):
        self.shares, self.chosen, self.known = csr_array(shares), np.array(chosen), known
        self._bounds, self._closed_after = iter(bounds), closed_after
        self.bound, self.price, self.asked = bound, np.array(price, dtype=float), []

    @property
    def is_closed(self):
        return len(self.asked) >= self._closed_after

    def at(self, price):
        self.asked.append(price.tolist())
        bound = next(self._bounds)
        self.bound = min(self.bound, bound)
        return self.chosen, bound


# A set that is over its one limit by half of it: slack -1/2, steepness 1/4, and so steps of (bound - known) · 2.
def asked_prices(bounds, monkeypatch, **more):
    monkeypatch.setattr(limited_choice, "MULTIPLIER_STEPS", 14)
    scripted = Scripted([[1.5]], [True], bounds, price=[0.0], known=4.0, **more)
    _step_down(scripted)
    return [price for (price,) in scripted.asked]


def test_a_price_rises_in_steps_that_halve_after_five_that_did_not_help(monkeypatch):
    # (10 - 4) · 2 = 12 a step; the first bound is news, the next five are not.
    steps = [12.0] * 5 + [6.0] * 5 + [3.0] * 3

    assert asked_prices([10.0] * 14, monkeypatch) == pytest.approx(np.cumsum([0.0, *steps]))
    # Where that bound was known before, the first is none either.
    steps = [12.0] * 4 + [6.0] * 5 + [3.0] * 4
    assert asked_prices([10.0] * 14, monkeypatch, bound=10.0) == pytest.approx(np.cumsum([0.0, *steps]))


@pytest.mark.parametrize(
    ("factor", "halves"), [(1.0 - 1.05e-6, False), (1.0 - 1e-6, True), (1.0 - 0.95e-6, True), (1.0, True)]
)
def test_a_bound_that_falls_by_less_than_a_millionth_does_not_help(monkeypatch, factor, halves):
    bounds = np.multiply.accumulate([10.0, *[factor] * 13])

    steps = np.diff(asked_prices(bounds, monkeypatch))

    assert steps[-1] == pytest.approx(3.0 if halves else 12.0, rel=1e-4)


def test_steps_are_counted_anew_after_one_that_helped(monkeypatch):
    # The fifth call helps, so that it takes until the tenth to halve.
    bounds = [10.0] * 4 + [9.0] * 10

    steps = np.diff(asked_prices(bounds, monkeypatch))

    assert steps == pytest.approx([12.0] * 4 + [10.0] * 5 + [5.0] * 4)


def test_prices_stop_where_the_bound_is_closed_or_no_limit_binds(monkeypatch):
    assert len(asked_prices([10.0] * 14, monkeypatch, closed_after=3)) == 3
    kept = Scripted([[0.5], [1.0]], [True], [10.0] * 14, price=[0.0, 0.0])
    _step_down(kept)
    assert kept.asked == [[0.0, 0.0]]


@pytest.mark.parametrize(
    ("price", "steepness"),
    # Slacks -1/2 and 3/4: room counts only where there is a price that it lowers.
    [([0.0, 0.0], 0.25), ([0.0, 0.5], 0.25 + 0.5625), ([0.0, 9.0], 0.25 + 0.5625), ([1.0, 9.0], 0.25 + 0.5625)],
)
def test_a_limit_that_is_kept_counts_while_it_has_a_price_and_none_falls_below_nothing(
    monkeypatch, price, steepness
):
    monkeypatch.setattr(limited_choice, "MULTIPLIER_STEPS", 2)
    scripted = Scripted([[1.5], [0.25]], [True], [10.0, 10.0], price=price, known=4.0)

    _step_down(scripted)

    length = 6.0 / steepness
    assert scripted.asked[0] == price
    assert scripted.asked[1] == pytest.approx([price[0] + 0.5 * length, max(price[1] - 0.75 * length, 0.0)])


def test_a_relaxed_set_and_its_bound_are_those_of_a_knapsack_at_a_price():
    # Values 6, 4, 1 and -1 that use 0.5, 1, 0.5 and nothing; less a price of 2 they are 5, 2, 0 and -1.
    value, shares = np.array([6.0, 4.0, 1.0, -1.0]), csr_array([[0.5, 1.0, 0.5, 0.0]])
    bounds = _Bounds(row_tree(4), value, shares)
    assert (bounds.bound, bounds.known) == (np.inf, 0.0)

    chosen, bound = bounds.at(np.array([2.0]))

    assert chosen.tolist() == [True, True, False, False]
    assert bound == bounds.bound == 5.0 + 2.0 + 2.0
    assert bounds.price.tolist() == [2.0]
    # Of these the first fits, alone.
    assert bounds.best.tolist() == [True, False, False, False]
    assert bounds.known == 6.0
    # With a value below nothing the sum is less; a billionth is added for rounding.
    assert bounds.bounds_with[:3] == pytest.approx(np.full(3, 9.0 + 9e-9), abs=1e-12)
    assert bounds.pool.tolist() == [True, True, False, False]

    # At a price of 4 they are 4, 0, -1 and -1: 4 + 4 without the third, 4 - 1 + 4 with it.
    assert bounds.at(np.array([4.0]))[1] == 8.0
    assert (bounds.bound, bounds.price.tolist()) == (8.0, [4.0])
    assert bounds.bounds_with[:3] == pytest.approx(np.array([8.0, 8.0, 7.0]) + 8e-9, abs=1e-12)
    # Of a worse one neither price nor bound is kept, but what comes up there is.
    assert bounds.at(np.array([0.0]))[1] == 11.0
    assert (bounds.bound, bounds.price.tolist()) == (8.0, [4.0])
    assert bounds.bounds_with[:3] == pytest.approx(np.array([8.0, 8.0, 7.0]) + 8e-9, abs=1e-12)
    assert bounds.pool.tolist() == [True, True, True, False]
    # The first and third fit together.
    assert bounds.best.tolist() == [True, False, True, False]


def test_of_two_prices_with_one_bound_and_two_sets_of_one_value_the_first_is_kept():
    # 2 alone uses twice the limit: the bound is 2 at no price, and 2 at a price of 2.
    bounds = _Bounds(row_tree(2), np.array([2.0, 0.0]), csr_array([[2.0, 0.0]]))

    assert [bounds.at(np.array([price]))[1] for price in (0.0, 2.0)] == [2.0, 2.0]
    assert bounds.price.tolist() == [0.0]
    equal = _Bounds(row_tree(2), np.array([3.0, 3.0]), csr_array([[1.0, 1.0]]))
    for allowed in ([True, False], [False, True]):
        equal.take(np.array(allowed))
    assert equal.best.tolist() == [True, False]


def test_a_margin_of_a_billionth_is_of_at_least_one():
    small = _Bounds(row_tree(1), np.array([0.25]), csr_array([[1.0]]))
    small.at(np.zeros(1))

    assert small.bounds_with == pytest.approx([0.25 + 1e-9], abs=1e-13)


@pytest.mark.parametrize(
    ("bound", "known", "is_closed"),
    [(8.0, 8.0, True), (8.0, 8.0 - 7e-9, True), (8.0, 8.0 - 9e-9, False)]
    + [(0.5, 0.5 - 0.9e-9, True), (0.5, 0.5 - 1.05e-9, False)],
)
def test_bounds_are_closed_within_a_billionth(bound, known, is_closed):
    bounds = _Bounds(row_tree(1), np.array([known]), csr_array([[1.0]]))
    bounds.best, bounds.bound = np.array([True]), bound

    assert bounds.is_closed == is_closed


# A knapsack of values 6, 5 and 3 that use 0.6 of it each, and one without value.
VALUE, SHARES = np.array([6.0, 5.0, 3.0, 0.0]), csr_array([[0.6, 0.6, 0.6, 0.0]])
# The best by parts: the first, and two thirds of the second, whose value for what it uses is the price.
PARTS_PRICE, PARTS_VALUE = 5.0 / 0.6, 6.0 + 5.0 * 0.4 / 0.6


def noted(bounds, asked):
    """The same bounds, which note the prices."""
    at = bounds.at

    def ask(price):
        asked.append(price.tolist())
        return at(price)

    bounds.at = ask
    return bounds


@pytest.mark.parametrize("scale", [1.0, 0.01])
def test_a_program_gives_the_price_of_the_knapsack_that_takes_parts(scale):
    asked = []
    bounds = noted(_Bounds(row_tree(4), scale * VALUE, SHARES), asked)
    bounds.at(np.array([scale]))
    assert bounds.bound == pytest.approx(scale * (14.0 - 1.8 + 1.0))

    _price_by_programs(bounds)

    # That price, and half the way to it from the best before.
    assert np.ravel(asked) / scale == pytest.approx([1.0, PARTS_PRICE, (PARTS_PRICE + 1.0) / 2.0])
    assert bounds.bound / scale == pytest.approx(PARTS_VALUE)


@pytest.mark.parametrize(("above", "prices"), [(-1.0, 0), (0.0, 0), (0.9e-7, 0), (1.1e-7, 2)])
def test_no_price_is_asked_where_the_bound_is_within_a_tenth_of_a_millionth_of_the_program(above, prices):
    asked = []
    bounds = noted(_Bounds(row_tree(4), VALUE, SHARES), asked)
    bounds.pool, bounds.bound = VALUE > 0, PARTS_VALUE * (1.0 + above)

    _price_by_programs(bounds)

    assert len(asked) == prices


def test_programs_go_on_while_prices_bring_further_candidates():
    # The third takes the segments of the first two for less of the limit, and comes up when that has a price.
    downstream, intake, tailrace = np.array([1, 2, -1], dtype=np.int32), [0, 1, 0, 0], [1, 2, 2, 1]
    # The fourth never does.
    value, shares = np.array([6.0, 6.0, 5.0, 0.0]), csr_array([[1.0, 1.0, 0.1, 0.0]])
    asked = []
    bounds = noted(_Bounds(_tree(downstream, intake, tailrace, *no_ponds(4)), value, shares), asked)
    bounds.at(np.zeros(1))
    assert bounds.pool.tolist() == [True, True, False, False]

    _price_by_programs(bounds)

    assert bounds.pool.tolist() == [True, True, True, False]
    assert len(asked) == 1 + 2 + 2
    # Part a of the third and 1 - a of each of the first two use 2 - 1.9 a, which is all for a of 1/1.9.
    assert bounds.bound == pytest.approx(12.0 - 7.0 / 1.9)


def test_a_program_without_a_result_asks_no_price(monkeypatch):
    asked = []
    bounds = noted(_Bounds(row_tree(4), VALUE, SHARES), asked)
    bounds.at(np.zeros(1))
    result = SimpleNamespace(status=1, fun=-1.0, ineqlin=SimpleNamespace(marginals=np.array([-3.0])))
    monkeypatch.setattr(scipy.optimize, "linprog", lambda *_, **__: result)

    _price_by_programs(bounds)

    assert len(asked) == 1


def test_stations_that_two_candidates_take_are_rows_and_one_that_the_same_two_take_is_the_same_row():
    # Stations 0 … 4 in a row. Candidate 0 takes 1 and 2, candidate 1 takes 2 and 3 and floods 1 and 2, the third
    # takes 3 and 4; the fourth, on 1, is not asked for.
    downstream = np.array([1, 2, 3, 4, -1], dtype=np.int32)
    pond_start, pond = np.array([0, 0, 2, 2, 2]), np.array([1, 2], dtype=np.int32)
    tree = _tree(downstream, [0, 1, 2, 0], [2, 3, 4, 1], pond_start, pond)

    assert _takes(tree, np.array([0, 1, 2])).toarray().tolist() == [[1.0, 1.0, 0.0], [0.0, 1.0, 1.0]]
    assert _takes(tree, np.array([0, 1, 3])).toarray().tolist() == [[1.0, 1.0, 1.0], [1.0, 1.0, 0.0]]
    assert _takes(tree, np.array([2])).shape == (0, 1)


class Solver:
    """An integer program that answers as written, and notes what it is asked."""

    def __init__(self, *answers):
        self.answers, self.asked = iter(answers), []

    def __call__(self, cost, *, integrality, bounds, constraints, options):
        self.asked.append((cost.tolist(), integrality.tolist(), constraints.ub.tolist(), options))
        assert [*np.ravel(bounds.lb), *np.ravel(bounds.ub)] == [0.0, 1.0]
        x, status, dual = next(self.answers)
        return SimpleNamespace(x=None if x is None else np.array(x), status=status, mip_dual_bound=dual)


@pytest.mark.parametrize(
    ("answers", "chosen", "upper_bound"),
    [
        # Through: its value is its bound, whatever it says [thousandths of the greatest value, 4].
        ([([1.0, 1.0], 0, -1750.0)], [1, 2], 6.0),
        # Stopped: the bound is what it says, or its value where that is more.
        ([([1.0, 0.0], 1, -1750.0)], [1], 7.0),
        ([([0.51, 0.5], 1, -900.0)], [1], 4.0),
        ([([1.0, 0.0], 1, None)], [1], np.inf),
        ([([1.0, 0.0], 1, np.nan)], [1], np.inf),
        ([(None, 1, -2000.0)], [], 8.0),
    ],
)
def test_an_integer_program_gives_its_set_and_what_no_set_exceeds(monkeypatch, answers, chosen, upper_bound):
    solver = Solver(*answers)
    monkeypatch.setattr(scipy.optimize, "milp", solver)
    value, shares = np.array([9.0, 4.0, 2.0]), csr_array([[0.5, 0.5, 0.5]])

    found = _program(row_tree(3), value, shares, np.array([1, 2]))

    assert np.flatnonzero(found.chosen).tolist() == chosen
    assert found.total_value == value[chosen].sum()
    assert found.upper_bound == upper_bound
    options = {"mip_rel_gap": 0.0, "node_limit": limited_choice.MAX_NODES}
    assert solver.asked == [([-1000.0, -500.0], [1.0, 1.0], [1.0], options)]


@pytest.mark.parametrize(
    ("share", "answers", "rooms", "chosen", "upper_bound"),
    [
        (0.5 + 0.5e-9, [([1.0, 1.0], 0, -1500.0)], 1, [0, 1], 6.0),
        # A set above the limit is asked for again with less room; the bound stays that of all the room.
        (0.5 + 0.6e-9, [([1.0, 1.0], 0, -1500.0), ([1.0, 0.0], 0, -1000.0)], 2, [0], 6.0),
        (0.5 + 0.6e-9, [([1.0, 1.0], 0, -750.0), ([1.0, 0.0], 0, -2000.0)], 2, [0], 4.0),
        (0.5 + 0.6e-9, [([1.0, 1.0], 0, -1500.0), ([1.0, 1.0], 0, -1000.0)], 2, [], 6.0),
        (0.5 + 0.6e-9, [([1.0, 1.0], 0, -1500.0), (None, 2, None)], 2, [], 6.0),
    ],
)
def test_a_set_above_a_limit_is_asked_for_again_with_less_room(
    monkeypatch, share, answers, rooms, chosen, upper_bound
):
    solver = Solver(*answers)
    monkeypatch.setattr(scipy.optimize, "milp", solver)
    value = np.array([4.0, 2.0])

    found = _program(row_tree(2), value, csr_array([[0.5, 0.5], [share, share]]), np.array([0, 1]))

    assert [room for _, _, room, _ in solver.asked] == [[1.0] * 2, [1.0 - 2e-6] * 2][:rooms]
    assert np.flatnonzero(found.chosen).tolist() == chosen
    assert (found.total_value, found.upper_bound) == (value[chosen].sum(), upper_bound)


def test_of_no_candidates_no_program_is_made():
    found = _program(row_tree(2), np.ones(2), csr_array([[1.0, 1.0]]), np.array([], dtype=np.int64))

    assert (found.chosen.tolist(), found.total_value, found.upper_bound) == ([False, False], 0.0, 0.0)


class Programs:
    """Programs that answer as written, and note which candidates they are asked about."""

    def __init__(self, monkeypatch, *answers, steps=1, promising=0):
        for name, number in (("MULTIPLIER_STEPS", steps), ("PROGRAM_STEPS", 0), ("PROMISING", promising)):
            monkeypatch.setattr(limited_choice, name, number)
        monkeypatch.setattr(limited_choice, "_program", self)
        self.answers, self.asked = iter(answers), []

    def __call__(self, tree, value, shares, rows):
        self.asked.append(rows.tolist())
        chosen, upper_bound = next(self.answers)
        chosen = np.isin(np.arange(len(value)), chosen)
        return LimitedChoice(chosen, float(value[chosen].sum()), upper_bound)


# 6, 5 and 3 of which one fits at a time, and candidates without value: 6 is known from the first, without a price
# the bound is 14.
KNAPSACK = [6.0, 5.0, 3.0, 0.0, -1.0], csr_array([[0.6, 0.6, 0.6, 0.3, 0.3]]), [1.0]


@pytest.mark.parametrize(
    ("upper_bound", "expected"),
    [
        (np.inf, 14.0),
        (20.0, 14.0),
        (9.0, 9.0),
        # Nothing better is among those that were left, so that what is known is the best but for rounding.
        (2.0, 6.0),
        (6.0 + 5e-9, 6.0),
        (6.0 + 7e-9, 6.0 + 7e-9),
    ],
)
def test_the_upper_bound_is_the_least_that_prices_and_program_give_and_never_below_what_is_known(
    monkeypatch, upper_bound, expected
):
    programs = Programs(monkeypatch, ([], np.inf), ([], upper_bound))

    found = choose_within_limits(*row_of(5), *KNAPSACK, *no_ponds(5))

    assert found.chosen.tolist() == [True, False, False, False, False]
    assert (found.total_value, found.upper_bound) == (6.0, expected)
    # First those that came up, then all whose bound is above what is known; none without value.
    assert programs.asked == [[0, 1, 2], [0, 1, 2]]


@pytest.mark.parametrize(("above", "is_closed"), [(0.9e-9, True), (1.05e-9, False)])
def test_below_one_the_margin_of_the_upper_bound_is_a_billionth(monkeypatch, above, is_closed):
    value, *limit = KNAPSACK
    programs = Programs(monkeypatch, ([], np.inf), ([], 0.06 + above))

    found = choose_within_limits(*row_of(5), np.array(value) / 100.0, *limit, *no_ponds(5))

    assert found.upper_bound == (0.06 if is_closed else 0.06 + above)
    assert programs.asked == [[0, 1, 2], [0, 1, 2]]


def test_a_better_set_of_either_program_is_taken(monkeypatch):
    for answers in ([([1, 2], np.inf), ([], np.inf)], [([], np.inf), ([1, 2], np.inf)]):
        Programs(monkeypatch, *answers)

        found = choose_within_limits(*row_of(5), *KNAPSACK, *no_ponds(5))

        assert (found.chosen.tolist(), found.total_value) == ([False, True, True, False, False], 8.0)


@pytest.mark.parametrize(("most", "programs"), [(3, 2), (2, 1)])
def test_the_last_program_is_made_for_as_many_candidates_as_the_most(monkeypatch, most, programs):
    noted = Programs(monkeypatch, ([], np.inf), ([], 9.0))
    monkeypatch.setattr(limited_choice, "MAX_PROGRAM", most)

    found = choose_within_limits(*row_of(5), *KNAPSACK, *no_ponds(5))

    assert len(noted.asked) == programs
    assert found.upper_bound == (9.0 if programs == 2 else 14.0)


def test_where_the_first_program_reaches_the_bound_no_other_is_made(monkeypatch):
    programs = Programs(monkeypatch, ([0, 1, 2], np.inf))

    found = choose_within_limits(*row_of(5), *KNAPSACK, *no_ponds(5))

    assert len(programs.asked) == 1
    assert found.total_value == found.upper_bound == 14.0


def test_promising_candidates_are_in_the_first_program_beside_those_that_came_up(monkeypatch):
    # The third takes the segments of the first two for less value, and at no price it does not come up. The fourth
    # is of no value, and in no program.
    downstream, intake, tailrace = np.array([1, 2, -1], dtype=np.int32), [0, 1, 0, 0], [1, 2, 2, 1]
    given = downstream, intake, tailrace, [6.0, 6.0, 5.0, 0.0], csr_array([[1.0, 1.0, 0.1, 0.1]]), [1.0]
    for promising, asked in ((0, [0, 1]), (4, [0, 1, 2])):
        programs = Programs(monkeypatch, ([], np.inf), ([], np.inf), promising=promising)

        choose_within_limits(*given, *no_ponds(4))

        assert programs.asked[0] == asked
