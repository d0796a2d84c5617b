"""Flows of stations: curve and mean agree, and every doubt is flagged."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from sitefinder.catalogue.equations import Equation
from sitefinder.errors import InputError
from sitefinder.hydrology import estimate as module
from sitefinder.hydrology.equations import apply_equation
from sitefinder.hydrology.estimate import (
    _quantile_errors,
    _weak,
    estimate_flows,
    lift_weak_flags,
    validate_unfit_equations,
    with_flags,
)
from sitefinder.settings.flows import RegressionLimits

PERCENT = (5, 20, 50, 80, 95)


# Flow = yield · area, with this number of litres a second from each km².
def proportional(statistic, litres_per_km2, **changes):
    whole = {
        "statistic": statistic,
        "form": "log10",
        "factor": litres_per_km2,
        "predictors": [{"name": "area", "unit": "km2", "coefficient": 1.0, "minimum": 1.0, "maximum": 100.0}],
        "flow_unit": "ls",
        "standard_error_percent": 20.0,
        "gauges": 30,
        "source": "made up",
        "table": "made up",
    }
    return Equation(**{**whole, **changes})


# A lognormal region with a mean of 20 l/s/km² and sigma 1.
def lognormal_region(mean=20.0):
    median = 20.0 * np.exp(-0.5)
    quantiles = [proportional(f"exceedance_{p}", median * np.exp(stats.norm.isf(p / 100))) for p in PERCENT]
    return [*quantiles[::-1], proportional("mean", mean)]


def test_the_mean_over_a_curve_is_the_regressed_mean():
    stations = pd.DataFrame({"area_km2": [2.0, 50.0]})

    flows = estimate_flows(stations, lognormal_region(mean=22.0))

    assert flows.mean_m3s == pytest.approx([0.044, 1.1])
    assert flows.curve_m3s.mean(axis=1) == pytest.approx(flows.mean_m3s, rel=1e-12)
    assert flows.flags == [(), ()]


def test_the_shape_of_the_curve_stays_that_of_the_quantiles():
    flows = estimate_flows(pd.DataFrame({"area_km2": [50.0]}), lognormal_region(mean=22.0))

    steps = np.diff(np.log(flows.curve_m3s[0])) / np.diff(stats.norm.isf(flows.curve_exceedance))
    assert steps == pytest.approx(1.0, rel=1e-9)


def test_a_curve_far_from_its_mean_is_scaled_and_flagged():
    flows = estimate_flows(pd.DataFrame({"area_km2": [50.0]}), lognormal_region(mean=40.0))

    assert flows.flags == [("curve_scaled",)]
    assert flows.curve_m3s.mean() == pytest.approx(2.0)


def test_a_curve_that_is_dry_throughout_stays_dry_and_is_flagged():
    # 50 to the power −200 is less than any number that a computer holds.
    nothing = [{"name": "area", "unit": "km2", "coefficient": -200.0, "minimum": 1.0, "maximum": 100.0}]
    dry = [proportional(f"exceedance_{p}", 1.0, predictors=nothing) for p in PERCENT]

    flows = estimate_flows(pd.DataFrame({"area_km2": [50.0]}), [*dry, proportional("mean", 20.0)])

    assert (flows.curve_m3s == 0).all()
    assert flows.flags == [("curve_scaled",)]


def test_stations_out_of_range_and_without_predictors_are_flagged_and_counted():
    stations = pd.DataFrame({"area_km2": [0.5, 10.0, 200.0, np.nan]})

    flows = estimate_flows(stations, lognormal_region())

    beyond = ("flow_extrapolated", "flow_outside_area")
    assert flows.flags == [beyond, (), beyond, ("flow_missing",)]
    assert flows.outside["area_km2"].tolist() == [True, False, True, False]
    assert np.isnan(flows.mean_m3s).tolist() == [False, False, False, True]
    assert np.isnan(flows.curve_m3s).all(axis=1).tolist() == [False, False, False, True]
    assert flows.notes[:2] == [
        "1 of 4 stations have no flow, because a predictor is missing or has no logarithm",
        "2 of 4 stations are out of the range of an equation",
    ]
    assert "2 of 4 stations: area_km2 out of range" in flows.notes


def test_quantiles_that_cross_are_repaired_and_flagged():
    crossing = [*lognormal_region(), proportional("exceedance_90", 1.0)]

    flows = estimate_flows(pd.DataFrame({"area_km2": [50.0]}), crossing)

    # 1 l/s/km² exceeded 90 % of the time is less than the 2.3 exceeded 95 % of the time.
    assert flows.flags == [("curve_repaired",)]
    assert (np.diff(flows.curve_m3s) <= 0).all()


def test_the_interval_is_that_of_the_mean_equation():
    stations = pd.DataFrame({"area_km2": [50.0]})
    equations = lognormal_region()

    flows = estimate_flows(stations, equations)
    alone = apply_equation(equations[-1], stations)

    assert (flows.mean_low_m3s, flows.mean_high_m3s) == (alone.low_m3s, alone.high_m3s)
    assert flows.mean_low_m3s < flows.mean_m3s < flows.mean_high_m3s


def test_equations_that_a_curve_has_no_use_for_are_named():
    flows = estimate_flows(pd.DataFrame({"area_km2": [5.0]}), [*lognormal_region(), proportional("7q10", 2.0)])

    assert flows.notes == [
        "duration curves are extended above 5 % and below 95 % of the time",
        "equations not used: 7q10",
    ]


@pytest.mark.parametrize("kept", [slice(4, 6), slice(0, 5), slice(0, 0)])
def test_too_few_equations_for_a_curve_are_an_error(kept):
    # One quantile and the mean; five quantiles without the mean; nothing.
    with pytest.raises(InputError, match="at least 2 quantiles"):
        estimate_flows(pd.DataFrame({"area_km2": [5.0]}), lognormal_region()[kept])


def test_two_equations_for_one_statistic_are_an_error():
    with pytest.raises(InputError, match="more than one equation for exceedance_95, mean"):
        estimate_flows(
            pd.DataFrame({"area_km2": [5.0]}),
            [*lognormal_region(), proportional("mean", 5.0, region="west"), proportional("exceedance_95", 1.0)],
        )


def test_no_station_gives_no_flow():
    flows = estimate_flows(pd.DataFrame({"area_km2": np.array([], dtype=float)}), lognormal_region())

    assert flows.curve_m3s.shape == (0, 200)
    assert flows.flags == []


def test_a_station_has_the_same_flow_in_any_company():
    stations = pd.DataFrame({"area_km2": np.linspace(1, 100, 37)})

    together = estimate_flows(stations, lognormal_region())
    alone = estimate_flows(stations[20:21], lognormal_region())

    assert (together.curve_m3s[20] == alone.curve_m3s[0]).all()
    assert together.mean_m3s[20] == alone.mean_m3s[0]


def test_a_flag_is_added_in_the_order_of_the_vocabulary_and_once():
    flows = estimate_flows(pd.DataFrame({"area_km2": [0.5, 10.0]}), lognormal_region(mean=40.0))

    flagged = with_flags(with_flags(flows, "curve_repaired", [True, True]), "curve_repaired", [True, False])

    beyond = ("flow_extrapolated", "flow_outside_area")
    assert flagged.flags == [(*beyond, "curve_repaired", "curve_scaled"), ("curve_repaired", "curve_scaled")]
    assert flows.flags == [(*beyond, "curve_scaled"), ("curve_scaled",)]
    with pytest.raises(ValueError, match="flag 'curve_mended' is not of the vocabulary"):
        with_flags(flows, "curve_mended", [True, True])


def test_every_flow_says_that_it_comes_from_an_equation():
    flows = estimate_flows(pd.DataFrame({"area_km2": [2.0, 10.0]}), lognormal_region())

    assert flows.source == ["equation", "equation"]
    assert flows.zero_share.tolist() == [0.0, 0.0]


# Probability of no flow, the same wherever the stations are; z is its logit.
def dry(statistic, z):
    return Equation(
        statistic=statistic,
        form="logistic",
        logit_of="zero",
        constant=z,
        predictors=[
            {
                "name": "area",
                "unit": "km2",
                "transform": "log10",
                "coefficient": 0.0,
                "minimum": 1.0,
                "maximum": 100.0,
            }
        ],
        misclassified_percent=10.0,
        flow_unit="none",
        gauges=30,
        source="made up",
        table="made up",
    )


def test_the_share_of_time_without_flow_dries_the_low_end_and_keeps_the_mean():
    stations = pd.DataFrame({"area_km2": [50.0]})
    third = dry("zero_flow_probability", np.log(0.5))

    flows = estimate_flows(stations, [*lognormal_region(), third])

    assert flows.zero_share == pytest.approx([1 / 3])
    # Two thirds of the time there is water, and none after that.
    assert (flows.curve_m3s[0] > 0).tolist() == (flows.curve_exceedance < 2 / 3).tolist()
    assert flows.curve_m3s.mean() == pytest.approx(1.0)
    assert flows.flags == [("flow_intermittent",)]
    assert "1 of 1 stations are dry for a part of the time" in flows.notes


@pytest.mark.parametrize(("probability", "wet_up_to"), [(0.4, 1.0), (0.6, 0.8)])
def test_a_quantile_that_is_more_likely_zero_than_not_is_zero(probability, wet_up_to):
    logit = np.log(probability / (1 - probability))
    equations = [*lognormal_region(), dry("zero_probability_exceedance_80", logit)]

    flows = estimate_flows(pd.DataFrame({"area_km2": [50.0]}), equations)

    assert (flows.curve_m3s[0] > 0).tolist() == (flows.curve_exceedance < wet_up_to).tolist()
    assert flows.zero_share == pytest.approx([1 - wet_up_to])
    assert flows.flags == ([("flow_intermittent",)] if wet_up_to < 1 else [()])
    assert not any("not used" in note for note in flows.notes)


def test_a_station_whose_dry_share_is_not_known_has_no_curve():
    third = dry("zero_flow_probability", -1.0)
    from_clay = third.model_copy(
        update={"predictors": (third.predictors[0].model_copy(update={"name": "clay", "unit": "percent"}),)}
    )
    stations = pd.DataFrame({"area_km2": [50.0, 50.0], "clay_percent": [10.0, np.nan]})

    flows = estimate_flows(stations, [*lognormal_region(), from_clay])

    assert flows.flags == [("flow_intermittent",), ("flow_missing",)]
    assert np.isnan(flows.curve_m3s[1]).all()
    assert np.isfinite(flows.curve_m3s[0]).all()


def test_a_flow_below_nothing_is_none_and_flagged():
    predictor = {
        "name": "area",
        "unit": "km2",
        "transform": "none",
        "coefficient": 1.0,
        "minimum": 1.0,
        "maximum": 100.0,
    }
    mean = proportional("mean", None, form="untransformed", factor=None, constant=-20.0, predictors=[predictor])

    flows = estimate_flows(pd.DataFrame({"area_km2": [10.0, 30.0]}), [*lognormal_region()[:-1], mean])

    assert flows.mean_m3s == pytest.approx([0.0, 0.010], abs=1e-12)
    assert (flows.curve_m3s[0] == 0).all()
    assert "flow_negative" in flows.flags[0]
    assert "flow_negative" not in flows.flags[1]


def test_leverage_beyond_the_gauges_is_flagged_within_the_ranges_too():
    # The gauges' log areas have the mean 1 and a sum of squares of 1 about it; 30 of them.
    covariance = 0.01 * np.linalg.inv(np.array([[30.0, 30.0], [30.0, 31.0]]))
    mean = proportional(
        "mean",
        20.0,
        standard_error_percent=None,
        covariance=covariance.tolist(),
        model_error_variance=0.01,
    )

    flows = estimate_flows(pd.DataFrame({"area_km2": [10.0, 14.0, 90.0]}), [*lognormal_region()[:-1], mean])

    # Leverage 1/30 + (x − 1)², limit 3 · 2/30: x within 1 ± 0.408, so from 3.9 to 25.6 km².
    assert flows.flags == [(), (), ("flow_leverage",)]
    assert "1 of 3 stations are beyond the gauges of an equation by their leverage" in flows.notes


def test_a_quantile_just_as_likely_zero_as_not_is_not_zero():
    flows = estimate_flows(
        pd.DataFrame({"area_km2": [50.0]}), [*lognormal_region(), dry("zero_probability_exceedance_80", 0.0)]
    )

    assert (flows.curve_m3s > 0).all()
    assert flows.zero_share.tolist() == [0.0]


# An equation at 100 km²: for x = [1, 2], (1 + 4) / 64 over a quarter is 0.3125, without any rounding.
def with_leverage(**given):
    mean = proportional(
        "mean", 20.0, standard_error_percent=None, covariance=[[1 / 64, 0.0], [0.0, 1 / 64]],
        model_error_variance=0.25, **given,
    )  # fmt: skip
    return apply_equation(mean, pd.DataFrame({"area_km2": [100.0]}))


@pytest.mark.parametrize(("greatest", "is_beyond"), [(0.3125, False), (0.3124, True)])
def test_leverage_may_be_as_great_as_the_gauges_own(greatest, is_beyond):
    found = with_leverage(greatest_leverage=greatest)

    assert found.leverage.tolist() == [0.3125]
    assert found.beyond_leverage.tolist() == [is_beyond]


# Of 20 gauges the limit is three times 2 / 20, which is 0.3; of 19 it is 0.316.
@pytest.mark.parametrize(("gauges", "is_beyond"), [(19, False), (20, True)])
def test_leverage_is_high_from_three_times_its_mean_on(gauges, is_beyond):
    found = with_leverage(gauges=gauges)

    assert found.leverage.tolist() == [0.3125]
    assert found.beyond_leverage.tolist() == [is_beyond]
    # The interval is that of Student's t of n − 2 degrees at 5 and 95 %, S² being 0.25 + 5 / 64 in log10.
    half_width = stats.t.ppf(0.95, gauges - 2) * np.log(10.0) * np.sqrt(0.25 + 5 / 64)
    assert np.log(found.high_m3s / found.low_m3s) == pytest.approx([2 * half_width])


def test_an_untransformed_flow_of_nothing_is_not_below_it():
    predictor = {
        "name": "area", "unit": "km2", "transform": "none", "coefficient": 1.0, "minimum": 1.0, "maximum": 100.0,
    }  # fmt: skip
    mean = proportional("mean", None, form="untransformed", factor=None, constant=-10.0, predictors=[predictor])

    found = apply_equation(mean, pd.DataFrame({"area_km2": [10.0, 9.0, 30.0]}))

    assert found.negative.tolist() == [False, True, False]
    assert found.log_sd.tolist() == pytest.approx([0.0, 0.0, np.sqrt(np.log1p(0.2**2))])
    assert found.flow_m3s.tolist() == pytest.approx([0.0, 0.0, 0.02])


def test_a_station_without_a_flow_has_that_flag_alone():
    limits = RegressionLimits(min_gauges=50, min_gauges_to_rank=40)
    mean = proportional("mean", 60.0, interval_widening=1.5, interval_widening_reason="held 20 of 30 gauges")
    crossing = [*lognormal_region()[:-1], mean, proportional("exceedance_90", 1.0)]
    dry_at_times = dry("zero_flow_probability", -1.0)

    flows = estimate_flows(pd.DataFrame({"area_km2": [50.0, np.nan]}), [*crossing, dry_at_times], limits=limits)

    assert set(flows.flags[0]) == {
        "flow_regression_weak", "flow_regression_too_weak", "flow_interval_widened", "flow_intermittent",
        "curve_repaired", "curve_scaled",
    }  # fmt: skip
    assert flows.flags[1] == ("flow_missing",)


def test_an_untransformed_error_is_the_published_covariance_before_a_stated_percentage():
    predictor = {
        "name": "area", "unit": "km2", "transform": "none", "coefficient": 1.0, "minimum": 1.0, "maximum": 100.0,
    }  # fmt: skip
    plain = {"form": "untransformed", "factor": None, "constant": 0.0, "predictors": [predictor]}
    published = {"covariance": [[4.0, 0.0], [0.0, 0.01]], "model_error_variance": 9.0}
    place = pd.DataFrame({"area_km2": [10.0]})

    both, percent = (
        apply_equation(proportional("mean", None, **plain, **more), place) for more in (published, {})
    )

    # 10 l/s: 9 + 4 + 0.01 · 100 = 14 in (l/s)², and 20 % of it.
    assert both.log_sd.tolist() == pytest.approx([np.sqrt(np.log1p(14.0 / 100.0))])
    assert percent.log_sd.tolist() == pytest.approx([np.sqrt(np.log1p(0.2**2))])
    assert both.leverage.tolist() == pytest.approx([5.0 / 9.0])


@pytest.mark.parametrize(("mean", "is_scaled"), [(13.0, True), (14.1, False), (29.5, False), (30.5, True)])
def test_a_curve_may_be_off_its_mean_by_a_factor_of_one_and_a_half_either_way(mean, is_scaled):
    flows = estimate_flows(pd.DataFrame({"area_km2": [50.0]}), lognormal_region(mean=mean))

    assert flows.flags == [("curve_scaled",) if is_scaled else ()]


def test_a_quantile_that_is_zero_or_has_no_median_has_no_error():
    # Known; stated as zero; no flow; no median; neither.
    flow, low = np.array([2.0, 2.0, 0.0, 1.0, 0.0]), np.array([0.5, 0.5, 1.0, 0.0, 0.0])
    item = SimpleNamespace(flow_m3s=flow, low_m3s=low, high_m3s=low * 4.0, log_sd=np.full(5, 0.3))
    mean = SimpleNamespace(log_sd=np.full(5, 0.2))

    found = _quantile_errors([50], [item], np.arange(5)[:, None] == 1, mean)

    assert found.percent.tolist() == [50.0]
    assert found.log_sd[:, 0].tolist() == [0.3, 0.0, 0.0, 0.0, 0.0]
    # The median of 0.5 to 2 is 1.
    assert found.log_bias[:, 0] == pytest.approx([np.log(2.0), 0.0, 0.0, 0.0, 0.0])
    assert found.mean_log_sd.tolist() == [0.2] * 5


def test_a_regression_is_too_weak_to_rank_by_in_more_than_half_of_a_catchment(monkeypatch):
    monkeypatch.setattr(module, "share_of_equations", lambda *_: np.array([0.0, 0.01, 0.5, 0.51, 1.0]))

    weak, too_weak = _weak(None, 5, None, RegressionLimits())

    assert weak.tolist() == [False, True, True, True, True]
    assert too_weak.tolist() == [False, False, False, True, True]


def test_weak_flags_are_lifted_where_measurements_leave_half_of_the_variance():
    weak = ("flow_extrapolated", "flow_regression_weak", "flow_regression_too_weak")
    regressed = np.array([0.4, 0.4, 0.4, 0.0])
    flows = estimate_flows(pd.DataFrame({"area_km2": [1.0, 2.0, 3.0, 4.0]}), lognormal_region())._replace(
        flags=[weak] * 4, mean_log_sd=regressed * np.sqrt([0.49, 0.51, 1.0, 1.0])
    )

    assert lift_weak_flags(flows, regressed).flags == [weak[:1], weak, weak, weak]


def test_one_of_two_streams_that_a_quantile_leaves_dry_is_dry_from_there_on():
    equation = dry("zero_probability_exceedance_80", -15.0)
    by_area = equation.model_copy(
        update={"predictors": (equation.predictors[0].model_copy(update={"coefficient": 10.0}),)}
    )

    flows = estimate_flows(pd.DataFrame({"area_km2": [10.0, 100.0]}), [*lognormal_region(), by_area])

    assert flows.zero_share == pytest.approx([0.0, 0.2])


def test_a_probability_of_any_quantile_needs_its_predictors():
    # The first one and the last.
    for percent in (5, 95):
        equation = dry(f"zero_probability_exceedance_{percent}", -1.0)
        from_clay = equation.model_copy(
            update={"predictors": (equation.predictors[0].model_copy(update={"name": "clay", "unit": "percent"}),)}
        )
        with pytest.raises(InputError, match="clay_percent"):
            validate_unfit_equations(pd.DataFrame({"area_km2": [5.0]}), [*lognormal_region(), from_clay])


@pytest.mark.parametrize(("probability", "is_zero"), [(0.49, False), (0.52, True)])
def test_a_quantile_is_zero_from_a_half_on(probability, is_zero):
    equation = dry("zero_probability_exceedance_80", np.log(probability / (1 - probability)))

    flows = estimate_flows(pd.DataFrame({"area_km2": [50.0]}), [*lognormal_region(), equation])

    assert (flows.zero_share[0] > 0) == is_zero
