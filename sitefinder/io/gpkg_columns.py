"""What the GeoPackage says of its own columns: label, unit, meaning, and which values may stand in them.

Open Geospatial Consortium, "OGC GeoPackage Encoding Standard", version 1.3.0, OGC 12-128r17, 2021, annex F.9,
"Schema" (read in the standard's public source, but for the text of the two CREATE TABLE, which is from memory).
"""

from sitefinder.schema.columns import MONEY
from sitefinder.schema.labels import column_labels

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
    told = [row for layer in layers for row in _column_rows(layer, money)]
    database.executemany("INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, ?)", told)
    allowed = [row for layer in layers for column in layer.columns for row in _constraint_rows(layer, column)]
    database.executemany("INSERT INTO gpkg_data_column_constraints VALUES (?, ?, ?, ?, ?, ?, ?, ?)", allowed)
    for table in ("gpkg_data_columns", "gpkg_data_column_constraints"):
        database.execute(
            "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, 'read-write')", (table, DEFINITION)
        )


# The label is name and title; the description says the unit too, so that whoever sees only one sees all.
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


# Lists of values, and ranges that have two ends: the standard knows none with one (requirement 111).
def _constraint_rows(layer, column):
    name = _constraint_name(layer, column)
    if column.values:
        return [
            (name, "enum", value, None, None, None, None, value or "nothing to say") for value in column.values
        ]
    if column.least is not None and column.most is not None:
        return [(name, "range", None, column.least, 1, column.most, 1, column.meaning)]
    return []
