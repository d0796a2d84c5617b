"""The map: relief, context, streams by verdict, stretches and sites, in the coordinates of the run."""

import numpy as np
import shapely
from bokeh.core.properties import value
from bokeh.models import (
    BasicTickFormatter,
    CategoricalAxis,
    ColumnDataSource,
    HoverTool,
    ImageURL,
    Range1d,
    ScaleBar,
    Scatter,
    TapTool,
    Text,
)
from bokeh.plotting import figure

from sitefinder.report.page import looks
from sitefinder.report.page.map_shapes import line_columns, polygon_columns, relief_png
from sitefinder.report.page.words import LAYOUT_WORDS, NOT_KNOWN, amount, is_missing
from sitefinder.report.text_tables import plain
from sitefinder.schema import VERDICTS

# Lines keep what a screen of so many pixels across the region could show (own choice: three screens' width).
PIXELS_ACROSS = 6000
# Only so many sites carry their rank on the map (own choice: more would cover each other).
NUMBERED = 40


def region_map(handover):
    """The map as a Bokeh plot, and its layers for the legend.

    Parameters
    ----------
    handover : sitefinder.report.handover.Handover

    Returns
    -------
    plot : bokeh.plotting.figure
    layers : list of (str, str)
        Names of the groups of renderers that the legend switches (a renderer's name is ``layer:`` and its
        group), and what they are called, from the top down.
    """
    west, south, east, north = bounds = map_bounds(handover)
    tolerance_m = max(east - west, north - south) / PIXELS_ACROSS
    plot = figure(
        name="map",
        x_range=Range1d(west, east),
        y_range=Range1d(south, north),
        tools="pan,wheel_zoom",
        active_scroll="wheel_zoom",
        toolbar_location=None,
        sizing_mode="stretch_both",
        min_border=4,
        x_axis_label=f"easting [m], {handover.crs}",
        y_axis_label="northing [m]",
    )
    plain_axes(plot)
    plot.yaxis.major_label_orientation = "vertical"
    plot.xaxis.ticker.desired_num_ticks = plot.yaxis.ticker.desired_num_ticks = 5
    plot.background_fill_color = "#ffffff"
    layers = [
        *_sites(plot, handover, tolerance_m),
        *_streams(plot, handover.tables["reaches"], tolerance_m),
    ]
    layers += _context(plot, handover, tolerance_m)
    layers += _relief(plot, handover.relief, bounds)
    # Drawn from the bottom up.
    order = {name: number for number, (name, _) in enumerate(layers)}
    plot.renderers = sorted(plot.renderers, key=lambda renderer: -order[renderer.name.removeprefix("layer:")])
    plot.add_layout(
        ScaleBar(
            range=plot.x_range,
            unit="m",
            location="bottom_right",
            orientation="horizontal",
            bar_length=0.18,
            bar_line_width=1.5,
            label_text_font_size="11px",
            background_fill_alpha=0.85,
            border_line_color=None,
            margin=8,
            padding=6,
        )
    )
    return plot, layers


def map_bounds(handover):
    """West, south, east and north of what the map shows [m]: the streams, with a margin, inside the relief."""
    lines = handover.tables["reaches"].geometry.to_numpy()
    ground = np.array(handover.relief.bounds_m)
    if not len(lines):
        return tuple(ground.tolist())
    west, south, east, north = shapely.total_bounds(lines)
    margin_m = 0.03 * max(east - west, north - south)
    box = np.array([west - margin_m, south - margin_m, east + margin_m, north + margin_m])
    return tuple(np.round(box).tolist())


def plain_axes(plot):
    """Quiet axes: no grid, thin frame, small grey figures without exponents."""
    plot.grid.grid_line_color = None
    plot.outline_line_color = looks.FRAME
    for axis in plot.axis:
        axis.axis_line_color = axis.major_tick_line_color = looks.FRAME
        axis.minor_tick_line_color = None
        axis.major_label_text_color = axis.axis_label_text_color = looks.SOFT
        axis.major_label_text_font_size = axis.axis_label_text_font_size = "11px"
        axis.axis_label_text_font_style = "normal"
        axis.major_label_text_font = axis.axis_label_text_font = looks.FONT
        if not isinstance(axis, CategoricalAxis):
            axis.formatter = BasicTickFormatter(use_scientific=False)


