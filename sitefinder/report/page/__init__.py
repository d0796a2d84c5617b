"""The report page: one HTML file that shows and explains an inventory, and loads nothing."""

import base64
import hashlib
from importlib.resources import files

from sitefinder.report.page.bokeh_text import bokeh_script, plots_json
from sitefinder.report.page.diagrams import site_diagrams, supply_plot
from sitefinder.report.page.ground_html import ground_sections
from sitefinder.report.page.markup import data_block
from sitefinder.report.page.region_html import (
    distribution_tables,
    districts_table,
    fish_safe_table,
    fish_way,
    headline,
    least_heads_table,
    not_offered_table,
    totals_table,
    verdict_table,
    waterfall_table,
)
from sitefinder.report.page.region_map import region_map
from sitefinder.report.page.site_data import site_data
from sitefinder.report.page.sites_html import PICKED, filters, legend, sites_table
from sitefinder.report.page.words import amount, is_missing, safe
from sitefinder.schema.cautions import READING, SCREENING
from sitefinder.units import MEGAWATT_HOURS_PER_GIGAWATT_HOUR

STYLES = ("page.css",)
SCRIPTS = ("table.js", "map.js", "picked.js", "start.js")


def page_html(handover):
    """The report page.

    Parameters
    ----------
    handover : sitefinder.report.handover.Handover
        Its layers ``totals``, ``supply_curve``, ``distributions`` and ``flow_equations`` may be absent; what they
        tell is left out then.

    Returns
    -------
    str
        HTML that holds all its scripts, styles, pictures and data, and whose content security policy lets nothing
        be fetched. The same text for the same tables.
    """
    tables = handover.tables
    sites, reaches = tables["sites"], tables["reaches"]
    plot, layers = region_map(handover)
    plots = [plot, *(site_diagrams() if len(sites) else [])]
    supply = tables.get("supply_curve")
    has_supply = supply is not None and bool(supply["cost_per_kwh"].notna().any())
    if has_supply:
        plots.append(supply_plot(supply, handover.currency))
    sections = ground_sections(handover)
    links = [("sites", "Sites"), ("region", "Region"), *((name, heading) for name, heading, _ in sections)]
    scripts = [bokeh_script(), "\n".join(_own(name) for name in SCRIPTS)]
    body = [
        '<a class="skip" href="#sites-table">Skip to the table of sites</a>' if len(sites) else "",
        f"<header><h1>{safe(handover.title)}</h1>",
        "<p>An inventory of places on streams where a small drop and a steady flow could drive a machine.</p>",
        f'<p class="caution">{safe(SCREENING)}</p>',
        '<nav aria-label="Parts of this page">',
        " ".join(f'<a href="#{name}">{safe(heading)}</a>' for name, heading in links),
        "</nav></header><main>",
        headline(handover),
        '<section id="sites" aria-labelledby="sites-title"><h2 id="sites-title">Sites</h2>',
        _map_and_table(handover, layers),
        PICKED if len(sites) else "",
        "</section>",
        '<section id="region" aria-labelledby="region-title"><h2 id="region-title">Region</h2>',
        _region(handover, has_supply),
        "</section>",
    ]
    body += [
        f'<section id="{name}" aria-labelledby="{name}-title"><h2 id="{name}-title">{safe(heading)}</h2>{html}'
        "</section>"
        for name, heading, html in sections
    ]
    body += [
        f'</main><footer><p class="caution">{safe(SCREENING)}</p><p>sitefinder {safe(handover.version)}. '
        f"Coordinates: {safe(handover.crs)}. Money: {safe(handover.currency)}. Everything here is also in "
        f"sites.gpkg, under the same names.</p></footer>",
        data_block("plots", plots_json(plots)),
        data_block("data", {**site_data(handover), "reaches": len(reaches)}),
        *(f"<script>{script}</script>" for script in scripts),
    ]
    head = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{policy(scripts)}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{safe(handover.title)}: low-head sites</title>",
        f"<style>{''.join(_own(name) for name in STYLES)}</style></head><body>",
    ]
    return "\n".join([*head, *(part for part in body if part), "</body></html>", ""])


def policy(scripts):
    """The content security policy: these scripts and nothing else run, and nothing is fetched from anywhere.

    BokehJS needs no ``unsafe-eval``, since no CustomJS of Bokeh is used: the linking is a script of our own. It
    does put style elements and style attributes into the page while it draws, and they hang on the size of the
    window, so that no digest could name them: hence ``unsafe-inline`` for styles, which can fetch nothing either.

    Parameters
    ----------
    scripts : sequence of str
        Exactly what stands between the script tags.

    Returns
    -------
    str
    """
    digests = [
        f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode('ascii')}'"
        for script in scripts
    ]
    return (
        "default-src 'none'; img-src data:; font-src data:; connect-src 'none'; base-uri 'none'; "
        f"form-action 'none'; style-src 'unsafe-inline'; script-src {' '.join(digests)}"
    )


