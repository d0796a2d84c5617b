"""Flows by a climate table: read with all that is wrong, applied by month, season or year, and nothing else."""

import io

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from sitefinder.errors import InputError
from sitefinder.hydrology.change import (
    PeriodFactors,
    _bin_again,
    _factors,
    changed_by_regime,
    changed_curve,
    changed_year,
    factor_at,
    flow_change_of,
    months_of_season,
    ratio_of_curves,
)
from sitefinder.hydrology.duration_curve import BIN_EXCEEDANCE
from sitefinder.hydrology.regime import MONTH_SHARE, month_shares, over_months, regime_of_means, year_by_regime
from sitefinder.hydrology.seasons import BIN_MONTH
from sitefinder.settings import ChangeSettings

SETTINGS = ChangeSettings(path="climate.csv", label="2050", source="made up")
RAIN = regime_of_means([1.4, 1.3, 1.2, 1.1, 0.9, 0.7, 0.5, 0.5, 0.7, 1.0, 1.3, 1.4], "made up")
CURVES = 2.0 * np.exp(np.array([[0.4], [1.0], [1.8]]) * stats.norm.isf(BIN_EXCEEDANCE))
SEASONS = "season,factor\nDJF,1.2\nMAM,1.0\nJJA,0.6\nSON,0.9\n"


def change_of(text):
    table = pd.read_csv(io.StringIO(text), dtype=str, keep_default_na=False)
    return flow_change_of(table, "climate.csv", SETTINGS)


def by_month(factors):
    return change_of("month,factor\n" + "".join(f"{month},{factor}\n" for month, factor in enumerate(factors, 1)))


@pytest.mark.parametrize(
    ("name", "months"),
    [
        ("DJF", (12, 1, 2)),
        ("mam", (3, 4, 5)),
        ("ONDJFM", (10, 11, 12, 1, 2, 3)),
        ("JJ", (6, 7)),
        ("JFM", (1, 2, 3)),
        ("JFMAMJJASON", tuple(range(1, 12))),
        ("JFMAMJJASOND", None),
        ("JA", (7, 8)),
        ("Year", tuple(range(1, 13))),
        ("J", None),
        ("winter", None),
        ("", None),
    ],
)
def test_a_season_is_the_initials_of_its_months(name, months):
    assert months_of_season(name) == months


def test_a_table_of_seasons_is_read():
    change = change_of(SEASONS)

    assert [period.months for period in change.periods] == [(12, 1, 2), (3, 4, 5), (6, 7, 8), (9, 10, 11)]
    assert [period.factor.tolist() for period in change.periods] == [[1.2], [1.0], [0.6], [0.9]]
    assert change.is_by_month
    assert (change.label, change.source, change.environmental_from) == ("2050", "made up", "changed")


def test_months_that_all_say_the_same_need_no_months():
    assert not by_month([0.9] * 12).is_by_month
    assert by_month([0.9] * 11 + [1.0]).is_by_month


def test_all_that_is_wrong_with_a_table_is_said_at_once():
    with pytest.raises(InputError) as caught:
        change_of(
            "month,exceedance_percent,factor\n1,10,1.1\n1,10,1.2\n2,,0\n3,120,-1\n3,50,x\n13,50,1\n4,50,inf\n"
            "5,100,1\n5,0,1\n5,99,1\n"
        )

    text = str(caught.value)
    assert "factor: expected a number above 0 (found '0' in rows 4, 5, 6, 8)" in text
    assert (
        "exceedance_percent: expected a number between 0 and 100, or nothing (found '120' in rows 5, 9, 10)"
        in text
    )
    assert "month: expected 1 to 12 (found '13' in rows 7)" in text
    assert "1: exceedance_percent is missing or repeated in rows 2, 3" in text
    # A month with a wrong name may be the one that is missing.
    assert "no factor for" not in text


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("season,factor\nDJF,1\nMAM,1\nJJA,1.2\n", "expected every month of the year once (no factor for 9, 10"),
        (SEASONS + "ND,1.1\n", "expected every month of the year once (in more than one season: 11, 12)"),
        ("factor\n1.1\n", 'add a column season that holds "year"'),
        ("season,share\nyear,1.1\n", "column factor: missing"),
        ("season,month,factor\nyear,1,1.1\n", "expected one column of month or season (found month and season)"),
        ("season,factor\nyear,1.1\nyear,1.2\n", "year: more than one factor without exceedance_percent"),
        ("season,factor\n", "the table has no rows"),
        ("season,factor\nsummer,1.1\n", "expected initials such as DJF or MAM, or \"year\" (found 'summer'"),
    ],
)
def test_a_table_that_is_no_year_is_refused(text, said):
    with pytest.raises(InputError) as caught:
        change_of(text)

    assert said in str(caught.value)


