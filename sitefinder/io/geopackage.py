"""The delivered GeoPackage: every declared layer in its order, the same bytes for the same tables.

Open Geospatial Consortium, "OGC GeoPackage Encoding Standard", version 1.3.0, OGC 12-128r17, 2021.
"""

import datetime
import sqlite3
from contextlib import closing, contextmanager

import pyogrio
import pyproj

from sitefinder.errors import TableError, all_of
from sitefinder.io.gpkg_columns import describe_columns
from sitefinder.io.gpkg_metadata import add_metadata, metadata_xml
from sitefinder.io.gpkg_styles import TABLE, style_table
from sitefinder.schema import LAYERS, MONEY, check_table, columns_table, empty_table

# 1.4 makes older checkers fail.
VERSION = "1.3"
# GDAL's own integer key; the ids that mean something are columns of ours.
KEY_COLUMN = "row_id"
GEOMETRY_COLUMN = "geom"
# Everything that would make two files of the same tables differ, or leave a log beside them. The standard asks for
# a time of last change, and a fixed one stands there: times go to the run's log.
STAMP = "1970-01-01T00:00:00.000Z"
GDAL_OPTIONS = {
    "OGR_CURRENT_DATE": STAMP,
    # A spatial index built in a thread, or with what memory a machine has, may be laid out in another way.
    "OGR_GPKG_ALLOW_THREADED_RTREE": "NO",
    "OGR_GPKG_MAX_RAM_USAGE_RTREE": "268435456",
    "OGR_SQLITE_JOURNAL": "MEMORY",
    # The file is synced once, when it is whole; nobody sees it before.
    "OGR_SQLITE_SYNCHRONOUS": "OFF",
}


def checked_tables(tables, crs, layers=LAYERS, money=MONEY):
    """All declared layers, in their order, each held against its declaration and the coordinate system.

    Parameters
    ----------
    tables : dict of str to DataFrame or GeoDataFrame
        By name of layer. Layers without a table become empty; ``columns`` is filled from the schema.
    crs : object
        Coordinate system of all geometry; anything that pyproj understands.
    layers : dict of str to Layer
        What the file holds.
    money : str
        Currency and year of all amounts of money, as the units in ``columns`` say them.

    Returns
    -------
    dict of str to DataFrame or GeoDataFrame

    Raises
    ------
    TableError
        Naming every problem of every table at once.
    ValueError
        If a table has a name that the schema does not declare.
    """
    unknown = sorted(set(tables) - set(layers))
    if unknown:
        raise ValueError(f"no such layers: {', '.join(unknown)}; declared are {', '.join(layers)}")
    crs = pyproj.CRS.from_user_input(crs)
    ready, problems = {}, []
    for name, layer in layers.items():
        if name == "columns":
            ready[name] = columns_table(layers, money)
        elif name not in tables:
            ready[name] = empty_table(name, crs, layers)
        else:
            try:
                ready[name] = check_table(tables[name], name, layers)
                problems += _crs_problems(ready[name], layer, crs)
            except TableError as error:
                problems.append(str(error))
    if problems:
        raise all_of(TableError, "tables of the GeoPackage", problems)
    return ready


# A table with geometry in another coordinate system than the run's.
def _crs_problems(table, layer, crs):
    if not layer.geometry or table.crs == crs:
        return []
    found = table.crs.to_string() if table.crs else "none"
    return [f"table {layer.name}: expected the coordinate system {crs.to_string()}, found {found}"]


def write_layers(path, tables, layers=LAYERS, about=None):
    """Write checked tables as the layers of a new GeoPackage, with styles, and what the file says of itself.

    Parameters
    ----------
    path : path-like
        A file that is not there yet.
    tables : dict of str to DataFrame or GeoDataFrame
        As `checked_tables` gives them.
    layers : dict of str to Layer
        What the file holds.
    about : sitefinder.io.gpkg_metadata.About, optional
        What the metadata of the whole file are made of; there are none without it.
    """
    money = about.money if about else MONEY
    with _gdal_options(GDAL_OPTIONS):
        for number, (name, table) in enumerate(tables.items()):
            layer = layers[name]
            options = {"FID": KEY_COLUMN}
            if number == 0:
                options["VERSION"] = VERSION
            if layer.geometry:
                options |= {"GEOMETRY_NAME": GEOMETRY_COLUMN, "SPATIAL_INDEX": "YES"}
                options["geometry_type"] = layer.geometry
                options["promote_to_multi"] = layer.geometry.startswith("Multi")
            pyogrio.write_dataframe(table, path, layer=name, driver="GPKG", append=number > 0, **options)
        styles = style_table(layers, GEOMETRY_COLUMN, datetime.datetime.fromtimestamp(0, datetime.UTC), money)
        if len(styles):
            pyogrio.write_dataframe(styles, path, layer=TABLE, driver="GPKG", append=True, FID="id")
    with closing(sqlite3.connect(path, isolation_level=None)) as database:
        # As with GDAL: nobody sees the file before it is whole, and it is synced then.
        database.execute("PRAGMA journal_mode = MEMORY")
        database.execute("PRAGMA synchronous = OFF")
        database.execute("BEGIN")
        describe_columns(database, [layers[name] for name in tables], money)
        if about:
            add_metadata(database, metadata_xml(tables, about), STAMP)
        database.execute("COMMIT")


# Options of GDAL for a while; afterwards as they were.
@contextmanager
def _gdal_options(options):
    before = {name: pyogrio.get_gdal_config_option(name) for name in options}
    pyogrio.set_gdal_config_options(options)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)
