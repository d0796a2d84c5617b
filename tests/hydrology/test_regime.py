"""A duration curve split among the months: nothing of it lost, each month with its mean and its high flows."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from sitefinder.hydrology import regime as regime_module
from sitefinder.hydrology.duration_curve import BIN_EXCEEDANCE
from sitefinder.hydrology.records import DailyRecord
from sitefinder.hydrology.regime import (
    BIN_MONTH,
    FREE,
    MONTH_SHARE,
    PRECISION,
    SCORE,
    _eliminate,
    _fill_jacobian,
    _log_counts,
    _solve,
    _tilt,
    days_of_months,
    month_shares,
    over_months,
    possible_share,
    regime_of_means,
    regime_of_records,
    year_by_regime,
)
from sitefinder.settings.flows import DailyRecords

SNOW = regime_of_means([0.3, 0.3, 0.4, 0.9, 2.1, 2.8, 2.0, 1.1, 0.7, 0.6, 0.4, 0.3], "made up")
RAIN = regime_of_means([1.4, 1.3, 1.2, 1.1, 0.9, 0.7, 0.5, 0.5, 0.7, 1.0, 1.3, 1.4], "made up")


def lognormal(sigma, mean=3.0):
    return mean * np.exp(sigma * stats.norm.isf(BIN_EXCEEDANCE))[None, :]


# Curves of many shapes: even, steep, bounded, dry for a part of the year.
def curves():
    random = np.random.default_rng(11)
    made = [lognormal(sigma)[0] for sigma in random.uniform(0.05, 2.5, 30)]
    made += [stats.gamma.isf(BIN_EXCEEDANCE, shape) for shape in random.uniform(0.2, 9.0, 20)]
    made += [np.maximum(stats.norm.isf(BIN_EXCEEDANCE, 1.0, spread), 0.0) for spread in (0.1, 0.8, 3.0)]
    return np.array(made)


@pytest.mark.parametrize("regime", [SNOW, RAIN], ids=["snow", "rain"])
def test_all_time_of_every_bin_goes_to_months_of_their_own_length(regime):
    shares = month_shares(curves(), regime)

    assert (shares >= 0).all()
    assert shares.sum(axis=2) == pytest.approx(1.0, abs=1e-12)
    assert shares.mean(axis=1) == pytest.approx(np.tile(MONTH_SHARE, (len(shares), 1)), abs=1e-9)


@pytest.mark.parametrize("regime", [SNOW, RAIN], ids=["snow", "rain"])
def test_each_month_has_the_mean_of_the_regime_as_far_as_the_curve_can_hold_it(regime):
    curve = curves()
    shares = month_shares(curve, regime)

    found = over_months(curve, shares) / MONTH_SHARE / curve.mean(axis=1)[:, None]
    part = possible_share(curve, regime)[:, None]
    assert found == pytest.approx(1 + part * (regime.ratio - 1), abs=1e-7)
    # Most of these curves hold all of it, and some cannot.
    assert (part == 1).sum() > 20
    assert (part < 1).any()


def test_what_is_summed_over_the_months_is_what_the_year_gives():
    curve = curves()
    shares = month_shares(curve, RAIN)
    # As energy is: nothing at low flow, level at high flow.
    power = np.minimum(curve, np.median(curve, axis=1, keepdims=True)) * (curve > curve.mean(axis=1)[:, None] / 5)

    assert over_months(power, shares).sum(axis=1) == pytest.approx(power.mean(axis=1), rel=1e-12)


def test_a_curve_too_even_for_a_regime_holds_the_part_that_the_majorisation_of_its_flows_allows():
    # Two flows, half of the time each: 1.2 and 0.8. A month wetter than 1.2 cannot be; a hundredth is kept off.
    two = np.repeat([1.2, 0.8], 100)[None, :]
    one_wet = regime_of_means([1.5] + [(365 - 31 * 1.5) / 334] * 11, "made up")

    assert possible_share(two, one_wet) == pytest.approx([0.99 * 0.2 / 0.5], rel=1e-9)
    assert possible_share(np.full((1, 200), 2.0), one_wet) == pytest.approx([0.0], abs=1e-12)
    assert month_shares(np.full((1, 200), 2.0), one_wet) == pytest.approx(
        np.broadcast_to(MONTH_SHARE, (1, 200, 12)), abs=1e-9
    )


def test_lognormal_months_of_one_spread_come_back_by_bayes_rule():
    # Months whose log flows have one variance and means along a cosine; the year is their mixture, which is not
    # quite lognormal: its normal scores are not quite its log flows, hence the tolerance.
    spread, mean_log = 0.8, 0.35 * np.cos(2 * np.pi * (np.arange(12) - 3) / 12)
    flow = np.linspace(-4, 4, 4001)
    exceeded = (stats.norm.sf(flow[:, None], mean_log, spread) * MONTH_SHARE).sum(axis=1)
    log_flow = np.interp(BIN_EXCEEDANCE, exceeded[::-1], flow[::-1])
    density = stats.norm.pdf(log_flow[:, None], mean_log, spread) * MONTH_SHARE
    true = density / density.sum(axis=1, keepdims=True)
    curve = np.exp(log_flow)[None, :]
    means = over_months(curve, true[None])[0] / true.mean(axis=0)

    found = month_shares(curve, regime_of_means(means, "made up"))[0]

    assert np.abs(found - true).max() < 0.012
    # Without a month's flow known, each share would be off by as much as this.
    assert np.abs(MONTH_SHARE - true).max() > 0.1


def test_wet_months_have_the_high_flows_and_dry_ones_the_low():
    shares = month_shares(lognormal(1.0), SNOW)[0]

    assert (np.diff(shares[:, 5]) < 0).all()
    assert (np.diff(shares[:, 0]) > 0).all()


def test_unknown_and_dry_curves_stay_so():
    shares = month_shares(np.array([np.full(200, np.nan), np.zeros(200)]), SNOW)

    assert np.isnan(shares[0]).all()
    assert shares[1] == pytest.approx(np.broadcast_to(MONTH_SHARE, (200, 12)), abs=1e-9)


def test_what_is_solved_are_curves_over_their_means_and_level_ones_where_nothing_is_known(monkeypatch):
    solved = []
    monkeypatch.setattr(regime_module, "_solve", lambda *given: solved.extend(given[:2]) or given[-1].fill(0.5))
    part = np.full(200, 2.0)
    part[7] = np.nan
    small = lognormal(1.0, 0.01)[0]

    shares = month_shares(np.array([small, 1000.0 * small, np.zeros(200), np.full(200, np.nan), part]), SNOW)

    flow, ratio = solved
    assert flow[:2] == pytest.approx(np.tile(small / small.mean(), (2, 1)))
    assert ratio[:2] == pytest.approx(np.tile(SNOW.ratio, (2, 1)))
    assert (flow[2:].tolist(), ratio[2:].tolist()) == ([[1.0] * 200] * 3, [[1.0] * 12] * 3)
    # One bin that is unknown leaves none of the curve.
    assert np.isnan(shares).all(axis=(1, 2)).tolist() == [False, False, False, True, True]
    assert possible_share(np.array([np.zeros(200), np.full(200, np.nan)]), SNOW).tolist() == [1.0, 1.0]


def test_days_of_the_year_keep_every_month_and_what_it_holds():
    curve = curves()[:12]
    shares = month_shares(curve, SNOW)
    days = days_of_months(curve, shares)

    for month in range(12):
        own = days[:, month + 1 == BIN_MONTH]
        assert own.mean(axis=1) * MONTH_SHARE[month] == pytest.approx(
            over_months(curve, shares)[:, month], rel=1e-8
        )
        assert (np.diff(own, axis=1) <= 1e-12 * own[:, :1]).all()
    assert year_by_regime(curve, SNOW).flow_m3s == pytest.approx(days, rel=1e-12)
    # Within a day flow is averaged: what a plant takes differs by less than 0.5 %.
    design = curve.mean(axis=1, keepdims=True)
    whole, daily = (np.minimum(part, design).mean(axis=1) for part in (curve, days))
    assert daily == pytest.approx(whole, rel=5e-3)
    assert (daily >= whole * (1 - 1e-9)).all()


# A record of whole years whose flow is a given function of the day of the year, with noise by rank.
def record(gauge, of_month, years=3, seed=1):
    days = pd.date_range("2001-01-01", f"{2000 + years}-12-31", freq="D")
    flow = np.array(of_month)[days.month - 1] * np.exp(
        0.3 * np.random.default_rng(seed).standard_normal(len(days))
    )
    none = np.zeros(len(days), dtype=bool)
    return DailyRecord(gauge, days.to_numpy().astype("datetime64[D]"), flow, none, none)


SETTINGS = DailyRecords(unit="m3s")


def test_a_record_gives_its_own_monthly_means_over_its_mean_recomputed_by_hand():
    own = record("A", SNOW.ratio)
    frame = pd.DataFrame({"flow": own.flow_m3s, "month": pd.DatetimeIndex(own.date).month})

    regime = regime_of_records([own], SETTINGS)

    expected = frame.groupby("month")["flow"].mean() / frame["flow"].mean()
    assert regime.ratio == pytest.approx(expected.to_numpy() / (expected.to_numpy() @ MONTH_SHARE), rel=1e-12)
    assert regime.ratio @ MONTH_SHARE == pytest.approx(1.0, rel=1e-12)
    assert regime.source == "daily records of 1 gauge"
    # The highest twentieth of the days, counted by another way: the months of the 5 % greatest flows.
    greatest = frame.sort_values("flow", ascending=False).head(int(np.ceil(len(frame) / 20)))
    counted = greatest["month"].value_counts().reindex(range(1, 13), fill_value=0) / len(frame)
    assert regime.month_of_class[0] == pytest.approx(counted.to_numpy(), abs=1.1 / len(frame))
    assert regime.month_of_class.sum() == pytest.approx(1.0)


def test_gauges_count_alike_whatever_their_size_or_length():
    small, large = record("A", SNOW.ratio), record("B", 100 * RAIN.ratio, years=9, seed=2)

    both = regime_of_records([small, large], SETTINGS)

    alone = [regime_of_records([each], SETTINGS).ratio for each in (small, large)]
    assert both.ratio == pytest.approx(np.mean(alone, axis=0), rel=1e-3)
    assert both.source == "daily records of 2 gauges"


def test_a_small_stream_that_dries_up_has_a_regime_and_one_without_a_month_has_none():
    whole = record("A", 0.1 * SNOW.ratio)
    month = pd.DatetimeIndex(whole.date).month
    dry, cut = (np.where(month == 2, value, whole.flow_m3s) for value in (0.0, np.nan))
    settings = SETTINGS.model_copy(update={"min_share_of_year": 0.9})

    found = regime_of_records([whole._replace(flow_m3s=dry)], settings)

    assert (found.ratio == 0).tolist() == [number == 2 for number in range(1, 13)]
    # Eleven months are nine tenths of a year.
    assert regime_of_records([whole._replace(flow_m3s=cut)], settings) is None


def test_years_that_lack_a_season_say_nothing_of_it():
    whole = record("A", SNOW.ratio)
    flow = whole.flow_m3s.copy()
    days = pd.DatetimeIndex(whole.date)
    flow[(days.year == 2002) & (days.month > 6)] = np.nan
    flow[days.year == 2002] *= 50

    cut = regime_of_records([whole._replace(flow_m3s=flow)], SETTINGS)

    assert cut.ratio == pytest.approx(SNOW.ratio, rel=0.1)
    flow[:] = np.nan
    assert regime_of_records([whole._replace(flow_m3s=flow)], SETTINGS) is None


@pytest.mark.parametrize("factors", [[1.0] * 11, [0.0] * 12, [1.0] * 11 + [-1.0], [1.0] * 11 + [np.inf]])
def test_a_regime_has_twelve_factors_that_can_be(factors):
    with pytest.raises(ValueError, match="twelve finite monthly factors"):
        regime_of_means(factors, "made up")


@pytest.mark.parametrize("seed", range(4))
def test_elimination_solves_what_a_library_solves_zeros_on_the_diagonal_too(seed):
    random = np.random.default_rng(seed)
    matrix, right = random.normal(size=(7, 7)), random.normal(size=7)
    matrix[np.arange(0, 7, 2), np.arange(0, 7, 2)] = 0.0
    matrix[3] *= 1e9
    expected = np.linalg.solve(matrix, right)

    _eliminate(matrix, right)

    assert right == pytest.approx(expected, rel=1e-9)


def test_a_pivot_may_lie_just_below_a_zero_of_the_diagonal():
    right = np.array([3.0, 5.0])

    _eliminate(np.array([[0.0, 1.0], [1.0, 0.0]]), right)

    assert right.tolist() == [5.0, 3.0]


# Curves of four bins with months along a cosine. A solution is known when it is met: tilts that are straight
# lines in the score, and months of the lengths and volumes asked for. Counts as uneven as these need halved steps.
@pytest.mark.parametrize(
    ("spreads", "strengths"), [((0.3, 2.0), (0.1, 0.5)), ((2.0, 1.0), (0.8, 0.2)), ((1.0, 1.0), (0.65, 0.5))]
)
def test_newtons_method_meets_lengths_and_volumes_with_tilts_along_the_score(spreads, strengths):
    score = np.array([1.2, 0.4, -0.4, -1.2])
    length = np.arange(20.0, 32.0) / np.arange(20.0, 32.0).sum()
    start = np.log(length) + 3.0 * np.random.default_rng(1).random((4, 12))
    flow = np.exp(np.outer(spreads, score))
    flow /= flow.mean(axis=1, keepdims=True)
    ratio = 1 + np.outer(strengths, np.cos(2 * np.pi * np.arange(12) / 12))
    ratio /= (ratio @ length)[:, None]
    shares = np.empty((2, 4, 12))

    _solve(flow, ratio, length, start, score, shares)

    assert shares.sum(axis=2) == pytest.approx(1.0, abs=1e-12)
    assert shares.mean(axis=1) == pytest.approx(np.tile(length, (2, 1)), abs=PRECISION)
    assert (shares * flow[:, :, None]).mean(axis=1) == pytest.approx(ratio * length, abs=PRECISION)
    tilt = np.log(shares) - start
    tilt -= tilt[:, :, 11:]
    assert np.diff(tilt, n=2, axis=1) == pytest.approx(0.0, abs=1e-9)
    # A factor common to all months of a bin means nothing, however great.
    again = np.empty((2, 4, 12))
    _solve(flow, ratio, length, start + 1000.0, score, again)
    assert again == pytest.approx(shares, abs=1e-9)


# Lengths and volumes of the months, and what they change by, with parameters of some size.
def test_newtons_derivatives_are_those_of_the_lengths_and_volumes_of_the_months():
    flow, ratio = lognormal(0.9)[0] / lognormal(0.9).mean(), SNOW.ratio
    start = np.broadcast_to(np.log(MONTH_SHARE), (200, 12))
    at = np.append(np.random.default_rng(3).normal(size=23) * 0.4, 0.0)
    at[11] = 0.0

    def tilted(parameters):
        shares, error = np.empty((200, 12)), np.empty(24)
        size = _tilt(flow, ratio, MONTH_SHARE, start, SCORE, parameters, shares, error)
        assert size == np.abs(error).max()
        return shares, error

    shares, error = tilted(at)
    # Bayes by hand: the shares of a bin add up to 1 in the proportion of the tilted lengths.
    weight = MONTH_SHARE * np.exp(at[:12] + at[12:] * SCORE[:, None])
    assert shares == pytest.approx(weight / weight.sum(axis=1, keepdims=True))
    assert error[:12] == pytest.approx(shares.mean(axis=0) - MONTH_SHARE)
    assert error[12:] == pytest.approx((shares * flow[:, None]).mean(axis=0) - MONTH_SHARE * ratio)
    jacobian = np.empty((FREE, FREE))
    _fill_jacobian(flow, SCORE, shares, jacobian)
    free = [*range(11), *range(12, 23)]
    for column, place in enumerate(free):
        moved = [tilted(at + sign * 1e-5 * (np.arange(24) == place))[1][free] for sign in (1.0, -1.0)]
        assert jacobian[:, column] == pytest.approx((moved[0] - moved[1]) / 2e-5, abs=1e-8)


def test_the_days_of_a_month_are_parts_of_its_own_time_worked_by_hand():
    # One month with two flows, 9 for a third of it and 3 for the rest; the others lie in the second bin alone.
    values, shares = np.array([[9.0, 3.0]]), np.zeros((1, 2, 12))
    shares[0, :, 0] = (0.1, 0.2)
    shares[0, 1, 1:11] = 0.07

    days = days_of_months(values, shares)[0]

    # A third of 31 days are 10 1/3 days.
    assert days[:31] == pytest.approx([9.0] * 10 + [9.0 / 3 + 3.0 * 2 / 3] + [3.0] * 20)
    assert days[31:334] == pytest.approx(3.0)
    # A month without time has no flow.
    assert np.isnan(days[334:]).all()
    assert over_months(values, shares)[0, :2] == pytest.approx([(9.0 * 0.1 + 3.0 * 0.2) / 2, 3.0 * 0.07 / 2])


def test_only_the_complete_years_of_the_stated_period_say_what_the_regime_is():
    # Three years of snow, then three of rain; water years start in October and are named for their end.
    snow, rain = record("A", SNOW.ratio), record("A", RAIN.ratio, seed=2)
    date = np.concatenate([snow.date, rain.date + (snow.date[-1] - snow.date[0]).astype(int) + 1])
    flow = np.concatenate([snow.flow_m3s, rain.flow_m3s])
    none = np.zeros(len(date), dtype=bool)
    both = DailyRecord("A", date, flow, none, none)

    def ratio_of(first_day, last_day, **settings):
        found = regime_of_records([both], DailyRecords(unit="m3s", **settings)).ratio
        inside = (date >= np.datetime64(first_day)) & (date <= np.datetime64(last_day))
        months = pd.Series(flow[inside]).groupby(pd.DatetimeIndex(date[inside]).month).mean().to_numpy()
        assert found == pytest.approx(months / (months @ MONTH_SHARE), rel=1e-12)

    ratio_of("2001-01-01", "2006-12-31")
    ratio_of("2002-01-01", "2003-12-31", first_year=2002, last_year=2003)
    ratio_of("2004-10-01", "2006-09-30", first_year=2005, last_year=2006, year_starts_in_month=10)


def test_a_month_may_be_dry_and_a_year_may_not():
    ratio = regime_of_means([0.0] + [1.0] * 11, "made up").ratio

    assert ratio[0] == 0.0
    assert ratio[1:] == pytest.approx([365 / 334] * 11)
    own = record("A", SNOW.ratio)
    assert regime_of_records([own._replace(flow_m3s=np.zeros(len(own.date)))], SETTINGS) is None
    # A record without flow is left out of those with some.
    dry = own._replace(gauge="B", flow_m3s=np.zeros(len(own.date)))
    assert regime_of_records([dry, own], SETTINGS).source == "daily records of 1 gauge"


def test_counts_of_classes_are_the_shares_of_a_bin_but_for_a_fiftieth_that_is_spread():
    # All high flow in June, all low flow in January, as counted; no month's mean is known apart from these.
    counted = np.zeros((20, 12))
    counted[:10, 5], counted[10:, 0] = 0.05, 0.05
    even = regime_of_means([1.0] * 12, "made up")._replace(month_of_class=counted)

    log = _log_counts(even)

    assert np.exp(log[0]) == pytest.approx(0.98 * (np.arange(12) == 5) + 0.02 * MONTH_SHARE)
    assert np.exp(log[-1]) == pytest.approx(0.98 * (np.arange(12) == 0) + 0.02 * MONTH_SHARE)
    # Between the middles of the two classes, 0.475 and 0.525: 0.4975 is 0.45 of the way.
    assert np.exp(log[99, [5, 0]]) == pytest.approx(0.98 * np.array([0.55, 0.45]) + 0.02 * MONTH_SHARE[[5, 0]])
    assert np.exp(_log_counts(SNOW)) == pytest.approx(np.tile(MONTH_SHARE, (200, 1)))


def test_curves_of_another_number_of_bins_are_refused():
    for wrong in (np.ones(200), np.ones((3, 100))):
        with pytest.raises(ValueError, match="curves should be stations × 200"):
            month_shares(wrong, SNOW)
