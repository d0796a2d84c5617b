"""The table of styles in the GeoPackage, as desktop GIS read it: each layer in QML, and in SLD for all others.

QML is as QGIS 3.22 writes it. Open Geospatial Consortium, "Symbology Encoding Implementation Specification",
version 1.1.0, OGC 05-077r4, 2006, and "Styled Layer Descriptor profile", version 1.1.0, OGC 05-078r4, 2007 (from
memory).
"""

import xml.etree.ElementTree as ElementTree

import pandas as pd

from sitefinder.io.map_looks import LOOKS, SLATE, WHITE
from sitefinder.io.xml_text import add, xml_text
from sitefinder.schema.columns import MONEY
from sitefinder.schema.labels import column_labels

TABLE = "layer_styles"
DOCTYPE = "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
NAMESPACES = {
    "xmlns": "http://www.opengis.net/sld",
    "xmlns:se": "http://www.opengis.net/se",
    "xmlns:ogc": "http://www.opengis.net/ogc",
    "version": "1.1.0",
}
# A pixel of SLD [mm].
PIXEL_MM = 0.28
SYMBOL_LAYERS = {"marker": "SimpleMarker", "line": "SimpleLine", "fill": "SimpleFill"}
# Where a name stands: beside a point, in the first of these corners that is free, or over an area.
PLACEMENTS = {"marker": "6", "fill": "1", "line": "2"}
CORNERS = "TR,TL,BR,BL,R,L,TSR,BSR"
# Which names give way to which, 10 the last to do so.
PRIORITIES = {"marker": "9", "fill": "3", "line": "3"}
NOTHING = "0,0,0,0"


