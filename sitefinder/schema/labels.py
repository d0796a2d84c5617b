"""Short labels of columns, for people: the name without its unit, and the unit in brackets."""

from sitefinder.schema.columns import MONEY

# How names of columns end that carry a unit, or carry it before the share of draws.
UNIT_WORDS = {"m", "km", "km2", "m3s", "kw", "mw", "mwh", "gwh", "l", "percent", "w", "wh"}
# Words that stay capitals.
CAPITALS = {"p90": "P90", "p50": "P50", "p10": "P10", "q95": "Q95", "id": "ID"}


def column_labels(layer, money=MONEY):
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
    >>> labels["flow_mean_m3s"], labels["energy_mwh_p90"], labels["cost_per_kwh"], labels["stream"]
    ('flow mean [m³/s]', 'energy P90 [MWh/yr]', 'cost per kwh [EUR of 2024/kWh]', 'stream')
    """
    labels = {column.name: _label(column, money) for column in layer.columns}
    told = list(labels.values())
    return {name: label if told.count(label) == 1 else f"{name} ({label})" for name, label in labels.items()}


def _label(column, money):
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
