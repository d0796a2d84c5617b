"""The report page: data of its templates, and a security policy without any network access."""

import base64
import hashlib
import json
from importlib.resources import files

from markupsafe import Markup

from sitefinder.report.flow_quality import input_notes
from sitefinder.report.languages import current, numeral, plural, say, texts_of
from sitefinder.report.page.figures import amount, short_money
from sitefinder.report.page.fish import fish_section
from sitefinder.report.page.headline import drops_sentence, headline
from sitefinder.report.page.packing import packed_rows
from sitefinder.report.page.region import assumptions, equations, inputs_table, quality, region_tables
from sitefinder.report.page.region_map import AREA_TIP, LINE_STEP, REACH_TIP, region_map
from sitefinder.report.page.sites import filters, shown_by, site_data, sites_table, table_data
from sitefinder.report.page.structures import TIP, structures_section
from sitefinder.report.stream_names import stream_names
from sitefinder.report.templates import environment
from sitefinder.report.text import is_missing, money_text, plain
from sitefinder.schema.wording import NOT_KNOWN, READING, SAFETY, SCREENING
from sitefinder.units import MEGAWATT_HOURS_PER_GIGAWATT_HOUR

STYLE, SCRIPTS = "page.css", ("data.js", "table.js", "lines.js", "map.js", "diagrams.js", "start.js")
# Beyond this many sites or reaches rows and lines are made by the script when they are shown: browsers open a page
# with tens of thousands of lines and cells slowly (own choice).
MANY_SITES, MANY_REACHES = 400, 4000
# Files beside the page that it links to, with what they are called there.
FILE_LABELS = {
    "field-sheets.pdf": "Field sheets (PDF)",
    "district-map.pdf": "Map (PDF)",
    "sites.gpkg": "GeoPackage",
    "sites.qgs": "QGIS project",
    "sites.gpx": "GPX",
    "sites.csv": "CSV",
}
SECTIONS = (
    ("sites", "Sites"),
    ("structures", "Existing structures and drops"),
    ("region", "Region"),
    ("fish", "Fish"),
    ("inputs", "Inputs"),
    ("equations", "Flow equations"),
    ("assumptions", "Assumptions"),
    ("quality", "Data quality"),
    ("not-known", "What this inventory does not cover"),
    ("reading", "How to read the figures"),
    ("cautions", "Cautions"),
)


def page_html(handover, explained=None):
    """The report page.

    Parameters
    ----------
    handover : sitefinder.report.handover.Handover
        Its layers ``totals``, ``supply_curve``, ``distributions`` and ``flow_equations`` may be absent; their
        content is then omitted.
    explained : dict of str to str, optional
        Explanations as text by site id, for the sections of these sites; the page opens at the first.

    Returns
    -------
    str
        HTML with all scripts, styles, pictures and data, and a content security policy that allows no request. The
        same text for the same tables.
    """
    streams = handover.tables["reaches"]["stream"]
    handover = _with_stream_names(handover)
    tables = handover.tables
    sites, reaches, provenance = tables["sites"], tables["reaches"], tables["provenance"]
    is_large = len(sites) > MANY_SITES or len(reaches) > MANY_REACHES
    drawn, tips, lines = region_map(handover, streams, is_large)
    in_table = sites_table(sites, handover)
    structures = structures_section(handover)
    supply = _supply(tables.get("supply_curve"), handover.currency)
    settings, stages = assumptions(provenance)
    style, script = _own(STYLE), "\n".join(_own(name) for name in SCRIPTS)
    fish = fish_section(handover)
    data = {
        **texts_of(script),
        **site_data(handover),
        "reachTip": [say(label) for label in REACH_TIP],
        "reaches": packed_rows(tips.reaches, len(REACH_TIP)),
        "placeTip": [say(label) for label in TIP],
        "places": packed_rows(tips.places, len(TIP)),
        "areaTip": [say(label) for label in AREA_TIP],
        "areas": packed_rows(tips.areas, len(AREA_TIP)),
        "frame": drawn["frame"]._asdict(),
        "supply": supply,
        "links": _links(handover),
    }
    if is_large:
        data |= {"lines": lines, "step": LINE_STEP, "rows": table_data(in_table)}
        in_table = in_table | {"rows": []}
    if explained:
        rank_of = dict(zip(sites["site_id"], sites["rank"].tolist(), strict=True))
        data |= {"explained": explained, "opened": rank_of[next(iter(explained))]}
    context = {
        "policy": Markup(policy(style, script)),
        "style": Markup(style),
        "script": Markup(script),
        "data": json_for_script(data),
        "language": current().tag,
        "title": handover.title,
        "notes": handover.notes,
        "files": [(name, say(FILE_LABELS[name])) for name in handover.files if name in FILE_LABELS],
        "crs": handover.crs,
        "currency": money_text(handover.currency),
        "version": handover.version,
        "sections": [
            (name, say(heading))
            for name, heading in SECTIONS
            if (structures or name != "structures") and (fish or name != "fish")
        ],
        "structures": structures,
        "input_notes": input_notes(tables, handover.allow),
        "headline": headline(handover),
        "drops": drops_sentence(tables),
        "map": drawn,
        "number_of_sites": len(sites),
        "sites_in_words": numeral(f"{len(sites):,}"),
        "number_of_reaches": len(reaches),
        "explained": bool(explained),
        "is_large": is_large,
        "sites": in_table,
        "filters": filters(sites),
        "shown_by": shown_by(sites, handover.currency),
        "totals": _totals(handover),
        "region": region_tables(handover),
        "supply": supply,
        "fish": fish,
        "inputs": inputs_table(provenance),
        "equations": equations(provenance, tables.get("flow_equations")),
        "settings": settings,
        "stages": stages,
        "quality": quality(reaches, sites, tables["repairs"]),
        "screening": say(SCREENING),
        "not_known": [say(text) for text in NOT_KNOWN],
        "reading": [say(text) for text in READING],
        "safety": [say(text) for text in SAFETY],
    }
    return environment(__package__).get_template("page.html.j2").render(context)


