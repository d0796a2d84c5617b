"""Screen area against the pump-intake criteria of the National Marine Fisheries Service.

National Marine Fisheries Service, Southwest Region, addendum on pump intakes to the fish screening criteria:
effective area is the greatest flow over 0.4 ft/s for screens cleaned actively, over 0.2 ft/s for passive ones;
read. The areas for 1 m³/s are derived.
"""

import pytest
from plain_turbines import plain_screen

from sitefinder.energy.sizing import search_prices
from sitefinder.io.catalogue_files import read_costs
from sitefinder.settings import check_settings
from sitefinder.units import METRES_PER_FOOT

SETTINGS = {
    "run": {"name": "an invented valley", "crs": "EPSG:32633", "output_folder": "out"},
    "inputs": {"dem": {"path": "dem.tif", "vertical_unit": "metre", "vertical_datum": "any", "error_rmse_m": 1.0}},
    "flows": {"equations": ["equations.toml"], "environmental": [{"kind": "share_of_mean", "share": 0.1}]},
    "energy": {"turbines": ["turbines.toml"]},
    "costs": {"file": "costs.toml", "price_per_kwh": 0.15},
}


@pytest.mark.parametrize(("approach_ft_s", "area_m2"), [(0.4, 8.2021), (0.2, 16.4042)])
def test_one_cubic_metre_a_second_is_charged_this_area_of_screen(approach_ft_s, area_m2, repository):
    costs = read_costs(repository / "config" / "costs" / "generic.toml")
    rack = plain_screen(approach_velocity_m_s=approach_ft_s * METRES_PER_FOOT, bypass_share=0.0)
    screen = costs.screen.model_copy(update={"per_m2": 1.0, "design": rack})

    prices = search_prices(costs.model_copy(update={"screen": screen}), check_settings(SETTINGS, "test"))

    assert prices.screen_per_m3s == pytest.approx(area_m2, abs=0.00005)
