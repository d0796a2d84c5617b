"""Check of tables against their declaration as soon as they are made."""

import geopandas
import pyproj

from sitefinder.errors import TableError, described
from sitefinder.schema import LAYERS, check_table


def checked_table(table, name, crs=None):
    """A table of the delivery, if it is valid.

    Parameters
    ----------
    table : DataFrame or GeoDataFrame
        Further columns than those declared are left out.
    name : str
        Of the layer.
    crs : str, optional
        Coordinate system of the run, for a layer with geometry.

    Returns
    -------
    DataFrame or GeoDataFrame
        See `sitefinder.schema.check_table`.

    Raises
    ------
    TableError
        Listing every problem of the table.
    """
    layer = LAYERS[name]
    checked = check_table(table, name)
    if layer.geometry and checked.crs != pyproj.CRS.from_user_input(crs):
        found = checked.crs.to_string() if checked.crs else "none"
        raise TableError(described(f"table {name}: wrong coordinate system", expected=crs, found=found))
    return checked


def checked_layer(table, name, geometry, crs):
    """The declared columns of a layer with its geometry, if they are valid; see `checked_table`."""
    columns = [column.name for column in LAYERS[name].columns]
    return checked_table(geopandas.GeoDataFrame(table[columns].copy(), geometry=geometry, crs=crs), name, crs)
