"""Diagrams of the picked site, which the script fills, and the supply curve of the region."""

from bokeh.core.properties import value
from bokeh.models import ColumnDataSource, HoverTool, Legend, LegendItem, Range1d
from bokeh.plotting import figure

from sitefinder.report.page import looks
from sitefinder.report.page.region_map import plain_axes
from sitefinder.report.page.words import amount, short_money
from sitefinder.report.text_tables import plain

HEIGHT = 300
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def site_diagrams():
    """Long profile, flow duration curve and months of energy, without data: the script fills them by name.

    Returns
    -------
    list of bokeh.plotting.figure
        Named ``profile``, ``curve`` and ``months``.
    """
    return [_profile(), _curve(), _months()]


def _profile():
    plot = _plot("profile", "distance down the stream [m]", "elevation [m]", x_range=Range1d(), y_range=Range1d())
    water = ColumnDataSource({"x": [], "y": [], "low": [], "high": []}, name="profile-water")
    read = ColumnDataSource({"x": [], "y": []}, name="profile-read")
    refused = ColumnDataSource({"x": [], "y": []}, name="profile-refused")
    ends = ColumnDataSource({"x": [], "y": [], "name": [], "marker": []}, name="profile-ends")
    band = plot.varea("x", "low", "high", source=water, fill_color=looks.BAND, fill_alpha=0.6)
    line = plot.line("x", "y", source=water, line_color=looks.WATER, line_width=2)
    dots = plot.scatter("x", "y", source=read, size=4, fill_color="#ffffff", line_color=looks.SOFT)
    crosses = plot.scatter("x", "y", source=refused, size=7, marker="x", line_color=looks.SOFT)
    marks = plot.scatter(
        "x", "y", source=ends, size=12, marker="marker", fill_color=looks.OCHRE, line_color=looks.INK
    )
    plot.text(
        "x", "y", text="name", source=ends, x_offset=9, y_offset=-7, text_font_size="12px",
        text_font=value(looks.FONT), text_color=looks.INK,
    )  # fmt: skip
    _legend(
        plot,
        [("water", [line]), ("90 % band", [band]), ("DEM as read", [dots]), ("read, left out", [crosses])],
    )
    plot.add_tools(
        HoverTool(
            renderers=[line],
            mode="vline",
            tooltips=[
                ("Distance", "@x{0} m"),
                ("Water", "@y{0.00} m"),
                ("90 % band", "@low{0.00} to @high{0.00} m"),
            ],
        )
    )
    plot.add_tools(HoverTool(renderers=[marks], tooltips=[("", "@name"), ("Water", "@y{0.00} m")]))
    return plot


def _curve():
    plot = _plot(
        "curve",
        "share of the time with so much flow or more [%]",
        "flow [m³/s]",
        "log",
        x_range=Range1d(0, 100),
        y_range=Range1d(0.1, 10),
    )
    source = ColumnDataSource(
        {"x": [], "flow": [], "reserved": [], "top": [], "floor": [], "full": []}, name="curve-flow"
    )
    taken = plot.varea("x", "floor", "top", source=source, fill_color=looks.BAND, fill_alpha=0.6)
    flow = plot.line("x", "flow", source=source, line_color=looks.WATER, line_width=2)
    full = plot.line("x", "full", source=source, line_color=looks.OCHRE, line_width=1.6, line_dash=[10, 4])
    reserved = plot.line("x", "reserved", source=source, line_color=looks.INK, line_width=1.6, line_dash=[3, 3])
    _legend(
        plot,
        [
            ("flow", [flow]),
            ("reserve + design flow", [full]),
            ("reserve", [reserved]),
            ("machine may take", [taken]),
        ],
    )
    plot.add_tools(
        HoverTool(
            renderers=[flow],
            mode="vline",
            tooltips=[
                ("Share of the time", "@x{0.#} %"),
                ("Flow", "@flow{0.000} m³/s"),
                ("Stays in the stream", "@reserved{0.000} m³/s"),
            ],
        )
    )
    return plot


def _months():
    plot = _plot("months", "month", "energy [MWh]", x_range=list(MONTHS), y_range=Range1d())
    source = ColumnDataSource({"month": [], "energy": [], "colour": [], "told": []}, name="months-energy")
    bars = plot.vbar("month", top="energy", width=0.75, source=source, fill_color="colour", line_color=looks.WATER)
    plot.add_tools(
        HoverTool(renderers=[bars], tooltips=[("", "@month"), ("Energy", "@energy{0.0} MWh"), ("", "@told")])
    )
    return plot


def supply_plot(curve, currency):
    """Energy against cost: each site as wide as its energy and as high as its cost, the cheapest first.

    Parameters
    ----------
    curve : DataFrame
        Layer ``supply_curve``; sites whose cost has no figure are left out.
    currency : str

    Returns
    -------
    bokeh.plotting.figure
        Named ``supply``.
    """
    unit = f"{short_money(currency)}/kWh"
    plot = _plot("supply", "energy of all sites so far, mean year [MWh/yr]", f"cost of energy [{unit}]")
    rows = curve[curve["cost_per_kwh"].notna()].sort_values("position")
    right = [round(float(one), 3) for one in rows["energy_sum_mwh"]]
    source = ColumnDataSource(
        {
            "left": [0.0, *right[:-1]] if right else [],
            "right": right,
            "cost": [round(float(one), 6) for one in rows["cost_per_kwh"]],
            "id": [plain(name) for name in rows["site_id"]],
            "energy": [amount(one, "MWh/yr") for one in rows["energy_mwh"]],
            "told": [amount(one, unit) for one in rows["cost_per_kwh"]],
        },
        name="supply-sites",
    )
    bars = plot.quad(
        left="left", right="right", bottom=0, top="cost", source=source, fill_color=looks.BAND,
        line_color=looks.WATER,
    )  # fmt: skip
    plot.add_tools(
        HoverTool(renderers=[bars], tooltips=[("Site", "@id"), ("Cost", "@told"), ("Energy", "@energy")])
    )
    plot.y_range.start = 0
    plot.x_range.range_padding = 0.02
    return plot


# An empty plot without tools but for hovering.
def _plot(name, x_label, y_label, y_axis="linear", **ranges):
    plot = figure(
        name=name,
        height=HEIGHT,
        sizing_mode="stretch_width",
        tools="",
        toolbar_location=None,
        y_axis_type=y_axis,
        x_axis_label=x_label,
        y_axis_label=y_label,
        min_border_right=10,
        **ranges,
    )
    plain_axes(plot)
    plot.ygrid.grid_line_color = "#e9edef"
    return plot


def _legend(plot, items):
    legend = Legend(
        items=[LegendItem(label=label, renderers=renderers, name=f"legend {label}") for label, renderers in items],
        orientation="horizontal",
        ncols=2,
        border_line_color=None,
        label_text_font_size="12px",
        label_text_font=looks.FONT,
        label_text_color=looks.INK,
        padding=2,
        margin=4,
        spacing=6,
        glyph_height=14,
    )
    plot.add_layout(legend, "above")
