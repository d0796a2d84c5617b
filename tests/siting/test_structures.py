"""Existing weirs and drops: which segment they stand in, and at which of them head may be taken."""

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.errors import InputError
from sitefinder.siting import structures as structures_module
from sitefinder.siting.structures import (
    ATTRIBUTES,
    at_their_drops,
    judge_structures,
    known_breaks,
    locate_structures,
    place_structures,
    use_flags,
    validate_structures,
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
    assert stationing["drop_error_m"].tolist() == [0.05, 0.1, 0.1, 0.2]
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


@pytest.mark.parametrize(
    ("x_m", "falls_m", "given", "segment"),
    [
        # Just a cell from the end of its segment the next one counts as far off: half of the drop is asked of it.
        (90, {"s3": 0.5}, {}, 2),
        (90.5, {"s3": 0.5}, {}, 3),
        (90, {"s3": 1.5}, {}, 3),
        # Cells may be smaller than a metre: its own segment is always near.
        (75, {"s2": 2.0}, {"reach_m": 0.5}, 2),
        # Just as far as the place may be off.
        (75, {"s3": 1.5}, {"snap_m": 25.0}, 3),
        (75, {"s3": 1.5}, {"snap_m": 24.5}, 2),
        # Just the step that is asked for is enough, at its place and farther off, and so are three errors.
        (75, {"s2": 1.0, "s3": 1.5}, {}, 2),
        (75, {"s2": 0.9, "s3": 1.5}, {}, 3),
        (75, {"s3": 1.0}, {}, 3),
        (75, {"s3": 0.9}, {}, 2),
    ],
)
def test_limits_of_what_is_taken_for_a_drop_hold_at_their_value(x_m, falls_m, given, segment):
    # A stream without any other fall, so that all numbers are exact.
    placed = place_structures(structures([(x_m, 0)], kind=["weir"]), LINES, snap_m=60.0)
    raw_m = 8.0 - np.cumsum([falls_m.get(f"s{number}", 0.0) for number in range(5)])
    options = {"reach_m": 10.0, "snap_m": 60.0, "min_step_m": 1.0} | given

    found = at_their_drops(placed, raw_m, DOWNSTREAM, SEGMENT_M, np.full(5, 0.1), **options)

    assert found["station"].tolist() == [segment]


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

    # Segments of 50 m, and of half a metre.
    for share in (1.0, 0.01):
        found = within_drops(placed, raw_m, DOWNSTREAM, share * SEGMENT_M, np.full(5, 0.1))

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


def inventory(*rows, name="weirs", **columns):
    frame = structures([(20, 0)] * len(rows), **columns)
    return frame.assign(feature_id=list(rows), inventory=name, inventory_id=list(rows))


@pytest.mark.parametrize(
    ("drop", "is_height"),
    [(0.0, True), (350.0, True), (350.1, False), (-0.1, False), ("2.5", True), ("high", False)]
    + [(None, True), ("", True), (np.inf, False), (np.nan, True)],
)
@pytest.mark.parametrize("column", ["drop_m", "drop_error_m"])
def test_drops_are_heights_up_to_those_of_the_highest_dams_or_nothing(column, drop, is_height):
    frame = inventory("A", "B", **{column: np.array([1.0, drop], dtype=object)})

    if is_height:
        validate_structures(frame)
        return
    with pytest.raises(InputError) as caught:
        validate_structures(frame)
    assert str(caught.value).splitlines()[0] == "the layer weirs: 1 problem"
    assert f"{column} must be a number from 0 to 350, or nothing (structures B)" in str(caught.value)


def test_ids_are_single_in_each_inventory_and_in_all_together():
    once, again = inventory("A", "B"), inventory("C", "A", name="drops")
    of_all = pd.concat([once, again], ignore_index=True)

    with pytest.raises(InputError, match="the inventories of structures together") as caught:
        validate_structures(of_all)
    assert "the id appears more than once (structures A)" in str(caught.value)
    validate_structures(of_all.assign(feature_id=["A", "B", "C", "drops:A"]))
    with pytest.raises(InputError, match="the layer drops"):
        validate_structures(pd.concat([once, inventory("C", "C", name="drops")], ignore_index=True))
    with pytest.raises(InputError) as caught:
        validate_structures(pd.concat([inventory("A", "A"), inventory("C", "C", name="drops")], ignore_index=True))
    text = str(caught.value)
    assert text.splitlines()[0] == "the inventories of structures: 2 problems"
    # In the order of the layers.
    assert [line.strip() for line in text.splitlines()[1:3]] == [
        "weirs: the id appears more than once (structures A)",
        "drops: the id appears more than once (structures C)",
    ]


# A stem of segments 1 to 6 of 10 m each that fall by so much, with a confluence above station 3 in one case.
def falls_of(fall_m, downstream=None, segment_m=None):
    raw_m = 50.0 - np.cumsum([0.0, *fall_m])
    count = len(raw_m)
    downstream = np.append(np.arange(1, count), -1) if downstream is None else np.array(downstream)
    segment_m = np.append(0.0, np.full(count - 1, 10.0)) if segment_m is None else np.array(segment_m)
    return structures_module._Falls(raw_m, downstream, segment_m)


def test_a_drop_is_what_a_segment_falls_more_than_the_middle_of_three_neighbours_on_either_side():
    # Of segment 5 the neighbours are 2 to 4 and 6 to 8, with falls of 1, 2, 3, 6, 5 and 4: 3.5 in the middle.
    falls = falls_of([99.0, 1.0, 2.0, 3.0, 9.0, 6.0, 5.0, 4.0, 77.0])

    assert falls.excess_m(5) == pytest.approx(9.0 - 3.5)
    # At the ends there are fewer: 1, 2, 3 below the first; 4, 5 and 6 above the last.
    assert falls.excess_m(1) == pytest.approx(99.0 - 2.0)
    assert falls.excess_m(9) == pytest.approx(77.0 - 5.0)
    # A stream that rises around has no slope, and alone none either.
    assert falls_of([-1.0, 2.0, -1.0]).excess_m(2) == pytest.approx(2.0)
    assert falls_of([2.0]).excess_m(1) == pytest.approx(2.0)
    # A segment twice as long falls twice as much by its slope; one without an elevation is passed over.
    long = falls_of([1.0, 8.0, 1.0], segment_m=[0.0, 10.0, 20.0, 10.0])
    assert long.excess_m(2) == pytest.approx(8.0 - 2.0)
    assert falls_of([1.0, np.nan, 1.0]).fall_m.tolist() == [-np.inf, pytest.approx(1.0), -np.inf, -np.inf]


@pytest.mark.parametrize("length_m", [10.0, 0.5])
def test_the_next_segments_are_those_of_the_stream_past_the_end_of_a_link_and_not_past_a_confluence(length_m):
    # Links 0 1, 2 3 and 4 5 6; the first two meet in 4 in the second case. Segments may be shorter than a metre.
    segment_m = length_m * np.array([0.0, 1.0, 0.0, 1.0, 0.0, 1.0, 1.0])
    one = falls_of([1.0] * 6, downstream=[1, 4, 3, -1, 5, 6, -1], segment_m=segment_m)
    two = falls_of([1.0] * 6, downstream=[1, 4, 3, 4, 5, 6, -1], segment_m=segment_m)

    assert [one.above(each) for each in (1, 3, 5, 6)] == [-1, -1, 1, 5]
    assert [one.below(each) for each in (1, 3, 5, 6)] == [5, -1, 6, -1]
    assert [two.above(each) for each in (1, 3, 5, 6)] == [-1, -1, -1, 5]
    assert [two.below(each) for each in (1, 3, 5, 6)] == [-1, -1, 6, -1]
    # A place without length is no segment, nor is none at all.
    assert [one._with_length(each) for each in (0, 1, -1)] == [-1, 1, -1]


@pytest.mark.parametrize(("drop_m", "segment"), [(2.0, 2), (2.2, 3)])
def test_a_drop_farther_off_is_three_standard_errors_of_a_difference_of_two_cells(drop_m, segment):
    # 3 · √2 · 0.5 m are 2.12 m, and 0.1 m of each fall are the stream's own.
    placed = place_structures(structures([(75, 0)], kind=["weir"]), LINES, snap_m=60.0)

    found = at_their_drops(
        placed,
        falling(s3=drop_m),
        DOWNSTREAM,
        SEGMENT_M,
        np.full(5, 0.5),
        reach_m=10.0,
        snap_m=60.0,
        min_step_m=1.0,
    )

    assert found["station"].tolist() == [segment]


@pytest.mark.parametrize(("excess_m", "within"), [(0.232, []), (0.233, [1])])
def test_an_elevation_is_within_a_drop_from_1645_standard_errors_of_a_difference_on(excess_m, within):
    # 1.645 · √2 · 0.1 m are 0.2326 m.
    placed = place_structures(structures([(75, 0)], kind=["weir"], drop_m=[2.0]), LINES, snap_m=60.0)
    raw_m = falling(s2=2.0, s1=excess_m)

    found = within_drops(placed, raw_m, DOWNSTREAM, SEGMENT_M, np.full(5, 0.1))

    assert np.flatnonzero(found).tolist() == within


@pytest.mark.parametrize(
    ("x_m", "falls_m", "text"),
    [
        (75, {"s3": 1.8}, "drop found 25 m downstream in the DEM"),
        (70, {"s1": 1.8}, "drop found 20 m upstream in the DEM"),
        (75, {"s4": 1.8}, "drop found 75 m downstream in the DEM"),
    ],
)
@pytest.mark.parametrize("use", ["", "mill"])
def test_a_note_says_how_far_and_which_way_a_drop_was_found(x_m, falls_m, text, use):
    note = "" if not use else "as drawn"
    placed = place_structures(structures([(x_m, 0)], kind=["weir"], drop_m=[2.0]), LINES, snap_m=60.0)

    found = moved(placed.assign(note=note), falling(**falls_m), snap_m=80.0)

    assert found["note"].tolist() == [f"{note}; {text}" if note else text]
    assert placed["note"].tolist() == [""]


def test_an_elevation_at_the_border_of_two_links_is_within_a_drop_at_both_of_its_stations():
    # Stations 0 to 2 and 3 to 5 are two links of one stream: 2 and 3 are one place.
    downstream, segment_m = np.array([1, 2, 3, 4, 5, -1]), np.array([0.0, 50.0, 50.0, 0.0, 50.0, 50.0])
    raw_m = np.array([9.0, 8.9, 7.7, 7.7, 6.9, 6.8])
    lines = pd.DataFrame({"station": [1, 2, 4, 5], "geometry": LINES["geometry"]})

    for x_m, on in ((80, 2), (110, 4)):
        placed = place_structures(structures([(x_m, 0)], kind=["weir"], drop_m=[2.0]), lines, snap_m=60.0)
        found = within_drops(placed, raw_m, downstream, segment_m, np.full(6, 0.1))

        assert placed["station"].tolist() == [on]
        assert np.flatnonzero(found).tolist() == [2, 3]
    none = within_drops(placed[:0], raw_m, downstream, segment_m, np.full(6, 0.1))
    assert none.tolist() == [False] * 6
    # A tributary that joins there has an elevation of its own, and so do all three.
    joined = np.array([1, 2, 3, 4, 5, -1, 7, 3])
    more = np.append(segment_m, [0.0, 50.0]), np.append(raw_m, [9.0, 8.5])
    assert not within_drops(placed, more[1], joined, more[0], np.full(8, 0.1))[[2, 7]].any()


def test_what_of_a_users_column_is_stated():
    stated = structures_module.is_stated(pd.Series(["a", " ", "", None, np.nan, 0, 0.0, False], dtype=object))

    assert stated.tolist() == [True, False, False, False, False, True, True, True]
    assert structures_module.stated_removed(structures([(20, 0)])).tolist() == [False]
    given = structures([(20, 0)] * 4, removed=["yes", "0", None, "perhaps"])
    assert structures_module.stated_removed(given).tolist() == [True, False, False, False]


def test_flags_of_use_hold_no_separator_of_flags():
    uses = pd.DataFrame({"use": ["mill; saw", " none ", "Unknown"], "removal_planned": [False, True, False]})

    assert use_flags(uses).tolist() == ["structure_in_use: mill, saw", "removal_planned", ""]


def test_a_word_for_what_fish_pass_that_is_none_is_noted():
    frame = structures([(20, 0)] * 4, drop_m=[2.0] * 4, passable=["yes", "0.4", "maybe", ""])

    notes = place_structures(frame, SEGMENTS, snap_m=60.0)["note"].tolist()

    unclear = "passable is neither yes, partly or no nor a share from 0 to 1"
    assert notes == ["", "", unclear, ""]


@pytest.mark.parametrize(("error_m", "station"), [(None, -1), (29.0, -1), (30.0, 1), (5.0, -1)])
def test_a_structure_is_sought_as_far_as_the_greater_of_the_setting_and_the_error_of_its_place(error_m, station):
    frame = structures([(20, 30)]).assign(position_error_m=[np.nan if error_m is None else error_m])

    located = locate_structures(frame, SEGMENTS, snap_m=25.0)

    assert located["station"].tolist() == [station]
    assert located["within_m"].tolist() == [max(25.0, error_m or 0.0)]
    assert located["sources"].tolist() == [""]
