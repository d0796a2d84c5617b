"""The summary of a run, as text."""

import math
import re
import textwrap
from collections import Counter
from typing import NamedTuple

import numpy as np

from sitefinder.report.decisions import decisions_text, kept_text
from sitefinder.report.fish import fish_passage_texts
from sitefinder.report.fish_safety import fish_safety_text
from sitefinder.report.flow_quality import (
    flow_notes,
    ground_notes,
)
from sitefinder.report.languages import current, labels, numeral, plural, say, say_as
from sitefinder.report.observations import observations_text
from sitefinder.report.stream_names import stream_names
from sitefinder.report.structures import beside_text, drops_text, structures_text
from sitefinder.report.table_texts import from_table
from sitefinder.report.text import (
    WIDTH,
    decimals,
    energy_interval,
    figure,
    gigawatt_hours,
    level_places,
    money_figure,
    money_text,
    name_of,
    plain,
    power,
    rendered,
    text_table,
)
from sitefinder.schema import MONEY, has_flag
from sitefinder.schema.columns import MONTH_ENERGIES
from sitefinder.schema.wording import SCREENING
from sitefinder.settings.economics import TYPICAL_YEAR_TO_YEAR_SD
from sitefinder.settings.fish import TYPICAL_EXISTING_SURVIVAL
from sitefinder.siting.limits import FREE_FLOWING, PLANTS_PER_KM
from sitefinder.units import (
    KILOWATTS_PER_MEGAWATT,
    MEGAWATT_HOURS_PER_GIGAWATT_HOUR,
    METRES_PER_KILOMETRE,
)
from sitefinder.vocabulary import (
    ACTIONS,
    DEPLETED_SHALLOW,
    FLAGS,
    HEAD_NOT_RESOLVED,
    SCHEME_TYPES,
    STATUS_MUST_NOT_FALL,
    SURFACE_MODEL,
    SURVIVAL_ROUNDED,
    VERDICTS,
    names,
    passing_verdicts,
    split_flags,
)

RULES_SHOWN = 8
# Columns of a terminal that the name of a step may take.
LONGEST_STEP = 48
# Settings of a trial, beside a layer of its own.
TRIAL_KEYS = ("run.within_box_m", "run.within_upstream_of_m")
# Steps that are shown although they affect no reach.
ALWAYS_SHOWN = ("everything", "open")


def cascade_text(screening_cascade):
    """The screening cascade of the region: reaches affected, excluded and remaining at each step.

    Parameters
    ----------
    screening_cascade : DataFrame
        As `sitefinder.schema` declares it.

    Returns
    -------
    str
        Steps that affect no reach are omitted; rules beyond the first eight are counted.
    """
    region = (screening_cascade["scope"] == "region") & (screening_cascade["way"] == "in order")
    shown = (screening_cascade["affected_reaches"] > 0) | screening_cascade["kind"].isin(ALWAYS_SHOWN)
    steps = screening_cascade[region & shown].sort_values("step")
    is_rule = steps["kind"] == "rule"
    hidden = is_rule & (is_rule.cumsum() > RULES_SHOWN)
    columns = ("screening cascade", "affected", "excluded", "remaining", "km", "MW", "GWh")
    table = text_table(*[(say(name), "left" if name == columns[0] else "right") for name in columns])
    action = labels(ACTIONS)
    rows = []
    for step in steps[~hidden].itertuples():
        name = f"{step.rule} ({action.get(step.action, step.action)})" if step.rule else say(step.kind)
        counts = [str(number) for number in (step.affected_reaches, step.excluded_reaches, step.remaining_reaches)]
        amounts = [figure(value) for value in (step.remaining_km, step.remaining_mw, step.remaining_gwh)]
        rows.append((name, [*counts, *amounts]))
    # Names have what the headings and figures leave.
    figures = list(zip([say(name) for name in columns[1:]], *(cells for _, cells in rows), strict=True))
    room = WIDTH - 2 - sum(max(map(len, column)) + 2 for column in figures)
    for name, cells in rows:
        table.add_row(name_of(name, min(LONGEST_STEP, room)), *cells)
    text = rendered(table)
    more = plural("and {number} rule more", "and {number} rules more", int(hidden.sum()))
    return f"{text}\n  {more}" if hidden.any() else text


