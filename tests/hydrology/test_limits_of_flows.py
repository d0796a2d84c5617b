"""Where rules, fits and records of flow begin and end: just at a limit, with nothing there, and just beyond it."""

from types import SimpleNamespace

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
from scipy import optimize, stats
from statsmodels.regression.linear_model import OLS

from sitefinder.catalogue.equations import Equation
from sitefinder.errors import InputError
from sitefinder.hydrology.abstractions import alterations_of, operating_fraction
from sitefinder.hydrology.change import changed_year, flow_change_of, months_of_season, ratio_of_curves
from sitefinder.hydrology.environmental_flow import environmental_flow_by_bin
from sitefinder.hydrology.equations import apply_equation, zero_probability
from sitefinder.hydrology.estimate import estimate_flows
from sitefinder.hydrology.plausibility import suspect_gauges
from sitefinder.hydrology.records import DailyRecord, yearly_statistics
from sitefinder.hydrology.regime import regime_of_records
from sitefinder.hydrology.regional_fit import hold_out
from sitefinder.hydrology.regions import RegionWeights, apply_regional, by_statistic, probability_regional
from sitefinder.hydrology.regression import generalised_least_squares, least_squares
from sitefinder.hydrology.seasons import BIN_MONTH, DAYS_IN_MONTH, YearBins
from sitefinder.hydrology.stated_flows import stated_drops
from sitefinder.settings import ChangeSettings, EnvironmentalFlowRule
from sitefinder.settings.flows import DailyRecords


def abstractions(**columns):
    return alterations_of(
        pd.DataFrame({"feature_id": ["A", "B"], "kind": "abstraction", **columns}), "abstractions"
    )


def test_a_right_to_nothing_or_for_none_of_the_time_is_one_and_less_than_that_is_not():
    found = abstractions(flow_m3s=[0.0, 2.0], share_of_time=[0.0, 1.0])

    assert found["flow_m3s"].tolist() == [0.0, 2.0]
    assert found["share_of_time"].tolist() == [0.0, 1.0]
    assert [operating_fraction(row, 4).tolist() for row in found.itertuples()] == [[0.0] * 4, [1.0] * 4]
    with pytest.raises(InputError, match=r"flow_m3s must be a number from 0 up \(features A\)"):
        abstractions(flow_m3s=[-0.001, 2.0])
    with pytest.raises(InputError, match=r"share_of_time must be .* \(features A, B\)"):
        abstractions(flow_m3s=[1.0, 2.0], share_of_time=[-0.001, 1.001])


def test_a_season_has_two_to_eleven_months():
    assert months_of_season("FMAMJJASOND") == tuple(range(2, 13))
    assert months_of_season("JFMAMJJASOND") is None
    assert months_of_season("ND") == (11, 12)
    assert months_of_season("F") is None


def test_within_a_season_the_highest_day_has_the_first_factor_and_the_lowest_the_last():
    # Twelve months of level flow, each lower than the one before; factors from 2 at 10 % to 1 at 90 %.
    year = YearBins(BIN_MONTH, (13.0 - BIN_MONTH)[None, :], np.ones(1))
    table = pd.DataFrame({"season": ["year", "year"], "exceedance_percent": ["10", "90"], "factor": ["2", "1"]})
    change = flow_change_of(
        table, "climate.csv", ChangeSettings(path="climate.csv", label="2050", source="made up")
    )

    changed = changed_year(year, change).flow_m3s[0]

    assert changed[:30].tolist() == [24.0] * 30
    assert changed[-30:].tolist() == [1.0] * 30
    # The 183rd of 365 days is exceeded for half of the time, and lies in July.
    assert changed[182] == pytest.approx(6.0 * 1.5)


def test_a_stepped_table_adds_to_its_row_what_the_index_has_beyond_the_rows_own():
    # Index by hand: bins 100, 3 and 1 of which the last is exceeded for five sixths of the time and more.
    steps = [
        {"index_from": 0.5, "environmental_flow": 0.4, "further": 0.2},
        {"index_from": 2.0, "environmental_flow": 1.0, "further": 0.5},
    ]
    rule = EnvironmentalFlowRule(kind="stepped_table", exceedance_percent=50, steps=steps)

    def kept(index_m3s):
        curve = np.array([[100.0, index_m3s, 0.0]])
        return environmental_flow_by_bin(curve, curve.mean(axis=1), [rule], flow_m3s=np.array([[50.0]]))[0, 0]

    # 0.4 + 0.2 (1.5 − 0.5); just at a row, that row; 1.0 + 0.5 (3 − 2); under the first row its flow alone.
    assert kept(1.5) == pytest.approx(0.6)
    assert kept(2.0) == pytest.approx(1.0)
    assert kept(3.0) == pytest.approx(1.5)
    assert kept(0.25) == pytest.approx(0.4)


