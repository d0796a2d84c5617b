"""What results show of rules whose layers must not be published exactly: nests, rare fish, finds."""

import numpy as np
import pandas as pd

from sitefinder.rules.verdicts import CATEGORY_MISSING
from sitefinder.schema.columns import HELD
from sitefinder.settings.rules import SENSITIVE
from sitefinder.vocabulary import NOT_COVERED, NOT_PUBLISHED

# Whether a rule holds in a reach where it has hits.
HOLDS, UNKNOWN, TOO_LITTLE = HELD
# Settings of a hidden rule that results may show.
SHOWN_OF_HIDDEN = ("action", "publish")
# How settings begin that hold words for owners of parcels.
OWNER_CLASSES = "inputs.parcels.owner_classes."
# What provenance shows of a hidden rule's layer.
SHOWN_OF_HIDDEN_INPUT = ("digest", "date")


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
        "yes", "unknown", or "no" where the overlap is below the minimum.
    """
    holds, unknown = held.holds[rule, reach], held.unknown[rule, reach]
    return np.where(holds, HOLDS, np.where(unknown, UNKNOWN, TOO_LITTLE)).astype(object)


def published_hits(hits, rules, reaches):
    """Hits as they may be published: exactly, by the reach alone, or by the reach without the rule's name.

    Parameters
    ----------
    hits : DataFrame
        Columns ``reach`` (number), ``rule`` (name), ``feature_id``, ``effect``, ``doubt``, ``from_m``, ``to_m``,
        ``overlap_m`` [m] and others that depend on rule and reach alone.
    rules : list of config.RuleSettings
    reaches : DataFrame
        Columns ``from_m`` and ``to_m`` [m], by the number of the reach.

    Returns
    -------
    DataFrame
        In the order of the hits. A rule that is not published exactly has one row a reach, from the reach's upper
        to its lower end, without feature, effect or overlap.
    """
    exact = {rule.name: rule.publish == "exact" for rule in rules}
    is_inexact = ~hits["rule"].map(exact).to_numpy(dtype=bool)
    if not is_inexact.any():
        return hits
    published = hits.copy()
    published["rule"] = hits["rule"].map({rule.name: rule.display_name for rule in rules}).astype("str")
    reach = hits["reach"].to_numpy(dtype=np.int64)[is_inexact]
    published.loc[is_inexact, "feature_id"] = ""
    published.loc[is_inexact, "effect"] = NOT_PUBLISHED.name
    published.loc[is_inexact, "doubt"] = ""
    published.loc[is_inexact, "from_m"] = reaches["from_m"].to_numpy()[reach]
    published.loc[is_inexact, "to_m"] = reaches["to_m"].to_numpy()[reach]
    published.loc[is_inexact, "overlap_m"] = np.nan
    repeated = published.duplicated().to_numpy() & is_inexact
    return published[~repeated].reset_index(drop=True)


def published_repairs(repairs, rules):
    """Repairs of layers, without the features of rules that are not published exactly.

    Parameters
    ----------
    repairs : DataFrame
        Columns of `sitefinder.network.topology.REPAIR_COLUMNS`.
    rules : list of config.RuleSettings

    Returns
    -------
    DataFrame
    """
    published = repairs.copy()
    for number, rule in enumerate(rules, 1):
        if rule.publish != "exact":
            for layer, public in _layers_of(number, rule).items():
                mine = (repairs["layer"] == layer).to_numpy()
                published.loc[mine, "feature"] = ""
                published.loc[mine, "layer"] = public
                published.loc[mine, ["problem", "action"]] = NOT_PUBLISHED.name
    return published


def published_lineage(lineage, rules):
    """Lineage of inputs, without what would reveal hidden rules.

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
    published = []
    for entry in lineage:
        if entry["name"] in hidden:
            shown = {key: entry[key] for key in SHOWN_OF_HIDDEN_INPUT}
            withheld = dict.fromkeys(("path", "source", "licence"), NOT_PUBLISHED.name)
            published.append({"name": hidden[entry["name"]], **withheld, **shown})
        else:
            published.append(entry)
    return published


def published_settings(settings, rules):
    """Settings as (key, value), without what would reveal hidden rules.

    Parameters
    ----------
    settings : iterable of (str, object)
        Keys as the user would write them, such as ``rules[2].path``.
    rules : list of config.RuleSettings

    Returns
    -------
    list of (str, object)
    """
    published = []
    public = {rule.name: rule.display_name for rule in rules}
    settings = _without_owners(settings)
    for key, value in settings:
        number, _, name = key.removeprefix("rules[").partition("].")
        if key.startswith("rules[") and rules[int(number) - 1].publish == "hidden" and name not in SHOWN_OF_HIDDEN:
            published.append((key, NOT_PUBLISHED.name))
        elif key == "fish.spawning_rules":
            published.append((key, [public[rule] for rule in value]))
        else:
            published.append((key, value))
    return published


# Settings without the words for owners of parcels, which may be names; their classes are shown.
def _without_owners(settings):
    settings = list(settings)
    classes = [value for key, value in settings if key.startswith(OWNER_CLASSES)]
    kept = [(key, value) for key, value in settings if not key.startswith(OWNER_CLASSES)]
    if not classes:
        return kept
    shown = f"{', '.join(dict.fromkeys(map(str, classes)))} (the layer's words are not published)"
    return [*kept, (OWNER_CLASSES.rstrip("."), shown)]


def published_overrides(overrides, rules):
    """What the command line put over the settings, without what would reveal hidden rules.

    Parameters
    ----------
    overrides : sequence of (str, str)
        Option and value, such as ``--set`` and ``costs.price_per_kwh=0.2``.
    rules : list of config.RuleSettings

    Returns
    -------
    list of (str, str)
        Option with the key of the setting, and the value. Where a rule is hidden, what was changed of rules and
        fish is not said, since the text may name it.
    """
    is_secret = any(rule.publish == "hidden" for rule in rules)
    published = []
    for number, (option, text) in enumerate(overrides, 1):
        key, equals, value = text.partition("=")
        if key.strip().startswith(OWNER_CLASSES) or (key.strip() == OWNER_CLASSES.rstrip(".")):
            published.append((f"{option} {OWNER_CLASSES.rstrip('.')}", NOT_PUBLISHED.name))
        elif is_secret and any(word in text for word in ("rule", "fish")):
            published.append((f"{option} ({number})", NOT_PUBLISHED.name))
        elif equals:
            published.append((f"{option} {key.strip()}", value.strip()))
        else:
            published.append((option, text))
    return published


def doubt_text(hits):
    """Why hits are doubtful, as text; empty where they are not.

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


def doubt_of_features(category_missing):
    """The same of a rule's features: that the value by which the rule filters is missing."""
    return np.where(category_missing, CATEGORY_MISSING, "").astype(object)


# Names of a rule's layers in the run, with the names to publish; each rule has its own.
def _layers_of(number, rule):
    own = {f"rule {rule.name}": f"rule {number}", f"area of rule {rule.name}": f"area of rule {number}"}
    if rule.publish == "hidden":
        return {name: f"{public} ({SENSITIVE})" for name, public in own.items()}
    return {name: name for name in own}
