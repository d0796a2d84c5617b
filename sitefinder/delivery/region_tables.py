"""Reaches, structures, rule hits, totals and provenance, as tables of the delivery."""

import geopandas
import numpy as np
import pandas as pd
import shapely

from sitefinder.catalogue.equations import LN_10, percent_from_log10
from sitefinder.delivery.checking import checked_table
from sitefinder.delivery.closed_sites import MONTH_ENERGIES
from sitefinder.delivery.decision_table import columns_of_reaches
from sitefinder.delivery.drop_table import selected_drops
from sitefinder.delivery.money_tables import total_finance
from sitefinder.delivery.site_energy import interval_columns
from sitefinder.energy.costs import capital_factor, turbine_cost, yearly_cost
from sitefinder.energy.fish_survival import GRADES, of_plants, survival_by_group, worst_of_groups
from sitefinder.energy.hydrokinetic import hydrokinetic_potential
from sitefinder.energy.plant import hydraulic_power_kw, yearly_energy_mwh
from sitefinder.energy.valuation import fish_answers
from sitefinder.hydrology.strength import MEAN
from sitefinder.network.stations import features_of_reaches, place_names, without_repeats
from sitefinder.pipeline.build import own_build
from sitefinder.pipeline.code import digest_of_files, own_code
from sitefinder.profile.errors import head_standard_error
from sitefinder.rules.confidentiality import (
    doubt_text,
    held_text,
    published_hits,
    published_lineage,
    published_overrides,
    published_repairs,
    published_settings,
)
from sitefinder.rules.overlaps import hits_by_reach
from sitefinder.rules.verdicts import Held
from sitefinder.schema import LAYERS, empty_table, has_flag
from sitefinder.schema.total_layers import DISTRIBUTIONS_OF, DROPS_SCOPE, MONTHLY_WH, SCOPES, STREAM_SCOPE
from sitefinder.siting.access import district_names, in_region, lengths_by_district
from sitefinder.siting.potential import (
    Step,
    class_edges,
    distribution,
    rule_steps,
    screening_cascade,
    shared,
    whole,
)
from sitefinder.siting.structures import NOT_BARRIERS
from sitefinder.siting.water_body_status import CAPS, bodies_of, bodies_used
from sitefinder.steps.flags import covered_percent, flag_texts, flags_of_reaches, list_seams
from sitefinder.steps.graph import STEPS
from sitefinder.steps.limits import limit_costs_table
from sitefinder.steps.network import joined_repairs, list_stream_doubts, unresolved_reaches
from sitefinder.steps.scope import OF_NO_RESULT
from sitefinder.steps.selection import fish_safe_gain_table, published_spawning, with_fish
from sitefinder.steps.terrain import list_terrain_repairs
from sitefinder.steps.trial import candidates_in, places_in
from sitefinder.steps.water_bodies import STEP_KIND
from sitefinder.units import (
    HOURS_PER_YEAR,
    KILOWATT_HOURS_PER_MEGAWATT_HOUR,
    METRES_PER_KILOMETRE,
    WATT_HOURS_PER_MEGAWATT_HOUR,
    WATTS_PER_KILOWATT,
)
from sitefinder.vocabulary import (
    DEVELOPED,
    DROP,
    HEAD_NOT_RESOLVED,
    HEAD_UNRESOLVED,
    IN_ONE_CELL,
    NO_FLOW_ESTIMATE,
    NO_STREAM,
    RATING,
    STANDING_WATER,
    TIDAL,
    UNMEASURED,
    cascade_reasons,
    names,
    passing_verdicts,
    reasons_of,
    schemes_that,
)


def reach_districts_table(reaches, lengths):
    """Length of each reach in each district.

    Parameters
    ----------
    reaches : GeoDataFrame
        The delivered reaches.
    lengths : DataFrame
        See `sitefinder.siting.access.lengths_by_district`.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``reach_districts``.
    """
    names = reaches["reach_id"].to_numpy()[lengths["reach"].to_numpy()]
    return lengths.assign(reach_id=names)[[column.name for column in LAYERS["reach_districts"].columns]]


def reach_features_table(settings, network, stationing, reaches):
    """The user's features along each delivered reach, also along those that were set aside.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    network : sitefinder.network.topology.Network
    stationing : sitefinder.network.stations.Stationing
    reaches : GeoDataFrame
        The delivered reaches.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``reach_features``.
    """
    found = features_of_reaches(stationing.reaches, network.parts)
    found["reach_id"] = stationing.reaches["reach_id"].to_numpy()[found["reach"].to_numpy()]
    unresolved = unresolved_reaches(settings, network, stationing)
    whole_m = pd.concat([stationing.reaches, unresolved], ignore_index=True).set_index("reach_id")["length_m"]
    if len(unresolved):
        length_m = unresolved["length_m"].to_numpy()
        found = pd.concat([found, pd.DataFrame(unresolved).assign(from_m=0.0, to_m=length_m)], ignore_index=True)
    found["length_m"] = found["to_m"] - found["from_m"]
    found["share"] = found["length_m"] / whole_m[found["reach_id"]].to_numpy()
    found = found[found["reach_id"].isin(reaches["reach_id"])].reset_index(drop=True)
    return found[[column.name for column in LAYERS["reach_features"].columns]]


def cascade_table(settings, stationing, held, reaches, lengths, *, has_decisions=False):
    """The screening cascade: from everything measured to what is open, in the region and each district.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    stationing : Stationing
    held : sitefinder.rules.verdicts.Held
        Which rules apply to the reaches of `stationing`.
    reaches : GeoDataFrame
        The delivered reaches.
    lengths : DataFrame or None
        Length of each of them in each district; None if the run has no districts.
    has_decisions : bool
        Whether the settings name decisions.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``screening_cascade``.

    Notes
    -----
    The order: everything; the reasons of `sitefinder.vocabulary.cascade_reasons`, first what cannot be measured,
    by the flags of the reaches, then what is not a natural stream (by ``rejection_reason``); the rules in the
    order of the settings; decisions, where there are any, which affect reaches that they are of and exclude those
    that they drop; and what is open by its verdict. A reach that rules exclude and a decision keeps stays excluded
    here: what is kept against rules is counted in ``totals``. ``ranking.allow`` lifts unresolved heads, incomplete
    catchments, conditions and unknown rules.
    """
    allow = settings.ranking.allow
    nowhere = np.zeros(len(reaches), dtype=bool)
    because, verdict = reaches["rejection_reason"], reaches["verdict"]
    has_no_flow = ~np.isfinite(reaches["flow_mean_m3s"].to_numpy(dtype=np.float64))
    affected = {reason: has_flag(reaches["flags"], reason.flag) for reason in reasons_of(UNMEASURED)}
    affected[NO_FLOW_ESTIMATE] = has_no_flow
    affected |= {reason: (because == reason.name).to_numpy() for reason in reasons_of(NO_STREAM)}
    is_open = verdict.isin(passing_verdicts(allow)).to_numpy()
    steps = [
        Step("everything", ~nowhere, nowhere),
        *(
            Step(reason.name, affected[reason], affected[reason] & (not reason.is_allowed(allow)))
            for reason in cascade_reasons()
        ),
        *rule_steps(settings.rules, _of_delivered(stationing, held, reaches), allow),
        *([Step("decision", reaches["decision"] != "", _is_dropped(reaches))] if has_decisions else []),
        Step("open", is_open, ~is_open),
    ]
    length_m, power_kw = (reaches[name].to_numpy(dtype=np.float64) for name in ("length_m", "theoretical_kw"))
    table = screening_cascade(steps, length_m, power_kw, lengths)
    return table[[column.name for column in LAYERS["screening_cascade"].columns]]


