"""What sites do to a river together, by hand: streams, water bodies, free-flowing stream and the limits."""

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
from scipy.sparse import csr_array

from sitefinder.settings import RankingSettings
from sitefinder.siting.candidates import Stretches
from sitefinder.siting.limits import (
    Limit,
    RiverUse,
    builds_at_intake,
    cumulative_limits,
    goes_beyond,
    streams_of_links,
    too_close_to_plants,
    water_bodies_of_stations,
    with_free_flow,
)


def test_connected_links_of_one_name_are_one_stream_by_its_lowest_link():
    links = pd.DataFrame(
        {
            "stream": ["Aune", "Beck", "Aune", None, "", "Beck", "Aune"],
            "downstream_link": [2, 2, 4, 4, 6, 6, -1],
        }
    )

    # Of the Aune an unnamed link is between two parts; so is the Beck in two parts. No name is a name here.
    assert streams_of_links(links).tolist() == [2, 1, 2, 4, 4, 5, 6]
    alone = pd.DataFrame({"stream": ["Aune", "Aune"], "downstream_link": [-1, -1]})
    assert streams_of_links(alone).tolist() == [0, 1]
    into_the_first = pd.DataFrame({"stream": ["Aune", "Aune"], "downstream_link": [1, -1]})
    assert streams_of_links(into_the_first).tolist() == [1, 1]


# Five segments of 100 m along the x axis, that end at stations 1 to 5.
SEGMENTS = geopandas.GeoDataFrame(
    {"station": [1, 2, 3, 4, 5]},
    geometry=[shapely.LineString([(100 * k, 0), (100 * k + 100, 0)]) for k in range(5)],
)


def test_a_segment_is_of_the_water_body_nearest_to_its_middle_and_of_the_first_of_several():
    areas = [
        shapely.box(100, -10, 300, 10),
        shapely.box(120, -20, 180, 20),
        shapely.LineString([(0, 25), (60, 25)]),
    ]

    # The third is 25 m from the middle of the first segment; the fourth's middle is 50 m from the first area.
    assert water_bodies_of_stations(areas, SEGMENTS, 24.0, 7).tolist() == [-1, -1, 0, 0, -1, -1, -1]
    assert water_bodies_of_stations(areas, SEGMENTS, 25.0, 7).tolist() == [-1, 2, 0, 0, -1, -1, -1]
    assert water_bodies_of_stations(areas, SEGMENTS, 50.0, 7).tolist() == [-1, 2, 0, 0, 0, -1, -1]
    assert water_bodies_of_stations(areas[::-1], SEGMENTS, 24.0, 6).tolist() == [-1, -1, 1, 2, -1, -1]
    assert water_bodies_of_stations([], SEGMENTS, 25.0, 3).tolist() == [-1] * 3
    assert water_bodies_of_stations(areas, SEGMENTS[:0], 25.0, 3).tolist() == [-1] * 3


# A stem 0 → 1 → 3 → 5 → 6 and tributaries 2 → 3 and 4 → 5; stations 1, 2 and 3 lie at one confluence.
DOWNSTREAM = np.array([1, 3, 3, 5, 5, 6, -1], dtype=np.int32)
STEP_M = np.array([100.0, 0.0, 0.0, 100.0, 30.0, 100.0, 0.0])


def zones(intake, ponds, builds, length_m):
    start = np.concatenate([[0], np.cumsum([len(pond) for pond in ponds])]).astype(np.int64)
    pond = np.array([each for part in ponds for each in part], dtype=np.int32)
    given = DOWNSTREAM, STEP_M, np.array(intake), start, pond, np.array(builds), length_m
    start, pond = with_free_flow(*given)
    return [sorted(part) for part in np.split(pond, start[1:-1])], (start, pond)


@pytest.mark.parametrize(
    ("intake", "pond", "builds", "length_m", "taken"),
    [
        # An intake takes its own station, and all at the same place, whatever the length.
        (5, [], True, 0.0, [5]),
        (3, [], True, 0.0, [1, 2, 3]),
        (5, [], False, 500.0, []),
        # Up to the length and not at it: 30 m to station 4, 100 m to the confluence, 200 m to the source.
        (5, [], True, 30.0, [5]),
        (5, [], True, 30.1, [4, 5]),
        (5, [], True, 100.0, [4, 5]),
        (5, [], True, 100.1, [1, 2, 3, 4, 5]),
        (5, [], True, 200.0, [1, 2, 3, 4, 5]),
        (5, [], True, 201.0, [0, 1, 2, 3, 4, 5]),
        # A pond is taken as it is; the length counts from the segments above it.
        (5, [5], True, 0.0, [5]),
        (5, [5], False, 50.0, [5]),
        (5, [5], True, 1.0, [1, 2, 3, 4, 5]),
        (5, [4, 5, 3], True, 50.0, [1, 2, 3, 4, 5]),
        (5, [4, 5, 3], True, 100.5, [0, 1, 2, 3, 4, 5]),
    ],
)
def test_free_flowing_stream_above_an_intake_goes_up_all_tributaries(intake, pond, builds, length_m, taken):
    # Another candidate before and after must not be touched.
    found, _ = zones([6, intake, 4], [[], pond, [4]], [False, builds, False], length_m)

    assert found == [[], taken, [4]]