# What the figures of a trial mean; empty for a whole region.
def _trial(settings):
    if not any(key in settings for key in ("inputs.within.path", *TRIAL_KEYS)):
        return ""
    return say(
        "A trial shows a part of the region. Each reach and site has the figures of the whole; ranks, totals and "
        "probabilities of being among the best count the part alone."
    )


def fish_text(streams, sites, settings):
    """Cumulative downstream passage survival on the least favourable route, with its limits.

    Parameters
    ----------
    streams, sites : DataFrame
        As `sitefinder.schema` declares them.
    settings : dict of str to str
        Settings by key, as in ``provenance``.

    Returns
    -------
    str
        Empty without a spawning ground.
    """
    known = streams[streams["min_survival"].notna()]
    if not len(known):
        return ""
    worst = known.loc[known["min_survival"].astype(float).idxmin()]
    start = (
        "Cumulative downstream passage survival from spawning grounds to the outlet, on the least favourable "
        "route: "
    )
    text = plural(
        start + "{share} % of fish, past {number} plant",
        start + "{share} % of fish, past {number} plants",
        int(worst["plants_on_migration_path"]),
        share=figure(100 * worst["min_survival"]),
    )
    if "fish.min_passage_survival" in settings:
        text += say(" (minimum set: {share} %)", share=figure(100 * float(settings["fish.min_passage_survival"])))
    if "fish.existing_survival" not in settings and streams["developed_m"].sum() > 0:
        text += say(
            "; at existing plants {share} % count as surviving, since fish.existing_survival is not set",
            share=figure(100 * TYPICAL_EXISTING_SURVIVAL),
        )
    if has_flag(sites["flags"], SURVIVAL_ROUNDED.name).any():
        text += say(
            "; losses were rounded up, so a better selection may exist ({flag})", flag=SURVIVAL_ROUNDED.name
        )
    return text + "."


# Units of the settings of cumulative limits.
LIMIT_UNITS = {FREE_FLOWING: " m", PLANTS_PER_KM: " per km"}
BEST_SITES = 5
# Columns of a terminal that the name of a stream may take, in several lines.
LONGEST_STREAM = 40
REASONS_SHOWN = 8
# Ratio of mean annual energy to P50 from which the text notes the difference (own choice).
SKEWED = 1.2
PROBLEMS_SHOWN = 6
FLAGS_SHOWN = 8


