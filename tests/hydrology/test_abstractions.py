"""Abstractions down the network: no more than flows, and intervals that stay honest."""

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.errors import InputError
from sitefinder.hydrology.abstractions import (
    _carry_taken,
    alterations_of,
    operating_fraction,
    rights_of,
    widened,
    with_alterations,
)
from sitefinder.hydrology.duration_curve import BIN_EXCEEDANCE
from sitefinder.hydrology.estimate import FlowEstimate
from sitefinder.hydrology.seasons import BIN_MONTH, YearBins
from sitefinder.settings import WaterRightSource

# Stations 0 → 2 → 3, and 1 → 2.
DOWNSTREAM = np.array([2, 2, 3, -1], dtype=np.int32)
MEAN = np.array([2.0, 3.0, 6.0, 8.0])


# Flow falls evenly from twice its mean to nothing, at every station.
def natural(mean=MEAN):
    return FlowEstimate(
        mean_m3s=mean.copy(),
        mean_low_m3s=mean / 2,
        mean_high_m3s=mean * 2,
        mean_log_sd=np.full(len(mean), np.log(2) / 1.7),
        curve_exceedance=BIN_EXCEEDANCE,
        curve_m3s=2.0 * mean[:, None] * (1 - BIN_EXCEEDANCE),
        flags=[()] * len(mean),
        outside={},
        notes=[],
        source=["equation"] * len(mean),
        zero_share=np.zeros(len(mean)),
    )


def points(*rows):
    frame = pd.DataFrame(rows).assign(feature_id=[f"A{number}" for number in range(len(rows))])
    return alterations_of(frame, "abstractions")


def rights(*rows, shapes=None, **settings):
    """A layer of rights with these rows, as `rights_of` gives it by the settings."""
    columns = {"source_row": range(len(rows)), "feature_id": [f"r{number}" for number in range(len(rows))]}
    frame = geopandas.GeoDataFrame(
        pd.DataFrame(rows).assign(**columns, feature_name=""),
        geometry=[shapely.Point(0, 0)] * len(rows) if shapes is None else shapes,
        crs="EPSG:32633",
    )
    return rights_of(frame, WaterRightSource(path="rights.gpkg", **settings))


# One unit each, by hand: the international foot has 0.3048 m, the acre 43,560 square feet, the year 365 days.
@pytest.mark.parametrize(
    ("unit", "expected_m3s"),
    [
        ("m3_per_s", 1.0),
        ("l_per_s", 0.001),
        ("ft3_per_s", 0.028316846592),
        ("m3_per_day", 1 / 86_400),
        ("megalitre_per_day", 1000 / 86_400),
        ("m3_per_year", 1 / 31_536_000),
        ("acre_foot_per_year", 1233.48183754752 / 31_536_000),
    ],
)
def test_flows_in_every_unit_become_cubic_metres_a_second(unit, expected_m3s):
    table = rights(
        {"amount": 3, "kind": "abstraction"}, {"amount": 1, "kind": ""},
        flow_column="amount", flow_unit=unit, default_kind="transfer_in",
    )  # fmt: skip

    assert table["flow_m3s"].tolist() == pytest.approx([3 * expected_m3s, expected_m3s], rel=1e-12)
    assert table["kind"].tolist() == ["abstraction", "transfer_in"]


