"""An off-grid settlement: demand, firm power and diesel, worked by hand and by laws."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sitefinder.energy.solar_benchmark import serve_demand


def test_what_a_plant_does_for_a_demand_of_4_kw():
    # Ten equal parts of the year at 0, 2, 4 and more kW; 35.04 MWh a year are 4 kW.
    power_kw = np.array([[0.0, 2.0, 4.0, 6.0, 6.0, 6.0, 6.0, 6.0, 6.0, 6.0]])

    served = serve_demand(power_kw, np.array([1.0]), np.array([35.04]), 0.9, 0.35)

    # (0 + 2 + 8 · 4) / 10 = 3.4 kW of 4, for nine tenths of the time.
    assert served.firm_share[0] == pytest.approx(0.25)
    assert served.served_share[0] == pytest.approx(0.9 * 3.4 / 4)
    assert served.diesel_l[0] == pytest.approx(0.9 * 3.4 * 8760 * 0.35)


def test_without_a_demand_nothing_is_said():
    served = serve_demand(np.ones((2, 4)), np.ones(2), np.array([np.nan, 0.0]), 1.0, 0.35)

    assert np.isnan(np.array(served)).all()


@given(
    st.lists(st.floats(0, 50), min_size=5, max_size=5),
    st.floats(0.1, 400),
    st.floats(0.1, 400),
    st.floats(0.5, 1),
)
def test_no_more_is_served_than_is_asked_for_or_made(power, demand_mwh, more_mwh, availability):
    power_kw = np.array([power, power])
    demand = np.array([demand_mwh, demand_mwh + more_mwh])

    served = serve_demand(power_kw, np.zeros(2), demand, availability, 1.0)

    made_kwh = np.mean(power) * availability * 8760
    assert np.all(served.served_share <= availability + 1e-12)
    assert np.all(served.diesel_l <= made_kwh * (1 + 1e-12))
    assert served.diesel_l[1] >= served.diesel_l[0] * (1 - 1e-12)
    assert served.served_share[1] <= served.served_share[0] * (1 + 1e-12)
