"""From lines to links: directions, confluences, divergences, loops, rings and loose pieces."""

import numpy as np
import pytest
import shapely

from sitefinder.errors import InputError
from sitefinder.network.topology import build_network

# Two tributaries and the stream below them, all drawn downstream.
FORK = {
    "left": [(-100, 300), (0, 200)],
    "right": [(100, 300), (0, 200)],
    "lower": [(0, 200), (0, 0)],
}
# Ground at the first and the last vertex of each [m].
FORK_M = {"left": (30, 20), "right": (35, 20), "lower": (20, 5)}


@pytest.fixture
def network(lines):
    """A function that builds a network of drawn lines, with elevations of their ends by name where given."""

    def build(elevation_m=None, snap_m=1.0, main_path="longest", **vertices):
        ends = None
        if elevation_m is not None:
            ends = np.array([elevation_m[name] for name in vertices], dtype=float)
        return build_network(lines(**vertices), snap_m=snap_m, end_elevation_m=ends, main_path=main_path)

    return build


def chains(network):
    """The features that each link is made of."""
    return network.parts.groupby("link")["feature_id"].agg("+".join)


def flows(network):
    """Who drains to whom, by the features that a link is made of."""
    names = chains(network)
    below = network.links["downstream_link"]
    return {name: names[below[link]] if below[link] >= 0 else None for link, name in names.items()}


def notes(network):
    return [(row.feature, row.problem, row.action) for row in network.repairs.itertuples()]


def upside_down(name):
    """The fork with one line drawn upstream."""
    return {**FORK, name: FORK[name][::-1]}, {**FORK_M, name: FORK_M[name][::-1]}


def test_a_fork_becomes_three_links_from_the_sources_down(network):
    built = network(**FORK)

    assert flows(built) == {"left": "lower", "right": "lower", "lower": None}
    assert built.links["length_m"].tolist() == pytest.approx([20000**0.5, 20000**0.5, 200])
    assert built.links["is_source"].tolist() == [True, True, False]
    assert built.links["order_strahler"].tolist() == [1, 1, 2]
    assert notes(built) == []


@pytest.mark.parametrize("name", ["left", "right", "lower"])
def test_one_line_drawn_upstream_is_turned_by_elevations_and_listed(network, name):
    vertices, elevation_m = upside_down(name)

    built = network(elevation_m, **vertices)

    assert flows(built) == {"left": "lower", "right": "lower", "lower": None}
    assert notes(built) == [(name, "drawn upstream", "turned")]
    # The place along the feature is reported as it was drawn.
    part = built.parts.set_index("feature_id").loc[name]
    assert part["feature_from_m"] > part["feature_to_m"] == 0.0


def test_a_line_drawn_upstream_amid_a_network_is_turned_without_elevations(network):
    vertices, _ = upside_down("lower")

    built = network(**vertices, mouth=[(0, 0), (0, -900)])

    assert flows(built) == {"left": "lower+mouth", "right": "lower+mouth", "lower+mouth": None}
    assert notes(built) == [("lower", "drawn upstream", "turned")]


def test_a_confluence_that_one_line_was_drawn_up_to_is_no_outlet(network):
    vertices, elevation_m = upside_down("lower")

    # Both the confluence and the mouth are ends that lines fall to.
    built = network({**elevation_m, "mouth": (5, 0)}, **vertices, mouth=[(0, 0), (0, -50)])

    assert flows(built) == {"left": "lower+mouth", "right": "lower+mouth", "lower+mouth": None}


def test_a_whole_network_drawn_upstream_is_turned_by_elevations(network):
    vertices = {name: places[::-1] for name, places in FORK.items()}
    elevation_m = {name: ends[::-1] for name, ends in FORK_M.items()}

    built = network(elevation_m, **vertices)

    assert flows(built) == {"left": "lower", "right": "lower", "lower": None}
    assert notes(built) == [("left", "drawn upstream with all that it connects to", "turned, 3 pieces")]
    assert shapely.get_coordinates(built.links["geometry"][2]).tolist() == [[0, 200], [0, 0]]