def test_a_site_too_near_to_an_existing_plant_is_one_within_the_length_above_it_or_over_it():
    developed = np.array([False, False, False, False, False, False, True])
    # From the source to the confluence, from there down to station 5, down the tributary, and over the plant.
    intake, tailrace = np.array([0, 3, 2, 5]), np.array([1, 5, 3, 6])
    builds = np.ones(4, dtype=bool)
    no_ponds = np.zeros(5, dtype=np.int64), np.empty(0, dtype=np.int32)

    def too_near(length_m, developed=developed, builds=builds):
        ponds = with_free_flow(DOWNSTREAM, STEP_M, intake, *no_ponds, builds, length_m)
        given = DOWNSTREAM, STEP_M, tailrace, *ponds, builds, developed, length_m
        return too_close_to_plants(*given).tolist()

    # The plant begins right below station 5, 100 m below the confluence.
    assert too_near(0.0) == [False] * 4
    assert too_near(1.0) == [False, True, False, False]
    assert too_near(100.0) == [False, True, False, False]
    assert too_near(100.5) == [True, True, True, False]
    assert too_near(100.5, developed=np.zeros(7, dtype=bool)) == [False] * 4
    assert too_near(100.5, builds=np.array([True, False, True, True])) == [True, False, True, False]
    # A plant in the free-flowing stream above an intake.
    above = np.array([False, True, False, False, False, False, False])
    assert too_near(1.0, developed=above) == [False, True, False, False]
    assert too_near(101.0, developed=above) == [False, True, False, True]


def test_all_but_plants_at_weirs_build_something_at_their_intake():
    types = np.array(["diversion", "at_barrier", "new_weir"], dtype=object)

    assert builds_at_intake(types).tolist() == [True, False, True]


# Two diversions, a new weir with a pond and a plant at a weir, on five segments in two water bodies.
TABLE = pd.DataFrame(
    {
        "scheme_type": ["diversion", "diversion", "new_weir", "at_barrier"],
        "intake": [0, 2, 3, 4],
        "tailrace": [2, 3, 4, 5],
        "intake_weir_m": [1.0, 0.0, 0.0, 0.0],
        "substation_id": ["S", "T", "S", "U"],
        "substation_free_kw": [300.0, 50.0, 300.0, np.nan],
    }
)
STRETCHES = Stretches(TABLE, np.array([0, 2, 3, 5, 6]), np.array([2, 3, 4, 6]), np.array([2, 1, 3, 4, 3, 5]))
SEGMENT_M = np.array([0.0, 100.0, 200.0, 400.0, 800.0, 1600.0])
USE = RiverUse(
    stream=np.array([-1, 0, 0, 0, 1, 1]),
    water_body=np.array([-1, 0, 0, 1, 1, -1]),
    developed=np.array([False, True, False, False, False, True]),
    plants=np.array([False, True, False, False, False, True]),
)


def limits(use=USE, left_out=(), power_kw=None, table=TABLE, **ranking):
    given = RankingSettings(**ranking), STRETCHES._replace(table=table), SEGMENT_M, use, left_out, power_kw
    found = cumulative_limits(*given)
    return {each.name: (each.amounts.toarray().tolist(), each.maximum.tolist()) for each in found}


def test_depleted_lengths_are_those_of_diversions_by_stream_and_water_body_less_what_plants_use():
    found = limits(max_depleted_share=0.5)

    # The streams are 700 m and 2400 m long, the water bodies 300 m and 1200 m; a pond is not depleted.
    assert found == {
        "depleted share of a stream": ([[300, 400, 0, 0], [0, 0, 0, 0]], [250, 0]),
        "depleted share of a water body": ([[300, 0, 0, 0], [0, 400, 0, 0]], [50, 600]),
    }
    assert list(limits(max_depleted_share=0.5, left_out=["depleted share of a stream"])) == [
        "depleted share of a water body"
    ]


def test_the_pond_of_a_diversion_is_not_depleted():
    found = limits(max_depleted_share=0.5, table=TABLE.assign(scheme_type="diversion"))

    # The third takes 800 m of the second stream, and ponds 400 m of the first.
    assert found["depleted share of a stream"][0] == [[300, 400, 0, 0], [0, 0, 800, 1600]]


def test_plants_by_kilometre_are_whole_ones_and_existing_plants_count():
    # 0.7 km and 2.4 km, with one plant each: 2.8 and 9.6 at four a kilometre, 2 and 6 at 2.858.
    one = [[1, 1, 0, 0], [0, 0, 1, 1]]
    assert limits(max_plants_per_km=4.0) == {"plants per km of stream": (one, [1, 8])}
    # Exactly two, but for rounding; and none left where existing plants take more.
    assert limits(max_plants_per_km=2.0 / 0.7)["plants per km of stream"][1] == [1, 5]
    assert limits(max_plants_per_km=0.5)["plants per km of stream"][1] == [0, 0]


