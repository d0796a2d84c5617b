"""What streams without a name are called."""

import geopandas
import pytest
import shapely

from sitefinder.report.stream_names import stream_names

# A river from (0, 0) to (0, -9), 1 km between its points; streams without a name reach it from the east.
REACHES = [
    ("river 1", "Ardelm", [(0, 0), (0, -2000)]),
    ("river 2", "Ardelm", [(0, -2000), (0, -5000)]),
    ("river 3", "Ardelm", [(0, -5000), (0, -9000)]),
    ("brook", "", [(3000, -2000), (0, -2000)]),
    ("head of the brook", None, [(5000, -2000), (3000, -2000)]),
    ("lone", "", [(9000, 0), (9000, -500)]),
    ("named", "Hosk", [(1000, -5000), (0, -5000)]),
]


@pytest.fixture
def reaches():
    lines = [shapely.LineString(places) for _, _, places in REACHES]
    return geopandas.GeoDataFrame(
        {
            "reach_id": [name for name, _, _ in REACHES],
            "stream": [stream for _, stream, _ in REACHES],
            "length_m": [line.length for line in lines],
        },
        geometry=lines,
        crs="EPSG:32633",
    )


@pytest.mark.parametrize(
    ("reach", "called"),
    [
        ("river 2", "Ardelm"),
        ("named", "Hosk"),
        # It joins 2 km below the source of a river of 9 km.
        ("brook", "tributary of Ardelm at km 7.0"),
        ("head of the brook", "tributary of Ardelm at km 7.0"),
        ("lone", "stream without a name"),
        ("absent", "stream without a name"),
    ],
)
def test_a_stream_is_called_by_its_name_or_by_the_river_it_joins(reaches, reach, called):
    assert stream_names(reaches, [reach]) == {reach: called}


def test_streams_that_run_in_a_circle_come_to_an_end(reaches):
    circle = reaches[reaches["reach_id"].isin(["brook", "head of the brook"])].copy()
    circle["geometry"] = [
        shapely.LineString([(0, 0), (1000, 0)]),
        shapely.LineString([(1000, 0), (0, 0)]),
    ]

    assert stream_names(circle, ["brook"]) == {"brook": "stream without a name"}
