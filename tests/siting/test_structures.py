"""Existing weirs and drops: which segment they stand in, and at which of them head may be taken."""

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.siting.structures import (
    ATTRIBUTES,
    SURVEY_ERROR_M,
    at_their_drops,
    judge_structures,
    known_breaks,
    locate_structures,
    place_structures,
    use_flags,
    within_drops,
)

# A stream along the x axis in two segments, and a second one 100 m north of it.
SEGMENTS = pd.DataFrame(
    {
        "station": [1, 2, 5],
        "geometry": [
            shapely.LineString([(0, 0), (50, 0)]),
            shapely.LineString([(50, 0), (100, 0)]),
            shapely.LineString([(0, 100), (100, 100)]),
        ],
    }
)


def structures(places, **columns):
    count = len(places)
    frame = {"feature_id": [f"W{number}" for number in range(count)], **columns}
    return geopandas.GeoDataFrame(frame, geometry=[shapely.Point(place) for place in places])


def test_a_structure_goes_to_the_nearest_segment_and_its_distance_is_reported():
    stationing = place_structures(structures([(20, 3), (80, -4), (60, 95)]), SEGMENTS, snap_m=60.0)

    assert stationing["structure_id"].tolist() == ["W0", "W1", "W2"]
    assert stationing["station"].tolist() == [1, 2, 5]
    assert stationing["distance_to_stream_m"].tolist() == [3.0, 4.0, 5.0]
    assert stationing["is_barrier"].all()


@pytest.mark.parametrize(
    ("place", "station"),
    [((50, 0), 1), ((50, 10), 1), ((30, 50), 1), ((70, 50), 2)],
    ids=["between segments", "beside their border", "between streams", "between streams, lower down"],
)
def test_at_equal_distance_the_lower_station_number_has_the_structure(place, station):
    assert place_structures(structures([place]), SEGMENTS, snap_m=60.0)["station"].tolist() == [station]


def test_a_structure_too_far_from_any_stream_keeps_its_row_and_says_why_it_is_unused():
    stationing = place_structures(structures([(20, -25), (20, -25.5)]), SEGMENTS, snap_m=25.0)

    assert stationing["station"].tolist() == [1, -1]
    assert stationing["is_barrier"].tolist() == [True, False]
    assert stationing["distance_to_stream_m"].tolist() == [25.0, 25.5]
    assert stationing["note"][1] == "no stream within 25 m"


@pytest.mark.parametrize("kind", ["fall", "Waterfall", "BRIDGE", "culvert", "embankment", "ford"])
def test_no_head_is_taken_at_falls_and_crossings(kind):
    stationing = place_structures(structures([(20, 0)], kind=[kind], drop_m=[3.0]), SEGMENTS, snap_m=60.0)

    assert not stationing["is_barrier"].any()
    assert stationing["note"].tolist() == ["no barrier to take head at"]


@pytest.mark.parametrize("kind", ["weir", "mill dam", "", None])
def test_head_may_be_taken_at_other_kinds(kind):
    stationing = place_structures(structures([(20, 0)], kind=[kind], drop_m=[3.0]), SEGMENTS, snap_m=60.0)

    assert stationing["is_barrier"].all()
    assert stationing["note"].tolist() == [""]


@pytest.mark.parametrize(("column", "text"), [("powered", "already powered"), ("removal_planned", "removal")])
@pytest.mark.parametrize(
    ("word", "holds"),
    [
        (True, True),
        (1, True),
        (1.0, True),
        (" Yes ", True),
        ("true", True),
        (False, False),
        (0.0, False),
        ("no", False),
        ("", False),
        (None, False),
        (np.nan, False),
    ],
)
def test_statements_are_read_in_the_ways_that_layers_hold_them(column, text, word, holds):
    stationing = place_structures(structures([(20, 0)], drop_m=[2.0], **{column: [word]}), SEGMENTS, snap_m=60.0)

    assert stationing[column].tolist() == [holds]
    assert stationing["is_barrier"].tolist() == [not holds]
    assert (text in stationing["note"][0]) == holds


def test_a_drop_keeps_its_stated_error_and_gets_a_tenth_of_a_metre_where_none_is_stated():
    stationing = place_structures(
        structures([(20, 0)] * 4, drop_m=["2.5", 1.0, 3.0, "about 2"], drop_error_m=[0.05, None, 0.0, 0.2]),
        SEGMENTS,
        snap_m=60.0,
    )

    assert stationing["drop_m"].tolist() == pytest.approx([2.5, 1.0, 3.0, np.nan], nan_ok=True)
    assert stationing["drop_error_m"].tolist() == [0.05, SURVEY_ERROR_M, SURVEY_ERROR_M, 0.2]
    assert stationing["note"].tolist() == ["", "", "", "no surveyed drop: head from the DEM"]


def test_several_notes_are_joined():
    frame = structures([(20, 0)], kind=["weir"], powered=["yes"], removal_planned=["yes"])

    stationing = place_structures(frame, SEGMENTS, snap_m=60.0)

    assert stationing["note"].tolist() == [
        "already powered: its stream is developed; removal is planned: its head will go"
    ]


