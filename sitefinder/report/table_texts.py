"""Words that stages write into tables, shown in the current language; the tables themselves stay English.

A cell holds parts with "; " between. A part that is one of `TABLE_TEXTS`, whatever its figures and names are, is
shown in the current language; any other part, above all a text of the user's, stays as it is.
"""

import re
from functools import cache

from sitefinder.report.languages import ENGLISH, current, numeral, say
from sitefinder.vocabulary import IN_ONE_CELL

TABLE_TEXTS = (
    # What a plant needs: `sitefinder.delivery.structure_tables`.
    "fish pass",
    "fish-safe turbine",
    "fish screen and bypass",
    "repair (condition {condition})",
    "agreement with its use ({use})",
    "agreement of its owner ({owner})",
    "new weir of {height} m",
    # What says when water flows: `sitefinder.steps.flows`, `sitefinder.hydrology.months`.
    "monthly flow statistics",
    "none: no monthly flow statistics, daily records or regime",
    "regional regime ({regime})",
    # Conduits, and doubts about features of rules.
    "hillside",
    "straight",
    "left",
    "right",
    "category missing",
    # Notes on structures: `sitefinder.siting.structures`.
    "no stream within {distance} m",
    "removed: no barrier and no head are left",
    "no barrier to take head at",
    "already powered: its stream is developed",
    "removal is planned: its head will go",
    "passable is neither yes, partly or no nor a share from 0 to 1",
    "no surveyed drop: head from the DEM",
    "step_unexplained: no structure is mapped near, look on the field visit",
    "drop found {distance} m downstream in the DEM",
    "drop found {distance} m upstream in the DEM",
    # How inputs were read: `sitefinder.io`.
    "none (same coordinate system)",
    "areas on the map are {areas} % of the ground's, lengths {lengths} %",
    "{read} features read, {used} used",
    "{read} features read, {used} used, {selected} selected by the filter",
    "{number} repairs",
    # Assumptions about fish: `sitefinder.delivery.fish_tables`.
    "share that survives an existing plant",
    "share that survives a weir without a plant",
    "share of fish that go through the turbines or the bypass",
    "share of its highest leap that all of a group leap",
    "drop between the pools of a fish pass [m]",
    "depth of the pools of a fish pass [m]",
    "flow of a fish pass over that of the turbines that suffices",
    "efficiency of a fish pass in poor condition over that of a sound one",
    "share of the environmental flow that a site's fish pass carries",
    "share that survives the bypass of a screen",
    "deaths per blade strike, {fish}",
    "share that a screen guides, {fish}",
    "highest drop without a fish pass [m]",
    "efficiency of a fish pass (pool_and_weir)",
    "efficiency of a fish pass (vertical_slot)",
    "efficiency of a fish pass (denil)",
    "efficiency of a fish pass (nature_like)",
    "highest drop between pools [m]",
    "minimum depth of pools [m]",
    "minimum depth of a depleted reach [m]",
    "own choice: low drops",
    "on the safe side",
    "own choice",
    "own choice, since flows.releases states no flow of a fish pass",
    "stated in the settings",
    "common practice, no source",
    "means of 19 studies",
    "range of these (Bunt and others, 2012)",
    "burst speed of {speed} ({low} to {high}) body lengths per second, from memory",
    "turbine files, which name its source",
    "screen file, which names its source",
    "mean mortality of 275,000 fish of 75 species at 122 plants, with its 95 % interval (Radinger, 2022)",
    # What makes a regression weak: `sitefinder.hydrology.strength`.
    "fewer than {number} gauges",
    "standard error above {share} %",
    "fewer than {number} gauges and standard error above {share} %",
    # What is used of visits, and what contradicts the data: `sitefinder.siting.observed`.
    "drop",
    "flow",
    "condition of the structure",
    "drop of {measured} m measured, and {expected} m in the DEM (90 % interval of the difference ± {limit} m)",
    "flow of {measured} m³/s gauged, and {expected} m³/s expected on that day ({low} to {high})",
    "a structure was seen, and none is mapped between intake and tailrace",
    "a {kind} was seen, and none is mapped between intake and tailrace",
    "no structure was seen, and mapped is {names}",
    # Why a decision does not apply: `sitefinder.rules.decisions`.
    "valid until {until}, and the settings ask for {day}",
    "made on {day}, after {until}, for which the settings ask",
    "the nearest stream is {distance} m away, more than {limit} m",
    "no reach is called {reach}",
    "at its place is {found}, and {reach} is more than {distance} m away",
    "the gross head is {head} m, and was {stated} m (tolerance {tolerance} m)",
    "the rules' verdict is {verdict}, and was {stated}",
    "structures on the reach: {names}, and it was {structure}",
    "decision {decision} of the same day says {says}",
    "decision {decision} of {day} says {says}",
    "no head, verdict or structure is stated that it was based on, so that none could be checked",
    # What is wrong with gauges: `sitefinder.hydrology.plausibility`.
    "runoff of {runoff} mm a year from {rain} mm of precipitation",
    "runoff of {runoff} mm a year",
    "mean flow of {flow} m³/s, which pulls the regression (leverage {leverage}, Cook's distance {distance}, "
    "studentised residual {residual})",
    "mean flow of {flow} m³/s",
    "1/{factor} of what the other gauges give",
    "{factor} times what the other gauges give",
    "expected about {runoff} mm like the other gauges",
    "expected about {flow} m³/s by the regression of the other gauges",
    "expected at least {flow} m³/s, by its {column}",
    "expected at most {flow} m³/s, by its {column}",
    "expected at most {runoff} mm, the greatest rainfall on earth",
    "expected {low} to {high} mm",
    "about {runoff} mm like the other gauges",
    "about {flow} m³/s by the regression of the other gauges",
    # What is wrong with the ground: `sitefinder.io.raster_judging`.
    "{cells} cells of {value} with cliffs all around",
    "{cells} cells of {value}",
    "check whether they have data",
    "more than one nodata value must be made one beforehand",
    "only {share} % of the streams lie lower than the ground {distance} m around them",
    "check whether the DEM is upside down",
    "its heads may be those of ridges",
    "check whether DEM and streams are of one place, and their coordinate systems",
    # Repairs and doubts that are frequent, and what was done; others are shown as the layer has them.
    "implausible gauge: {found}",
    "implausible gauge",
    "implausible ground",
    "another line ends on it",
    "drawn upstream",
    "flows in a circle with others",
    "lies far beyond the DEM",
    "no length after snapping",
    "no geometry",
    "several parts",
    "line without length",
    "invalid polygon: {fault}",
    "invalid polygon",
    "meets no other line",
    "end off its node",
    "section measured: {width} m wide, {depth} m deep at {flow} m³/s",
    "section measured",
    "turned",
    "left out",
    "dropped",
    "both are kept",
    "inflow left out",
    "used as it is",
    "split at {distance} m",
    "split into {number}",
    "end moved by {distance} m to the node",
    "kept as a network of its own",
    "made valid, area {before} m² as drawn, {after} m² now",
    "used at {number} stations in place of slope or hydraulic geometry",
    "check the units of flow, area and precipitation",
    "check flow and area, and whether water is diverted",
    "check its flow and predictors, and whether it is of this region",
)
# Placeholders that stand for another of these texts.
OF_TEXTS = {"found", "old", "new"}
# Where flows come from, with the user's names of regions and gauges: `sitefinder.hydrology`.
FLOW_SOURCES = (
    (re.compile(r"equation(?= \(|$)"), "regional regression"),
    (re.compile(r"^gauge (?=.* \d+ %$)"), "gauge "),
    (re.compile(r"^spot gauging "), "spot gauging "),
)


