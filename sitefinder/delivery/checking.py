"""Check of tables against their declaration as soon as they are made."""

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