def summary_parts(
    title,
    tables,
    *,
    energy_p90_mwh=None,
    energy_p50_mwh=math.nan,
    energy_p10_mwh=None,
    year_to_year_sd=None,
    currency="",
    minimum_heads=None,
    counts_unresolved=False,
    finances=None,
    allow=(),
    notes=(),
):
    """The results, most important first, in two parts: before and after the list of files.

    Parameters
    ----------
    title : str
        Name of the inventory.
    tables : dict of str to DataFrame
        ``sites`` and ``reaches``, and optionally ``flow_equations``, ``screening_cascade``, ``streams`` with
        ``provenance``, ``structures``, ``fish_safe_gain`` and ``repairs``, as `sitefinder.schema` declares them.
    energy_p90_mwh, energy_p50_mwh, energy_p10_mwh : float, optional
        Annual energy of all sites together, exceeded in 90 %, 50 % and 10 % of the simulations [MWh/yr]. Those of
        single sites do not add up to it, since common errors do not cancel.
    year_to_year_sd : float, optional
        Standard deviation of the log of annual flow in the simulations; absent: nothing is said of it.
    currency : str
        Of the costs, for example "EUR of 2024".
    minimum_heads : DataFrame, optional
        The minimum resolvable head of the DEM: ``length_m``, ``min_head_m``, ``min_head_p90_m``.
    counts_unresolved : bool
        Whether reaches whose head is not resolved count in the potential.
    finances : Finances, optional
        Price and terms of the run, and the money of all sites together.
    allow : collection of str
        The run's ``ranking.allow``.
    notes : sequence of str
        The run's ``delivery.notes``.

    Returns
    -------
    before, after : str
        At most 100 characters wide, independent of the terminal.
    """
    sites, reaches = tables["sites"].sort_values("rank"), tables["reaches"]
    length_km = reaches["length_m"].sum() / METRES_PER_KILOMETRE
    before = [
        _head(
            plural(
                "{title}: {number} reach, {length} km of stream",
                "{title}: {number} reaches, {length} km of stream",
                len(reaches),
                title=plain(title),
                length=figure(length_km),
            ),
            tables,
            allow,
        ),
        "\n".join("\n".join(textwrap.wrap(plain(note), WIDTH)) for note in notes),
        _trial(_settings(tables["provenance"])) if "provenance" in tables else "",
        _chosen(sites, energy_p90_mwh, energy_p50_mwh, energy_p10_mwh)
        + kept_text(sites)
        + (beside_text(tables["totals"]) if "totals" in tables else ""),
        "" if finances is None else finances_text(finances),
        _suspects(tables, allow),
        _about_energy(sites, energy_p50_mwh, year_to_year_sd),
        effects_text(sites, tables.get("streams"), _settings(tables["provenance"]))
        if "provenance" in tables
        else "",
        limits_text(tables["cumulative_limits"]) if "cumulative_limits" in tables else "",
        water_bodies_text(tables["water_bodies"], sites) if "water_bodies" in tables else "",
        substations_text(tables["substations"]) if "substations" in tables else "",
        _change(_settings(tables["provenance"])) if "provenance" in tables else "",
        _verdicts(reaches, counts_unresolved),
        decisions_text(tables["decisions"], sites) if "decisions" in tables else "",
        observations_text(tables["observations"]) if "observations" in tables else "",
        _months(sites),
        surface_model_warning(reaches),
        _flags(sites),
        _best(sites, reaches, currency),
        structures_text(tables["structures"], currency, tables.get("repairs")) if "structures" in tables else "",
        drops_text(tables["drops"], currency) if "drops" in tables else "",
        _rejection(reaches),
    ]
    after = [
        _by_price(tables["sites_by_price"], finances) if finances and "sites_by_price" in tables else "",
        _potential(reaches, counts_unresolved),
        cascade_text(tables["screening_cascade"]) if "screening_cascade" in tables else "",
        *_fish_safe(tables),
        *fish_passage_texts(tables),
        fish_text(tables["streams"], sites, _settings(tables["provenance"])) if "streams" in tables else "",
        "" if minimum_heads is None else _minimum_heads(minimum_heads),
        _shrunk(sites),
        _repairs(tables["repairs"]) if "repairs" in tables else "",
        say(SCREENING),
    ]
    return _joined(before), _joined(after)


# What turbines do to fish, and what a point of the bar would move.
def _fish_safe(tables):
    if not {"fish_safe_gain", "fish_groups"} <= set(tables):
        return []
    settings = _settings(tables["provenance"]) if "provenance" in tables else {}
    return fish_safety_text(tables["fish_safe_gain"], tables["fish_groups"], settings)


# The first line, and right below it how far ground and flows can be trusted.
def _head(first, tables, allow):
    notes = flow_notes(_of_equations(tables), allow)
    ground = ground_notes(tables["repairs"]) if "repairs" in tables else []
    lines = [first, *ground, *(text for text, _ in notes)]
    return "\n".join("\n".join(textwrap.wrap(line, WIDTH)) for line in lines)


# Gauges that look wrong.
def _suspects(tables, allow):
    about_equations = flow_notes(_of_equations(tables), allow)
    return " ".join(text for text, _ in flow_notes(tables, allow)[len(about_equations) :])


def _of_equations(tables):
    return {name: table for name, table in tables.items() if name == "flow_equations"}


# Paragraphs are wrapped; tables are not.
def _joined(parts):
    wrapped = [part if "\n" in part else "\n".join(textwrap.wrap(part, WIDTH)) for part in parts if part]
    return "\n\n".join(wrapped)


def _settings(provenance):
    return provenance[provenance["kind"] == "setting"].set_index("name")["value"].to_dict()


