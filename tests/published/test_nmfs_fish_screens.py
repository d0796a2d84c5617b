"""Screen area against the pump-intake criteria of the National Marine Fisheries Service.

National Marine Fisheries Service, Southwest Region, addendum on pump intakes to the fish screening criteria:
effective area is the greatest flow over 0.4 ft/s for screens cleaned actively, over 0.2 ft/s for passive ones;
read. The areas for 1 m³/s are derived.
"""

import pytest

from sitefinder.energy.costs import screen_area_m2
from sitefinder.units import METRES_PER_FOOT


@pytest.mark.parametrize(("approach_ft_s", "area_m2"), [(0.4, 8.2021), (0.2, 16.4042)])
def test_area_for_one_cubic_metre_a_second(approach_ft_s, area_m2):
    assert screen_area_m2(1.0, approach_ft_s * METRES_PER_FOOT) == pytest.approx(area_m2, abs=0.00005)
