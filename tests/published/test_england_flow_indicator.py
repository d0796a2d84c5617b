"""England's environmental flow indicator.

Environment Agency, "Environmental flow indicator," 2013 (figures from memory): share of natural flow that may be
taken at Q30, Q50, Q70 and Q95 for three bands of abstraction sensitivity.
"""

import numpy as np
import pytest

from sitefinder.hydrology.environmental_flow import environmental_flow_by_bin
from sitefinder.io.catalogue_files import read_environmental_flow
from sitefinder.settings import EnvironmentalFlowSetting

PERCENT = (30, 50, 70, 95)


@pytest.mark.parametrize(
    ("choice", "taken_percent"),
    [
        ("ASB3, high sensitivity", (24, 20, 15, 10)),
        ("ASB2, moderate sensitivity", (26, 24, 20, 15)),
        ("ASB1, low sensitivity", (30, 26, 24, 20)),
    ],
)
def test_at_the_four_flows_so_much_may_be_taken(repository, choice, taken_percent):
    rules = read_environmental_flow(
        [EnvironmentalFlowSetting(preset="environmental-flow/england_efi.toml", choice=choice)],
        repository / "config",
    )
    # Flow stands still for a fifth of the time about each of the four, so that each is met exactly.
    flow = np.repeat([20.0, 10.0, 6.0, 3.0, 1.0], 40)[None, :]

    taken = (flow - environmental_flow_by_bin(flow, flow.mean(axis=1), rules)) / flow

    for percent, share in zip(PERCENT, taken_percent, strict=True):
        assert taken[0, 2 * percent - 1] == pytest.approx(share / 100, rel=1e-12)
    # Above the highest of them the share is its own.
    assert taken[0, 0] == pytest.approx(taken_percent[0] / 100, rel=1e-12)