# A style or script that is part of this package.
def _own(name):
    return files(__package__).joinpath(name).read_text(encoding="utf-8")


def _map_and_table(handover, layers):
    sites, reaches = handover.tables["sites"], handover.tables["reaches"]
    alternative = (
        f"Map of {len(reaches)} reaches of stream by verdict and of {len(sites)} sites. The table of sites tells "
        "the same in words; use it if you do not see the map."
    )
    buttons = "".join(
        f'<button type="button" id="{name}" aria-label="{label}">{sign}</button>'
        for name, label, sign in (
            ("zoom-in", "Zoom in", "+"),
            ("zoom-out", "Zoom out", "−"),
            ("whole", "Show the whole region", "Whole region"),
        )
    )
    drawn = (
        f'<figure class="map"><div class="stage"><div id="plot-map" tabindex="0" role="img" '
        f'aria-label="{safe(alternative)}"></div><div class="zoom">{buttons}</div></div>'
        "<figcaption>Grid north is up. Drag to move, turn the wheel to zoom; with the keyboard: arrows, + and −. "
        f"Coordinates are in {safe(handover.crs)}.</figcaption>{legend(layers)}</figure>"
    )
    if not len(sites):
        why = '<a href="#not-offered">the table of reasons</a>'
        return f'<div class="map-table alone">{drawn}</div><p>No site was found. Why, tells {why}.</p>'
    return (
        f'<div class="map-table">{drawn}<div class="beside">{filters(sites)}'
        f"{sites_table(sites, handover.currency)}</div></div>"
    )


def _region(handover, has_supply):
    tables, currency = handover.tables, handover.currency
    p90, p10 = (
        value / MEGAWATT_HOURS_PER_GIGAWATT_HOUR for value in (handover.energy_p90_mwh, handover.energy_p10_mwh)
    )
    parts = [
        f"<p>All {len(tables['sites'])} sites together: P90 {safe(amount(p90, 'GWh/yr'))}, {_p50(tables)}P10 "
        f"{safe(amount(p10, 'GWh/yr'))}. {safe(READING[1])}</p>",
        verdict_table(tables["reaches"]),
        waterfall_table(tables["waterfall"]),
    ]
    if has_supply:
        parts.append(_supply_figure(tables["supply_curve"], currency))
    if "totals" in tables:
        totals = tables["totals"]
        scopes = ("district", "outside districts")
        if totals["scope"].isin(scopes).any():
            parts.append(totals_table(totals, scopes, "Totals by district", currency, "districts"))
        parts.append(totals_table(totals, ("stream",), "Totals by stream", currency, "streams"))
    elif len(tables["districts"]):
        parts.append(districts_table(tables["districts"], currency))
    parts.append(fish_safe_table(tables["fish_safe_gain"]) if len(tables["fish_safe_gain"]) else "")
    if way := fish_way(tables["streams"]):
        parts.append(f"<p>{safe(way)}</p>")
    if "distributions" in tables:
        parts.append(distribution_tables(tables["distributions"]))
    parts += [
        least_heads_table(tables["least_heads"]) if len(tables["least_heads"]) else "",
        not_offered_table(tables["reaches"]),
    ]
    return "\n".join(part for part in parts if part)


def _p50(tables):
    if "totals" not in tables:
        return ""
    region = tables["totals"].query("scope == 'region'")["energy_mwh_p50"]
    if not len(region) or is_missing(region.iloc[0]):
        return ""
    return f"P50 {safe(amount(region.iloc[0] / MEGAWATT_HOURS_PER_GIGAWATT_HOUR, 'GWh/yr'))}, "


def _supply_figure(supply, currency):
    known = supply[supply["cost_per_kwh"].notna()].sort_values("position")
    unit = currency.partition(" of ")[0] + "/kWh"
    told = (
        f"{len(known)} sites from {amount(known['cost_per_kwh'].iloc[0])} to "
        f"{amount(known['cost_per_kwh'].iloc[-1], unit)}, {amount(known['energy_sum_mwh'].iloc[-1], 'MWh/yr')} "
        "together."
    )
    return (
        '<figure><figcaption id="supply-title">Energy against cost: each site as wide as its energy, the cheapest '
        'first</figcaption><div id="plot-supply" class="plot" role="img" '
        'aria-labelledby="supply-title supply-text">'
        f'</div><p class="alt" id="supply-text">{safe(told)}</p></figure>'
    )
