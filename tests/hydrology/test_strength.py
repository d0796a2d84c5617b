"""Strength of a regression: limits that hold exactly, and flags by region, lifted where flow is measured."""

import numpy as np
import pandas as pd
import pytest

from sitefinder.catalogue.equations import Equation
from sitefinder.hydrology.estimate import estimate_flows, lift_weak_flags
from sitefinder.hydrology.regions import RegionWeights
from sitefinder.hydrology.strength import mean_regressions, regression_strength, standard_error_percent
from sitefinder.settings import check_fit_settings
from sitefinder.settings.flows import FlowSettings, RegressionLimits

LIMITS = RegressionLimits()
# Wholly in the west; a tenth in the east; nine tenths in the east; nowhere.
SHARE = np.array([[1.0, 0.0], [0.9, 0.1], [0.1, 0.9], [0.0, 0.0]])
STATIONS = pd.DataFrame({"area_km2": [10.0] * 4})
WEAK, TOO_WEAK = "flow_regression_weak", "flow_regression_too_weak"


def equation(statistic="mean", gauges=30, region=None, factor=10.0, **error):
    return Equation(
        statistic=statistic,
        form="log10",
        factor=factor,
        predictors=[{"name": "area", "unit": "km2", "coefficient": 1.0, "minimum": 1.0, "maximum": 100.0}],
        flow_unit="ls",
        gauges=gauges,
        source="made up",
        table="made up",
        region=region,
        **(error or {"standard_error_percent": 30.0}),
    )


def curve_of(mean):
    """The mean's equation with two quantiles of the same region."""
    others = [equation(f"exceedance_{percent}", region=mean.region, factor=10.0) for percent in (10, 90)]
    return [mean, *others]


@pytest.mark.parametrize(
    ("gauges", "percent", "strength"),
    [
        (25, 60.0, "adequate"),
        (24, 60.0, "weak"),
        (25, np.nextafter(60.0, 61.0), "weak"),
        (10, 150.0, "weak"),
        (9, 10.0, "too weak to rank"),
        (100, np.nextafter(150.0, 151.0), "too weak to rank"),
    ],
)
def test_limits_hold_exactly(gauges, percent, strength):
    found = equation(gauges=gauges, standard_error_percent=percent)

    assert regression_strength(found, LIMITS)[0] == strength


def test_reasons_name_each_limit_that_is_passed():
    both = equation(gauges=18, standard_error_percent=114.0)

    assert regression_strength(both, LIMITS) == ("weak", "fewer than 25 gauges and standard error above 60 %")
    assert regression_strength(equation(), LIMITS) == ("adequate", "")


def test_errors_in_logs_are_judged_as_percentages():
    # sqrt(exp((ln 10 · 0.2)²) - 1) is 48.6 %, printed for 0.2 by Eng et al. (2009), and of 0.25 it is 62.7 %.
    assert standard_error_percent(equation(standard_error_log10=0.2)) == pytest.approx(48.605, abs=5e-4)
    assert regression_strength(equation(standard_error_log10=0.2), LIMITS)[0] == "adequate"
    assert regression_strength(equation(standard_error_log10=0.25), LIMITS)[0] == "weak"
    assert regression_strength(equation(standard_error_log10=1000.0), LIMITS)[0] == "too weak to rank"


def test_an_error_in_flow_is_not_known_unless_gauges_are_few():
    whole = equation().model_dump() | {
        "form": "untransformed",
        "factor": None,
        "constant": 1.0,
        "standard_error_percent": None,
        "standard_error_in_flow_unit": 5.0,
        "predictors": [
            {
                "name": "area",
                "unit": "km2",
                "coefficient": 1.0,
                "minimum": 1.0,
                "maximum": 9.0,
                "transform": "none",
            }
        ],
    }

    assert regression_strength(Equation(**whole), LIMITS) == ("not known", "")
    assert regression_strength(Equation(**whole | {"gauges": 24}), LIMITS) == ("weak", "fewer than 25 gauges")


def test_any_part_with_a_weak_regression_is_flagged_and_the_greater_part_decides_on_ranking():
    weights = RegionWeights(("west", "east"), SHARE)
    equations = [*curve_of(equation(region="west")), *curve_of(equation(region="east", gauges=9))]

    flags = estimate_flows(STATIONS, equations, weights, LIMITS).flags

    assert [WEAK in each for each in flags] == [False, True, True, False]
    assert [TOO_WEAK in each for each in flags] == [False, False, True, False]


def test_without_regions_all_stations_with_a_flow_are_flagged():
    stations = pd.DataFrame({"area_km2": [10.0, np.nan]})

    weak = estimate_flows(stations, curve_of(equation(gauges=24)), limits=LIMITS)
    sound = estimate_flows(stations, curve_of(equation(gauges=25)), limits=LIMITS)

    assert weak.flags[0] == (WEAK,)
    assert WEAK not in weak.flags[1]
    assert sound.flags[0] == ()
    assert any("weak regression" in note for note in weak.notes)


def test_flags_are_lifted_where_measurements_leave_half_of_the_variance_or_less():
    before = estimate_flows(STATIONS, curve_of(equation(gauges=5)), limits=LIMITS)
    shares = np.array([1.0, 0.51, 0.49, 0.01])
    measured = before._replace(mean_log_sd=before.mean_log_sd * np.sqrt(shares))

    flags = lift_weak_flags(measured, before.mean_log_sd).flags

    assert flags == [(WEAK, TOO_WEAK), (WEAK, TOO_WEAK), (), ()]


def test_only_regressions_of_the_mean_that_hold_ground_are_listed():
    equations = [*curve_of(equation(region="16", gauges=18)), equation(region="17"), equation()]

    listed = mean_regressions(equations, LIMITS, ["16"])

    assert [(one.region, one.gauges, one.strength) for one in listed] == [("16", 18, "weak"), ("", 30, "adequate")]


def test_a_run_and_fit_flows_share_one_limit():
    table = {"path": "gauges.csv", "predictors": ["area_km2"], "source": "made up"}
    stated = {"max_standard_error_percent": 40.0, "min_gauges": 30}
    flows = {"gauges": table, "weak_regression": stated}

    _, _, limits = check_fit_settings({"flows": flows}, "run.toml", ["flows", "fit"])
    fit, _, default = check_fit_settings({"flows": {"gauges": table}}, "run.toml", ["flows", "fit"])

    environmental = [{"kind": "share_of_mean", "share": 0.1}]
    assert limits == FlowSettings(**flows, environmental=environmental).weak_regression
    assert (limits.min_gauges, limits.max_standard_error_percent) == (30, 40.0)
    assert fit.min_gauges == default.min_gauges == 25
    assert default.max_standard_error_percent == 60.0


@pytest.mark.parametrize(
    ("stated", "message"),
    [
        ({"min_gauges": 5}, "min_gauges_to_rank must not be above min_gauges"),
        ({"max_standard_error_percent": 200.0}, "max_standard_error_percent_to_rank must not be below"),
    ],
)
def test_the_limit_of_ranking_lies_beyond_that_of_a_flag(stated, message):
    with pytest.raises(ValueError, match=message):
        RegressionLimits(**stated)


def test_an_error_of_ten_decades_has_no_percentage():
    errors = [standard_error_percent(equation(standard_error_log10=error)) for error in (9.9, 10.4)]

    assert np.isfinite(errors).tolist() == [True, False]
    # A weak regression without any error of its own is weak by its gauges alone.
    assert standard_error_percent(equation(standard_error_percent=12.5)) == 12.5
