"""Stream orders and Horton's ratios on a worked network of 13 links, and on random trees by an outside library.

A. N. Strahler, "Quantitative analysis of watershed geomorphology," Trans. AGU, vol. 38, pp. 913-920, 1957; R. L.
Shreve, "Statistical law of stream numbers," J. Geology, vol. 74, pp. 17-37, 1966. Their rules were read as the
manual of the GRASS add-on r.stream.order restates them, and the ratio of stream numbers in that of r.stream.stats.
The network and its lengths are invented; its figures are derived from the rules by hand, not published.
"""

import numpy as np
import pandas as pd
import pyflwdir
import pytest
import shapely

from sitefinder.network.ordering import link_orders
from sitefinder.network.topology import build_network

LINKS = "abcdefghijklm"
BELOW = dict(zip("abcdefghijkl", "eeffhhiimllm", strict=True))
LENGTH_KM = dict(zip(LINKS, [4, 2, 3, 2, 1, 2, 4, 3, 2, 1.5, 1, 1, 5], strict=True))
STRAHLER = [1, 1, 1, 1, 2, 2, 1, 3, 3, 1, 1, 2, 3]
SHREVE = [1, 1, 1, 1, 2, 2, 1, 4, 5, 1, 1, 2, 7]
UPSTREAM_KM = [4, 2, 3, 2, 5, 5, 4, 8, 10, 1.5, 1, 2.5, 15]
# Upper and lower end of each link as drawn on a map [grid squares]; only who meets whom matters.
DRAWN = {
    "a": ((0, 9), (1, 7)),
    "b": ((2, 9), (1, 7)),
    "c": ((3, 9), (4, 7)),
    "d": ((5, 9), (4, 7)),
    "e": ((1, 7), (2.5, 5)),
    "f": ((4, 7), (2.5, 5)),
    "g": ((6, 9), (3.5, 3)),
    "h": ((2.5, 5), (3.5, 3)),
    "i": ((3.5, 3), (5, 1)),
    "j": ((7, 9), (8, 5)),
    "k": ((9, 9), (8, 5)),
    "l": ((8, 5), (5, 1)),
    "m": ((5, 1), (5, 0)),
}


def orders():
    downstream = np.array([LINKS.index(BELOW[link]) if link in BELOW else -1 for link in LINKS])
    return downstream, link_orders(downstream, 1000.0 * np.array([LENGTH_KM[link] for link in LINKS]))


def test_strahler_orders_and_shreve_magnitudes_are_those_worked_by_hand():
    _, found = orders()

    assert found.strahler.tolist() == STRAHLER
    assert found.shreve.tolist() == SHREVE


def test_the_longest_path_from_a_source_is_fifteen_kilometres():
    _, found = orders()

    # The table's "upstream length" is that along the longest path.
    assert (found.longest_path_m / 1000.0).tolist() == UPSTREAM_KM
    assert found.longest_path_m[-1] == 15_000.0


def test_all_streams_together_are_31_and_a_half_kilometres():
    _, found = orders()

    assert found.upstream_length_m[-1] == 31_500.0


def test_the_main_stem_runs_from_a_down():
    _, found = orders()

    stem, link = "", len(LINKS) - 1
    while link >= 0:
        stem, link = LINKS[link] + stem, found.main_upstream[link]
    # e and f tie at 5 km above h, and the lower number wins.
    assert stem == "aehim"


def test_stream_numbers_are_seven_three_and_one_and_the_bifurcation_ratios_follow():
    downstream, found = orders()

    # A stream of an order starts at each link that none of the same order flows into.
    goes_on = np.zeros(len(LINKS), dtype=bool)
    upper = np.flatnonzero(downstream >= 0)
    same = found.strahler[upper] == found.strahler[downstream[upper]]
    goes_on[downstream[upper[same]]] = True
    numbers = np.bincount(found.strahler[~goes_on])[1:]

    assert numbers.tolist() == [7, 3, 1]
    assert np.mean(numbers[:-1] / numbers[1:]) == pytest.approx(2.666667, abs=5e-7)
    slope = np.polyfit([1, 2, 3], np.log(numbers), 1)[0]
    assert np.exp(-slope) == pytest.approx(7**0.5)


def test_a_tree_of_n_sources_that_meet_by_twos_has_2n_minus_1_links():
    downstream, found = orders()

    sources = np.setdiff1d(np.arange(len(LINKS)), downstream)
    assert len(LINKS) == 2 * len(sources) - 1
    assert found.shreve[-1] == len(sources)


def test_the_network_drawn_as_lines_has_the_same_orders():
    geometry = np.empty(len(DRAWN), dtype=object)
    geometry[:] = [shapely.LineString(1000.0 * np.array(ends)) for ends in DRAWN.values()]
    lines = pd.DataFrame({"geometry": geometry, "feature_id": list(DRAWN), "stream": ""})

    network = build_network(lines, snap_m=1.0)

    feature = network.parts.set_index("feature_id")["link"]
    of_letter = network.links.iloc[feature[list(LINKS)]]
    assert of_letter["order_strahler"].tolist() == STRAHLER
    assert of_letter["shreve"].tolist() == SHREVE


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_orders_of_random_trees_agree_with_pyflwdir(seed):
    """D. Eilander et al., "A hydrography upscaling method …", Hydrol. Earth Syst. Sci. 25, 2021: its library."""
    elevation = np.random.default_rng(seed).normal(size=(40, 50)).cumsum(axis=0).cumsum(axis=1)
    flow = pyflwdir.from_dem(elevation)
    next_cell, order = flow.idxs_ds, flow.idxs_seq[::-1]  # from the sources down
    number = np.full(flow.size, -1)
    number[order] = np.arange(order.size)
    downstream = np.where(next_cell[order] == order, -1, number[next_cell[order]])

    # Every cell is a link of its own; cells in a row keep the order.
    found = link_orders(downstream, np.ones(order.size))

    outside = flow.stream_order(type="strahler").ravel()[order]
    assert found.strahler.max() >= 4
    assert found.strahler.tolist() == outside.tolist()