# Reaches on which a decision allows no site, bool of shape (n,).
def _is_dropped(reaches):
    return np.array([DROP.name in text.split(IN_ONE_CELL) for text in reaches["decision"]], dtype=bool)


# Rules that apply to the delivered reaches; none where the network is not resolved.
def _of_delivered(stationing, held, reaches):
    row = pd.Index(stationing.reaches["reach_id"]).get_indexer(reaches["reach_id"])
    return Held(*[each[:, row] & (row >= 0) for each in held])


def streams_table(
    settings,
    network,
    stationing,
    heads,
    stretches,
    water_bodies,
    river_parts,
    sites,
    delivered_sites,
    order,
    alive,
    within,
):
    """Developed length, capacity, energy and fish passage of each stream of the region.

    Parameters
    ----------
    settings, network, stationing, heads, stretches, water_bodies, river_parts, sites, delivered_sites
        Results of the stages of those names.
    order : DataFrame
        Of `sitefinder.delivery.site_tables.RankedSites`.
    alive : sitefinder.steps.selection.FishAlive
    within : ndarray of bool
        True for reaches of the region.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``streams``, in the order of the network. Connected links of one name are
        one stream, and so are connected links without a name.
    """
    stations, links = stationing.stations, network.links
    stream = river_parts.stream
    count = len(links)
    segment_m, reach = stations["segment_length_m"].to_numpy(), stations["reach"].to_numpy()
    inside = np.append(np.asarray(within, dtype=bool), False)[reach]
    diverted_m, ponded_m = used_metres(stretches, sites.offers.chosen, segment_m, heads.profile_m)

    def summed(metres):
        return np.bincount(stream, weights=metres, minlength=count)

    picked, ranked = delivered_sites.picked, order.sort_values("row")
    own = stream[stretches.table["tailrace"].to_numpy(dtype=np.int64)[picked]]
    whole_m, used_m = summed(segment_m), summed(diverted_m + segment_m * water_bodies.developed)
    plants = np.bincount(own, minlength=count) + summed(water_bodies.plants_entered)
    worst = _worst_of_streams(stream, alive, inside, count)
    known = worst >= 0
    barriers = barriers_of_streams(water_bodies.structures, stream, inside, count)
    weirs = stretches.table["intake"].to_numpy(dtype=np.int64)[picked[ranked["new_barrier"].to_numpy(dtype=bool)]]
    new_barriers = np.bincount(stream[weirs], minlength=count)
    length_km = summed(segment_m * inside) / METRES_PER_KILOMETRE
    per_km = np.divide(barriers + new_barriers, length_km, out=np.full(count, np.nan), where=length_km > 0)
    mouth = np.arange(count)
    names = place_names(network.parts, mouth, links["length_m"].to_numpy())["name"]
    table = pd.DataFrame(
        {
            "stream_id": names,
            "stream": links["stream"],
            "length_m": summed(segment_m * inside),
            "developed_m": summed(segment_m * (water_bodies.developed & inside)),
            "diverted_m": summed(diverted_m),
            "ponded_m": summed(ponded_m),
            "depleted_share": _over(used_m, whole_m),
            "plants_per_km": _over(plants, whole_m / METRES_PER_KILOMETRE),
            "barriers": barriers,
            "new_barriers": new_barriers,
            "barriers_per_km": per_km,
            "sites": np.bincount(own, minlength=count),
            "power_kw": np.bincount(own, weights=ranked["power_kw"], minlength=count),
            "energy_mwh": np.bincount(own, weights=ranked["energy_mwh"], minlength=count),
            "spawning_m": published_spawning(settings, summed(alive.spawning_m * inside)),
            "plants_on_migration_path": pd.array(np.where(known, alive.plants[worst], -1), dtype="Int64"),
            "min_survival": np.where(known, alive.survival[worst], np.nan),
        }
    )
    table["plants_on_migration_path"] = table["plants_on_migration_path"].mask(~known)
    shown = table[["length_m", "diverted_m", "ponded_m", "sites"]].sum(axis=1) > 0
    table = table[shown].reset_index(drop=True)
    table["stream_id"] = without_repeats(table["stream_id"].tolist())
    return table[[column.name for column in LAYERS["streams"].columns]]


# One figure over another; nothing over nothing is nothing.
def _over(figure, whole):
    return np.divide(figure, whole, out=np.zeros(len(whole)), where=whole > 0)