# Number, length and potential of reaches by verdict, best first.
def _verdicts(reaches, counts_unresolved):
    heads = (("verdict", "left"), ("reaches", "right"), ("km", "right"), ("gross theoretical", "right"))
    table = text_table(*((say(name), side) for name, side in heads))
    summed = reaches["theoretical_kw"].where(_counts(reaches, counts_unresolved), 0.0)
    for verdict in reversed(names(VERDICTS)):
        own = reaches["verdict"] == verdict
        if own.any():
            length_km = reaches.loc[own, "length_m"].sum() / METRES_PER_KILOMETRE
            table.add_row(say(verdict), str(own.sum()), figure(length_km), power(summed[own].sum()))
    return rendered(table) if table.row_count else ""


# Reaches whose potential counts in the sums.
def _counts(reaches, counts_unresolved):
    doubtful = has_flag(reaches["flags"], HEAD_NOT_RESOLVED.name) & (not counts_unresolved)
    return reaches["theoretical_kw"].notna() & ~doubtful


# Gross theoretical potential of all reaches, and the part on open or restricted reaches.
def _potential(reaches, counts_unresolved):
    known = reaches["theoretical_kw"].notna()
    free = reaches["verdict"].isin(passing_verdicts(()))
    summed = _counts(reaches, counts_unresolved)
    doubtful = known & ~summed
    total, open_part = (reaches.loc[rows, "theoretical_kw"].sum() for rows in (summed, summed & free))
    unknown = len(reaches) - int(known.sum())
    left_out = "".join(
        plural(one, many, int(number))
        for number, one, many in (
            (
                unknown,
                "; {number} reach without an estimate not counted",
                "; {number} reaches without an estimate not counted",
            ),
            (
                doubtful.sum(),
                "; {number} reach with an unresolved head not counted",
                "; {number} reaches with an unresolved head not counted",
            ),
        )
        if number
    )
    return say(
        "Gross theoretical potential (gross head and mean flow, no losses): {total}, of which {open} on open or "
        "restricted reaches{left_out}.",
        total=power(total),
        open=power(open_part),
        left_out=left_out,
    )


# Minimum head that can be distinguished from level water.
def _minimum_heads(minimum_heads):
    if not len(minimum_heads):
        return ""
    heads = [
        say(
            "{head} m over {length} m ({high} m)",
            head=_metres(row.min_head_m),
            length=decimals(row.length_m, 0),
            high=_metres(row.min_head_p90_m),
        )
        for row in minimum_heads.itertuples()
    ]
    text = "Minimum resolvable head of this DEM, median (90th percentile): {heads}."
    return say(text, heads=", ".join(heads))


# Two significant digits, to the centimetre.
def _metres(metres):
    return numeral(f"{metres:.2f}" if metres < 1 else f"{metres:.1f}")


def surface_model_warning(reaches):
    """A warning if the DEM is a surface model; empty otherwise.

    Parameters
    ----------
    reaches : DataFrame
        As `sitefinder.schema` declares it.

    Returns
    -------
    str
    """
    flagged = has_flag(reaches["flags"], SURFACE_MODEL.name)
    if not flagged.any():
        return ""
    end = (
        " the DEM is a surface model. Its elevations are those of trees, roofs and bridges, and its "
        "stated error is not that of the water level: survey every head there before you rely on it (flag {flag})."
    )
    return plural(
        "Warning: for {flagged} of {number} reach" + end,
        "Warning: for {flagged} of {number} reaches" + end,
        len(reaches),
        flagged=flagged.sum(),
        flag=SURFACE_MODEL.name,
    )


# Number, installed capacity and energy of the sites.
def _chosen(sites, energy_p90_mwh, energy_p50_mwh, energy_p10_mwh):
    if not len(sites):
        return say("No site was selected.")
    energy = f"{gigawatt_hours(sites['energy_mwh'].sum())} GWh"
    if energy_p90_mwh is not None and energy_p10_mwh is not None:
        energy += f" ({energy_interval(energy_p90_mwh, energy_p50_mwh, energy_p10_mwh)})"
    return plural(
        "{number} site selected: installed capacity {capacity}, mean annual energy {energy}.",
        "{number} sites selected: installed capacity {capacity}, mean annual energy {energy}.",
        len(sites),
        capacity=power(sites["power_kw"].sum()),
        energy=energy,
    )