def test_factors_between_exceedances_are_interpolated_and_level_beyond():
    change = change_of("season,exceedance_percent,factor\nyear,90,0.6\nyear,10,1.2\n")

    assert factor_at(change.periods[0], np.array([1, 10, 30, 50, 90, 99])).tolist() == pytest.approx(
        [1.2, 1.2, 1.05, 0.9, 0.6, 0.6]
    )


def test_one_factor_for_the_year_is_a_factor_on_the_curve():
    assert changed_curve(CURVES, change_of("season,factor\nyear,0.8\n")) == pytest.approx(0.8 * CURVES)


def test_factors_that_would_turn_the_curve_round_leave_it_falling():
    steep = change_of("season,exceedance_percent,factor\nyear,1,0.2\nyear,99,3\n")

    changed = changed_curve(CURVES[:1], steep)
    assert (np.diff(changed) <= 0).all()
    flat = CURVES[0] * np.interp(100 * BIN_EXCEEDANCE, [1, 99], [0.2, 3])
    assert np.sort(changed[0]) == pytest.approx(np.sort(flat))


def test_days_get_the_factor_of_their_own_month():
    factors = np.linspace(0.5, 1.6, 12)
    year = year_by_regime(CURVES, RAIN)

    changed = changed_year(year, by_month(factors))

    assert changed.flow_m3s == pytest.approx(year.flow_m3s * factors[BIN_MONTH - 1])


def test_exceedance_is_that_within_the_season_by_another_way_of_counting():
    change = change_of("season,exceedance_percent,factor\nDJFMAM,50,1\nJJA,20,1.5\nJJA,80,0.5\nSON,50,1\n")
    year = year_by_regime(CURVES, RAIN)

    changed = changed_year(year, change).flow_m3s

    summer = np.isin(BIN_MONTH, [6, 7, 8])
    assert changed[:, ~summer] == pytest.approx(year.flow_m3s[:, ~summer])
    for row in range(len(CURVES)):
        flow = year.flow_m3s[row, summer]
        percent = 100 * (stats.rankdata(-flow, method="ordinal") - 0.5) / summer.sum()
        expected = flow * np.interp(percent, [20, 80], [1.5, 0.5])
        assert np.sort(changed[row, summer]) == pytest.approx(np.sort(expected), rel=1e-9)


def test_factors_of_one_change_nothing():
    # With exceedances, so that the table is not taken for one of the whole year.
    change = change_of("season,exceedance_percent,factor\nDJF,50,1\nMAM,50,1\nJJA,50,1\nSON,50,1\n")
    assert change.is_by_month

    found = changed_by_regime(CURVES, RAIN, change)

    assert found.curve_m3s == pytest.approx(CURVES, rel=1e-12)
    assert found.shares == pytest.approx(month_shares(CURVES, RAIN), abs=1e-9)


def test_by_a_regime_each_months_water_is_multiplied_and_the_year_is_their_union():
    factors = np.array([1.3, 1.2, 1.1, 1.0, 0.9, 0.7, 0.5, 0.5, 0.7, 0.9, 1.0, 1.2])
    before = over_months(CURVES, month_shares(CURVES, RAIN))

    found = changed_by_regime(CURVES, RAIN, by_month(factors))

    assert found.shares.sum(axis=2) == pytest.approx(1.0, abs=1e-9)
    assert found.shares.mean(axis=1) == pytest.approx(np.tile(MONTH_SHARE, (3, 1)), abs=1e-9)
    assert (np.diff(found.curve_m3s, axis=1) <= 1e-12).all()
    assert found.curve_m3s.mean(axis=1) == pytest.approx((before * factors).sum(axis=1), rel=1e-9)
    # Bins of the new curve hold flows of several months, so that a month's own are averaged a little: what a plant
    # takes of them is off by less than 0.5 %, and the water of the steepest curve's months by less than 10 %.
    design = CURVES.mean(axis=1)
    own = np.minimum(CURVES[:, :, None] * factors, design[:, None, None])
    taken = (month_shares(CURVES, RAIN) * own).mean(axis=1)
    assert over_months(np.minimum(found.curve_m3s, design[:, None]), found.shares) == pytest.approx(
        taken, rel=5e-3
    )
    assert over_months(found.curve_m3s, found.shares) == pytest.approx(before * factors, rel=0.1)


