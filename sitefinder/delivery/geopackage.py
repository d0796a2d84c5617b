"""The stage of the GeoPackage: all layers in one file."""

from sitefinder import __version__
from sitefinder.io.geopackage import write_layers
from sitefinder.io.gpkg_metadata import About
from sitefinder.report.handover import TablesOf
from sitefinder.schema import LAYERS, columns_table, empty_table


def make_geopackage(settings, made, scratch):
    """All declared layers in their order; those that no stage makes are empty.

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
    about = About(settings.run.name, crs, money, __version__, settings.delivery.contact, settings.delivery.date)
    write_layers(path, ready, about=about)
    return path
