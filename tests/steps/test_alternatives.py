"""What stands beside sites: solar for the same hours, and off-grid settlements, near and far."""

from types import SimpleNamespace

import geopandas
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, Point

from sitefinder.delivery.site_tables import with_alternatives
from sitefinder.energy.solar_benchmark import solar_firm_lcoe_per_kwh
from sitefinder.io.catalogue_files import read_costs
from sitefinder.settings import CostSettings, OffGridSettings
from sitefinder.steps.candidates import settlements_to_serve

# A town at the line, a hamlet and a farm away from it.
SETTLEMENTS = geopandas.GeoDataFrame(
    {
        "feature_id": ["a", "b", "c"],
        "feature_name": ["Town", "Hamlet", ""],
        "homes": [500, 10, 1],
    },
    geometry=[Point(0, 0), Point(5000, 0), Point(9000, 0)],
    crs="EPSG:32633",
)
LINES = geopandas.GeoDataFrame(geometry=[LineString([(0, -500), (0, 500)])], crs="EPSG:32633")
# Three sites: by the town, by the hamlet, and far from all.
ORDER = pd.DataFrame(
    {
        "x_m": [100.0, 4000.0, 50_000.0],
        "y_m": 0.0,
        "lcoe_per_kwh": [0.10, 0.20, 0.30],
        "firm_power_kw": [1.0, 2.0, 0.0],
    }
)
POWERS_KW = np.array([[2.0, 2.0, 2.0, 2.0], [8.0, 4.0, 4.0, 2.0], [1.0, 1.0, 0.0, 0.0]])


@pytest.fixture
def inputs(repository):
    """Layers and the generic costs."""
    layers = {"settlements": SimpleNamespace(frame=SETTLEMENTS), "power_lines": SimpleNamespace(frame=LINES)}
    return SimpleNamespace(layers=layers, costs=read_costs(repository / "config" / "costs" / "generic.toml"))


def settings(off_grid=None):
    return SimpleNamespace(
        energy=SimpleNamespace(availability=0.9),
        costs=CostSettings(file="", price_per_kwh=0.2),
        off_grid=off_grid,
    )


HOMES = OffGridSettings(demand_column="homes", kwh_per_unit=3504, beyond_m=1000, farthest_m=3000)


def test_each_site_is_compared_with_solar_for_as_many_hours(inputs):
    sites = with_alternatives(settings(), inputs, ORDER, POWERS_KW)

    running = np.array([0.9, 0.9, 0.45])
    firm = solar_firm_lcoe_per_kwh(inputs.costs.solar, 0.05, running)
    np.testing.assert_allclose(sites["operating_fraction"], running)
    np.testing.assert_allclose(sites["solar_firm_lcoe_per_kwh"], firm)
    np.testing.assert_allclose(sites["lcoe_minus_solar_per_kwh"], ORDER["lcoe_per_kwh"] - firm)
    # The last one runs no longer than the sun shines.
    assert sites["solar_firm_lcoe_per_kwh"][2] == pytest.approx(sites["solar_lcoe_per_kwh"][2])


def test_without_off_grid_settings_no_settlement_is_reported(inputs):
    sites = with_alternatives(settings(), inputs, ORDER, POWERS_KW)

    assert sites["settlement"].tolist() == ["", "", ""]
    assert sites[["settlement_demand_mwh", "demand_served_share", "diesel_displaced_l"]].isna().all(axis=None)


def test_a_site_near_an_off_grid_settlement_says_what_it_does_for_it(inputs):
    sites = with_alternatives(settings(HOMES), inputs, ORDER, POWERS_KW)

    # The town has the grid; the hamlet's ten homes need 35.04 MWh, which are 4 kW all the year.
    assert sites["settlement"].tolist() == ["", "Hamlet", ""]
    hamlet = sites.loc[1]
    assert hamlet["settlement_demand_mwh"] == pytest.approx(35.04)
    assert hamlet["firm_share_of_demand"] == pytest.approx(2 / 4)
    # 4, 4, 4 and 2 kW of 4, for nine tenths of the time.
    assert hamlet["demand_served_share"] == pytest.approx(0.9 * 14 / 16)
    assert hamlet["diesel_displaced_l"] == pytest.approx(0.9 * 3.5 * 8760 * 0.35)
    assert sites.loc[[0, 2], "settlement_demand_mwh"].isna().all()


def test_a_settlement_without_name_is_called_by_its_id(inputs):
    near = ORDER.assign(x_m=9000.0)

    assert set(with_alternatives(settings(HOMES), inputs, near, POWERS_KW)["settlement"]) == {"c"}


def test_lines_lead_to_all_settlements_or_to_those_off_the_grid(inputs):
    assert len(settlements_to_serve(settings(), inputs)) == 3
    assert settlements_to_serve(settings(HOMES), inputs)["feature_id"].tolist() == ["b", "c"]
    without_lines = SimpleNamespace(layers={"settlements": inputs.layers["settlements"]}, costs=inputs.costs)
    assert len(settlements_to_serve(settings(HOMES), without_lines)) == 3
    assert settlements_to_serve(settings(), SimpleNamespace(layers={})) is None


def test_no_sites_have_no_alternatives(inputs):
    sites = with_alternatives(settings(HOMES), inputs, ORDER.iloc[:0], np.zeros((0, 4)))

    assert len(sites) == 0
    assert "lcoe_minus_solar_per_kwh" in sites