def test_a_line_takes_water_at_its_start_and_brings_its_share_back_at_its_end():
    field = shapely.box(50, 0, 60, 10)
    table = rights(
        {"Art": "Entnahme", "flow_m3s": 0.4, "file": "A-1", "since": 1932.0, "months": "5-9"},
        {"Art": "Entnahme", "flow_m3s": 0.1, "file": None, "since": None, "months": None},
        {"Art": "return", "flow_m3s": 0.3, "file": "A-3", "since": None, "months": None},
        shapes=[shapely.LineString([(0, 0), (5, 5), (20, 0)]), field, shapely.LineString([(1, 1), (2, 2)])],
        kind_column="Art", kinds={"Entnahme": "abstraction"}, return_share=0.25,
        licence_column="file", seniority_column="since",
    )  # fmt: skip

    assert table["kind"].tolist() == ["abstraction", "abstraction", "return", "return"]
    assert table["flow_m3s"].tolist() == pytest.approx([0.4, 0.1, 0.3, 0.1])
    assert table["licence"].tolist() == ["A-1", "r1", "A-3", "A-1"]
    assert table.index.tolist() == [0, 1, 2, 3]
    assert table["seniority"].tolist() == ["1932", "", "", "1932"]
    places = [shapely.Point(0, 0), field, shapely.Point(1, 1), shapely.Point(20, 0)]
    assert [one.equals(other) for one, other in zip(table.geometry, places, strict=True)] == [True] * 4
    # What comes back runs when what is taken does.
    alterations = alterations_of(table, "abstractions")
    assert alterations["months"].tolist()[::3] == [(5, 6, 7, 8, 9)] * 2
    assert alterations["flow_m3s"].tolist() == pytest.approx([0.4, 0.1, -0.3, -0.1])


def test_rights_that_cannot_be_are_refused_together():
    frame = geopandas.GeoDataFrame(
        {
            "source_row": [0, 0, 1, 2, 3, 4],
            "feature_id": ["a", "a", "b", "c", "d", "e"],
            "feature_name": "",
            "kind": "abstraction",
            "flow_m3s": [1.0, 1.0, 2500.0, 0.1, 0.1, 0.1],
            "file": ["L3", "L3", "L2", "L2", "L1", "L1"],
            "since": ["1932", "1932", "1950", None, "1960", "1950"],
        },
        geometry=[shapely.Point(0, 0)] * 6,
        crs="EPSG:32633",
    )
    source = WaterRightSource(path="rights.gpkg", licence_column="file", seniority_column="since")

    with pytest.raises(InputError) as caught:
        rights_of(frame, source)

    assert str(caught.value) == (
        "the layer abstractions: 3 problems\n"
        "  water rights are of several parts, and would count several times\n"
        "    file:      rights.gpkg\n"
        "    expected:  one point, line or area for each\n"
        "    found:     a\n"
        "    fix:       split each into rights of its own with their flows\n"
        "  water rights take more than any canal carries\n"
        "    file:      rights.gpkg, column flow_m3s\n"
        "    features:  b\n"
        "    expected:  at most 2000 m³/s\n"
        "    found:     2500 m³/s\n"
        "    fix:       correct flow_unit, which is m3_per_s, or the column\n"
        "  licences have several seniorities\n"
        "    file:      rights.gpkg, column since\n"
        "    expected:  the same for all rights of one licence\n"
        "    found:     L2: 1950 and nothing, L1: 1960 and 1950\n"
        "    fix:       correct the column, or licence_column"
    )
    with pytest.raises(InputError, match="lacks columns amount, file"):
        rights_of(
            frame[["source_row", "feature_id", "feature_name", "kind", "geometry"]],
            source.model_copy(update={"flow_column": "amount", "seniority_column": None}),
        )


def test_what_is_taken_and_not_returned_is_missing_downstream():
    table = points({"kind": "abstraction", "flow_m3s": 0.001}, {"kind": "return", "flow_m3s": 0.0004})

    altered = with_alterations(natural(), table, [0, 3], DOWNSTREAM, 0.01)

    taken = natural().curve_m3s - altered.bins_m3s
    assert taken[[0, 2]] == pytest.approx(np.full((2, 200), 0.001), abs=1e-12)
    assert taken[1].tolist() == [0.0] * 200
    assert taken[3] == pytest.approx(np.full(200, 0.0006), abs=1e-12)
    assert altered.estimate.mean_m3s == pytest.approx(MEAN - [0.001, 0, 0.001, 0.0006])
    # 0.001 of 8 m³/s is 0.0125 %, 0.0006 is 0.0075 %.
    assert altered.estimate.flags == [("flow_altered",), (), ("flow_altered",), ()]


