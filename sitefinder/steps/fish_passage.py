"""The stage of fish passage: every barrier and plant that fish meet, and who reaches each reach, by group.

Weirs, falls and plants of the user's layers count as they are today; the selected sites, with the turbines and
fish passes that their cost pays for, come on top of them. Nothing crosses from one drainage system to another.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from sitefinder.energy.costs import needs_fish_pass
from sitefinder.energy.fish_survival import of_plants
from sitefinder.energy.hydraulics import net_head_m, waterway_lengths_m
from sitefinder.energy.valuation import plant_survival
from sitefinder.schema import is_scheme_that
from sitefinder.siting.barriers import passage_up, share_that_finds, stated_passable
from sitefinder.siting.fish_passage import at_stations, entered_at, survival_to_outlet, weighted_above
from sitefinder.siting.structures import IN_REPAIR
from sitefinder.steps.migration import groups_migrating, natural_access, of_structures, whole_segments
from sitefinder.units import METRES_PER_KILOMETRE
from sitefinder.vocabulary import (
    BOTH_STATE,
    FALL_BARRIER,
    NATURAL_STATE,
    NOT_IN_THE_WAY,
    PASSAGE_STATES,
    PASSED_FALL,
    PASSED_PLANT,
    PLANT_BARRIER,
    REMOVALS_STATE,
    SITE_BARRIER,
    SITES_STATE,
    TODAY_STATE,
    WEIR_BARRIER,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt

    from sitefinder.network.stations import Stationing
    from sitefinder.settings import Settings
    from sitefinder.settings.fish import FishGroup
    from sitefinder.siting.candidates import Stretches
    from sitefinder.steps.flows import Flows
    from sitefinder.steps.inputs import RunInputs
    from sitefinder.steps.selection import Chosen
    from sitefinder.steps.water_bodies import WaterBodies

    Floats = npt.NDArray[np.float64]
    Flags = npt.NDArray[np.bool_]

# Kinds of things on the stream that stand in the way of fish, as kinds of barriers; crossings hold no water, and a
# step of the profile that no structure explains may be a rapid.
IN_THE_WAY = {
    "weir": WEIR_BARRIER.name,
    "navigation": WEIR_BARRIER.name,
    "abstraction_weir": WEIR_BARRIER.name,
    PASSED_FALL.name: FALL_BARRIER.name,
    PASSED_PLANT.name: PLANT_BARRIER.name,
}


class Barriers(NamedTuple):
    """Barriers and plants, a row each, with the shares of each group of fish that pass them.

    ``table`` has ``barrier_id`` ("" for what a site builds), ``kind`` (of
    `sitefinder.vocabulary.BARRIER_KINDS`), ``station``, ``share_above`` (of its segment's length, NaN at the
    station itself), ``drop_m``, ``pass_today``, ``pass_with_sites``, ``removal_planned``, ``in_the_way`` (of fish
    going up), ``site`` (place of the site among the selected ones, -1 for none) and ``attraction`` (share of the
    fish of trials that find the site's pass, NaN for none). The others have the shape (k, groups): shares that get
    up and that survive on the way down, today and with all sites, and what the shares up rest on.
    """

    table: pd.DataFrame
    up_today: Floats
    up_sites: Floats
    down_today: Floats
    down_sites: Floats
    basis_today: npt.NDArray[np.object_]
    basis_sites: npt.NDArray[np.object_]


class FishPassage(NamedTuple):
    """Passage of each group of fish; groups in the order of the settings.

    ``up`` and ``down`` have the share of fish that reach each reach from the outlet, and that survive from it to
    the outlet, by state: shape (reaches, groups), weighted by length. ``totals`` has a row for each group and
    state. ``site_change_km`` is what each selected site alone changes of the length that fish reach, weighted by
    the share that does, and ``site_survival_change_km`` of the length from which they survive: shape (sites,
    groups) [km]. ``gain_if_open_km`` is what fish would reach in addition if all got up a barrier, all else as
    today, and ``gain_if_open_with_sites_km`` with all sites: shape (barriers, groups) [km]. ``migrates`` is True
    where the group migrates past a selected site.
    """

    barriers: Barriers
    up: dict[str, Floats]
    down: dict[str, Floats]
    totals: pd.DataFrame
    site_change_km: Floats
    site_survival_change_km: Floats
    gain_if_open_km: Floats
    gain_if_open_with_sites_km: Floats
    migrates: Flags


class Shares(NamedTuple):
    """Shares of one group in one state, by station.

    ``natural`` get there past falls alone and ``reached`` past all, ``survive`` survive from there to the outlet;
    ``ground_m`` is the length of the segment on which the group spawns or lives [m].
    """

    natural: Floats
    reached: Floats
    survive: Floats
    ground_m: Floats


def find_fish_passage(
    settings: Settings,
    inputs: RunInputs,
    stationing: Stationing,
    flows: Flows,
    water_bodies: WaterBodies,
    stream_things: pd.DataFrame,
    stretches: Stretches,
    rule_overlaps: pd.DataFrame,
    sites: Chosen,
    within: Flags,
) -> FishPassage:
    """Passage of each group of fish past everything that is there today and with the selected sites."""
    stations, groups = stationing.stations, settings.fish.migrating
    downstream = stations["downstream"].to_numpy().astype(np.int32)
    barriers = list_barriers(settings, inputs, stationing, flows, water_bodies, stream_things, stretches, sites)
    natural = natural_access(settings, stationing, stream_things, water_bodies)
    ground_m, migrates = groups_migrating(settings, stationing, rule_overlaps, natural)
    reach = stations["reach"].to_numpy(dtype=np.int64)
    # In the region, and not cut off by nature.
    inside = (reach >= 0) & np.append(within, False)[reach]
    length_m = np.where(inside, whole_segments(stations), 0.0)
    ground_m[~inside] = 0.0
    up: dict[str, Floats] = {}
    down: dict[str, Floats] = {}
    rows, today = [], None
    for state, counts, share_up, share_down in _states(barriers):
        at = barriers.table["station"].to_numpy(dtype=np.int64)[counts]
        reached, survive = (survival_to_outlet(downstream, at, share[counts]) for share in (share_up, share_down))
        # A fish pass at a fall is none of nature's.
        reached = natural if state == NATURAL_STATE.name else reached
        today = reached if state == TODAY_STATE.name else today
        up[state], down[state] = (
            _of_reaches(each, reach, whole_segments(stations), len(stationing.reaches))
            for each in (reached, survive)
        )
        for place, group in enumerate(groups):
            own = Shares(*(each[:, place] for each in (natural, reached, survive, ground_m)))
            before = None if today is None else today[:, place]
            rows.append(
                {"fish_group": group.name, "state": state} | _totals(settings, group, length_m, own, before)
            )
    entered = _entered(stretches, sites)
    site = barriers.table["site"].to_numpy(dtype=np.int64)

    def of_sites(today: Floats, then: Floats) -> Floats:
        change_km = (then - today) * _weight_km(barriers.table, today, downstream, length_m)
        summed = np.zeros((len(entered), len(groups)))
        np.add.at(summed, site[site >= 0], change_km[site >= 0])
        return summed

    def if_open(share: Floats) -> Floats:
        return (1.0 - share) * _weight_km(barriers.table, share, downstream, length_m)

    return FishPassage(
        barriers,
        up,
        down,
        pd.DataFrame(rows),
        of_sites(barriers.up_today, barriers.up_sites),
        of_sites(barriers.down_today, barriers.down_sites),
        if_open(barriers.up_today),
        if_open(barriers.up_sites),
        migrates[entered],
    )


# States with the barriers that are there, and the shares that pass them.
def _states(barriers: Barriers) -> Iterator[tuple[str, Flags, Floats, Floats]]:
    table = barriers.table
    stays = ~table["removal_planned"].to_numpy(dtype=bool)
    everything = np.ones(len(table), dtype=bool)
    natural = (table["kind"] == FALL_BARRIER.name).to_numpy()
    now, then = (barriers.up_today, barriers.down_today), (barriers.up_sites, barriers.down_sites)
    found = {
        NATURAL_STATE: (natural, *now),
        TODAY_STATE: (everything, *now),
        SITES_STATE: (everything, *then),
        REMOVALS_STATE: (stays, *now),
        BOTH_STATE: (stays, *then),
    }
    for state in PASSAGE_STATES:
        yield (state.name, *found[state])


# Mean over the stations of each reach, weighted by length; NaN for a reach without length.
def _of_reaches(share: Floats, reach: npt.NDArray[np.int64], length_m: Floats, count: int) -> Floats:
    own = (reach >= 0) & (length_m > 0)
    total = np.bincount(reach[own], weights=length_m[own], minlength=count)
    columns = [np.bincount(reach[own], weights=(length_m * column)[own], minlength=count) for column in share.T]
    with np.errstate(invalid="ignore"):
        return np.column_stack(columns) / total[:, None]


# Figures of a group in a state, all of stream that nature lets it reach.
def _totals(
    settings: Settings,
    group: FishGroup,
    length_m: Floats,
    own: Shares,
    before: Floats | None,
) -> dict[str, float]:
    natural, reached, survive, ground_m = own
    enough = settings.fish.accessible_from
    found = dict.fromkeys(TOTAL_COLUMNS, np.nan)
    reachable = natural >= enough if group.goes_up else np.ones(len(natural), dtype=bool)
    length_m = np.where(reachable, length_m, 0.0)
    whole_m = length_m.sum()
    found["stream_km"] = whole_m / METRES_PER_KILOMETRE
    if group.goes_up:
        is_accessible = reached >= enough
        found["accessible_km"] = length_m[is_accessible].sum() / METRES_PER_KILOMETRE
        found["cut_off_km"] = length_m[~is_accessible].sum() / METRES_PER_KILOMETRE
        if before is not None:
            was = before >= enough
            found["won_km"] = length_m[is_accessible & ~was].sum() / METRES_PER_KILOMETRE
            found["lost_km"] = length_m[was & ~is_accessible].sum() / METRES_PER_KILOMETRE
        found["mean_access"] = _mean(reached, length_m)
        found["ground_access"] = _mean(reached, ground_m)
    if group.goes_down:
        found["mean_survival"] = _mean(survive, length_m)
        found["ground_survival"] = _mean(survive, ground_m)
        found["min_ground_survival"] = survive[ground_m > 0].min() if (ground_m > 0).any() else np.nan
    passing = np.ones(len(length_m)) * (reached if group.goes_up else 1.0) * (survive if group.goes_down else 1.0)
    found["connectivity"] = _mean(passing, length_m)
    found["ground_km"] = ground_m.sum() / METRES_PER_KILOMETRE
    return found


TOTAL_COLUMNS = (
    "stream_km",
    "accessible_km",
    "cut_off_km",
    "won_km",
    "lost_km",
    "mean_access",
    "mean_survival",
    "connectivity",
    "ground_km",
    "ground_access",
    "ground_survival",
    "min_ground_survival",
)


def _mean(share: Floats, length_m: Floats) -> float:
    total = length_m.sum()
    return float((share * length_m).sum() / total) if total > 0 else np.nan


# What the share at a barrier weighs, all others as they are: the length that is behind it, weighted by the shares
# there, times the share of fish that come up to it [km], shape (k, groups).
def _weight_km(table: pd.DataFrame, share: Floats, downstream: npt.NDArray[np.int32], length_m: Floats) -> Floats:
    station = table["station"].to_numpy(dtype=np.int64)
    above_m = weighted_above(downstream, length_m, at_stations(len(downstream), station, share))
    to_outlet = survival_to_outlet(downstream, station, share)
    below = downstream[station]
    arrives = np.where((below >= 0)[:, None], to_outlet[below], 1.0)
    # Shares of the others that stand on the same segment.
    others = np.ones(share.shape)
    for row in np.flatnonzero(np.bincount(station, minlength=1)[station] > 1).tolist():
        beside = (station == station[row]) & (np.arange(len(station)) != row)
        others[row] = share[beside].prod(axis=0)
    weight_km: Floats = arrives * others * above_m[station] / METRES_PER_KILOMETRE
    return weight_km


# Stations at which fish on their way down enter the selected sites.
def _entered(stretches: Stretches, sites: Chosen) -> npt.NDArray[np.int64]:
    table = stretches.table.iloc[np.flatnonzero(sites.offers.chosen)]
    ends = (table[name].to_numpy(dtype=np.int64) for name in ("intake", "tailrace"))
    entered: npt.NDArray[np.int64] = entered_at(table["scheme_type"], *ends).astype(np.int64)
    return entered


def list_barriers(
    settings: Settings,
    inputs: RunInputs,
    stationing: Stationing,
    flows: Flows,
    water_bodies: WaterBodies,
    stream_things: pd.DataFrame,
    stretches: Stretches,
    sites: Chosen,
) -> Barriers:
    """Barriers and plants of today, and what the selected sites add to them or make of them.

    Parameters are the results of the stages of those names.

    Returns
    -------
    Barriers

    Notes
    -----
    A plant at an existing weir, or one whose intake stands at it, gives that weir a fish pass where the cost file
    asks for one. Fish that go down over a weir without a plant all live: its drops are low (assumption). At an
    existing plant as many live as ``fish.existing_survival`` says, of every group. The fish pass of a site carries
    the flow that ``flows.releases`` states for it; where none is stated, the environmental flow.
    """
    picked = np.flatnonzero(sites.offers.chosen)
    own = stretches.table.iloc[picked].reset_index(drop=True)
    valued = sites.offers.valued.iloc[picked].reset_index(drop=True)
    existing = _existing(stationing, water_bodies, stream_things)
    at_structure = own["structure"].to_numpy(dtype=np.int64)
    diverts_from = own["intake_structure"].to_numpy(dtype=np.int64)
    used = np.where(at_structure >= 0, at_structure, diverts_from)
    row_of = {thing: row for row, thing in enumerate(existing["structure"].tolist()) if thing >= 0}
    held = np.array([row_of.get(structure, -1) for structure in used.tolist()], dtype=np.int64)
    existing["site"] = -1
    existing.loc[held[held >= 0], "site"] = np.flatnonzero(held >= 0)
    # A diversion is entered at its intake, above the weir.
    at_weir = np.flatnonzero((held >= 0) & is_scheme_that(own["scheme_type"], "uses_structure"))
    existing.loc[held[at_weir], "is_entered"] = True
    gets_pass = (needs_fish_pass(own, inputs.costs) | own["has_fish_pass"].to_numpy(bool)).astype(bool)
    existing["pass_with_sites"] = existing["pass_today"]
    existing.loc[held[held >= 0], "pass_with_sites"] = gets_pass[held >= 0]
    built = _built(own, held, gets_pass)
    table = pd.concat([existing, built], ignore_index=True)
    site = table["site"].to_numpy(dtype=np.int64)
    finds = np.append(_finds(settings, flows, own, valued), np.nan)
    table["attraction"] = np.where(table["pass_with_sites"], finds[site], np.nan)
    soundness = np.where(_is_poor(table["condition"]), settings.fish.passes.poor_condition_share, 1.0)
    return Barriers(table, *_shares(settings, table, soundness, site_survival(settings, inputs, own, valued)))


# Shares up and down of each barrier, today and with the sites, and the bases of those up.
def _shares(
    settings: Settings, table: pd.DataFrame, soundness: Floats, survival: Floats
) -> tuple[Floats, Floats, Floats, Floats, npt.NDArray[np.object_], npt.NDArray[np.object_]]:
    fish, groups = settings.fish, settings.fish.migrating
    shape = (len(table), len(groups))
    site = table["site"].to_numpy(dtype=np.int64)
    is_new = (table["kind"] == SITE_BARRIER.name).to_numpy()
    in_way = table["in_the_way"].to_numpy(dtype=bool)
    drop_m, stated = table["drop_m"].to_numpy(dtype=np.float64), stated_passable(table["passable"])
    attraction = table["attraction"].fillna(1.0).to_numpy(dtype=np.float64)
    up_today, up_sites = np.ones(shape), np.ones(shape)
    basis_today, basis_sites = (np.full(shape, NOT_IN_THE_WAY.name, dtype=object) for _ in range(2))
    for place, group in enumerate(groups):
        now = passage_up(group, fish.passes, drop_m, table["pass_today"], soundness=soundness, stated=stated)
        # A new pass is sound, and what was stated of the weir before holds no longer.
        rebuilt = (site >= 0) & table["pass_with_sites"].to_numpy(dtype=bool)
        then = passage_up(
            group,
            fish.passes,
            drop_m,
            table["pass_with_sites"],
            attraction,
            np.where(rebuilt, 1.0, soundness),
            np.where(rebuilt, np.nan, stated),
        )
        today = in_way & ~is_new
        up_today[today, place], basis_today[today, place] = now.share[today], now.basis[today]
        up_sites[in_way, place], basis_sites[in_way, place] = then.share[in_way], then.basis[in_way]
    is_plant = (table["kind"] == PLANT_BARRIER.name).to_numpy()
    down_today = np.where(is_plant[:, None], fish.existing_survival, np.ones(shape))
    down_sites = down_today.copy()
    takes = table["is_entered"].to_numpy(dtype=bool) & (site >= 0)
    down_sites[takes] = survival[site[takes]]
    return up_today, up_sites, down_today, down_sites, basis_today, basis_sites


def site_survival(settings: Settings, inputs: RunInputs, own: pd.DataFrame, valued: pd.DataFrame) -> Floats:
    """Share of each group of fish that survive each plant, with its screen where it has one.

    Parameters
    ----------
    settings, inputs
        Results of the stages of those names.
    own, valued : DataFrame, m rows
        Candidates and their valuation.

    Returns
    -------
    ndarray of float64, shape (m, groups)
        1 for groups that only go up; where nothing is known of a turbine, none survive.
    """
    head_m = net_head_m(own["head_m"], waterway_lengths_m(own, settings.energy)[0], settings.energy)
    survival = plant_survival(inputs.turbines, inputs.costs, settings.fish, valued, head_m)
    share, _ = of_plants(survival, valued["screened"])
    goes_down = np.array([group.goes_down for group in settings.fish.migrating])
    found: Floats = np.where(goes_down[None, :], np.nan_to_num(share), 1.0)
    return found


# What is mapped of barriers and plants, in the order of the stations.
def _existing(stationing: Stationing, water_bodies: WaterBodies, stream_things: pd.DataFrame) -> pd.DataFrame:
    things = stream_things
    stated = np.array([str(word).strip() != "" for word in of_structures(things, water_bodies, "passable", "")])
    is_structure = things["structure"].to_numpy(dtype=np.int64) >= 0
    kind = things["kind"].map(IN_THE_WAY)
    # Points of the layer of plants come with the stations at which fish enter these.
    listed = (kind.notna() | stated) & ((kind != PLANT_BARRIER.name) | is_structure)
    own = things[listed.to_numpy()].reset_index(drop=True)
    table = pd.DataFrame(
        {
            "barrier_id": own["object_id"].astype(str),
            "kind": kind[listed].fillna(WEIR_BARRIER.name).to_numpy(dtype=object),
            "station": own["station"].to_numpy(dtype=np.int64),
            "share_above": own["share_above"].to_numpy(dtype=np.float64),
            "drop_m": own["drop_m"].to_numpy(dtype=np.float64),
            "condition": own["condition"].astype(str).to_numpy(dtype=object),
            "pass_today": own["fish_pass"].to_numpy(dtype=bool),
            "removal_planned": of_structures(own, water_bodies, "removal_planned", False).astype(bool),
            "passable": of_structures(own, water_bodies, "passable", "").astype(str),
            "structure": own["structure"].to_numpy(dtype=np.int64),
            "in_the_way": True,
            "is_entered": False,
        }
    )
    plants = _other_plants(stationing, water_bodies, things, table)
    return pd.concat([table, plants], ignore_index=True).sort_values("station", kind="stable", ignore_index=True)


# Existing plants that are no powered structure: entered where their layer says, in the way unless their weir is
# mapped beside.
def _other_plants(
    stationing: Stationing, water_bodies: WaterBodies, things: pd.DataFrame, listed: pd.DataFrame
) -> pd.DataFrame:
    entered = water_bodies.plants_entered.copy()
    entered[listed.loc[listed["kind"] == PLANT_BARRIER.name, "station"].to_numpy(dtype=np.int64)] = False
    station = np.flatnonzero(entered)
    downstream = stationing.stations["downstream"].to_numpy()
    has_weir = np.zeros(len(downstream) + 1, dtype=bool)
    has_weir[listed["station"].to_numpy(dtype=np.int64)] = True
    has_weir[-1] = False
    beside = has_weir[station] | has_weir[downstream[station]]
    points = things[(things["kind"] == PASSED_PLANT.name) & (things["structure"] < 0)]
    name_of = dict(zip(points["station"].tolist(), points["object_id"].astype(str), strict=True))
    return pd.DataFrame(
        {
            "barrier_id": [name_of.get(each, "") for each in station.tolist()],
            "kind": PLANT_BARRIER.name,
            "station": station,
            "share_above": np.nan,
            "drop_m": np.nan,
            "condition": "",
            "pass_today": False,
            "removal_planned": False,
            "passable": "",
            "structure": -1,
            "in_the_way": ~beside,
            "is_entered": False,
        }
    )


# Barriers that the sites build, and plants whose intake stands at an existing weir above which fish enter them.
def _built(own: pd.DataFrame, held: npt.NDArray[np.int64], gets_pass: Flags) -> pd.DataFrame:
    at_barrier = is_scheme_that(own["scheme_type"], "uses_structure")
    rows = np.flatnonzero(~at_barrier | (held < 0))
    new_m = np.where(
        is_scheme_that(own["scheme_type"], "builds_barrier"), own["weir_height_m"], own["intake_weir_m"]
    ).astype(np.float64)
    builds = held[rows] < 0
    return pd.DataFrame(
        {
            "barrier_id": "",
            "kind": SITE_BARRIER.name,
            "station": own["intake"].to_numpy(dtype=np.int64)[rows],
            "share_above": np.nan,
            "drop_m": np.where(builds, new_m[rows], np.nan),
            "condition": "",
            "pass_today": False,
            "removal_planned": False,
            "passable": "",
            "structure": -1,
            "in_the_way": builds,
            "is_entered": True,
            "site": rows,
            "pass_with_sites": builds & gets_pass[rows],
        }
    )


# Share of the fish of trials that find the fish pass of each site.
def _finds(settings: Settings, flows: Flows, own: pd.DataFrame, valued: pd.DataFrame) -> Floats:
    releases = settings.flows.releases
    intake = own["intake"].to_numpy(dtype=np.int64)
    turbines_m3s = np.nan_to_num(valued["flow_design_m3s"].to_numpy(dtype=np.float64))
    stated = np.maximum(releases.fish_pass_m3s, releases.fish_pass_share_of_mean * flows.estimate.mean_m3s[intake])
    stated = np.maximum(stated, releases.attraction_share * turbines_m3s)
    kept_m3s = flows.environmental_flow_m3s[intake].mean(axis=1)
    found: Floats = share_that_finds(np.where(stated > 0, stated, kept_m3s), turbines_m3s, settings.fish.passes)
    return found


def _is_poor(condition: pd.Series) -> Flags:
    return condition.astype(str).str.strip().str.lower().isin(IN_REPAIR).to_numpy(dtype=bool)
