"""An explanation as text: the verdict and what would change it, rules, head, flow, plant and cost."""

import textwrap

from sitefinder.report.decisions import decision_sentence
from sitefinder.report.text import NOT_KNOWN, WIDTH, counted, figure, money_figure, plain, rendered, text_table
from sitefinder.report.water_rights import right_sentences
from sitefinder.vocabulary import ACTIONS, CAPITAL_PARTS, SCHEME_TYPES, labels

# Samples of a head and changes that are listed; the others are counted.
SAMPLES_SHOWN, CHANGES_SHOWN = 12, 4


def explanation_text(found):
    """An explanation as text.

    Parameters
    ----------
    found : dict
        As `sitefinder.explanation.explaining.explained` gives it.

    Returns
    -------
    str
        Ends with a line break.
    """
    about = found["about"]
    # A structure's own head is that of its candidate.
    is_of_reach = about["kind"] == "structure" and about.get("reach_id")
    of_reach = f" of its reach {plain(about['reach_id'])}" if is_of_reach else ""
    parts = [
        _head(found),
        _changes("What would change it (the nearest first)", found.get("changes", []), found.get("note", "")),
        _changes("What would change the verdict of the rules", found.get("changes_of_verdict", []), ""),
        _candidate(found),
        _decisions(found.get("decisions", [])),
        _rules(found["rules"]),
        _of_head(found.get("head"), of_reach),
        _flow(found.get("flow"), of_reach),
        _plant(found),
        _cost(found),
        _surroundings(found.get("surroundings", {})),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def _wrapped(text, indent="  "):
    return "\n".join(textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent))


def _number(value, unit=""):
    if value is None:
        return NOT_KNOWN
    return f"{figure(value)} {unit}".rstrip()


def _head(found):
    about, verdict = found["about"], found["verdict"]
    place = f" on {plain(about['stream'])}" if about["stream"] else ""
    lines = [f"{plain(about['title'])}: {about['kind']} {plain(about['id'])}{place}"]
    if about["distance_m"] > 0:
        lines.append(_wrapped(f"The nearest reach, {figure(about['distance_m'])} m from the place."))
    if about["kind"] == "site":
        lines.append(_wrapped(f"Selected, rank {found['rank']}: {labels(SCHEME_TYPES)[found['scheme_type']]}."))
    elif verdict["rejection_reason"]:
        lines.append(_wrapped(f"No site: {verdict['rejection_reason']}. {verdict['because']}".strip()))
    elif found.get("sites"):
        lines.append(_wrapped(f"Used by {', '.join(found['sites'])}: explain that site."))
    if verdict["of_rules"]:
        because = f" ({plain(verdict['reasons'])})" if verdict["reasons"] else ""
        lines.append(_wrapped(f"Verdict of the rules: {verdict['of_rules']}{because}. {verdict['means']}"))
    if found.get("blocked_by"):
        lines.append(_wrapped(f"Blocked by {found['blocked_by']}."))
    if found.get("note_of_verdict"):
        lines.append(_wrapped(plain(found["note_of_verdict"])))
    return "\n".join(lines)


def _changes(heading, changes, note):
    if not changes and not note:
        return ""
    lines = [heading]
    for each in changes[:CHANGES_SHOWN]:
        values = f"{_value(each['from'])} to {_value(each['to'])}"
        lines.append(_wrapped(f"{plain(each['setting'])}: {values}. {each['does']}"))
        lines.append(f"    --set '{plain(each['option'])}'")
    if note:
        lines.append(_wrapped(plain(note)))
    return "\n".join(lines)


# Decisions on the stream, those that apply first.
def _decisions(decisions):
    if not decisions:
        return ""
    lines = ["Decisions"]
    for each in sorted(decisions, key=lambda one: not one["applied"]):
        remark = f" {each['remark']}" if each["remark"] else ""
        state = "" if each["applied"] else " Not applied:"
        lines.append(_wrapped(plain(f"{decision_sentence(each)}{state}{remark}")))
    return "\n".join(lines)


