"""Streams drawn by their vertices, as a layer of stream lines would hold them."""

import numpy as np
import pandas as pd
import pytest
import shapely


def drawn(**vertices):
    """A table of lines, each called by its keyword, from lists of (x, y) [m]."""
    geometry = np.empty(len(vertices), dtype=object)
    geometry[:] = [shapely.LineString(places) for places in vertices.values()]
    return pd.DataFrame({"geometry": geometry, "feature_id": list(vertices), "stream": ""})


@pytest.fixture(scope="session")
def lines():
    """A function that draws a table of lines: ``lines(creek=[(0, 100), (0, 0)])``."""
    return drawn