def test_noise_within_half_a_metre_turns_nothing(network):
    flat_m = {"left": (10.0, 10.4), "right": (10.0, 10.4), "lower": (10.0, 10.4)}

    built = network(flat_m, **FORK)

    assert flows(built) == {"left": "lower", "right": "lower", "lower": None}
    assert notes(built) == []


def test_unknown_elevations_leave_directions_as_drawn(network):
    unknown_m = dict.fromkeys(FORK, (np.nan, np.nan))

    built = network(unknown_m, **FORK)

    assert flows(built) == {"left": "lower", "right": "lower", "lower": None}


def test_a_river_that_parts_to_two_outlets_keeps_both_where_elevations_say_so(network):
    vertices = {"upper": [(0, 300), (0, 200)], "east": [(0, 200), (90, 0)], "west": [(0, 200), (-100, 0)]}

    built = network({"upper": (30, 20), "east": (20, 0), "west": (20, 0)}, **vertices)

    # The longer arm is the main path; the other starts a link of its own, to its own outlet.
    assert flows(built) == {"upper": "west", "east": None, "west": None}
    assert dict(zip(chains(built), built.links["is_divergence"], strict=True)) == {
        "upper": False,
        "east": True,
        "west": False,
    }


def test_the_side_arm_of_a_divergence_is_listed_and_adds_nothing_to_the_order(network):
    built = network(
        upper=[(0, 300), (0, 200)],
        main=[(0, 200), (-60, 150), (0, 100)],
        arm=[(0, 200), (50, 150), (0, 100)],
        lower=[(0, 100), (0, 0)],
    )

    assert flows(built) == {"upper": "main", "arm": "lower", "main": "lower", "lower": None}
    assert dict(zip(chains(built), built.links["is_divergence"], strict=True)) == {
        "upper": False,
        "arm": True,
        "main": False,
        "lower": False,
    }
    assert built.links["order_strahler"].tolist() == [1, 1, 1, 1]
    assert built.links["shreve"].tolist() == [1, 1, 1, 1]
    assert notes(built) == [
        (
            "arm",
            "side arm of a divergence",
            "starts a link of its own, without water from above; main path by shape",
        )
    ]


def test_an_arm_that_would_flow_in_a_circle_is_turned(network):
    built = network(
        upper=[(0, 300), (0, 200)],
        main=[(0, 200), (0, 100)],
        arm=[(0, 100), (50, 150), (0, 200)],
        lower=[(0, 100), (0, 0)],
        main_path="shortest",
    )

    assert flows(built) == {"upper": "main", "arm": "lower", "main": "lower", "lower": None}
    assert notes(built) == [
        ("arm", "flows in a circle with others", "turned"),
        (
            "arm",
            "side arm of a divergence",
            "starts a link of its own, without water from above; main path by shape",
        ),
    ]
    turned = built.links["geometry"][list(chains(built)).index("arm")]
    assert shapely.get_coordinates(turned).tolist() == [[0, 200], [50, 150], [0, 100]]


def test_arms_that_would_flow_in_a_circle_only_with_each_other_are_turned_until_none_is_left(network):
    # Both arms lead back up: the western one from the lower node to the upper, the eastern one past it.
    built = network(
        upper=[(0, 400), (0, 300)],
        high=[(0, 300), (0, 200)],
        low=[(0, 200), (0, 100)],
        mouth=[(0, 100), (0, 0)],
        west=[(0, 100), (-90, 200), (0, 300)],
        east=[(0, 200), (90, 300), (0, 300)],
        main_path="shortest",
    )

    assert flows(built) == {
        "upper": "high",
        "high": "low",
        "low": "mouth",
        "mouth": None,
        "west": "mouth",
        "east": "low",
    }
    assert sorted(notes(built))[0] == ("east", "flows in a circle with others", "turned")