@pytest.mark.parametrize(
    ("mean_m3s", "held"), [(1.9, False), (2.0, False), (2.1, True), (5.0, True), (5.1, False)]
)
def test_a_rule_for_means_above_one_and_up_to_another_holds_there_alone(mean_m3s, held):
    rule = EnvironmentalFlowRule(kind="share_of_flow", share=0.5, mean_above_m3s=2.0, mean_max_m3s=5.0)

    kept = environmental_flow_by_bin(np.array([[4.0]]), np.array([mean_m3s]), [rule])

    assert kept.tolist() == [[2.0 if held else 0.0]]


# Twelve gauges of one runoff, and one of a far larger catchment whose deleted residual is so improbable.
def with_one_as_improbable_as(probability):
    rng = np.random.default_rng(5)
    area = np.append(10 ** rng.uniform(0.5, 2.0, 12), 20_000.0)
    flow = 0.02 * area * 10 ** (0.05 * rng.normal(size=13))
    design = np.column_stack([np.ones(13), np.log10(area)])

    def deleted(off_log10):
        response = np.log10(flow)
        response[-1] = np.log10(0.02 * area[-1]) - off_log10
        return OLS(response, design).fit().get_influence().resid_studentized_external[-1]

    wanted = -stats.t.isf(probability / 2, 13 - 2 - 1)
    off_log10 = optimize.brentq(lambda off: deleted(off) - wanted, 0.0, 0.6)
    flow[-1] = 0.02 * area[-1] / 10**off_log10
    return pd.DataFrame({"area_km2": area, "flow_mean_m3s": flow}, index=[f"G{number}" for number in range(13)])


def test_a_far_gauge_is_doubted_where_its_deleted_residual_has_a_probability_under_one_in_a_hundred():
    assert suspect_gauges(with_one_as_improbable_as(0.0095), ["area_km2"])["gauge"].tolist() == ["G12"]
    assert suspect_gauges(with_one_as_improbable_as(0.0105), ["area_km2"]).empty


# Four years of days whose flow is the number of their month, from the first day of a year to the last of another.
def days(first_day, last_day):
    date = np.arange(np.datetime64(first_day), np.datetime64(last_day) + 1)
    none = np.zeros(len(date), dtype=bool)
    return DailyRecord("A", date, pd.DatetimeIndex(date).month.to_numpy(dtype=np.float64), none, none)


def test_a_year_that_starts_in_february_is_named_for_its_end_and_has_its_own_days():
    record = days("2001-02-01", "2003-01-31")
    flow = pd.Series(record.flow_m3s, index=pd.DatetimeIndex(record.date))

    years = yearly_statistics(flow, starts_in_month=2, min_share=1.0)

    assert years.index.tolist() == [2002, 2003]
    assert years["days"].tolist() == [365, 365]
    assert years["is_complete"].tolist() == [True, True]
    # With January of the next year for its own the mean is that of a calendar year.
    mean = np.repeat(np.arange(1.0, 13.0), DAYS_IN_MONTH).mean()
    assert years["mean_m3s"].tolist() == pytest.approx([mean] * 2)


def test_the_regime_of_years_from_february_has_the_whole_of_each_and_none_of_others():
    # The second year lacks its last day; January 2002 belongs to the first.
    record = days("2001-02-01", "2003-01-30")
    record.flow_m3s[np.datetime64("2002-02-01") <= record.date] = 7.0
    settings = DailyRecords(unit="m3s", year_starts_in_month=2, min_share_of_year=1.0)

    regime = regime_of_records([record], settings)

    mean = np.repeat(np.arange(1.0, 13.0), DAYS_IN_MONTH).mean()
    assert regime.ratio == pytest.approx(np.arange(1.0, 13.0) / mean)


def test_a_group_is_held_out_where_two_more_gauges_than_coefficients_are_left():
    rng = np.random.default_rng(6)
    design, response = np.column_stack([np.ones(6), rng.normal(size=6)]), rng.normal(size=6)

    held = hold_out(
        lambda kept: least_squares(design[kept], response[kept]), design, response, np.array([1, 1, 1, 2, 2, 3])
    )

    # Without the first group three gauges are left for two coefficients, without the second four.
    assert np.isnan(held.residuals).tolist() == [True] * 3 + [False] * 3
    assert np.isnan(held.half_width).tolist() == [True] * 3 + [False] * 3