# What the interval of the energy includes, and why the mean is far from its middle.
def _about_energy(sites, energy_p50_mwh, year_to_year_sd):
    if not len(sites):
        return ""
    text = _included(year_to_year_sd)
    if sites["energy_mwh"].sum() > SKEWED * energy_p50_mwh:
        text += " " + say(
            "The mean is well above P50 because the uncertainty of flow is skewed upwards: half of the "
            "simulations give less than P50."
        )
    return text.strip()


def effects_text(sites, streams, settings):
    """What the sites do to the streams: depleted length, new barriers, and heads at the maximum.

    Parameters
    ----------
    sites : DataFrame
        As `sitefinder.schema` declares it.
    streams : DataFrame or None
        The same.
    settings : dict of str to str
        Settings by key, as in ``provenance``.

    Returns
    -------
    str
        Empty without a site.
    """
    if not len(sites) or "depleted_length_m" not in sites:
        return ""
    depleted_m, barriers = sites["depleted_length_m"].sum(), int(sites["new_barrier"].sum())
    most_depleted = ""
    if streams is not None and depleted_m > 0:
        most = streams.loc[streams["depleted_share"].astype(float).idxmax()]
        most_depleted = say(
            " (most in {stream}: {share} % of its length, existing plants included)",
            stream=_stream_of(most),
            share=figure(100 * most["depleted_share"]),
        )
    text = plural(
        "In the streams: {length} km of depleted reaches{most}, {number} new barrier (weirs or intakes).",
        "In the streams: {length} km of depleted reaches{most}, {number} new barriers (weirs or intakes).",
        barriers,
        length=figure(depleted_m / METRES_PER_KILOMETRE),
        most=most_depleted,
    )
    shallow = int(has_flag(sites["flags"], DEPLETED_SHALLOW.name).sum())
    if shallow:
        end = " the mean depth is below {depth} m for much longer than without the plant."
        text += " " + plural(
            "In {number} depleted reach" + end,
            "In {number} depleted reaches" + end,
            shallow,
            depth=numeral(f"{float(settings['depleted_reach.min_depth_m']):g}"),
        )
    start = "A gross head of at most {head} m defines low head here (stretches.max_head_m); it binds at "
    return f"{text} " + plural(
        start + "{capped} of {number} site.",
        start + "{capped} of {number} sites.",
        len(sites),
        head=numeral(f"{float(settings['stretches.max_head_m']):g}"),
        capped=int(sites["head_is_capped"].sum()),
    )


def _stream_of(stream):
    name = stream["stream"]
    if isinstance(name, str) and name:
        return plain(name)
    return say("the stream {stream}", stream=plain(stream["stream_id"]))


def limits_text(limits):
    """What each cumulative limit costs.

    Parameters
    ----------
    limits : DataFrame
        Layer ``cumulative_limits``.

    Returns
    -------
    str
        Empty where no limit is set.
    """
    parts = []
    for limit in limits.itertuples():
        unit = say(LIMIT_UNITS.get(limit.limit, ""))
        setting = "" if math.isnan(limit.setting) else f" ({numeral(f'{limit.setting:g}')}{unit})"
        parts.append(
            plural(
                "{limit}: {energy} GWh ({number} site without)",
                "{limit}: {energy} GWh ({number} sites without)",
                limit.sites_without,
                limit=say(limit.limit) + setting,
                energy=gigawatt_hours(limit.energy_lost_mwh),
            )
        )
    if not parts:
        return ""
    gaps = limits[["gap_share", "gap_without_share"]].to_numpy(dtype=float)
    exact = say("The selections are exact.") if (gaps == 0).all() else _gap_text(gaps)
    return say("Energy lost by cumulative limits, {limits}.", limits="; ".join(parts)) + f" {exact}"


