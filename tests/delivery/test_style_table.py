"""Styles in the GeoPackage: one for each layer with geometry, for every kind of row, also without colour."""

import base64
import datetime
import re
import xml.etree.ElementTree as ElementTree
from importlib import resources

import numpy as np
import pytest

from sitefinder.delivery.style_table import style_file, style_table, with_aliases
from sitefinder.schema import CHANGE_LAYERS, LAYERS, VERDICTS
from sitefinder.schema.change_layers import CHANGES
from sitefinder.schema.theme import LOOKS
from sitefinder.schema.wording import column_labels

STYLED = LAYERS | CHANGE_LAYERS
SE, OGC = "{http://www.opengis.net/se}", "{http://www.opengis.net/ogc}"
# Columns of the table that QGIS reads and writes (its source, from memory); read by QGIS 3.22.
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


def qml(name):
    return ElementTree.fromstring(style_file(f"{name}.qml"))


def sld(name):
    return ElementTree.fromstring(style_file(f"{name}.sld"))


# Categories or ranges of a QML, or its one symbol, as (label, options of the symbol).
def kinds_of_rows(root):
    symbols = {
        symbol.get("name"): {option.get("name"): option.get("value") for option in symbol.iter("Option")}
        for symbol in root.iter("symbol")
    }
    kinds = [*root.iter("category"), *root.iter("range")]
    if not kinds:
        return [(None, symbols["0"])]
    return [(kind.get("label"), symbols[kind.get("symbol")]) for kind in kinds]


def as_hex(rgba):
    return "#" + "".join(f"{int(part):02x}" for part in rgba.split(",")[:3])


# What a style of either kind says nothing about, of the values that the schema lists for the columns it goes by.
def values_without_a_look(layer):
    listed = {column.name: set(column.values) for column in layer.columns if column.values}
    problems = []
    attribute = qml(layer.name).find("renderer-v2").get("attr")
    if attribute in listed:
        shown = {category.get("value") for category in qml(layer.name).iter("category")}
        problems += [
            f"delivery/styles/{layer.name}.qml: no category for {attribute} = {value!r}"
            for value in sorted(listed[attribute] - shown)
        ]
    asked = {}
    for test in sld(layer.name).iter(f"{OGC}PropertyIsEqualTo"):
        asked.setdefault(test.find(f"{OGC}PropertyName").text, set()).add(test.find(f"{OGC}Literal").text)
    for column in asked.keys() & listed.keys():
        problems += [
            f"delivery/styles/{layer.name}.sld: no rule for {column} = {value!r}"
            for value in sorted(listed[column] - asked[column])
        ]
    return problems


def test_each_layer_with_geometry_has_a_default_style():
    table = style_table(LAYERS, "geom", datetime.datetime.fromtimestamp(0, datetime.UTC))

    assert list(table.columns) == COLUMNS
    assert table["f_table_name"].tolist() == [name for name, layer in LAYERS.items() if layer.geometry]
    assert set(table["f_geometry_column"]) == {"geom"}


def test_every_style_file_belongs_to_a_layer():
    folder = resources.files("sitefinder") / "delivery" / "styles"

    assert sorted(file.name for file in folder.iterdir()) == sorted(
        f"{name}.{kind}" for name in LOOKS for kind in ("qml", "sld")
    )


def test_layers_without_a_look_have_no_style():
    layers = {f"changed {name}": layer for name, layer in CHANGE_LAYERS.items()}

    assert len(style_table(layers, "geom", datetime.datetime.fromtimestamp(0, datetime.UTC))) == 0


@pytest.mark.parametrize("name", LOOKS)
def test_every_value_that_the_schema_lists_has_a_look(name):
    assert values_without_a_look(STYLED[name]) == []


def test_a_value_that_is_added_to_the_schema_is_missed_with_the_file_to_edit():
    layer = LAYERS["reaches"]
    columns = [
        column._replace(values=(*column.values, "paused")) if column.name == "verdict" else column
        for column in layer.columns
    ]

    assert values_without_a_look(layer._replace(columns=tuple(columns))) == [
        "delivery/styles/reaches.qml: no category for verdict = 'paused'",
        "delivery/styles/reaches.sld: no rule for verdict = 'paused'",
    ]


def test_reaches_are_styled_by_verdict_in_both_kinds_of_file():
    shown = {category.get("value") for category in qml("reaches").iter("category")}
    asked = {literal.text for literal in sld("reaches").iter(f"{OGC}Literal")}

    assert shown == asked == set(VERDICTS) == set(LOOKS["reaches"].looks)


