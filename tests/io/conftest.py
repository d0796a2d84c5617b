"""Small layers for the tests of reading: written to a folder of the test's own and read back."""

import warnings

import geopandas
import pyogrio
import pytest

from sitefinder.io.vector import read_layer
from sitefinder.settings import LayerSource

UTM = "EPSG:32633"


@pytest.fixture
def saved(tmp_path):
    """A function that writes geometries as a layer and gives what the settings would say of it."""

    def write(geometry, *, file="layer.gpkg", layer="features", crs=UTM, source=None, **columns):
        frame = geopandas.GeoDataFrame(columns, geometry=list(geometry), crs=crs)
        # A layer without coordinate system is warned of when written, and is what some tests are about.
        with warnings.catch_warnings(action="ignore"):
            pyogrio.write_dataframe(frame, tmp_path / file, layer=layer, geometry_type="Unknown")
        return LayerSource(path=file, **(source or {}))

    return write


@pytest.fixture
def read(tmp_path):
    """A function that reads a layer of the test's folder, called "parks" in messages."""

    def read_parks(source, geometry="polygon", crs=UTM, **settings):
        return read_layer(source, tmp_path, crs, what="parks", geometry=geometry, **settings)

    return read_parks
