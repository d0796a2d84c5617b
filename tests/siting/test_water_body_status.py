"""Water bodies of a layer: status, caps, and what is wrong with them."""

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.errors import InputError
from sitefinder.settings import WaterBodySource
from sitefinder.siting.candidates import Stretches
from sitefinder.siting.water_body_status import bodies_of, bodies_used, body_numbers, water_bodies_of

ALL = {"status_column": "class", "max_plants_column": "plants", "max_new_barriers_column": "weirs"}


def layer(**columns):
    """Features with the ids and columns, at one place."""
    own = {"source_row": range(len(columns["feature_id"])), "feature_name": ""} | columns
    points = [shapely.Point(0, 0)] * len(columns["feature_id"])
    return geopandas.GeoDataFrame(own, geometry=points, crs="EPSG:32633")


def source(**settings):
    return WaterBodySource(path="waters.gpkg", id_column="id", **settings)


def test_status_and_caps_of_features_of_one_id_are_those_of_one_water_body():
    frame = layer(
        feature_id=["b", "a", "b", "c"],
        **{"class": ["Good ", "poor", "Good ", None], "plants": [2, np.nan, 2, 0], "weirs": [None] * 4},
    )

    read, notes = water_bodies_of(frame, source(**ALL, must_not_fall_values=["GOOD", "high"]))

    bodies = bodies_of(read)
    assert list(bodies) == ["water_body_id", "name", "status", "must_not_fall", "max_plants", "max_new_barriers"]
    assert bodies["water_body_id"].tolist() == ["b", "a", "c"]
    assert bodies["status"].tolist() == ["Good", "poor", ""]
    assert bodies["must_not_fall"].tolist() == [True, False, False]
    assert bodies["max_plants"].fillna(-1).tolist() == [2, -1, 0]
    assert bodies["max_new_barriers"].isna().all()
    assert body_numbers(read).tolist() == [0, 1, 0, 2]
    assert notes == [
        ("no status: 1 of 3 water bodies", "taken as not known"),
        ("must_not_fall_values: no status is high", "is it misspelt?"),
    ]


def test_classes_that_are_numbers_are_told_apart_as_settings_write_them():
    frame = layer(feature_id=["a", "b"], **{"class": [1.0, 3.0]})

    read, _ = water_bodies_of(frame, source(status_column="class", must_not_fall_values=[1]))

    assert read["status"].tolist() == ["1", "3"]
    assert read["must_not_fall"].tolist() == [True, False]


def test_all_that_is_wrong_is_said_at_once():
    frame = layer(
        feature_id=["a", "a", "b"],
        **{"class": ["good", "poor", "poor"], "plants": [-1, -1, 2.5], "weirs": ["two", "two", None]},
    )

    with pytest.raises(InputError) as caught:
        water_bodies_of(frame, source(**ALL, must_not_fall_values=["high"]))

    assert str(caught.value) == (
        "the layer water_bodies: 4 problems\n"
        "  a cap of a water body is no number of plants or barriers\n"
        "    file:          waters.gpkg, column plants\n"
        "    water bodies:  a, b\n"
        "    expected:      a whole number from 0 up, or nothing\n"
        "    found:         -1.0, 2.5\n"
        "    fix:           correct the column, or max_plants_column\n"
        "  a cap of a water body is no number of plants or barriers\n"
        "    file:          waters.gpkg, column weirs\n"
        "    water bodies:  a\n"
        "    expected:      a whole number from 0 up, or nothing\n"
        "    found:         'two'\n"
        "    fix:           correct the column, or max_new_barriers_column\n"
        "  features of one water body differ\n"
        "    file:      waters.gpkg, column class\n"
        "    expected:  the same in all features of one id\n"
        "    found:     a: good and poor\n"
        "    fix:       correct the column, or give different water bodies different ids\n"
        "  no water body has a status of those that must not fall\n"
        "    file:      waters.gpkg\n"
        "    expected:  one of high in the column class\n"
        "    found:     good, poor\n"
        "    fix:       correct must_not_fall_values, or leave it out"
    )


def test_a_status_beside_none_in_one_water_body_is_a_conflict():
    frame = layer(feature_id=["b", "a", "a", "b"], **{"class": ["good", "poor", None, "high"]})

    # In the order of the layer.
    with pytest.raises(InputError, match="b: good and high, a: poor and nothing"):
        water_bodies_of(frame, source(status_column="class"))


def test_a_site_uses_what_lies_on_its_way_at_its_tailrace_and_under_its_pond():
    # A chain of six stations: two in no water body, then bodies 2, 0, 0 and 1.
    part = np.array([-1, -1, 2, 0, 0, 1])
    table = pd.DataFrame({"intake": [1, 4, 0], "tailrace": [4, 5, 1]})
    # The second ponds the third station; the last one is in no water body.
    stretches = Stretches(
        table,
        np.array([0, 3, 5, 6]),
        np.array([3, 4, 6]),
        np.array([2, 3, 4, 5, 2, 1], dtype=np.int32),
    )

    assert bodies_used(part, stretches, [0, 1, 2]) == [[2, 0], [2, 1], []]
    assert bodies_used(part, stretches, [2]) == [[]]
