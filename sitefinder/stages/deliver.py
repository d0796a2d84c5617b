"""The files of a delivery: written aside all together, and put in place all together."""

from functools import partial

import geopandas

from sitefinder.io.geopackage import checked_tables, write_layers
from sitefinder.io.outputs import deliver
from sitefinder.report.page import page_html

GEOPACKAGE = "sites.gpkg"
PAGE = "report.html"
# Layers of the user's that maps show under the results.
ON_MAPS = ("roads", "power_lines", "settlements", "lakes", "districts", "region")


def deliver_all(folder, settings, handover):
    """Write everything that the settings ask for, in place of the last delivery.

    Parameters
    ----------
    folder : Path
    settings : sitefinder.config.Settings
    handover : sitefinder.report.handover.Handover
        Its tables may still be as the stages make them; they are held against their declaration here.

    Returns
    -------
    list of Path
        The GeoPackage first.

    Raises
    ------
    TableError, InputError
        Nothing is delivered then.
    """
    tables = checked_tables(handover.tables, handover.crs, money=handover.currency)
    handover = handover._replace(tables=tables)
    writers = {GEOPACKAGE: partial(write_layers, tables=tables)}
    if settings.delivery.page:
        writers[PAGE] = partial(_write_text, make=partial(page_html, handover))
    return deliver(folder, writers)


# Text that is made only now, so that one file's text is held at a time.
def _write_text(path, make):
    path.write_text(make(), encoding="utf-8", newline="\n")


def map_context(crs, inputs):
    """What maps show under the results, of the layers that the user gave.

    Parameters
    ----------
    crs : str
        Coordinate system of the run.
    inputs : sitefinder.stages.inputs.RunInputs

    Returns
    -------
    dict of str to GeoDataFrame
        See `sitefinder.report.handover.Handover`.
    """
    context = {}
    for name in ON_MAPS:
        if name in inputs.layers:
            frame = inputs.layers[name].frame
            names = frame["feature_name"].fillna("").astype(str).to_numpy(dtype=object)
            geometry = frame.geometry.to_numpy()
            context[name] = geopandas.GeoDataFrame({"name": names}, geometry=geometry, crs=crs)
    return context