def test_a_layer_that_says_nothing_gets_what_is_taken_for_granted():
    stationing = place_structures(structures([(20, 0)]), SEGMENTS, snap_m=60.0)

    texts = {"kind": "", "use": "", "owner": "", "condition": "", "passable": ""}
    defaults = texts | {"powered": False, "fish_pass": False, "removal_planned": False, "removed": False}
    assert set(ATTRIBUTES) == {*defaults, "drop_m", "drop_error_m"}
    assert {name: stationing[name].item() for name in defaults} == defaults
    assert np.isnan(stationing["drop_m"].item())


def test_a_structure_has_its_distance_down_its_segment():
    stationing = place_structures(structures([(80, -4), (20, 3), (60, 95), (50, 0)]), SEGMENTS, snap_m=60.0)

    # Of the second segment, from x = 50 on, 30 of 50 m; and so on. The last is at the end of the first segment.
    assert stationing["share_above"].tolist() == pytest.approx([0.6, 0.4, 0.6, 1.0])


def test_a_weir_in_use_stays_a_candidate_and_its_use_is_reported():
    uses = ["mill", " Irrigation ", "none", "DISUSED", "", None]

    stationing = place_structures(structures([(20, 0)] * 6, drop_m=[2.0] * 6, use=uses), SEGMENTS, snap_m=60.0)

    assert stationing["is_barrier"].all()
    assert use_flags(stationing).tolist() == [
        "structure_in_use: mill",
        "structure_in_use: Irrigation",
        *[""] * 4,
    ]


def test_a_plant_at_a_weir_that_will_be_removed_is_allowed_by_a_setting_and_flagged():
    frame = structures([(20, 0), (80, 0)], drop_m=[2.0] * 2, use=["mill", ""], removal_planned=["yes"] * 2)
    located = locate_structures(frame, SEGMENTS, 60.0)

    refused, allowed = judge_structures(located), judge_structures(located, with_planned=True)

    assert refused["is_barrier"].tolist() == [False, False]
    assert allowed["is_barrier"].tolist() == [True, True]
    assert allowed["note"].tolist() == ["removal is planned: its head will go"] * 2
    assert use_flags(allowed).tolist() == ["structure_in_use: mill; removal_planned", "removal_planned"]


def test_a_layer_without_features_gives_no_rows():
    stationing = place_structures(structures([]), SEGMENTS, snap_m=60.0)

    assert len(stationing) == 0
    assert {"structure_id", "station", "is_barrier", "note"} <= set(stationing)


def test_the_layer_is_not_altered():
    frame = structures([(20, 0)], kind=["weir"], drop_m=[None])
    before = frame.copy()

    place_structures(frame, SEGMENTS, snap_m=60.0)

    assert frame.equals(before)


# Stations 0 to 4 of one link, segments of 50 m, and the DEM falling by so much within some of them.
LINES = pd.DataFrame(
    {
        "station": [1, 2, 3, 4],
        "geometry": [shapely.LineString([(50 * k, 0), (50 * k + 50, 0)]) for k in range(4)],
    }
)
SEGMENT_M = np.array([0.0, 50.0, 50.0, 50.0, 50.0])
DOWNSTREAM = np.array([1, 2, 3, 4, -1], dtype=np.int32)


def moved(placed, raw_m, downstream=DOWNSTREAM, segment_m=SEGMENT_M, snap_m=60.0):
    rmse_m = np.full(len(raw_m), 0.1)
    return at_their_drops(
        placed, raw_m, downstream, segment_m, rmse_m, reach_m=10.0, snap_m=snap_m, min_step_m=1.0
    )


def falling(**drops_m):
    fall_m = np.full(5, 0.1)
    for segment, drop_m in drops_m.items():
        fall_m[int(segment[1:])] += drop_m
    return 9.0 - np.cumsum(fall_m)


@pytest.mark.parametrize(
    ("x_m", "falls_in", "segment"),
    [(75, 2, 2), (75, 3, 2), (96, 2, 2), (96, 3, 3), (54, 1, 1), (54, 3, 2), (4, 1, 1), (4, 2, 1)],
)
def test_a_structure_is_where_the_dem_falls_within_a_cell_of_it(x_m, falls_in, segment):
    placed = place_structures(structures([(x_m, 0)], kind=["weir"]), LINES, snap_m=60.0)

    found = moved(placed, falling(**{f"s{falls_in}": 2.0}), snap_m=9.0)

    assert found["station"].tolist() == [segment]
    assert np.flatnonzero(known_breaks(found, 5)).tolist() == [segment - 1]
    # At the end that is nearest to the mapped point.
    own = placed["station"].item()
    assert found["share_above"].item() == {own: placed["share_above"].item(), own + 1: 0.0, own - 1: 1.0}[segment]
    assert found["note"].tolist() == placed["note"].tolist()


