"""Equations by region: each catchment by those of its regions, and what does not fit is reported."""

import numpy as np
import pandas as pd
import pytest

from sitefinder.catalogue.equations import Equation
from sitefinder.errors import InputError
from sitefinder.hydrology.equations import apply_equation
from sitefinder.hydrology.estimate import estimate_flows
from sitefinder.hydrology.regions import (
    Regional,
    RegionWeights,
    apply_regional,
    by_statistic,
    doubtful_weights,
    probability_regional,
)

STATIONS = pd.DataFrame({"area_km2": [10.0, 10.0, 10.0, 10.0, 10.0]})
# Wholly in the west; half and half; nine tenths covered; nothing; not known.
SHARE = np.array([[1.0, 0.0], [0.5, 0.5], [0.6, 0.3], [0.0, 0.0], [np.nan, np.nan]])


def weights(renormalise=True, codes=("west", "east"), share=SHARE):
    return RegionWeights(codes, share, renormalise)


# So many litres a second from each km², with an error in log10.
def equation(region, litres, statistic="mean", error=0.1, **changes):
    whole = {
        "statistic": statistic,
        "form": "log10",
        "factor": litres,
        "predictors": [{"name": "area", "unit": "km2", "coefficient": 1.0, "minimum": 1.0, "maximum": 100.0}],
        "flow_unit": "ls",
        "standard_error_log10": error,
        "gauges": 30,
        "source": "made up",
        "table": "made up",
        "region": region,
    }
    return Equation(**{**whole, **changes})


def applied_to(equations, weight, stations=STATIONS):
    return apply_regional(by_statistic(equations, weight)["mean"], stations, weight)


def test_flow_is_weighted_by_area_and_ground_without_region_is_like_the_rest():
    applied = applied_to([equation("west", 10.0), equation("east", 30.0)], weights())

    # 0.6 and 0.3 of 0.9 are two thirds and one third.
    assert applied.flow_m3s[:3] == pytest.approx([0.100, 0.200, 0.100 * 2 / 3 + 0.300 / 3])
    assert applied.missing.tolist() == [False, False, False, True, True]
    assert np.isnan(applied.flow_m3s[3:]).all()
    assert np.isnan(applied.high_m3s[3:]).all()


def test_weights_may_be_taken_as_they_are():
    applied = applied_to([equation("west", 10.0), equation("east", 30.0)], weights(renormalise=False))

    assert applied.flow_m3s[:3] == pytest.approx([0.100, 0.200, 0.150])


def test_within_one_region_all_is_as_its_equation_has_it():
    west = equation("west", 10.0, bias_correction=1.2)
    alone = apply_equation(west, STATIONS[:1])

    applied = applied_to([west, equation("east", 30.0)], weights())

    for name in ("flow_m3s", "low_m3s", "high_m3s", "log_sd"):
        assert getattr(applied, name)[0] == pytest.approx(getattr(alone, name)[0], rel=1e-12)


def test_across_a_border_of_two_alike_regions_the_interval_is_neither_wider_nor_narrower():
    applied = applied_to([equation("west", 10.0), equation("east", 10.0)], weights())

    assert applied.low_m3s[1] == pytest.approx(applied.low_m3s[0], rel=1e-12)
    assert applied.high_m3s[1] == pytest.approx(applied.high_m3s[0], rel=1e-12)
    assert applied.log_sd[1] == pytest.approx(applied.log_sd[0], rel=1e-12)


def test_the_spread_across_a_border_goes_by_the_flow_that_each_region_gives():
    applied = applied_to([equation("west", 10.0, error=0.1), equation("east", 30.0, error=0.3)], weights())

    # A quarter of the flow has the error 0.1 and three quarters 0.3.
    assert applied.log_sd[1] / np.log(10) == pytest.approx(0.25)
    assert np.sqrt(applied.low_m3s[1] * applied.high_m3s[1]) == pytest.approx(0.200)


def test_errors_that_are_one_spread_as_they_do_in_simulations():
    """The first-order spread against a hundred thousand simulations in which both regions err alike."""
    simulations = np.random.default_rng(11).standard_normal(100_000)
    flow = 0.5 * 0.1 * 10 ** (0.05 * simulations) + 0.5 * 0.3 * 10 ** (0.1 * simulations)
    both = [equation("west", 10.0, error=0.05), equation("east", 30.0, error=0.1)]

    applied = applied_to(both, weights())

    # The simulations' own error is 0.2 %, what is beyond the first order less than 1 %.
    assert applied.log_sd[1] == pytest.approx(np.log(flow).std(), rel=0.01)


def test_an_equation_without_a_region_holds_where_there_is_no_other():
    codes, share = ("west", "east", "north"), np.array([[0.5, 0.25, 0.25]])
    both = [equation("west", 10.0), equation(None, 30.0)]

    applied = applied_to(both, weights(codes=codes, share=share), STATIONS[:1])

    assert applied.flow_m3s == pytest.approx([0.200])