# Stretches and points of the sites; those that are picked are marked by the script, in sources of their own.
def _sites(plot, handover, tolerance_m):
    sites = handover.tables["sites"].sort_values("rank", ascending=False)
    stretches = handover.tables["stretches"].set_index("site_id")
    stretches = stretches[stretches.index != ""]
    lines = stretches.geometry.reindex(sites["site_id"]).to_numpy()
    xs, ys = line_columns(lines, tolerance_m)
    told = {
        "id": [plain(name) for name in sites["site_id"]],
        "stream": [plain(name or "no name") for name in sites["stream"]],
        "layout": [LAYOUT_WORDS[name] for name in sites["layout"]],
        "rank": [str(rank) for rank in sites["rank"]],
        "head": [amount(one, "m") for one in sites["head_m"]],
        "flow": [amount(one, "m³/s") for one in sites["flow_mean_m3s"]],
        "power": [amount(one, "kW") for one in sites["power_kw"]],
        "energy": [
            f"{amount(row.energy_mwh, 'MWh/yr')} ({amount(row.energy_mwh_p90)} to {amount(row.energy_mwh_p10)})"
            for row in sites.itertuples()
        ],
        "verdict": sites["verdict"].tolist(),
    }
    strips = ColumnDataSource({"xs": xs, "ys": ys, **told}, name="stretches")
    strip = plot.multi_line(
        "xs", "ys", source=strips, line_color=looks.INK, line_width=5, line_cap="round", name="layer:stretches"
    )
    strip.nonselection_glyph = strip.selection_glyph = None
    picked_line = ColumnDataSource({"xs": [], "ys": []}, name="picked-line")
    plot.multi_line(
        "xs",
        "ys",
        source=picked_line,
        line_color=looks.OCHRE,
        line_width=9,
        line_cap="round",
        name="layer:stretches",
    )
    power = sites["power_kw"].fillna(0.0).to_numpy()
    shares = np.sqrt(power / power.max()) if len(power) and power.max() > 0 else np.zeros(len(power))
    numbered = sites["rank"].to_numpy() <= NUMBERED
    sizes = np.where(numbered, 15.0 + 13.0 * shares, 5.0 + 7.0 * shares)
    points = {
        "x": np.round(sites.geometry.x, 1).tolist(),
        "y": np.round(sites.geometry.y, 1).tolist(),
        "size": np.round(sizes, 1).tolist(),
        "label": [rank if shown else "" for rank, shown in zip(told["rank"], numbered, strict=True)],
        **told,
    }
    source = ColumnDataSource(points, name="sites")
    dots = plot.scatter(
        "x", "y", size="size", source=source, fill_color=looks.PALE_OCHRE, line_color=looks.INK, line_width=1.3,
        name="layer:sites",
    )  # fmt: skip
    dots.nonselection_glyph = dots.selection_glyph = None
    numbers = plot.add_glyph(
        source,
        Text(
            x="x", y="y", text="label", text_align="center", text_baseline="middle", text_font_size="11px",
            text_font=value(looks.FONT), text_color=looks.INK, text_font_style="bold",
        ),
        name="layer:sites",
    )  # fmt: skip
    numbers.nonselection_glyph = numbers.selection_glyph = None
    picked = ColumnDataSource({"x": [], "y": [], "size": [], "label": []}, name="picked-site")
    plot.add_glyph(
        picked, Scatter(x="x", y="y", size="size", fill_color=looks.OCHRE, line_color=looks.INK, line_width=2.5),
        name="layer:sites",
    )  # fmt: skip
    plot.add_glyph(
        picked,
        Text(
            x="x", y="y", text="label", text_align="center", text_baseline="middle", text_font_size="11px",
            text_font=value(looks.FONT), text_color=looks.INK, text_font_style="bold",
        ),
        name="layer:sites",
    )  # fmt: skip
    tips = [
        ("Site", "@id, rank @rank"),
        ("Stream", "@stream"),
        ("Layout", "@layout"),
        ("Head", "@head"),
        ("Mean flow", "@flow"),
        ("Power", "@power"),
        ("Energy (P90 to P10)", "@energy"),
        ("Verdict", "@verdict"),
    ]
    plot.add_tools(
        HoverTool(renderers=[dots], tooltips=tips, attachment="above"), TapTool(renderers=[dots, strip])
    )
    return [("sites", "Sites, numbered by rank, size by power"), ("stretches", "Stretches, intake to tailrace")]


