"""What tests of turbines, energy and cost share: settings of a run, and the generic classes and costs."""

import pytest
from plain_turbines import plain_screen, plain_turbine

from sitefinder.catalogue.costs import with_screen
from sitefinder.energy.turbines import efficiency_table
from sitefinder.io.catalogue_files import read_costs, read_screen, read_turbine_files
from sitefinder.settings import check_settings


@pytest.fixture
def settings():
    """Settings of a run that value energy at 0.15 a kWh; what is not named keeps its default."""
    return check_settings(
        {
            "run": {"name": "an invented valley", "crs": "EPSG:32633", "output_folder": "out"},
            "inputs": {
                "dem": {"path": "dem.tif", "vertical_unit": "metre", "vertical_datum": "any", "error_rmse_m": 1.0}
            },
            "flows": {"equations": ["equations.toml"], "environmental": [{"kind": "share_of_mean", "share": 0.1}]},
            "energy": {"turbines": ["turbines.toml"]},
            "costs": {"file": "costs.toml", "price_per_kwh": 0.15},
        },
        "test",
    )


@pytest.fixture(scope="session")
def generic_turbines(repository):
    """The classes of config/turbines/generic.toml."""
    return read_turbine_files([repository / "config" / "turbines" / "generic.toml"]).turbines


@pytest.fixture(scope="session")
def generic_rotors(repository):
    """The hydrokinetic rotors of config/turbines/generic.toml."""
    return read_turbine_files([repository / "config" / "turbines" / "generic.toml"]).rotors


@pytest.fixture(scope="session")
def generic_costs(repository):
    """The costs of config/costs/generic.toml, with the first screen of config/screens/generic.toml."""
    config = repository / "config"
    screen = read_screen([config / "screens" / "generic.toml"])
    return with_screen(read_costs(config / "costs" / "generic.toml"), screen)


@pytest.fixture
def screen():
    """A maker of plain screens of 20 mm that guide half of all fish."""
    return plain_screen


@pytest.fixture
def turbine_class():
    """A maker of plain turbine classes: efficiency 0.8 at every flow, gear and generator 0.9."""
    return plain_turbine


@pytest.fixture(scope="session")
def generic_turbines_tables(generic_turbines):
    """Efficiency tables of the generic classes."""
    return [efficiency_table(turbine) for turbine in generic_turbines]
