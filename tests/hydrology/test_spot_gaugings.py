"""Spot gaugings by concurrent flow: how far they change the curve, the mean and the interval, and where."""

import numpy as np
import pytest
from scipy import stats

from sitefinder.hydrology.duration_curve import BIN_EXCEEDANCE, flow_at
from sitefinder.hydrology.estimate import FlowEstimate
from sitefinder.hydrology.gauges import SpotGaugings, curve_adjustment, with_spot_gaugings
from sitefinder.settings.flows import SpotSettings

# A stem 0 → 1 → 2, and another stream 3.
DOWNSTREAM = np.array([1, 2, -1, -1])
AREA_KM2 = np.array([80.0, 100.0, 125.0, 100.0])
LOG_SD = 0.4
T = 1.7
SETTINGS = SpotSettings()
SHAPE = np.exp(stats.norm.isf(BIN_EXCEEDANCE))


def estimate():
    mean = 0.01 * AREA_KM2
    median = mean * np.exp(-(LOG_SD**2) / 2)
    return FlowEstimate(
        mean_m3s=mean,
        mean_low_m3s=median * np.exp(-T * LOG_SD),
        mean_high_m3s=median * np.exp(T * LOG_SD),
        mean_log_sd=np.full(4, LOG_SD),
        curve_exceedance=BIN_EXCEEDANCE,
        curve_m3s=mean[:, None] * SHAPE / SHAPE.mean(),
        flags=[()] * 4,
        outside={},
        notes=[],
        source=["equation"] * 4,
        zero_share=np.zeros(4),
    )


# Flow that the estimate has at station 1 at an exceedance, as a median.
def says(exceedance):
    return flow_at(BIN_EXCEEDANCE, estimate().curve_m3s[1:2], 100 * exceedance)[0] * np.exp(-(LOG_SD**2) / 2)


def gauged(*rows, station=1):
    flow, log_sd, exceedance = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    names = [f"S{number + 1}" for number in range(len(rows))]
    return SpotGaugings(names, np.full(len(rows), station), flow, log_sd, exceedance)


def joined(gaugings, settings=SETTINGS):
    return with_spot_gaugings(estimate(), gaugings, DOWNSTREAM, AREA_KM2, settings)


def test_a_gauging_that_agrees_changes_no_median_and_narrows_the_interval():
    flows, changes = joined(gauged((says(0.5), 0.05, 0.5)))

    before = estimate()
    median, was = (np.sqrt(each.mean_low_m3s[1] * each.mean_high_m3s[1]) for each in (flows, before))
    assert median == pytest.approx(was)
    assert flows.mean_log_sd[1] < before.mean_log_sd[1]
    assert np.log(flows.mean_high_m3s[1] / flows.mean_low_m3s[1]) == pytest.approx(2 * T * flows.mean_log_sd[1])
    assert flows.curve_m3s.mean(axis=1) == pytest.approx(flows.mean_m3s)
    # The mean holds the bias correction, which goes with the variance.
    assert np.log(changes[0]) == pytest.approx((flows.mean_log_sd[1] ** 2 - LOG_SD**2) / 2)


def test_at_the_gauged_exceedance_the_ratio_counts_by_inverse_variance():
    settings = SpotSettings(concurrency_log_sd=0.3)
    made = curve_adjustment(
        SHAPE, LOG_SD**2, np.array([2.0]) * SHAPE[150], np.array([0.4]), BIN_EXCEEDANCE[150:151], settings
    )

    # 0.3 and 0.4 make an error of 0.5.
    assert made.log_change[150] == pytest.approx(np.log(2) * 0.16 / (0.16 + 0.25))


