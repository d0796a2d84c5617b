"""Layers without geometry in a GeoPackage, written as GDAL's driver writes them, but all through one connection.

GDAL opens the file again for each layer and reads all that is in it, which for the small tables of most regions
takes longer than to make them. `tests/delivery/test_attribute_tables.py` compares the two, statement by statement.
"""

import pandas as pd

from sitefinder.schema.arrays import columns_of

SQL_TYPES = {"text": "TEXT", "integer": "INTEGER", "real": "REAL", "boolean": "BOOLEAN"}
# As GDAL counts the rows of a layer; its capitals and its spaces, so that the files are the same.
TRIGGERS = """\
CREATE TRIGGER "trigger_{event}_feature_count_{name}" AFTER {EVENT} ON "{name}" BEGIN UPDATE gpkg_ogr_contents \
SET feature_count = feature_count {sign} 1 WHERE lower(table_name) = lower('{name}'); END"""
EVENTS = {"insert": "+", "delete": "-"}


def add_attribute_tables(database, tables, layers, key_column, stamp):
    """Add tables without geometry to a GeoPackage that has none of these names.

    Parameters
    ----------
    database : sqlite3.Connection
        To a file that GDAL began, inside a transaction.
    tables : dict of str to DataFrame
        As `sitefinder.schema.check_table` gives them.
    layers : dict of str to sitefinder.schema.Layer
        By the names of the tables, at least.
    key_column : str
        Name of the integer key, which counts the rows from 1.
    stamp : str
        Time of last change, which the standard requires.
    """
    for name, table in tables.items():
        declared = [f'"{column.name}" {SQL_TYPES[column.dtype]}' for column in layers[name].columns]
        key = f'"{key_column}" INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL'
        database.execute(f'CREATE TABLE "{name}" ( {", ".join([key, *declared])})')
        places = ", ".join("?" * (1 + len(declared)))
        columns = [_values(values) for values in columns_of(table)]
        rows = zip(range(1, len(table) + 1), *columns, strict=True)
        database.executemany(f'INSERT INTO "{name}" VALUES ({places})', rows)
        database.execute(
            "INSERT INTO gpkg_contents VALUES (?, 'attributes', ?, '', ?, NULL, NULL, NULL, NULL, 0)",
            (name, name, stamp),
        )
        database.execute("INSERT INTO gpkg_ogr_contents VALUES (?, ?)", (name, len(table)))
        for event, sign in EVENTS.items():
            database.execute(TRIGGERS.format(event=event, EVENT=event.upper(), name=name, sign=sign))


# The values of a column as the database takes them, None for NULL.
def _values(values):
    missing = pd.isna(values)
    return [None if absent else value for value, absent in zip(values.tolist(), missing.tolist(), strict=True)]


def order_contents(database, names):
    """List the contents of a GeoPackage in an order, since programs show layers as they are listed.

    Parameters
    ----------
    database : sqlite3.Connection
    names : sequence of str
        Of all tables of the contents.
    """
    rows = {row[0]: row for row in database.execute("SELECT * FROM gpkg_contents")}
    database.execute("DELETE FROM gpkg_contents")
    places = ", ".join("?" * len(next(iter(rows.values()))))
    database.executemany(f"INSERT INTO gpkg_contents VALUES ({places})", [rows[name] for name in names])