def test_a_ring_that_nothing_leaves_is_set_aside_and_the_rest_runs(network):
    built = network(ring=[(0, 0), (100, 0), (50, 90), (0, 0)], creek=[(500, 100), (500, 0)])

    assert flows(built) == {"creek": None}
    assert notes(built) == [
        ("ring", "flows in a circle without a way out", "set aside as unknown, without area and flow"),
        ("creek", "meets no other line", "kept as a network of its own"),
    ]
    assert built.unresolved[["feature_id", "feature_from_m"]].to_numpy().tolist() == [["ring", 0.0]]
    assert built.unresolved["geometry"][0].equals(shapely.LineString([(0, 0), (100, 0), (50, 90), (0, 0)]))


def test_a_stream_that_runs_into_a_ring_without_an_outlet_is_set_aside_with_it(network):
    built = network(
        a=[(0, 0), (100, 0)],
        b=[(100, 0), (50, 90)],
        c=[(50, 90), (0, 0)],
        feeder=[(50, 300), (50, 90)],
        creek=[(500, 100), (500, 0)],
    )

    assert flows(built) == {"creek": None}
    assert built.unresolved["feature_id"].tolist() == ["a", "b", "c", "feeder"]


def test_the_same_ring_is_resolved_where_elevations_show_that_the_feeder_is_its_outlet(network):
    elevation_m = {"a": (20, 19), "b": (19, 18), "c": (18, 20), "feeder": (5, 18)}

    built = network(
        elevation_m,
        a=[(0, 0), (100, 0)],
        b=[(100, 0), (50, 90)],
        c=[(50, 90), (0, 0)],
        feeder=[(50, 300), (50, 90)],
    )

    assert len(built.unresolved) == 0
    outlet = built.links["geometry"][built.links.index[built.links["downstream_link"] == -1][0]]
    assert shapely.get_coordinates(outlet)[-1].tolist() == [50, 300]


def test_two_shores_of_a_lake_between_one_source_and_one_outlet_are_no_ring(network):
    built = network(east=[(0, 100), (50, 50), (0, 0)], west=[(0, 100), (-60, 50), (0, 0)])

    assert len(built.unresolved) == 0
    assert flows(built) == {"east": None, "west": None}


def test_only_rings_are_an_error(network):
    with pytest.raises(InputError, match="no way out") as caught:
        network(ring=[(0, 0), (100, 0), (50, 90), (0, 0)])

    assert "1 pieces, of features ring" in str(caught.value)


# Six sources that run together to one end: s3 from its source to joint 3, t3 from there to joint 4.
GATHERING = {f"s{number}": [(100 * number, 500), (100 * number, 100)] for number in range(6)}
GATHERING |= {f"t{number}": [(100 * number, 100), (100 * number + 100, 100)] for number in range(6)}


def gathering_m(source_m, joint_m):
    """Ground at both ends of each line, from that at the sources and at the joints."""
    return {f"s{number}": (source_m, joint_m[number]) for number in range(6)} | {
        f"t{number}": (joint_m[number], joint_m[number + 1]) for number in range(6)
    }


def test_a_network_that_gathers_uphill_is_set_aside_and_the_rest_runs(network):
    elevation_m = {**gathering_m(0.0, [40, 80, 120, 160, 200, 240, 280]), "creek": (9, 0)}

    built = network(elevation_m, **GATHERING, creek=[(5000, 100), (5000, 0)])

    assert flows(built) == {"creek": None}
    assert sorted(built.unresolved["feature_id"]) == sorted(GATHERING)
    assert built.unresolved["because"].unique().tolist() == ["climbs to its outlet, whichever way it is turned"]


def test_a_network_that_gathers_on_flat_ground_is_kept_as_drawn_though_noise_climbs(network):
    # More of its length climbs than falls, but turned it would be a stream that parts five times.
    elevation_m = gathering_m(10.0, [10, 11, 10, 11, 10, 11, 10])

    built = network(elevation_m, **GATHERING)

    assert len(built.unresolved) == 0
    assert notes(built) == []
    assert {name for name, below in flows(built).items() if below is None} == {"t5"}


