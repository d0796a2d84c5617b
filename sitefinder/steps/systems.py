"""Drainage systems, a river with all that flows into it: where they are, and each one's share of results.

Stages in which nothing crosses from one to another are done for each alone, and joined to the very table that they
would give for all at once.
"""

from __future__ import annotations

import hashlib
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from sitefinder.energy.hydraulics import WaterDepths
from sitefinder.hydrology.months import Months
from sitefinder.network.components import components
from sitefinder.network.stations import without_repeats
from sitefinder.siting.candidates import Stretches, subset, taken_by
from sitefinder.siting.limits import RiverParts
from sitefinder.steps.part_size import part_stations

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import numpy.typing as npt

    from sitefinder.hydrology.flow_errors import FlowModel
    from sitefinder.network.stations import Stationing
    from sitefinder.network.topology import Network
    from sitefinder.settings import Settings
    from sitefinder.steps.evidence import EvidenceValues
    from sitefinder.steps.flows import Flows
    from sitefinder.steps.heads import Profile
    from sitefinder.steps.rules import Judged
    from sitefinder.steps.water_bodies import WaterBodies

# A system of fewer stations is done together with others: in the three stages that are cut each item costs some
# 80 ms beside its own work, a station some 1 ms (measured on the sample region).
SMALL_STATIONS = 300
# Small systems in a group, on average. Of one in this number, at random, the name ends a group, so that groups
# stay as they are when a system elsewhere comes or goes.
GROUP = 32


class Systems(NamedTuple):
    """The drainage systems by name, in the order of the names, and the place in that list of each station.

    Small systems stand together as one; what is said here of a system holds of such a group too.
    """

    names: list[str]
    of_station: npt.NDArray[np.int64]


def find_systems(settings: Settings, network: Network, stationing: Stationing, river_parts: RiverParts) -> Systems:
    """The drainage systems of the network: links that are connected by any way, side arms included.

    Where a limit holds for water bodies, systems with parts of the same one are chosen from together, as one;
    where one holds for substations, all are.

    Each is called after the stream at its outlet and the user's feature there, so that its name stays when the
    network changes elsewhere.

    Returns
    -------
    Systems
    """
    links, stations = network.links, stationing.stations
    ends = [links[name].to_numpy(dtype=np.int64) for name in ("downstream_link", "leaves_link")]
    start = np.tile(np.arange(len(links)), len(ends))
    end = np.concatenate(ends)
    start, end = start[end >= 0], end[end >= 0]
    if _limits_water_bodies(settings, river_parts):
        joined = _links_of_water_bodies(river_parts, stations["link"].to_numpy(dtype=np.int64))
        start, end = np.append(start, joined[0]), np.append(end, joined[1])
    if settings.ranking.within_free_capacity:
        # Sites anywhere may connect at one substation.
        every = np.arange(len(links))
        start, end = np.append(start, every), np.append(end, np.zeros(len(links), dtype=np.int64))
    count, of_link = components(start, end, len(links))
    of_station = of_link[stations["link"].to_numpy()].astype(np.int64)
    outlets = np.flatnonzero(stations["downstream"].to_numpy() < 0)
    # Of several outlets the last one, by the stations' own order.
    outlet = np.zeros(count, dtype=np.int64)
    outlet[of_station[outlets]] = outlets
    reaches = stationing.reaches.iloc[stations["reach"].to_numpy()[outlet]]
    names = without_repeats(
        [
            f"{stream} (feature {feature})" if stream else f"feature {feature}"
            for stream, feature in zip(reaches["stream"], reaches["feature_id"], strict=True)
        ]
    )
    return _grouped(names, of_station)


# Whether sites of one water body have a say in each other, wherever they are in it.
def _limits_water_bodies(settings: Settings, river_parts: RiverParts) -> bool:
    ranking = settings.ranking
    set_by_settings = (
        ranking.max_depleted_share,
        ranking.max_plants_per_water_body,
        ranking.max_new_barriers_per_water_body,
    )
    by_layer = river_parts.max_plants, river_parts.max_new_barriers
    return any(limit is not None for limit in (*set_by_settings, *by_layer))


