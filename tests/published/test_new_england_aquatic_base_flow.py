"""New England's aquatic base flow.

US Fish and Wildlife Service policy of 1981: the median flow of the month where a record gives it; else, in summer,
0.5 ft³/s for each square mile (from memory), which is 0.0054666 m³/s/km².
"""

import numpy as np
import pytest

from sitefinder.hydrology.environmental_flow import environmental_flow_by_bin
from sitefinder.hydrology.seasons import BIN_MONTH, YearBins
from sitefinder.io.catalogue_files import read_environmental_flow
from sitefinder.settings import EnvironmentalFlowSetting
from sitefinder.units import KM2_PER_SQUARE_MILE, M3S_PER_CUBIC_FOOT_SECOND

PRESET = "environmental-flow/new_england_abf.toml"


def test_the_default_is_half_a_cubic_foot_a_second_for_a_square_mile(repository):
    rules = read_environmental_flow(
        [EnvironmentalFlowSetting(preset=PRESET, choice="summer default, all the year")], repository / "config"
    )

    environmental_flow = environmental_flow_by_bin(
        np.full((1, 4), 9.0), np.array([9.0]), rules, np.array([100 * KM2_PER_SQUARE_MILE])
    )

    # 100 square miles: 50 ft³/s. The file has five digits.
    assert environmental_flow == pytest.approx(np.full((1, 4), 50 * M3S_PER_CUBIC_FOOT_SECOND), rel=0.5e-4)


def test_otherwise_the_median_of_the_month_stays(repository):
    rules = read_environmental_flow(
        [EnvironmentalFlowSetting(preset=PRESET, choice="median of each month")], repository / "config"
    )
    # In month m flows fall evenly from 2 m to 0, so the median is m.
    flow = np.empty((1, 365))
    for month in range(1, 13):
        days = np.count_nonzero(month == BIN_MONTH)
        flow[0, month == BIN_MONTH] = 2.0 * month * (1 - (np.arange(days) + 0.5) / days)
    curve = -np.sort(-flow)

    environmental_flow = environmental_flow_by_bin(
        curve, curve.mean(axis=1), rules, year=YearBins(BIN_MONTH, flow, np.ones(1))
    )

    # Between two days of an even month the flow is interpolated in logs, which a 1/3 day's step moves by 0.1 %.
    assert environmental_flow == pytest.approx(np.minimum(BIN_MONTH.astype(float), flow), rel=2e-3)
