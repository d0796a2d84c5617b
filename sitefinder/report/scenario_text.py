"""What `sitefinder scenarios` prints: the figures of several runs side by side."""

from sitefinder.report.text_tables import counted, figure, name_of, plain, rendered, text_table
from sitefinder.schema.vocabulary import VERDICTS, names

SIDE_BY_SIDE = 4
NAME_WIDTH, LABEL_WIDTH = 13, 36
ROWS = (
    ("reaches", "reaches", ""),
    ("stream", "reach_length_km", "km"),
    *((name, f"{name}_length_km", "km") for name in reversed(names(VERDICTS))),
    ("gross theoretical potential", "theoretical_mw", "MW"),
    ("  on open or restricted reaches", "theoretical_open_mw", "MW"),
    ("sites", "sites", ""),
    ("installed capacity", "power_mw", "MW"),
    ("mean annual energy", "energy_gwh", "GWh"),
    ("  exceeded in 90 % of simulations", "energy_gwh_p90", "GWh"),
    ("  exceeded in 10 % of simulations", "energy_gwh_p10", "GWh"),
    ("capital cost", "capital_cost", ""),
)
AGAINST_FIRST = (
    ("sites unchanged", "sites_unchanged"),
    ("  moved in rank", "sites_moved_in_rank"),
    ("  changed in value", "sites_changed_in_value"),
    ("  changed by rules", "sites_changed_by_rules"),
    ("  newly excluded", "sites_newly_excluded"),
    ("  vanished", "sites_vanished"),
    ("  re-admitted", "sites_re_admitted"),
    ("  appeared", "sites_appeared"),
)
# Rows that are left out where no scenario has any.
MAY_BE_NOTHING = {"conditional_length_km", "unknown_length_km", "sites_changed_by_rules", "sites_re_admitted"}


def scenario_text(title, table, currency="", files=()):
    """Scenarios as text.

    Parameters
    ----------
    title : str
        Name of the first one's inventory.
    table : DataFrame
        As of `sitefinder.stages.scenarios.run_scenarios`.
    currency : str
        Of the capital cost, for example "EUR of 2024".
    files : iterable of path-like
        What was written.

    Returns
    -------
    str
        At most 100 characters wide but for file names: four scenarios side by side, more below, each time beside
        the first; ends with a line break.
    """
    first = str(table["scenario"].iloc[0])
    parts = [f"{plain(title)}: {counted(len(table), 'scenario', 'scenarios')}"]
    others = list(range(1, len(table)))
    step = SIDE_BY_SIDE - 1
    for start in range(0, max(len(others), 1), step):
        block = table.iloc[[0, *others[start : start + step]]]
        parts.append(_block(block, currency, ROWS))
        if len(block) > 1:
            against = [(label, name, "") for label, name in AGAINST_FIRST]
            parts.append(f"Against {plain(first)}\n" + _block(block, currency, against, heads=False))
    if files:
        parts.append("Files\n" + "\n".join(f"  {file}" for file in files))
    return "\n\n".join(parts) + "\n"


def _block(block, currency, rows, heads=True):
    names = [name_of(name, NAME_WIDTH).plain.rjust(NAME_WIDTH) for name in block["scenario"]]
    shown = text_table(("", "left"), *(("" if not heads else name, "right") for name in names))
    for label, name, unit in rows:
        values = block[name].tolist()
        if name in MAY_BE_NOTHING and not any(values):
            continue
        cells = [str(value) if isinstance(value, int) else figure(value) for value in values]
        unit = currency if name == "capital_cost" else unit
        told = f"{label}, {plain(unit)}" if unit else label
        shown.add_row(told.ljust(LABEL_WIDTH), *(cell.rjust(NAME_WIDTH) for cell in cells))
    text = rendered(shown)
    return text if heads else text.split("\n", 1)[1]
