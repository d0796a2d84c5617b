"""Drops whose flows are stated: by a mean, by months or by a record, and how wrong ones are refused."""

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.errors import InputError
from sitefinder.hydrology.stated_flows import stated_drops


def points(rows, places):
    return geopandas.GeoDataFrame(
        pd.DataFrame(rows), geometry=[shapely.Point(*place) for place in places], crs="EPSG:32633"
    )


def test_all_that_is_wrong_with_drops_is_said_at_once():
    rows = [
        {"feature_id": "a", "drop_m": -1.0, "flow_m3s": 1.0},
        {"feature_id": "b", "drop_m": 2.0},
        {"feature_id": "c", "drop_m": 2.0, "flow_m3s": "much"},
        {"feature_id": "d", "drop_m": 2.0, "flow_m3s": 1.0, "flow_01_m3s": 1.0},
        {"feature_id": "f", "drop_m": 2.0, "flow_m3s": 1.0, "flow_error_percent": -5},
    ]
    record = pd.DataFrame({"drop_id": ["e"], "date": pd.to_datetime(["2020-01-01"]), "flow_m3s": [1.0]})

    with pytest.raises(InputError, match="the layer drops") as error:
        stated_drops(points(rows, [(0, 0)] * 5), record)

    text = str(error.value)
    for part in (
        "drop_m must be a number above 0 (drops a)",
        "no flow: state flow_m3s, twelve months, or rows of inputs.drop_flows (drops b)",
        "flow_m3s must be a number from 0 up (drops c)",
        "all twelve months need a flow (drops d)",
        "more than one flow",
        "flow_error_percent must be from 0 up (drops f)",
        "no drop of that id (e)",
    ):
        assert part in text, part


def test_a_record_gives_each_month_the_duration_curve_of_its_days():
    rng = np.random.default_rng(5)
    days = pd.date_range("2001-01-01", "2010-12-31")
    season = 1.5 + np.cos(2 * np.pi * days.day_of_year.to_numpy() / 365.25)
    flow = rng.lognormal(0.0, 0.8, len(days)) * season
    record = pd.DataFrame({"drop_id": "a", "date": days, "flow_m3s": flow})

    drops = stated_drops(points([{"feature_id": "a", "drop_m": 1.0}], [(0, 0)]), record)

    first = 0
    for month, length in enumerate((31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31), 1):
        own = drops.bins_m3s[0, first : first + length]
        first += length
        of_month = flow[days.month == month]
        assert own.mean() == pytest.approx(of_month.mean(), rel=1e-12)
        # Each bin is the mean of its share of the days: it is exceeded within this share.
        exceeded = (of_month[:, None] > own).mean(axis=0) * length
        assert (np.arange(length) <= exceeded + 1e-9).all()
        assert (exceeded <= np.arange(1, length + 1) + 1e-9).all()


def test_what_is_stated_of_a_drop_is_taken_and_what_is_not_has_its_usual_value():
    months = {f"flow_{month:02d}_m3s": 0.1 * month for month in range(1, 13)}
    rows = [
        {"feature_id": "a", "drop_m": "2.5", "drop_error_m": 0.02, "flow_m3s": 0.4, "flow_error_percent": 20.0},
        {"feature_id": "b", "drop_m": 1.0, **months, "flow_left_m3s": 0.3, "powered": "YES", "use": " mill "},
        {"feature_id": "c", "drop_m": 1.0, "flow_m3s": 0.0, "flow_error_percent": 0.0, "powered": 1.0},
    ]

    drops = stated_drops(points(rows, [(1, 2), (3, 4), (5, 6)]), flow_error_percent=15.0)

    table = drops.table.set_index("drop_id")
    assert table["drop_m"].tolist() == [2.5, 1.0, 1.0]
    assert table["drop_error_m"].tolist() == [0.02, 0.1, 0.1]
    assert table["flow_source"].tolist() == ["constant", "twelve months", "constant"]
    assert table["flow_left_m3s"].tolist() == [0.0, 0.3, 0.0]
    assert table["flow_error_percent"].tolist() == [20.0, 15.0, 0.0]
    assert table["powered"].tolist() == [False, True, True]
    assert table["use"].tolist() == ["", "mill", ""]
    assert table[["x_m", "y_m"]].to_numpy().tolist() == [[1, 2], [3, 4], [5, 6]]
    assert drops.bins_m3s[[0, 2]].tolist() == [[0.4] * 365, [0.0] * 365]
    # Days 31 and 32 are the last of January and the first of February.
    assert drops.bins_m3s[1, [0, 30, 31, 58, 59, 364]] == pytest.approx([0.1, 0.1, 0.2, 0.2, 0.3, 1.2])
    none = stated_drops(points(rows[:1], [(1, 2)]).drop(columns="flow_error_percent"))
    assert np.isnan(none.table["flow_error_percent"].item())
    # What no column says is no, or an empty text.
    silent = ["fish_pass", "needs_fish_pass", "removal_planned", "kind", "owner", "condition", "flow_group"]
    assert drops.table[silent].to_numpy().tolist() == [[False] * 3 + [""] * 4] * 3