def water_bodies_table(
    settings, inputs, stationing, heads, stretches, water_bodies, river_parts, sites, delivered_sites, order
):
    """What existing plants and sites do in each water body of the user's layer.

    Parameters are the results of the stages of those names; `order` is of
    `sitefinder.delivery.site_tables.RankedSites`.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``water_bodies``; empty without that layer.
    """
    if "water_bodies" not in inputs.layers:
        return empty_table("water_bodies")
    bodies = bodies_of(inputs.layers["water_bodies"].frame)
    count, part = len(bodies), river_parts.water_body
    segment_m = stationing.stations["segment_length_m"].to_numpy()
    diverted_m, ponded_m = used_metres(stretches, sites.offers.chosen, segment_m, heads.profile_m)

    def summed(metres):
        return np.bincount(part[part >= 0], weights=metres[part >= 0], minlength=count)

    def counted(stations, weights=None):
        own = part[stations] >= 0
        return np.bincount(part[stations][own], None if weights is None else weights[own], minlength=count)

    length_m, developed_m, diverted_m = map(summed, (segment_m, segment_m * water_bodies.developed, diverted_m))
    picked, ranked = delivered_sites.picked, order.sort_values("row")
    tailrace, intake = (stretches.table[end].to_numpy(dtype=np.int64)[picked] for end in ("tailrace", "intake"))
    barriers = barriers_of_streams(water_bodies.structures, part, part >= 0, count)
    new_barriers = counted(intake[ranked["new_barrier"].to_numpy(dtype=bool)])
    using = [number for numbers in bodies_used(part, stretches, picked) for number in numbers]
    table = bodies.assign(
        length_m=length_m,
        developed_m=developed_m,
        diverted_m=diverted_m,
        ponded_m=summed(ponded_m),
        depleted_share=_over(developed_m + diverted_m, length_m),
        plants=counted(np.flatnonzero(water_bodies.plants_entered)),
        barriers=barriers,
        sites=counted(tailrace),
        new_barriers=new_barriers,
        sites_using=np.bincount(np.array(using, dtype=np.int64), minlength=count),
        barriers_per_km=np.divide(
            (barriers + new_barriers) * METRES_PER_KILOMETRE,
            length_m,
            out=np.full(count, np.nan),
            where=length_m > 0,
        ),
        power_kw=counted(tailrace, ranked["power_kw"].to_numpy(dtype=np.float64)),
        energy_mwh=counted(tailrace, ranked["energy_mwh"].to_numpy(dtype=np.float64)),
        **{name: pd.array(_caps(settings, name, bodies[name]), dtype="Int64") for name in CAPS.values()},
    )
    return table[[column.name for column in LAYERS["water_bodies"].columns]]


# Caps of water bodies, their own or those of the settings; NULL without either.
def _caps(settings, name, own):
    usual = getattr(settings.ranking, f"{name}_per_water_body")
    return [usual if np.isnan(cap) else int(cap) for cap in own]


def barriers_of_streams(structures, stream, inside, count):
    """Number of existing weirs and other drops that hold water on each stream, without natural falls.

    Parameters
    ----------
    structures : DataFrame
        Of the stage ``water_bodies``; what has been removed counts no more.
    stream : ndarray of int64, shape (n,)
        Stream of each station.
    inside : ndarray of bool, shape (n,)
        Stations inside the region.
    count : int
        Number of streams.

    Returns
    -------
    ndarray of int64, shape (count,)
    """
    kind = structures["kind"].astype(str).str.strip().str.lower()
    station = structures["station"].to_numpy(dtype=np.int64)
    holds = (~kind.isin([*NOT_BARRIERS, STEP_KIND])).to_numpy(dtype=bool) & (station >= 0)
    station = station[holds & ~structures["removed"].to_numpy(dtype=bool)]
    return np.bincount(stream[station[inside[station]]], minlength=count)


def used_metres(stretches, chosen, segment_length_m, profile_m):
    """Length of each station's segment that selected sites deplete and pond.

    Parameters
    ----------
    stretches : Stretches
    chosen : ndarray of bool, shape (m,)
    segment_length_m, profile_m : ndarray of float64, shape (n,)

    Returns
    -------
    diverted_m, ponded_m : ndarray of float64, shape (n,)
        [m]. A pond ends within a segment where the profile reaches its crest.
    """
    diverted_m, ponded_m = np.zeros(len(segment_length_m)), np.zeros(len(segment_length_m))
    diverting = schemes_that("diverts")
    for row in np.flatnonzero(chosen).tolist():
        site = stretches.table.iloc[row]
        way, pond = np.split(
            stretches.taken[stretches.start[row] : stretches.start[row + 1]],
            [stretches.pond_start[row] - stretches.start[row]],
        )
        if site["scheme_type"] in diverting:
            diverted_m[way] += segment_length_m[way]
        crest_m = profile_m[int(site["intake"])] + site["weir_height_m"]
        pond = pond[segment_length_m[pond] > 0]
        # The segment of a station begins at the station before it.
        rise_m, depth_m = profile_m[pond - 1] - profile_m[pond], crest_m - profile_m[pond]
        part = np.divide(depth_m, rise_m, out=np.ones(len(pond)), where=rise_m > depth_m)
        ponded_m[pond] += part * segment_length_m[pond]
    return diverted_m, ponded_m


# Spawning ground with the minimum passage survival of all whose migration path uses each stream; -1 if none.
def _worst_of_streams(stream, alive, inside, count):
    through = pd.DataFrame({"stream": stream, "worst": alive.worst, "survival": alive.survival[alive.worst]})
    through = through[(alive.worst >= 0) & inside].sort_values(["survival", "worst"], kind="stable")
    first = through.drop_duplicates("stream")
    worst = np.full(count, -1)
    worst[first["stream"]] = first["worst"]
    return worst


def supply_curve_table(sites):
    """Sites by ascending LCOE, with cumulative energy.

    Parameters
    ----------
    sites : DataFrame
        As `sitefinder.schema` declares it.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``supply_curve``; ties are in order of id, and sites
        without an LCOE come last.
    """
    curve = sites[["site_id", "lcoe_per_kwh", "energy_mwh"]].sort_values(["lcoe_per_kwh", "site_id"])
    curve = curve.assign(position=np.arange(1, len(curve) + 1), energy_sum_mwh=curve["energy_mwh"].cumsum())
    return pd.DataFrame(curve[[column.name for column in LAYERS["supply_curve"].columns]]).reset_index(drop=True)


def distributions_table(reaches, sites):
    """Distributions of heads, flows, catchment areas, power and energy over reaches and sites.

    Parameters
    ----------
    reaches, sites : DataFrame
        As `sitefinder.schema` declares them.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``distributions``. A quantity of both has the same classes for both.
    """
    layers = {"reaches": reaches, "sites": sites}
    parts = []
    for quantity in dict.fromkeys(name for of_layer in DISTRIBUTIONS_OF.values() for name in of_layer):
        having = [name for name in DISTRIBUTIONS_OF if quantity in DISTRIBUTIONS_OF[name]]
        edges = class_edges(np.concatenate([layers[name][quantity].to_numpy(dtype=float) for name in having]))
        for name in having:
            table = layers[name]
            part = distribution(
                table[quantity].to_numpy(dtype=float), table["length_m"].to_numpy(dtype=float), edges
            )
            parts.append(part.assign(quantity=quantity, of=name))
    columns = [column.name for column in LAYERS["distributions"].columns]
    filled = [part for part in parts if len(part)]
    return pd.concat(filled, ignore_index=True)[columns] if filled else empty_table("distributions")


