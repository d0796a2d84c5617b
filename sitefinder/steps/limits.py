"""The stages of cumulative limits: the parts of the river that they are set for, and what each of them costs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sitefinder.siting.limits import (
    CUMULATIVE_LIMITS,
    DEPLETED_OF_STREAM,
    DEPLETED_OF_WATER_BODY,
    FREE_FLOWING,
    PLANTS_PER_KM,
    RiverParts,
    streams_of_links,
    water_bodies_of_stations,
)
from sitefinder.siting.selection import choose_sites
from sitefinder.steps.closed_months import with_closed

if TYPE_CHECKING:
    import numpy.typing as npt

    from sitefinder.network.stations import Stationing
    from sitefinder.network.topology import Network
    from sitefinder.settings import Settings
    from sitefinder.siting.candidates import Stretches
    from sitefinder.siting.selection import Offers
    from sitefinder.steps.inputs import RunInputs
    from sitefinder.steps.rules import Judged
    from sitefinder.steps.selection import Chosen
    from sitefinder.steps.systems import Systems
    from sitefinder.steps.water_bodies import WaterBodies


def find_river_parts(settings: Settings, inputs: RunInputs, network: Network, stationing: Stationing) -> RiverParts:
    """Streams and water bodies, for which cumulative limits are set.

    A stream is what the layer ``streams`` lists as one. A water body that lies in several drainage systems is one in
    each of them.

    Returns
    -------
    RiverParts
    """
    count = len(stationing.stations)
    stream = streams_of_links(network.links)[stationing.stations["link"].to_numpy()].astype(np.int64)
    water_body = np.full(count, -1)
    if "water_bodies" in inputs.layers:
        frame = inputs.layers["water_bodies"].frame
        snap_m = settings.stretches.structure_snap_m
        feature = water_bodies_of_stations(frame.geometry.to_numpy(), stationing.segments, snap_m, count)
        # Several features of one id are one water body.
        number = pd.factorize(frame["feature_id"])[0]
        water_body = np.append(number, -1)[feature].astype(np.int64)
    return RiverParts(stream, water_body)


# Settings without each limit, by the limit's name.
WITHOUT = {
    FREE_FLOWING: {"min_free_flowing_m": 0.0},
    DEPLETED_OF_STREAM: {"max_depleted_share": None},
    DEPLETED_OF_WATER_BODY: {"max_depleted_share": None},
    PLANTS_PER_KM: {"max_plants_per_km": None},
}
assert tuple(WITHOUT) == CUMULATIVE_LIMITS
