"""Labels of columns, sentences for flags, and the cautions that every delivery carries."""

from sitefinder.schema.columns import MONEY, Column, Layer
from sitefinder.vocabulary import flag_phrases as flags_in_words

# How names of columns end that carry a unit, or carry it before the share of simulations.
UNIT_WORDS = {"m", "km", "km2", "m3s", "kw", "mw", "mwh", "gwh", "l", "percent", "w", "wh"}
# Words that stay capitals.
CAPITALS = {"p90": "P90", "p50": "P50", "p10": "P10", "q95": "Q95", "id": "ID"}


def column_labels(layer: Layer, money: str = MONEY) -> dict[str, str]:
    """A label for each column of a layer, none of them twice.

    Parameters
    ----------
    layer : sitefinder.schema.Layer
    money : str
        What to call the unit of money, for example "EUR of 2024".

    Returns
    -------
    dict of str to str
        By name of column.

    Examples
    --------
    >>> from sitefinder.schema import LAYERS
    >>> labels = column_labels(LAYERS["sites"], "EUR of 2024")
    >>> labels["flow_mean_m3s"], labels["energy_mwh_p90"], labels["lcoe_per_kwh"], labels["stream"]
    ('flow mean [m³/s]', 'energy P90 [MWh/yr]', 'cost per kwh [EUR of 2024/kWh]', 'stream')
    """
    labels = {column.name: _label(column, money) for column in layer.columns}
    notes = list(labels.values())
    return {name: label if notes.count(label) == 1 else f"{name} ({label})" for name, label in labels.items()}


def _label(column: Column, money: str) -> str:
    words = column.name.split("_")
    # "per_km" and "per_kwh" tell more than a unit; all other words of units are told in the brackets.
    kept = [
        word
        for before, word in zip(["", *words[:-1]], words, strict=True)
        if word not in UNIT_WORDS or before == "per" or not column.unit
    ]
    name = " ".join(CAPITALS.get(word, word) for word in kept) or column.name
    unit = column.unit.replace(MONEY, money)
    return f"{name} [{unit}]" if unit not in ("", "1") else name


__all__ = ["flags_in_words"]
SCREENING = (
    "Screening, not design. Measure levels, flows and fish on site, with care at weirs and in moving water; "
    "local codes, permits and licensed practice decide."
)
# What an inventory from maps and statistics cannot know, whatever its inputs (common practice, no source).
NOT_KNOWN = (
    "Who owns the banks, the water rights and the weirs, and whether they would sell, lease or share them.",
    "What the ground carries: rock, soil, groundwater, slides, and what lies buried.",
    "Whether the grid takes the power: distance to a line is known, its voltage and free capacity are not.",
    "Sediment, ice, driftwood and litter, which decide about racks, cleaning and wear.",
    "Which fish and other animals live in each reach, beyond what the layers say.",
    "Monuments, noise, views, navigation, bathing and other uses, where no layer shows them.",
    "How climate will change the flows: the statistics are those of the gauges' years.",
    "Whether an existing structure is safe, and who must maintain it.",
)
# For whoever goes there (common practice, no source).
SAFETY = (
    "Moving water kills: stay on the bank; never wade deeper than the knee, nor where you do not see the bed.",
    "Keep off weirs, gates and screens. The water below a weir can hold a swimmer under.",
    "Do not go at high flow, in rising water or after heavy rain; plants and gates upstream may release water "
    "without warning.",
    "Do not go alone; tell somebody where you are and when you will be back.",
    "Ask the landowner, and the operator of a structure, before you enter.",
    "Keep poles, staffs and drones away from power lines, and touch nothing electrical.",
)
# How figures of a delivery are to be read.
READING = (
    "P90 is exceeded in 90 % of the simulations, P10 in 10 %; a cost's P90 is not exceeded in 90 % of them.",
    "P90 and P10 of totals come from the same simulations as those of sites, so that shared errors do not cancel. "
    "They do not add up: the P90 of a region is more than the sum of the P90 of its sites or districts.",
    "Installed capacity is the rated electrical output at the terminals; energy is the mean annual energy.",
    "Heads, flows and energy of sites are estimates from maps and statistics, and nothing was measured on site "
    "unless the flags say so.",
)
