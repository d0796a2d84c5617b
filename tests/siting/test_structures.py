"""Existing weirs and drops: which segment they stand in, and at which of them head may be taken."""

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.siting.structures import ATTRIBUTES, SURVEY_ERROR_M, known_breaks, place_structures, use_flags

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

    assert stationing["note"].tolist() == ["already powered: its stream is developed; removal is planned"]


def test_a_layer_that_says_nothing_gets_what_is_taken_for_granted():
    stationing = place_structures(structures([(20, 0)]), SEGMENTS, snap_m=60.0)

    texts = {"kind": "", "use": "", "owner": "", "condition": "", "passable": ""}
    defaults = texts | {"powered": False, "fish_pass": False, "removal_planned": False}
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


def test_a_layer_without_features_gives_no_rows():
    stationing = place_structures(structures([]), SEGMENTS, snap_m=60.0)

    assert len(stationing) == 0
    assert {"structure_id", "station", "is_barrier", "note"} <= set(stationing)


def test_the_layer_is_not_altered():
    frame = structures([(20, 0)], kind=["weir"], drop_m=[None])
    before = frame.copy()

    place_structures(frame, SEGMENTS, snap_m=60.0)

    assert frame.equals(before)


# Stations 0 to 4 of one link, segments of 50 m; the DEM falls 2 m where a test says so.
@pytest.mark.parametrize(
    ("x_m", "falls_in", "above"),
    [(75, 2, 1), (75, 3, 1), (96, 2, 1), (96, 3, 2), (54, 1, 0), (54, 3, 1), (4, 1, 0), (4, 2, 0)],
)
def test_a_known_break_is_where_the_dem_falls_within_a_cell_of_the_structure(x_m, falls_in, above):
    lines = [shapely.LineString([(50 * k, 0), (50 * k + 50, 0)]) for k in range(4)]
    segments = pd.DataFrame({"station": [1, 2, 3, 4], "geometry": lines})
    raw_m = np.array([9.0, 8.9, 8.8, 8.7, 8.6]) - np.where(np.arange(5) >= falls_in, 2.0, 0.0)
    stationing = place_structures(structures([(x_m, 0)], kind=["weir"]), segments, snap_m=60.0)

    found = known_breaks(stationing, raw_m, np.array([0.0, 50.0, 50.0, 50.0, 50.0]), 10.0)

    assert np.flatnonzero(found).tolist() == [above]


def test_crossings_and_structures_far_from_any_stream_break_nothing_and_gaps_leave_the_break_where_it_stands():
    stationing = place_structures(
        structures([(20, 0), (20, 0), (20, 999)], kind=["bridge", "Ford", "weir"]), SEGMENTS, snap_m=60.0
    )
    segment_m = np.array([0.0, 50.0, 50.0, 0.0, 0.0, 100.0])
    assert not known_breaks(stationing, np.zeros(6), segment_m, 10.0).any()

    fall = place_structures(structures([(49, 0)], kind=["fall"]), SEGMENTS, snap_m=60.0)
    assert np.flatnonzero(known_breaks(fall, np.full(6, np.nan), segment_m, 10.0)).tolist() == [0]
