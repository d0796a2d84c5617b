"""Percentages of the average flow by Tennant's method.

D. L. Tennant, "Instream flow regimens for fish, wildlife, recreation and related environmental resources," 1975,
Table 1 (printed in Fisheries 1(4):6-10, 1976): recommended base flow, October to March and April to September.
"""

import numpy as np
import pytest

from sitefinder.hydrology.environmental_flow import environmental_flow_by_bin
from sitefinder.hydrology.seasons import BIN_MONTH, YearBins
from sitefinder.io.catalogue_files import read_environmental_flow
from sitefinder.settings import EnvironmentalFlowSetting

TABLE_1_PERCENT = {
    "optimum range, lower end": (60, 60),
    "optimum range, upper end": (100, 100),
    "outstanding": (40, 60),
    "excellent": (30, 50),
    "good": (20, 40),
    "fair or degrading": (10, 30),
    "poor or minimum": (10, 10),
}


@pytest.mark.parametrize("choice", TABLE_1_PERCENT)
def test_both_half_years_keep_what_table_1_says(repository, choice):
    rules = read_environmental_flow(
        [EnvironmentalFlowSetting(preset="environmental-flow/tennant_montana.toml", choice=choice)],
        repository / "config",
    )
    # So much flows at all times that the rule is never capped; the average flow is 4 m³/s.
    year = YearBins(BIN_MONTH, np.full((1, 365), 100.0), np.ones(1))

    environmental_flow = environmental_flow_by_bin(np.full((1, 200), 100.0), np.array([4.0]), rules, year=year)[0]

    winter = np.isin(BIN_MONTH, [10, 11, 12, 1, 2, 3])
    cold, warm = TABLE_1_PERCENT[choice]
    assert environmental_flow[winter] == pytest.approx(4.0 * cold / 100)
    assert environmental_flow[~winter] == pytest.approx(4.0 * warm / 100)
