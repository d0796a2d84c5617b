"""The screening cascade and the passage of fish, as parts of the summary."""

from sitefinder.report.text_tables import counted, figure, name_of, rendered, text_table
from sitefinder.schema import has_flag
from sitefinder.schema.vocabulary import ACTIONS, SURVIVAL_ROUNDED, labels

RULES_SHOWN = 8
# Steps that are shown although they affect no reach.
ALWAYS_SHOWN = ("everything", "open")


def waterfall_text(waterfall):
    """The screening cascade of the region: what each step affects, excludes and leaves.

    Parameters
    ----------
    waterfall : DataFrame
        As `sitefinder.schema` declares it.

    Returns
    -------
    str
        Steps that affect no reach are left out, and rules beyond the first eight that do are counted.
    """
    region = (waterfall["scope"] == "region") & (waterfall["way"] == "in order")
    shown = (waterfall["met_reaches"] > 0) | waterfall["kind"].isin(ALWAYS_SHOWN)
    steps = waterfall[region & shown].sort_values("step")
    is_rule = steps["kind"] == "rule"
    hidden = is_rule & (is_rule.cumsum() > RULES_SHOWN)
    columns = ("screening cascade", "affected", "excluded", "remaining", "km", "MW", "GWh")
    table = text_table(*[(name, "left" if name == columns[0] else "right") for name in columns])
    action = labels(ACTIONS)
    for step in steps[~hidden].itertuples():
        name = f"{step.rule} ({action.get(step.action, step.action)})" if step.rule else step.kind
        counts = [str(number) for number in (step.met_reaches, step.barred_reaches, step.left_reaches)]
        amounts = [figure(value) for value in (step.left_km, step.left_mw, step.left_gwh)]
        table.add_row(name_of(name, 48), *counts, *amounts)
    text = rendered(table)
    return f"{text}\n  and {counted(int(hidden.sum()), 'rule', 'rules')} more" if hidden.any() else text


def fish_text(streams, sites, settings):
    """Cumulative downstream passage survival on the least favourable route, and what it leaves out.

    Parameters
    ----------
    streams, sites : DataFrame
        As `sitefinder.schema` declares them.
    settings : dict of str to str
        Settings by their keys, as ``provenance`` lists them.

    Returns
    -------
    str
        Empty where no spawning ground is known.
    """
    known = streams[streams["least_survival"].notna()]
    if not len(known):
        return ""
    worst = known.loc[known["least_survival"].astype(float).idxmin()]
    met = counted(int(worst["plants_on_the_way"]), "plant", "plants")
    text = (
        "Cumulative downstream passage survival from spawning grounds to the outlet, on the least favourable "
        f"route: {figure(100 * worst['least_survival'])} % of fish, past {met}"
    )
    if "fish.least_survival_on_the_way" in settings:
        text += f" (minimum set: {figure(100 * float(settings['fish.least_survival_on_the_way']))} %)"
    if "fish.existing_survival" not in settings and streams["developed_m"].sum() > 0:
        text += "; existing plants are not counted, since fish.existing_survival is not set"
    if has_flag(sites["flags"], SURVIVAL_ROUNDED.name).any():
        text += f"; losses were rounded up, so that a selection of more value may exist ({SURVIVAL_ROUNDED.name})"
    return text + "."
