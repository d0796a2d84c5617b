"""Layers of the delivery as GeoParquet, by district."""

import io
import json

import pyarrow
import pyarrow.parquet

from sitefinder.report.handover import TablesOf


def write_geoparquet(path, table):
    """Write a layer as GeoParquet 1.1: geometry as WKB, with its coordinate system and the box of each row.

    Reaches and sites lie together by district, in alphabetical order, one row group for each: a reader that looks
    for some districts, or for a part of the region by the boxes, reads no others. No more than a district is in
    memory twice.

    Parameters
    ----------
    path : path-like
    table : GeoDataFrame
        Rows of a district keep their order.
    """
    parts = [table]
    if "district" in table and len(table):
        of_district = table.groupby("district", sort=False, dropna=False).indices
        parts = [table.iloc[of_district[name]] for name in sorted(of_district, key=str)]
    first = _arrow(parts[0])
    # A part without a text, or with one kind of geometry, does not say what the others hold.
    plain = pyarrow.Schema.from_pandas(table.drop(columns=table.geometry.name), preserve_index=False)
    fields = [
        plain.field(name) if name in plain.names else first.schema.field(name) for name in first.column_names
    ]
    notes = json.loads(first.schema.metadata[b"geo"])
    if len(table):
        notes["columns"]["geometry"] |= {
            "bbox": [float(edge) for edge in table.total_bounds],
            "geometry_types": sorted(set(table.geom_type)),
        }
    schema = pyarrow.schema(fields, first.schema.metadata | {b"geo": json.dumps(notes).encode()})
    with pyarrow.parquet.ParquetWriter(path, schema, compression="zstd") as writer:
        for part in parts:
            writer.write_table(_arrow(part).cast(schema), row_group_size=max(len(part), 1))


# A layer as a table of GeoParquet, with what it says of itself.
def _arrow(part):
    buffer = io.BytesIO()
    part.to_parquet(buffer, index=False, schema_version="1.1.0", write_covering_bbox=True)
    return pyarrow.parquet.read_table(buffer)


def make_geoparquet(made, scratch):
    """The one layer of the stage, as GeoParquet.

    Returns
    -------
    Path
    """
    ((name, table),) = TablesOf(made).items()
    path = scratch / f"{name}.parquet"
    write_geoparquet(path, table)
    return path
