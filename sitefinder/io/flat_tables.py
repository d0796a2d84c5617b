"""Layers as plain files: CSV for any program that reads tables, GeoParquet for those that read columns."""

import numpy as np

# How a cell begins that a spreadsheet would take for a formula (Open Worldwide Application Security Project, "CSV
# Injection", from memory).
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
AS_TEXT = "'"
MUST_BE_QUOTED = (",", '"', "\n", "\r")


def write_csv(path, table):
    """Write a table as CSV (RFC 4180, but for lines that end in LF), in UTF-8, without its geometry.

    Parameters
    ----------
    path : path-like
    table : DataFrame or GeoDataFrame
        Checked. Numbers are written with as many digits as it takes to read the same number back; what is not
        known is empty. A text that a spreadsheet would take for a formula gets an apostrophe before it, which
        tells spreadsheets that it is text.
    """
    columns = [name for name in table.columns if name != "geometry"]
    lines = [",".join(columns)]
    cells = [_cells(table[name]) for name in columns]
    lines += [",".join(row) for row in zip(*cells, strict=True)]
    with open(path, "w", encoding="utf-8", newline="") as file:
        file.write("\n".join(lines) + "\n")


def _cells(values):
    missing = values.isna().to_numpy(dtype=bool)
    told = values.to_numpy(dtype=object)
    return ["" if gap else _cell(value) for gap, value in zip(missing, told, strict=True)]


def _cell(value):
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    if isinstance(value, str):
        text = AS_TEXT + value if value.startswith(FORMULA_STARTS) else value
        return '"' + text.replace('"', '""') + '"' if any(sign in text for sign in MUST_BE_QUOTED) else text
    return repr(value.item() if isinstance(value, np.generic) else value)


def write_geoparquet(path, table):
    """Write a layer as GeoParquet 1.0, geometry as WKB, with its coordinate system.

    Parameters
    ----------
    path : path-like
    table : GeoDataFrame
    """
    table.to_parquet(path, index=False, schema_version="1.0.0", compression="zstd")