def water_bodies_text(bodies, sites):
    """What the sites do in water bodies whose status must not fall.

    Parameters
    ----------
    bodies : DataFrame
        Layer ``water_bodies``.
    sites : DataFrame
        Layer ``sites``.

    Returns
    -------
    str
        Empty where no status must not fall.
    """
    kept = bodies[bodies["must_not_fall"].to_numpy(dtype=bool)]
    if not len(kept):
        return ""
    using = int(has_flag(sites["flags"], STATUS_MUST_NOT_FALL.name).sum())
    depleted_km = figure(kept["diverted_m"].sum() / METRES_PER_KILOMETRE)
    return say(
        "{bodies} a status that must not fall: {sites} such water, with {depleted} km of depleted reaches and "
        "{barriers} there.",
        bodies=plural("{number} water body has", "{number} water bodies have", len(kept)),
        sites=plural("{number} site uses", "{number} sites use", using),
        depleted=depleted_km,
        barriers=plural("{number} new barrier", "{number} new barriers", int(kept["new_barriers"].sum())),
    )


def substations_text(substations):
    """Whether the sites fit into the free capacity of the substations.

    Parameters
    ----------
    substations : DataFrame
        Layer ``substations``.

    Returns
    -------
    str
        Empty without a substation of known capacity that a site is nearest to.
    """
    used = substations[(substations["sites"] > 0) & substations["free_kw"].notna()]
    if not len(used):
        return ""
    over = used[used["left_kw"] < 0]
    text = plural(
        "{number} substation has sites near, and {free} MW free",
        "{number} substations have sites near, and {free} MW free",
        len(used),
        free=figure(used["free_kw"].sum() / KILOWATTS_PER_MEGAWATT),
    )
    if not len(over):
        return say("{text}: enough at each of them.", text=text)
    return say(
        "{text}; at {places} of them the sites exceed it, by {power} MW: {sites} not fit, taken by rank.",
        text=text,
        places=len(over),
        power=figure(-over["left_kw"].sum() / KILOWATTS_PER_MEGAWATT),
        sites=plural("{number} site does", "{number} sites do", int(over["sites_beyond"].sum())),
    )


def _gap_text(gaps):
    if np.isnan(gaps).any():
        return say("The selections are not exact, and how far they are from the best is not known.")
    share = figure(100 * gaps.max())
    return say("The best selections have at most {share} % more value than those found.", share=share)


class Finances(NamedTuple):
    """Price and terms of a run, and the money of all its sites together; NaN where there is no site."""

    money: str  # for example "EUR of 2024"
    price_per_kwh: float
    own_use_price_per_kwh: float | None
    real_rate: float
    lifetime_years: float
    power_kw: float
    capital_cost: float
    lcoe_per_kwh: float
    npv: float
    irr_percent: float
    discounted_payback_years: float


def finances_text(finances):
    """Price and terms of a run, and capital, LCOE, net present value and payback of all its sites together.

    Parameters
    ----------
    finances : Finances

    Returns
    -------
    str
        Without a site the price and terms alone.
    """
    unit = plain(finances.money.partition(" of ")[0]) or MONEY
    price = numeral(f"{finances.price_per_kwh:g}") + f" {unit}/kWh"
    if finances.own_use_price_per_kwh is not None:
        own_use = numeral(f"{finances.own_use_price_per_kwh:g}")
        price += say(" ({price} {unit}/kWh for own use)", price=own_use, unit=unit)
    text = say(
        "Price {price}, real discount rate {rate} %, {years} years, {money}",
        price=price,
        rate=numeral(f"{100 * finances.real_rate:.3g}"),
        years=numeral(f"{finances.lifetime_years:g}"),
        money=money_text(plain(finances.money)),
    )
    if not finances.power_kw > 0:
        return f"{text}."
    payback, irr = finances.discounted_payback_years, finances.irr_percent
    return say(
        "{terms}: capital cost {capital} {unit} ({specific} {unit}/kW), LCOE {lcoe} {unit}/kWh, net present value "
        "{npv} {unit}, internal rate of return {irr}, discounted payback {payback}.",
        terms=text,
        capital=money_figure(finances.capital_cost),
        specific=money_figure(finances.capital_cost / finances.power_kw),
        unit=unit,
        lcoe=decimals(finances.lcoe_per_kwh, 3),
        npv=money_figure(finances.npv),
        irr=say("none") if math.isnan(irr) else numeral(f"{irr:.1f} %"),
        payback=say("not within the lifetime")
        if math.isnan(payback)
        else plural("{number} year", "{number} years", round(payback)),
    )


