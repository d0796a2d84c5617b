"""Daily records: years, gaps, leap days, marks, the common period, short records and their extension."""

import numpy as np
import pandas as pd
import pytest

from sitefinder.hydrology.duration_curve import duration_curve, flow_exceeded
from sitefinder.hydrology.records import (
    DailyRecord,
    _days_of,
    counted_flow,
    extension_line,
    gauge_statistics,
    pooled_year_to_year,
    yearly_statistics,
)
from sitefinder.settings.flows import DailyRecords

SETTINGS = DailyRecords(unit="m3s", min_years=2)


# A record of every day from one date to another, whose flow is a function of the day's number.
def record(first, last, flow=lambda day: np.ones(day.size), gauge="G", **marks):
    date = np.arange(np.datetime64(first), np.datetime64(last) + 1)
    day = np.arange(date.size, dtype=float)
    none = np.zeros(date.size, dtype=bool)
    return DailyRecord(gauge, date, flow(day), marks.get("estimated", none), marks.get("ice", none))


# Seasons with weather that two neighbours share and some of each one's own.
def weather(seed, own, shared_seed=5):
    def flow(day):
        shared = np.random.default_rng(shared_seed).normal(size=day.size)
        alone = np.random.default_rng(seed).normal(size=day.size)
        return np.exp(np.sin(2 * np.pi * day / 365.25) + 0.5 * shared + own * alone)

    return flow


def without(made, keep):
    return made._replace(**{name: getattr(made, name)[keep] for name in ("date", "flow_m3s", "estimated", "ice")})


def test_a_leap_year_has_its_leap_day_and_a_gap_is_found_though_no_row_marks_it():
    made = record("2019-01-01", "2020-12-31")
    holed = without(made, ~np.isin(made.date, np.arange(np.datetime64("2020-02-20"), np.datetime64("2020-03-11"))))

    whole, gappy = (yearly_statistics(counted_flow(each, SETTINGS)) for each in (made, holed))

    assert whole["days"].tolist() == [365, 366]
    assert whole["is_complete"].tolist() == [True, True]
    # 20 of 366 days are more than a twentieth, so the year does not count.
    assert gappy["days"].tolist() == [365, 346]
    assert gappy["is_complete"].tolist() == [True, False]


def test_years_may_start_in_october_and_are_named_for_the_one_in_which_they_end():
    years = yearly_statistics(counted_flow(record("2018-10-01", "2020-09-30"), SETTINGS), starts_in_month=10)

    assert years.index.tolist() == [2019, 2020]
    assert years["days"].tolist() == [365, 366]
    assert years["is_complete"].all()


@pytest.mark.parametrize("starts_in_month", range(1, 13))
def test_a_year_has_the_days_between_its_first_and_that_of_the_next(starts_in_month):
    days = pd.date_range("1998-01-01", "2006-12-31")
    # Named for the calendar year in which it ends.
    counted = pd.Series(days.year + (days.month >= starts_in_month) * (starts_in_month > 1)).value_counts()
    years = np.arange(1999, 2006)

    assert _days_of(years, starts_in_month).tolist() == counted[years].tolist()


def test_the_seven_days_of_a_minimum_follow_one_another_across_no_gap():
    # 1 to 365: the least mean of 7 days in a row is that of the first seven, 4; without the 4th that of 5 to 11.
    made = record("2019-01-01", "2019-12-31", lambda day: day + 1)

    whole = yearly_statistics(counted_flow(made, SETTINGS))
    gappy = yearly_statistics(counted_flow(without(made, np.arange(365) != 3), SETTINGS))

    assert whole.loc[2019, "min7day_m3s"] == pytest.approx(4.0)
    assert gappy.loc[2019, "min7day_m3s"] == pytest.approx(8.0)


def test_the_week_of_a_minimum_belongs_to_the_year_of_its_last_day():
    made = record("2018-01-01", "2019-12-31", lambda day: np.where((day >= 360) & (day < 366), 0.0, 7.0))

    years = yearly_statistics(counted_flow(made, SETTINGS))

    # Six dry days from 27 December to 1 January: five in weeks that end in the old year, all six in the new one.
    assert years["min7day_m3s"].tolist() == pytest.approx([2.0, 1.0])