def test_water_brought_into_a_dry_stream_is_a_change_of_its_flow():
    mean = np.array([0.0, 3.0, 6.0, 8.0])

    altered = with_alterations(
        natural(mean), points({"kind": "transfer_in", "flow_m3s": 0.05}), [0], DOWNSTREAM, 1.0
    )

    assert altered.estimate.mean_m3s == pytest.approx(mean + [0.05, 0.0, 0.05, 0.05])
    # 0.05 of 6 and of 8 m³/s are less than a per cent.
    assert altered.estimate.flags == [("flow_altered",), (), (), ()]
    assert altered.estimate.zero_share[0] == 0.0


def test_what_does_not_come_back_makes_no_return():
    table = rights(
        {"kind": "abstraction", "flow_m3s": 0.4}, shapes=[shapely.LineString([(0, 0), (20, 0)])], return_share=0.0
    )

    assert table["kind"].tolist() == ["abstraction"]


def test_all_that_flows_may_be_taken_and_more_falls_short():
    # Two rows into a third; each bin by itself.
    taken = np.array([[2.0, 0.5], [1.0, 4.0], [0.0, 0.5]])

    short = _carry_taken(np.array([[2.0, 1.0], [1.0, 3.0], [3.0, 4.0]]), np.array([2, 2, -1]), taken)

    assert taken.tolist() == [[2.0, 0.5], [1.0, 3.0], [3.0, 4.0]]
    assert short.tolist() == [False, True, False]


def test_no_more_is_taken_than_flows_and_only_that_is_carried_on():
    table = points({"kind": "transfer_out", "flow_m3s": 3.0})

    altered = with_alterations(natural(), table, [0], DOWNSTREAM, 1.0)

    flow = natural().curve_m3s
    assert altered.bins_m3s[0] == pytest.approx(np.maximum(flow[0] - 3.0, 0.0))
    # Of 4 (1 − p), more than 3 m³/s flows for a quarter of the time; the mean above is 1/4 · 1/2.
    assert altered.estimate.mean_m3s[0] == pytest.approx(0.125, abs=1e-3)
    assert altered.bins_m3s[2] == pytest.approx(flow[2] - np.minimum(flow[0], 3.0))
    assert altered.estimate.zero_share[0] == pytest.approx(0.75)
    assert "flow_exhausted" in altered.estimate.flags[0]
    assert "flow_exhausted" not in altered.estimate.flags[2]
    assert [note.split(" stations ")[0] for note in altered.estimate.notes] == ["3 of 4", "1 of 4"]


@pytest.mark.parametrize("seed", range(30))
def test_flow_is_never_negative_and_the_balance_closes_at_every_bin(seed):
    generator = np.random.default_rng(seed)
    count = 20
    downstream = np.array([generator.integers(i + 1, count + 1) for i in range(count)])
    downstream[downstream == count] = -1
    mean = generator.random(count)
    kinds = generator.choice(["abstraction", "return", "transfer_in", "transfer_out"], 8)
    table = points(
        *({"kind": kind, "flow_m3s": flow} for kind, flow in zip(kinds, generator.random(8), strict=True))
    )
    station = generator.integers(-1, count, 8)

    altered = with_alterations(natural(mean), table, station, downstream.astype(np.int32), 1.0)

    flow = natural(mean).curve_m3s
    assert (altered.bins_m3s >= 0).all()
    assert (np.diff(altered.estimate.curve_m3s, axis=1) <= 0).all()
    assert np.sort(altered.bins_m3s) == pytest.approx(np.sort(altered.estimate.curve_m3s))
    # By the other way: ask of each station what comes from right above and what is taken there itself.
    taken = flow - altered.bins_m3s
    for at in range(count):
        asked = sum(table["flow_m3s"][row] for row in range(8) if station[row] == at)
        above = sum((taken[up] for up in range(count) if downstream[up] == at), np.zeros(200))
        assert taken[at] == pytest.approx(np.minimum(above + asked, flow[at]), abs=1e-12)


