"""Names of the delivered files, and which of them the settings ask for."""

import re

GEOPACKAGE, PAGE, GPX, GIS_PROJECT = "sites.gpkg", "report.html", "sites.gpx", "sites.qgs"
FIELD_SHEETS, DISTRICT_MAP = "field-sheets.pdf", "district-map.pdf"
# Layers that are also written as plain tables.
AS_CSV = ("sites", "reaches", "totals")
FIELD_FORM = "field-observations.csv"
AS_GEOPARQUET = ("sites", "stretches", "reaches")
DEM_COPY, RELIEF_COPY = "terrain-dem.tif", "terrain-relief.tif"
# Longest part of a name that is a district's [characters].
LONGEST_NAME = 60
# Settings of the delivery that decide which files there are.
SWITCHES = (
    "delivery.page delivery.field_sheets delivery.district_map delivery.gis_project delivery.gpx delivery.csv "
    "delivery.field_form delivery.geoparquet delivery.terrain_rasters"
)


def district_map_names(districts):
    """Names of the files of maps of single districts, each once.

    Parameters
    ----------
    districts : sequence of str

    Returns
    -------
    list of str

    Examples
    --------
    >>> district_map_names(["Upper Side", "Upper/Side", ""])
    ['district-map-Upper-Side.pdf', 'district-map-Upper-Side-2.pdf', 'district-map-outside.pdf']
    """
    names, taken = [], set()
    for district in districts:
        words = re.sub(r"\W+", "-", district).strip("-_")[:LONGEST_NAME] or "outside"
        name, number = words, 1
        while name.casefold() in taken:
            number += 1
            name = f"{words}-{number}"
        taken.add(name.casefold())
        names.append(f"district-map-{name}.pdf")
    return names


def wanted_files(delivery):
    """Names of the files of the settings, in the order of delivery.

    Parameters
    ----------
    delivery : sitefinder.settings.run.DeliverySettings

    Returns
    -------
    list of str
    """
    switches = {
        (GEOPACKAGE,): True,
        (PAGE,): delivery.page,
        (FIELD_SHEETS,): delivery.field_sheets > 0,
        (DISTRICT_MAP,): delivery.district_map,
        (GIS_PROJECT,): delivery.gis_project,
        (GPX,): delivery.gpx,
        tuple(f"{layer}.csv" for layer in AS_CSV): delivery.csv,
        (FIELD_FORM,): delivery.field_form,
        tuple(f"{layer}.parquet" for layer in AS_GEOPARQUET): delivery.geoparquet,
        (DEM_COPY, RELIEF_COPY): delivery.terrain_rasters,
    }
    return [name for names, is_wanted in switches.items() if is_wanted for name in names]
