"""In what the provenance of two runs differs, and which of it can have led to which change."""

import re
from typing import NamedTuple

import pandas as pd

# Groups of results, each with those that it is made of. A difference works on the groups that it touches and on
# all that are made of these.
MADE_OF = {
    "network": (),
    "heads": ("network",),
    "flows": ("network",),
    "rules": ("network",),
    "theoretical": ("heads", "flows"),
    "worth": ("heads", "flows"),
    "draws": ("worth",),
    "choice": ("worth", "draws", "rules"),
}
EVERY_GROUP = tuple(MADE_OF)
# What an input touches; also the settings below ``inputs`` of that name. A rule's layer touches the rules.
TOUCHED_BY_INPUT = {
    "dem": ("heads", "flows"),
    "dem_footprints": ("heads",),
    "dem error preset": ("heads",),
    "streams": ("network",),
    "region": ("network", "choice"),
    "districts": ("network",),
    "structures": ("worth", "rules"),
    "falls": ("rules",),
    "plants": ("choice",),
    "field_levels": ("heads",),
    "ratings": ("worth",),
    "gauge_stations": ("flows",),
    "spot_gaugings": ("flows",),
    "lakes": ("choice",),
    "roads": ("worth",),
    "power_lines": ("worth",),
    "settlements": ("worth",),
    "sections": ("worth",),
    "karst": ("flows",),
    "tidal": ("choice",),
    "regulated": ("choice",),
    "abstractions": ("flows",),
    "flow_regions": ("flows",),
    "covariates": ("flows",),
    "shares": ("flows",),
    "gauges": ("flows",),
    "equation file": ("flows",),
    "reserve preset": ("worth",),
    "machine file": ("worth",),
    "cost file": ("worth",),
}
# What a table of the settings touches.
TOUCHED_BY_SETTING = {
    "run": ("network", "heads", "draws"),
    "network": ("network",),
    "terrain": ("flows",),
    "heads": ("heads",),
    "flags": ("flows", "choice"),
    "flows": ("flows", "worth"),
    "stretches": ("choice",),
    "energy": ("worth",),
    "tailwater": ("worth",),
    "channel": ("worth",),
    "off_grid": ("worth",),
    "costs": ("worth",),
    "fish": ("worth", "choice"),
    "uncertainty": ("draws",),
    "ranking": ("choice",),
    "delivery": (),
    "fit": (),
}
TOUCHED_BY_STAGE = {
    "dem_seams": ("heads",),
    "surface": ("flows",),
    "relief": (),
    "network": ("network",),
    "resolved": ("network",),
    "placed": ("network",),
    "structures": ("heads", "worth", "rules"),
    "falls": ("rules",),
    "dem_errors": ("heads",),
    "channels": ("heads",),
    "terrain": ("flows",),
    "catchments": ("flows",),
    "fitted": ("heads",),
    "field_levels": ("heads",),
    "heads": ("heads",),
    "flows": ("flows",),
    "water_depths": ("worth",),
    "channel_shapes": ("worth",),
    "waters": ("choice",),
    "least_heads": ("choice",),
    "marks": ("choice",),
    "stretches": ("choice",),
    "energy": ("worth",),
    "rule_overlaps": ("rules",),
    "verdicts": ("rules",),
    "sites": ("choice",),
    "fish_safety": ("choice",),
}
# Which group each column of reaches and sites is of; any other is of the last, which all differences reach.
COLUMNS_OF = {
    "network": "stream district order_strahler shreve upstream_length_km main_stem length_m from_m to_m",
    "heads": "head_m head_se_m slope head_unshrunk_m head_unshrunk_se_m",
    "flows": "area_km2 covered_percent flow_mean_m3s flow_q95_m3s flow_mean_low_m3s flow_mean_high_m3s "
    "flow_source",
    "theoretical": "theoretical_kw power_density_kw_per_km",
    "worth": "flow_design_m3s reserved_flow_m3s machine power_kw energy_mwh capacity_factor firm_power_kw "
    "capital_cost cost_per_kwh solar_cost_per_kwh road_distance_m line_distance_m net_value_per_year fish_safe "
    "screened units conduit_length_m",
    "draws": "energy_mwh_p90 energy_mwh_p10 prob_top",
    "rules": "verdict reasons only_reason mark_exclude mark_conditional mark_fish_safe_only mark_no_diversion "
    "mark_no_new_barrier mark_unknown mark_note",
}
GROUP_OF = {column: group for group, columns in COLUMNS_OF.items() for column in columns.split()}
LAST_GROUP = "choice"
# Groups that a row's own columns show: where none of them differs, a difference did not come this way.
SHOWN = ("network", "heads", "flows")
# Settings that only say where something lies or who made it, whose content is told by its digest; and that there
# are no rules, which are told one by one.
NO_CAUSE = re.compile(
    r"(^|\.)(path|source|date|licence)$|^run\.(name|output_folder|workers)$|^costs\.file$|"
    r"^energy\.machines$|^flows\.equations$|\.preset$|\.error_preset$|^rules$"
)
RULE_SETTING = re.compile(r"^rules\[(\d+)\]\.(.+)$")
RULE_INPUT = re.compile(r"^(area of )?rule (.+)$")
ORDER_OF_RULES = "order of the rules"
COLUMNS = ["origin", "name", "told", "old", "new"]