def flow_equations_table(equations, regressions=()):
    """The terms of each flow equation, with its range, error and source.

    Parameters
    ----------
    equations : list of sitefinder.hydrology.equations.Equation
    regressions : list of sitefinder.hydrology.strength.MeanRegression
        Those of the mean flow that the run uses.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``flow_equations``.
    """
    strength = {(MEAN, each.region): (each.strength, each.reason) for each in regressions}
    rows = []
    for number, equation in enumerate(equations, 1):
        bears, reason = strength.get((equation.statistic, equation.region or ""), ("", ""))
        shared = {
            "equation": number,
            "statistic": equation.statistic,
            "region": equation.region or "",
            "form": equation.form,
            "flow_unit": equation.flow_unit,
            **_errors(equation),
            "bias_correction": equation.bias_correction,
            "interval_widening": equation.interval_widening,
            "gauges": equation.gauges,
            "strength": bears,
            "strength_reason": reason,
            "source": equation.source,
            "table": equation.table,
        }
        rows += [shared | term for term in _terms(equation)]
    if not rows:
        return empty_table("flow_equations")
    return pd.DataFrame(rows, columns=[column.name for column in LAYERS["flow_equations"].columns])


# The constant, each predictor, and each product of predictors.
def _terms(equation):
    empty = {"unit": "", "transform": "", "offset": None, "exponent": None, "minimum": None, "maximum": None}
    if equation.has_constant:
        kind = "constant" if equation.constant is not None else "factor"
        yield empty | {"predictor": kind, "coefficient": getattr(equation, kind)}
    names = [item.name for item in equation.predictors]
    for item in equation.predictors:
        transform = equation.form if item.transform == "log" else item.transform
        name = item.name
        if names.count(name) > 1:
            name += f" ({transform})" if item.exponent is None else f" ({transform} {item.exponent:g})"
        yield {
            "predictor": name,
            "unit": item.unit,
            "transform": transform,
            "offset": item.offset,
            "exponent": item.exponent,
            "coefficient": item.coefficient,
            "minimum": item.minimum,
            "maximum": item.maximum,
        }
    for term in equation.terms:
        product = " × ".join(name if power == 1 else f"{name}^{power:g}" for name, power in term.powers.items())
        yield empty | {"predictor": product, "coefficient": term.coefficient}


# The errors that the equation has; percent and log10 are the same error in two units.
def _errors(equation):
    log10 = None if equation.log_sd is None else equation.log_sd / LN_10
    return {
        "standard_error_percent": None if log10 is None else percent_from_log10(log10),
        "standard_error_log10": log10,
        "standard_error_in_flow_unit": equation.standard_error_in_flow_unit,
        "misclassified_percent": equation.misclassified_percent,
    }


REGION, DISTRICT, OUTSIDE = SCOPES
OF_REACHES = ("reaches", "length_m", "open_m", "excluded_m", "dropped_m", "theoretical_w")
METRES = ("length_m", "open_m", "excluded_m", "dropped_m", "depleted_m")


def totals_table(settings, inputs, reaches, district_lengths, sites, simulations, drops=None):
    """Totals of the region, each district, the area outside all, the streams of each name, and the drops.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    inputs : sitefinder.steps.inputs.RunInputs
    reaches : GeoDataFrame
        The delivered reaches.
    district_lengths : DataFrame
        Length of each of them in each district, see `sitefinder.siting.access.lengths_by_district`.
    sites : GeoDataFrame
        The delivered sites.
    simulations : sitefinder.energy.uncertainty.EnergySimulations
        Of the sites, in their order.
    drops : (DataFrame, EnergySimulations), optional
        The selected drops without a stream, see `sitefinder.delivery.drop_table.selected_drops`; without it there
        is no row of drops.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``totals``; without rows of districts if there is no district layer.

    Notes
    -----
    Each site and each reach is rounded once, to watts, watt-hours and metres, and then added, so that any
    grouping gives the same sum. A reach in several districts is divided by the largest remainder method, see
    `sitefinder.siting.potential.shared`. P90, P50 and P10 are those of the sums of the sites' common simulations,
    and do not add up. Reaches with an unresolved head add no potential, unless the settings allow them.
    """
    whole_reaches = _whole_reaches(settings, reaches)
    of_reach = whole_reaches.assign(
        reaches=1, stream=_named(reaches["stream"]), district=reaches["district"].to_numpy()
    )
    of_site = pd.DataFrame(
        {
            "stream": _named(sites["stream"]),
            "district": sites["district"].to_numpy(),
            "depleted_m": whole(sites["depleted_length_m"]),
            "new_barriers": sites["new_barrier"].to_numpy(dtype=np.int64),
            "kept": sites["kept_by_decision"].to_numpy(dtype=np.int64),
            "power_w": whole(sites["power_kw"] * WATTS_PER_KILOWATT),
            "energy_wh": whole(sites["energy_mwh"] * WATT_HOURS_PER_MEGAWATT_HOUR),
            **_whole_months(sites),
        }
    )
    pieces = _pieces(district_lengths, whole_reaches)
    all_sites = np.ones(len(of_site), dtype=bool)
    data = of_site, sites, simulations, settings
    # Most streams of a region have no site: what no sites sum to is worked out once.
    of_no_site = _of_sites(~all_sites, *data)

    def row(of_reaches, mine):
        return _of_reaches(of_reaches) | (_of_sites(mine, *data) if mine.any() else of_no_site)

    rows = [{"scope": REGION, "name": "", **row(of_reach, all_sites)}]
    if "districts" in inputs.layers:
        for name in [*dict.fromkeys(district_names(inputs.layers["districts"].frame)), ""]:
            here = pieces[pieces["district"] == name].drop(columns="district")
            here = here.assign(reaches=0).to_dict("list") | {"reaches": (of_reach["district"] == name).tolist()}
            mine = (of_site["district"] == name).to_numpy()
            rows.append({"scope": DISTRICT if name else OUTSIDE, "name": name, **row(here, mine)})
    for name in sorted({*of_reach["stream"], *of_site["stream"]}):
        here = of_reach[of_reach["stream"] == name]
        mine = (of_site["stream"] == name).to_numpy()
        rows.append({"scope": STREAM_SCOPE, "name": name, **row(here, mine)})
    if drops is not None:
        rows.append({"scope": DROPS_SCOPE, "name": "", **_row_of_drops(*drops, settings)})
    table = pd.DataFrame(rows)
    table = table.astype(dict.fromkeys(METRES, "float64"))
    table = table.astype(dict.fromkeys(names(MONTHLY_WH), "Int64"))
    return table[[column.name for column in LAYERS["totals"].columns]]


# Energy of sites in each month in whole watt-hours, by the column of the totals; missing where it is not known.
def _whole_months(sites):
    columns = {}
    for name, of_month in zip(names(MONTHLY_WH), MONTH_ENERGIES, strict=True):
        energy = sites[of_month]
        known = energy.notna().all()
        values = whole(energy * WATT_HOURS_PER_MEGAWATT_HOUR) if known else [pd.NA] * len(sites)
        columns[name] = pd.array(values, dtype="Int64")
    return columns


