"""Whole numbers and their sharing, against laws of apportionment, and classes against counting one by one."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from sitefinder.siting.potential import MAX_CLASSES, class_edges, distribution, shared, whole

AMOUNTS = st.lists(
    st.tuples(st.integers(0, 10**12), st.lists(st.floats(1e-6, 1e6), min_size=1, max_size=6)),
    min_size=1,
    max_size=8,
)


# Amounts, whose they are and the weights, pieces in the order of their owners.
def laid_out(drawn):
    amounts = np.array([amount for amount, _ in drawn], dtype=np.int64)
    owner = np.repeat(np.arange(len(drawn)), [len(weights) for _, weights in drawn])
    return amounts, owner, np.concatenate([weights for _, weights in drawn])


@given(AMOUNTS)
def test_pieces_add_up_to_their_amount_and_each_is_its_share_rounded_down_or_up(drawn):
    amounts, owner, weights = laid_out(drawn)

    pieces = shared(amounts, owner, weights)

    for number, (amount, own) in enumerate(drawn):
        mine = pieces[owner == number]
        assert mine.sum() == amount
        exact = amount * np.array(own) / sum(own)
        # The quota rule: less than one away. A double of 10¹² is exact to a thousandth.
        assert (np.abs(mine - exact) < 1 + 1e-3).all()


@given(AMOUNTS)
def test_no_piece_of_greater_remainder_is_passed_over(drawn):
    amounts, owner, weights = laid_out(drawn)

    pieces = shared(amounts, owner, weights)

    for number, (amount, own) in enumerate(drawn):
        rest = amount * (np.array(own) / sum(own)) - pieces[owner == number]
        # What is left of any piece is at most one more than that of any other, or moving one would come nearer.
        assert rest.max() - rest.min() <= 1 + 1e-3


@given(AMOUNTS, st.randoms(use_true_random=False))
def test_the_order_of_owners_changes_nothing(drawn, turned):
    amounts, owner, weights = laid_out(drawn)
    order = list(range(len(drawn)))
    turned.shuffle(order)
    place = np.concatenate([np.flatnonzero(owner == number) for number in order])

    pieces = shared(amounts, owner[place], weights[place])

    assert pieces.tolist() == shared(amounts, owner, weights)[place].tolist()


def test_a_share_known_by_hand():
    # Of 10: exact 4.5, 3.5 and 2; one is left over, and of equal remainders the earlier piece has it.
    pieces = shared(np.array([10]), np.zeros(3, dtype=int), np.array([4.5, 3.5, 2.0]))

    assert pieces.tolist() == [5, 3, 2]


def test_halves_go_up_and_the_unknown_counts_as_nothing():
    assert whole([0.5, 1.4999, 2.5, np.nan]).tolist() == [1, 1, 3, 0]
    assert whole([]).tolist() == []


@given(st.lists(st.one_of(st.just(0.0), st.just(float("nan")), st.floats(1e-9, 1e9)), max_size=40))
def test_every_known_value_lies_in_one_class(values):
    values = np.array(values, dtype=float)
    edges = class_edges(values)
    table = distribution(values, np.full(len(values), 2.0), edges)

    known = values[np.isfinite(values)]
    assert table["number"].sum() == len(known)
    assert len(table) <= MAX_CLASSES
    for row in table.itertuples():
        here = [value for value in known if row.from_value <= value < row.to_value]
        assert (row.number, row.length_m) == (len(here), 2.0 * len(here))
    assert (np.diff(edges) > 0).all()