def test_what_runs_at_low_flow_or_in_some_months_runs_then():
    low = points({"kind": "abstraction", "flow_m3s": 1.0, "share_of_time": 0.25, "when": "low"}).iloc[0]
    summer = points({"kind": "abstraction", "flow_m3s": 1.0, "months": "6-8"}).iloc[0]
    winter = points({"kind": "abstraction", "flow_m3s": 1.0, "months": "11-2; 4", "share_of_time": 0.5}).iloc[0]

    assert operating_fraction(low, 200).tolist() == [0.0] * 150 + [1.0] * 50
    assert (
        operating_fraction(summer, 365, BIN_MONTH).tolist() == np.isin(BIN_MONTH, [6, 7, 8]).astype(float).tolist()
    )
    # Without flows by month it is spread over the year.
    assert operating_fraction(summer, 200) == pytest.approx(np.full(200, 92 / 365))
    for months, days in (("1", 31), ("2", 28), ("2-4", 89), ("12", 31)):
        part = points({"kind": "abstraction", "flow_m3s": 1.0, "months": months}).iloc[0]
        assert operating_fraction(part, 3) == pytest.approx(np.full(3, days / 365))
    assert winter["months"] == (1, 2, 4, 11, 12)
    assert points({"kind": "abstraction", "flow_m3s": 1.0, "months": "12; 1"}).iloc[0]["months"] == (1, 12)
    assert operating_fraction(winter, 365, BIN_MONTH).sum() == pytest.approx((30 + 31 + 31 + 28 + 30) / 2)


def test_months_are_altered_in_their_own_bins():
    year = YearBins(BIN_MONTH, np.full((4, 365), 5.0), np.ones(4))
    table = points({"kind": "abstraction", "flow_m3s": 1.0, "months": "7"})

    altered = with_alterations(natural(), table, [1], DOWNSTREAM, 1.0, year)

    assert altered.bins_m3s[1, BIN_MONTH == 7].tolist() == [4.0] * 31
    assert (altered.bins_m3s[1, BIN_MONTH != 7] == 5.0).all()
    assert (altered.bins_m3s[0] == 5.0).all()


def test_the_error_in_m3s_stays_when_half_the_flow_is_taken():
    table = points({"kind": "abstraction", "flow_m3s": 4.0, "share_of_time": 0.25})
    before = natural()

    after = with_alterations(before, table, [1], DOWNSTREAM, 1.0).estimate

    # 1 m³/s on average of 3 cannot come off the driest sixth of the time: what is taken is 1 − 1/12.
    left = 3.0 - (1 - 1 / 12)
    assert after.mean_m3s[1] == pytest.approx(left, abs=1e-3)
    assert after.mean_log_sd[1] * after.mean_m3s[1] == pytest.approx(before.mean_log_sd[1] * 3.0)
    assert np.sqrt(after.mean_low_m3s[1] * after.mean_high_m3s[1]) == pytest.approx(after.mean_m3s[1])
    assert np.log(after.mean_high_m3s[1] / after.mean_m3s[1]) == pytest.approx(1.7 * after.mean_log_sd[1])
    assert after.mean_low_m3s[0] == before.mean_low_m3s[0]


def test_karst_widens_the_interval_about_the_same_median():
    before = natural()._replace(mean_log_sd=np.full(4, 0.3), mean_low_m3s=MEAN / 1.5, mean_high_m3s=MEAN * 1.5)

    after = widened(before, np.array([True, False, False, False]), 0.4)

    assert after.mean_log_sd.tolist() == pytest.approx([0.5, 0.3, 0.3, 0.3])
    # The t of the interval, log 1.5 over 0.3, stays.
    assert np.log(after.mean_high_m3s[0] / MEAN[0]) == pytest.approx(np.log(1.5) * 0.5 / 0.3)
    assert after.mean_high_m3s[1:].tolist() == before.mean_high_m3s[1:].tolist()
    np.testing.assert_array_equal(after.curve_m3s, before.curve_m3s)