def test_a_gauge_just_at_the_end_of_its_interval_is_held_by_it():
    exact = SimpleNamespace(covariance=np.zeros((1, 1)), coefficients=np.ones(1), model_error_variance=0.0)

    held = hold_out(lambda kept: exact, np.ones((4, 1)), np.array([1.0, 1.0, 1.0, 1.5]), np.arange(4))

    assert held.half_width.tolist() == [0.0] * 4
    assert held[2].tolist() == [True, True, True, False]


@pytest.mark.parametrize("fit", [least_squares, lambda *rows: generalised_least_squares(*rows, 0.01 * np.eye(8))])
def test_a_predictor_of_noughts_or_one_that_repeats_another_has_no_fit(fit):
    rng = np.random.default_rng(7)
    one, response = np.ones(8), rng.normal(size=8)

    assert fit(np.column_stack([one, np.zeros(8)]), response) is None
    assert fit(np.column_stack([one, 3.0 * one]), response) is None
    assert fit(np.column_stack([one, rng.normal(size=8)]), response) is not None


AREA = {"name": "area", "unit": "km2", "coefficient": 1.0, "minimum": 1.0, "maximum": 100.0}
PLACE = {"flow_unit": "m3s", "gauges": 30, "source": "made up", "table": "made up"}


# An equation whose mean of ten gauges' areas lies far from a station of 100 km², the more the greater `spread`.
def by_region(region, spread):
    return Equation(
        statistic="mean", form="log10", constant=-1.0, predictors=[AREA], model_error_variance=0.04, region=region,
        covariance=[[spread, 0.0], [0.0, spread]], **PLACE,
    )  # fmt: skip


def test_leverage_is_the_greatest_of_the_regions_that_hold_ground_of_the_catchment():
    stations = pd.DataFrame({"area_km2": [100.0] * 4})
    share = np.array([[1.0, 0.0], [0.0, 1.0], [0.5, 0.5], [0.0, 0.0]])
    weights = RegionWeights(("west", "east"), share, True)
    west, east = by_region("west", 0.001), by_region("east", 0.004)
    alone = [apply_equation(equation, stations).leverage[0] for equation in (west, east)]

    found = apply_regional(by_statistic([west, east], weights)["mean"], stations, weights)

    # x U x' over the model error: (1 + 2²) times 0.001 or 0.004, over 0.04.
    assert alone == pytest.approx([0.125, 0.5])
    assert found.leverage[:3] == pytest.approx([0.125, 0.5, 0.5])
    assert np.isnan(found.leverage[3])


# Probability of no flow of 1 in 4 in the west and 1 in 2 in the east, but for a predictor that may be missing.
def of_no_flow(region, constant):
    slope = {
        "name": "slope",
        "unit": "none",
        "coefficient": 1.0,
        "minimum": 0.0,
        "maximum": 5.0,
        "transform": "none",
    }
    return Equation(
        statistic="zero_flow_probability", form="logistic", logit_of="zero", constant=constant, predictors=[slope],
        misclassified_percent=10.0, region=region, gauges=30, source="made up", table="made up",
    )  # fmt: skip


def test_the_probability_of_no_flow_is_shared_by_area_and_unknown_where_any_part_is():
    stations = pd.DataFrame({"slope": [0.0, 0.0, 0.0, np.nan, 0.0]})
    share = np.array([[1.0, 0.0], [0.5, 0.5], [0.5, 0.25], [0.5, 0.5], [0.0, 0.0]])
    weights = RegionWeights(("west", "east"), share, True)
    equations = [of_no_flow("west", -np.log(3.0)), of_no_flow("east", 0.0)]

    found = probability_regional(by_statistic(equations, weights)["zero_flow_probability"], stations, weights)

    assert zero_probability(equations[0], stations).zero[0] == pytest.approx(0.25)
    assert found.zero[:3] == pytest.approx([0.25, 0.375, (2 * 0.25 + 0.5) / 3])
    assert found.missing.tolist() == [False, False, False, True, True]
    assert np.isnan(found.zero[3:]).all()


def test_the_change_of_a_bin_is_that_of_the_days_and_parts_of_days_in_it():
    # Three days in two bins: the middle one by flow lies in both, half in each; each changes by its own factor.
    before = np.array([[2.0, 8.0, 4.0], [0.0, 0.0, 3.0]])
    after = np.array([[1.0, 8.0, 6.0], [0.0, 0.0, 6.0]])

    found = ratio_of_curves(before, after, 2)

    assert found[0].tolist() == pytest.approx([(8.0 + 3.0) / (8.0 + 2.0), (3.0 + 1.0) / (2.0 + 2.0)])
    # 1 where there was no flow.
    assert found[1].tolist() == pytest.approx([2.0, 1.0])
    # Four days in two bins, two in each.
    assert ratio_of_curves(np.array([[4.0, 3.0, 2.0, 1.0]]), np.array([[4.0, 4.0, 4.0, 2.0]]), 2)[0] == (
        pytest.approx([8.0 / 7.0, 6.0 / 3.0])
    )


