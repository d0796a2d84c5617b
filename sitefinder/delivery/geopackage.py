"""The delivered GeoPackage: every declared layer in its order, the same bytes for the same tables."""

import datetime
import sqlite3
from contextlib import closing, contextmanager

import pyogrio
import pyproj

from sitefinder import __version__
from sitefinder.delivery.attribute_tables import add_attribute_tables, order_contents
from sitefinder.delivery.metadata import About, add_metadata, metadata_xml
from sitefinder.delivery.style_table import TABLE, style_table
from sitefinder.errors import TableError, all_of
from sitefinder.report.handover import TablesOf
from sitefinder.schema import LAYERS, check_table, columns_table, empty_table
from sitefinder.schema.columns import MONEY
from sitefinder.schema.wording import column_labels

DEFINITION = "http://www.geopackage.org/spec130/#extension_schema"
# Table 23 and what follows it, in SQL.
TABLES = (
    """CREATE TABLE gpkg_data_columns (
  table_name TEXT NOT NULL,
  column_name TEXT NOT NULL,
  name TEXT,
  title TEXT,
  description TEXT,
  mime_type TEXT,
  constraint_name TEXT,
  CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name)
)""",
    """CREATE TABLE gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL,
  constraint_type TEXT NOT NULL,
  value TEXT,
  min NUMERIC,
  min_is_inclusive BOOLEAN,
  max NUMERIC,
  max_is_inclusive BOOLEAN,
  description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value)
)""",
)


def describe_columns(database, layers, money=MONEY):
    """Add the tables of the schema extension to a GeoPackage.

    Parameters
    ----------
    database : sqlite3.Connection
    layers : iterable of sitefinder.schema.Layer
        All layers of the file.
    money : str
        Currency and year of all amounts of money.
    """
    for statement in TABLES:
        database.execute(statement)
    rows = [row for layer in layers for row in _column_rows(layer, money)]
    database.executemany("INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, ?)", rows)
    allowed = [row for layer in layers for column in layer.columns for row in _constraint_rows(layer, column)]
    database.executemany("INSERT INTO gpkg_data_column_constraints VALUES (?, ?, ?, ?, ?, ?, ?, ?)", allowed)
    for table in ("gpkg_data_columns", "gpkg_data_column_constraints"):
        database.execute(
            "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, 'read-write')", (table, DEFINITION)
        )


# The label is name and title; the description has the unit too, for programs that show only one of them.
def _column_rows(layer, money):
    labels = column_labels(layer, money)
    for column in layer.columns:
        unit = column.unit.replace(MONEY, money)
        meaning = f"{column.meaning} [{unit}]" if unit not in ("", "1") else column.meaning
        constraint = _constraint_name(layer, column) if _constraint_rows(layer, column) else None
        label = labels[column.name]
        yield layer.name, column.name, label, label, meaning, constraint


def _constraint_name(layer, column):
    return f"{layer.name}_{column.name}"


# Lists of values, and ranges with two limits: the standard has none with one (requirement 111).
def _constraint_rows(layer, column):
    name = _constraint_name(layer, column)
    if column.values:
        return [(name, "enum", value, None, None, None, None, value or "none") for value in column.values]
    if column.minimum is not None and column.maximum is not None:
        return [(name, "range", None, column.minimum, 1, column.maximum, 1, column.meaning)]
    return []


# 1.4 makes older checkers fail.
VERSION = "1.3"
# Integer key of GDAL; ids with a meaning are columns of the schema.
KEY_COLUMN = "row_id"
GEOMETRY_COLUMN = "geom"
# Settings that avoid differences between files of the same tables, and a log beside them. The standard requires
# a time of last change; it is fixed, and times go to the run record.
STAMP = "1970-01-01T00:00:00.000Z"
GDAL_OPTIONS = {
    "OGR_CURRENT_DATE": STAMP,
    # A spatial index built in a thread, or by available memory, may have a different structure.
    "OGR_GPKG_ALLOW_THREADED_RTREE": "NO",
    "OGR_GPKG_MAX_RAM_USAGE_RTREE": "268435456",
    "OGR_SQLITE_JOURNAL": "MEMORY",
    # The file is synced once, when complete; it is not visible before.
    "OGR_SQLITE_SYNCHRONOUS": "OFF",
}


