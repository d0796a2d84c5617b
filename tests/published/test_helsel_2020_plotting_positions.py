"""Plotting positions of a flow duration curve.

D. R. Helsel et al., "Statistical methods in water resources," U.S. Geol. Surv. Tech. Methods 4-A3, 2020, as the US
Geological Survey's package hyswap applies it; the asserted value was read in that package's tests: by Weibull's
positions, 3 is exceeded 0.4 of the time in the record 1, 2, 3, 4.
"""

import pytest

from sitefinder.hydrology.duration_curve import duration_curve, flow_exceeded


def test_the_packages_asserted_exceedance_is_the_position_of_its_flow():
    assert flow_exceeded(duration_curve([1, 2, 3, 4]), 40.0) == pytest.approx(3.0, rel=1e-12)
