"""The table of sites, its filters, the legend of the map and the frame for the site that is picked, in HTML."""

from sitefinder.report.page import looks
from sitefinder.report.page.markup import number
from sitefinder.report.page.words import (
    LAYOUT_WORDS,
    VERDICT_MEANING,
    amount,
    is_missing,
    meaning_of,
    safe,
    unit_of,
)
from sitefinder.schema import LAYOUTS, VERDICTS

# Column of ``sites``, heading, and whether it is a number.
SHOWN = (
    ("rank", "Rank", True),
    ("site_id", "Site", False),
    ("stream", "Stream", False),
    ("head_m", "Head", True),
    ("power_kw", "Power", True),
    ("energy_mwh", "Energy", True),
    ("energy_mwh_p90", "P90", True),
    ("energy_mwh_p10", "P10", True),
    ("cost_per_kwh", "Cost", True),
    ("verdict", "Verdict", False),
    ("layout", "Layout", False),
    ("district", "District", False),
    ("flow_mean_m3s", "Mean flow", True),
    ("fish_safe", "Fish-safe", False),
)


def sites_table(sites, currency):
    """Filters and the table of sites; every row names its site, and every figure carries its exact value."""
    sites = sites.drop(columns="geometry").sort_values("rank")
    heads = []
    for name, label, is_number in SHOWN:
        unit = unit_of("sites", name, currency)
        shown = f' <span class="unit">{safe(unit)}</span>' if unit else ""
        order = "ascending" if name == "rank" else "none"
        kind = ' class="n"' if is_number else ""
        heads.append(
            f'<th scope="col" aria-sort="{order}" data-column="{name}"{kind}>'
            f'<button type="button" title="{safe(meaning_of("sites", name))}">{safe(label)}{shown}</button></th>'
        )
    rows = "\n".join(_row(row) for row in sites.to_dict("records"))
    return (
        '<div class="scroll sites" tabindex="-1"><table id="sites-table"><caption><span>Pick a site with a '
        "click, or with the arrow keys and Enter.</span></caption>"
        f"<thead><tr>{''.join(heads)}</tr></thead><tbody>\n{rows}\n</tbody></table></div>"
    )


def _row(row):
    cells = []
    for name, _, is_number in SHOWN:
        value = row[name]
        if is_number:
            text = str(value) if name == "rank" else amount(value)
            cells.append(f'<td class="n" data-v="{number(value)}">{safe(text)}</td>')
        elif name == "fish_safe":
            cells.append(f"<td>{'yes' if value else 'no'}</td>")
        elif name == "site_id":
            cells.append(f'<th scope="row">{safe(value)}</th>')
        else:
            told = LAYOUT_WORDS[value] if name == "layout" else ("" if is_missing(value) else value)
            cells.append(f"<td>{safe(told)}</td>")
    return (
        f'<tr tabindex="-1" data-rank="{row["rank"]}" data-verdict="{row["verdict"]}" '
        f'data-layout="{row["layout"]}" data-safe="{"yes" if row["fish_safe"] else "no"}">{"".join(cells)}</tr>'
    )


def filters(sites):
    """What narrows the table: text, verdict, layout, fish-safe; only values that occur."""

    def choice(identity, label, values):
        options = "".join(f'<option value="{value}">{safe(words)}</option>' for value, words in values)
        return f'<label>{label} <select id="{identity}"><option value="">all</option>{options}</select></label>'

    verdicts = [(name, name) for name in reversed(VERDICTS) if (sites["verdict"] == name).any()]
    layouts = [(name, LAYOUT_WORDS[name]) for name in LAYOUTS if (sites["layout"] == name).any()]
    return (
        '<form class="filters" id="filters"><label>Find <input type="search" id="find" '
        'placeholder="site, stream, district"></label>'
        + choice("of-verdict", "Verdict", verdicts)
        + choice("of-layout", "Layout", layouts)
        + choice("of-safe", "Fish-safe", [("yes", "yes"), ("no", "no")])
        + f'<output id="shown" aria-live="polite">{len(sites)} of {len(sites)} sites</output></form>'
    )


def legend(layers):
    """Checkboxes that switch the layers of the map, each with how it is drawn."""
    boxes = "".join(
        f'<label{_title(name)}><input type="checkbox" checked data-layer="{name}">{_swatch(name)}'
        f"<span>{safe(called)}</span></label>"
        for name, called in layers
    )
    return f'<fieldset class="legend" id="legend"><legend>Layers</legend>{boxes}</fieldset>'


def _title(name):
    meaning = VERDICT_MEANING.get(name.removeprefix("verdict-"), "")
    return f' title="{safe(meaning)}"' if meaning else ""


# A small picture of how a layer is drawn.
def _swatch(name):
    def line(colour, width, dash=()):
        pattern = f' stroke-dasharray="{" ".join(map(str, dash))}"' if dash else ""
        return f'<line x1="1" y1="7" x2="29" y2="7" stroke="{colour}" stroke-width="{width}"{pattern}/>'

    drawn = {
        "sites": f'<circle cx="15" cy="7" r="5.5" fill="{looks.PALE_OCHRE}" stroke="{looks.INK}"/>',
        "stretches": line(looks.INK, 5),
        "settlements": f'<rect x="12" y="4" width="6" height="6" fill="{looks.INK}"/>',
        "power_lines": line(looks.POWER_LINE, 1.5, (1, 4)),
        "roads": line(looks.ROAD, 1.5),
        "districts": line(looks.SOFT, 1.6, (12, 4)),
        "lakes": f'<rect x="3" y="2" width="24" height="10" fill="{looks.LAKE}" stroke="{looks.WATER}"/>',
        "relief": '<path d="M2 12 L10 3 L15 8 L20 4 L28 12 Z" fill="#c4cacd"/>',
    }
    verdict = name.removeprefix("verdict-")
    if verdict in looks.VERDICT_LINES:
        colour, dash, width = looks.VERDICT_LINES[verdict]
        return _svg(line(colour, width + 0.4, dash))
    return _svg(drawn[name])


def _svg(inner):
    return f'<svg width="30" height="14" viewBox="0 0 30 14" aria-hidden="true">{inner}</svg>'


PICKED = """
<section id="picked" aria-live="polite" aria-labelledby="picked-title">
<h3 id="picked-title" tabindex="-1">No site is picked</h3>
<p class="walk"><button type="button" id="previous">Rank before</button>
<button type="button" id="next">Rank after</button></p>
<div id="picked-flags"></div>
<div class="grid">
<figure><figcaption id="profile-title">Long profile</figcaption>
<div id="plot-profile" class="plot" role="img" aria-labelledby="profile-title profile-text"></div>
<p class="alt" id="profile-text"></p></figure>
<figure><figcaption id="curve-title">Flow duration curve at the intake</figcaption>
<div id="plot-curve" class="plot" role="img" aria-labelledby="curve-title curve-text"></div>
<p class="alt" id="curve-text"></p></figure>
<figure><figcaption id="months-title">Energy by month</figcaption>
<div id="plot-months" class="plot" role="img" aria-labelledby="months-title months-text"></div>
<p class="alt" id="months-text"></p></figure>
<figure><figcaption id="cost-title">Cost of energy against solar</figcaption>
<div id="cost-rows"></div><p class="alt" id="cost-text"></p></figure>
</div>
<div id="facts" class="facts"></div>
<h4 id="options-title">Machines that would fit</h4>
<div class="scroll" tabindex="0" role="region" aria-labelledby="options-title"><table id="options" class="figures">
<thead></thead><tbody></tbody></table></div>
</section>
"""
