"""The files of a delivery: written aside all together, and put in place all together."""

import os
from functools import partial

import geopandas

from sitefinder.errors import InputError
from sitefinder.io.flat_tables import write_csv, write_geoparquet
from sitefinder.io.geopackage import checked_tables, write_layers
from sitefinder.io.gpkg_metadata import About
from sitefinder.io.gpx import write_gpx
from sitefinder.io.outputs import deliver
from sitefinder.io.terrain_copies import write_dem_copy, write_relief
from sitefinder.report.page import page_html
from sitefinder.report.sheets import district_map_pdf, field_sheets_pdf

GEOPACKAGE, PAGE, GPX = "sites.gpkg", "report.html", "sites.gpx"
FIELD_SHEETS, DISTRICT_MAP = "field-sheets.pdf", "district-map.pdf"
# Layers that are also written as plain tables, where the file has them.
AS_CSV = ("sites", "reaches", "totals")
AS_GEOPARQUET = ("sites", "stretches", "reaches")
DEM_COPY, RELIEF_COPY = "terrain-dem.tif", "terrain-relief.tif"
# Every name that a delivery may have, whatever the settings ask for.
KNOWN = (
    GEOPACKAGE,
    PAGE,
    FIELD_SHEETS,
    DISTRICT_MAP,
    GPX,
    *(f"{name}.csv" for name in AS_CSV),
    *(f"{name}.parquet" for name in AS_GEOPARQUET),
    DEM_COPY,
    RELIEF_COPY,
)
# Layers of the user's that maps show under the results.
ON_MAPS = ("roads", "power_lines", "settlements", "lakes", "districts", "region")


def deliver_all(folder, settings, handover, base=None):
    """Write everything that the settings ask for, in place of the last delivery.

    Parameters
    ----------
    folder : Path
    settings : sitefinder.config.Settings
    handover : sitefinder.report.handover.Handover
        Its tables may still be as the stages make them; they are held against their declaration here.
    base : Path, optional
        Folder that paths of inputs are relative to. No file there is replaced or moved away that is an input.

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
    wanted = settings.delivery
    about = About(handover.title, handover.crs, handover.currency, handover.version, wanted.contact, wanted.date)
    writers = {GEOPACKAGE: partial(write_layers, tables=tables, about=about)}
    writers |= _other_files(wanted, handover)
    inputs = _names_of_inputs(folder, base, tables["provenance"])
    for name in writers:
        if name in inputs:
            raise InputError.of(
                "the delivery would replace an input",
                file=folder / name,
                input=inputs[name],
                fix="change run.output_folder, or move the input to another folder",
            )
    return deliver(folder, writers, [name for name in KNOWN if name not in inputs])


# The inputs that lie in the output folder: name of the file to name of the input.
def _names_of_inputs(folder, base, provenance):
    if base is None:
        return {}
    told = provenance[(provenance["kind"] == "input") & provenance["value"].notna()]
    found = {}
    for name, value in zip(told["name"], told["value"], strict=True):
        place, file = os.path.split(os.path.realpath(os.path.join(base, value)))
        if place == os.path.realpath(folder):
            found.setdefault(file, name)
    return found


# What stands beside the GeoPackage: the same tables and maps' ground for other programs and devices.
def _other_files(wanted, handover):
    tables, writers = handover.tables, {}
    if wanted.page:
        writers[PAGE] = lambda path: path.write_text(page_html(handover), encoding="utf-8", newline="\n")
    if wanted.field_sheets:
        writers[FIELD_SHEETS] = lambda path: path.write_bytes(field_sheets_pdf(handover, wanted.field_sheets))
    if wanted.district_map:
        writers[DISTRICT_MAP] = lambda path: path.write_bytes(district_map_pdf(handover))
    if wanted.gpx:
        writers[GPX] = partial(
            write_gpx,
            sites=tables["sites"],
            stretches=tables["stretches"],
            title=handover.title,
            version=handover.version,
        )
    if wanted.csv:
        for name in AS_CSV:
            if name in tables:
                writers[f"{name}.csv"] = partial(write_csv, table=tables[name])
    if wanted.geoparquet:
        for name in AS_GEOPARQUET:
            writers[f"{name}.parquet"] = partial(write_geoparquet, table=tables[name])
    if wanted.terrain_rasters:
        writers[DEM_COPY] = partial(write_dem_copy, dem_path=handover.dem_path)
        writers[RELIEF_COPY] = partial(write_relief, relief=handover.relief, crs=handover.crs)
    return writers


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