# One group of lines for each verdict that occurs, the worst at the bottom.
def _streams(plot, reaches, tolerance_m):
    layers, renderers = [], []
    for verdict in reversed(VERDICTS):
        rows = reaches[reaches["verdict"] == verdict]
        if not len(rows):
            continue
        xs, ys = line_columns(rows.geometry.to_numpy(), tolerance_m)
        told = {
            "id": [plain(name) for name in rows["reach_id"]],
            "stream": [plain(name or "no name") for name in rows["stream"]],
            "verdict": rows["verdict"].tolist(),
            "reasons": [plain(text or "none") for text in rows["reasons"]],
            "head": [
                NOT_KNOWN if is_missing(head) else f"{amount(head)} ± {amount(error, 'm')}"
                for head, error in zip(rows["head_m"], rows["head_se_m"], strict=True)
            ],
            "flow": [amount(one, "m³/s") for one in rows["flow_mean_m3s"]],
            "because": [text or "it carries a site" for text in rows["not_offered_because"]],
        }
        colour, dash, width = looks.VERDICT_LINES[verdict]
        group = f"verdict-{verdict}"
        renderers.append(
            plot.multi_line(
                "xs", "ys", source=ColumnDataSource({"xs": xs, "ys": ys, **told}, name=group),
                line_color=colour, line_dash=" ".join(map(str, dash)) or "solid", line_width=width,
                name=f"layer:{group}",
            )
        )  # fmt: skip
        layers.append((group, f"Streams, {verdict}"))
    tips = [
        ("Reach", "@id"),
        ("Stream", "@stream"),
        ("Verdict", "@verdict"),
        ("Rules", "@reasons"),
        ("Head", "@head"),
        ("Mean flow", "@flow"),
        ("Not offered because", "@because"),
    ]
    if renderers:
        # Below the pointer, for a site under the same pointer is told above it.
        plot.add_tools(
            HoverTool(
                renderers=renderers,
                tooltips=tips,
                attachment="below",
                line_policy="interp",
                point_policy="follow_mouse",
            )
        )
    return layers


# Settlements, roads, power lines, borders and lakes, as far as the user gave them.
def _context(plot, handover, tolerance_m):
    context, layers = handover.context, []
    if len(places := context.get("settlements", ())):
        points = places.geometry.centroid
        source = ColumnDataSource(
            {
                "x": np.round(points.x, 1).tolist(),
                "y": np.round(points.y, 1).tolist(),
                "name": [plain(name) for name in places["name"]],
            }
        )
        plot.scatter(
            "x", "y", source=source, marker="square", size=6, color=looks.INK, alpha=0.75, name="layer:settlements"
        )
        plot.text(
            "x", "y", text="name", source=source, x_offset=7, y_offset=4, text_font_size="11px",
            text_font=value(looks.FONT), text_color=looks.INK, background_fill_color="#ffffff",
            background_fill_alpha=0.6,            name="layer:settlements",
        )  # fmt: skip
        layers.append(("settlements", "Settlements"))
    lines = (
        ("power_lines", "Power lines", {"line_color": looks.POWER_LINE, "line_width": 1, "line_dash": [1, 4]}),
        ("roads", "Roads", {"line_color": looks.ROAD, "line_width": 1.2}),
        ("districts", "District borders", {"line_color": looks.SOFT, "line_width": 1.4, "line_dash": [12, 4]}),
    )
    for name, called, look in lines:
        if len(frame := context.get(name, ())):
            shapes = frame.geometry.to_numpy()
            shapes = shapely.boundary(shapes) if name == "districts" else shapes
            xs, ys = line_columns(shapely.get_parts(shapes), tolerance_m)
            plot.multi_line(xs, ys, name=f"layer:{name}", **look)
            layers.append((name, called))
    if len(frame := context.get("lakes", ())):
        xs, ys = polygon_columns(frame.geometry.to_numpy(), tolerance_m)
        plot.multi_polygons(
            xs, ys, fill_color=looks.LAKE, line_color=looks.WATER, line_width=0.7, name="layer:lakes"
        )
        layers.append(("lakes", "Lakes"))
    return layers


# The relief as a picture inside the page.
def _relief(plot, relief, bounds):
    west, south, east, north = relief.bounds_m
    source = ColumnDataSource({"url": [relief_png(relief)]})
    glyph = ImageURL(url="url", x=west, y=south, w=east - west, h=north - south, anchor="bottom_left")
    plot.add_glyph(source, glyph, name="layer:relief")
    return [("relief", "Relief")]