def test_a_region_warns_only_where_it_holds_ground():
    small = [{"name": "area", "unit": "km2", "coefficient": 1.0, "minimum": 1.0, "maximum": 5.0}]
    needs_more = [{"name": "slope", "unit": "none", "coefficient": 1.0, "minimum": 1.0, "maximum": 5.0}]
    stations = STATIONS.assign(slope=[np.nan, np.nan, 2.0, 2.0, 2.0])
    first, second = equation("west", 10.0), equation("east", 30.0, predictors=small)

    by_range = applied_to([first, second], weights())
    by_hole = applied_to([first, equation("east", 30.0, predictors=needs_more)], weights(), stations)

    assert by_range.outside["area_km2"].tolist() == [False, True, True, False, False]
    assert by_hole.missing.tolist() == [False, True, False, True, True]
    assert np.isfinite(by_hole.flow_m3s).tolist() == [True, False, True, False, False]


def test_regions_that_do_not_add_up_are_doubtful():
    found = by_statistic([equation("west", 10.0), equation("east", 30.0)], weights())
    share = np.array([[1.0, 0.0], [0.6, 0.3905], [0.6, 0.3895], [0.6, 0.4095], [0.6, 0.4105], [np.nan, np.nan]])

    assert doubtful_weights(found, weights(share=share)).tolist() == [False, False, True, False, True, True]


def test_a_statistic_without_any_equation_of_the_layer_is_missing_everywhere():
    nowhere = Regional("mean", {"south": equation("south", 10.0)})

    applied, probability = (find(nowhere, STATIONS, weights()) for find in (apply_regional, probability_regional))

    for found in (applied.flow_m3s, applied.low_m3s, applied.high_m3s, applied.log_sd, probability.zero):
        assert np.isnan(found).tolist() == [True] * 5
    assert applied.missing.tolist() == probability.missing.tolist() == [True] * 5
    assert not np.any([applied.beyond_leverage, applied.negative, applied.widened])


def test_ground_of_a_region_without_any_equation_counts_as_not_covered():
    found = by_statistic([equation("west", 10.0)], weights())

    assert doubtful_weights(found, weights()).tolist() == [False, True, True, True, True]
    # In the second station half the ground has an equation, and the rest is taken to be like it.
    assert apply_regional(found["mean"], STATIONS, weights()).flow_m3s[:2] == pytest.approx([0.1, 0.1])


def test_equations_for_no_region_of_the_layer_are_refused():
    with pytest.raises(InputError, match="no equation is for a region of the layer") as raised:
        by_statistic([equation("south", 10.0)], weights())

    assert "codes west, east; regions of equations south" in str(raised.value)


def test_a_region_that_lacks_a_statistic_is_refused():
    equations = [equation("west", 10.0), equation("east", 30.0), equation("west", 1.0, "exceedance_95")]

    with pytest.raises(InputError, match="some regions lack an equation that others have") as raised:
        by_statistic(equations, weights())

    assert "no equation for east: exceedance_95" in str(raised.value)


def test_two_equations_for_one_statistic_are_refused_within_a_region_alone():
    both = [equation("west", 10.0), equation("east", 30.0)]

    assert list(by_statistic(both, weights())) == ["mean"]
    with pytest.raises(InputError, match=r"inputs\.flow_regions"):
        by_statistic(both)
    with pytest.raises(InputError, match="one equation for each statistic and region"):
        by_statistic([*both, equation("east", 31.0)], weights())


def test_a_whole_estimate_by_regions_has_its_flags_and_says_where_it_is_from():
    each = {"mean": 20.0, "exceedance_10": 45.0, "exceedance_90": 4.0}
    equations = [
        equation(region, factor * litres, name)
        for region, factor in (("west", 1.0), ("east", 2.0))
        for name, litres in each.items()
    ]

    flows = estimate_flows(STATIONS, equations, weights())

    assert flows.mean_m3s[:3] == pytest.approx([0.200, 0.300, 0.200 * 4 / 3])
    assert flows.curve_m3s[:3].mean(axis=1) == pytest.approx(flows.mean_m3s[:3])
    doubt = "flow_region_doubtful"
    assert flows.flags == [(), (), (doubt,), ("flow_missing", doubt), ("flow_missing", doubt)]
    assert flows.source == ["equation (west)", "equation (west, east)", "equation (west, east)", "", ""]
    assert any("the weights are divided by their sum" in note for note in flows.notes)
    assert np.isnan(flows.curve_m3s[3:]).all()


def test_where_the_own_region_gives_no_flow_the_error_of_another_does_not_count():
    area = {
        "name": "area",
        "unit": "km2",
        "transform": "none",
        "coefficient": 1.0,
        "minimum": 1.0,
        "maximum": 100.0,
    }
    below_nothing = equation(
        "west", None, form="untransformed", factor=None, constant=-20.0, predictors=[area], error=None,
        standard_error_percent=20.0,
    )  # fmt: skip

    applied = applied_to([below_nothing, equation("east", 30.0)], weights())

    assert applied.flow_m3s[0] == applied.low_m3s[0] == applied.high_m3s[0] == 0.0
    assert applied.log_sd[0] == 0.0
    assert applied.negative.tolist() == [True, True, True, False, False]
    # Half of the ground gives all of the flow, and all of the error.
    assert applied.log_sd[1] == pytest.approx(0.1 * np.log(10))