@pytest.mark.parametrize(
    ("changed", "problem"),
    [
        ({"drop_m": 0.0}, "drop_m must be a number above 0"),
        ({"drop_error_m": 0.0}, "drop_error_m must be above 0, or nothing"),
        ({"flow_m3s": -0.1}, "flow_m3s must be a number from 0 up"),
        ({"flow_m3s": np.inf}, "flow_m3s must be a number from 0 up"),
        ({"flow_left_m3s": -0.1}, "flow_left_m3s must be from 0 up"),
        ({"flow_error_percent": "much"}, "flow_error_percent must be from 0 up"),
    ],
)
def test_a_figure_that_cannot_be_is_refused(changed, problem):
    row = {"feature_id": "a", "drop_m": 2.0, "flow_m3s": 1.0} | changed

    with pytest.raises(InputError, match=problem):
        stated_drops(points([row], [(0, 0)]))


def test_an_id_that_appears_twice_is_refused_and_a_layer_without_drops_too():
    row = {"feature_id": "a", "drop_m": 2.0, "flow_m3s": 1.0}

    with pytest.raises(InputError, match=r"the id appears more than once \(drops a\)"):
        stated_drops(points([row, row], [(0, 0)] * 2))
    with pytest.raises(InputError, match="lacks a column"):
        stated_drops(points([{"feature_id": "a", "flow_m3s": 1.0}], [(0, 0)]))


def test_a_record_needs_half_a_month_of_each_month():
    days = pd.date_range("2001-01-01", "2001-12-31")
    row = points([{"feature_id": "a", "drop_m": 2.0}], [(0, 0)])

    def record(days_of_june):
        kept = days[(days.month != 6) | (days.day <= days_of_june)]
        return pd.DataFrame({"drop_id": "a", "date": kept, "flow_m3s": 1.0})

    assert stated_drops(row, record(15)).bins_m3s == pytest.approx(1.0)
    with pytest.raises(InputError, match="more than one flow"):
        stated_drops(row.assign(flow_m3s=1.0), record(15))
    with pytest.raises(InputError, match="the record of a has too few days in the months 6"):
        stated_drops(row, record(14))


@pytest.mark.parametrize(("days_in_june", "is_enough"), [(15, True), (14, False)])
def test_a_month_of_a_record_needs_half_its_days(days_in_june, is_enough):
    days = pd.date_range("2001-01-01", "2001-12-31")
    days = days[(days.month != 6) | (days.day <= days_in_june)]
    record = pd.DataFrame({"drop_id": "a", "date": days, "flow_m3s": days.month.astype(float)})
    drop = points([{"feature_id": "a", "drop_m": 1.0, "flow_error_percent": 0}], [(0, 0)])

    if not is_enough:
        with pytest.raises(InputError, match="the record of a has too few days in the months 6"):
            stated_drops(drop, record)
        return
    found = stated_drops(drop, record)
    assert found.bins_m3s[0, 151:181].tolist() == [6.0] * 30
    assert found.table["flow_source"].tolist() == ["daily record"]


def test_a_flow_of_nothing_may_be_stated_and_errors_are_those_stated_or_usual():
    drops = points(
        [
            {"feature_id": "a", "drop_m": 1.0, "flow_m3s": 0.0, "drop_error_m": 0.3, "flow_left_m3s": 0.0},
            {"feature_id": "b", "drop_m": 1.0, "flow_m3s": 1.0, "flow_error_percent": 0.0, "powered": "1.0"},
        ],
        [(0, 0), (1, 1)],
    )

    table = stated_drops(drops, flow_error_percent=12.0).table

    assert table["drop_error_m"].tolist() == [0.3, 0.1]
    assert table["flow_error_percent"].tolist() == [12.0, 0.0]
    assert table["flow_left_m3s"].tolist() == [0.0, 0.0]
    assert table["powered"].tolist() == [False, True]
    assert np.isnan(stated_drops(drops).table["flow_error_percent"][0])
    assert len(stated_drops(drops[:0]).bins_m3s) == 0


@pytest.mark.parametrize(
    ("columns", "problem"),
    [
        ({"drop_m": 0.0}, "drop_m must be a number above 0"),
        ({"drop_m": "high"}, "drop_m must be a number above 0"),
        ({"drop_error_m": 0.0}, "drop_error_m must be above 0, or nothing"),
        ({"drop_error_m": "small"}, "drop_error_m must be above 0, or nothing"),
        ({"flow_m3s": -0.1}, "flow_m3s must be a number from 0 up"),
        ({"flow_m3s": np.inf}, "flow_m3s must be a number from 0 up"),
        ({"flow_left_m3s": -0.1}, "flow_left_m3s must be from 0 up"),
        ({"flow_error_percent": "none"}, "flow_error_percent must be from 0 up"),
        ({"flow_m3s": None, "flow_03_m3s": -1.0}, "flows of months must be numbers from 0 up"),
        ({"flow_m3s": None, "flow_03_m3s": None}, "all twelve months need a flow"),
    ],
)
def test_each_problem_of_a_drop_is_said_of_it_alone(columns, problem):
    months = {f"flow_{month:02d}_m3s": 1.0 for month in range(1, 13)} if "flow_03_m3s" in columns else {}
    rows = [
        {"feature_id": "a", "drop_m": 1.0, "flow_m3s": 1.0, **months} | columns,
        {"feature_id": "b", "drop_m": 1.0, "flow_m3s": 1.0},
    ]

    with pytest.raises(InputError) as caught:
        stated_drops(points(rows, [(0, 0), (1, 1)]))

    assert caught.value.problems == (f"the layer drops: {problem} (drops a)",)