@pytest.mark.parametrize("seed", range(3))
def test_several_gaugings_are_conditions_on_a_curve_that_errs_along_itself(seed):
    # Normal errors of covariance v exp(-|z - z'| / L), conditioned on one gauging after the other.
    rng = np.random.default_rng(seed)
    settings = SpotSettings(concurrency_log_sd=0.3, correlation_span=1.7)
    curve, variance = 0.04 * SHAPE ** rng.uniform(0.5, 1.5), rng.uniform(0.1, 0.5)
    bins, log_sd = rng.choice(200, 3, replace=False), rng.uniform(0.05, 0.4, 3)
    off = rng.normal(size=3)
    z, share = stats.norm.ppf(BIN_EXCEEDANCE), curve / curve.sum()
    mean, covariance = np.zeros(200), variance * np.exp(-np.abs(z[:, None] - z) / 1.7)
    before = share @ covariance @ share
    for place, ratio, error in zip(bins, off, log_sd, strict=True):
        gain = covariance[:, place] / (covariance[place, place] + error**2 + 0.3**2)
        mean = mean + gain * (ratio - mean[place])
        covariance = covariance - np.outer(gain, covariance[place])

    made = curve_adjustment(curve, variance, np.exp(off) * curve[bins], log_sd, BIN_EXCEEDANCE[bins], settings)

    assert made.log_change == pytest.approx(mean, abs=1e-9)
    assert made.left == pytest.approx(share @ covariance @ share / before, rel=1e-9)


def test_what_a_gauging_makes_of_the_stations_of_its_stream_written_out():
    settings = SpotSettings(min_area_ratio=0.6, max_area_ratio=1.75)
    before = estimate()
    gaugings = gauged((1.6 * says(0.4), 0.05, 0.4), (1.4 * says(0.7), 0.1, 0.7))
    bias = np.exp(LOG_SD**2 / 2)
    made = curve_adjustment(before.curve_m3s[1] / bias, LOG_SD**2, *gaugings[2:], settings)

    flows, changes = joined(gaugings, settings)

    # Of 80, 100 and 125 km²: half of the way to 0.6, at the gauging, and a third of the way to 1.75.
    for station, weight in enumerate((0.5, 1.0, 2 / 3)):
        left = 1 - weight * (1 - made.left)
        median = before.curve_m3s[station] / bias * np.exp(weight * made.log_change)
        assert (np.diff(median) < 0).all()
        assert flows.curve_m3s[station] == pytest.approx(median * bias**left, rel=1e-9)
        assert flows.mean_m3s[station] == pytest.approx((median * bias**left).mean(), rel=1e-9)
        assert flows.mean_log_sd[station] == pytest.approx(LOG_SD * left**0.5, rel=1e-9)
        ends = median.mean() * np.exp(np.array([-1, 1]) * T * LOG_SD * left**0.5)
        assert [flows.mean_low_m3s[station], flows.mean_high_m3s[station]] == pytest.approx(ends, rel=1e-9)
    assert changes == pytest.approx([flows.mean_m3s[1] / before.mean_m3s[1]] * 2)
    for was, now in zip(before[:4] + (before.curve_m3s,), flows[:4] + (flows.curve_m3s,), strict=True):
        assert now[3].tolist() == was[3].tolist()


def test_a_change_fades_along_the_curve_so_that_low_water_says_little_about_floods():
    made = curve_adjustment(
        SHAPE, LOG_SD**2, np.array([2.0]) * SHAPE[180], np.array([0.05]), BIN_EXCEEDANCE[180:181], SETTINGS
    )

    z = stats.norm.ppf(BIN_EXCEEDANCE)
    assert made.log_change == pytest.approx(made.log_change[180] * np.exp(-np.abs(z - z[180])))
    # What is left of the variance of the mean flow, by simulation of such curves: 1 − ρ² of the mean with the bin.
    off = np.linalg.cholesky(np.exp(-np.abs(z[:, None] - z)) + 1e-12 * np.eye(200)) @ np.random.default_rng(
        2
    ).normal(size=(200, 20_000))
    alike = np.corrcoef(SHAPE @ off, off[180])[0, 1]
    assert made.left == pytest.approx(1 - alike**2 * 0.16 / (0.16 + 0.04 + 0.0025), abs=0.01)


