"""What tests of whole runs share: small regions written on the spot."""

import pyogrio
import pytest
import small_valley


@pytest.fixture(scope="session")
def write_region():
    """A function that writes a DEM (north-western corner, cell [m]), layers with one feature each, and texts."""
    return small_valley.write_region


@pytest.fixture(scope="session")
def write_valley():
    """A function that writes a small valley with a stream, a weir, roads and a rule; gives its settings."""
    return small_valley.write_valley


@pytest.fixture(scope="session")
def read_layers():
    """A function that reads every layer of a GeoPackage."""

    def read(path):
        return {name: pyogrio.read_dataframe(path, layer=name) for name, _ in pyogrio.list_layers(path)}

    return read