def _value(value):
    if isinstance(value, list):
        return ", ".join(map(str, value)) or "none"
    return "none" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def _candidate(found):
    if "candidate" not in found:
        return ""
    own = found["candidate"]
    money = found["about"]["money"]
    text = (
        f"Of {counted(found['candidates'], 'candidate', 'candidates')} that come this far, the best is "
        f"{labels(SCHEME_TYPES)[own['scheme_type']]} over {figure(own['length_m'])} m: gross head "
        f"{figure(own['head_m'])} m (uncorrected {figure(own['head_uncorrected_m'])} m, standard error "
        f"{figure(own['head_uncorrected_se_m'])} m), mean flow {figure(own['flow_mean_m3s'])} m³/s"
    )
    if own["turbine"]:
        text += (
            f", {own['turbine']}, {_number(own['power_kw'], 'kW')}, {_number(own['energy_mwh'], 'MWh')} a year, "
            f"capital cost {_money(own['capital_cost'])}, LCOE {_number(own['lcoe_per_kwh'])}, net annual value "
            f"{_money(own['net_annual_value'])} ({money})"
        )
    lines = ["Best candidate", _wrapped(f"{text}.")]
    for each in found.get("turbine_ranges", []):
        head, flow = (
            " to ".join(figure(end) for end in each[name]) for name in ("head_range_m", "flow_range_m3s")
        )
        lines.append(_wrapped(f"{each['turbine']}: net head {head} m, flow of a unit {flow} m³/s"))
    return "\n".join(lines)


def _money(value):
    return NOT_KNOWN if value is None else money_figure(value)


def _rules(rules):
    if not rules:
        return ""
    action = labels(ACTIONS)
    table = text_table(
        ("rule", "left"), ("does", "left"), ("holds", "left"), ("overlap m", "right"), ("nearest", "left"),
        ("away m", "right"), ("buffer m", "right"), wrapped=("rule", "does"),
    )  # fmt: skip
    lines = []
    for rule in rules:
        metres = sum(each["overlap_m"] for each in rule["features"] if each["overlap_m"] is not None)
        distance = rule.get("nearest_distance_m")
        table.add_row(
            plain(rule["rule"]),
            action.get(rule["action"], rule["action"]),
            rule["holds"],
            figure(metres) if rule["features"] else "",
            plain(rule.get("nearest_feature_id", "")),
            "" if distance is None else figure(distance),
            "" if "buffer_m" not in rule else f"{rule['buffer_m']:g}",
        )
        for each in rule["features"]:
            doubt = f", {each['doubt']}" if each["doubt"] else ""
            lines.append(
                _wrapped(
                    f"{plain(rule['rule'])}: {plain(each['feature_id']) or 'layer'} of {plain(rule['layer'])} "
                    f"(edition {plain(rule['date'])}), {each['effect']}, {_number(each['from_m'])} to "
                    f"{_number(each['to_m'], 'm')} along the line{doubt}"
                )
            )
    return "\n".join(["Rules", rendered(table), *lines])


def _of_head(head, of_reach):
    if not head:
        return ""
    parts = [f"Gross head {_number(head['head_m'], 'm')}, standard error {_number(head['head_se_m'], 'm')}"]
    if "head_uncorrected_m" in head:
        parts.append(
            f"uncorrected {_number(head['head_uncorrected_m'], 'm')} ± "
            f"{_number(head['head_uncorrected_se_m'], 'm')}, "
            f"regional shrinkage {_number(head['shrinkage_m'], 'm')}, selection correction "
            f"{_number(head['selection_luck_m'], 'm')}"
        )
    parts.append(
        f"{_number(head['standard_errors'])} standard errors, {_number(head['needed_standard_errors'])} needed"
        + ("; the drop is surveyed" if head.get("is_surveyed") else "")
    )
    parts.append(f"error of the DEM {_number(head['dem_rmse_m'], 'm')}, {head['simulations']} simulated profiles")
    table = text_table(
        ("distance m", "right"), ("DEM m", "right"), ("fitted m", "right"), ("90 % from", "right"), ("to", "right")
    )
    for each in head["samples"][:SAMPLES_SHOWN]:
        levels = (each[name] for name in ("raw_m", "profile_m", "low_m", "high_m"))
        table.add_row(figure(each["distance_m"]), *("" if one is None else f"{one:.2f}" for one in levels))
    more = len(head["samples"]) - SAMPLES_SHOWN
    rest = [f"  and {more} more"] if more > 0 else []
    return "\n".join([f"Head{of_reach}", _wrapped("; ".join(parts) + "."), rendered(table), *rest])