# Name of each stream, "" if none.
def _named(names):
    return names.fillna("").astype(str).to_numpy(dtype=object)


# Contribution of each reach, in whole metres and watts.
def _whole_reaches(settings, reaches):
    length_m = whole(reaches["length_m"])
    counts = np.ones(len(reaches), dtype=bool)
    if not HEAD_UNRESOLVED.is_allowed(settings.ranking.allow):
        counts = ~has_flag(reaches["flags"], HEAD_UNRESOLVED.flag)
    verdict = reaches["verdict"]
    return pd.DataFrame(
        {
            "length_m": length_m,
            "open_m": length_m * verdict.isin(passing_verdicts(())).to_numpy(),
            "excluded_m": length_m * (verdict == "excluded").to_numpy(),
            "dropped_m": length_m * _is_dropped(reaches),
            "theoretical_w": whole(reaches["theoretical_kw"] * WATTS_PER_KILOWATT) * counts,
        }
    )


# The same, cut at district boundaries.
def _pieces(lengths, whole_reaches):
    reach, length_m = lengths["reach"].to_numpy(), lengths["length_m"].to_numpy()
    cut = {
        name: shared(whole_reaches[name].to_numpy(dtype=np.int64), reach, length_m)
        for name in whole_reaches.columns
    }
    return pd.DataFrame({"district": lengths["district"].to_numpy(dtype=object), **cut})


# Of one row the sums of its reaches.
def _of_reaches(of_reaches):
    return {name: int(np.asarray(of_reaches[name], dtype=np.int64).sum()) for name in OF_REACHES}


# Of one row the sums of its sites.
def _of_sites(mine, of_site, sites, simulations, settings):
    own, whole_own = sites.loc[mine], of_site.loc[mine]
    return {
        "sites": int(mine.sum()),
        **{name: int(whole_own[name].sum()) for name in ("depleted_m", "new_barriers")},
        "power_w": int(whole_own["power_w"].sum()),
        "energy_wh": int(whole_own["energy_wh"].sum()),
        "kept_sites": int(whole_own["kept"].sum()),
        "kept_power_w": int((whole_own["power_w"] * whole_own["kept"]).sum()),
        "kept_energy_wh": int((whole_own["energy_wh"] * whole_own["kept"]).sum()),
        **{name: whole_own[name].sum(skipna=False) for name in names(MONTHLY_WH)},
        "capital_cost": own["capital_cost"].sum(),
        "net_annual_value": own["net_annual_value"].sum(),
        **total_finance(settings, own),
        **_simulated(sites, simulations, mine),
    }


# The row of drops without a stream: no reach, no depleted reach and no new barrier.
def _row_of_drops(drops, simulations, settings):
    whole_drops = pd.DataFrame(
        {
            "depleted_m": 0,
            "new_barriers": 0,
            "kept": 0,
            "power_w": whole(drops["power_kw"] * WATTS_PER_KILOWATT),
            "energy_wh": whole(drops["energy_mwh"] * WATT_HOURS_PER_MEGAWATT_HOUR),
        },
        index=drops.index,
    )
    of_months = {name: pd.array([pd.NA] * len(drops), dtype="Int64") for name in names(MONTHLY_WH)}
    all_drops = np.ones(len(drops), dtype=bool)
    of_drops = _of_sites(all_drops, whole_drops.assign(**of_months), drops, simulations, settings)
    return dict.fromkeys(OF_REACHES, 0) | of_drops


# LCOE of some sites together, and the intervals of their totals from the same simulations.
def _simulated(sites, simulations, mine):
    power, energy, long_term, cost = (
        part[mine].sum(axis=0)[None]
        for part in (
            simulations.power_kw,
            simulations.energy_mwh,
            simulations.energy_long_term_mwh,
            simulations.yearly_cost,
        )
    )
    per_mwh = np.divide(cost, long_term, out=np.full_like(cost, np.inf), where=long_term > 0)
    own = sites.loc[mine]
    kwh = own["energy_mwh"].sum() * KILOWATT_HOURS_PER_MEGAWATT_HOUR
    columns = interval_columns("power_kw", power) | interval_columns("energy_mwh", energy)
    columns |= interval_columns("energy_long_term_mwh", long_term)
    per_kwh = per_mwh / KILOWATT_HOURS_PER_MEGAWATT_HOUR
    columns |= interval_columns("lcoe_per_kwh", per_kwh, of_cost=True)
    yearly = (own["lcoe_per_kwh"] * own["energy_mwh"]).sum() * KILOWATT_HOURS_PER_MEGAWATT_HOUR
    return {name: values[0] for name, values in columns.items()} | {
        "lcoe_per_kwh": yearly / kwh if kwh > 0 else np.nan
    }


def districts_table(settings, inputs, totals):
    """Totals of each district with its polygon, and a last row for the area outside all districts.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    inputs : sitefinder.steps.inputs.RunInputs
    totals : DataFrame
        Of `totals_table`.

    Returns
    -------
    GeoDataFrame
        As `sitefinder.schema` declares ``districts``: the figures of `totals` in km, kW and MWh; empty without a
        district layer.
    """
    columns = [column.name for column in LAYERS["districts"].columns]
    if "districts" not in inputs.layers:
        return geopandas.GeoDataFrame(columns=[*columns, "geometry"], geometry="geometry", crs=settings.run.crs)
    frame = inputs.layers["districts"].frame
    names = district_names(frame)
    ground = {name: shapely.union_all(frame.geometry.to_numpy()[names == name]) for name in dict.fromkeys(names)}
    rows = totals[totals["scope"].isin([DISTRICT, OUTSIDE])].reset_index(drop=True)
    table = rows.assign(
        district=rows["name"],
        reach_length_km=rows["length_m"] / METRES_PER_KILOMETRE,
        open_length_km=rows["open_m"] / METRES_PER_KILOMETRE,
        excluded_length_km=rows["excluded_m"] / METRES_PER_KILOMETRE,
        theoretical_kw=rows["theoretical_w"] / WATTS_PER_KILOWATT,
        power_kw=rows["power_w"] / WATTS_PER_KILOWATT,
        energy_mwh=rows["energy_wh"] / WATT_HOURS_PER_MEGAWATT_HOUR,
    )
    geometry = [shapely.multipolygons(shapely.get_parts(area)) for area in ground.values()]
    return geopandas.GeoDataFrame(table[columns], geometry=[*geometry, None], crs=settings.run.crs)


# Upper limit of the drop given the DEM error: one-sided 95 %.
FALL_STANDARD_ERRORS = 1.645
# Share of the time that ``speed_fast_m_s`` is exceeded.
FAST_SHARE = 0.1