def test_two_routes_to_a_changed_curve_agree():
    # By shares of bins, and by days of the year, whose bins are coarser.
    change = change_of(SEASONS)
    year = year_by_regime(CURVES, RAIN)

    by_shares = changed_by_regime(CURVES, RAIN, change).curve_m3s
    by_days = CURVES * ratio_of_curves(year.flow_m3s, changed_year(year, change).flow_m3s, CURVES.shape[1])

    # Days average the flows within them: single bins differ, what a plant takes does not by more than 0.5 %.
    assert np.median(np.abs(by_days / by_shares - 1), axis=1).max() < 0.03
    design = CURVES.mean(axis=1, keepdims=True)
    taken = [np.minimum(curve, design).mean(axis=1) for curve in (by_days, by_shares)]
    assert taken[0] == pytest.approx(taken[1], rel=5e-3)


def test_a_table_of_the_year_by_exceedance_is_one_of_the_whole_year():
    change = change_of("season,exceedance_percent,factor\nyear,90,0.6\nyear,10,1.2\n")

    assert not change.is_by_month
    assert [period.months for period in change.periods] == [tuple(range(1, 13))]


def test_months_that_say_the_same_by_exceedance_stay_months():
    rows = "".join(
        f"{month},{percent},{factor}\n" for month in range(1, 13) for percent, factor in ((20, 2), (80, 1))
    )

    assert len(change_of("month,exceedance_percent,factor\n" + rows).periods) == 12
    # One that has other exceedances, or none, differs from the rest.
    assert len(change_of("month,exceedance_percent,factor\n" + rows.replace("5,20,2", "5,30,2")).periods) == 12


@pytest.mark.parametrize("factor", ["1", "+1.", ".5", "1e0", "25E-1"])
def test_numbers_are_read_as_they_are_written(factor):
    (period,) = change_of(f"season,factor\nyear,{factor}\n").periods

    assert period.factor.tolist() == [float(factor)]
    assert period.exceedance_percent is None


@pytest.mark.parametrize("cell", ["", "0x1", "1,5", "nan", "one"])
def test_what_is_no_number_is_refused_with_its_row(cell):
    quoted = f'"{cell}"'
    with pytest.raises(InputError, match=r"factor: expected a number above 0 \(found .* in rows 3\)"):
        change_of(f"season,factor\nDJFMAM,1\nJJASON,{quoted}\n")


@pytest.mark.parametrize(
    ("name", "is_month"), [("1", True), ("09", True), ("12.0", True), ("0", False), ("13", False)]
)
def test_months_are_numbers_from_1_to_12(name, is_month):
    others = "".join(f"{month},1\n" for month in range(1, 13) if str(month) != name.removesuffix(".0").lstrip("0"))

    if is_month:
        assert not change_of(f"month,factor\n{name},1\n" + others).is_by_month
        return
    with pytest.raises(InputError) as caught:
        change_of(f"month,factor\n{name},1\n" + others)
    assert caught.value.problems == (f"climate.csv: month: expected 1 to 12 (found '{name}' in rows 2)",)


def test_cells_without_an_exceedance_leave_one_factor_to_their_period():
    change = change_of("season,exceedance_percent,factor\nDJFMAM,,0.9\nJJASON,80,0.5\nJJASON,20,1.5\n")

    assert change.periods[0].exceedance_percent is None
    assert change.periods[1].exceedance_percent.tolist() == [20.0, 80.0]
    assert change.periods[1].factor.tolist() == [1.5, 0.5]


def test_an_unknown_curve_stays_unknown_and_the_others_do_not_care():
    curves = np.vstack([CURVES[:1], np.full((1, 200), np.nan), CURVES[1:2]])

    found = changed_by_regime(curves, RAIN, by_month(np.linspace(0.5, 1.6, 12)))

    alone = changed_by_regime(CURVES[:2], RAIN, by_month(np.linspace(0.5, 1.6, 12)))
    assert np.isnan(found.curve_m3s[1]).all()
    assert np.isnan(found.shares[1]).all()
    assert found.curve_m3s[[0, 2]] == pytest.approx(alone.curve_m3s)
    assert found.shares[[0, 2]] == pytest.approx(alone.shares)


