"""A real network: New Hope Creek, North Carolina, 746 flowlines of NHDPlus version 2 (U.S. Geological Survey).

The data set gives for each flowline the next one downstream (``Hydroseq``, ``DnHydroseq``) and the nodes that it
runs between, which judges the arrangement that the lines alone give.
"""

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.io.vector import read_layer
from sitefinder.network.catchments import sums_upstream
from sitefinder.network.ordering import beside_arms, distinct_sums, shared_sums
from sitefinder.network.snapping import snapping_distance_m
from sitefinder.network.stations import features_of_reaches, place_stations
from sitefinder.network.topology import build_network
from sitefinder.settings import LayerSource

# The layer states degrees on the ellipsoid of NAD83 without naming the datum.
FLOWLINES = LayerSource(
    path="new_hope/network.gpkg",
    layer="NHDFlowline_Network",
    crs="EPSG:4269",
    id_column="COMID",
    name_column="GNIS_NAME",
)


@pytest.fixture(scope="module")
def flowlines(public_data):
    lines = read_layer(FLOWLINES, public_data, "EPSG:26917", what="streams", geometry="line").frame
    return lines.rename(columns={"feature_name": "stream"})


@pytest.fixture(scope="module")
def network(flowlines):
    return build_network(pd.DataFrame(flowlines[["feature_id", "stream", "geometry"]]), snap_m=1.0)


@pytest.fixture(scope="module")
def with_main_path(flowlines):
    """The network with its main path by attribute: ``Divergence`` is 2 on the minor arms of a parting."""
    lines = flowlines[["feature_id", "stream", "geometry"]]
    value = -flowlines["Divergence"].to_numpy(dtype=float)
    lines = pd.DataFrame(lines).assign(main_path_value=value)
    return build_network(lines, snap_m=1.0, main_path="column")