def _flow(flow, of_reach):
    if not flow:
        return ""
    lines = [
        f"Flow{of_reach}",
        _wrapped(
            f"Mean {_number(flow['flow_mean_m3s'], 'm³/s')} (90 % prediction interval "
            f"{_number(flow['low_m3s'])} to "
            f"{_number(flow['high_m3s'])}), exceeded 95 % of the time {_number(flow['flow_q95_m3s'], 'm³/s')}, "
            f"environmental flow {_number(flow['environmental_flow_m3s'], 'm³/s')} in the mean, catchment "
            f"{_number(flow['area_km2'], 'km²')}; source: {plain(flow['source'])}."
        ),
    ]
    for each in flow["equations"]:
        region = f" of region {plain(each['region'])}" if each["region"] else ""
        error = each["standard_error_percent"]
        lines.append(
            _wrapped(
                f"The equation{region} ({each['form']}, {each['gauges']} gauges"
                + ("" if error is None else f", standard error {figure(error)} %")
                + f", bias factor {figure(each['bias_correction'])}) gives {_number(each['gives_m3s'], 'm³/s')}; "
                f"{plain(each['source'])}."
            )
        )
        table = text_table(
            ("predictor", "left"), ("value", "right"), ("unit", "left"), ("coefficient", "right"), ("range",
            "left"), ("within", "left"),
        )  # fmt: skip
        for term in each["terms"]:
            spans = "" if term["minimum"] is None else f"{figure(term['minimum'])} to {figure(term['maximum'])}"
            within = {None: "", True: "yes", False: "no"}[term["is_in_range"]]
            value = "" if term["value"] is None else figure(term["value"])
            table.add_row(
                plain(term["predictor"]), value, term["unit"], f"{term['coefficient']:.4g}", spans, within
            )
        lines.append(rendered(table))
    return "\n".join(lines)


def _plant(found):
    if "plant" not in found:
        return ""
    plant, lost, conduit = found["plant"], found["losses"], found["conduit"]
    names = (
        ("canal_m", "canal"),
        ("rack_and_gates_m", "rack and gates"),
        ("exit_m", "exit"),
        ("fish_screen_m", "fish screen"),
    )
    losses = ", ".join(f"{label} {_number(lost[name], 'm')}" for name, label in names)
    text = (
        f"{plant['turbine']}, {plant['units']} × {_number(plant['flow_design_m3s'] / plant['units'], 'm³/s')}, "
        f"{_number(plant['power_kw'], 'kW')} (P90 {_number(plant['power_kw_p90'])}, P10 "
        f"{_number(plant['power_kw_p10'])}); losses: {losses}, beside friction in a pipe; net head on "
        f"the survey day {_number(found['net_head_m'], 'm')}; mean annual energy "
        f"{_number(plant['energy_mwh'], 'MWh')} (P90 "
        f"{_number(plant['energy_mwh_p90'])}, P50 {_number(plant['energy_mwh_p50'])}, P10 "
        f"{_number(plant['energy_mwh_p10'])})."
    )
    lines = ["Turbine and energy", _wrapped(text)]
    if conduit["conduit_length_m"]:
        side = f" on the {conduit['conduit_bank']} bank" if conduit["conduit_bank"] else ""
        lines.append(
            _wrapped(
                f"Conduit: {_number(conduit['conduit_length_m'], 'm')}, headrace "
                f"{_number(conduit['headrace_length_m'], 'm')}, penstock "
                f"{_number(conduit['penstock_length_m'], 'm')}"
                f"{side}, deepest cut {_number(conduit['deepest_cut_m'], 'm')}, aqueducts "
                f"{_number(conduit['aqueduct_length_m'], 'm')}."
            )
        )
    return "\n".join(lines)


def _cost(found):
    if "cost_parts" not in found:
        return ""
    money = found["money"]
    text = (
        f"Capital cost {_money(money['capital_cost'])}, LCOE {_number(money['lcoe_per_kwh'])} per kWh, net annual "
        f"value "
        f"{_money(money['net_annual_value'])}, in {found['about']['money']}."
    )
    label = labels(CAPITAL_PARTS)
    table = text_table(("part of the capital cost", "left"), ("", "right"))
    for name, cost in found["cost_parts"].items():
        if cost:
            table.add_row(label.get(name, name), money_figure(cost))
    return "\n".join(["Cost", _wrapped(text), rendered(table)])


# What optional layers say of a site; nothing without them.
def _surroundings(around):
    sentences = []
    if around.get("water_body_id"):
        status = around["water_body_status"]
        sentences.append(
            f"Water bodies: {plain(around['water_body_id'])}"
            + (f"; their status: {plain(status)}." if status else ".")
        )
    owners = [
        f"at the {place} {plain(around[column])}"
        for place, column in (("intake", "intake_owner"), ("tailrace", "tailrace_owner"))
        if around.get(column)
    ]
    if around.get("conduit_owner"):
        owners.insert(1, f"along the conduit {plain(around['conduit_owner'])}")
    if owners:
        sentences.append(f"Owners of the ground: {', '.join(owners)}.")
    if around.get("substation_id"):
        free = _number(around["substation_free_kw"], "kW")
        left = _number(around["substation_left_kw"], "kW")
        sentences.append(
            f"Substation {plain(around['substation_id'])}, {_number(around['substation_distance_m'], 'm')} away: "
            f"free {free}, left after this and better sites {left}."
        )
    sentences += right_sentences(around.get("rights", []))
    return "\n".join(["Surroundings", *map(_wrapped, sentences)]) if sentences else ""
