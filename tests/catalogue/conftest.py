"""What tests of the catalogue share: a plain turbine class and the generic costs."""

import pytest
from plain_turbines import plain_turbine

from sitefinder.io.catalogue_files import read_costs


@pytest.fixture
def turbine_class():
    """A maker of plain turbine classes: efficiency 0.8 at every flow, gear and generator 0.9."""
    return plain_turbine


@pytest.fixture(scope="session")
def generic_costs(repository):
    """The costs of config/costs/generic.toml."""
    return read_costs(repository / "config" / "costs" / "generic.toml")
