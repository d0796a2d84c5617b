"""Scenarios side by side, as text: `sitefinder scenarios`."""

import math

from sitefinder.comparison.scenario_figures import SEASONS
from sitefinder.report.text import counted, figure, money_figure, name_of, plain, rendered, text_table
from sitefinder.vocabulary import VERDICTS, names

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
    ("  December to February", "energy_gwh_dec_feb", "GWh"),
    ("  March to May", "energy_gwh_mar_may", "GWh"),
    ("  June to August", "energy_gwh_jun_aug", "GWh"),
    ("  September to November", "energy_gwh_sep_nov", "GWh"),
    ("capital cost", "capital_cost", ""),
    ("LCOE", "lcoe_per_kwh", ""),
    ("net present value", "npv", ""),
)
# Rows in the currency of the run.
OF_MONEY = ("capital_cost", "lcoe_per_kwh", "npv")
AGAINST_FIRST = (
    ("sites unchanged", "sites_unchanged"),
    ("  moved in rank", "sites_moved_in_rank"),
    ("  changed in value", "sites_changed_in_value"),
    ("  changed by rules", "sites_changed_by_rules"),
    ("  changed by decisions", "sites_changed_by_decisions"),
    ("  newly excluded", "sites_newly_excluded"),
    ("  vanished", "sites_vanished"),
    ("  re-admitted", "sites_re_admitted"),
    ("  appeared", "sites_appeared"),
)
# Rows that are omitted if no scenario has any.
MAY_BE_NOTHING = {
    "conditional_length_km",
    "unknown_length_km",
    "sites_changed_by_rules",
    "sites_changed_by_decisions",
    "sites_re_admitted",
}
MAY_BE_NOTHING |= {f"energy_gwh_{name}" for name in SEASONS}


def scenario_text(title, table, currency="", files=()):
    """Scenarios as text.

    Parameters
    ----------
    title : str
        Name of the first one's inventory.
    table : DataFrame
        As of `sitefinder.scenarios.run_scenarios`.
    currency : str
        Of the capital cost, for example "EUR of 2024".
    files : iterable of path-like
        What was written.

    Returns
    -------
    str
        At most 100 characters wide except file names: four scenarios side by side, more below, each time with the
        first; ends with a line break.
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
            parts.append(f"Compared with {plain(first)}\n" + _block(block, currency, against, heads=False))
    if files:
        parts.append("Files\n" + "\n".join(f"  {file}" for file in files))
    return "\n\n".join(parts) + "\n"


def _block(block, currency, rows, heads=True):
    names = [name_of(name, NAME_WIDTH).plain.rjust(NAME_WIDTH) for name in block["scenario"]]
    shown = text_table(("", "left"), *(("" if not heads else name, "right") for name in names))
    for label, name, unit in rows:
        values = block[name].tolist()
        if name in MAY_BE_NOTHING and not any(value and not math.isnan(value) for value in values):
            continue
        shown_as = money_figure if name in OF_MONEY else figure
        cells = [
            str(value) if isinstance(value, int) else "unknown" if math.isnan(value) else shown_as(value)
            for value in values
        ]
        shown_unit = currency if name in OF_MONEY else unit
        heading = f"{label}, {plain(shown_unit)}" if shown_unit else label
        shown.add_row(heading.ljust(LABEL_WIDTH), *(cell.rjust(NAME_WIDTH) for cell in cells))
    text = rendered(shown)
    return text if heads else text.split("\n", 1)[1]