def hydrokinetic_table(settings, inputs, stationing, heads, flows, channel_shapes, water_bodies, verdicts, within):
    """The ``hydrokinetic`` layer: each reach of the region with each rotor.

    Parameters are the results of the stages of those names; `within` is True for reaches of the region. The stream
    at the lower end represents the reach, as in the layer reaches; standing, tidal and developed lengths are
    deducted.

    Returns
    -------
    DataFrame
    """
    columns = [column.name for column in LAYERS["hydrokinetic"].columns]
    rows = np.flatnonzero(within)
    if not inputs.rotors or not len(rows):
        return pd.DataFrame({name: pd.Series(dtype=object) for name in columns})
    reaches = stationing.reaches.iloc[rows]
    upper, lower = reaches["first_station"].to_numpy(), reaches["last_station"].to_numpy()
    shapes = channel_shapes.shapes
    width_m, depth_m, speed_m_s = shapes.at(lower, flows.bins_m3s[lower])
    mean_m3s = flows.bins_m3s[lower].mean(axis=1)
    at_mean = [part[:, 0] for part in shapes.at(lower, mean_m3s[:, None])]
    fall_m = heads.profile_m[upper] - heads.profile_m[lower]
    fall_m = fall_m + FALL_STANDARD_ERRORS * head_standard_error(heads.errors_m, upper, lower)
    fall_kw = hydraulic_power_kw(mean_m3s, fall_m)
    free_m, not_free = _free_lengths(stationing, water_bodies, rows)
    common = pd.DataFrame(
        {
            "reach_id": reaches["reach_id"].to_numpy(),
            "verdict": verdicts.reaches["verdict"].to_numpy()[rows],
            "free_length_m": free_m,
            "width_m": at_mean[0],
            "depth_m": at_mean[1],
            "speed_m_s": at_mean[2],
            "speed_fast_m_s": np.quantile(speed_m_s, 1.0 - FAST_SHARE, axis=1, method="hazen"),
            "section_measured": shapes.is_measured[lower],
        }
    )
    parts = []
    for rotor in inputs.rotors:
        potential = hydrokinetic_potential(rotor, width_m, depth_m, speed_m_s, at_mean[:2], free_m, fall_kw)
        because = np.where(not_free != "", not_free, potential.because)
        rows = common.assign(turbine=rotor.name, because=because, rotors=potential.rotors)
        rows["kinetic_power_kw"] = potential.power_kw
        mean_kw = potential.power_mean_kw
        rows["kinetic_power_kw_per_km"] = mean_kw / (reaches["length_m"].to_numpy() / METRES_PER_KILOMETRE)
        rows["kinetic_energy_mwh"] = yearly_energy_mwh(mean_kw, settings.energy.availability)
        parts.append(rows.assign(**_valuation(settings, inputs.costs, rotor, rows)))
    return pd.concat(parts).sort_index(kind="stable")[columns].reset_index(drop=True)


# Length of each reach without standing, tidal and developed water, and the reason if nothing is left.
def _free_lengths(stationing, water_bodies, rows):
    stations = stationing.stations
    reach, segment_m = stations["reach"].to_numpy(), stations["segment_length_m"].to_numpy()
    barred = {STANDING_WATER: water_bodies.standing, DEVELOPED: water_bodies.developed, TIDAL: water_bodies.tidal}
    free, because = np.ones(len(stations), dtype=bool), np.full(len(stationing.reaches), "", dtype=object)
    for reason, stretch in barred.items():
        free &= ~stretch
        here = (reach >= 0) & free
        left_m = np.bincount(reach[here], weights=segment_m[here], minlength=len(stationing.reaches))
        because[(left_m == 0) & (because == "")] = reason.name
    return left_m[rows], because[rows]


# Cost and fish survival of the rotors of each reach, without access and connection, which depend on the place.
def _valuation(settings, costs, rotor, rows):
    some = rows["rotors"].to_numpy() > 0
    power_kw, units = (rows[name].to_numpy(dtype=float) for name in ("kinetic_power_kw", "rotors"))
    turbines = turbine_cost(rotor.cost, power_kw[some], 1.0, units[some])
    capital = np.full(len(rows), np.nan)
    money = settings.costs
    on_top = capital_factor(costs, money.real_rate)
    capital[some] = (turbines * (1.0 + rotor.civil_share) + costs.permits.fixed) * on_top
    kwh = rows["kinetic_energy_mwh"].to_numpy() * KILOWATT_HOURS_PER_MEGAWATT_HOUR
    # A rotor takes no water out of the stream, so a fee by m³ has nothing to go by.
    plant = np.where(some, power_kw, 1.0), kwh, 0.0
    yearly = yearly_cost(capital, costs.operation, money.real_rate, money.lifetime_years, *plant)
    per_kwh, factor = np.full(len(rows), np.nan), np.full(len(rows), np.nan)
    per_kwh[some], factor[some] = yearly[some] / kwh[some], kwh[some] / (power_kw[some] * HOURS_PER_YEAR)
    # A rotor has neither head nor design flow, and no screen.
    fish, one = settings.fish, np.ones(1)
    survival = survival_by_group([rotor], None, fish, [0], one, one)
    _, share, grade = worst_of_groups(*of_plants(survival, np.zeros(1, dtype=bool)), fish)
    return {
        "capacity_factor": factor,
        "capital_cost": capital,
        "lcoe_per_kwh": per_kwh,
        "fish_safe": bool(fish_answers(survival, np.zeros(1, dtype=bool), fish)["fish_safe"][0]),
        "survival": float(share[0]),
        "evidence": GRADES[grade[0]],
    }


M_PER_KM = 1000.0