def checked_tables(tables, crs, layers=LAYERS, money=MONEY):
    """All declared layers, in their order, each checked against its declaration and the coordinate system.

    Parameters
    ----------
    tables : dict of str to DataFrame or GeoDataFrame
        By name of layer. Layers without a table become empty; ``columns`` is filled from the schema.
    crs : object
        Coordinate system of all geometry; anything that pyproj understands.
    layers : dict of str to Layer
        Layers of the file.
    money : str
        Currency and year of all amounts of money, as the units in ``columns`` say them.

    Returns
    -------
    dict of str to DataFrame or GeoDataFrame

    Raises
    ------
    TableError
        Listing every problem of every table at once.
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
    """Write checked tables as the layers of a new GeoPackage, with styles and metadata.

    Parameters
    ----------
    path : path-like
        A file that does not exist yet.
    tables : dict of str to DataFrame or GeoDataFrame
        As `checked_tables` gives them.
    layers : dict of str to Layer
        Layers of the file.
    about : sitefinder.delivery.metadata.About, optional
        Content of the metadata of the file; absent: no metadata.
    """
    money = about.money if about else MONEY
    # GDAL begins the file, and writes what has geometry.
    first = next(iter(tables))
    plain = {name: table for name, table in tables.items() if name != first and not layers[name].geometry}
    with gdal_options(GDAL_OPTIONS):
        for name, table in tables.items():
            if name in plain:
                continue
            layer = layers[name]
            options = {"FID": KEY_COLUMN}
            if name == first:
                options["VERSION"] = VERSION
            if layer.geometry:
                options |= {"GEOMETRY_NAME": GEOMETRY_COLUMN, "SPATIAL_INDEX": "YES"}
                options["geometry_type"] = layer.geometry
                options["promote_to_multi"] = layer.geometry.startswith("Multi")
            pyogrio.write_dataframe(table, path, layer=name, driver="GPKG", append=name != first, **options)
        with _transaction(path) as database:
            add_attribute_tables(database, plain, layers, KEY_COLUMN, STAMP)
        styles = style_table(layers, GEOMETRY_COLUMN, datetime.datetime.fromtimestamp(0, datetime.UTC), money)
        if len(styles):
            pyogrio.write_dataframe(styles, path, layer=TABLE, driver="GPKG", append=True, FID="id")
    with _transaction(path) as database:
        order_contents(database, [*tables, *([TABLE] if len(styles) else [])])
        describe_columns(database, [layers[name] for name in tables], money)
        if about:
            add_metadata(database, metadata_xml(tables, about), STAMP)


# A connection to a GeoPackage, all that is done inside at once.
@contextmanager
def _transaction(path):
    with closing(sqlite3.connect(path, isolation_level=None)) as database:
        # As with GDAL: the file is not visible before it is complete, and it is synced then.
        database.execute("PRAGMA journal_mode = MEMORY")
        database.execute("PRAGMA synchronous = OFF")
        database.execute("BEGIN")
        yield database
        database.execute("COMMIT")


@contextmanager
def gdal_options(options):
    """Set options of GDAL while the context holds, such as `GDAL_OPTIONS`."""
    before = {name: pyogrio.get_gdal_config_option(name) for name in options}
    pyogrio.set_gdal_config_options(options)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


def make_geopackage(settings, made, scratch):
    """All declared layers in their order; those without a stage are empty.

    Returns
    -------
    Path
    """
    tables, money, crs = TablesOf(made), made["money"].name, settings.run.crs
    ready = {}
    for name in LAYERS:
        if name == "columns":
            ready[name] = columns_table(LAYERS, money)
        else:
            ready[name] = tables[name] if name in set(tables) else empty_table(name, crs)
    path = scratch / "inventory.gpkg"
    delivery = settings.delivery
    about = About(
        settings.run.name, crs, money, __version__, delivery.contact, delivery.date, tuple(delivery.notes)
    )
    write_layers(path, ready, about=about)
    return path
