"""Names of streams along them: where they are straight, and never upside down."""

import numpy as np
import pytest
import shapely

from sitefinder.report.map_labels import stream_places


def test_a_name_lies_on_the_straight_part_of_a_winding_stream():
    bends = [(x, 40.0 * (-1) ** number) for number, x in enumerate(range(0, 500, 50))]
    stream = shapely.LineString([*bends, (500.0, 0.0), (1500.0, 0.0)])

    [place] = stream_places(["Ardelm"], np.array([stream]))

    assert place.east_m > 600.0
    assert place.north_m == pytest.approx(0.0)
    assert place.turn_deg == pytest.approx(0.0)


@pytest.mark.parametrize(("east", "north", "turn"), [(1, 1, 45.0), (-1, -1, 45.0), (-1, 1, -45.0), (0, -1, 90.0)])
def test_a_name_is_read_from_left_to_right_whatever_way_the_water_flows(east, north, turn):
    stream = shapely.LineString([(0.0, 0.0), (100.0 * east, 100.0 * north)])

    [place] = stream_places(["Ardelm"], np.array([stream]))

    assert place.turn_deg == pytest.approx(turn)


def test_reaches_of_one_name_have_one_label_and_those_without_a_name_none():
    lines = [shapely.LineString([(at, 0.0), (at + 10.0, 0.0)]) for at in (0.0, 10.0, 50.0)]

    places = stream_places(["Ardelm", "Ardelm", ""], np.array(lines))

    assert [(place.name, place.length_m, place.east_m) for place in places] == [
        ("Ardelm", 20.0, pytest.approx(10.0, abs=9.0))
    ]
    assert stream_places([None], np.array(lines[:1])) == []