def make_reaches(
    settings,
    inputs,
    network,
    stationing,
    catchments,
    heads,
    flows,
    field_levels,
    channel_shapes,
    quality_flags,
    verdicts,
    decisions,
    sites,
    fish_alive,
    within,
    trial,
):
    """The ``reaches`` layer: every reach of the region with its figures, verdict and reasons.

    Parameters are the results of the stages of those names; `within` is True for reaches of the region,
    `fish_alive` the passage survival given the sites.
    """
    reaches = stationing.reaches.copy()
    upper, lower = reaches["first_station"].to_numpy(), reaches["last_station"].to_numpy()
    reaches["head_m"] = heads.profile_m[upper] - heads.profile_m[lower]
    reaches["head_se_m"] = head_standard_error(heads.errors_m, upper, lower)
    reaches["slope"] = reaches["head_m"] / reaches["length_m"]
    reaches["area_km2"] = catchments["area_km2"].to_numpy()[lower]
    reaches["covered_percent"] = covered_percent(settings, catchments)[lower]
    estimate = flows.estimate
    reaches["flow_mean_m3s"], reaches["flow_q95_m3s"] = estimate.mean_m3s[lower], flows.q95_m3s[lower]
    reaches["flow_mean_low_m3s"] = estimate.mean_low_m3s[lower]
    reaches["flow_mean_high_m3s"] = estimate.mean_high_m3s[lower]
    reaches["flow_source"] = [estimate.source[station] for station in lower]
    reaches = reaches.assign(**_hydraulics(settings, field_levels, channel_shapes.shapes, lower))
    reaches["theoretical_kw"] = hydraulic_power_kw(reaches["flow_mean_m3s"], reaches["head_m"])
    reaches["power_density_kw_per_km"] = reaches["theoretical_kw"] / (reaches["length_m"] / M_PER_KM)
    reaches = pd.concat([reaches, verdicts.reaches], axis=1)
    reaches = reaches.assign(**columns_of_reaches(decisions, len(reaches)))
    reaches["rejection_reason"] = sites.rejection
    reaches = with_fish(settings, stationing, fish_alive, reaches)
    reaches["flags"] = _flags(settings, stationing, flows, quality_flags, reaches)
    unresolved = unresolved_reaches(settings, network, stationing)
    if len(unresolved):
        reaches = pd.concat([reaches, unresolved], ignore_index=True)
        middles = _middles(unresolved)
        shown = places_in(trial, middles["x_m"].to_numpy(), middles["y_m"].to_numpy())
        within = np.append(within, in_region(middles, inputs) & shown)
    lengths = find_district_lengths(inputs, reaches)
    maximum = lengths.sort_values(["reach", "length_m"], ascending=[True, False], kind="stable")
    reaches["district"] = maximum.drop_duplicates("reach")["district"].to_numpy()
    columns = [column.name for column in LAYERS["reaches"].columns]
    frame = geopandas.GeoDataFrame(reaches[columns], geometry=reaches["geometry"].to_numpy(), crs=settings.run.crs)
    return checked_table(frame[within], "reaches", settings.run.crs)


# Width, depth and velocity at mean flow at stations, and how they are found.
def _hydraulics(settings, field_levels, shapes, stations):
    method = shapes.method
    if settings.tailwater.method != "none":
        for rating in field_levels.ratings:
            method[rating.stations] = RATING
    at_mean = shapes.at(stations, shapes.mean_m3s[stations][:, None])
    found = {name: part[:, 0] for name, part in zip(("width_m", "depth_m", "speed_m_s"), at_mean, strict=True)}
    method[np.isnan(shapes.depth_m)] = ""
    return {"hydraulics_method": method[stations], "water_slope": shapes.slope[stations], **found}


# Middle of each reach, as columns x_m and y_m.
def _middles(reaches):
    middle = shapely.line_interpolate_point(reaches["geometry"].to_numpy(), 0.5, normalized=True)
    return pd.DataFrame({"x_m": shapely.get_x(middle), "y_m": shapely.get_y(middle)})


def _flags(settings, stationing, flows, quality_flags, reaches):
    resolved = reaches["head_m"] >= settings.heads.resolved_standard_errors * reaches["head_se_m"]
    kinds = {HEAD_NOT_RESOLVED.name: ~resolved.to_numpy(), **flags_of_reaches(quality_flags, stationing)}
    return flag_texts(kinds, flows.estimate.flags, reaches["last_station"])


def find_district_lengths(inputs, reaches_table):
    """Length of each reach in each district, see `sitefinder.siting.access.lengths_by_district`."""
    districts = inputs.layers["districts"].frame if "districts" in inputs.layers else None
    return lengths_by_district(geopandas.GeoDataFrame(geometry=reaches_table["geometry"].to_numpy()), districts)


def make_rule_hits(settings, stationing, rule_overlaps, verdicts, within):
    """The ``rule_hits`` layer: reaches with the features that affect them, as far as rules allow publication."""
    hits = hits_by_reach(rule_overlaps) if len(rule_overlaps) else rule_overlaps
    reach = hits["reach"].to_numpy(dtype=np.int64)
    number = pd.Index([rule.name for rule in settings.rules]).get_indexer(hits["rule"])
    actions = {rule.name: rule.action for rule in settings.rules}
    hits = hits.assign(
        reach_id=stationing.reaches["reach_id"].to_numpy()[reach],
        action=hits["rule"].map(actions),
        doubt=doubt_text(hits),
        holds=held_text(verdicts.held, number, reach),
    )
    columns = [column.name for column in LAYERS["rule_hits"].columns]
    within_reach = hits.loc[within[reach], ["reach", *columns]].reset_index(drop=True)
    return checked_table(published_hits(within_reach, settings.rules, stationing.reaches)[columns], "rule_hits")


def make_hydrokinetic(settings, inputs, stationing, heads, flows, channel_shapes, water_bodies, verdicts, within):
    """The ``hydrokinetic`` layer."""
    table = hydrokinetic_table(
        settings, inputs, stationing, heads, flows, channel_shapes, water_bodies, verdicts, within
    )
    return checked_table(table, "hydrokinetic")


def make_water_bodies(
    settings,
    inputs,
    stationing,
    heads,
    stretches,
    water_bodies,
    river_parts,
    sites,
    delivered_sites,
    ranked_sites,
    trial,
):
    """The ``water_bodies`` layer; of a trial those with a reach in its part."""
    data = settings, inputs, stationing, heads, stretches, water_bodies, river_parts, sites, delivered_sites
    table = water_bodies_table(*data, ranked_sites.order)
    if trial is not None:
        shown = np.append(trial.reaches, False)[stationing.stations["reach"].to_numpy()]
        table = table[np.isin(np.arange(len(table)), river_parts.water_body[shown])].reset_index(drop=True)
    return checked_table(table, "water_bodies")


def make_streams(
    settings,
    network,
    stationing,
    heads,
    stretches,
    water_bodies,
    river_parts,
    sites,
    delivered_sites,
    ranked_sites,
    fish_alive,
    within,
):
    """The ``streams`` layer."""
    data = (settings, network, stationing, heads, stretches, water_bodies, river_parts, sites, delivered_sites)
    return checked_table(streams_table(*data, ranked_sites.order, fish_alive, within), "streams")


def make_totals(settings, inputs, reaches_table, district_lengths, sites_table, ranked_sites, drop_plants):
    """The ``totals`` layer."""
    simulations = ranked_sites.simulations
    drops = None if drop_plants is None else selected_drops(settings, inputs, drop_plants)
    table = totals_table(settings, inputs, reaches_table, district_lengths, sites_table, simulations, drops)
    return checked_table(table, "totals")