def style_table(layers, geometry_column, changed, money=MONEY):
    """The rows of ``layer_styles`` for the layers of a file that have a look.

    Parameters
    ----------
    layers : dict of str to sitefinder.schema.Layer
    geometry_column : str
        In all layers alike.
    changed : datetime
        What stands there as the time of change.
    money : str
        Currency and year of all amounts of money, for the aliases of columns.

    Returns
    -------
    DataFrame
        Empty where no layer has a look.
    """
    rows = [
        {
            "f_table_catalog": "",
            "f_table_schema": "",
            "f_table_name": name,
            "f_geometry_column": geometry_column,
            "styleName": name,
            "styleQML": qml(LOOKS[name], column_labels(layer, money)),
            "styleSLD": sld(name, LOOKS[name]),
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


def qml(look, labels):
    """A style with symbols, names on the map, and aliases of columns, as QML."""
    root = ElementTree.Element("qgis", version="3.22.0", styleCategories="Symbology|Labeling|Fields")
    ranged = look.by and isinstance(look.looks[0].value, tuple)
    kind = "graduatedSymbol" if ranged else ("categorizedSymbol" if look.by else "singleSymbol")
    renderer = add(root, "renderer-v2", type=kind, symbollevels="0", forceraster="0")
    renderer.set("enableorderby", str(int(look.best_on_top)))
    if look.by:
        renderer.set("attr", look.by)
        group = add(renderer, "ranges" if ranged else "categories")
        for number, each in enumerate(look.looks):
            if ranged:
                lower, upper = (f"{end:.1f}" for end in each.value)
                place = {"lower": lower, "upper": upper}
            else:
                place = {"type": "string", "value": each.value}
            add(
                group,
                "range" if ranged else "category",
                symbol=str(number),
                label=each.label,
                render="true",
                **place,
            )
    symbols = add(renderer, "symbols")
    for number, each in enumerate(look.looks):
        symbol = add(symbols, "symbol", type=look.kind, name=str(number), alpha="1", clip_to_extent="1")
        layer = add(
            symbol, "layer", **{"class": SYMBOL_LAYERS[look.kind]}, enabled="1", locked="0", **{"pass": "0"}
        )
        _options(layer, _symbol_options(look.kind, each))
    if look.best_on_top:
        # What is drawn last lies on top.
        add(add(renderer, "orderby"), "orderByClause", '"rank"', asc="0", nullsFirst="1")
    if look.named:
        _add_names(root, look)
    aliases = add(root, "aliases")
    for index, (column, label) in enumerate(labels.items()):
        add(aliases, "alias", index=str(index), field=column, name=label)
    return DOCTYPE + xml_text(root, declared=False)


# Both spellings of a symbol's options: that of today and that of before 3.18.
def _options(layer, options):
    group = add(layer, "Option", type="Map")
    for name, value in options.items():
        add(group, "Option", type="QString", name=name, value=value)
    for name, value in options.items():
        add(layer, "prop", k=name, v=value)


def _symbol_options(kind, look):
    stroke, width = _rgba(look.stroke), f"{look.width_mm:g}"
    fill = _rgba(look.fill) if look.fill else NOTHING
    if kind == "marker":
        return {
            "name": look.sign,
            "color": fill,
            "outline_color": stroke,
            "outline_width": width,
            "outline_width_unit": "MM",
            "outline_style": "solid",
            "size": f"{look.size_mm:g}",
            "size_unit": "MM",
        }
    dashes = {
        "customdash": ";".join(f"{length:g}" for length in look.dash) or "5;2",
        "customdash_unit": "MM",
        "use_custom_dash": "1" if look.dash else "0",
    }
    if kind == "line":
        return {
            "line_color": stroke,
            "line_width": width,
            "line_width_unit": "MM",
            "line_style": "solid",
            "capstyle": "flat" if look.dash else "round",
            "joinstyle": "round",
        } | dashes
    return {
        "color": fill,
        "style": "solid" if look.fill else "no",
        "outline_color": stroke,
        "outline_width": width,
        "outline_width_unit": "MM",
        # A simple fill knows no dashes of its own making.
        "outline_style": "dash dot" if look.dash else "solid",
        "joinstyle": "round",
    }


def _rgba(colour):
    return ",".join(str(int(colour[start : start + 2], 16)) for start in (1, 3, 5)) + ",255"


def _add_names(root, look):
    settings = add(add(root, "labeling", type="simple"), "settings", calloutType="simple")
    style = add(
        settings,
        "text-style",
        fieldName=look.named,
        isExpression="0",
        fontSize="9",
        fontWeight="63",
        fontSizeUnit="Point",
        textColor=_rgba(SLATE),
        textOpacity="1",
    )
    add(
        style,
        "text-buffer",
        bufferDraw="1",
        bufferSize="0.8",
        bufferSizeUnits="MM",
        bufferColor=_rgba(WHITE),
        bufferOpacity="0.85",
    )
    add(
        settings,
        "placement",
        placement=PLACEMENTS[look.kind],
        dist="0.6",
        distUnits="MM",
        offsetType="1",
        priority=PRIORITIES[look.kind],
        predefinedPositionOrder=CORNERS,
    )
    # Areas are no reason to leave a name out.
    add(settings, "rendering", drawLabels="1", obstacle="0" if look.kind == "fill" else "1")


def sld(name, look):
    """A style as Styled Layer Descriptor."""
    root = ElementTree.Element("StyledLayerDescriptor", NAMESPACES)
    layer = add(root, "NamedLayer")
    add(layer, "se:Name", name)
    style = add(layer, "UserStyle")
    add(style, "se:Name", name)
    group = add(style, "se:FeatureTypeStyle")
    for each in look.looks:
        rule = add(group, "se:Rule")
        add(rule, "se:Name", each.label)
        add(add(rule, "se:Description"), "se:Title", each.label)
        if each.test:
            _add_test(add(rule, "ogc:Filter"), *each.test)
        _add_symbolizer(rule, look.kind, each)
    if look.named:
        text = add(add(group, "se:Rule"), "se:TextSymbolizer")
        add(add(text, "se:Label"), "ogc:PropertyName", look.named)
        _svg(add(text, "se:Font"), {"font-size": "12"})
        halo = add(text, "se:Halo")
        add(halo, "se:Radius", "2")
        _svg(add(halo, "se:Fill"), {"fill": WHITE})
        _svg(add(text, "se:Fill"), {"fill": SLATE})
    return xml_text(root)


def _add_test(parent, operator, column, literal):
    if operator == "not null":
        parent, operator = add(parent, "ogc:Not"), "null"
    tag = {"is": "PropertyIsEqualTo", "null": "PropertyIsNull", "between": "PropertyIsBetween"}[operator]
    test = add(parent, f"ogc:{tag}")
    add(test, "ogc:PropertyName", column)
    if operator == "is":
        add(test, "ogc:Literal", literal)
    elif operator == "between":
        for end, value in zip(("LowerBoundary", "UpperBoundary"), literal, strict=True):
            add(add(test, f"ogc:{end}"), "ogc:Literal", value)


def _add_symbolizer(rule, kind, look):
    stroke = {"stroke": look.stroke, "stroke-width": f"{look.width_mm / PIXEL_MM:.2f}"}
    if look.dash:
        stroke["stroke-linecap"] = "butt"
        stroke["stroke-dasharray"] = " ".join(f"{length / PIXEL_MM:.2f}" for length in look.dash)
    if kind == "line":
        _svg(add(add(rule, "se:LineSymbolizer"), "se:Stroke"), stroke)
        return
    if kind == "fill":
        place = add(rule, "se:PolygonSymbolizer")
    else:
        graphic = add(add(rule, "se:PointSymbolizer"), "se:Graphic")
        place = add(graphic, "se:Mark")
        turned = look.sign == "diamond"
        add(place, "se:WellKnownName", "square" if turned else look.sign)
    if look.fill:
        _svg(add(place, "se:Fill"), {"fill": look.fill})
    _svg(add(place, "se:Stroke"), stroke)
    if kind == "marker":
        add(graphic, "se:Size", f"{look.size_mm / PIXEL_MM:.2f}")
        if turned:
            add(add(graphic, "se:Rotation"), "ogc:Literal", "45")


def _svg(parent, parameters):
    for name, value in parameters.items():
        add(parent, "se:SvgParameter", value).set("name", name)
