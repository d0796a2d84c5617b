"""Long profiles as tables, on trees small enough to be followed by hand."""

import numpy as np
import pandas as pd
import pytest

from sitefinder.network.ordering import main_upstream
from sitefinder.profile.fitting import LongProfile
from sitefinder.siting.profiles import long_profile, path_down, path_with_context

# A main stem 0 → 1 → 2 and a tributary 3 → 4 → 5 meet; the link below them is 6 → 7 → 8. Stations 2, 5 and 6 lie
# at one place. The main stem has the longer way above it.
DOWNSTREAM = np.array([1, 2, 6, 4, 5, 6, 7, 8, -1], dtype=np.int32)
STEP_M = np.array([60.0, 60.0, 0.0, 40.0, 40.0, 0.0, 50.0, 50.0, 0.0])
REACH = np.array([-1, 0, 0, -1, 1, 1, -1, 2, 2])
PROFILE_M = np.array([9.0, 8.0, 7.0, 8.5, 7.5, 7.0, 7.0, 4.0, 3.5])
RAW_M = np.array([9.0, 8.0, 7.0, 8.5, 9.9, 7.0, np.nan, 4.0, 3.5])
MAIN = main_upstream(DOWNSTREAM, STEP_M)


@pytest.fixture
def stations():
    return pd.DataFrame({"downstream": DOWNSTREAM, "to_downstream_m": STEP_M, "reach": REACH})


@pytest.fixture
def errors_m():
    """Two draws: each station is off by its number in decimetres, up and down."""
    off_m = np.arange(9.0) / 10.0
    return np.column_stack([off_m, -off_m]).astype(np.float32)


def table_of(way, stations, errors_m, **known):
    return long_profile(np.array(way), stations, RAW_M, PROFILE_M, errors_m, **known)


def test_the_path_down_is_followed_through_a_confluence():
    assert path_down(3, 7, DOWNSTREAM).tolist() == [3, 4, 5, 6, 7]
    assert path_down(8, 8, DOWNSTREAM).tolist() == [8]


def test_a_station_of_another_branch_is_not_on_the_path():
    with pytest.raises(ValueError, match="station 4 is not downstream of station 0"):
        path_down(0, 4, DOWNSTREAM)
    with pytest.raises(ValueError, match="station 0 is not downstream of station 8"):
        path_down(8, 0, DOWNSTREAM)


def test_context_goes_up_the_main_stem_and_down_to_the_outlet_by_whole_segments():
    # 50 m above the confluence take in one segment of 60 m; 50 m below take in one of 50 m.
    assert path_with_context(6, 7, DOWNSTREAM, STEP_M, MAIN, 50.0).tolist() == [1, 2, 6, 7, 8]
    assert path_with_context(6, 7, DOWNSTREAM, STEP_M, MAIN, 1e6).tolist() == [0, 1, 2, 6, 7, 8]
    assert path_with_context(4, 5, DOWNSTREAM, STEP_M, MAIN, 0.0).tolist() == [4, 5]
    # Exactly as long is enough: 60 m up to station 1, and from there another 60 m up to the source.
    assert path_with_context(2, 6, DOWNSTREAM, STEP_M, MAIN, 60.0).tolist() == [1, 2, 6, 7, 8]
    assert path_with_context(2, 6, DOWNSTREAM, STEP_M, MAIN, 60.5).tolist() == [0, 1, 2, 6, 7, 8]
    assert path_with_context(2, 6, DOWNSTREAM, STEP_M, MAIN, 50.0).tolist() == [1, 2, 6, 7]
    assert path_with_context(2, 6, DOWNSTREAM, STEP_M, MAIN, 50.5).tolist() == [1, 2, 6, 7, 8]


def test_distances_add_up_from_the_top_and_stations_at_one_place_share_theirs(stations, errors_m):
    table = table_of([3, 4, 5, 6, 7, 8], stations, errors_m)

    assert table["distance_m"].tolist() == [0.0, 40.0, 80.0, 80.0, 130.0, 180.0]
    assert table["profile_m"].tolist() == [8.5, 7.5, 7.0, 7.0, 4.0, 3.5]
    assert table["raw_m"].iloc[[0, 1]].tolist() == [8.5, 9.9]
    assert np.isnan(table["raw_m"].iloc[3])


def test_the_band_is_1645_standard_errors_to_either_side(stations, errors_m):
    table = table_of([7, 8], stations, errors_m)

    assert table["high_m"].to_numpy() == pytest.approx([4.0 + 1.645 * 0.7, 3.5 + 1.645 * 0.8])
    assert table["low_m"].to_numpy() == pytest.approx([4.0 - 1.645 * 0.7, 3.5 - 1.645 * 0.8])