@pytest.mark.parametrize(
    ("drop_m", "falls_m", "segment"),
    [
        # A surveyed weir without a drop in the DEM at its point, and one 25 m downstream, or up.
        (2.0, {"s3": 1.8}, 3),
        (2.0, {"s1": 1.8}, 1),
        # Half of it is enough, less is not; nor is any step for a weir that shows where it is.
        (2.0, {"s3": 1.05}, 3),
        (2.0, {"s3": 0.9}, 2),
        (2.0, {"s2": 1.4, "s3": 1.8}, 2),
        # Without a survey a step counts as the settings say.
        (np.nan, {"s3": 1.05}, 3),
        (np.nan, {"s3": 0.9}, 2),
        # Of several the greatest.
        (2.0, {"s1": 1.6, "s3": 1.8}, 3),
    ],
)
def test_a_drop_farther_off_is_taken_where_the_dem_shows_none_at_the_point(drop_m, falls_m, segment):
    placed = place_structures(structures([(75, 0)], kind=["weir"], drop_m=[drop_m]), LINES, snap_m=60.0)

    found = moved(placed, falling(**falls_m))

    assert found["station"].tolist() == [segment]
    assert ("drop found 25 m" in found["note"].item()) == (segment != 2)
    assert moved(placed, falling(**falls_m), snap_m=24.0)["station"].tolist() == [2]


def test_a_drop_of_another_structure_is_not_taken():
    places = structures([(75, 0), (125, 0)], kind=["weir", "weir"], drop_m=[2.0, 2.0])

    found = moved(place_structures(places, LINES, snap_m=60.0), falling(s3=1.8))

    assert found["station"].tolist() == [2, 3]


def test_a_drop_is_sought_across_the_end_of_a_link_but_not_past_a_confluence():
    # Stations 0 to 2 and 3 to 5 are two links of one stream; 6 and 7 join in the second case.
    downstream = np.array([1, 2, 3, 4, 5, -1, 7, 3], dtype=np.int32)
    segment_m = np.array([0.0, 50.0, 50.0, 0.0, 50.0, 50.0, 0.0, 50.0])
    raw_m = np.array([9.0, 8.9, 8.8, 8.8, 6.7, 6.6, 9.0, 8.9])
    lines = pd.DataFrame({"station": [1, 2, 4, 5], "geometry": LINES["geometry"]})
    placed = place_structures(structures([(97, 0)], kind=["weir"], drop_m=[2.0]), lines, snap_m=60.0)

    alone = moved(placed, raw_m[:6], downstream[:6], segment_m[:6])
    joined = moved(placed, raw_m, downstream, segment_m)

    assert placed["station"].tolist() == [2]
    assert alone["station"].tolist() == [4]
    assert joined["station"].tolist() == [2]


def test_crossings_and_structures_far_from_any_stream_break_nothing_and_gaps_leave_a_fall_where_it_stands():
    placed = place_structures(
        structures([(20, 0), (20, 0), (20, 999)], kind=["bridge", "Ford", "weir"]), LINES, snap_m=60.0
    )
    found = moved(placed, falling(s2=2.0))
    assert found["station"].tolist() == [1, 1, -1]
    assert not known_breaks(found, 5).any()

    fall = place_structures(structures([(49, 0)], kind=["fall"]), LINES, snap_m=60.0)
    assert np.flatnonzero(known_breaks(moved(fall, np.full(5, np.nan)), 5)).tolist() == [0]


@pytest.mark.parametrize(
    ("falls_m", "within"),
    [
        ({"s2": 2.0}, []),
        # A cell at the upper or the lower station holds a part of the drop.
        ({"s1": 0.8, "s2": 1.2}, [1]),
        ({"s3": 0.8, "s2": 1.2}, [2]),
        # Less than noise.
        ({"s3": 0.2, "s2": 1.8}, []),
    ],
)
def test_an_elevation_within_a_drop_is_found(falls_m, within):
    placed = place_structures(structures([(75, 0)], kind=["weir"], drop_m=[2.0]), LINES, snap_m=60.0)
    raw_m = falling(**falls_m)

    found = within_drops(placed, raw_m, DOWNSTREAM, SEGMENT_M, np.full(5, 0.1))

    assert np.flatnonzero(found).tolist() == within


def test_a_drop_beside_another_structure_is_that_ones():
    placed = place_structures(structures([(75, 0), (125, 0)], kind=["weir", "weir"]), LINES, snap_m=60.0)

    found = within_drops(placed, falling(s2=1.2, s3=0.8), DOWNSTREAM, SEGMENT_M, np.full(5, 0.1))

    assert not found.any()


def test_a_removed_weir_stays_where_it_is_mapped_and_breaks_no_profile():
    frame = structures([(96, 0)], drop_m=[2.0])
    raw_m = falling(s3=2.0)

    there, gone = (
        moved(place_structures(frame.assign(removed=[is_gone]), LINES, 60.0), raw_m) for is_gone in "01"
    )

    assert (there["station"].item(), gone["station"].item()) == (3, 2)
    assert known_breaks(there, 5).any()
    assert not known_breaks(gone, 5).any()
    rmse_m = np.full(5, 0.01)
    assert not within_drops(gone, raw_m, DOWNSTREAM, SEGMENT_M, rmse_m).any()
