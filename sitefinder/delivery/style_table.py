"""The table of styles in the GeoPackage, as desktop GIS read it: each layer in QML, and in SLD for all others.

The styles are files that a desktop GIS reads and writes, one of each kind for a layer, in ``delivery/styles``;
only the aliases of columns are added here. QML is as QGIS 3.22 writes it. Open Geospatial Consortium, "Symbology
Encoding Implementation Specification", version 1.1.0, OGC 05-077r4, 2006, and "Styled Layer Descriptor profile",
version 1.1.0, OGC 05-078r4, 2007 (from memory).
"""

import xml.etree.ElementTree as ElementTree
from importlib import resources

import pandas as pd

from sitefinder.delivery.metadata import add, xml_text
from sitefinder.schema.columns import MONEY
from sitefinder.schema.theme import LOOKS
from sitefinder.schema.wording import column_labels

TABLE = "layer_styles"
DOCTYPE = "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
# Style categories of the delivered QML; the aliases belong to the fields.
CATEGORIES = "Symbology|Labeling|Fields"


def style_table(layers, geometry_column, changed, money=MONEY):
    """The rows of ``layer_styles`` for the layers of a file that have a style.

    Parameters
    ----------
    layers : dict of str to sitefinder.schema.Layer
    geometry_column : str
        The same in all layers.
    changed : datetime
        Time of change to write.
    money : str
        Currency and year of all amounts of money, for the aliases of columns.

    Returns
    -------
    DataFrame
        Empty if no layer has a style.
    """
    rows = [
        {
            "f_table_catalog": "",
            "f_table_schema": "",
            "f_table_name": name,
            "f_geometry_column": geometry_column,
            "styleName": name,
            "styleQML": with_aliases(style_file(f"{name}.qml"), column_labels(layer, money)),
            "styleSLD": style_file(f"{name}.sld"),
            "useAsDefault": True,
            "description": LOOKS[name].description,
            "owner": "",
            "ui": "",
            "update_time": pd.Timestamp(changed),
        }
        for name, layer in layers.items()
        if name in LOOKS and layer.geometry
    ]
    return pd.DataFrame(rows)


def style_file(name: str) -> str:
    """The text of a style file of the package, for example ``reaches.qml``."""
    file = resources.files("sitefinder") / "delivery" / "styles" / name
    return file.read_text(encoding="utf-8").replace("\r\n", "\n")


def with_aliases(qml: str, labels: dict[str, str]) -> str:
    """A QML style with other aliases of columns.

    Parameters
    ----------
    qml : str
    labels : dict of str to str
        By name of column, in their order.

    Returns
    -------
    str
    """
    root = ElementTree.fromstring(qml)
    for element in root.findall("aliases"):
        root.remove(element)
    root.set("styleCategories", CATEGORIES)
    aliases = add(root, "aliases")
    for index, (column, label) in enumerate(labels.items()):
        add(aliases, "alias", index=str(index), field=column, name=label)
    return DOCTYPE + xml_text(root, declared=False)
