"""Error of a global DEM, from its LE95.

ASTER Global Digital Elevation Model version 3, validation report: RMSE 8.52 m, LE95 16.70 m (both read in a
stored copy of the report).
"""

import pytest

from sitefinder.streams.profile_error import rmse_from_le95


def test_the_printed_le95_gives_the_printed_rmse():
    # Both are printed to a hundredth of a metre: half of one in the LE95 is 0.0026 m in the RMSE.
    assert rmse_from_le95(16.70) == pytest.approx(8.52, abs=0.005 + 0.0026)
