"""On which side of a stream something is, by the turn from the flow to the way there; in line with it on none."""

import numpy as np
import pytest

from sitefinder.siting.access import side_of_stream


@pytest.mark.parametrize("turned_deg", [0.0, 35.0, 90.0, 160.0, 250.0])
def test_left_and_right_are_as_one_looks_downstream_whatever_the_direction_of_the_flow(turned_deg):
    turn = np.exp(1j * np.radians(turned_deg))
    flow, ways = 3.0 * turn, np.array([5.0 + 20.0j, 5.0 - 20.0j, -7.0 + 0.1j, -7.0 - 0.1j]) * turn

    found = side_of_stream(np.full(4, flow.real), np.full(4, flow.imag), ways.real, ways.imag)

    assert found.tolist() == ["left", "right", "left", "right"]


def test_what_is_in_line_with_the_flow_on_it_or_unknown_is_on_no_side():
    found = side_of_stream(np.full(4, 2.0), np.zeros(4), [5.0, -5.0, 0.0, np.nan], [0.0, 0.0, 0.0, 3.0])

    assert found.tolist() == ["", "", "", ""]