def test_a_network_of_which_all_but_the_sources_was_drawn_upstream_falls_once_it_is_turned(network):
    # Six short sources into a stem that falls by 30 m, drawn from its mouth up: most of the length is turned.
    joint_m = [30, 25, 20, 15, 10, 5, 0]
    vertices = {
        name: places[::-1] if name[0] == "t" else [(places[0][0], 150), places[1]]
        for name, places in GATHERING.items()
    }
    elevation_m = gathering_m(40.0, joint_m)
    elevation_m |= {name: elevation_m[name][::-1] for name in vertices if name[0] == "t"}

    built = network(elevation_m, **vertices)

    assert len(built.unresolved) == 0
    assert (flows(built)["t4"], flows(built)["t5"]) == ("t5", None)
    assert {note[:2] for note in notes(built)} == {(f"t{number}", "drawn upstream") for number in range(6)}


def test_a_network_that_climbs_a_little_over_most_of_its_length_is_kept(network):
    built = network(gathering_m(10.0, [11, 12, 11, 12, 11, 12, 11]), **GATHERING)

    assert len(built.unresolved) == 0


@pytest.mark.parametrize(("source_m", "is_kept"), [(0.0, True), (-0.1, False)])
def test_a_climb_of_just_the_limit_fits_the_terrain(network, source_m, is_kept):
    # From the sources up to joints at 10 m, of whose way most is climbed.
    elevation_m = {**gathering_m(source_m, [10] * 7), "creek": (9, 0)}

    built = network(elevation_m, **GATHERING, creek=[(5000, 100), (5000, 0)])

    assert (len(built.unresolved) == 0) == is_kept


def test_a_network_whose_outlet_lies_behind_a_short_ridge_is_kept(network):
    # All but the last 100 m has to climb by 20 m, but that is drawn over the last line alone.
    elevation_m = {**gathering_m(15.0, [10] * 6 + [30]), "outlet": (30, 5)}

    built = network(elevation_m, **GATHERING, outlet=[(600, 100), (600, 0)])

    assert len(built.unresolved) == 0
    assert flows(built)["t4"] == "t5+outlet"


def test_a_loose_line_is_kept_and_listed(network):
    built = network(**FORK, loose=[(900, 100), (900, 0)])

    assert flows(built) == {"left": "lower", "right": "lower", "lower": None, "loose": None}
    assert notes(built) == [("loose", "meets no other line", "kept as a network of its own")]


def test_a_line_alone_in_its_layer_is_not_called_loose(network):
    assert notes(network(creek=[(0, 100), (0, 0)])) == []


def test_a_feature_that_runs_across_a_confluence_is_two_links(network):
    built = network(river=[(0, 300), (0, 0)], brook=[(80, 100), (0, 100)])

    assert len(built.links) == 3
    parts = built.parts[built.parts["feature_id"] == "river"]
    assert parts[["feature_from_m", "feature_to_m"]].to_numpy().tolist() == [[0, 200], [200, 300]]
    assert parts["link"].nunique() == 2


def test_two_features_in_one_link_are_joined_and_both_remembered(network):
    built = network(upper=[(0, 300), (0, 120)], lower=[(0, 120), (0, 0)])

    columns = ["link", "from_m", "to_m", "feature_id", "feature_from_m", "feature_to_m"]
    assert built.parts[columns].to_numpy().tolist() == [
        [0, 0, 180, "upper", 0, 180],
        [0, 180, 300, "lower", 0, 120],
    ]
    assert shapely.get_coordinates(built.links["geometry"][0]).tolist() == [[0, 300], [0, 120], [0, 0]]


