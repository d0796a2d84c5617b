"""Regressed quantiles that cross, as a public service gave them.

J. R. Ziegeweid, D. L. Lorenz, C. A. Sanocki, C. R. Czuba, "Methods for estimating flow-duration curve and low-flow
frequency statistics for ungaged locations on small streams in Minnesota," U.S. Geol. Surv. Sci. Invest. Rep.
2015-5170, 2015. The flows at a place with 3.82 mi² were read in recorded answers of the Survey's regression-
equation service [ft³/s]. The pooled values are derived: the geometric mean of each crossing pair.
"""

import numpy as np
import pytest

from sitefinder.hydrology.duration_curve import BIN_EXCEEDANCE, curves_from_quantiles, flow_at

EXCEEDED_PERCENT = [0.01, 0.1, 2, 5, 10, 25, 50, 75, 90, 95, 99, 99.9, 99.99]
FLOW_FT3S = [
    386.9347,
    172.9354,
    21.03986,
    8.355012,
    3.890444,
    1.457259,
    0.4695268,
    0.08601216,
    0.04627199,
    0.04711190,
    0.009171855,
    0.001022997,
    0.001267836,
]


def test_the_printed_quantiles_cross_and_the_repaired_curve_does_not():
    curve, repaired = curves_from_quantiles(EXCEEDED_PERCENT, [FLOW_FT3S])

    assert repaired.tolist() == [True]
    assert (np.diff(curve[0]) <= 0).all()


def test_crossing_quantiles_become_their_geometric_mean():
    curve = curves_from_quantiles(EXCEEDED_PERCENT, [FLOW_FT3S]).curve_m3s

    # 95 % and 90 % hold one flow, and so does all between them.
    between = curve[0, (BIN_EXCEEDANCE > 0.90) & (BIN_EXCEEDANCE < 0.95)]
    assert between == pytest.approx((0.04627199 * 0.04711190) ** 0.5, rel=1e-12)


def test_quantiles_in_order_are_kept_as_they_are():
    first_nine = curves_from_quantiles(EXCEEDED_PERCENT[:9], [FLOW_FT3S[:9]])

    assert first_nine.repaired.tolist() == [False]
    # 25, 50 and 75 % are edges of bins. Log flow bends there, and the chord between the two neighbours cuts the
    # bend off: a quarter of a bin's width in z times the change of slope, under 1 % here.
    for percent, flow in [(25, 1.457259), (50, 0.4695268), (75, 0.08601216)]:
        assert flow_at(BIN_EXCEEDANCE, first_nine.curve_m3s, percent) == pytest.approx(flow, rel=0.01)