def test_changes_are_styled_by_what_became_of_reaches_and_sites_and_sites_lie_above():
    shown = [category.get("value") for category in qml("changes").iter("category")]
    asked = [
        tuple(literal.text for literal in rule.iter(f"{OGC}Literal")) for rule in sld("changes").iter(f"{SE}Rule")
    ]
    table = style_table(CHANGE_LAYERS, "geom", datetime.datetime.fromtimestamp(0, datetime.UTC))

    assert shown == list(CHANGES)
    assert asked == [(kind, change) for kind in ("reach", "site") for change in reversed(CHANGES)]
    assert table["f_table_name"].tolist() == ["changes"]


def test_areas_of_rules_are_hatched_as_the_theme_says_and_each_action_otherwise():
    symbols = {symbol.get("name"): symbol for symbol in qml("rule_areas").findall("renderer-v2/symbols/symbol")}
    looks = LOOKS["rule_areas"].looks
    angles = {
        category.get("value"): tuple(
            int(option.get("value"))
            for option in symbols[category.get("symbol")].iter("Option")
            if option.get("name") == "angle"
        )
        for category in qml("rule_areas").iter("category")
    }

    assert angles == {action: look.hatch for action, look in looks.items()}
    assert len(set(angles.values())) == len(angles)
    # The page and the sheets draw a second angle across the first.
    assert all(hatch[-1] - hatch[0] in (0, 90) for hatch in angles.values())


def test_structures_have_a_look_with_and_without_a_plant_and_where_they_are_gone():
    expression = "if(\"removed\", 'removed', if(\"powered\", 'powered', 'not powered'))"

    assert qml("structures").find("renderer-v2").get("attr") == expression
    values = [category.get("value") for category in qml("structures").iter("category")]
    assert values == ["powered", "not powered", "removed"]
    asked = [
        [literal.text for literal in rule.iter(f"{OGC}Literal")] for rule in sld("structures").iter(f"{SE}Rule")
    ]
    assert asked == [["true", "1"], ["false", "0", "false", "0"], ["true", "1"]]


@pytest.mark.parametrize("name", LOOKS)
def test_colours_and_legends_of_the_qml_are_those_of_the_theme(name):
    root, looks = qml(name), list(LOOKS[name].looks.values())

    kinds = kinds_of_rows(root)

    assert len(kinds) == len(looks)
    for (label, options), look in zip(kinds, looks, strict=True):
        assert label in (look.label, None)
        assert as_hex(options.get("line_color") or options["outline_color"]) == look.stroke, label
        if "color" in options:
            filled = not options["color"].endswith(",0") and options.get("style") != "no"
            assert (as_hex(options["color"]) if filled else "") == look.fill, label


@pytest.mark.parametrize("name", LOOKS)
def test_colours_and_legends_of_the_sld_are_those_of_the_theme(name):
    rules = {
        rule.find(f"{SE}Name").text: rule
        for rule in sld(name).iter(f"{SE}Rule")
        if rule.find(f"{SE}TextSymbolizer") is None
    }
    looks = {look.label: look for look in LOOKS[name].looks.values()}

    assert set(rules) == set(looks)
    for label, look in looks.items():
        rule = rules[label]
        colours = {parameter.get("name"): parameter.text for parameter in rule.iter(f"{SE}SvgParameter")}
        assert (colours["stroke"], colours.get("fill", "")) == (look.stroke, look.fill), look.label


def angles_of(path):
    """Angles of the straight lines of an SVG path, counter-clockwise from the east [°]."""
    found, x, y = set(), 0.0, 0.0
    for letter, numbers in re.findall(r"([MLHV])([-\d. ]+)", path):
        values = [float(number) for number in numbers.split()]
        to = (values[0], y) if letter == "H" else (x, values[0]) if letter == "V" else tuple(values)
        if letter != "M":
            found.add(round(np.degrees(np.arctan2(y - to[1], to[0] - x)) % 180))
        x, y = to
    return found


