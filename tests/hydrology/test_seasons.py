"""The year by months: whole, in agreement with the mean flow, and as spread as the months say."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from sitefinder.catalogue.equations import Equation
from sitefinder.errors import InputError
from sitefinder.hydrology.duration_curve import BIN_EXCEEDANCE, curves_from_quantiles
from sitefinder.hydrology.seasons import (
    BIN_MONTH,
    DAYS_IN_MONTH,
    MonthStatistics,
    YearBins,
    _log_variance,
    _power_within_months,
    is_far_scaled,
    month_statistics,
    split_by_month,
    year_of_months,
)

DAYS = np.array(DAYS_IN_MONTH)


def equation(statistic, litres_per_km2=20.0):
    return Equation(
        statistic=statistic,
        form="log10",
        factor=litres_per_km2,
        predictors=[{"name": "area", "unit": "km2", "coefficient": 1.0, "minimum": 1.0, "maximum": 100.0}],
        flow_unit="ls",
        standard_error_percent=20.0,
        gauges=30,
        source="made up",
        table="made up",
    )


# A lognormal curve of a mean and a log standard deviation, as one station's row.
def lognormal(mean, sigma):
    return mean * np.exp(sigma * stats.norm.isf(BIN_EXCEEDANCE) - sigma**2 / 2)[None, :]


def only_means(means):
    return [MonthStatistics(np.array([mean]), (), None) for mean in means]


def test_months_that_agree_with_the_mean_are_taken_as_they_are():
    means = 5.0 + 4.0 * np.cos(2 * np.pi * np.arange(12) / 12)
    mean = (means * DAYS).sum() / 365

    year = year_of_months(only_means(means), lognormal(mean, 1.0), np.array([mean]))

    assert year.flow_m3s.shape == (1, 365)
    assert [year.flow_m3s[0, month == BIN_MONTH].mean() for month in range(1, 13)] == pytest.approx(means)
    assert year.scaling == pytest.approx([1.0])
    assert not is_far_scaled(year).any()


def test_the_mean_flow_rules_how_much_and_the_months_when():
    means = np.arange(1.0, 13.0)

    year = year_of_months(only_means(means), lognormal(20.0, 1.0), np.array([20.0]))

    of_month = np.array([year.flow_m3s[0, month == BIN_MONTH].mean() for month in range(1, 13)])
    assert year.flow_m3s.mean() == pytest.approx(20.0, rel=1e-12)
    assert of_month / of_month[0] == pytest.approx(means)
    # 20 m³/s to a mean of the months of some 6.5.
    assert is_far_scaled(year).tolist() == [True]


def test_months_with_a_mean_only_together_spread_as_the_year_does():
    # Lognormal months of one spread about lognormal means: the year's variance of logs is the sum of both.
    between = stats.norm.ppf((np.arange(12) + 0.5) / 12) * 0.8
    within = 0.6
    whole = np.sqrt(within**2 + np.average((between - np.average(between, weights=DAYS)) ** 2, weights=DAYS))
    means = np.exp(between)
    mean = np.average(means, weights=DAYS)

    year = year_of_months(only_means(means), lognormal(mean, whole), np.array([mean]))

    # The middle half of a month, whose bins are means over 1/31 of the time and narrow the tails a little.
    january = np.log(year.flow_m3s[0, BIN_MONTH == 1])
    z = stats.norm.isf((np.arange(31) + 0.5) / 31)
    slope = np.polyfit(z[8:23], january[8:23], 1)[0]
    assert slope == pytest.approx(within, rel=0.01)


def test_months_with_quantiles_have_the_curve_through_them_scaled_to_their_mean():
    quantiles = np.array([[8.0, 2.0, 0.5]])
    with_mean = MonthStatistics(np.array([6.0]), (10, 50, 90), quantiles)
    without = MonthStatistics(None, (10, 50, 90), quantiles)
    own = curves_from_quantiles([10, 50, 90], quantiles).curve_m3s.mean()

    year = year_of_months([with_mean] + [without] * 11, lognormal(3.0, 1.0), np.array([3.0]))

    february = year.flow_m3s[0, BIN_MONTH == 2] / year.scaling[0]
    assert year.flow_m3s[0, BIN_MONTH == 1].mean() / year.scaling[0] == pytest.approx(6.0)
    assert february.mean() == pytest.approx(own, rel=1e-12)
    assert (np.diff(february) <= 0).all()
    assert year.flow_m3s.mean() == pytest.approx(3.0, rel=1e-12)


def test_dry_months_and_unknown_ones():
    dry = year_of_months(only_means([0.0] * 6 + [2.0] * 6), lognormal(1.0, 1.0), np.array([1.0]))
    unknown = year_of_months(only_means([np.nan] + [2.0] * 11), lognormal(1.0, 1.0), np.array([1.0]))

    assert (dry.flow_m3s[0, BIN_MONTH <= 6] == 0).all()
    assert dry.flow_m3s.mean() == pytest.approx(1.0)
    assert np.isnan(unknown.flow_m3s).all()
    # A year without any water has nothing to scale.
    none = year_of_months(only_means([0.0] * 12), lognormal(1.0, 1.0), np.array([0.0]))
    assert (none.flow_m3s.tolist(), none.scaling.tolist()) == ([[0.0] * 365], [1.0])


def test_the_variance_of_logs_is_that_of_wet_bins_by_their_weights():
    # Logs of 0, 1 and 3 of weights 2, 1 and 1 have the mean 1 and the variance (2 · 1 + 0 + 4) / 4.
    flow = np.exp(np.array([[0.0, 1.0, 3.0, -np.inf, np.nan]]))

    assert _log_variance(flow, np.array([2.0, 1.0, 1.0, 5.0, 7.0])) == pytest.approx([1.5])
    # In a year that is level nothing says how much of the spread is within its months: as little as there may be.
    assert _power_within_months([np.ones(1)] * 12, np.ones((1, 200))).tolist() == [0.3]


def test_equations_of_months_are_reported_apart_and_applied():
    months = [equation(f"month_{month:02d}_mean", 10.0 + month) for month in range(1, 13)]
    more = [equation("month_03_exceedance_50", 9.0), equation("month_03_exceedance_90", 3.0)]
    year = [equation("mean"), equation("exceedance_50")]

    yearly, monthly = split_by_month([*year, *months, *more])
    found = month_statistics(
        pd.DataFrame({"area_km2": [50.0]}),
        monthly,
        lambda items, stations: items[0].factor * stations["area_km2"].to_numpy() / 1000,
    )

    assert yearly == year
    assert [item.mean_m3s[0] for item in found] == pytest.approx([(10 + month) * 0.05 for month in range(1, 13)])
    assert (found[2].quantile_percent, found[2].quantile_m3s.tolist()) == ((50, 90), [[0.45, 0.15]])
    assert found[3].quantile_m3s is None
    assert split_by_month(year) == (year, [])
    assert month_statistics(pd.DataFrame({"area_km2": [50.0]}), [], None) == []


@pytest.mark.parametrize(
    ("names", "found"),
    [
        ([f"month_{month:02d}_mean" for month in range(1, 12)], "too few for months 12"),
        ([f"month_{month:02d}_exceedance_50" for month in range(1, 13)], "too few for months 1, 2, 3"),
        (["month_1_mean"], "no such statistics: month_1_mean"),
    ],
)
def test_a_year_that_is_not_whole_is_refused(names, found):
    with pytest.raises(InputError, match=found):
        split_by_month([equation(name) for name in names])


def test_two_quantiles_of_each_month_are_enough_without_means():
    months = [f"month_{month:02d}_exceedance_{percent}" for month in range(1, 13) for percent in (50, 90)]

    assert len(split_by_month([equation(name) for name in months])[1]) == 24


def test_months_are_far_scaled_beyond_a_factor_of_one_and_a_half_either_way():
    scaling = np.array([1.5, 1.501, 1 / 1.5, 1 / 1.501, 1.0, np.nan])

    found = is_far_scaled(YearBins(BIN_MONTH, np.ones((6, 365)), scaling))

    assert found.tolist() == [False, True, False, True, False, False]


def test_a_level_year_has_level_months_and_a_spread_of_months_leaves_each_some():
    level = year_of_months(only_means([2.0] * 12), np.full((1, 200), 5.0), np.array([5.0]))
    # Means as far apart as the year's flows and more: each month keeps three tenths of the year's spread.
    apart = year_of_months(only_means(np.exp(np.arange(12.0))), lognormal(1.0, 0.5), np.array([1.0]))

    assert level.flow_m3s == pytest.approx(np.full((1, 365), 5.0))
    january = np.log(apart.flow_m3s[0, BIN_MONTH == 1])
    z = stats.norm.isf((np.arange(31) + 0.5) / 31)
    assert np.polyfit(z[8:23], january[8:23], 1)[0] == pytest.approx(0.3 * 0.5, rel=0.01)


def test_dry_bins_do_not_count_for_the_spread_of_a_year():
    # Half of the year dry, the rest of two flows: their log spread is that of these two.
    curve = np.repeat([4.0, 1.0, 0.0], [50, 50, 100])[None, :]

    year = year_of_months(only_means([1.25] * 12), curve, np.array([1.25]))

    # Even months: the year's curve itself in each.
    assert year.flow_m3s[0, BIN_MONTH == 2] == pytest.approx(np.repeat([4.0, 1.0, 0.0], [7, 7, 14]))


def test_a_month_with_quantiles_among_months_with_means_alone():
    means = only_means([2.0] * 12)
    means[6] = MonthStatistics(None, (10, 90), np.array([[4.0, 1.0]]))
    july = curves_from_quantiles([10, 90], np.array([[4.0, 1.0]])).curve_m3s

    year = year_of_months(means, lognormal(2.0, 1.0), np.array([2.0]))

    unscaled = year.flow_m3s[0] / year.scaling[0]
    assert unscaled[BIN_MONTH == 7].mean() == pytest.approx(july.mean())
    assert unscaled[BIN_MONTH == 7].max() < july.max()
    assert [unscaled[month == BIN_MONTH].mean() for month in (1, 6, 8)] == pytest.approx([2.0] * 3)