def make_districts(settings, inputs, totals_table):
    """The ``districts`` layer."""
    return checked_table(districts_table(settings, inputs, totals_table), "districts", settings.run.crs)


def make_screening_cascade(settings, inputs, stationing, verdicts, decisions, reaches_table, district_lengths):
    """The ``screening_cascade`` layer."""
    lengths = district_lengths if "districts" in inputs.layers else None
    given = settings, stationing, verdicts.held, reaches_table, lengths
    return checked_table(cascade_table(*given, has_decisions=decisions is not None), "screening_cascade")


def make_reach_features(settings, network, stationing, reaches_table):
    """The ``reach_features`` layer."""
    return checked_table(reach_features_table(settings, network, stationing, reaches_table), "reach_features")


def make_reach_districts(reaches_table, district_lengths):
    """The ``reach_districts`` layer."""
    return checked_table(reach_districts_table(reaches_table, district_lengths), "reach_districts")


def make_fish_safe_gain(
    settings, inputs, stationing, stretches, verdicts, fish_safety, reaches_table, district_lengths, trial
):
    """The ``fish_safe_gain`` layer."""
    if trial is not None:
        inside = candidates_in(trial, stationing, stretches.table)

        def shown(best):
            own = inside[best.candidates]
            return best._replace(candidates=best.candidates[own], valued=best.valued[own].reset_index(drop=True))

        by_case = {case: shown(best) for case, best in fish_safety.by_case.items()}
        fish_safety = fish_safety._replace(without=shown(fish_safety.without), by_case=by_case)
    given = stationing, stretches, verdicts, fish_safety, reaches_table, district_lengths
    return checked_table(fish_safe_gain_table(settings, inputs, *given), "fish_safe_gain")


def make_cumulative_limits(settings, limit_costs):
    """The ``cumulative_limits`` layer."""
    return checked_table(limit_costs_table(settings, limit_costs), "cumulative_limits")


def make_supply_curve(sites_table):
    """The ``supply_curve`` layer."""
    return checked_table(supply_curve_table(sites_table), "supply_curve")


def make_distributions(reaches_table, sites_table):
    """The ``distributions`` layer."""
    return checked_table(distributions_table(reaches_table, sites_table), "distributions")


def make_flow_equations(flows):
    """The ``flow_equations`` layer."""
    return checked_table(flow_equations_table(flows.equations, flows.mean_regressions), "flow_equations")


def make_minimum_heads(minimum_heads):
    """The ``minimum_heads`` layer."""
    return checked_table(
        minimum_heads[[column.name for column in LAYERS["minimum_heads"].columns]], "minimum_heads"
    )


def make_repairs(
    settings,
    inputs,
    surface,
    network,
    stationing,
    terrain,
    dem_seams,
    dem_errors,
    field_levels,
    heads,
    flows,
    channel_shapes,
    water_bodies,
    falls,
    mapped_structures,
):
    """The ``repairs`` layer: repairs and doubts, by where they were found."""
    found = joined_repairs(
        input=[
            inputs.repairs,
            mapped_structures.repairs,
            dem_errors.repairs,
            water_bodies.repairs,
            flows.repairs,
        ],
        field=[field_levels.repairs, flows.measured, channel_shapes.repairs],
        network=[
            network.repairs,
            list_stream_doubts(settings, inputs, surface, network, stationing, terrain, heads),
            falls.distant,
        ],
        terrain=[list_terrain_repairs(surface, terrain), list_seams(dem_seams)],
    )
    return checked_table(published_repairs(found, settings.rules), "repairs")


def make_provenance(settings, inputs, flows, repairs_table):
    """The ``provenance`` layer: inputs, settings that change results, the version, and the code of each step."""
    equations = flows.equations
    changed = repairs_table.groupby("layer").size().to_dict()
    rows = []
    for lineage in published_lineage(inputs.lineage, settings.rules):
        notes = [lineage.get("crs", ""), lineage.get("operation", ""), lineage.get("features", "")]
        if lineage["name"] in changed:
            notes.append(f"{changed[lineage['name']]} repairs")
        rows.append(
            {
                "kind": "input",
                "name": lineage["name"],
                "value": lineage["path"],
                "digest": lineage["digest"],
                **{key: lineage[key] for key in ("source", "date", "licence")},
                "note": "; ".join(part for part in notes if part),
            }
        )
    statistics = [equation.statistic for equation in equations]
    for equation in equations:
        several = statistics.count(equation.statistic) > 1
        name = f"equation {equation.statistic}" + (f", {equation.region or 'elsewhere'}" if several else "")
        rows.append(_setting(name, equation.region or "", equation.source))
    if any(setting.preset for setting in settings.flows.environmental):
        for number, rule in enumerate(inputs.environmental, 1):
            rows.append(_setting(f"environmental flow rule {number}", rule.kind, rule.source))
    costs = inputs.costs
    rows.append(_setting("money", f"{costs.currency} of {costs.year}", "the cost file and costs.price_year"))
    for change in inputs.conversions:
        conversion = f"{change.money} × {change.factor:.4g} = {change.to_money}"
        rows.append(_setting(f"price level of {change.name}", conversion, change.source))
    given = _flat(settings.model_dump(exclude=OF_NO_RESULT))
    for key, value in published_settings(given, settings.rules):
        rows.append(_setting(key, str(value), ""))
    for option, value in published_overrides(settings.overrides, settings.rules):
        rows.append(_setting(option, value, "the command line"))
    build = own_build()
    rows.append(
        {
            **_setting("sitefinder", build.version, ""),
            "kind": "version",
            "digest": build.commit,
            "note": build.note,
        }
    )
    for stage in STEPS:
        digest = digest_of_files(own_code().files_of(stage.functions))
        rows.append({**_setting(stage.name, digest[:12], ""), "kind": "stage", "digest": digest})
    columns = [column.name for column in LAYERS["provenance"].columns]
    return checked_table(pd.DataFrame(rows, columns=columns), "provenance")


def _setting(name, value, source):
    empty = dict.fromkeys(("digest", "date", "licence", "note"), "")
    return {"kind": "setting", "name": name, "value": value, "source": source, **empty}


# Settings as (key, value), the key as the user would write it; without tiles and workers, which affect no result.
def _flat(tables, prefix=""):
    for key, value in tables.items() if isinstance(tables, dict) else enumerate(tables, 1):
        name = f"{prefix}.{key}" if isinstance(tables, dict) and prefix else f"{prefix}[{key}]" if prefix else key
        if isinstance(value, dict) or (isinstance(value, list) and value and isinstance(value[0], dict)):
            yield from _flat(value, name)
        elif value is not None and name not in (
            "terrain.tile_rows",
            "terrain.tile_columns",
            "terrain.margin_cells",
        ):
            yield name, value