def test_a_link_is_named_after_the_longest_of_its_pieces(lines):
    table = lines(upper=[(0, 300), (0, 120)], lower=[(0, 120), (0, 0)])
    table["stream"] = ["Long Brook", "Short Brook"]

    assert build_network(table, snap_m=1.0).links["stream"].tolist() == ["Long Brook"]


# A main stem of three links between two brooks, called by the user at its two ends.
STEM = {
    "top": [(0, 900), (0, 600)],
    "between": [(0, 600), (0, 300)],
    "bottom": [(0, 300), (0, 0)],
    "brook": [(50, 620), (0, 600)],
    "beck": [(50, 320), (0, 300)],
}


@pytest.mark.parametrize("more", [{}, {"creek": [(900, 100), (900, 0)]}], ids=["alone", "with another stream"])
@pytest.mark.parametrize(
    ("top", "bottom", "between"), [("Ard", "Ard", "Ard"), ("Ard", "Bel", ""), ("Ard", "", ""), ("", "Ard", "")]
)
def test_a_nameless_link_between_two_of_one_name_on_the_main_stem_takes_it(lines, top, bottom, between, more):
    table = lines(**STEM, **more)
    table["stream"] = [top, "", bottom, "", "", *[""] * len(more)]

    built = build_network(table, snap_m=1.0)

    names = dict(zip(chains(built), built.links["stream"], strict=True))
    assert names == {"top": top, "between": between, "bottom": bottom, "brook": "", "beck": ""} | dict.fromkeys(
        more, ""
    )
    listed = [("between", "nameless between two of one name", "called Ard")] if between else []
    assert [note for note in notes(built) if note[0] not in more] == listed


def test_an_inflow_goes_to_the_stream_that_its_feature_begins(lines):
    table = lines(**FORK).assign(inflow_area_km2=[12.5, 0.0, 3.0])

    built = build_network(table, snap_m=1.0)

    inflow = dict(zip(chains(built), built.links["inflow_area_km2"], strict=True))
    assert inflow == {"left": 12.5, "right": 0.0, "lower": 0.0}
    assert notes(built) == [("lower", "states an inflow, but begins no stream", "inflow left out")]
    # Two parts of one feature begin two streams: which of them brings it is not known.
    twice = table.assign(feature_id=["left", "left", "lower"], inflow_area_km2=[12.5, 12.5, 0.0])
    built = build_network(twice, snap_m=1.0)
    assert not built.links["inflow_area_km2"].any()
    assert ("left", "states an inflow, but begins several streams", "inflow left out") in notes(built)
    # Where one of the parts alone states it, that one does.
    once = build_network(twice.assign(inflow_area_km2=[12.5, 0.0, 0.0]), snap_m=1.0)
    assert sorted(once.links["inflow_area_km2"]) == [0.0, 0.0, 12.5]


def test_arms_that_would_take_more_than_there_is_share_all_of_it(lines):
    table = lines(
        upper=[(0, 300), (0, 200)],
        main=[(0, 200), (-90, 100), (0, 0)],
        west=[(0, 200), (-20, 100), (0, 0)],
        east=[(0, 200), (20, 100), (0, 0)],
        lower=[(0, 0), (0, -100)],
    )
    table["arm_share"] = [0.9, 0.9, 0.9, 0.6, 0.0]

    links = build_network(table, snap_m=1.0, main_path="longest").links

    # 0.9 and 0.6 of the same water: three fifths and two fifths of it.
    assert sorted(links["arm_share"]) == pytest.approx([0.0, 0.0, 0.0, 0.4, 0.6])
    # A little more than all of it, and less.
    for shares, taken in (([0.63, 0.42], [0.4, 0.6]), ([0.5, 0.3], [0.3, 0.5])):
        table.loc[2:3, "arm_share"] = shares
        links = build_network(table, snap_m=1.0, main_path="longest").links
        assert sorted(links["arm_share"])[3:] == pytest.approx(taken)


