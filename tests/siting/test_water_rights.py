"""Water rights on a drawn tree: where they are placed, and which a site touches."""

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.report.water_rights import right_sentences
from sitefinder.siting.candidates import Stretches
from sitefinder.siting.water_rights import place_rights, rights_at_sites

# Stations 0 to 6 down a straight stream, 100 m apart; each but the first has the segment above it.
COUNT = 7
STATIONS = pd.DataFrame(
    {
        "downstream": [1, 2, 3, 4, 5, 6, -1],
        "to_downstream_m": [100.0] * 6 + [0.0],
        "segment_length_m": [0.0] + [100.0] * 6,
    }
)
SEGMENTS = geopandas.GeoDataFrame(
    {"station": range(1, COUNT)},
    geometry=[shapely.LineString([(100.0 * at, 0.0), (100.0 * at + 100.0, 0.0)]) for at in range(COUNT - 1)],
)


def test_points_and_areas_are_placed_at_the_nearest_segment_and_the_uppermost_of_several():
    shapes = np.array(
        [
            shapely.Point(130.0, 8.0),
            shapely.Point(200.0, 0.0),
            shapely.Point(300.0, 60.0),
            shapely.box(350.0, -5.0, 460.0, 5.0),
            shapely.Polygon([(520.0, 10.0), (540.0, 30.0), (500.0, 30.0)]),
        ],
        dtype=object,
    )
    lines = SEGMENTS.geometry.to_numpy()

    for towards in (1.0, -1.0):
        turned = [shapely.transform(each, lambda at, x=towards: at * [x, 1.0]) for each in (lines, shapes)]
        station, share_above = place_rights(turned[1], SEGMENTS.assign(geometry=turned[0]), 50.0)

        # The second lies where two segments meet, the third is too far, the area touches two.
        assert station.tolist() == [2, 2, -1, 4, 6]
        assert share_above.tolist() == pytest.approx([0.3, 1.0, 0.0, 0.5, 0.2])


def test_what_a_site_touches_goes_by_where_the_right_lies_against_it():
    # A diversion from station 2 to 4, a new weir at 3 that ponds the segment above, a plant at a weir from 3 to 4.
    table = pd.DataFrame(
        {
            "scheme_type": ["diversion", "new_weir", "at_barrier"],
            "intake": [2, 3, 3],
            "tailrace": [4, 4, 4],
        }
    )
    stretches = Stretches(table, np.array([0, 2, 4, 5]), np.array([2, 3, 5]), np.array([3, 4, 4, 3, 4]))
    # At 150, 250, 350, 450 and 650 m, the last beyond the end of the stream.
    station, share_above = np.array([2, 3, 4, 5, -1]), np.array([0.5, 0.5, 0.5, 0.5, 0.0])

    found = rights_at_sites(stretches, [0, 1, 2], STATIONS, station, share_above, 60.0)

    assert found.to_numpy().tolist() == [
        [0, 0, "at the intake", -50.0],
        [0, 1, "in the depleted reach", 50.0],
        [0, 2, "in the depleted reach", 150.0],
        [0, 3, "downstream", 250.0],
        [1, 1, "in the pond", -50.0],
        [1, 2, "in the pond", 50.0],
        [1, 3, "downstream", 150.0],
        [2, 1, "at the intake", -50.0],
        [2, 2, "at the plant", 50.0],
        [2, 3, "downstream", 150.0],
    ]
    # 50 m below the tailrace is beyond 40 m; without a right there is no row.
    nearer = rights_at_sites(stretches, [0], STATIONS, station, share_above, 40.0)
    assert nearer["right"].tolist() == [0, 1, 2]
    assert rights_at_sites(stretches, [0], STATIONS, station[4:], share_above[4:], 60.0).empty
    assert found.index.tolist() == list(range(10))


@pytest.mark.parametrize(
    ("downstream_m", "touched"),
    [(0.0, [0]), (99.0, [0, 1]), (100.0, [0, 1, 2]), (150.0, [0, 1, 2, 3]), (1e6, [0, 1, 2, 3])],
)
def test_rights_below_a_site_are_those_up_to_a_distance_and_at_most_to_the_outlet(downstream_m, touched):
    table = pd.DataFrame({"scheme_type": ["diversion"], "intake": [2], "tailrace": [4]})
    stretches = Stretches(table, np.array([0, 2]), np.array([2]), np.array([3, 4]))
    # At 0, 50, 100 and 150 m below the tailrace at 400 m: at the upper ends of two segments, and in their middles.
    station, share_above = np.array([5, 5, 6, 6]), np.array([0.0, 0.5, 0.0, 0.5])

    found = rights_at_sites(stretches, [0], STATIONS, station, share_above, downstream_m)

    assert found["right"].tolist() == touched
    assert set(found["relation"]) == {"downstream"}


def test_an_intake_below_a_confluence_has_the_rights_on_the_ends_of_both_streams():
    # Links 0 1 and 2 3 end where link 8 10 begins; link 4 5 ends a metre above that place. Links 6 7 and 9 11 are
    # another stream.
    stations = pd.DataFrame(
        {
            "downstream": [1, 8, 3, 8, 5, 8, 7, 9, 10, 11, -1, -1],
            "to_downstream_m": [0.5, 0.0, 80.0, 0.0, 30.0, 1.0, 40.0, 0.0, 60.0, 70.0, 0.0, 0.0],
            "segment_length_m": [0.0, 0.5, 0.0, 80.0, 0.0, 30.0, 0.0, 40.0, 0.0, 0.0, 60.0, 70.0],
        }
    )
    table = pd.DataFrame({"scheme_type": ["diversion"], "intake": [8], "tailrace": [10]})
    stretches = Stretches(table, np.array([0, 1]), np.array([1]), np.array([10]))
    station, share_above = np.array([1, 3, 5, 7]), np.array([0.0, 0.75, 1.0, 1.0])

    found = rights_at_sites(stretches, [0], stations, station, share_above, 100.0)

    assert found.to_numpy().tolist() == [[0, 1, "at the intake", -20.0], [0, 0, "at the intake", -0.5]]


def test_of_many_rights_below_a_site_the_nearest_are_named_and_the_others_counted():
    rows = [
        {
            "licence": f"L{number}",
            "name": "",
            "kind": "return" if number == 5 else "abstraction",
            "relation": "at the intake" if number == 0 else "downstream",
            "distance_m": 100.0 * number,
            "flow_m3s": 0.1,
            "share_of_time": 1.0,
            "months": "",
            "seniority": "",
        }
        for number in range(7)
    ]

    sentences = right_sentences(rows)

    assert [sentence.split()[2] for sentence in sentences[:4]] == ["L0", "L1", "L2", "L3"]
    # Of the three others one brings water.
    assert sentences[4:] == [
        "3 more water rights downstream, up to 600 m below the intake, with 0.2 m³/s together: see the layer "
        "site_water_rights."
    ]
    assert right_sentences([rows[5]])[0].endswith("500 m below the intake. It brings water downstream.")
