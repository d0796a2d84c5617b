"""A real network: New Hope Creek, North Carolina, 746 flowlines of NHDPlus version 2 (U.S. Geological Survey).

The data set tells of each flowline the next one downstream (``Hydroseq``, ``DnHydroseq``) and the nodes that it
runs between, which judges the arrangement that the lines alone give.
"""

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.config import LayerSource
from sitefinder.io.vectors import read_layer
from sitefinder.streams.network import build_network
from sitefinder.streams.stations import place_stations

# The layer states degrees on the ellipsoid of NAD83 without naming the datum.
FLOWLINES = LayerSource(
    path="new_hope/network.gpkg",
    layer="NHDFlowline_Network",
    crs="EPSG:4269",
    id_column="COMID",
    name_column="GNIS_NAME",
)


@pytest.fixture(scope="module")
def flowlines(shared_data):
    lines = read_layer(FLOWLINES, shared_data, "EPSG:26917", what="streams", geometry="line").frame
    return lines.rename(columns={"feature_name": "stream"})


@pytest.fixture(scope="module")
def network(flowlines):
    return build_network(pd.DataFrame(flowlines[["feature_id", "stream", "geometry"]]), snap_m=1.0)


@pytest.fixture(scope="module")
def attributes(shared_data):
    columns = ["COMID", "Hydroseq", "DnHydroseq", "FromNode", "ToNode", "Divergence", "LENGTHKM"]
    table = geopandas.read_file(
        shared_data / FLOWLINES.path, layer=FLOWLINES.layer, columns=columns, ignore_geometry=True
    )
    return table.set_index(table["COMID"].astype(str))


def next_features(network):
    link, feature = network.parts["link"].to_numpy(), network.parts["feature_id"].to_numpy()
    first = network.parts.groupby("link")["feature_id"].first()
    found = {}
    for row in range(len(link)):
        below = network.links["downstream_link"][link[row]]
        within = row + 1 < len(link) and link[row + 1] == link[row]
        found[feature[row]] = feature[row + 1] if within else first[below] if below >= 0 else ""
    return pd.Series(found)


def test_all_flowlines_stand_once_in_one_network_with_one_outlet(network, flowlines):
    assert len(flowlines) == 746
    assert sorted(network.parts["feature_id"]) == sorted(flowlines["feature_id"])
    assert (network.links["downstream_link"] == -1).sum() == 1
    assert network.links["upstream_length_m"].iloc[-1] == pytest.approx(network.links["length_m"].sum())


def test_lengths_add_up_to_those_drawn_and_to_those_published(network, flowlines, attributes):
    length_m = network.links["length_m"].sum()

    assert length_m == pytest.approx(shapely.length(flowlines.geometry.to_numpy()).sum(), rel=1e-9)
    # The zone's scale off its central meridian and the rounding to metres: well under a thousandth.
    assert length_m / 1000.0 == pytest.approx(attributes["LENGTHKM"].sum(), rel=1e-3)


def test_nothing_is_mended_but_the_side_arms_which_are_the_divergences_listed(network, attributes):
    # Of k flowlines that leave one node, k - 1 are side arms.
    leaving = attributes.groupby("FromNode").size()

    assert network.repairs["problem"].unique().tolist() == ["side arm of a divergence"]
    assert network.repairs["feature"].is_unique
    assert len(network.repairs) == (leaving - 1).sum() == network.links["is_divergence"].sum()
    # Each is one of several that leave a node.
    assert (leaving[attributes.loc[network.repairs["feature"], "FromNode"]] > 1).all()


def test_the_arrangement_is_the_published_one_wherever_the_way_down_is_the_only_one(network, attributes, capsys):
    found = next_features(network)
    by_sequence = pd.Series(attributes.index, index=attributes["Hydroseq"])
    published = attributes["DnHydroseq"].map(by_sequence).fillna("")
    leaving = attributes.groupby("FromNode").size()
    only_one = attributes["ToNode"].map(leaving).fillna(1) == 1

    same = found[attributes.index] == published

    with capsys.disabled():
        share = same[~only_one].mean()
        print(
            f"\nNew Hope: {only_one.sum()} flowlines have one way down, {same[only_one].sum()} as published; ",
            end="",
        )
        print(f"of {(~only_one).sum()} that part, the main path is the published one for {100 * share:.0f} %")
    assert same[only_one].all()
    # Where a stream parts, the main path is one of those that leave the node.
    ends = attributes.loc[~only_one, "ToNode"].to_numpy()
    assert (attributes.loc[found[attributes.index[~only_one]], "FromNode"].to_numpy() == ends).all()


def test_reaches_cover_the_network_and_their_ids_are_distinct(network):
    placed = place_stations(network, station_spacing_m=50.0, reach_length_m=500.0)

    downstream = placed.stations["downstream"].to_numpy()
    upper = np.flatnonzero(downstream >= 0)
    assert (downstream[upper] > upper).all()
    assert placed.reaches["reach_id"].is_unique
    assert placed.reaches["length_m"].sum() == pytest.approx(network.links["length_m"].sum())
    assert placed.stations["segment_length_m"].max() <= 50.0 * (1 + 1e-9)
    # Reaches stay near their length, save on links shorter than that.
    longer = network.links["length_m"].to_numpy()[placed.reaches["link"]] >= 500.0
    assert placed.reaches["length_m"][longer].between(500.0 / 1.5, 500.0 * 1.5).all()