@pytest.mark.parametrize(("name", "setting"), [("estimated", "count_estimated"), ("ice", "count_ice")])
def test_marked_days_are_counted_and_the_settings_say_whether_they_count(name, setting):
    marked = np.arange(730) < 10
    made = record("2018-01-01", "2019-12-31", lambda day: np.where(day < 10, 100.0, 1.0), **{name: marked})

    with_them = gauge_statistics([made], SETTINGS).loc["G"]
    without_them = gauge_statistics([made], SETTINGS.model_copy(update={setting: False})).loc["G"]

    assert with_them[f"days_{name}"] == without_them[f"days_{name}"] == 10
    assert with_them["flow_mean_m3s"] == pytest.approx((1000 + 720) / 730)
    assert without_them["flow_mean_m3s"] == pytest.approx(1.0)
    assert (with_them["days_used"], with_them["days_missing"]) == (730, 0)
    assert (without_them["days_used"], without_them["days_missing"]) == (720, 10)


def test_monthly_means_and_quantiles_of_a_known_record():
    # The flow of each day is the number of its month.
    months = pd.date_range("2018-01-01", "2019-12-31").month.to_numpy(float)
    made = record("2018-01-01", "2019-12-31", lambda day: months)

    table = gauge_statistics([made], SETTINGS)
    to_fit = gauge_statistics([made], SETTINGS.model_copy(update={"fit_months": True}))

    names = [name for name in table if name.startswith("month")]
    assert names == [f"month_{month:02d}_mean_m3s" for month in range(1, 13)]
    row = table.loc["G"]
    for prefix, found in (("", row), ("flow_", to_fit.loc["G"])):
        by_month = [found[f"{prefix}month_{month:02d}_mean_m3s"] for month in range(1, 13)]
        assert by_month == pytest.approx(list(range(1, 13)))
    assert row["flow_mean_m3s"] == pytest.approx(months.mean())
    assert row["flow_q50_m3s"] == pytest.approx(7.0)
    assert (row["flow_q05_m3s"], row["flow_q95_m3s"], row["low347_m3s"]) == (12.0, 1.0, 1.0)


def test_years_outside_the_common_period_do_not_count():
    made = record("2015-01-01", "2019-12-31", lambda day: np.where(day < 3 * 365 + 1, 9.0, 2.0))

    row = gauge_statistics([made], SETTINGS.model_copy(update={"first_year": 2018, "last_year": 2020})).loc["G"]

    assert (row["first_year"], row["last_year"], row["record_years"]) == (2018, 2020, 2)
    assert row["flow_mean_m3s"] == pytest.approx(2.0)


def test_without_a_stated_period_it_runs_from_the_first_to_the_last_complete_year_of_any_gauge():
    early, late = record("2009-06-01", "2013-12-31", gauge="A"), record("2012-01-01", "2019-03-31", gauge="B")

    table = gauge_statistics([early, late], SETTINGS)

    assert table[["first_year", "last_year"]].to_numpy().tolist() == [[2010, 2018]] * 2
    assert table["record_years"].tolist() == [4, 7]
    # The leap year of 2012 is in both, that of 2016 in one.
    assert table["days_used"].tolist() == [4 * 365 + 1, 7 * 365 + 2]


def test_no_day_of_a_whole_record_is_missing_whatever_month_its_years_start_in():
    made = record("2018-10-01", "2020-09-30")

    row = gauge_statistics([made], SETTINGS.model_copy(update={"year_starts_in_month": 10})).loc["G"]

    assert (row["days_used"], row["days_missing"]) == (731, 0)
    assert (row["first_year"], row["last_year"], row["record_years"]) == (2019, 2020, 2)