@pytest.fixture(scope="module")
def attributes(public_data):
    columns = ["COMID", "Hydroseq", "DnHydroseq", "FromNode", "ToNode", "Divergence", "LENGTHKM", "AreaSqKM"]
    columns += ["TotDASqKM", "DivDASqKM", "StreamOrde", "StreamCalc", "ArbolateSu"]
    table = geopandas.read_file(
        public_data / FLOWLINES.path, layer=FLOWLINES.layer, columns=columns, ignore_geometry=True
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


def at_features(network, attributes, sums, column="AreaSqKM"):
    """Sums over all that is upstream of the lower end of each feature, by its id."""
    parts = network.parts
    own = attributes[column][parts["feature_id"]].to_numpy()
    per_link = np.bincount(parts["link"], weights=own, minlength=len(network.links))
    total = sums(per_link, network.links["downstream_link"].to_numpy().astype(np.int32))
    # Within a link the features follow each other downstream.
    so_far = pd.Series(own).groupby(parts["link"].to_numpy()).cumsum().to_numpy()
    upstream = total - per_link
    return pd.Series(upstream[parts["link"]] + so_far, index=parts["feature_id"])[attributes.index]


def test_all_flowlines_are_in_one_network_once_with_one_outlet(network, flowlines):
    assert len(flowlines) == 746
    assert sorted(network.parts["feature_id"]) == sorted(flowlines["feature_id"])
    assert (network.links["downstream_link"] == -1).sum() == 1
    assert network.links["upstream_length_m"].iloc[-1] == pytest.approx(network.links["length_m"].sum())


@pytest.mark.parametrize("snap_m", [0.001, 5.0, 20.0])
def test_lines_that_are_drawn_cleanly_are_left_as_they_are_whatever_the_snapping_distance(
    network, flowlines, snap_m
):
    again = build_network(pd.DataFrame(flowlines[["feature_id", "stream", "geometry"]]), snap_m=snap_m)

    # Its shortest line has 1.8 m, and 15 have less than 20 m.
    assert (shapely.length(flowlines.geometry.to_numpy()) < 20.0).sum() == 15
    pd.testing.assert_frame_equal(again.links, network.links)
    pd.testing.assert_frame_equal(again.repairs, network.repairs)


@pytest.mark.parametrize("seed", range(3))
def test_gaps_drawn_into_it_are_closed_to_the_same_network(network, flowlines, seed):
    generator = np.random.default_rng(seed)
    lines = pd.DataFrame(flowlines[["feature_id", "stream", "geometry"]]).copy()
    geometry = lines["geometry"].to_numpy().copy()
    long_enough = np.flatnonzero(shapely.length(geometry) > 40.0)
    moved = generator.choice(long_enough, 150, replace=False)
    for row in moved.tolist():
        vertices = shapely.get_coordinates(geometry[row])
        angle = generator.uniform(0.0, 2.0 * np.pi)
        vertices[-1] += generator.uniform(0.1, 2.0) * np.array([np.cos(angle), np.sin(angle)])
        geometry[row] = shapely.LineString(vertices)
    lines["geometry"] = geometry

    mended = build_network(lines, snap_m=snapping_distance_m(shapely.length(geometry)))

    assert next_features(mended).sort_index().equals(next_features(network).sort_index())
    assert len(mended.unresolved) == 0


def test_lengths_add_up_to_those_drawn_and_to_those_published(network, flowlines, attributes):
    length_m = network.links["length_m"].sum()

    assert length_m == pytest.approx(shapely.length(flowlines.geometry.to_numpy()).sum(), rel=1e-9)
    # The zone's scale off its central meridian and the rounding to metres: well under a thousandth.
    assert length_m / 1000.0 == pytest.approx(attributes["LENGTHKM"].sum(), rel=1e-3)


def test_every_metre_of_every_flowline_is_in_the_reach_that_lies_on_it(network, flowlines):
    reaches = place_stations(network, station_spacing_m=100.0, reach_length_m=500.0).reaches

    found = features_of_reaches(reaches, network.parts)

    lines = flowlines.set_index("feature_id").geometry
    along_m = (found["feature_to_m"] - found["feature_from_m"]).abs()
    whole_m = along_m.groupby(found["feature_id"]).sum()
    assert whole_m[lines.index].to_numpy() == pytest.approx(lines.length.to_numpy(), abs=0.1)
    # Many reaches follow more than one flowline, which the id of the one at the middle does not show.
    assert (found.groupby("reach").size() > 1).mean() > 0.1
    both = zip(
        shapely.line_interpolate_point(
            reaches["geometry"].to_numpy()[found["reach"]], (found["from_m"] + found["to_m"]) / 2.0
        ),
        shapely.line_interpolate_point(
            lines[found["feature_id"]].to_numpy(), (found["feature_from_m"] + found["feature_to_m"]) / 2.0
        ),
        strict=True,
    )
    assert max(shapely.distance(one, other) for one, other in both) < 0.01


def test_nothing_is_mended_but_the_side_arms_which_are_the_divergences_listed(network, attributes):
    # Of k flowlines that leave one node, k - 1 are side arms.
    leaving = attributes.groupby("FromNode").size()

    assert network.repairs["problem"].unique().tolist() == ["side arm of a divergence"]
    assert network.repairs["feature"].is_unique
    assert len(network.repairs) == (leaving - 1).sum() == network.links["is_divergence"].sum()
    # Each is one of several that leave a node.
    assert (leaving[attributes.loc[network.repairs["feature"], "FromNode"]] > 1).all()


def test_what_says_which_arm_is_the_main_one_is_as_good_as_the_documents_say(network, attributes, repository):
    first = network.parts.groupby("link")["feature_id"].first()
    parting = network.links["main_path_basis"] != ""
    main = first[parting & ~network.links["is_divergence"]]
    # 1: the main arm of a divergence; 2: another one.
    right = attributes.loc[main, "Divergence"].to_numpy() == 1
    by_basis = pd.Series(right).groupby(network.links["main_path_basis"][main.index].to_numpy())

    counts = {basis: (int(rows.sum()), len(rows)) for basis, rows in by_basis}
    assert counts == {"name": (39, 39), "tributaries": (8, 12), "shape": (13, 32)}
    said = " ".join((repository / "config" / "README.md").read_text(encoding="utf-8").split())
    assert "all 39 of 83 bifurcations where they decide, tributaries at 8 of 12, shape at 13 of 32" in said


def test_the_arrangement_is_the_published_one_wherever_there_is_a_single_path_downstream(
    network, attributes, capsys
):
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


def test_following_the_main_path_areas_add_up_to_the_published_ones_to_the_printed_digits(
    with_main_path, attributes
):
    summed = at_features(with_main_path, attributes, sums_upstream)

    # Areas are printed to 0.0001 km²; sums of up to 746 of them are exact but for the last bits of a double.
    assert (summed.round(4) == attributes["DivDASqKM"].round(4)).all()
    assert len(summed) == 746


def test_counting_each_flowline_once_over_all_upstream_gives_the_published_total_area(with_main_path, attributes):
    leaves = with_main_path.links["leaves_link"].to_numpy()

    summed = at_features(with_main_path, attributes, lambda local, below: distinct_sums(local, below, leaves))

    error = (summed / attributes["TotDASqKM"] - 1.0).abs()
    assert error.max() < 1e-3
    # In fact to the printed digits, too.
    assert (summed.round(4) == attributes["TotDASqKM"].round(4)).all()


def test_total_area_does_not_depend_on_which_arm_is_the_main_one(network, attributes):
    leaves = network.links["leaves_link"].to_numpy()

    summed = at_features(network, attributes, lambda local, below: distinct_sums(local, below, leaves))

    assert (summed.round(4) == attributes["TotDASqKM"].round(4)).all()


def test_half_of_the_water_in_each_side_arm_loses_none_of_it(with_main_path, flowlines, attributes):
    lines = pd.DataFrame(flowlines[["feature_id", "stream", "geometry"]]).assign(
        main_path_value=-flowlines["Divergence"].to_numpy(dtype=float), arm_share=0.5
    )
    network = build_network(lines, snap_m=1.0, main_path="column")
    beside = beside_arms(network.links["downstream_link"], network.links["leaves_link"])
    share = network.links["arm_share"].to_numpy()

    summed = at_features(network, attributes, lambda local, below: shared_sums(local, below, beside, share))

    # All arms join again above the one outlet.
    assert summed.max() == pytest.approx(attributes["AreaSqKM"].sum(), rel=1e-12)
    side = attributes.index[attributes["Divergence"] == 2]
    assert (summed[side] > attributes["DivDASqKM"][side] + 0.01).all()


def test_orders_are_the_published_ones_for_all_flowlines(with_main_path, attributes):
    link = with_main_path.parts.set_index("feature_id")["link"][attributes.index]

    order = with_main_path.links["order_strahler"].to_numpy()[link]

    assert (order == attributes["StreamOrde"]).all()


def test_length_of_all_streams_upstream_is_the_published_arbolate_sum(with_main_path, attributes):
    length_km = at_features(
        with_main_path,
        attributes,
        lambda local, below: distinct_sums(local, below, with_main_path.links["leaves_link"].to_numpy()),
        column="LENGTHKM",
    )

    # Printed to 0.001 km; one flowline is off by one of those.
    assert (length_km - attributes["ArbolateSu"]).abs().max() < 0.0015
    # And that of the links by their drawn length, which on short lines is up to 2 % off the published one.
    links = with_main_path.links
    last = with_main_path.parts.groupby("link")["feature_id"].last()
    assert links["upstream_length_m"].to_numpy() / 1000.0 == pytest.approx(
        attributes["ArbolateSu"][last].to_numpy(), rel=1e-2, abs=0.01
    )


def test_every_divergence_is_handled_and_listed(with_main_path, attributes):
    minor = attributes.index[attributes["Divergence"] == 2]

    listed = with_main_path.repairs.query("problem == 'side arm of a divergence'")["feature"]

    assert sorted(listed) == sorted(minor)
    assert attributes.loc[attributes["Divergence"] == 1, "FromNode"].nunique() == 83
    # Each arm leaves the parting's own stream.
    links = with_main_path.links
    arms = links.index[links["leaves_link"] >= 0]
    first = with_main_path.parts.groupby("link")["feature_id"].first()
    last = with_main_path.parts.groupby("link")["feature_id"].last()
    node = attributes["ToNode"][last[links["leaves_link"][arms]]].to_numpy()
    assert (attributes["FromNode"][first[arms]].to_numpy() == node).all()


def test_reaches_cover_the_network_and_their_ids_are_distinct(network):
    stationing = place_stations(network, station_spacing_m=50.0, reach_length_m=500.0)

    downstream = stationing.stations["downstream"].to_numpy()
    upper = np.flatnonzero(downstream >= 0)
    assert (downstream[upper] > upper).all()
    assert stationing.reaches["reach_id"].is_unique
    assert stationing.reaches["length_m"].sum() == pytest.approx(network.links["length_m"].sum())
    assert stationing.stations["segment_length_m"].max() <= 50.0 * (1 + 1e-9)
    # Reaches stay near their length, save on links shorter than that.
    longer = network.links["length_m"].to_numpy()[stationing.reaches["link"]] >= 500.0
    assert stationing.reaches["length_m"][longer].between(500.0 / 1.5, 500.0 * 1.5).all()


def test_published_drops_are_published_slopes_times_lengths(flowlines, capsys):
    # Elevations are in centimetres, lengths in kilometres; -9998 stands for nothing known.
    columns = ("MAXELEVSMO", "MINELEVSMO", "SLOPE", "SLOPELENKM")
    upper_cm, lower_cm, slope, length_km = (
        flowlines[name].replace(-9998.0, np.nan).to_numpy() for name in columns
    )
    drop_m = (upper_cm - lower_cm) / 100.0
    known = ~np.isnan(drop_m + slope * length_km)

    same = np.abs(drop_m - slope * length_km * 1000.0) <= 0.01

    with capsys.disabled():
        print(f"\nNew Hope: {same.sum()} of {known.sum()} drops with a slope are slope times length to 1 cm")
    # All but the flowlines without a slope, which do not fall at all.
    assert known.sum() == 733
    assert (drop_m[~known] == 0.0).all()
    assert same.mean() >= 0.95
    # Where the two differ, the flowline is level or climbs, and the slope is the least that is published.
    differs = known & ~same
    assert (drop_m[differs] <= 0.0).all()
    assert slope[differs] == pytest.approx(1e-5)
    assert np.nanmin(slope) == pytest.approx(1e-5)