def test_many_gaugings_over_the_curve_bring_back_the_true_one():
    rng = np.random.default_rng(4)
    exceedance = np.linspace(0.1, 0.95, 40)
    true = np.array([says(share) for share in exceedance]) * 1.8
    rows = zip(true * np.exp(0.1 * rng.normal(size=40)), np.full(40, 0.05), exceedance, strict=True)

    flows, _ = joined(gauged(*rows), SpotSettings(concurrency_log_sd=0.1))

    bias = flows.mean_m3s[1] / np.sqrt(flows.mean_low_m3s[1] * flows.mean_high_m3s[1])
    found = flows.curve_m3s[1, 20:190] / bias
    was = estimate().curve_m3s[1, 20:190] * np.exp(-(LOG_SD**2) / 2)
    assert np.log(found / was) == pytest.approx(np.full(170, np.log(1.8)), abs=0.15)
    # Floods were not gauged, so the mean keeps a part of its error.
    assert 0.1 < flows.mean_log_sd[1] < 0.25


def test_the_change_fades_up_and_down_the_stream_and_other_streams_stay():
    flows, _ = joined(gauged((2 * says(0.5), 0.05, 0.5)))

    before = estimate()
    change = np.log(np.sqrt(flows.mean_low_m3s * flows.mean_high_m3s) / before.mean_m3s) + LOG_SD**2 / 2
    assert change[1] > change[0] > 0
    assert change[1] > change[2] > 0
    assert flows.mean_log_sd[1] < flows.mean_log_sd[2] < LOG_SD
    assert flows.curve_m3s[3].tolist() == before.curve_m3s[3].tolist()
    assert flows.source == [*["spot gauging S1; equation"] * 3, "equation"]


def test_gaugings_of_one_place_count_together():
    one, _ = joined(gauged((2 * says(0.6), 0.05, 0.6)))
    two, changes = joined(gauged((2 * says(0.6), 0.05, 0.6), (2 * says(0.6), 0.05, 0.6)))

    assert two.mean_m3s[1] > one.mean_m3s[1]
    assert two.mean_log_sd[1] < one.mean_log_sd[1]
    assert changes[0] == changes[1]
    assert two.source[1] == "spot gauging S1, S2; equation"


def test_a_curve_that_is_gauged_twice_in_contradiction_still_falls():
    flows, _ = joined(
        gauged((0.2 * says(0.5), 0.01, 0.5), (5 * says(0.52), 0.01, 0.52)), SpotSettings(concurrency_log_sd=0.01)
    )

    assert (np.diff(flows.curve_m3s[1]) <= 1e-15).all()
    assert flows.curve_m3s[1].mean() == pytest.approx(flows.mean_m3s[1])


def test_a_place_found_dry_is_flagged_and_its_flow_stays():
    flows, changes = joined(gauged((0.0, 0.05, 0.9)))

    assert flows.mean_m3s.tolist() == estimate().mean_m3s.tolist()
    assert flows.flags == [(), ("observed_dry",), (), ()]
    assert np.isnan(changes).all()
    assert flows.notes == ["1 of 4 stations were dry at a spot gauging"]


def test_a_place_that_was_dry_once_is_flagged_and_its_other_gaugings_count():
    flows, changes = joined(gauged((0.0, 0.05, 0.9), (2.0 * says(0.5), 0.05, 0.5)))

    assert flows.flags[1] == ("observed_dry",)
    assert np.isnan(changes).tolist() == [True, False]
    assert changes[1] == pytest.approx(flows.mean_m3s[1] / estimate().mean_m3s[1])
    assert changes[1] > 1.1


