"""Values and columns in words: labels with units from the schema, figures, flags, verdicts, layouts."""

import math
from html import escape

import pandas as pd

from sitefinder.report.text_tables import figure, plain
from sitefinder.schema import LAYERS, MONEY

NOT_KNOWN = "not known"
VERDICT_MEANING = {
    "open": "no rule stands against a site here",
    "restricted": "a site may stand here with limits: fish-safe machines only, no diversion, or no new barrier",
    "conditional": "a site may stand here on conditions that somebody has to settle",
    "unknown": "a rule's layer does not say, or the network is not resolved",
    "excluded": "a rule bars every site here",
}
LAYOUT_WORDS = {
    "at_barrier": "at an existing barrier",
    "diversion": "diversion",
    "new_weir": "new weir",
    "kinetic": "in the current",
}
MARK_WORDS = {
    "mark_exclude": "no site may stand here",
    "mark_conditional": "only on conditions",
    "mark_fish_safe_only": "only fish-safe machines",
    "mark_no_diversion": "no water may be led out of the stream",
    "mark_no_new_barrier": "no new barrier",
    "mark_unknown": "a layer does not say",
    "mark_note": "a rule asks for a note",
}
FLAG_WORDS = {
    "catchment_incomplete": "part of the catchment is off the elevation model: area and flow are lower bounds",
    "covariate_partial": "a climate raster covers only part of the catchment",
    "regulated": "a dam upstream changes the flow",
    "karst": "water is lost to karst upstream, so the flow is doubtful",
    "snap_doubtful": "the mapped stream and the valley of the elevation model do not agree",
    "seam": "a seam of the elevation model crosses here",
    "dem_border": "two elevation models meet here",
    "dem_surface_model": "the elevation model is of tree tops and roofs",
    "standing_water": "standing water",
    "standing_water_detected": "flat water that no layer tells of",
    "tidal": "the tide reaches here",
    "developed": "an existing plant uses this stream",
    "head_measured": "the levels were measured on site",
    "head_unresolved": "the head is too small to tell from the error of the elevation model",
    "network_unresolved": "the stream network is not resolved here",
    "cost_extrapolated": "the cost law was not made for this power or head",
    "survival_rounded": "losses of fish were rounded up, so a better set may exist",
    "flow_missing": "no flow can be told",
    "flow_extrapolated": "a predictor is out of the range of a flow equation",
    "flow_outside_area": "the catchment's area is out of the range of a flow equation",
    "flow_leverage": "the catchment is unlike those of the gauges",
    "flow_region_doubtful": "the shares of the flow regions do not add up to 1",
    "flow_negative": "a flow equation fell below nothing, and nothing is taken",
    "flow_interval_widened": "the flow's interval was widened, since gauges left out fell outside it too often",
    "flow_intermittent": "the stream is dry for part of the time",
    "flow_altered": "water is taken or given upstream",
    "flow_exhausted": "more water is taken upstream than there is",
    "curve_repaired": "flows of the duration curve crossed and were pooled",
    "curve_scaled": "the duration curve was scaled to the mean flow",
    "curve_extended": "a flow was read beyond the ends of the duration curve",
    "gauge_differs": "a gauge on this stream does not agree with the equations",
    "seen_dry": "a spot gauging found no water here",
    "structure_in_use": "the structure is in use",
}
COLUMNS = {(layer.name, column.name): column for layer in LAYERS.values() for column in layer.columns}


def short_money(currency):
    """The currency without its year, for units beside figures.

    Examples
    --------
    >>> short_money("EUR of 2024")
    'EUR'
    """
    return currency.partition(" of ")[0] or MONEY


def unit_of(layer, column, currency):
    """Unit of a column as shown beside a figure; empty for text, ratios and columns that are not declared."""
    declared = COLUMNS.get((layer, column))
    unit = declared.unit if declared else ""
    return "" if unit == "1" else unit.replace(MONEY, short_money(currency))


def meaning_of(layer, column):
    """What a column holds, in the schema's words; empty where it is not declared."""
    declared = COLUMNS.get((layer, column))
    return declared.meaning if declared else ""


def is_missing(value):
    """Whether a cell holds nothing: None, NaN or NA."""
    return value is None or bool(pd.isna(value))


def amount(value, unit=""):
    """Three significant digits with the unit behind a no-break space.

    Examples
    --------
    >>> amount(1234.5, "kW"), amount(float("nan"), "kW")
    ('1\\xa0234\\xa0kW', 'not known')
    """
    if is_missing(value):
        return NOT_KNOWN
    text = figure(float(value)).replace(" ", "\u00a0").replace("-", "−")
    return f"{text}\u00a0{unit}" if unit else text


def percent(share):
    """A share as a percentage.

    Examples
    --------
    >>> percent(0.3666)
    '36.7\\xa0%'
    """
    return NOT_KNOWN if is_missing(share) else amount(100.0 * float(share), "%")


def number(value):
    """The exact value for a ``data-v`` attribute, which scripts sort by; empty where it is missing."""
    if is_missing(value) or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    return repr(float(value))


def flags_in_words(flags):
    """The flags of a row, one phrase each; a flag without words here keeps its name."""
    told = []
    for flag in (part for part in flags.split("; ") if part):
        name, _, rest = flag.partition(": ")
        words = FLAG_WORDS.get(name, name.replace("_", " "))
        told.append(f"{words} ({rest})" if rest else words)
    return told


def safe(value):
    """A user's text as HTML text: nothing in it is ever a tag, an entity or a control character."""
    return escape(plain("" if is_missing(value) else value), quote=True)