def test_leverage_goes_by_the_greater_of_the_model_error_and_the_stated_one():
    # x = [1, 2]: x U x' is 0.005 with 0.001 for each coefficient.
    place = pd.DataFrame({"area_km2": [100.0]})
    stated = by_region("west", 0.001).model_dump() | {"standard_error_log10": 0.5}

    assert apply_equation(by_region("west", 0.001), place).leverage == pytest.approx([0.005 / 0.04])
    assert apply_equation(Equation.model_validate(stated), place).leverage == pytest.approx([0.005 / 0.25])
    assert apply_equation(
        Equation.model_validate(stated | {"form": "ln", "standard_error_log10": 0.5 / np.log(10.0)}), place
    ).leverage == pytest.approx([(1 + np.log(100.0) ** 2) * 0.001 / 0.25])


def test_quantiles_of_small_streams_have_the_errors_and_the_bias_of_their_equations():
    # A litre a second and less, so that no flow stands for 1.
    plain = {"form": "log10", "factor": 0.0002, "predictors": [AREA], **PLACE}
    equations = [
        Equation(statistic=name, standard_error_log10=error, bias_correction=bias, **plain | {"factor": factor})
        for name, error, bias, factor in (
            ("mean", 0.1, 1.05, 2e-5),
            ("exceedance_10", 0.15, 1.2, 4e-5),
            ("exceedance_90", 0.3, 1.5, 4e-6),
        )
    ]

    found = estimate_flows(pd.DataFrame({"area_km2": [2.0, 50.0]}), equations).quantile_errors

    assert found.percent.tolist() == [10.0, 90.0]
    assert found.log_sd == pytest.approx(np.tile(np.log(10.0) * np.array([0.15, 0.3]), (2, 1)))
    assert found.log_bias == pytest.approx(np.tile(np.log([1.2, 1.5]), (2, 1)))
    assert found.mean_log_sd == pytest.approx(np.log(10.0) * np.array([0.1, 0.1]))


MONTHS_STATED = {f"flow_{month:02d}_m3s": 0.1 * month for month in range(1, 13)}
NO_FLOW, SEVERAL = "no flow: state flow_m3s", "more than one flow: state one of"


@pytest.mark.parametrize(
    ("columns", "has_record", "problem"),
    [
        ({"flow_m3s": 1.0}, False, ""),
        (MONTHS_STATED, False, ""),
        ({}, True, ""),
        ({}, False, NO_FLOW),
        ({"flow_m3s": 1.0}, True, SEVERAL),
        (MONTHS_STATED, True, SEVERAL),
        ({"flow_m3s": 1.0} | MONTHS_STATED, False, SEVERAL),
        ({"flow_m3s": 1.0} | MONTHS_STATED, True, SEVERAL),
    ],
)
def test_the_flow_of_a_drop_is_stated_in_one_way_of_three(columns, has_record, problem):
    frame = geopandas.GeoDataFrame(
        pd.DataFrame([{"feature_id": "a", "drop_m": 1.0, **columns}]), geometry=[shapely.Point(0, 0)]
    )
    days = pd.date_range("2001-01-01", "2004-12-31")
    record = pd.DataFrame({"drop_id": "a", "date": days, "flow_m3s": 2.0}) if has_record else None

    if not problem:
        assert np.isfinite(stated_drops(frame, record).bins_m3s).all()
        return
    with pytest.raises(InputError, match=problem) as raised:
        stated_drops(frame, record)
    # No more than that is wrong.
    assert str(raised.value).count("(drops a)") == 1


# Gauges of one runoff, the first of which has a hundred times its flow.
def one_in(count):
    area = 10.0 ** np.linspace(0.5, 2.0, count)
    flow = 0.02 * area * 10 ** (0.03 * np.cos(np.arange(count)))
    flow[0] *= 100.0
    return pd.DataFrame({"area_km2": area, "flow_mean_m3s": flow}, index=[f"G{number}" for number in range(count)])


def test_from_six_gauges_on_one_is_held_against_the_others():
    found = suspect_gauges(one_in(6), ["area_km2"])

    assert found["gauge"].tolist() == ["G0"]
    assert "times what the other gauges give" in found["found"].iloc[0]
    # The runoff of the one is above all rain as well, whatever the number of the others.
    alone = suspect_gauges(one_in(5), ["area_km2"])["found"]
    assert not alone.str.contains("what the other gauges give").any()
