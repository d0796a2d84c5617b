"""Residual flow by the Swiss Waters Protection Act.

Federal Act on the Protection of Waters of 24 January 1991, SR 814.20, Art. 31(1): least residual flow by Q347,
with "for each further 10 l/s" (100, 1000) read pro rata.
"""

import numpy as np
import pytest

from sitefinder.hydrology.environmental_flow import environmental_flow_by_bin
from sitefinder.io.catalogue_files import read_environmental_flow
from sitefinder.settings import EnvironmentalFlowSetting

# Q347 [l/s] and what must stay [l/s]: the rows of the law, and points between them worked from them.
ROWS = [(60, 50), (160, 130), (500, 280), (2500, 900), (10_000, 2500), (60_000, 10_000)]
BETWEEN = [
    (20, 50),
    (100, 82),
    (300, 191.6),
    (1000, 435),
    (5000, 1432.5),
    (20_000, 4000),
    (80_000, 10_000),
    # The law's own table is not continuous: just below these rows it gives less.
    (499.999999, 279.6),
    (9999.999999, 2497.5),
]


@pytest.fixture(scope="module")
def swiss(repository):
    return read_environmental_flow(
        [EnvironmentalFlowSetting(preset="environmental-flow/switzerland_art_31.toml")], repository / "config"
    )


@pytest.mark.parametrize(("index_ls", "kept_ls"), [*ROWS, *BETWEEN])
def test_the_law_at_its_rows_and_between(swiss, index_ls, kept_ls):
    # A river that is high for 90 % of the time, and at its Q347 for the rest.
    flow = np.where(np.arange(200) < 180, 1e6, index_ls)[None, :] / 1000

    environmental_flow = environmental_flow_by_bin(flow, flow.mean(axis=1), swiss)

    assert environmental_flow[0, 0] * 1000 == pytest.approx(kept_ls, rel=1e-9, abs=1e-5)
    # At low water no more than what flows can stay.
    assert environmental_flow[0, -1] * 1000 == pytest.approx(min(kept_ls, index_ls), rel=1e-9, abs=1e-5)


def test_q347_is_exceeded_347_days_of_365(swiss):
    assert swiss[0].exceedance_percent == pytest.approx(100 * 347 / 365, rel=1e-12)