# What of the selected sites pays at other prices.
def _by_price(by_price, finances):
    if not finances.power_kw > 0:
        return ""
    unit = plain(finances.money.partition(" of ")[0]) or MONEY
    table = text_table(
        (say("price {unit}", unit=f"{unit}/kWh"), "right"),
        (say("sites that pay"), "right"),
        (say("MW"), "right"),
        (say("GWh"), "right"),
        (say("net present value, {unit}", unit=unit), "right"),
    )
    for row in by_price.itertuples():
        table.add_row(
            decimals(row.price_per_kwh, 3),
            str(row.sites),
            figure(row.power_kw / KILOWATTS_PER_MEGAWATT),
            figure(row.energy_mwh / MEGAWATT_HOURS_PER_GIGAWATT_HOUR),
            money_figure(row.npv),
        )
    heading = say("Selected sites that pay at other prices (sites and sizes as at the price of the settings)")
    return "\n".join([*textwrap.wrap(heading, WIDTH), rendered(table)])


# What P90 to P10 of energy include.
def _included(year_to_year_sd):
    if year_to_year_sd is None:
        return ""
    if not year_to_year_sd:
        return say(
            "P90 to P10 include the uncertainty of head, flow and turbine efficiency, not inter-annual "
            "variability."
        )
    is_typical = year_to_year_sd == TYPICAL_YEAR_TO_YEAR_SD
    return say(
        "P90 to P10 are of a single year; they include the uncertainty of head, flow and turbine efficiency, and "
        "inter-annual variability (standard deviation of the log of annual flow {deviation}{typical}).",
        deviation=numeral(f"{year_to_year_sd:.2f}"),
        typical=say(", a typical value since none is known here") if is_typical else "",
    )


# The climate table that the flows are changed by.
def _change(settings):
    if "flows.change.label" not in settings:
        return ""
    return say(
        "Flows are changed by a climate table: {label} ({source}). The error of its factors is not in any "
        "interval.",
        label=plain(settings["flows.change.label"]),
        source=plain(settings.get("flows.change.source", "")),
    )


# The months of the most and the least energy of all sites, and what says so.
def _months(sites):
    if not len(sites) or "month_source" not in sites:
        return ""
    source = from_table(plain(sites["month_source"].iloc[0]))
    energy_mwh = sites[[*names(MONTH_ENERGIES)]].sum(min_count=len(sites)).to_numpy()
    if np.isnan(energy_mwh).any():
        return say("Monthly energy: {source}.", source=source)
    most, least = (
        f"{current().months[month]} ({gigawatt_hours(energy_mwh[month])} GWh)"
        for month in (energy_mwh.argmax(), energy_mwh.argmin())
    )
    text = "Monthly energy from {source}: most in {most}, least in {least}."
    return say(text, source=source, most=most, least=least)


# Data-quality flags of the sites, most frequent first.
def _flags(sites):
    if not len(sites) or "flags" not in sites:
        return ""
    counts = Counter(name for text in sites["flags"] for name, _ in split_flags(text))
    label = labels(FLAGS)
    ordered = sorted(counts, key=lambda name: (-counts[name], [*label, name].index(name)))
    shown = [f"{plain(label.get(name, name))} ({counts[name]})" for name in ordered[:FLAGS_SHOWN]]
    rest = len(ordered) - len(shown)
    more = plural(" and {number} other", " and {number} others", rest) if rest > 0 else ""
    text = "Data-quality flags of the sites: {flags}."
    return say(text, flags=(", ".join(shown) or say("none")) + more)


