"""What results may tell of rules whose layer is not to be published exactly: nests, rare fish, finds."""

import numpy as np
import pandas as pd

from sitefinder.rules.verdicts import CATEGORY_MISSING
from sitefinder.schema.columns import HELD
from sitefinder.settings.rules import SENSITIVE
from sitefinder.vocabulary import NOT_COVERED, NOT_PUBLISHED

# What a rule does in a reach, by the hits of the rule there.
HOLDS, UNKNOWN, TOO_LITTLE = HELD
# Settings of a hidden rule that results may tell.
REPORTED_OF_HIDDEN = ("action", "publish")
# What an input's provenance tells of a hidden rule's layer.
REPORTED_OF_HIDDEN_INPUT = ("digest", "date")


def held_text(held, rule, reach):
    """Whether rules hold in reaches, as text.

    Parameters
    ----------
    held : sitefinder.rules.verdicts.Held
        Of the reaches.
    rule, reach : ndarray of int, shape (m,)
        Numbers of rules and reaches.

    Returns
    -------
    ndarray of str, shape (m,)
        "yes", "unknown", or "no" where the overlap is less than the least that counts.
    """
    holds, unknown = held.holds[rule, reach], held.unknown[rule, reach]
    return np.where(holds, HOLDS, np.where(unknown, UNKNOWN, TOO_LITTLE)).astype(object)


def published_hits(hits, rules, reaches):
    """Hits as they may be told: exactly, by the reach alone, or by the reach without the rule's name.

    Parameters
    ----------
    hits : DataFrame
        Columns ``reach`` (number), ``rule`` (name), ``feature_id``, ``effect``, ``doubt``, ``from_m``, ``to_m``,
        ``overlap_m`` [m] and others that are of the rule and the reach alone.
    rules : list of config.RuleSettings
    reaches : DataFrame
        Columns ``from_m`` and ``to_m`` [m], by the number of the reach.

    Returns
    -------
    DataFrame
        In the order of the hits. Of a rule that is not told exactly one row stands for all of a reach, from the
        reach's upper to its lower end, without feature, effect or overlap.
    """
    exact = {rule.name: rule.publish == "exact" for rule in rules}
    vague = ~hits["rule"].map(exact).to_numpy(dtype=bool)
    if not vague.any():
        return hits
    notes = hits.copy()
    notes["rule"] = hits["rule"].map({rule.name: rule.display_name for rule in rules}).astype("str")
    reach = hits["reach"].to_numpy(dtype=np.int64)[vague]
    notes.loc[vague, "feature_id"] = ""
    notes.loc[vague, "effect"] = NOT_PUBLISHED.name
    notes.loc[vague, "doubt"] = ""
    notes.loc[vague, "from_m"] = reaches["from_m"].to_numpy()[reach]
    notes.loc[vague, "to_m"] = reaches["to_m"].to_numpy()[reach]
    notes.loc[vague, "overlap_m"] = np.nan
    repeated = notes.duplicated().to_numpy() & vague
    return notes[~repeated].reset_index(drop=True)


def published_repairs(repairs, rules):
    """Repairs of rules' layers without the features of those that are not told exactly.

    Parameters
    ----------
    repairs : DataFrame
        Columns of `sitefinder.network.topology.REPAIR_COLUMNS`.
    rules : list of config.RuleSettings

    Returns
    -------
    DataFrame
    """
    notes = repairs.copy()
    for number, rule in enumerate(rules, 1):
        if rule.publish != "exact":
            for layer, public in _layers_of(number, rule).items():
                mine = (repairs["layer"] == layer).to_numpy()
                notes.loc[mine, "feature"] = ""
                notes.loc[mine, "layer"] = public
                notes.loc[mine, ["problem", "action"]] = NOT_PUBLISHED.name
    return notes


def published_lineage(lineage, rules):
    """Where inputs come from, without what tells of hidden rules.

    Parameters
    ----------
    lineage : list of dict
        See `sitefinder.io.vector.read_layer`.
    rules : list of config.RuleSettings

    Returns
    -------
    list of dict
    """
    hidden = {}
    for number, rule in enumerate(rules, 1):
        if rule.publish == "hidden":
            hidden |= _layers_of(number, rule)
    notes = []
    for entry in lineage:
        if entry["name"] in hidden:
            kept = {key: entry[key] for key in REPORTED_OF_HIDDEN_INPUT}
            silent = dict.fromkeys(("path", "source", "licence"), NOT_PUBLISHED.name)
            entry = {"name": hidden[entry["name"]], **silent, **kept}
        notes.append(entry)
    return notes


def published_settings(settings, rules):
    """Settings as (key, value), those that tell of hidden rules left out.

    Parameters
    ----------
    settings : list of (str, object)
        Keys as the user would write them, such as ``rules[2].path``.
    rules : list of config.RuleSettings

    Returns
    -------
    list of (str, object)
    """
    notes = []
    public = {rule.name: rule.display_name for rule in rules}
    for key, value in settings:
        if key == "fish.spawning_rules":
            value = [public[name] for name in value]
        number, _, name = key.removeprefix("rules[").partition("].")
        if (
            key.startswith("rules[")
            and rules[int(number) - 1].publish == "hidden"
            and name not in REPORTED_OF_HIDDEN
        ):
            value = NOT_PUBLISHED.name
        notes.append((key, value))
    return notes


def doubt_text(hits):
    """Why hits are doubtful, as text; nothing where they are not.

    Parameters
    ----------
    hits : DataFrame
        Columns ``category_missing`` and ``not_covered``.

    Returns
    -------
    Series of str
    """
    doubt = np.where(hits["not_covered"], NOT_COVERED.name, "")
    doubt = np.where(hits["category_missing"], CATEGORY_MISSING, doubt)
    return pd.Series(doubt, index=hits.index, dtype="str")


# Layers of a rule by their names in the run, with those that may be told; each rule has its own.
def _layers_of(number, rule):
    own = {f"rule {rule.name}": f"rule {number}", f"area of rule {rule.name}": f"area of rule {number}"}
    if rule.publish == "hidden":
        return {name: f"{public} ({SENSITIVE})" for name, public in own.items()}
    return {name: name for name in own}