def test_a_stream_without_a_known_flow_stays_without():
    estimate = natural(np.array([2.0, np.nan, np.nan, 8.0]))
    table = points({"kind": "abstraction", "flow_m3s": 1.0})

    altered = with_alterations(estimate, table, [1], DOWNSTREAM, 1.0)

    assert np.isnan(altered.bins_m3s[[1, 2]]).all()
    assert np.isnan(altered.estimate.mean_m3s[[1, 2]]).all()
    assert altered.estimate.mean_m3s[3] == pytest.approx(7.0, abs=0.1)
    # What is not known is no change, and no other error.
    assert altered.estimate.flags[:3] == [()] * 3
    assert altered.estimate.mean_log_sd[:3].tolist() == estimate.mean_log_sd[:3].tolist()


def test_everything_wrong_with_a_layer_is_reported_at_once():
    frame = pd.DataFrame(
        {
            "feature_id": ["a", "b", "c"],
            "kind": ["abstraction", "mill", "return"],
            "flow_m3s": [-1, 2, "x"],
            "share_of_time": [1.5, None, 0.2],
            "when": ["low", "dry", None],
            "months": ["13", "5-9", "May"],
        }
    )

    with pytest.raises(InputError) as caught:
        alterations_of(frame, "abstractions")

    assert str(caught.value) == (
        "the layer abstractions: 5 problems\n"
        "  kind must be abstraction, transfer_out, return, transfer_in (features b)\n"
        "  flow_m3s must be a number from 0 up (features a, c)\n"
        "  share_of_time must be a number from 0 to 1, or nothing (features a)\n"
        "  when must be even or low, or nothing (features b)\n"
        "  months must be like 5-9 or 11;12;1, or nothing (features a, c)\n"
        "  fix:  correct these places in the file, or the settings that name them"
    )
    with pytest.raises(InputError, match="lacks columns"):
        alterations_of(pd.DataFrame({"feature_id": ["a"]}), "abstractions")


def test_a_right_to_as_much_as_the_largest_canals_carry_is_one():
    assert rights({"kind": "abstraction", "flow_m3s": 2000.0})["flow_m3s"].tolist() == [2000.0]
    with pytest.raises(InputError, match="found:     2001 m³/s"):
        rights({"kind": "abstraction", "flow_m3s": 2001.0})


# Level flow of 2 m³/s at three stations in a row, and none at a fourth.
def level(**changes):
    mean = np.array([2.0, 2.0, 2.0, 0.0])
    even = natural(mean)._replace(curve_m3s=np.repeat(mean[:, None], 200, axis=1))
    return even._replace(**changes)


def test_a_change_by_the_share_that_is_asked_for_is_flagged_and_one_below_it_is_not():
    table = points({"kind": "transfer_in", "flow_m3s": 1.0})

    def flagged(min_percent):
        found = with_alterations(level(), table, [1], np.array([1, 2, -1, -1], dtype=np.int32), min_percent)
        return [entries == ("flow_altered",) for entries in found.estimate.flags]

    # 1 of 2 m³/s is a half; a stream that is dry, and stays so, has no change.
    assert flagged(50.0) == [False, True, True, False]
    assert flagged(50.1) == [False] * 4


def test_all_that_flows_may_be_taken_and_no_more_is_asked_for():
    one = np.array([-1, -1, -1, -1], dtype=np.int32)

    def flags(flow_m3s):
        table = points({"kind": "abstraction", "flow_m3s": flow_m3s})
        return with_alterations(level(), table, [0], one, 1.0).estimate.flags[0]

    assert flags(2.0) == ("flow_altered",)
    assert flags(2.001) == ("flow_altered", "flow_exhausted")


def test_a_stream_that_was_dry_at_times_stays_so_when_some_of_its_water_is_taken():
    # Taken at low flow alone: at the others nothing is, and nothing is brought.
    table = points({"kind": "abstraction", "flow_m3s": 1.0, "share_of_time": 0.1, "when": "low"})

    found = with_alterations(level(zero_share=np.full(4, 0.3)), table, [0], np.full(4, -1, dtype=np.int32), 1.0)

    assert found.estimate.zero_share.tolist() == [0.3] * 4


