"""What holds for every network: trees come back however they were drawn, and every metre has its reach."""

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from sitefinder.network.stations import place_stations
from sitefinder.network.topology import build_network

LAW = settings(max_examples=40, deadline=None, derandomize=True)


@st.composite
def river_trees(draw):
    """A tree of straight lines on distinct places: where each line's lower end is, and how it was drawn.

    Place 0 is the outlet; line i runs from place i + 1 to a place of a lower number, and falls by 3 m or more.
    """
    count = draw(st.integers(1, 14))
    spots = draw(st.lists(st.integers(0, 39), min_size=count + 1, max_size=count + 1, unique=True))
    # On a parabola no three places stand in line: each stays 0.4 m or more off every line that does not end on it.
    places = [(40.0 * spot, float(spot * spot)) for spot in spots]
    below = [draw(st.integers(0, number)) for number in range(count)]
    level_m = [0.0]
    for number in range(count):
        level_m.append(level_m[below[number]] + draw(st.integers(3, 40)))
    order = draw(st.permutations(range(count)))
    upstream = draw(st.lists(st.booleans(), min_size=count, max_size=count))
    return places, below, level_m, order, upstream


def drawn(places, below, level_m, order, upstream):
    """The tree's lines in an order and with directions, and the ground at the ends of each."""
    ends = [(number + 1, below[number])[:: -1 if upstream[number] else 1] for number in order]
    geometry = np.empty(len(ends), dtype=object)
    geometry[:] = [shapely.LineString([places[one], places[other]]) for one, other in ends]
    elevation_m = np.array([[level_m[one], level_m[other]] for one, other in ends])
    lines = pd.DataFrame(
        {"geometry": geometry, "feature_id": [f"line {number}" for number in order], "stream": ""}
    )
    return lines, elevation_m


def next_features(network):
    """For each feature the one that it flows into, or None at the outlet."""
    found = {}
    link = network.parts["link"].to_numpy()
    feature = network.parts["feature_id"].to_numpy()
    first = network.parts.groupby("link")["feature_id"].first()
    for row in range(len(link)):
        below = network.links["downstream_link"][link[row]]
        if row + 1 < len(link) and link[row + 1] == link[row]:
            found[feature[row]] = feature[row + 1]
        else:
            found[feature[row]] = first[below] if below >= 0 else None
    return found


@LAW
@given(river_trees())
def test_a_tree_comes_back_whichever_way_its_lines_were_drawn_and_in_whatever_order(tree):
    places, below, *_ = tree
    lines, elevation_m = drawn(*tree)

    network = build_network(lines, snap_m=0.25, end_elevation_m=elevation_m)

    # All lines fall surely, so that the outlet is known; who joins whom follows from the tree alone.
    starts = {number: f"line {number - 1}" for number in range(1, len(places))}
    assert next_features(network) == {f"line {number}": starts.get(low) for number, low in enumerate(below)}
    assert (network.links["downstream_link"] == -1).sum() == below.count(0)


@LAW
@given(river_trees())
def test_a_tree_drawn_downstream_comes_back_without_elevations_and_without_repairs(tree):
    places, below, level_m, order, _ = tree
    lines, _ = drawn(places, below, level_m, order, [False] * len(below))

    network = build_network(lines, snap_m=0.25)

    assert len(network.repairs) == 0
    starts = {number: f"line {number - 1}" for number in range(1, len(places))}
    assert next_features(network) == {f"line {number}": starts.get(low) for number, low in enumerate(below)}


@LAW
@given(river_trees(), st.sampled_from([20.0, 90.0, 1000.0]), st.sampled_from([100.0, 500.0]))
def test_every_metre_is_held_once_by_links_parts_segments_and_reaches(tree, spacing_m, reach_m):
    lines, elevation_m = drawn(*tree)
    length_m = shapely.length(lines["geometry"].to_numpy()).sum()
    network = build_network(lines, snap_m=0.25, end_elevation_m=elevation_m)

    stationing = place_stations(network, station_spacing_m=spacing_m, reach_length_m=reach_m)

    parts, links = network.parts, network.links
    assert links["length_m"].sum() == pytest.approx(length_m)
    assert (parts["to_m"] - parts["from_m"]).sum() == pytest.approx(length_m)
    assert abs(parts["feature_to_m"] - parts["feature_from_m"]).sum() == pytest.approx(length_m)
    assert stationing.stations["segment_length_m"].sum() == pytest.approx(length_m)
    assert shapely.length(stationing.segments["geometry"].to_numpy()).sum() == pytest.approx(length_m)
    assert stationing.reaches["length_m"].sum() == pytest.approx(length_m)
    assert stationing.reaches["reach_id"].is_unique


@LAW
@given(river_trees(), st.sampled_from([20.0, 90.0, 1000.0]))
def test_links_and_stations_are_numbered_from_the_sources_down(tree, spacing_m):
    lines, elevation_m = drawn(*tree)
    network = build_network(lines, snap_m=0.25, end_elevation_m=elevation_m)

    stations = place_stations(network, station_spacing_m=spacing_m, reach_length_m=500.0).stations

    for below in (network.links["downstream_link"].to_numpy(), stations["downstream"].to_numpy()):
        upper = np.flatnonzero(below >= 0)
        assert (below[upper] > upper).all()
    # A step to the next station is as long as that one's segment, save from one link to the next.
    below = stations["downstream"].to_numpy()
    within = np.flatnonzero(stations["link"].to_numpy() == np.append(stations["link"].to_numpy()[1:], -1))
    assert (below[within] == within + 1).all()
    steps_m = stations["to_downstream_m"].to_numpy()
    assert (steps_m[within] == stations["segment_length_m"].to_numpy()[within + 1]).all()
    assert steps_m.sum() == pytest.approx(stations["segment_length_m"].sum())
    assert stations["segment_length_m"].max() <= spacing_m * (1 + 1e-9)


@LAW
@given(river_trees())
def test_the_outlet_of_a_tree_has_the_length_and_the_sources_of_all_of_it(tree):
    lines, elevation_m = drawn(*tree)

    links = build_network(lines, snap_m=0.25, end_elevation_m=elevation_m).links

    outlets = links["downstream_link"] == -1
    assert links["upstream_length_m"][outlets].sum() == pytest.approx(links["length_m"].sum())
    assert links["shreve"][outlets].sum() == links["is_source"].sum()
    # A tree of order n needs 2^(n - 1) sources at least.
    assert (links["shreve"] >= 2 ** (links["order_strahler"] - 1)).all()
