"""The stages of files for other programs and devices: waypoints, plain tables, and the ground as rasters."""

from sitefinder import __version__
from sitefinder.io.flat_tables import write_csv, write_geoparquet
from sitefinder.io.gpx import write_gpx
from sitefinder.io.terrain_copies import write_dem_copy, write_relief
from sitefinder.report.handover import TablesOf


def make_gpx(settings, made, scratch):
    """Waypoints and routes of the sites.

    Returns
    -------
    Path
    """
    path = scratch / "sites.gpx"
    tables = TablesOf(made)
    write_gpx(path, tables["sites"], tables["stretches"], title=settings.run.name, version=__version__)
    return path


def make_csv(made, scratch):
    """The one table that the stage sees, as CSV.

    Returns
    -------
    Path
    """
    ((name, table),) = TablesOf(made).items()
    path = scratch / f"{name}.csv"
    write_csv(path, table)
    return path


def make_geoparquet(made, scratch):
    """The one layer that the stage sees, as GeoParquet.

    Returns
    -------
    Path
    """
    ((name, table),) = TablesOf(made).items()
    path = scratch / f"{name}.parquet"
    write_geoparquet(path, table)
    return path


def make_dem_copy(made, scratch):
    """The DEM on the run's grid.

    Returns
    -------
    Path
    """
    path = scratch / "terrain-dem.tif"
    write_dem_copy(path, made["surface"].dem_path)
    return path


def make_relief_copy(settings, made, scratch):
    """The relief that maps lie on.

    Returns
    -------
    Path
    """
    path = scratch / "terrain-relief.tif"
    write_relief(path, made["relief"], settings.run.crs)
    return path