class Causes(NamedTuple):
    """``table``: a row a difference, as schema declares ``causes``; ``touched``: the groups that each touches."""

    table: pd.DataFrame
    touched: list


def differences(old, new, defaults=()):
    """In what two runs' provenance differs.

    Parameters
    ----------
    old, new : DataFrame
        ``provenance`` of each run.
    defaults : mapping
        Values of settings where a file says nothing, as provenance tells them, by key. A setting that only one run
        tells, and at its default, is no difference: the other one's program did not have it yet.

    Returns
    -------
    Causes
        Rules first, then inputs, settings, stages. A rule is known by its name, wherever it stands in the list.
    """
    before, after = (_split(table) for table in (old, new))
    defaults = dict(defaults)
    rows = _rule_rows(before, after, defaults)
    for name, old_digest, new_digest in _unequal(before["input"], after["input"]):
        told = f"input {name} {_became(old_digest, new_digest, 'is other')}"
        rows.append((("input", name, told, old_digest, new_digest), _of_input(name)))
    for key, old_value, new_value in _unequal(before["setting"], after["setting"], defaults):
        told = f"setting {key}: {old_value or 'not set'} → {new_value or 'not set'}"
        rows.append((("setting", key, told, old_value, new_value), _of_setting(key)))
    for name, old_version, new_version in _unequal(before["stage"], after["stage"]):
        told = f"stage {name}: version {old_version or 'none'} → {new_version or 'none'}"
        rows.append((("stage", name, told, old_version, new_version), TOUCHED_BY_STAGE.get(name, EVERY_GROUP)))
    return Causes(pd.DataFrame([row for row, _ in rows], columns=COLUMNS), [groups for _, groups in rows])


# Provenance by kind, those of rules apart: {"input": {name: digest}, "rule": {name: {key: value}}, …}.
def _split(table):
    parts = {"input": {}, "setting": {}, "stage": {}, "rule": {}, "layer": {}, "means": {}}
    numbered = {}
    for row in table.itertuples():
        match = RULE_SETTING.match(row.name)
        of_rule = RULE_INPUT.match(row.name) if row.kind == "input" else None
        if of_rule:
            parts["layer"][of_rule[2], "area" if of_rule[1] else "layer"] = row.digest
        elif row.kind == "input":
            parts["input"][row.name] = row.digest
        elif row.kind == "stage":
            parts["stage"][row.name] = row.value
        elif match:
            numbered.setdefault(int(match[1]), {})[match[2]] = row.value
        elif row.kind == "setting" and not NO_CAUSE.search(row.name):
            # An equation's or a reserve rule's text is its source.
            parts["setting"][row.name] = row.value or row.source
    for number, settings in sorted(numbered.items()):
        name = settings.pop("name", f"number {number}")
        told = {key: value for key, value in settings.items() if not NO_CAUSE.search(key)}
        parts["rule"].setdefault(name, told)
        means = [settings.get(key, "") for key in ("action", "path", "layer")]
        parts["means"].setdefault(name, ", ".join(each for each in means if each))
    return parts