def test_a_gauging_beyond_the_curve_is_compared_with_its_outermost_flow():
    # The last bin's middle is exceeded 99.75 % of the time.
    last = BIN_EXCEEDANCE[-1]

    flows, changes = joined(gauged((says(last), 0.05, 0.9999)))
    halved, _ = joined(gauged((says(last) / 2, 0.05, 0.9999)))

    before = estimate()
    assert flows.curve_m3s[1] * np.exp(-(LOG_SD**2) / 2) == pytest.approx(
        before.curve_m3s[1] * np.exp(-(LOG_SD**2) / 2) * (flows.mean_m3s[1] / before.mean_m3s[1]), rel=1e-6
    )
    assert halved.curve_m3s[1, -1] < 0.9 * before.curve_m3s[1, -1]
    assert np.isfinite(changes).all()


def test_a_gauging_where_the_estimate_has_no_flow_is_not_used():
    dry_half = estimate()
    dry_half.curve_m3s[1, BIN_EXCEEDANCE > 0.5] = 0.0
    gaugings = gauged((1.0, 0.05, 0.9), (1.0, 0.05, 0.2))

    flows, changes = with_spot_gaugings(dry_half, gaugings, DOWNSTREAM, AREA_KM2, SETTINGS)

    assert np.isnan(changes).tolist() == [True, False]
    assert flows.source[1] == "spot gauging S2; equation"


def test_intervals_hold_the_true_mean_as_often_as_they_say():
    # The truth errs along the curve as was assumed: a random walk in z that forgets, of variance s² everywhere.
    rng = np.random.default_rng(8)
    z = stats.norm.ppf(BIN_EXCEEDANCE)
    root = np.linalg.cholesky(LOG_SD**2 * np.exp(-np.abs(z[:, None] - z)) + 1e-12 * np.eye(200))
    bins = np.array([60, 120, 180])
    median = estimate().curve_m3s[1] * np.exp(-(LOG_SD**2) / 2)
    inside = []
    for _ in range(2000):
        off = root @ rng.normal(size=200)
        seen = median[bins] * np.exp(off[bins] + np.hypot(0.2, 0.05) * rng.normal(size=3))
        made = curve_adjustment(median, LOG_SD**2, seen, np.full(3, 0.05), BIN_EXCEEDANCE[bins], SETTINGS)
        true, said = ((median * np.exp(change)).mean() for change in (off, made.log_change))
        inside.append(abs(np.log(true / said)) <= T * LOG_SD * np.sqrt(made.left))

    # 1.7 standard deviations hold 91.1 %; 2000 simulations err by 0.6 %, so 2 % are three times that. A mean over
    # a curve whose bins err apart errs less than each bin, so that more may be held.
    assert 0.89 <= np.mean(inside) <= 0.99


def test_a_gauging_changes_no_station_at_the_limits_of_area_and_no_dry_one():
    area = np.array([50.0, 100.0, 150.0, 100.0])
    before = estimate()
    before.mean_m3s[3] = before.mean_low_m3s[3] = before.mean_high_m3s[3] = 0.0
    before.curve_m3s[3] = 0.0

    flows, _ = with_spot_gaugings(
        before, gauged((2 * says(0.5), 0.05, 0.5)), np.array([1, 3, -1, 2]), area, SETTINGS
    )

    assert flows.source == ["equation", "spot gauging S1; equation", "equation", "equation"]
    assert flows.mean_m3s[3] == 0.0


def test_places_are_joined_one_after_the_other_down_the_stream():
    first = gauged((2 * says(0.5), 0.05, 0.5))
    second = gauged((3 * says(0.5), 0.05, 0.5), station=2)
    both = SpotGaugings(
        ["S2", "S1"], *(np.concatenate([two, one]) for one, two in zip(first[1:], second[1:], strict=True))
    )

    flows, changes = joined(both)

    after_first, (change,) = joined(first)
    in_turn, (other,) = with_spot_gaugings(after_first, second, DOWNSTREAM, AREA_KM2, SETTINGS)
    assert flows.mean_m3s == pytest.approx(in_turn.mean_m3s)
    assert changes == pytest.approx([other, change])
    assert other == pytest.approx(in_turn.mean_m3s[2] / after_first.mean_m3s[2])
    assert flows.source[1] == "spot gauging S2; spot gauging S1; equation"