def test_each_station_has_its_reach_also_where_a_link_begins(stations, errors_m):
    reaches = pd.DataFrame({"reach_id": ["a@50", "b@40", "c@50"], "stream": ["Main", "Side", "Main"]})

    table = table_of([3, 4, 5, 6, 7, 8], stations, errors_m, reaches=reaches)

    assert table["reach_id"].tolist() == ["b@40"] * 3 + ["c@50"] * 3
    assert table["stream"].tolist() == ["Side"] * 3 + ["Main"] * 3


def test_structures_are_at_the_station_below_them_with_the_surveyed_drop_where_there_is_one(stations, errors_m):
    structures = pd.DataFrame(
        {
            "structure_id": ["W1", "W2", "step:c@25", "far"],
            "station": [7, 7, 4, -1],
            "removed": False,
            "drop_m": [2.0, np.nan, np.nan, 5.0],
            "dem_drop_m": [1.4, 0.5, 0.75, np.nan],
        }
    )

    table = table_of([4, 5, 6, 7, 8], stations, errors_m, structures=structures)

    # What stands above the first station is no part of the way.
    assert table["structure_id"].tolist() == ["", "", "", "W1; W2", ""]
    assert table["structure_drop_m"].iloc[3] == 2.5
    assert table["structure_drop_m"].drop(3).isna().all()


def test_what_the_fit_and_the_water_bodies_show_is_marked(stations, errors_m):
    flags = {name: np.zeros(9, dtype=bool) for name in ("is_spike", "is_break", "is_flat")}
    flags["is_spike"][4] = flags["is_break"][6] = flags["is_flat"][8] = True
    standing = np.zeros(9, dtype=bool)
    standing[[4, 5, 7]] = True

    table = table_of(
        [4, 5, 6, 7, 8],
        stations,
        errors_m,
        long_profile=LongProfile(PROFILE_M, rmse_m=np.ones(9), **flags),
        standing_water=standing,
        ends=(5, 7),
    )

    assert table["station"][table["is_refused"]].tolist() == [4]
    assert table["station"][table["is_step"]].tolist() == [6]
    assert table["station"][table["is_made_level"]].tolist() == [8]
    # The segment above the first station is no part of the way.
    assert table["station"][table["is_standing"]].tolist() == [5, 7]
    assert table["mark"].tolist() == ["", "intake", "", "tailrace", ""]


def test_a_path_with_a_gap_or_without_stations_is_refused(stations, errors_m):
    with pytest.raises(ValueError, match="must be the next one down"):
        table_of([0, 2], stations, errors_m)
    with pytest.raises(ValueError, match="at least one station"):
        table_of([], stations, errors_m)


def test_removed_structures_and_those_elsewhere_are_not_on_a_path(stations, errors_m):
    structures = pd.DataFrame(
        {
            "structure_id": ["gone", "there", "elsewhere", "first"],
            "station": [7, 8, 1, 0],
            "removed": [True, False, False, False],
            "drop_m": [2.0, 1.5, 1.0, 1.0],
            "dem_drop_m": np.nan,
        }
    )

    table = table_of([6, 7, 8], stations, errors_m, structures=structures)

    assert table["structure_id"].tolist() == ["", "", "there"]
    assert table["structure_drop_m"].tolist() == pytest.approx([np.nan, np.nan, 1.5], nan_ok=True)


def test_a_path_of_which_nothing_more_is_known_has_empty_columns(stations, errors_m):
    none = pd.DataFrame({"structure_id": [], "station": [], "removed": [], "drop_m": [], "dem_drop_m": []})

    for given in ({}, {"structures": none}):
        table = table_of([8], stations, errors_m, **given)

        [row] = table.to_dict("records")
        assert (row["distance_m"], row["station"], row["mark"]) == (0.0, 8, "")
        assert (row["reach_id"], row["stream"], row["structure_id"]) == ("", "", "")
        assert np.isnan(row["structure_drop_m"])
        marks = [row[name] for name in ("is_refused", "is_step", "is_made_level", "is_standing")]
        assert not any(marks)
    assert table_of([7, 8], stations, errors_m)["structure_id"].tolist() == ["", ""]


def test_a_path_at_the_first_station_of_a_link_alone_has_no_reach(stations, errors_m):
    reaches = pd.DataFrame({"reach_id": ["a@50", "b@40", "c@50"], "stream": ["Main", "Side", "Main"]})

    [row] = table_of([6], stations, errors_m, reaches=reaches).to_dict("records")

    assert (row["reach_id"], row["stream"]) == ("", "")