def test_the_year_to_year_spread_is_that_of_the_logs_of_yearly_means():
    made = record("2017-01-01", "2019-12-31", lambda day: np.exp(0.3 * (day // 365)))

    row = gauge_statistics([made], SETTINGS).loc["G"]

    assert row["year_to_year_log_sd"] == pytest.approx(0.3)
    assert np.isnan(
        gauge_statistics([record("2019-01-01", "2019-12-31")], SETTINGS)["year_to_year_log_sd"].iloc[0]
    )


def test_spreads_of_several_gauges_are_pooled_by_their_degrees_of_freedom():
    table = pd.DataFrame({"record_years": [11, 3, 1], "year_to_year_log_sd": [0.2, 0.5, np.nan]})

    assert pooled_year_to_year(table) == pytest.approx(np.sqrt((10 * 0.04 + 2 * 0.25) / 12))
    assert pooled_year_to_year(table[2:]) is None
    # Two years are one degree of freedom.
    short = pd.DataFrame({"record_years": [3, 2, 1], "year_to_year_log_sd": [0.2, 0.6, 0.9]})
    assert pooled_year_to_year(short) == pytest.approx(np.sqrt((2 * 0.04 + 0.36) / 3))
    # Years of which one was dry have no spread, and no year has none either.
    dry = pd.DataFrame({"record_years": [3, 5, 0], "year_to_year_log_sd": [0.2, np.nan, 0.9]})
    assert pooled_year_to_year(dry) == pytest.approx(0.2)


def test_extension_keeps_mean_and_variance_where_least_squares_would_not():
    rng = np.random.default_rng(1)
    x = rng.normal(size=500)
    y = 0.5 + 0.7 * x + 0.4 * rng.normal(size=500)

    line = extension_line(np.exp(y), np.exp(x))

    made = line.intercept + line.slope * x
    assert (made.mean(), made.std()) == pytest.approx((y.mean(), y.std()))
    assert line.correlation == pytest.approx(np.corrcoef(x, y)[0, 1])
    # Least squares makes it too even by just the correlation.
    assert np.polyfit(x, y, 1)[0] == pytest.approx(line.slope * line.correlation)


def test_a_short_record_is_extended_from_its_best_neighbour_and_comes_nearer_to_the_truth():
    full = record("2000-01-01", "2019-12-31", weather(1, 0.1), "A")
    near = record("2000-01-01", "2019-12-31", weather(2, 0.1), "B")
    far = record("2000-01-01", "2019-12-31", weather(3, 0.8), "C")
    # Only the last two and a half years of it were measured.
    short = without(full, full.date >= np.datetime64("2017-07-01"))
    settings = DailyRecords(unit="m3s", min_years=10, min_correlation=0.7)

    true = gauge_statistics([full], settings).loc["A"]
    table = gauge_statistics([short, far, near], settings)
    alone = gauge_statistics([short, far, near], settings.model_copy(update={"short_records": "flag"})).loc["A"]

    row = table.loc["A"]
    assert (row["extended_from"], row["short"], row["record_years"]) == ("B", False, 2)
    assert row["note"].startswith("2 complete years in 2000–2019, fewer than 10; extended from B (MOVE.1, ")
    assert row["days_used"] == true["days_used"]
    for name in ("flow_mean_m3s", "flow_q05_m3s", "flow_q95_m3s"):
        assert abs(np.log(row[name] / true[name])) < 0.05
    assert (alone["extended_from"], alone["short"]) == ("", True)
    assert table["extended_from"].tolist() == ["B", "", ""]


def test_measured_days_stay_as_they_are_in_an_extended_record():
    full = record("2000-01-01", "2019-12-31", weather(1, 0.1), "A")
    near = record("2000-01-01", "2019-12-31", weather(2, 0.1), "B")
    settings = DailyRecords(unit="m3s", min_years=10, first_year=2018, last_year=2019)

    # Within the period all days are measured, though its two years are too few.
    row = gauge_statistics([without(full, full.date >= np.datetime64("2018-01-01")), near], settings).loc["A"]

    assert row["flow_mean_m3s"] == pytest.approx(full.flow_m3s[full.date >= np.datetime64("2018-01-01")].mean())


@pytest.mark.parametrize(
    ("flow", "reason"),
    [
        (lambda day: np.where(day < 5, 0.0, 2.0), "it has days without flow, which have no logarithm"),
        (weather(9, 3.0), "no long record without zero flows has 365 days shared and a correlation of 0.8"),
    ],
)
def test_a_record_that_cannot_be_extended_is_flagged_with_the_reason(flow, reason):
    short = record("2018-01-01", "2019-12-31", flow, "A")
    near = record("2000-01-01", "2019-12-31", weather(2, 0.1), "B")

    row = gauge_statistics([short, near], DailyRecords(unit="m3s", min_years=10)).loc["A"]

    assert row["short"]
    assert row["note"].endswith(f"not extended: {reason}")
    assert row["flow_mean_m3s"] == pytest.approx(short.flow_m3s.mean())


@pytest.mark.parametrize(("min_overlap_days", "extended_from"), [(181, "B"), (182, "")])
def test_a_neighbour_must_share_the_days_that_are_required_and_no_fewer(min_overlap_days, extended_from):
    full = record("2000-01-01", "2019-12-31", weather(1, 0.1), "A")
    short = without(full, full.date >= np.datetime64("2018-01-01"))
    # January to June of 2018 have 181 days.
    near = record("2000-01-01", "2018-06-30", weather(2, 0.1), "B")
    settings = DailyRecords(unit="m3s", min_years=10, min_overlap_days=min_overlap_days)

    row = gauge_statistics([short, near], settings).loc["A"]

    assert row["extended_from"] == extended_from
    assert row["short"] == (extended_from == "")


def test_an_extension_by_a_neighbour_that_flows_in_proportion_is_the_record_that_was_not_measured():
    # Low flow rises slowly and ends in a short flood, so that a curve upside down would show.
    near = record("1990-01-01", "2025-12-31", lambda day: 1.0 + (day % 97) ** 3 / 1e4, "B")
    inside = (near.date >= np.datetime64("2000-01-01")) & (near.date < np.datetime64("2020-01-01"))
    whole = without(near._replace(gauge="A", flow_m3s=2.0 * near.flow_m3s**0.5), inside)
    # What the neighbour does outside of the period is nothing to it, not even to the first week.
    before = near.date < np.datetime64("2000-01-01")
    near = near._replace(flow_m3s=np.where(inside, near.flow_m3s, np.where(before, 1e-3, 1e4)))
    few = (whole.date >= np.datetime64("2008-01-01")) & (whole.date < np.datetime64("2011-01-01"))
    short = without(whole, few)
    settings = DailyRecords(unit="m3s", min_years=10, first_year=2000, last_year=2019)

    extended = gauge_statistics([short, near], settings).loc["A"]

    true = gauge_statistics([whole], settings).loc["A"]
    assert extended["extended_from"] == "B"
    for name in ("flow_mean_m3s", "flow_q05_m3s", "flow_q50_m3s", "flow_q95_m3s", "min7day_m3s"):
        assert extended[name] == pytest.approx(true[name], rel=1e-9)


def test_of_an_extended_record_the_complete_years_of_the_period_count_and_no_others():
    # A whole year of floods before the period, three years in it, and a gap of the neighbour in 2005.
    near = record("1990-01-01", "2019-12-31", lambda day: (1.0 + day % 7) * np.where(day < 365, 1e4, 1.0), "B")
    flood, own = near.date < np.datetime64("1991-01-01"), near.date >= np.datetime64("2017-01-01")
    short = without(near._replace(gauge="A"), own | flood)
    gap = (near.date >= np.datetime64("2005-03-01")) & (near.date < np.datetime64("2005-06-01"))
    settings = DailyRecords(unit="m3s", min_years=10, first_year=2000, last_year=2019)

    row = gauge_statistics([short, without(near, ~gap)], settings).loc["A"]

    assert (row["extended_from"], row["record_years"], row["days_missing"]) == ("B", 3, 0)
    assert row["days_used"] == 20 * 365 + 5 - 365
    assert row["flow_mean_m3s"] == pytest.approx(4.0, rel=1e-3)


def test_of_neighbours_that_are_alike_the_first_counts_and_none_with_a_dry_day():
    full = record("2000-01-01", "2019-12-31", weather(1, 0.1), "A")
    short = without(full, full.date >= np.datetime64("2018-01-01"))
    near, same = (record("2000-01-01", "2019-12-31", weather(2, 0.1), name) for name in ("B", "C"))
    dry = near._replace(gauge="D", flow_m3s=np.where(np.arange(len(near.date)) == 9, 0.0, near.flow_m3s))
    settings = DailyRecords(unit="m3s", min_years=10)

    assert gauge_statistics([short, dry, near, same], settings).loc["A", "extended_from"] == "B"
    assert gauge_statistics([short, dry], settings).loc["A", "extended_from"] == ""


def test_a_short_record_may_be_left_out():
    settings = DailyRecords(unit="m3s", min_years=10, short_records="leave_out")

    row = gauge_statistics([record("2018-01-01", "2019-12-31")], settings).loc["G"]

    assert np.isnan(row["flow_mean_m3s"])
    assert row["note"].endswith("left out")


def test_a_record_without_a_complete_year_has_no_statistics():
    row = gauge_statistics([record("2019-03-01", "2019-08-31")], SETTINGS).loc["G"]

    assert np.isnan([row["flow_mean_m3s"], row["flow_q95_m3s"], row["min7day_m3s"]]).all()
    assert (row["days_used"], row["days_missing"]) == (0, 0)
    assert row["record_years"] == 0


def test_equal_days_share_the_position_of_the_last_of_them():
    # Two of four days reach 2 at least, and 3 of 4 reach 1: positions 2/5 and 3/5.
    assert flow_exceeded(duration_curve([5.0, 2.0, 1.0, 0.5]), 40.0) == pytest.approx(2.0)
    assert flow_exceeded(duration_curve([2.0, 1.0, 1.0, 0.5]), 60.0) == pytest.approx(1.0)


def test_days_without_a_value_do_not_count():
    with_gaps = duration_curve([3.0, np.nan, 1.0, 2.0, np.nan])

    assert with_gaps.exceedance.tolist() == [0.25, 0.5, 0.75]
    assert with_gaps.flow.tolist() == [3.0, 2.0, 1.0]


def test_a_record_without_any_value_is_refused():
    with pytest.raises(ValueError, match="at least one daily flow"):
        duration_curve([np.nan, np.nan])


def test_a_record_of_one_week_has_one_seven_day_mean_and_a_shorter_one_none():
    week, less = (record("2019-05-01", f"2019-05-{last:02d}", lambda day: day + 1) for last in (7, 6))

    assert yearly_statistics(counted_flow(week, SETTINGS))["min7day_m3s"].tolist() == [4.0]
    assert np.isnan(yearly_statistics(counted_flow(less, SETTINGS))["min7day_m3s"]).all()


def test_as_many_years_as_are_required_are_not_short():
    row = gauge_statistics([record("2018-01-01", "2019-12-31")], SETTINGS).loc["G"]
    fewer = gauge_statistics([record("2018-01-01", "2019-12-31")], DailyRecords(unit="m3s", min_years=3)).loc["G"]

    assert (row["short"], row["note"]) == (False, "")
    assert fewer["short"]
    assert fewer["note"].startswith("2 complete years in 2018–2019, fewer than 3; not extended: ")


def test_marked_days_of_the_first_and_last_year_of_the_period_are_counted_and_no_others():
    date = np.arange(np.datetime64("2015-01-01"), np.datetime64("2020-01-01"))
    marked = np.isin(
        date, np.array(["2015-12-31", "2016-01-01", "2018-12-31", "2019-01-01"], dtype="datetime64[D]")
    )
    made = record("2015-01-01", "2019-12-31", estimated=marked, ice=marked)
    made.flow_m3s[date == np.datetime64("2017-06-01")] = np.nan

    row = gauge_statistics([made], SETTINGS.model_copy(update={"first_year": 2016, "last_year": 2018})).loc["G"]

    assert (row["days_estimated"], row["days_ice"], row["days_missing"]) == (2, 2, 1)
    # A mark where there is no flow marks nothing.
    made.flow_m3s[date == np.datetime64("2016-01-01")] = np.nan
    row = gauge_statistics([made], SETTINGS.model_copy(update={"first_year": 2016, "last_year": 2018})).loc["G"]
    assert (row["days_estimated"], row["days_ice"], row["days_missing"]) == (1, 1, 2)


def test_two_years_have_a_spread_and_a_year_without_water_has_none():
    two = gauge_statistics([record("2018-01-01", "2019-12-31", lambda day: np.exp(day // 365))], SETTINGS)
    dry = gauge_statistics([record("2018-01-01", "2019-12-31", lambda day: day // 365)], SETTINGS)

    # Of two numbers one apart the standard deviation is the root of a half.
    assert two["year_to_year_log_sd"].iloc[0] == pytest.approx(0.5**0.5)
    assert np.isnan(dry["year_to_year_log_sd"].iloc[0])


@pytest.mark.parametrize("level", ["short", "long", "both"])
def test_level_flow_says_nothing_of_how_two_gauges_go_together(level):
    rising, even = np.array([1.0, 2.0, 4.0]), np.full(3, 2.0)

    line = extension_line(even if level != "long" else rising, even if level != "short" else rising)

    assert (line.slope, line.correlation, line.days) == (0.0, 0.0, 3)
    assert line.intercept + line.slope * np.log(2.0) == pytest.approx(np.log(2.0))


def test_the_flow_of_347_days_and_quantiles_of_a_record_whose_flow_is_its_rank():
    # Of 730 days the r-th greatest flow is 731 − r, at r / 731 of the time: 731 (1 − share) between them.
    made = record("2018-01-01", "2019-12-31", lambda day: 1.0 + (7.0 * day) % 730)

    row = gauge_statistics([made], SETTINGS).loc["G"]

    assert row["low347_m3s"] == pytest.approx(731 * 18 / 365)
    assert row["flow_q05_m3s"] == pytest.approx(731 * 0.95)
    assert row["flow_q95_m3s"] == pytest.approx(731 * 0.05)
    assert row["flow_mean_m3s"] == pytest.approx(365.5)