def test_an_interval_of_no_width_or_of_no_stated_error_widens_as_the_normal_one():
    # Ends that are one though there is an error; an error of nothing though there are ends; no flow at all.
    before = level(
        mean_m3s=np.array([2.0, 2.0, 0.0, 0.0]),
        mean_low_m3s=np.array([2.0, 1.0, 0.0, 0.0]),
        mean_high_m3s=np.array([2.0, 4.0, 0.0, 0.0]),
        mean_log_sd=np.array([0.3, 0.0, 0.0, 0.3]),
    )

    after = widened(before, np.array([True, True, True, False]), 0.4)

    # 1.645 standard deviations hold 90 % of a normal distribution: of 0.5, and of 0.4.
    assert after.mean_log_sd.tolist() == pytest.approx([0.5, 0.4, 0.4, 0.3])
    assert np.log(after.mean_high_m3s[:2] / 2.0) == pytest.approx(1.6448536 * np.array([0.5, 0.4]))
    assert np.log(after.mean_low_m3s[:2] / 2.0) == pytest.approx(-1.6448536 * np.array([0.5, 0.4]))
    assert after.mean_low_m3s[2:].tolist() == after.mean_high_m3s[2:].tolist() == [0.0, 0.0]


@pytest.mark.parametrize(
    ("text", "months"),
    [
        ("1", (1,)),
        ("12", (12,)),
        ("7.0", (7,)),
        ("1-12", tuple(range(1, 13))),
        ("12-1", (1, 12)),
        ("3, 5 ;7", (3, 5, 7)),
        ("0", None),
        ("13", None),
        ("0-3", None),
        ("3-13", None),
        ("13-3", None),
        ("1-0", None),
        ("3-", None),
    ],
)
def test_months_are_read_as_numbers_lists_and_spans(text, months):
    def read():
        return points({"kind": "return", "flow_m3s": 1.0, "months": text}).iloc[0]["months"]

    if months is not None:
        assert read() == months
        return
    with pytest.raises(InputError, match="months must be like"):
        read()


def test_a_right_without_a_number_is_named_among_those_with_one():
    with pytest.raises(InputError) as caught:
        rights(*({"kind": "abstraction", "flow_m3s": flow} for flow in ("0.5", "much", "", "-1")))

    text = str(caught.value)
    assert "water rights have no flow" in text
    assert "features:  r1, r2, r3\n" in text
    assert "found:     'much', '', '-1'\n" in text


def test_an_interval_widens_ten_times_at_the_most():
    nearly_all = points({"kind": "abstraction", "flow_m3s": 1.99})

    found = with_alterations(level(), nearly_all, [0], np.full(4, -1, dtype=np.int32), 1.0).estimate

    assert found.mean_m3s[0] == pytest.approx(0.01)
    assert found.mean_log_sd[0] == pytest.approx(10.0 * level().mean_log_sd[0])


def test_water_that_is_brought_for_a_part_of_the_time_wets_a_stream_that_was_dry_at_times():
    table = points({"kind": "transfer_in", "flow_m3s": 1.0, "share_of_time": 0.1, "when": "low"})

    found = with_alterations(level(zero_share=np.full(4, 0.3)), table, [0], np.full(4, -1, dtype=np.int32), 1.0)

    assert found.estimate.zero_share.tolist() == [0.0, 0.3, 0.3, 0.3]


def test_a_right_to_nothing_is_one_and_what_kind_it_is_can_be_left_open():
    found = rights({"flow_m3s": 0.0}, {"flow_m3s": 0.2}, default_kind="abstraction")

    assert (found["flow_m3s"].tolist(), found["kind"].tolist()) == ([0.0, 0.2], ["abstraction"] * 2)
    assert alterations_of(found, "abstractions")["flow_m3s"].tolist() == [0.0, 0.2]
    with pytest.raises(InputError) as caught:
        rights({"flow_m3s": 0.2})
    assert str(caught.value).splitlines()[0] == "the layer abstractions lacks columns kind"
    assert "default_kind serves where all are of one kind" in str(caught.value)