# For each link in a water body that link, and the first one in it.
def _links_of_water_bodies(
    river_parts: RiverParts, link: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    inside = np.flatnonzero(river_parts.water_body >= 0)
    body, first = np.unique(river_parts.water_body[inside], return_index=True)
    place = np.searchsorted(body, river_parts.water_body[inside])
    return link[inside], link[inside[first]][place]


# Systems in the order of their names, small ones in groups.
def _grouped(names: list[str], of_station: npt.NDArray[np.int64]) -> Systems:
    is_small = np.bincount(of_station, minlength=len(names)) < SMALL_STATIONS
    place = np.empty(len(names), dtype=np.int64)
    listed: list[str] = []
    group: list[int] = []

    def close() -> None:
        if group:
            others = f" and {len(group) - 1} small systems" if len(group) > 1 else ""
            place[group] = len(listed)
            listed.append(names[group[0]] + others)
            group.clear()

    for system in sorted(range(len(names)), key=names.__getitem__):
        if is_small[system]:
            group.append(system)
            if int(hashlib.sha256(names[system].encode()).hexdigest(), 16) % GROUP == 0:
                close()
    close()
    for system in sorted(np.flatnonzero(~is_small).tolist(), key=names.__getitem__):
        place[system] = len(listed)
        listed.append(names[system])
    return Systems(listed, place[of_station])


class Extent(NamedTuple):
    """What one system takes of the region: its stations and candidates, by their numbers in the whole, rising.

    ``number`` gives for each station of the region its number within its own system. Within a system all keeps
    its order.
    """

    stations: npt.NDArray[np.int64]
    number: npt.NDArray[np.int64]
    candidates: npt.NDArray[np.int64]


def extents_of(systems: Systems, stretches: Stretches) -> dict[str, Extent]:
    """What each system takes of the region, by its name.

    Parameters
    ----------
    systems : Systems
    stretches : sitefinder.siting.candidates.Stretches

    Returns
    -------
    dict of str to Extent
    """
    intake = stretches.table["intake"].to_numpy(dtype=np.int64)
    count = len(systems.names)
    stations = _rows_by_system(systems.of_station, count)
    candidates = _rows_by_system(systems.of_station[intake], count)
    number = np.empty(len(systems.of_station), dtype=np.int64)
    for own in stations:
        number[own] = np.arange(len(own))
    return {
        name: Extent(own, number, rows)
        for name, own, rows in zip(systems.names, stations, candidates, strict=True)
    }


# Numbers of the rows of each system, rising.
def _rows_by_system(system: npt.NDArray[np.int64], count: int) -> list[npt.NDArray[np.int64]]:
    ends = np.cumsum(np.bincount(system, minlength=count))
    return np.split(np.argsort(system, kind="stable"), ends[:-1])


class Share(NamedTuple):
    """What makes a system's or part's shares of results when called with their names; number of its candidates."""

    make: Callable[[Sequence[str]], dict[str, Any]]
    size: int

    def __call__(self, names: Sequence[str]) -> dict[str, Any]:
        return self.make(names)


def cut(systems: Systems, **results: Any) -> dict[str, Share]:
    """What makes each drainage system's shares of results of earlier stages.

    Parameters
    ----------
    systems : Systems
    **results
        Of the stages in `SHARES`: ``stretches``, or ``candidates`` before there are conduits, or
        ``found_candidates`` before their heads are corrected, and any others.

    Returns
    -------
    dict of str to Share
        By the names of the systems. Each takes names of the results and gives the shares of these by name, with
        numbers of stations, reaches and candidates counted within the system.
    """
    listed = next(name for name in ("stretches", "candidates", "found_candidates") if name in results)
    extents = extents_of(systems, results[listed])
    return {
        name: Share(partial(_shares, extent, results), len(extent.candidates)) for name, extent in extents.items()
    }


def in_parts(systems: Systems) -> Systems:
    """The systems with large ones in parts, for stages in which no candidate has a say in another's result.

    A part is this number of stations of a system in their order, and the candidates whose intakes are there.

    Parameters
    ----------
    systems : Systems

    Returns
    -------
    Systems
        Whose names are those of parts where a system has several. Parts do not depend on the number of workers.

    Examples
    --------
    >>> in_parts(Systems(["Ardelm"], np.zeros(800, dtype=np.int64))).names
    ['Ardelm, part 1', 'Ardelm, part 2']
    """
    names: list[str] = []
    of_station = np.empty(len(systems.of_station), dtype=np.int64)
    stations = part_stations()
    for name, own in zip(systems.names, _rows_by_system(systems.of_station, len(systems.names)), strict=True):
        of_station[own] = len(names) + np.arange(len(own)) // stations
        count = max(-(-len(own) // stations), 1)
        names += [name] if count == 1 else [f"{name}, part {number}" for number in range(1, count + 1)]
    return Systems(names, of_station)


def cut_in_parts(systems: Systems, **results: Any) -> dict[str, Share]:
    """What makes the shares of each part of a system; see `in_parts` and `cut`.

    Parameters
    ----------
    systems : Systems
    **results
        As `cut` takes them.

    Returns
    -------
    dict of str to Share
        By the names of the parts. A part's stations are all that its candidates take, wherever these are.
    """
    stretches = results["stretches" if "stretches" in results else "candidates"]
    parts = extents_of(in_parts(systems), stretches)
    return {
        name: Share(partial(_shares_of_part, part.candidates, stretches, results), len(part.candidates))
        for name, part in parts.items()
    }


# The shares of some candidates, with the stations of these alone.
def _shares_of_part(
    candidates: npt.NDArray[np.int64], stretches: Stretches, results: dict[str, Any], names: Sequence[str]
) -> dict[str, Any]:
    ends = [stretches.table[name].to_numpy(dtype=np.int64)[candidates] for name in ("intake", "tailrace")]
    taken = stretches.taken[taken_by(stretches, candidates)[1]]
    count = len(results["flows"].bins_m3s)
    is_taken = np.zeros(count, dtype=bool)
    is_taken[np.concatenate([*ends, taken.astype(np.int64)])] = True
    stations = np.flatnonzero(is_taken)
    number = np.full(count, -1, dtype=np.int64)
    number[stations] = np.arange(len(stations))
    return _shares(Extent(stations, number, candidates), results, names)


def _shares(extent: Extent, results: dict[str, Any], names: Sequence[str]) -> dict[str, Any]:
    return {name: SHARES[name](results[name], extent) for name in names}


class OwnStations(NamedTuple):
    """Of a system's `sitefinder.network.stations.Stationing` what stages that are cut look at."""

    stations: pd.DataFrame


class OwnFlows(NamedTuple):
    """Of a system's `sitefinder.steps.flows.Flows` what stages that are cut look at."""

    bins_m3s: npt.NDArray[np.float64]
    environmental_flow_m3s: npt.NDArray[np.float64]
    closed: npt.NDArray[np.bool_] | None
    model: FlowModel


class OwnHeads(NamedTuple):
    """Of a system's `sitefinder.steps.heads.Profile` the simulated errors."""

    errors_m: npt.NDArray[np.float32]


class OwnVerdicts(NamedTuple):
    """Of `sitefinder.steps.rules.Judged` the turbine choice left to a system's candidates.

    ``barred_by_decision`` is True for those that a decision alone excludes; None where there are no decisions.
    """

    choice: npt.NDArray[np.int8]
    barred_by_decision: npt.NDArray[np.bool_] | None = None


class OwnWaters(NamedTuple):
    """Of a system's `sitefinder.steps.water_bodies.WaterBodies` what stages that are cut look at."""

    standing: npt.NDArray[np.bool_]
    developed: npt.NDArray[np.bool_]
    tidal: npt.NDArray[np.bool_]
    plants_entered: npt.NDArray[np.bool_]


STATION_COLUMNS = ["x_m", "y_m", "downstream", "to_downstream_m", "segment_length_m", "reach"]
# Columns of candidates with rows of tables of the region.
REGION_ROWS = ("structure", "intake_thing", "intake_structure")


def _own_stations(stationing: Stationing, extent: Extent) -> OwnStations:
    table = stationing.stations[STATION_COLUMNS].iloc[extent.stations].reset_index(drop=True)
    below, reach = table["downstream"].to_numpy(), table["reach"].to_numpy()
    table["downstream"] = np.where(below >= 0, extent.number[below], -1).astype(below.dtype)
    own = reaches_of(stationing, extent)
    table["reach"] = np.where(reach >= 0, np.searchsorted(own, reach), -1).astype(reach.dtype)
    return OwnStations(table)


def reaches_of(stationing: Stationing, extent: Extent) -> npt.NDArray[np.int64]:
    """Numbers of a system's reaches in the whole, rising, an array of int."""
    reach = np.unique(stationing.stations["reach"].to_numpy()[extent.stations])
    return reach[reach >= 0]


def _own_stretches(stretches: Stretches, extent: Extent) -> Stretches:
    chosen = np.zeros(len(stretches.table), dtype=bool)
    chosen[extent.candidates] = True
    own = subset(stretches, chosen)
    ends = {name: extent.number[own.table[name].to_numpy(dtype=np.int64)] for name in ("intake", "tailrace")}
    # Rows of the region's structures would shift with every structure elsewhere; no stage that is cut needs them.
    table = own.table.drop(columns=[name for name in REGION_ROWS if name in own.table]).assign(**ends)
    return Stretches(table, own.start, own.pond_start, extent.number[own.taken].astype(own.taken.dtype))


def _own_flows(flows: Flows, extent: Extent) -> OwnFlows:
    at = extent.stations
    return OwnFlows(flows.bins_m3s[at], flows.environmental_flow_m3s[at], flows.closed, flows.model.at(at))


def _own_heads(heads: Profile, extent: Extent) -> OwnHeads:
    return OwnHeads(heads.errors_m[extent.stations])


def _own_depths(depths: WaterDepths, extent: Extent) -> WaterDepths:
    return depths.at(extent.stations)


def _own_months(months: Months, extent: Extent) -> Months:
    today_m3s = None if months.today_m3s is None else months.today_m3s[extent.stations]
    return months._replace(today_m3s=today_m3s)


def _own_closed_months(closed: npt.NDArray[np.int64], extent: Extent) -> npt.NDArray[np.int64]:
    return closed[extent.candidates]


def _own_closed_energy(valued: pd.DataFrame, extent: Extent) -> pd.DataFrame:
    candidate = valued["candidate"].to_numpy(dtype=np.int64)
    is_own = np.isin(candidate, extent.candidates)
    number = np.searchsorted(extent.candidates, candidate[is_own])
    return valued[is_own].assign(candidate=number).reset_index(drop=True)


def _own_energy(energy: pd.DataFrame, extent: Extent) -> pd.DataFrame:
    return energy.iloc[extent.candidates].reset_index(drop=True)


def _own_of_stations(values: npt.NDArray[np.float64], extent: Extent) -> npt.NDArray[np.float64]:
    return values[extent.stations]


def _own_verdicts(verdicts: Judged, extent: Extent) -> OwnVerdicts:
    barred = verdicts.barred_by_decision
    return OwnVerdicts(verdicts.choice[extent.candidates], None if barred is None else barred[extent.candidates])


def _own_waters(waters: WaterBodies, extent: Extent) -> OwnWaters:
    return OwnWaters(*(getattr(waters, name)[extent.stations] for name in OwnWaters._fields))


def _own_parts(parts: RiverParts, extent: Extent) -> RiverParts:
    stream, body = (_own_numbers(part[extent.stations]) for part in (parts.stream, parts.water_body))
    own = np.unique(parts.water_body[extent.stations])
    caps = [None if cap is None else cap[own[own >= 0]] for cap in (parts.max_plants, parts.max_new_barriers)]
    return RiverParts(stream, body, *caps)


# Numbers of the parts of one system, from 0 in the order of those of the region; -1 for none stays.
def _own_numbers(part: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    number = np.unique(part[part >= 0])
    return np.where(part >= 0, np.searchsorted(number, part), -1).astype(np.int64)


def _own_marks(marks: npt.NDArray[np.bool_], extent: Extent) -> npt.NDArray[np.bool_]:
    return marks[extent.candidates]


def _own_evidence(values: EvidenceValues, extent: Extent) -> EvidenceValues:
    return of_candidates(values, extent.candidates)


def of_candidates(values: EvidenceValues, candidates: npt.NDArray[np.int64]) -> EvidenceValues:
    """The valuation by grade of evidence of some candidates, counted among these."""
    rows = values.rows[candidates]
    # Where nothing of them is valued, the others do not matter to them.
    tables = values.by_case if rows.any() else {}
    own = (np.cumsum(values.rows) - 1)[candidates[rows]]
    known = {id(table): table.iloc[own].reset_index(drop=True) for table in tables.values()}
    return values._replace(rows=rows, by_case={case: known[id(table)] for case, table in tables.items()})


# How each result is cut, by the name of its stage.
SHARES: dict[str, Callable[[Any, Extent], Any]] = {
    "stationing": _own_stations,
    "heads": _own_heads,
    "found_candidates": _own_stretches,
    "candidates": _own_stretches,
    "stretches": _own_stretches,
    "best_case": _own_energy,
    "flows": _own_flows,
    "water_depths": _own_depths,
    "months": _own_months,
    "closed_months": _own_closed_months,
    "closed_energy": _own_closed_energy,
    "energy": _own_energy,
    "fish_safe_only": _own_marks,
    "evidence_values": _own_evidence,
    "river_parts": _own_parts,
    "spawning_m": _own_of_stations,
    "verdicts": _own_verdicts,
    "water_bodies": _own_waters,
}


def joined_rows(found: dict[str, pd.DataFrame], systems: Systems, stretches: Stretches) -> pd.DataFrame:
    """A table of all candidates in their order, from those of each system.

    Parameters
    ----------
    found : dict of str to DataFrame
        By the names of the systems.
    systems : Systems
    stretches : sitefinder.siting.candidates.Stretches

    Returns
    -------
    DataFrame
    """
    extents = extents_of(systems, stretches)
    tables, order = [found[name] for name in extents], _order(extents)
    # Of a single system the table is there already.
    if len(tables) == 1 and (np.diff(order) == 1).all():
        return tables[0].reset_index(drop=True)
    # Column by column, since these are among the largest tables of a run: whole ones would be there three times.
    columns = {
        name: pd.concat([table[name] for table in tables], ignore_index=True).iloc[order].reset_index(drop=True)
        for name in tables[0].columns
    }
    return pd.DataFrame(columns, copy=False)


def joined_values(found: dict[str, npt.NDArray[Any]], systems: Systems, stretches: Stretches) -> npt.NDArray[Any]:
    """The same for an array of all candidates."""
    extents = extents_of(systems, stretches)
    return np.concatenate([found[name] for name in extents])[_order(extents)]


# Where in the systems' candidates, one system after the other, each candidate of the region stands.
def _order(extents: dict[str, Extent]) -> npt.NDArray[np.int64]:
    return np.argsort(np.concatenate([extent.candidates for extent in extents.values()]), kind="stable")
