"""Curves in vector files: how many features have them, and a finer cut into straight pieces than GDAL's own."""

from contextlib import contextmanager

import pyogrio

# Kinds of layer that can hold no curves, without the marks of heights and measures.
STRAIGHT = ("Point", "LineString", "Polygon", "MultiPoint", "MultiLineString", "MultiPolygon")
CURVED = ("CIRCULARSTRING", "COMPOUNDCURVE", "CURVEPOLYGON", "MULTICURVE", "MULTISURFACE")
# GDAL cuts arcs each 4 degrees, which takes 0.08 % off a circle; 1 degree takes 0.005 %.
STEP_OPTION, STEP_DEG = "OGR_ARC_STEPSIZE", "1"


@contextmanager
def fine_arcs():
    """While this is open, arcs are read as straight pieces of 1 degree each."""
    before = pyogrio.get_gdal_config_option(STEP_OPTION)
    pyogrio.set_gdal_config_options({STEP_OPTION: STEP_DEG})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({STEP_OPTION: before})


def curved_features(path, layer):
    """How many features of a layer are of a curved kind.

    Parameters
    ----------
    path : Path
    layer : str
        A layer that the file has.

    Returns
    -------
    int
        0 where the layer's kind can hold none; then no feature is read.
    """
    kind = pyogrio.read_info(path, layer=layer)["geometry_type"] or ""
    if kind.split(" ")[0].removesuffix("25D") in STRAIGHT:
        return 0
    name = layer.replace('"', '\\"')
    # OGR's own language on a name that the file itself gives; nothing of the settings is in it.
    kinds = pyogrio.read_dataframe(
        path, sql=f'SELECT OGR_GEOMETRY FROM "{name}"', sql_dialect="OGRSQL", read_geometry=False
    )["OGR_GEOMETRY"]
    plain = kinds.fillna("").str.upper().str.split(" ").str[0]
    return int(plain.isin(CURVED).sum())