def test_a_single_problem_of_rights_is_said_without_a_list():
    with pytest.raises(InputError) as caught:
        rights({"kind": "abstraction", "flow_m3s": -0.5})

    assert str(caught.value).splitlines()[:2] == [
        "water rights have no flow",
        "  file:      rights.gpkg, column flow_m3s",
    ]


@pytest.mark.parametrize(
    ("kind", "returns"), [("abstraction", 2), ("transfer_out", 2), ("mill", 2), ("return", 1), ("transfer_in", 1)]
)
def test_only_what_is_taken_comes_back(kind, returns):
    # A kind that is none is as good as taken, so that the check of the table names it.
    line = shapely.LineString([(0, 0), (20, 0)])

    assert len(rights({"kind": kind, "flow_m3s": 0.4}, shapes=[line], return_share=0.5)) == returns


def test_a_brook_of_litres_is_altered_as_a_river_is():
    low = {"share_of_time": 0.25, "when": "low", "kind": "abstraction"}
    river, brook = (
        with_alterations(
            natural(scale * MEAN),
            points({**low, "flow_m3s": 0.9 * scale}, {"kind": "transfer_in", "flow_m3s": 1.5 * scale}),
            [0, 1],
            DOWNSTREAM,
            1.0,
        )
        for scale in (1.0, 1e-3)
    )

    assert brook.estimate.flags == river.estimate.flags
    assert river.estimate.flags[0] == ("flow_altered", "flow_exhausted")
    assert brook.bins_m3s == pytest.approx(1e-3 * river.bins_m3s, rel=1e-9)
    for name in ("mean_m3s", "mean_low_m3s", "mean_high_m3s"):
        assert getattr(brook.estimate, name) == pytest.approx(1e-3 * getattr(river.estimate, name), rel=1e-9)
    assert brook.estimate.mean_log_sd == pytest.approx(river.estimate.mean_log_sd, rel=1e-9)
    wide = [widened(natural(scale * MEAN), np.full(4, True), 0.3).mean_high_m3s / scale for scale in (1.0, 1e-3)]
    assert wide[1] == pytest.approx(wide[0], rel=1e-9)


def test_a_station_that_no_water_is_taken_from_keeps_its_figures_to_the_last_digit():
    generator = np.random.default_rng(8)
    mean, spread = generator.random(40), generator.random(40)
    given = natural(mean)._replace(
        mean_low_m3s=mean * np.exp(-spread), mean_high_m3s=mean * np.exp(spread), mean_log_sd=spread / 1.7
    )

    altered = with_alterations(
        given, points({"kind": "abstraction", "flow_m3s": 0.1}), [39], np.full(40, -1, dtype=np.int32), 1.0
    )

    for name in ("mean_m3s", "mean_low_m3s", "mean_high_m3s", "mean_log_sd", "curve_m3s"):
        assert getattr(altered.estimate, name)[:39].tolist() == getattr(given, name)[:39].tolist()


@pytest.mark.parametrize(
    ("months", "asked_m3s", "is_short"),
    [
        # July alone has 1 m³/s, of which twice as much is asked: spread over the year that is little.
        ("7", 2.0, True),
        ("6", 2.0, False),
        # All the time 2 m³/s flow by the curve, while each month has 5 but July.
        ("1-6;8-12", 2.5, True),
    ],
)
def test_water_that_falls_short_in_a_month_or_by_the_curve_is_flagged(months, asked_m3s, is_short):
    year = YearBins(BIN_MONTH, np.tile(np.where(BIN_MONTH == 7, 1.0, 5.0), (4, 1)), np.ones(4))
    table = points({"kind": "abstraction", "flow_m3s": asked_m3s, "months": months})

    found = with_alterations(level(), table, [0], np.full(4, -1, dtype=np.int32), 1.0, year)

    assert ("flow_exhausted" in found.estimate.flags[0]) == is_short
    assert not any("flow_exhausted" in flags for flags in found.estimate.flags[1:])