# Names of which the values differ, with both; "" where there is none.
def _unequal(before, after, defaults=None):
    for name in dict.fromkeys([*before, *after]):
        one, other = before.get(name, ""), after.get(name, "")
        missing = name not in before or name not in after
        if one != other and not (missing and defaults and defaults.get(name) == (one or other)):
            yield name, one, other


def _became(old, new, otherwise):
    return "is new" if not old else "is gone" if not new else otherwise


def _rule_rows(before, after, defaults):
    rows = []
    every = "rules[]."
    of_rule = {key.removeprefix(every): value for key, value in defaults.items() if key.startswith(every)}
    for name in dict.fromkeys([*before["rule"], *after["rule"]]):
        one, other = before["rule"].get(name), after["rule"].get(name)
        if one is None or other is None:
            told = f"rule {name} {'is new' if one is None else 'is gone'}"
            rows.append(
                (("rule", name, told, before["means"].get(name, ""), after["means"].get(name, "")), ("rules",))
            )
            continue
        for key, old_value, new_value in _unequal(one, other, of_rule):
            told = f"rule {name}: {key} {old_value or 'not set'} → {new_value or 'not set'}"
            rows.append((("rule", name, told, old_value, new_value), ("rules",)))
    both = [name for name in before["rule"] if name in after["rule"]]
    for (name, what), old_digest, new_digest in _unequal(before["layer"], after["layer"]):
        if name in both or name not in {*before["rule"], *after["rule"]}:
            told = f"{what} of rule {name} {_became(old_digest, new_digest, 'is other')}"
            rows.append((("rule", name, told, old_digest, new_digest), ("rules",)))
    order = [name for name in after["rule"] if name in before["rule"]]
    if both != order:
        told = f"{ORDER_OF_RULES} is other"
        rows.append((("rule", ORDER_OF_RULES, told, "; ".join(both), "; ".join(order)), ("rules",)))
    return rows


def _of_input(name):
    for known in (name, re.sub(r" \d+$", "", name)):
        if known in TOUCHED_BY_INPUT:
            return TOUCHED_BY_INPUT[known]
    # Covariates and shares go by names of the user's.
    return TOUCHED_BY_INPUT["covariates"]


def _of_setting(key):
    first, _, rest = key.partition(".")
    if first == "inputs":
        return _of_input(re.split(r"[.\[]", rest)[0])
    if first.startswith("equation "):
        return ("flows",)
    if first.startswith("reserve rule"):
        return ("worth",)
    return TOUCHED_BY_SETTING.get(first, EVERY_GROUP)


def reaching(causes, changed, shown=()):
    """Which differences can have led to a row's change.

    Parameters
    ----------
    causes : Causes
    changed : collection of str
        Columns of the row whose values differ.
    shown : collection of str
        Columns that were compared. A difference is left out where all it touches is shown and stayed as it was,
        unless nothing else is left.

    Returns
    -------
    list of int
        Rows of the table.
    """
    groups = {GROUP_OF.get(column, LAST_GROUP) for column in changed}
    wide = set().union(*(_with_what_it_is_made_of(group) for group in groups))
    able = [row for row, touched in enumerate(causes.touched) if wide & set(touched)]
    stayed = {GROUP_OF.get(column) for column in shown} & set(SHOWN) - groups
    near = [row for row in able if (wide & set(causes.touched[row])) - stayed]
    return near or able


def _with_what_it_is_made_of(group):
    return {group}.union(*(_with_what_it_is_made_of(inner) for inner in MADE_OF[group]))


def of_rules(causes, rules):
    """Rows of differences in the rules of these names; those of their stages where there are none."""
    table = causes.table
    of_name = [
        row
        for row, (origin, name) in enumerate(zip(table["origin"], table["name"], strict=True))
        if origin == "rule" and name in rules
    ]
    return of_name or reaching(causes, ["verdict"])