@pytest.mark.parametrize(("action", "look"), LOOKS["rule_areas"].looks.items())
def test_the_sld_hatches_rule_areas_as_the_theme_does_by_the_means_of_the_standard_alone(action, look):
    [rule] = [
        rule
        for rule in sld("rule_areas").iter(f"{SE}Rule")
        if action in {each.text for each in rule.iter(f"{OGC}Literal")}
    ]
    polygon = rule.find(f"{SE}PolygonSymbolizer")

    # OGC 05-077r4 (Symbology Encoding 1.1.0), 11.2 and 11.3, from memory: fill before stroke; a graphic is a list
    # of alternatives, the first that a program can show, and then its size; an inline graphic states its format.
    assert [part.tag for part in polygon] == [f"{SE}Fill", f"{SE}Stroke"]
    [graphic] = polygon.findall(f"{SE}Fill/{SE}GraphicFill/{SE}Graphic")
    assert [part.tag for part in graphic] == [f"{SE}{name}" for name in ("ExternalGraphic", "Mark", "Size")]
    inline, kind = graphic.find(f"{SE}ExternalGraphic")
    assert (inline.tag, inline.get("encoding"), kind.text) == (f"{SE}InlineContent", "base64", "image/svg+xml")
    assert graphic.find(f"{SE}Mark/{SE}WellKnownName").text in {
        "square",
        "circle",
        "triangle",
        "star",
        "cross",
        "x",
    }
    tile = ElementTree.fromstring(base64.b64decode(inline.text, validate=True))
    [drawn] = tile
    assert drawn.get("stroke") == look.stroke
    assert float(graphic.find(f"{SE}Size").text) == float(tile.get("height"))
    # Lines of neighbouring tiles meet at whole ratios alone: six to sixteen for 20°.
    assert angles_of(drawn.get("d")) == {{20: 21}.get(angle, angle) for angle in look.hatch}


def test_every_verdict_has_a_look_of_its_own_by_colour_and_by_dash():
    options = [each for _, each in kinds_of_rows(qml("reaches"))]
    dashes = {each["customdash"] if each["use_custom_dash"] == "1" else "" for each in options}
    in_sld = [
        {each.get("name"): each.text for each in rule.iter(f"{SE}SvgParameter")}
        for rule in sld("reaches").iter(f"{SE}Rule")
    ]

    assert len({each["line_color"] for each in options}) == len(dashes) == len(VERDICTS)
    assert len({each.get("stroke-dasharray") for each in in_sld}) == len(VERDICTS)


def test_every_rank_has_one_look():
    ranges = [(float(each.get("lower")), float(each.get("upper"))) for each in qml("sites").iter("range")]
    ends = [float(end.text) for end in sld("sites").iter(f"{OGC}Literal") if end.text != "45"]

    for rank in (1, 5, 6, 20, 21, 999_999):
        assert sum(first <= rank <= last for first, last in ranges) == 1
    assert ends == [end for pair in ranges for end in pair]


# WCAG 2.1, success criterion 1.4.11 (from memory): at least 3 to 1 between a sign and what it lies on.
@pytest.mark.parametrize("name", ["reaches", "structures", "changes"])
def test_lines_and_signs_stand_out_from_white(name):
    def luminance(colour):
        parts = [int(colour[start : start + 2], 16) / 255 for start in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    for look in LOOKS[name].looks.values():
        assert 1.05 / (luminance(look.stroke) + 0.05) >= 3.0, look.label


@pytest.mark.parametrize("name", LOOKS)
def test_qml_has_a_symbol_for_every_kind_and_an_alias_for_every_column(name):
    labels = column_labels(STYLED[name])
    text = with_aliases(style_file(f"{name}.qml"), labels)
    root = ElementTree.fromstring(text)

    assert text.startswith("<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>")
    symbols = [symbol.get("name") for symbol in root.findall("renderer-v2/symbols/symbol")]
    used = [kind.get("symbol") for kind in [*root.iter("category"), *root.iter("range")]] or ["0"]
    assert symbols == used
    assert {alias.get("field"): alias.get("name") for alias in root.iter("alias")} == labels
    # A desktop GIS saves its own aliases with a style; they are replaced, not doubled.
    assert with_aliases(text, labels) == text


@pytest.mark.parametrize("name", LOOKS)
def test_styles_ask_only_for_columns_that_are_there(name):
    columns = {column.name for column in STYLED[name].columns}
    asked = {element.text for element in sld(name).iter(f"{OGC}PropertyName")}
    labelled = {style.get("fieldName") for style in qml(name).iter("text-style")}
    texts = [rule for rule in sld(name).iter(f"{SE}Rule") if rule.find(f"{SE}TextSymbolizer") is not None]

    assert asked <= columns
    assert labelled <= columns
    assert len(texts) == len(labelled)


@pytest.mark.parametrize("name", LAYERS)
def test_labels_of_columns_are_short_and_unique(name):
    labels = column_labels(LAYERS[name], "EUR of 2024")

    assert len(set(labels.values())) == len(labels)
    assert max(map(len, labels.values())) <= 70