def policy(style, script):
    """The content security policy: this style and this script only, and no request.

    Parameters
    ----------
    style, script : str
        Exactly the text between the tags.

    Returns
    -------
    str
    """
    style_digest, script_digest = (
        base64.b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii") for text in (style, script)
    )
    return (
        "default-src 'none'; img-src data:; connect-src 'none'; base-uri 'none'; form-action 'none'; "
        f"style-src 'sha256-{style_digest}'; script-src 'sha256-{script_digest}'"
    )


def json_for_script(data):
    """Data for scripts, as JSON in which no text can end the element.

    Examples
    --------
    >>> print(json_for_script("</script>"))
    "\\u003c/script\\u003e"
    """
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for character in "<>&\u2028\u2029":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return Markup(text)


# Files that hold the selected site, for the script: name and label, and the number of sites with a field sheet.
def _links(handover):
    own = ("field-sheets.pdf", "sites.csv", "sites.gpx")
    return {
        "files": [[name, say(FILE_LABELS[name])] for name in own if name in handover.files],
        "sheets": handover.sheets,
    }


# The same tables, with each stream without a name named after the river that it joins.
def _with_stream_names(handover):
    sites, reaches = handover.tables["sites"], handover.tables["reaches"]
    stream_of = stream_names(reaches, reaches["reach_id"])
    of_reaches = [stream_of[reach] for reach in reaches["reach_id"]]
    of_sites = [
        stream_of.get(reach, "") if is_missing(name) or not name else name
        for name, reach in zip(sites["stream"], sites["reach_id"], strict=True)
    ]
    named = {"sites": sites.assign(stream=of_sites), "reaches": reaches.assign(stream=of_reaches)}
    return handover._replace(tables={**handover.tables, **named})


# A style or script of this package.
def _own(name):
    return files(__package__).joinpath(name).read_text(encoding="utf-8").strip()


# Energy of all sites together [GWh/yr], exceeded with 90, 50 and 10 % probability: (name, text) each.
def _totals(handover):
    figures = {"P90": handover.energy_p90_mwh, "P50": handover.energy_p50_mwh, "P10": handover.energy_p10_mwh}
    if is_missing(figures["P50"]) and "totals" in handover.tables:
        region = handover.tables["totals"].query("scope == 'region'")["energy_mwh_p50"]
        figures["P50"] = region.iloc[0] if len(region) else None
    return ", ".join(
        f"{name} {amount(value / MEGAWATT_HOURS_PER_GIGAWATT_HOUR)}"
        for name, value in figures.items()
        if not is_missing(value)
    )


# The supply curve: sites by LCOE with their energy, and a sentence; None if no LCOE is known.
def _supply(supply, currency):
    if supply is None or not supply["lcoe_per_kwh"].notna().any():
        return None
    known = supply[supply["lcoe_per_kwh"].notna()].sort_values("position")
    unit = f"{short_money(currency)}/kWh"
    costs = known["lcoe_per_kwh"]
    return {
        "unit": unit,
        "right": [round(float(value), 3) for value in known["energy_sum_mwh"]],
        "cost": [round(float(value), 6) for value in costs],
        "site": [plain(name) for name in known["site_id"]],
        "energy": [amount(value, "MWh/yr") for value in known["energy_mwh"]],
        "text": plural(
            "{number} sites from {low} to {high}, {energy} together.",
            "{number} sites from {low} to {high}, {energy} together.",
            len(known),
            low=amount(costs.iloc[0]),
            high=amount(costs.iloc[-1], unit),
            energy=amount(known["energy_sum_mwh"].iloc[-1], "MWh/yr"),
        ),
    }
