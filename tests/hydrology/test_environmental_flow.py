"""Environmental flow: the greatest rule holds, the stream's own flow is the limit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sitefinder.hydrology.duration_curve import BIN_EXCEEDANCE
from sitefinder.hydrology.environmental_flow import environmental_flow_by_bin
from sitefinder.hydrology.seasons import BIN_MONTH, YearBins
from sitefinder.settings import EnvironmentalFlowRule

SHARES = st.floats(0, 1)
RULES = st.one_of(
    st.builds(EnvironmentalFlowRule, kind=st.just("share_of_mean"), share=SHARES),
    st.builds(EnvironmentalFlowRule, kind=st.just("share_of_flow"), share=SHARES),
    st.builds(EnvironmentalFlowRule, kind=st.just("exceedance_flow"), exceedance_percent=st.floats(0.5, 99.5)),
)
CURVES = st.lists(st.floats(0, 1e3), min_size=200, max_size=200).map(lambda flows: np.sort(flows)[None, ::-1])


def rule(kind, number):
    name = "exceedance_percent" if kind == "exceedance_flow" else "share"
    return EnvironmentalFlowRule(kind=kind, **{name: number})


def test_a_hand_made_check_of_the_order_of_operations():
    # Derived by hand: flow 10 (1 − p), 1 m³/s stays (a fifth of the mean), design flow 4: the turbine has 2.800 on
    # average. All bends lie on edges of bins, so the bins give it exactly.
    natural = 10 * (1 - BIN_EXCEEDANCE)[None, :]

    environmental_flow = environmental_flow_by_bin(natural, natural.mean(axis=1), [rule("share_of_mean", 0.2)])

    assert np.minimum(natural - environmental_flow, 4.0).mean() == pytest.approx(2.800, abs=1e-12)


def test_each_kind_of_rule_keeps_what_it_says():
    natural = 10 * (1 - BIN_EXCEEDANCE)[None, :]
    mean = np.array([5.0])

    of_mean = environmental_flow_by_bin(natural, mean, [rule("share_of_mean", 0.1)])
    of_flow = environmental_flow_by_bin(natural, mean, [rule("share_of_flow", 0.3)])
    exceeded = environmental_flow_by_bin(natural, mean, [rule("exceedance_flow", 95.25)])

    assert of_mean == pytest.approx(np.minimum(0.5, natural))
    assert of_flow == pytest.approx(0.3 * natural)
    # 95.25 % is itself a bin.
    assert exceeded == pytest.approx(np.minimum(0.475, natural))


def test_the_greatest_of_several_rules_holds_at_each_flow():
    natural = np.array([[50.0, 10.0, 4.0, 0.5]])

    environmental_flow = environmental_flow_by_bin(
        natural, np.array([16.0]), [rule("share_of_mean", 0.1), rule("share_of_flow", 0.2)]
    )

    assert environmental_flow == pytest.approx(np.array([[10.0, 2.0, 1.6, 0.5]]))


@settings(max_examples=60, deadline=None)
@given(CURVES, st.lists(RULES, min_size=1, max_size=3), RULES)
def test_environmental_flow_is_within_the_flow_and_another_rule_never_lowers_it(natural, rules, another):
    mean = natural.mean(axis=1)

    environmental_flow = environmental_flow_by_bin(natural, mean, rules)
    more = environmental_flow_by_bin(natural, mean, [*rules, another])

    assert (environmental_flow >= 0).all()
    assert (environmental_flow <= natural).all()
    assert (more >= environmental_flow).all()


def test_a_station_without_flow_has_no_environmental_flow_and_the_curve_is_left_alone():
    natural = np.array([[np.nan] * 4, [4.0, 3.0, 2.0, 1.0]])
    before = natural.copy()

    environmental_flow = environmental_flow_by_bin(natural, np.array([np.nan, 2.5]), [rule("share_of_flow", 0.5)])

    assert np.isnan(environmental_flow[0]).all()
    assert environmental_flow[1].tolist() == [2.0, 1.5, 1.0, 0.5]
    np.testing.assert_array_equal(natural, before)


def test_below_a_share_of_the_mean_no_water_may_be_taken_whatever_the_mean():
    # Half of the mean of 8 m³/s is 4: below that all stays, above it what is more may be taken.
    natural = np.array([[20.0, 6.0, 4.0, 2.0]])
    hands_off = EnvironmentalFlowRule(kind="hands_off", hands_off_share_of_mean=0.5, take_share=1.0)

    assert environmental_flow_by_bin(natural, np.array([8.0]), [hands_off]).tolist() == [[4.0, 4.0, 4.0, 2.0]]


def test_no_rule_is_refused():
    with pytest.raises(ValueError, match="at least one rule"):
        environmental_flow_by_bin(np.ones((1, 4)), np.ones(1), [])


def test_a_rule_of_some_months_and_some_means_holds_where_both_do():
    rule_of_spring = EnvironmentalFlowRule(
        kind="share_of_flow", share=0.5, months=[4], mean_above_m3s=1.0, mean_max_m3s=3.0
    )
    flow = np.full((3, 365), 4.0)
    year = YearBins(BIN_MONTH, flow, np.ones(3))

    kept = environmental_flow_by_bin(
        np.full((3, 200), 4.0), np.array([0.5, 2.0, 4.0]), [rule_of_spring], year=year
    )

    assert (kept[[0, 2]] == 0.0).all()
    assert kept[1].tolist() == np.where(BIN_MONTH == 4, 2.0, 0.0).tolist()


# A curve of three flows whose middle one is exceeded half of the time; the mean is 8 m³/s.
@pytest.mark.parametrize(
    ("fields", "kept_m3s"),
    [
        ({"kind": "exceedance_flow", "exceedance_percent": 50.0, "share": 0.4}, [2.4, 2.4, 1.0]),
        # Above 6 m³/s half may be taken, above 2 too, and no more than a quarter of the mean.
        ({"kind": "hands_off", "exceedance_percent": 50.0, "take_share": 0.5}, [11.5, 6.0, 1.0]),
        (
            {"kind": "hands_off", "hands_off_m3s": 2.0, "take_share": 0.5, "take_max_share_of_mean": 0.25},
            [15.0, 4.0, 1.0],
        ),
        # Half way through a band of half a cubic metre, and level above it.
        (
            {
                "kind": "bands",
                "between": "linear",
                "bands": [{"from_m3s": 5.75, "take_share": 0.1}, {"from_m3s": 6.25, "take_share": 0.3}],
            },
            [17 * 0.7, 6 * 0.8, 0.9],
        ),
        # Two bands from the same flow on: there the second one holds already.
        (
            {
                "kind": "bands",
                "between": "linear",
                "bands": [{"from_m3s": 6.0, "take_share": 0.1}, {"from_m3s": 6.0, "take_share": 0.3}],
            },
            [17 * 0.7, 6 * 0.7, 0.9],
        ),
    ],
)
def test_rules_by_hand(fields, kept_m3s):
    kept = environmental_flow_by_bin(
        np.array([[17.0, 6.0, 1.0]]), np.array([8.0]), [EnvironmentalFlowRule(**fields)]
    )

    assert kept[0] == pytest.approx(kept_m3s, rel=1e-12)


def test_a_share_of_the_months_mean_is_that_of_each_month():
    flow = BIN_MONTH[None, :] * np.array([[1.0], [10.0]])
    rule_of_months = EnvironmentalFlowRule(kind="share_of_mean", share=0.25, of_month=True)

    kept = environmental_flow_by_bin(
        np.ones((2, 200)), np.ones(2), [rule_of_months], year=YearBins(BIN_MONTH, flow, np.ones(2))
    )

    assert kept == pytest.approx(0.25 * flow)
