"""Settlements: which are off-grid, what they need, which is nearest."""

import geopandas
import numpy as np
import pytest
from shapely import LineString, Point, box

from sitefinder.errors import InputError
from sitefinder.settings import OffGridSettings
from sitefinder.siting.access import demand_of_settlements, is_off_grid, nearest_settlement

LINES = geopandas.GeoDataFrame(geometry=[LineString([(0, 0), (0, 1000)])], crs="EPSG:32633")


def settlements(*shapes, **columns):
    names = {"feature_id": [f"s{number}" for number in range(len(shapes))], "feature_name": ""}
    return geopandas.GeoDataFrame(names | columns, geometry=list(shapes), crs="EPSG:32633")


def test_those_farther_from_every_line_than_a_distance_are_off_the_grid():
    places = settlements(Point(99, 500), Point(101, 500), box(90, 2000, 200, 2100), box(90, 500, 200, 600))

    assert is_off_grid(places, LINES, 100.0).tolist() == [False, True, True, False]
    assert is_off_grid(places, None, 100.0).tolist() == [True] * 4
    assert is_off_grid(places, LINES.iloc[:0], 100.0).tolist() == [True] * 4


def test_the_nearest_is_the_first_of_several_at_one_distance():
    places = settlements(Point(10, 0), Point(-10, 0), Point(300, 0))

    row, distance_m = nearest_settlement(np.array([0.0, 250.0]), np.array([0.0, 0.0]), places)

    assert row.tolist() == [0, 2]
    assert distance_m.tolist() == [10.0, 50.0]


def test_without_settlements_there_is_no_nearest():
    row, distance_m = nearest_settlement(np.zeros(2), np.zeros(2), settlements())

    assert row.tolist() == [-1, -1]
    assert np.isnan(distance_m).all()


def test_demand_is_the_column_times_what_one_needs():
    places = settlements(Point(0, 0), Point(1, 1), households=[12, 0])

    demand = demand_of_settlements(places, OffGridSettings(demand_column="households", kwh_per_unit=2500))

    assert demand.tolist() == [30.0, 0.0]


def test_a_column_that_is_not_there_is_reported_with_those_that_are():
    places = settlements(Point(0, 0), homes=[3])

    with pytest.raises(InputError) as caught:
        demand_of_settlements(places, OffGridSettings(demand_column="households"))

    assert str(caught.value).splitlines() == [
        "the settlements have no column households",
        "  where:  layer settlements, off_grid.demand_column",
        "  found:  homes",
        "  fix:    name the column with the demand, or with the number of inhabitants or homes",
    ]


def test_demands_that_are_no_numbers_are_reported_by_id():
    places = settlements(Point(0, 0), Point(1, 0), Point(2, 0), homes=["3", "many", "-1"])

    with pytest.raises(InputError, match=r"settlements: +s1, s2"):
        demand_of_settlements(places, OffGridSettings(demand_column="homes"))
