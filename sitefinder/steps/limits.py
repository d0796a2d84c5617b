"""The stages of cumulative limits: the parts of the river that they are set for, and what each of them costs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sitefinder.schema import LAYERS
from sitefinder.siting.limits import (
    BARRIERS_OF_WATER_BODY,
    CUMULATIVE_LIMITS,
    DEPLETED_OF_STREAM,
    DEPLETED_OF_WATER_BODY,
    FREE_CAPACITY,
    FREE_FLOWING,
    PLANTS_OF_WATER_BODY,
    PLANTS_PER_KM,
    RiverParts,
    streams_of_links,
    water_bodies_of_stations,
)
from sitefinder.siting.potential import whole
from sitefinder.siting.water_body_status import bodies_of, body_numbers
from sitefinder.steps.closed_months import with_closed
from sitefinder.steps.selection import choosing
from sitefinder.units import WATT_HOURS_PER_MEGAWATT_HOUR

if TYPE_CHECKING:
    import numpy.typing as npt

    from sitefinder.network.stations import Stationing
    from sitefinder.network.topology import Network
    from sitefinder.settings import Settings
    from sitefinder.siting.candidates import Stretches
    from sitefinder.siting.selection import BestSet
    from sitefinder.steps.inputs import RunInputs
    from sitefinder.steps.rules import Judged
    from sitefinder.steps.water_bodies import WaterBodies


def find_river_parts(
    settings: Settings, inputs: RunInputs, network: Network, stationing: Stationing
) -> RiverParts:
    """Streams and water bodies, for which cumulative limits are set.

    A stream is what the layer ``streams`` lists as one. A water body may lie in several drainage systems, which
    are then chosen from together (`sitefinder.steps.systems.find_systems`).

    Returns
    -------
    RiverParts
    """
    count = len(stationing.stations)
    stream = streams_of_links(network.links)[stationing.stations["link"].to_numpy()].astype(np.int64)
    if "water_bodies" not in inputs.layers:
        return RiverParts(stream, np.full(count, -1))
    frame = inputs.layers["water_bodies"].frame
    snap_m = settings.stretches.structure_snap_m
    feature = water_bodies_of_stations(frame.geometry.to_numpy(), stationing.segments, snap_m, count)
    # Several features of one id are one water body.
    water_body = np.append(body_numbers(frame), -1)[feature].astype(np.int64)
    bodies = bodies_of(frame)
    caps = [bodies[name].to_numpy(dtype=np.float64) for name in ("max_plants", "max_new_barriers")]
    return RiverParts(stream, water_body, *[None if np.isnan(cap).all() else cap for cap in caps])


# The selection itself, and the one without any limit, in a table of `weigh_limits`.
AS_CHOSEN, ALL_LIMITS = "", "all limits"
# Sums of whole watt-hours and thousandths of money, so that systems add up to the region to the last digit.
COUNTED = ["sites", "energy_wh", "net_annual_value_thousandths", "gap"]
THOUSANDTHS = 1000.0


def limits_set(settings: Settings) -> tuple[str, ...]:
    """Names of the cumulative limits that the settings set, of `sitefinder.siting.limits.CUMULATIVE_LIMITS`."""
    ranking, bodies = settings.ranking, settings.inputs.water_bodies
    is_set = {
        FREE_FLOWING: ranking.min_free_flowing_m > 0,
        DEPLETED_OF_STREAM: ranking.max_depleted_share is not None,
        DEPLETED_OF_WATER_BODY: ranking.max_depleted_share is not None and bodies is not None,
        PLANTS_PER_KM: ranking.max_plants_per_km is not None,
        PLANTS_OF_WATER_BODY: ranking.max_plants_per_water_body is not None
        or (bodies is not None and bodies.max_plants_column is not None),
        BARRIERS_OF_WATER_BODY: ranking.max_new_barriers_per_water_body is not None
        or (bodies is not None and bodies.max_new_barriers_column is not None),
        FREE_CAPACITY: ranking.within_free_capacity and settings.inputs.substations is not None,
    }
    return tuple(name for name in CUMULATIVE_LIMITS if is_set[name])


def weigh_limits(
    settings: Settings,
    inputs: RunInputs,
    stationing: Stationing,
    stretches: Stretches,
    energy: pd.DataFrame,
    spawning_m: npt.NDArray[np.float64],
    verdicts: Judged,
    water_bodies: WaterBodies,
    closed_energy: pd.DataFrame | None = None,
    river_parts: RiverParts | None = None,
) -> pd.DataFrame:
    """The best set of sites as selected, without each limit that is set, and without any.

    Returns
    -------
    DataFrame
        ``limit`` (that which is left out; empty for the set as selected) and `COUNTED`.
    """
    energy = energy if closed_energy is None else with_closed(energy, closed_energy)
    given = stationing, stretches, energy, spawning_m, verdicts, water_bodies, river_parts
    best, names = choosing(settings, inputs, *given), limits_set(settings)
    left_out = (
        {AS_CHOSEN: ()} | {name: (name,) for name in names} | ({ALL_LIMITS: names} if len(names) > 1 else {})
    )
    rows = [(name, *_counted(best(without))) for name, without in left_out.items()]
    return pd.DataFrame(rows, columns=["limit", *COUNTED])


# Figures of a set, in the order of `COUNTED`.
def _counted(sites: BestSet) -> tuple[int, int, int, float]:
    energy_wh, value = (
        int(whole(sites.valued[name].to_numpy() * scale).sum())
        for name, scale in (("energy_mwh", WATT_HOURS_PER_MEGAWATT_HOUR), ("net_annual_value", THOUSANDTHS))
    )
    return len(sites.candidates), energy_wh, value, sites.gap


def joined_limit_costs(found: dict[str, pd.DataFrame], **_: object) -> pd.DataFrame:
    """The sets of all drainage systems together, from those of each."""
    every = pd.concat(found.values(), ignore_index=True)
    return every.groupby("limit", sort=False)[COUNTED].sum(min_count=len(found)).reset_index()


def limit_costs_table(settings: Settings, limit_costs: pd.DataFrame) -> pd.DataFrame:
    """The ``cumulative_limits`` layer.

    Parameters
    ----------
    settings : Settings
    limit_costs : DataFrame
        Of `weigh_limits`.

    Returns
    -------
    DataFrame
    """
    ranking = settings.ranking
    setting = {
        FREE_FLOWING: ranking.min_free_flowing_m,
        DEPLETED_OF_STREAM: ranking.max_depleted_share,
        DEPLETED_OF_WATER_BODY: ranking.max_depleted_share,
        PLANTS_PER_KM: ranking.max_plants_per_km,
        PLANTS_OF_WATER_BODY: ranking.max_plants_per_water_body,
        BARRIERS_OF_WATER_BODY: ranking.max_new_barriers_per_water_body,
    }
    sets = limit_costs.assign(
        energy_mwh=limit_costs["energy_wh"] / WATT_HOURS_PER_MEGAWATT_HOUR,
        net_annual_value=limit_costs["net_annual_value_thousandths"] / THOUSANDTHS,
    )
    objective = sets["energy_mwh" if ranking.choose_by == "energy" else "net_annual_value"]
    sets["gap_share"] = (sets["gap"] / objective).where(sets["gap"] != 0, 0.0)
    chosen = sets[sets["limit"] == AS_CHOSEN].iloc[0]
    others = sets[sets["limit"] != AS_CHOSEN].reset_index(drop=True)
    table = pd.DataFrame(
        {
            "limit": others["limit"],
            "setting": others["limit"].map(setting).astype(float),
            "sites": int(chosen["sites"]),
            "sites_without": others["sites"].astype("int64"),
            "energy_mwh": chosen["energy_mwh"],
            "energy_without_mwh": others["energy_mwh"],
            "energy_lost_mwh": others["energy_mwh"] - chosen["energy_mwh"],
            "net_annual_value_lost": others["net_annual_value"] - chosen["net_annual_value"],
            "gap_share": chosen["gap_share"],
            "gap_without_share": others["gap_share"],
        }
    )
    return table[[column.name for column in LAYERS["cumulative_limits"].columns]]
