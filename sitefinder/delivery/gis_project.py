"""A project file for a desktop GIS beside the GeoPackage: its layers in groups and in order, with their styles.

The format is that of QGIS 3 projects, an XML text, held against one that QGIS 3.22 wrote; a project of the sample
region was opened and drawn there. Paths are relative, so that the folder may be moved; what the GeoPackage does
not hold, such as places of rules that are generalised or hidden, is not here either.
"""

import xml.etree.ElementTree as ElementTree
from typing import NamedTuple

import pyproj

from sitefinder.delivery.file_names import GEOPACKAGE, GIS_PROJECT
from sitefinder.delivery.metadata import add, xml_text
from sitefinder.delivery.style_table import DOCTYPE, style_file
from sitefinder.report.handover import TablesOf
from sitefinder.schema import LAYERS
from sitefinder.schema.theme import LOOKS
from sitefinder.schema.wording import column_labels

# Version of the program whose projects are written: newer ones read it.
PROGRAM_VERSION = "3.22.0"
KINDS = {"Point": "Point", "LineString": "Line", "MultiPolygon": "Polygon"}
# Parts of a style that a project keeps with its layer.
STYLE_PARTS = ("renderer-v2", "labeling", "blendMode", "layerOpacity")
NO_GEOMETRY = "No geometry"
# Free space about the streams, as a share of their extent.
MARGIN = 0.05


class Group(NamedTuple):
    """A group of layers; those that are not shown at first are ``hidden``."""

    title: str
    layers: tuple
    hidden: tuple = ()


# From the top down.
GROUPS = (
    Group("Sites", ("sites", "conduits", "stretches")),
    Group(
        "Structures and drops",
        ("structures", "drops", "fish_passage", "stretch_structures"),
        ("fish_passage", "stretch_structures"),
    ),
    Group("Streams and rules", ("reaches", "rule_areas")),
    Group("Areas", ("districts", "catchments"), ("catchments",)),
)
TABLES = "Tables"


def project_text(title, crs, bounds, money, layers=LAYERS):
    """The project of a delivered GeoPackage.

    Parameters
    ----------
    title : str
        Name of the inventory.
    crs : object
        Coordinate system of the layers; anything that pyproj understands.
    bounds : sequence of float
        West, south, east and north of the first view [m].
    money : str
        Currency and year, for titles of columns.
    layers : dict of str to sitefinder.schema.Layer

    Returns
    -------
    str
        The same for the same arguments.
    """
    crs = pyproj.CRS.from_user_input(crs)
    root = ElementTree.Element("qgis", {"version": PROGRAM_VERSION, "projectname": ""})
    root.set("projectname", add(root, "title", title).text)
    add(root, "homePath", path="")
    _add_crs(add(root, "projectCrs"), crs)
    grouped = [*GROUPS, _tables(layers)]
    tree = add(root, "layer-tree-group")
    for group in grouped:
        _add_group(tree, group)
    canvas = add(root, "mapcanvas", name="theMapCanvas", annotationsVisible="1")
    add(canvas, "units", "meters")
    extent = add(canvas, "extent")
    for name, value in zip(("xmin", "ymin", "xmax", "ymax"), _with_margin(bounds), strict=True):
        add(extent, name, f"{value:.1f}")
    add(canvas, "rotation", "0")
    _add_crs(add(canvas, "destinationsrs"), crs)
    held = add(root, "projectlayers")
    for group in grouped:
        for name in group.layers:
            _add_layer(held, layers[name], crs, money)
    order = add(root, "layerorder")
    for group in grouped:
        for name in group.layers:
            add(order, "layer", id=_identity(name))
    properties = add(root, "properties")
    add(add(properties, "Paths"), "Absolute", "false", type="bool")
    # Without this the system of the project is not read.
    add(add(properties, "SpatialRefSys"), "ProjectionsEnabled", "1", type="int")
    return DOCTYPE + xml_text(root, declared=False)


def make_gis_project(settings, made, scratch):
    """The project file.

    Returns
    -------
    Path
    """
    reaches = TablesOf(made)["reaches"]
    bounds = reaches.total_bounds if len(reaches) else made["relief"].bounds_m
    path = scratch / GIS_PROJECT
    text = project_text(settings.run.name, settings.run.crs, bounds, made["money"].name)
    path.write_text(text, encoding="utf-8", newline="\n")
    return path


def _tables(layers):
    return Group(TABLES, tuple(name for name, layer in layers.items() if not layer.geometry))


# The program gives layers with ids of ten signs or fewer new ones, so that they are missing in the tree.
def _identity(name):
    return f"sitefinder_{name}"


def _source(name):
    return f"./{GEOPACKAGE}|layername={name}"


def _title(name):
    return name.replace("_", " ").capitalize()


def _add_group(tree, group):
    is_map = group.title != TABLES
    part = add(tree, "layer-tree-group", name=group.title, checked="Qt::Checked", expanded="1" if is_map else "0")
    for name in group.layers:
        shown = "Qt::Unchecked" if name in group.hidden else "Qt::Checked"
        add(
            part,
            "layer-tree-layer",
            id=_identity(name),
            name=_title(name),
            source=_source(name),
            providerKey="ogr",
            checked=shown,
            expanded="0",
        )


def _add_crs(parent, crs):
    system = add(parent, "spatialrefsys", nativeFormat="Wkt")
    add(system, "wkt", crs.to_wkt())
    authority = crs.to_authority()
    add(system, "authid", ":".join(authority) if authority else "")
    add(system, "description", crs.name)
    add(system, "geographicflag", "true" if crs.is_geographic else "false")


def _add_layer(held, layer, crs, money):
    kind = KINDS[layer.geometry] if layer.geometry else NO_GEOMETRY
    one = add(held, "maplayer", type="vector", geometry=kind, autoRefreshEnabled="0")
    add(one, "id", _identity(layer.name))
    add(one, "datasource", _source(layer.name))
    add(one, "layername", _title(layer.name))
    if layer.geometry:
        _add_crs(add(one, "srs"), crs)
    add(one, "provider", "ogr", encoding="UTF-8")
    add(one, "abstract", layer.row)
    aliases = add(one, "aliases")
    for index, (column, label) in enumerate(column_labels(layer, money).items()):
        add(aliases, "alias", index=str(index), field=column, name=label)
    if layer.geometry and layer.name in LOOKS:
        style = ElementTree.fromstring(style_file(f"{layer.name}.qml"))
        one.extend(part for part in style if part.tag in STYLE_PARTS)


def _with_margin(bounds):
    west, south, east, north = bounds
    margin = MARGIN * max(east - west, north - south)
    return west - margin, south - margin, east + margin, north + margin