def test_rings_that_are_all_within_the_snapping_distance_are_an_error(network):
    with pytest.raises(InputError, match="no stream line is left") as caught:
        network(ring=[(0, 0), (0.5, 0), (0.2, 0.3), (0, 0)], dot=[(9, 9), (9.1, 9), (9, 9.1), (9, 9)])

    assert str(caught.value) == (
        "no stream line is left after snapping\n"
        "  expected:  lines that are longer than the snapping distance, 1 m, or no rings\n"
        "  found:     2 small rings: ring, dot\n"
        "  fix:       lower network.snap_m, or check the unit of the layer's coordinates"
    )


def test_no_line_at_all_is_an_error(lines):
    with pytest.raises(InputError, match="found:     no line at all"):
        build_network(lines(), snap_m=1.0)


@pytest.mark.parametrize(
    ("side_m", "snap_m", "is_kept"), [(0.5, 1.0, False), (0.51, 1.0, True), (0.75, 1.5, False), (0.76, 1.5, True)]
)
def test_a_ring_is_left_out_that_is_no_longer_than_twice_the_snapping_distance(network, side_m, snap_m, is_kept):
    ring = [(900, 0), (900 + side_m, 0), (900 + side_m, side_m), (900, side_m), (900, 0)]

    built = network(**FORK, ring=ring, loose=[(500, 90), (500, 0)], snap_m=snap_m)

    assert (("ring", "no length after snapping", "left out") in notes(built)) != is_kept
    assert built.unresolved["feature_id"].tolist() == ["ring"] * is_kept
    assert built.repairs.index.tolist() == list(range(len(built.repairs)))


def test_the_last_vertex_of_the_first_line_is_its_end(network):
    built = network(upper=[(0, 300), (0, 200.6)], side=[(90, 300), (0, 200)], lower=[(0, 200), (0, 0)])

    assert notes(built) == [("upper", "end off its node", "end moved by 0.60 m to the node")]


@pytest.mark.parametrize(("canal_m", "is_canal"), [(120, False), (150, False), (151, True)])
def test_a_link_is_a_canal_where_more_than_half_of_it_is(lines, canal_m, is_canal):
    table = lines(canal=[(0, 300), (0, 300 - canal_m)], lower=[(0, 300 - canal_m), (0, 0)])

    links = build_network(table.assign(is_canal=[True, False]), snap_m=1.0).links

    assert links["is_canal"].tolist() == [is_canal]


def test_the_stream_below_may_be_drawn_first(network):
    built = network(**{name: FORK[name] for name in ("lower", "right", "left")})

    assert flows(built) == {"left": "lower", "right": "lower", "lower": None}
    built = network(lower=[(0, 120), (0, 0)], upper=[(0, 300), (0, 120)])
    assert flows(built) == {"upper+lower": None}


def test_an_inflow_may_be_less_than_a_square_kilometre(lines):
    built = build_network(lines(**FORK).assign(inflow_area_km2=[0.25, np.nan, 0.5]), snap_m=1.0)

    assert sorted(built.links["inflow_area_km2"]) == [0.0, 0.0, 0.25]
    assert notes(built) == [("lower", "states an inflow, but begins no stream", "inflow left out")]


def test_a_link_of_several_features_is_listed_by_the_upper_one(lines):
    # A nameless reach of the stem in two features, and on another stream a side arm in two.
    stem = {**STEM, "between": [(0, 600), (0, 500)], "second": [(0, 500), (0, 300)]}
    table = lines(
        **stem,
        upper=[(5000, 900), (5000, 600)],
        cut=[(5000, 600), (5000, 300)],
        west=[(5000, 600), (4700, 500)],
        round=[(4700, 500), (5000, 300)],
        lower=[(5000, 300), (5000, 0)],
    )
    table["stream"] = np.where(table["feature_id"].isin(["top", "bottom"]), "Ard", "")

    found = {(feature, problem) for feature, problem, _ in notes(build_network(table, snap_m=1.0))}

    assert found == {("between", "nameless between two of one name"), ("west", "side arm of a divergence")}