# By how much the heads of the sites were corrected, in the mean.
def _shrunk(sites):
    if not len(sites) or "head_uncorrected_m" not in sites:
        return ""
    above_m = (sites["head_uncorrected_m"] - sites["head_m"]).mean()
    if (sites["head_uncorrected_m"] == sites["head_m"]).all():
        return say(
            "Gross heads of the sites have no regional shrinkage: selection favours heads that the DEM "
            "error makes too large."
        )
    text = (
        "Uncorrected gross heads of the sites are on average {height} m above those used, after regional "
        "shrinkage and selection correction."
        if above_m >= 0
        else "Uncorrected gross heads of the sites are on average {height} m below those used, after regional "
        "shrinkage and selection correction."
    )
    return say(text, height=numeral(f"{abs(above_m):.2f}"))


# The best sites; no id is cut.
def _best(sites, reaches, currency):
    if not len(sites):
        return ""
    table = text_table(
        ("#", "right"),
        (say("site"), "left"),
        (say("stream"), "left"),
        (say("scheme type"), "left"),
        (say("head m"), "right"),
        ("m³/s", "right"),
        (say("turbine"), "left"),
        ("kW", "right"),
        (say_as("narrow heading", "LCOE"), "right"),
        wrapped=(say("site"), say("stream")),
    )
    scheme = labels(SCHEME_TYPES)
    best = sites.head(BEST_SITES)
    streams = stream_names(reaches, best["reach_id"])
    for site in best.itertuples():
        table.add_row(
            str(site.rank),
            # The scheme type has its own column.
            plain(site.site_id.removesuffix(f"/{site.scheme_type}")),
            name_of(streams[site.reach_id], LONGEST_STREAM),
            name_of(scheme.get(site.scheme_type, site.scheme_type), 19),
            decimals(site.head_m, level_places(getattr(site, "head_se_m", None))),
            figure(site.flow_mean_m3s),
            name_of(site.turbine, 16),
            figure(site.power_kw),
            decimals(site.lcoe_per_kwh, 3),
        )
    shown = min(len(sites), BEST_SITES)
    first = (
        say("Best site") if len(sites) == 1 else say("Best {shown} of {all} sites", shown=shown, all=len(sites))
    )
    text = "{sites} (mean flow at the intake, installed capacity, levelised cost of energy per kWh{currency})"
    costs = say(" in {currency}", currency=money_text(plain(currency))) if currency else ""
    heading = textwrap.wrap(say(text, sites=first, currency=costs), WIDTH)
    return "\n".join([*heading, rendered(table)])


# Rejection reasons, most frequent first.
def _rejection(reaches):
    without = reaches[reaches["rejection_reason"] != ""]
    if not len(without):
        return ""
    counts = without.groupby("rejection_reason")["length_m"].agg(["size", "sum"]).reset_index()
    counts = counts.sort_values(["size", "rejection_reason"], ascending=[False, True])
    table = text_table((say("rejection reason"), "left"), (say("reaches"), "right"), ("km", "right"))
    for reason, number, length_m in counts.head(REASONS_SHOWN).itertuples(index=False):
        table.add_row(name_of(say(reason), 60), str(number), figure(length_m / METRES_PER_KILOMETRE))
    rest = counts.iloc[REASONS_SHOWN:]
    if len(rest):
        length_km = rest["sum"].sum() / METRES_PER_KILOMETRE
        table.add_row(say("{number} other reasons", number=len(rest)), str(rest["size"].sum()), figure(length_km))
    return rendered(table)


# Repairs and doubts of the inputs, most frequent first, in one line.
def _repairs(repairs):
    if not len(repairs):
        return ""
    counts = repairs["problem"].map(_kind_of_problem).value_counts().reset_index()
    counts = counts.sort_values(["count", "problem"], ascending=[False, True])
    shown = [
        f"{from_table(plain(problem))} ({number})"
        for problem, number in counts.head(PROBLEMS_SHOWN).itertuples(index=False)
    ]
    rest = counts["count"].iloc[PROBLEMS_SHOWN:].sum()
    text = (
        "Repairs and doubts in the inputs (layer repairs): {problems} and {number} more."
        if rest
        else "Repairs and doubts in the inputs (layer repairs): {problems}."
    )
    return say(text, problems=", ".join(shown), number=rest)


# A problem without the details of one feature: nothing after a colon, no measure at the end.
def _kind_of_problem(problem):
    return re.sub(r"\s+\d[\d.,]*\b.*$", "", problem.split(":")[0])
