"""The smallest change of one rule or figure that would lift a refusal, or would refuse what is selected.

Each is found from the kept results, by the functions of the stages themselves on the few candidates that decide,
and is given as a text for ``--set``, so that it can be tried. What else a change of the settings moves, such as
other sites of the drainage system, is not worked out: a run shows it.
"""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely

from sitefinder.explanation.rule_facts import (
    Stretch,
    barring_rules,
    buffer_that_adds,
    buffer_that_lifts,
    distance_to,
    holding,
    of_candidate,
)
from sitefinder.rules.verdicts import MARK_NAMES, NONE_MAY, Held, admissible, verdicts
from sitefinder.siting.candidates import subset
from sitefinder.siting.passed import bits_of, builds_barrier
from sitefinder.siting.selection import valued_for
from sitefinder.steps.candidates import cannot_pay, value_all, value_best_case
from sitefinder.steps.closed_months import value_closed, with_closed
from sitefinder.steps.decisions import excluded_by
from sitefinder.steps.selection import chooser, of_rows
from sitefinder.vocabulary import (
    ABOVE_COST_LIMIT,
    ACTIONS,
    BARRED_BY_RULE,
    FLOW_TOO_SMALL,
    HEAD_UNRESOLVED,
    NEVER_PAST,
    NOT_WORTH_A_BARRIER,
    POWER_TOO_SMALL,
    REJECTION_REASONS,
    ROAD_TOO_FAR,
    SCHEME_TYPES,
    TOO_CLOSE_TO_PLANT,
    named,
    names,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    import numpy.typing as npt
    import pandas as pd

    from sitefinder.settings import RuleSettings, Settings
    from sitefinder.steps.inputs import RunInputs

# Candidates of a refused reach that are valued again, or for which buffers are found: those of the lowest LCOE or
# the greatest value (own choices).
MOST_VALUED, MOST_BUFFERS = 200, 8
# Rules for which the buffer that would make them hold is found: the nearest (own choice).
MOST_RULES = 2
# Digits of a figure that is proposed.
DIGITS = 3
# A change of a buffer counts as a share of no less than this [m] (own choice).
LEAST_BUFFER_M = 100.0


class Given(NamedTuple):
    """What an explanation is made from: settings, inputs and the results of the stages."""

    settings: Settings
    inputs: RunInputs
    results: Mapping[str, Any]


def change(
    setting: str, now: Any, then: Any, does: str, *, after: str = "", share: float = math.inf
) -> dict[str, Any]:
    """A change of one setting.

    Parameters
    ----------
    setting : str
        Key as for ``--set``.
    now, then : object
        Its value in the run, and the one proposed.
    does : str
        What the change does, as a sentence.
    after : str
        Reason for which what was refused would be refused next; empty where a site is possible then.
    share : float
        Size of the change, as a share of the value.

    Returns
    -------
    dict
        These, and ``option``: the text for ``--set``.
    """
    return {
        "setting": setting,
        "from": now,
        "to": then,
        "option": f"{setting}={_toml(then)}",
        "does": does,
        "then": after,
        "relative_change": share,
    }


def nearest_first(changes: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Changes in order: those that leave no other refusal first, then the smallest."""
    return sorted(changes, key=lambda each: (each["then"] != "", each["relative_change"], each["setting"]))


def deciding_candidates(given: Given, reach: int, reason: str) -> npt.NDArray[np.int64]:
    """Candidates on a reach that come as far as the condition for which it is refused.

    Parameters
    ----------
    given : Given
    reach : int
        Number of the reach.
    reason : str
        For which it has no site.

    Returns
    -------
    ndarray of int64
        Numbers of candidates, rising; those that touch the reach where the reason is no step of the selection.
    """
    stretches = given.results["stretches"]
    on_reach = given.results["stationing"].stations["reach"].to_numpy()[stretches.taken] == reach
    owner = np.repeat(np.arange(len(stretches.table)), np.diff(stretches.start))
    touching = np.unique(owner[on_reach])
    before = np.ones(len(stretches.table), dtype=bool)
    for name, passing in given.results["sites"].offers.ladder:
        if name == reason:
            break
        before = passing
    return np.asarray(touching[before[touching]], dtype=np.int64)


def what_admits(given: Given, rows: npt.NDArray[np.int64], reason: str) -> tuple[list[dict[str, Any]], str]:
    """Changes of one setting that lift a refusal, and a note where there is more to say.

    Parameters
    ----------
    given : Given
    rows : ndarray of int64
        Candidates that decide, see `deciding_candidates`.
    reason : str
        The refusal.

    Returns
    -------
    list of dict
        See `change`, the nearest first.
    str
        Why no single setting lifts it, or what is not worked out; may be empty.
    """
    finders: dict[str, Callable[[Given, npt.NDArray[np.int64]], tuple[list[dict[str, Any]], str]]] = {
        FLOW_TOO_SMALL.name: _less_flow,
        HEAD_UNRESOLVED.name: _less_certain_head,
        BARRED_BY_RULE.name: _other_rules,
        NEVER_PAST.name: _past_something,
        TOO_CLOSE_TO_PLANT.name: _nearer_to_plants,
        POWER_TOO_SMALL.name: _less_power,
        ROAD_TOO_FAR.name: _farther_from_roads,
        ABOVE_COST_LIMIT.name: _more_for_energy,
        NOT_WORTH_A_BARRIER.name: _less_for_barriers,
    }
    changes: list[dict[str, Any]] = []
    note = NOTES.get(reason, "")
    if len(rows) and reason in finders:
        changes, note = finders[reason](given, rows)
    if reason in names(REJECTION_REASONS) and len(rows):
        changes += _allowed(given, rows, named(REJECTION_REASONS, reason))
    return nearest_first(changes), note


# What decides where no figure of the settings does.
NOTES = {
    "network unresolved": "The line must be joined to the network; the layer repairs says what is wrong with it.",
    "standing water": "The layer of lakes, or a level stretch of the DEM (heads.standing_water_m), says so.",
    "developed": "The layer of plants, or a structure that is powered, says so.",
    "tidal": "The layer of tidal water, or heads.tidal_below_m, says so.",
    "outside the region": "The polygon of inputs.region decides.",
    "no flow estimate": "A predictor of the flow equation is missing; the layers of covariates decide.",
    "excluded by a decision": "The table of decisions (inputs.decisions) says so, and no figure of the settings.",
    "no feasible conduit": "The limits of conduits ([conduits]) decide, each by what lies on the ground.",
    "stream too shallow or narrow": "The width and depth of the stream decide.",
    "no suitable turbine": "The ranges of the turbine classes (energy.turbines) decide.",
    "cumulative limit reached": "The cumulative limits of [ranking] decide, for all sites together.",
    "fish passage survival too low": "fish.min_passage_survival decides, for all sites together.",
    "blocked by a better site": "The best set of sites has another one here; no one setting is sure to change it.",
}


def what_refuses(given: Given, candidate: int) -> list[dict[str, Any]]:
    """Changes of one setting for which a selected candidate would no longer be one, the nearest first.

    Parameters
    ----------
    given : Given
    candidate : int
        Number of a chosen candidate.

    Returns
    -------
    list of dict
        See `change`; ``then`` is the reason for which it would be refused.
    """
    settings, table = given.settings, given.results["stretches"].table
    row = table.iloc[candidate]
    rows = np.array([candidate])
    found = []
    flow = _digits(float(row["flow_mean_m3s"]), up=True)
    found.append(_threshold(given, "stretches.min_flow_mean_m3s", flow, FLOW_TOO_SMALL.name))
    if not HEAD_UNRESOLVED.is_allowed(settings.ranking.allow):
        error_m = float(row["head_uncorrected_se_m"])
        if error_m > 0.0:
            ratio = _digits(float(row["head_uncorrected_m"]) / error_m, up=True)
            found.append(_threshold(given, "heads.resolved_standard_errors", ratio, HEAD_UNRESOLVED.name))
    if _goes_by_price(settings):
        lowest = _break_even_prices(given, rows)
        if len(lowest):
            price = _digits(float(lowest.min()), up=False)
            found.append(_threshold(given, "costs.price_per_kwh", price, ABOVE_COST_LIMIT.name))
    found += _rules_that_would_bar(given, candidate)
    return sorted(found, key=lambda each: (each["relative_change"], each["setting"]))


def what_opens_reach(given: Given, reach: int, stretch: Stretch) -> tuple[list[dict[str, Any]], str]:
    """Changes of one rule that would open a reach that rules limit, or limit one that is open.

    Parameters
    ----------
    given : Given
    reach : int
        Its number.
    stretch : Stretch

    Returns
    -------
    list of dict
        See `change`.
    str
        Why no single rule does it; may be empty.
    """
    held = given.results["verdicts"].held
    limiting = [
        number
        for number, rule in enumerate(given.settings.rules)
        if named(ACTIONS, rule.action).limits and (held.holds[number, reach] or held.unknown[number, reach])
    ]
    if len(limiting) > 1:
        several = ", ".join(given.settings.rules[number].display_name for number in limiting)
        return [], f"Several rules limit the reach ({several}); no change of one of them opens it."
    if limiting:
        return nearest_first(_lifted(given, limiting[0], stretch, "The reach is open.", "")), ""
    bars = [number for number, rule in enumerate(given.settings.rules) if named(ACTIONS, rule.action).limits]
    return _nearest_rules(given, bars, stretch, "holds on the reach"), ""


def _threshold(given: Given, key: str, value: float, reason: str) -> dict[str, Any]:
    now = _setting(given.settings, key)
    return change(key, now, value, f"It is refused: {reason}.", after=reason, share=_share(now, value))


def _share(now: float, then: float) -> float:
    return abs(then - now) / abs(now) if now else math.inf


# A number of few digits that is not above, or not below, another one.
def _digits(value: float, *, up: bool, digits: int = DIGITS) -> float:
    if value == 0.0 or not math.isfinite(value):
        return value
    step = 10.0 ** (math.floor(math.log10(abs(value))) - digits + 1)
    whole = math.ceil(value / step - 1e-9) if up else math.floor(value / step + 1e-9)
    rounded = round(whole * step, max(digits, digits - 1 - math.floor(math.log10(abs(value)))))
    if (rounded <= value) if up else (rounded >= value):
        # The limit itself counts on the other side for some conditions, so that one step more is safe.
        rounded = round((whole + (1 if up else -1)) * step, 12)
    return rounded


def _setting(settings: Any, key: str) -> Any:
    for part in key.split("."):
        settings = getattr(settings, part)
    return settings


# Settings with one value changed.
def _with(settings: Any, key: str, value: Any) -> Any:
    first, _, rest = key.partition(".")
    inner = _with(getattr(settings, first), rest, value) if rest else value
    return settings.model_copy(update={first: inner})


def _toml(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)


# The valuation of all candidates, with the months that are closed taken off.
def _valuation(given: Given) -> pd.DataFrame:
    return with_closed(given.results["energy"], given.results["closed_energy"])


# The reason for which these candidates alone would be refused, "" where one passes everything: by other settings,
# turbine choices or valuations.
def _refused_next(
    given: Given,
    rows: npt.NDArray[np.int64],
    settings: Settings | None = None,
    choice: npt.NDArray[np.int8] | None = None,
    valued: pd.DataFrame | None = None,
) -> str:
    results = given.results
    settings = given.settings if settings is None else settings
    judged = results["verdicts"]
    few = _few(results["stretches"], rows)
    own = of_rows(judged, rows)
    if choice is not None:
        own = _with_decisions(given, few, own._replace(choice=choice.copy()))
    valued = _valuation(given).iloc[rows].reset_index(drop=True) if valued is None else valued
    choose = chooser(
        settings,
        given.inputs,
        results["stationing"],
        few,
        valued,
        results["spawning_m"],
        own,
        results["water_bodies"],
        results["river_parts"],
    )
    for name, passing in choose().ladder:
        if not passing.any():
            return str(name)
    return ""


# What decisions exclude of candidates that rules would judge otherwise.
def _with_decisions(given: Given, few: Any, judged: Any) -> Any:
    decisions = given.results["decisions"]
    if decisions is None:
        return judged
    barred = (judged.choice >= 0) & excluded_by(given.results["stationing"], few, decisions.table)
    judged.choice[barred] = NONE_MAY
    return judged._replace(barred_by_decision=barred)


def _few(stretches: Any, rows: npt.NDArray[np.int64]) -> Any:
    chosen = np.zeros(len(stretches.table), dtype=bool)
    chosen[rows] = True
    return subset(stretches, chosen)


def _then(reason: str) -> str:
    return f"Then it would be refused for another reason: {reason}." if reason else "Then a site is possible."


# Candidates by the value that they have with any turbine, the best first.
def _best_first(given: Given, rows: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    value = np.nan_to_num(_valuation(given)["any_net_annual_value"].to_numpy()[rows], nan=-np.inf)
    return rows[np.argsort(-value, kind="stable")]


def _less_flow(given: Given, rows: npt.NDArray[np.int64]) -> tuple[list[dict[str, Any]], str]:
    key, results = "stretches.min_flow_mean_m3s", given.results
    flow_m3s = results["stretches"].table["flow_mean_m3s"].to_numpy(dtype=np.float64)[rows]
    if not (flow_m3s > 0).any():
        return [], "The stream carries no water at the intake of any candidate."
    least = _digits(float(np.nanmax(flow_m3s)), up=False)
    settings = _with(given.settings, key, least)
    enough = rows[flow_m3s >= least]
    few, cut = _few(results["stretches"], enough), _few(results["candidates"], enough)
    where = results["flows"], results["water_depths"]
    best_case = value_best_case(settings, given.inputs, cut, *where)
    valued = value_all(settings, given.inputs, few, *where, best_case)
    closed = value_closed(
        settings, given.inputs, few, *where, results["months"], results["closed_months"][enough], valued
    )
    after = _refused_next(given, enough, settings, valued=with_closed(valued, closed))
    now = _setting(given.settings, key)
    note = ""
    if after == "" and best_case["may_pay"].any():
        note = "The conduit of a diversion that may pay then is not routed yet: a run shows what it costs."
    return [change(key, now, least, _then(after), after=after, share=_share(now, least))], note


def _less_certain_head(given: Given, rows: npt.NDArray[np.int64]) -> tuple[list[dict[str, Any]], str]:
    key, table = "heads.resolved_standard_errors", given.results["stretches"].table.iloc[rows]
    ratio = (table["head_uncorrected_m"] / table["head_uncorrected_se_m"]).to_numpy(dtype=np.float64)
    least = max(_digits(float(np.nanmax(ratio)), up=False), 0.0)
    allowing = _with(given.settings, "ranking.allow", [*given.settings.ranking.allow, HEAD_UNRESOLVED.allowed_by])
    after = _refused_next(given, rows[ratio >= least], allowing)
    now = _setting(given.settings, key)
    return [change(key, now, least, _then(after), after=after, share=_share(now, least))], ""


# A doubt that the settings may let pass.
def _allowed(given: Given, rows: npt.NDArray[np.int64], reason: Any) -> list[dict[str, Any]]:
    if not reason.allowed_by:
        return []
    allow = [*given.settings.ranking.allow, reason.allowed_by]
    after = _refused_next(given, rows, _with(given.settings, "ranking.allow", allow))
    return [change("ranking.allow", list(given.settings.ranking.allow), allow, _then(after), after=after)]


def _past_something(given: Given, rows: npt.NDArray[np.int64]) -> tuple[list[dict[str, Any]], str]:
    key, never = "stretches.never_past", list(given.settings.stretches.never_past)
    passed = given.results["stretches"].table["passed_kinds"].to_numpy()[rows]
    found = []
    for kind in never:
        rest = [each for each in never if each != kind]
        freed = rows[(passed & bits_of(rest)) == 0]
        if len(freed):
            after = _refused_next(given, freed, _with(given.settings, key, rest))
            found.append(change(key, never, rest, _then(after), after=after))
    return found, "" if found else "Each candidate goes past several kinds of things that may not be bypassed."


def _nearer_to_plants(given: Given, rows: npt.NDArray[np.int64]) -> tuple[list[dict[str, Any]], str]:
    key, now = "ranking.min_free_flowing_m", given.settings.ranking.min_free_flowing_m

    def refused(least_m: float) -> str:
        return _refused_next(given, rows, _with(given.settings, key, least_m))

    if refused(0.0) == TOO_CLOSE_TO_PLANT.name:
        return [], "Each candidate lies in what an existing plant uses."
    low, high = 0, math.ceil(now)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if refused(float(middle)) == TOO_CLOSE_TO_PLANT.name else (middle, high)
    after = refused(float(low))
    return [change(key, now, float(low), _then(after), after=after, share=_share(now, low))], ""


def _less_power(given: Given, rows: npt.NDArray[np.int64]) -> tuple[list[dict[str, Any]], str]:
    valued = valued_for(
        _valuation(given).iloc[rows].reset_index(drop=True), given.results["verdicts"].choice[rows]
    )
    return _lower_limit(given, rows, "ranking.min_power_kw", float(valued["power_kw"].max()))


def _farther_from_roads(given: Given, rows: npt.NDArray[np.int64]) -> tuple[list[dict[str, Any]], str]:
    distance_m = given.results["stretches"].table["road_distance_m"].to_numpy(dtype=np.float64)[rows]
    if np.isnan(distance_m).all():
        return [], "No road is known."
    key, now = "ranking.max_road_distance_m", given.settings.ranking.max_road_distance_m
    most = _digits(float(np.nanmin(distance_m)), up=True)
    after = _refused_next(given, rows, _with(given.settings, key, most))
    return [change(key, now, most, _then(after), after=after, share=_share(now or 0.0, most))], ""


def _less_for_barriers(given: Given, rows: npt.NDArray[np.int64]) -> tuple[list[dict[str, Any]], str]:
    valued = valued_for(
        _valuation(given).iloc[rows].reset_index(drop=True), given.results["verdicts"].choice[rows]
    )
    value = float(valued["net_annual_value"].max())
    return _lower_limit(given, rows, "selection.no_new_barrier_value_per_year", value)


def _lower_limit(
    given: Given, rows: npt.NDArray[np.int64], key: str, figure: float
) -> tuple[list[dict[str, Any]], str]:
    now, least = _setting(given.settings, key), max(_digits(figure, up=False), 0.0)
    after = _refused_next(given, rows, _with(given.settings, key, least))
    return [change(key, now, least, _then(after), after=after, share=_share(now, least))], ""


# Whether sites pay or not by one price of energy.
def _goes_by_price(settings: Settings) -> bool:
    costs = settings.costs
    one_price = costs.own_use_price_per_kwh is None
    return settings.ranking.choose_by == "net_value" and one_price and costs.max_lcoe_per_kwh is None


def _more_for_energy(given: Given, rows: npt.NDArray[np.int64]) -> tuple[list[dict[str, Any]], str]:
    settings = given.settings
    if not _goes_by_price(settings):
        return _higher_limit(given, rows)
    lowest = _break_even_prices(given, rows)
    if not len(lowest):
        return [], "Each candidate is a diversion that does not pay with the least conduit that can be."
    now, price = settings.costs.price_per_kwh, _digits(float(lowest.min()), up=True)
    does = "Energy pays for its cost at the best candidate. Then a site is possible."
    note = (
        "A diversion whose conduit was not routed may pay from a lower price on."
        if (cannot_pay(_few(given.results["stretches"], rows), given.results["best_case"].iloc[rows]).any())
        else ""
    )
    return [change("costs.price_per_kwh", now, price, does, share=_share(now, price))], note


def _higher_limit(given: Given, rows: npt.NDArray[np.int64]) -> tuple[list[dict[str, Any]], str]:
    costs, choice = given.settings.costs, given.results["verdicts"].choice[rows]
    valued = valued_for(_valuation(given).iloc[rows].reset_index(drop=True), choice)
    pays = valued["net_annual_value"].to_numpy() > 0
    if costs.max_lcoe_per_kwh is None or not pays.any():
        return [], "The price of energy decides, with what is used at the place: state another one and run."
    key, most = "costs.max_lcoe_per_kwh", _digits(float(valued["lcoe_per_kwh"][pays].min()), up=True)
    after = _refused_next(given, rows, _with(given.settings, key, most))
    now = costs.max_lcoe_per_kwh
    return [change(key, now, most, _then(after), after=after, share=_share(now, most))], ""


# Price at which each candidate begins to pay; what the plant consumes itself is not sold.
def _break_even_prices(given: Given, rows: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
    return _lowest_lcoe(given, rows) / (1.0 - given.settings.costs.own_consumption_share)


# Lowest LCOE of each candidate over turbines and sizes, as the rules allow them, of those whose conduit is known.
def _lowest_lcoe(given: Given, rows: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
    results = given.results
    stretches = _few(results["stretches"], rows)
    known = ~cannot_pay(stretches, results["best_case"].iloc[rows])
    rows = rows[known]
    choice = np.maximum(results["verdicts"].choice[rows], 0)
    now = valued_for(_valuation(given).iloc[rows].reset_index(drop=True), choice)["lcoe_per_kwh"].to_numpy()
    best = np.sort(np.argsort(np.nan_to_num(now, nan=np.inf), kind="stable")[:MOST_VALUED])
    rows, choice = rows[best], choice[best]
    if not len(rows):
        return np.zeros(0)
    energy = given.settings.energy
    by_cost = energy.model_copy(update={"design_by": "lcoe_per_kwh"}) if energy.design_by == "choice" else energy
    settings = given.settings.model_copy(update={"energy": by_cost})
    few, where = _few(results["stretches"], rows), (results["flows"], results["water_depths"])
    valued = value_all(settings, given.inputs, few, *where)
    closed = value_closed(settings, given.inputs, few, *where, results["months"], results["closed_months"][rows])
    lcoe = valued_for(with_closed(valued, closed), choice)["lcoe_per_kwh"].to_numpy(dtype=np.float64)
    found: npt.NDArray[np.float64] = lcoe[np.isfinite(lcoe)]
    return found


def _other_rules(given: Given, rows: npt.NDArray[np.int64]) -> tuple[list[dict[str, Any]], str]:
    settings, table = given.settings, given.results["stretches"].table
    builds = builds_barrier(table)
    alone: dict[int, list[int]] = {}
    several: set[str] = set()
    for row in rows.tolist():
        scheme = named(SCHEME_TYPES, table["scheme_type"].iloc[row])
        barring = barring_rules(settings, given.results, row, scheme, bool(builds[row]))
        if len(barring) == 1:
            alone.setdefault(barring[0], []).append(row)
        else:
            several |= {settings.rules[number].display_name for number in barring}
    found = []
    for number, own in alone.items():
        freed = np.array(own)
        choice = _choice_without(given, freed, number)
        after = _refused_next(given, freed, choice=choice)
        best = _best_first(given, freed)[:MOST_BUFFERS]
        found += _lifted(given, number, None, _then(after), after, best)
    note = ""
    if not found:
        note = (
            f"Each candidate is excluded by several rules ({', '.join(sorted(several))}); no single one admits it."
            if several
            else "What a rule forbids to bypass (never_past) lies in the way of each candidate."
        )
    return found, note


# The turbine choice of candidates if one rule did not hold.
def _choice_without(given: Given, rows: npt.NDArray[np.int64], number: int) -> npt.NDArray[np.int8]:
    held = Held(*[each[:, rows].copy() for each in given.results["verdicts"].stretch_marks.held])
    for each in held:
        each[number] = False
    table = given.results["stretches"].table.iloc[rows]
    marks = verdicts(held, given.settings.rules)[list(MARK_NAMES)]
    choice: npt.NDArray[np.int8] = admissible(
        table["scheme_type"], marks, given.settings.ranking.allow, builds_barrier(table)
    ).choice
    return choice


# Changes that take a rule off a reach, or off the best of some candidates.
def _lifted(
    given: Given,
    number: int,
    stretch: Stretch | None,
    does: str,
    after: str,
    candidates: npt.NDArray[np.int64] | None = None,
) -> list[dict[str, Any]]:
    rule = given.settings.rules[number]
    if rule.publish == "hidden":
        return []
    found = [change("rules_left_out", [], [rule.name], f"The rule {rule.name} is left out. {does}", after=after)]
    if rule.publish != "exact":
        return found
    rows = [] if candidates is None else candidates.tolist()
    stretches = [of_candidate(given.results, row) for row in rows] if stretch is None else [stretch]
    is_flat = _is_flat(given, number)
    holds = [holding(*given, each, number) for each in stretches]
    buffers = [buffer_that_lifts(rule, each, is_flat=is_flat) for each in holds]
    known = [each for each in buffers if each is not None]
    if known:
        largest = max(known)
        if rows:
            own = np.array([row for row, each in zip(rows, buffers, strict=True) if each == largest])
            after = _refused_next(given, np.sort(own), choice=_choice_without(given, np.sort(own), number))
            does = _then(after)
        found.append(
            change(
                f"rules_changed.{_toml(rule.name)}.buffer_m",
                rule.buffer_m,
                largest,
                f"The rule {rule.name} no longer holds. {does}",
                after=after,
                share=(rule.buffer_m - largest) / max(rule.buffer_m, LEAST_BUFFER_M),
            )
        )
    return found


def _is_flat(given: Given, number: int) -> bool:
    frame, rule = given.inputs.rules[number].frame, given.settings.rules[number]
    has_area = rule.area_ha_column or rule.area_m2_column
    return not has_area and bool((shapely.get_dimensions(frame.geometry.to_numpy()) < 2).any())


def _rules_that_would_bar(given: Given, candidate: int) -> list[dict[str, Any]]:
    table, allow = given.results["stretches"].table, given.settings.ranking.allow
    scheme = named(SCHEME_TYPES, table["scheme_type"].iloc[candidate])
    builds = bool(builds_barrier(table)[candidate])
    bars = [
        number
        for number, rule in enumerate(given.settings.rules)
        if named(ACTIONS, rule.action).bars_scheme(scheme, allow)
        or (builds and named(ACTIONS, rule.action).bars_new_barriers(allow))
    ]
    return _nearest_rules(given, bars, of_candidate(given.results, candidate), "excludes it")


# The buffer at which the nearest of some rules would hold on a stretch.
def _nearest_rules(given: Given, numbers: Sequence[int], stretch: Stretch, does: str) -> list[dict[str, Any]]:
    found = []
    away: list[tuple[float, int]] = []
    for number in numbers:
        rule: RuleSettings = given.settings.rules[number]
        if rule.publish == "exact":
            distance_m = distance_to(rule, given.inputs.rules[number], stretch)
            if math.isfinite(distance_m):
                away.append((distance_m - rule.buffer_m, number))
    for far_m, number in sorted(away)[:MOST_RULES]:
        rule, holds = given.settings.rules[number], holding(*given, stretch, number)
        if holds(rule):
            continue
        # Nothing is covered by a buffer that ends before it.
        start_m = rule.buffer_m + max(far_m - 1.0, 0.0)
        buffer_m = buffer_that_adds(rule, holds, start_m)
        if buffer_m is not None:
            found.append(
                change(
                    f"rules_changed.{_toml(rule.name)}.buffer_m",
                    rule.buffer_m,
                    buffer_m,
                    f"The rule {rule.name} {does}.",
                    after=BARRED_BY_RULE.name,
                    share=(buffer_m - rule.buffer_m) / max(rule.buffer_m, LEAST_BUFFER_M),
                )
            )
    return sorted(found, key=lambda each: each["relative_change"])[:1]
