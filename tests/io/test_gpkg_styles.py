"""Styles in the GeoPackage: one for each layer with geometry, for every kind of row, also without colour."""

import datetime
import xml.etree.ElementTree as ElementTree

import pytest

from sitefinder.io.gpkg_styles import qml, sld, style_table
from sitefinder.io.map_looks import LOOKS
from sitefinder.schema import CHANGE_LAYERS, LAYERS, VERDICTS
from sitefinder.schema.labels import column_labels

SE, OGC = "{http://www.opengis.net/se}", "{http://www.opengis.net/ogc}"
# Columns of the table that QGIS reads and writes (its source, from memory); seen to be read by QGIS 3.22.
COLUMNS = [
    *(
        "f_table_catalog",
        "f_table_schema",
        "f_table_name",
        "f_geometry_column",
        "styleName",
        "styleQML",
        "styleSLD",
    ),
    *("useAsDefault", "description", "owner", "ui", "update_time"),
]


def test_each_layer_with_geometry_has_a_default_style():
    table = style_table(LAYERS, "geom", datetime.datetime.fromtimestamp(0, datetime.UTC))

    assert list(table.columns) == COLUMNS
    assert table["f_table_name"].tolist() == [name for name, layer in LAYERS.items() if layer.geometry]
    assert set(table["f_geometry_column"]) == {"geom"}


def test_layers_without_a_look_have_no_style():
    layers = {f"changed {name}": layer for name, layer in CHANGE_LAYERS.items()}

    assert len(style_table(layers, "geom", datetime.datetime.fromtimestamp(0, datetime.UTC))) == 0


def test_every_verdict_has_a_look_of_its_own_by_colour_and_by_dash():
    looks = {look.value: look for look in LOOKS["reaches"].looks}

    assert set(looks) == set(VERDICTS)
    assert len({look.stroke for look in looks.values()}) == len(VERDICTS)
    assert len({look.dash for look in looks.values()}) == len(VERDICTS)


def test_every_rank_has_one_look():
    ranges = [look.value for look in LOOKS["sites"].looks]

    for rank in (1, 5, 6, 20, 21, 999_999):
        assert sum(first <= rank <= last for first, last in ranges) == 1


# WCAG 2.1, success criterion 1.4.11 (from memory): at least 3 to 1 between a sign and what it lies on.
@pytest.mark.parametrize("name", ["reaches", "structures"])
def test_lines_and_signs_stand_out_from_white(name):
    def luminance(colour):
        parts = [int(colour[start : start + 2], 16) / 255 for start in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    for look in LOOKS[name].looks:
        assert 1.05 / (luminance(look.stroke) + 0.05) >= 3.0, look.label


@pytest.mark.parametrize("name", LOOKS)
def test_qml_has_a_symbol_for_every_kind_and_an_alias_for_every_column(name):
    labels = column_labels(LAYERS[name])
    text = qml(LOOKS[name], labels)
    root = ElementTree.fromstring(text)

    assert text.startswith("<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>")
    symbols = [symbol.get("name") for symbol in root.iter("symbol")]
    used = [kind.get("symbol") for kind in [*root.iter("category"), *root.iter("range")]] or ["0"]
    assert symbols == used
    assert {alias.get("field"): alias.get("name") for alias in root.iter("alias")} == labels


@pytest.mark.parametrize("name", LOOKS)
def test_sld_asks_only_for_columns_that_are_there(name):
    root = ElementTree.fromstring(sld(name, LOOKS[name]))

    asked = {element.text for element in root.iter(f"{OGC}PropertyName")}
    assert asked <= {column.name for column in LAYERS[name].columns}
    assert len(list(root.iter(f"{SE}Rule"))) == len(LOOKS[name].looks) + bool(LOOKS[name].named)


@pytest.mark.parametrize("name", LAYERS)
def test_labels_of_columns_are_short_and_unique(name):
    labels = column_labels(LAYERS[name], "EUR of 2024")

    assert len(set(labels.values())) == len(labels)
    assert max(map(len, labels.values())) <= 70
