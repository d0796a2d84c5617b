"""The waterfall of potential and the ways of fish, as parts of the summary."""

from sitefinder.report.text_tables import counted, figure, name_of, rendered, text_table
from sitefinder.schema import has_flag

RULES_SHOWN = 8
# Steps that are told although they concern no reach.
ALWAYS_TOLD = ("everything", "open")
ROUNDED_FLAG = "survival_rounded"


def waterfall_text(waterfall):
    """The steps of the region in their order: what each bars and what it leaves.

    Parameters
    ----------
    waterfall : DataFrame
        As `sitefinder.schema` declares it.

    Returns
    -------
    str
        Steps that concern no reach are left out, and rules beyond the first eight that do are counted.
    """
    region = (waterfall["scope"] == "region") & (waterfall["way"] == "in order")
    told = (waterfall["met_reaches"] > 0) | waterfall["kind"].isin(ALWAYS_TOLD)
    steps = waterfall[region & told].sort_values("step")
    is_rule = steps["kind"] == "rule"
    hidden = is_rule & (is_rule.cumsum() > RULES_SHOWN)
    columns = ("step by step", "meets", "bars", "leaves", "km", "MW", "GWh")
    table = text_table(*[(name, "left" if name == columns[0] else "right") for name in columns])
    for step in steps[~hidden].itertuples():
        name = f"{step.rule} ({step.action.replace('_', ' ')})" if step.rule else step.kind
        counts = [str(number) for number in (step.met_reaches, step.barred_reaches, step.left_reaches)]
        amounts = [figure(value) for value in (step.left_km, step.left_mw, step.left_gwh)]
        table.add_row(name_of(name, 48), *counts, *amounts)
    text = rendered(table)
    return f"{text}\n  and {counted(int(hidden.sum()), 'rule', 'rules')} more" if hidden.any() else text


def fish_text(streams, sites, settings):
    """How many fish come down alive on their worst way, and what that leaves out.

    Parameters
    ----------
    streams, sites : DataFrame
        As `sitefinder.schema` declares them.
    settings : dict of str to str
        Settings by their keys, as ``provenance`` tells them.

    Returns
    -------
    str
        Empty where no spawning ground is told.
    """
    known = streams[streams["least_survival"].notna()]
    if not len(known):
        return ""
    worst = known.loc[known["least_survival"].astype(float).idxmin()]
    met = counted(int(worst["plants_on_the_way"]), "plant", "plants")
    text = (
        f"On the worst way from a spawning ground to the outlet {figure(100 * worst['least_survival'])} % of fish"
    )
    text += f" survive, past {met}"
    if "fish.least_survival_on_the_way" in settings:
        text += f" (asked: {figure(100 * float(settings['fish.least_survival_on_the_way']))} %)"
    if "fish.existing_survival" not in settings and streams["developed_m"].sum() > 0:
        text += "; existing plants are not counted, since fish.existing_survival is not set"
    if has_flag(sites["flags"], ROUNDED_FLAG).any():
        text += f"; losses were rounded up, so that a set of more value may exist ({ROUNDED_FLAG})"
    return text + "."
