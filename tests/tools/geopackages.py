"""A GeoPackage written as a run writes it: tables checked, all layers in one file, the last one kept beside it."""

from functools import partial
from pathlib import Path

from sitefinder.delivery.atomic import deliver
from sitefinder.delivery.geopackage import checked_tables, write_layers
from sitefinder.delivery.metadata import About
from sitefinder.schema import MONEY


def write_geopackage(path, tables, crs, money=MONEY, title=""):
    """Write tables by name of layer to a path, for example ``out/sites.gpkg``; gives the path."""
    path = Path(path)
    ready = checked_tables(tables, crs, money=money)
    return deliver(path.parent, {path.name: partial(write_layers, tables=ready, about=About(title, crs, money))})[
        0
    ]