def test_a_part_of_a_period_without_exceedance_and_a_missing_month_are_both_said():
    with pytest.raises(InputError) as caught:
        change_of("season,exceedance_percent,factor\nDJF,10,1.1\nDJF,,1.2\nMAM,,0\nJJA,50,1\n")

    assert [problem.removeprefix("climate.csv: ") for problem in caught.value.problems] == [
        "factor: expected a number above 0 (found '0' in rows 4)",
        "DJF: exceedance_percent is missing or repeated in rows 2, 3",
        "expected every month of the year once (no factor for 9, 10, 11)",
    ]


def test_two_halves_of_a_year_are_not_the_whole_year():
    assert change_of("season,factor\nDJFMAM,1.1\nJJASON,0.9\n").is_by_month


def test_the_factor_of_a_bin_goes_by_the_middle_of_its_time_within_the_period():
    # Of three bins, summer has a half, a quarter and a quarter of its time; winter has one factor.
    shares = np.zeros((2, 3, 12))
    shares[0, :, 6] = 0.5, 0.25, 0.0
    shares[0, :, 7] = 0.5, 0.25, 0.5
    shares[0, :, 0] = 0.0, 0.5, 0.5
    summer = PeriodFactors((7, 8), np.array([0.0, 100.0]), np.array([2.0, 1.0]))
    winter = PeriodFactors(tuple({*range(1, 13)} - {7, 8}), None, np.array([0.7]))
    change = change_of(SEASONS)._replace(periods=(summer, winter))

    factors = _factors(shares, change)

    # Middles at 25, 62.5 and 87.5 %; where a period has no time at all, that of half of it.
    assert factors[0, :, [6, 7]] == pytest.approx(np.tile([1.75, 1.375, 1.125], (2, 1)))
    assert factors[1, :, 6] == pytest.approx([1.5] * 3)
    assert (factors[:, :, [0, 1, 5, 8, 11]] == 0.7).all()


def test_a_curve_that_is_unknown_in_part_stays_unknown():
    curves = CURVES[:2].copy()
    curves[1, 7] = np.nan

    found = changed_by_regime(curves, RAIN, by_month(np.linspace(0.5, 1.6, 12)))

    assert np.isnan(found.curve_m3s).all(axis=1).tolist() == [False, True]
    assert np.isnan(found.shares).all(axis=(1, 2)).tolist() == [False, True]


def test_flows_are_put_into_bins_of_equal_time_with_their_months():
    flow = np.array([[8.0, 4.0, 2.0], [8.0, 4.0, 2.0], [9.0, 5.0, 1.0], [7.0, 6.0, 3.0]])
    time = np.array([[0.25, 0.5, 0.25], [0.0, 0.0, 0.0], [2.0, 1.0, 1.0], [1.0, 0.0, 0.0]])
    month = np.array([[0, 11, 0], [0, 1, 2], [3, 4, 5], [6, 7, 8]])
    curve, shares = np.full((4, 2), 99.0), np.zeros((4, 2, 12))

    _bin_again(flow, time, month, curve, shares)

    # The second flow is in both bins; without any time there is nothing; four units of time are halved too; and
    # one flow fills both bins.
    assert curve.tolist() == [[6.0, 3.0], [0.0, 0.0], [9.0, 3.0], [7.0, 7.0]]
    expected = np.zeros((4, 2, 12))
    expected[0, :, [0, 11]] = 0.5
    expected[2, 0, 3] = 1.0
    expected[2, 1, [4, 5]] = 0.5
    expected[3, :, 6] = 1.0
    assert shares.tolist() == expected.tolist()


def test_time_that_rounding_leaves_over_is_in_the_last_bin():
    # Three bins are full when the last flow comes.
    curve, shares = np.empty((1, 3)), np.zeros((1, 3, 12))

    _bin_again(
        np.array([[9.0, 6.0, 3.0, 1.0]]),
        np.array([[1.0, 1.0, 1.0, 1e-17]]),
        np.array([[0, 1, 2, 2]]),
        curve,
        shares,
    )

    assert curve.tolist() == [[9.0, 6.0, 3.0]]
    assert shares[0].tolist() == np.eye(3, 12).tolist()
