"""The presumptive standard for flow protection.

B. D. Richter, M. M. Davis, C. Apse, C. Konrad, "A presumptive standard for environmental flow protection," River
Res. Applic. 28(8):1312-1321, 2012: daily flow depleted by no more than 10 % (high) or 20 % (moderate protection).
"""

import numpy as np
import pytest

from sitefinder.hydrology.duration_curve import BIN_EXCEEDANCE
from sitefinder.hydrology.environmental_flow import environmental_flow_by_bin
from sitefinder.io.catalogue_files import read_environmental_flow
from sitefinder.settings import EnvironmentalFlowSetting


@pytest.mark.parametrize(("choice", "depleted"), [("high protection", 0.10), ("moderate protection", 0.20)])
def test_at_every_flow_so_much_may_be_taken(repository, choice, depleted):
    rules = read_environmental_flow(
        [EnvironmentalFlowSetting(preset="environmental-flow/presumptive_standard.toml", choice=choice)],
        repository / "config",
    )
    flow = -3.0 * np.log(BIN_EXCEEDANCE)[None, :]

    environmental_flow = environmental_flow_by_bin(flow, flow.mean(axis=1), rules)

    assert 1 - environmental_flow / flow == pytest.approx(np.full_like(flow, depleted))