def from_table(text, messages=TABLE_TEXTS):
    """A cell of a table in the current language.

    Parameters
    ----------
    text : str
    messages : tuple of str
        What its parts may be; what the placeholders of `OF_TEXTS` stand for may be one of these again.

    Returns
    -------
    str
        Parts that no stage writes, and everything in English, stay as they are.
    """
    if current().tag == ENGLISH:
        return text
    return IN_ONE_CELL.join(_part(part, messages) for part in str(text).split(IN_ONE_CELL))


def _part(part, messages):
    for pattern, message in _patterns(messages):
        if found := pattern.fullmatch(part):
            values = {
                name: _part(value, messages) if name in OF_TEXTS else _value(value)
                for name, value in found.groupdict().items()
            }
            return say(message, **values)
    return part


# A figure in the signs of the current language; a name as it is.
def _value(value):
    return numeral(value) if re.fullmatch(r"[-+]?[\d,]*\.?\d+(e[-+]?\d+)?( m)?", value) else value


# Each text with its pattern: those of few placeholders first, of these the longest.
@cache
def _patterns(messages):
    ordered = sorted(messages, key=lambda message: message.count("{") * len(TABLE_TEXTS) - len(message))
    return [
        (re.compile(re.sub(r"\\\{(\w+)\\\}", r"(?P<\1>.+?)", re.escape(message))), message) for message in ordered
    ]


def source_text(flow_source):
    """Where a flow comes from, in words: the equations are the run's regional regressions.

    Parameters
    ----------
    flow_source : str
        As delivered.

    Returns
    -------
    str

    Examples
    --------
    >>> source_text("gauge A 80 %; equation (17)")
    'gauge A 80 %; regional regression (17)'
    """
    parts = []
    for part in flow_source.split(IN_ONE_CELL):
        said = part
        for pattern, message in FLOW_SOURCES:
            said = pattern.sub(say(message), said)
        parts.append(said)
    return IN_ONE_CELL.join(parts)