def test_caps_of_water_bodies_are_their_own_or_those_of_the_settings():
    plants, barriers = "plants in a water body", "new barriers in a water body"
    # Tailraces for plants, intakes for barriers; a diversion with a weir of its own builds one.
    assert limits(max_plants_per_water_body=2) == {plants: ([[1, 0, 0, 0], [0, 1, 1, 0]], [1, 2])}
    assert limits(max_new_barriers_per_water_body=3) == {barriers: ([[0, 0, 0, 0], [0, 0, 1, 0]], [3, 3])}
    no_weir_column = TABLE.drop(columns="intake_weir_m").assign(intake=[3, 2, 3, 4])
    assert limits(max_new_barriers_per_water_body=3, table=no_weir_column)[barriers][0] == [[0] * 4, [0, 0, 1, 0]]
    at_a_weir = TABLE.assign(intake=[2, 2, 3, 4])
    assert limits(max_new_barriers_per_water_body=3, table=at_a_weir)[barriers][0] == [[1, 0, 0, 0], [0, 0, 1, 0]]
    # The layer's own caps go first; a third water body has no stream.
    own = USE._replace(max_plants=np.array([np.nan, 5.0, 7.0]), max_new_barriers=np.array([0.0, np.nan, 1.0]))
    assert limits(own)[plants] == ([[0, 1, 1, 0]], [5])
    assert limits(own)[barriers] == ([[0, 0, 0, 0]], [0])
    assert limits(own, max_plants_per_water_body=1)[plants][1] == [0, 5]


def test_without_water_bodies_or_limits_there_is_none():
    nowhere = USE._replace(water_body=np.full(6, -1))

    assert limits(nowhere, max_plants_per_water_body=2, max_new_barriers_per_water_body=2) == {}
    assert list(limits(nowhere, max_depleted_share=0.5)) == ["depleted share of a stream"]
    assert limits() == {}


def test_where_there_is_no_stream_at_all_nothing_is_limited():
    none = np.zeros(0, dtype=np.int64)
    nothing = RiverUse(none, none, none.astype(bool), none.astype(bool))
    ranking = RankingSettings(max_depleted_share=0.5, max_plants_per_km=1.0, max_plants_per_water_body=1)

    stretches = Stretches(TABLE[:0], np.zeros(1, dtype=np.int64), none, none)

    assert cumulative_limits(ranking, stretches, np.zeros(0), nothing) == []


def test_free_capacity_is_shared_by_those_that_connect_to_one_substation():
    power_kw = np.array([100.0, 60.0, np.nan, 10.0])

    found = limits(within_free_capacity=True, power_kw=power_kw)

    assert found == {"free capacity of a substation": ([[100, 0, 0, 0], [0, 60, 0, 0]], [300, 50])}
    assert limits(within_free_capacity=True) == {}
    assert limits(within_free_capacity=False, power_kw=power_kw) == {}
    bare = TABLE.drop(columns=["substation_id", "substation_free_kw"])
    assert limits(within_free_capacity=True, power_kw=power_kw, table=bare) == {}


@pytest.mark.parametrize(
    ("maximum", "beyond"),
    [([10.0, 9.0], []), ([9.9, 9.0], [2]), ([4.0, 9.0], [2, 3]), ([10.0, 3.9], [3]), ([10.0, 1.0], [1, 3])],
)
def test_a_candidate_goes_beyond_a_limit_that_it_would_break_beside_the_chosen_ones(maximum, beyond):
    # The first is chosen and uses 3 of the first limit and 0 of the second.
    amounts = csr_array(np.array([[3.0, 0.0, 7.0, 1.5], [0.0, 1.5, 0.0, 4.0]]))
    chosen = np.array([True, False, False, False])

    found = goes_beyond([Limit("a limit", amounts, np.array(maximum))], chosen)

    assert np.flatnonzero(found).tolist() == beyond


@pytest.mark.parametrize(
    ("maximum", "amount", "is_beyond"),
    # A billionth of the limit, or of one.
    [(0.0, 0.95e-9, False), (0.0, 1.05e-9, True), (1e6, 1e6 + 0.95e-3, False), (1e6, 1e6 + 1.05e-3, True)],
)
def test_rounding_makes_no_candidate_go_beyond_a_limit(maximum, amount, is_beyond):
    limit = Limit("a limit", csr_array(np.array([[amount]])), np.array([maximum]))

    assert goes_beyond([limit], np.array([False])).tolist() == [is_beyond]


def test_what_is_chosen_is_never_beyond_a_limit():
    over = [Limit("a limit", csr_array(np.array([[3.0, 3.0]])), np.array([1.0]))]

    assert goes_beyond(over, np.array([True, False])).tolist() == [False, True]
    assert goes_beyond([], np.array([True, False])).tolist() == [False, False]
