"""What lies on the stream at each site, and what every structure could give, as tables of the delivery."""

import geopandas
import numpy as np
import pandas as pd
import shapely

from sitefinder.delivery.checking import checked_table
from sitefinder.schema import LAYERS, is_scheme_that
from sitefinder.siting.passed import flags_of_things, things_of_sites
from sitefinder.vocabulary import FLAG_SEPARATOR, FLAG_VALUE, FLAGS, names


# The things of some candidates, see `things_of_sites`.
def _listed(settings, stationing, stretches, stream_things, chosen):
    serving = stretches.table["intake_thing"].to_numpy(dtype=np.int64)
    within_m = settings.stretches.ends_within_m
    return things_of_sites(stretches, chosen, serving, stream_things, stationing.stations, within_m)


def passed_flags(settings, stationing, stretches, stream_things, chosen):
    """Flags of candidates for what they go past, and for an intake at an existing structure.

    Parameters
    ----------
    settings, stationing, stretches, stream_things
        Results of the stages of those names.
    chosen : ndarray of int, shape (k,)
        Numbers of candidates.

    Returns
    -------
    list of str
        Flags with the ids of the structures, "" for none.
    """
    listed = _listed(settings, stationing, stretches, stream_things, chosen)
    at_weir = is_scheme_that(stretches.table["scheme_type"].iloc[chosen], "uses_structure")
    found = flags_of_things(listed[~at_weir[listed["site"].to_numpy(dtype=np.int64)]], stream_things)
    texts = [[] for _ in range(len(chosen))]
    for flag in names(FLAGS):
        for (site, name), ids in found.items():
            if name == flag:
                texts[site].append(f"{flag}{FLAG_VALUE}{ids.replace(FLAG_SEPARATOR, ', ')}")
    return [FLAG_SEPARATOR.join(each) for each in texts]


def make_stretch_structures(settings, stationing, stretches, stream_things, sites, ranked_sites):
    """The ``stretch_structures`` layer: all that lies on the stream within each site and at its ends."""
    picked, order = np.flatnonzero(sites.offers.chosen), ranked_sites.order
    listed = _listed(settings, stationing, stretches, stream_things, picked)
    site, thing = (listed[name].to_numpy(dtype=np.int64) for name in ("site", "thing"))
    by_place = order.sort_values("row")
    table = (
        stream_things.iloc[thing]
        .reset_index(drop=True)
        .assign(
            site_id=by_place["site_id"].to_numpy()[site],
            rank=by_place["rank"].to_numpy()[site],
            role=listed["role"],
            distance_m=listed["distance_m"].astype(float),
        )
    )
    table["drop_m"] = table["drop_m"].astype(float)
    table = table.assign(geometry=_places(stationing, table)).sort_values(
        ["rank", "distance_m"], kind="stable", ignore_index=True
    )
    table["position"] = table.groupby("site_id", sort=False).cumcount() + 1
    columns = [column.name for column in LAYERS["stretch_structures"].columns]
    frame = geopandas.GeoDataFrame(table[columns], geometry=table["geometry"].to_numpy(), crs=settings.run.crs)
    return checked_table(frame, "stretch_structures", settings.run.crs)


# Where each thing is on its stream, as points.
def _places(stationing, things):
    station = things["station"].to_numpy(dtype=np.int64)
    x_m, y_m = (stationing.stations[name].to_numpy()[station] for name in ("x_m", "y_m"))
    points = shapely.points(x_m, y_m)
    lines = pd.Series(stationing.segments["geometry"].to_numpy(), index=stationing.segments["station"].to_numpy())
    on_segment = np.isin(station, lines.index.to_numpy())
    own = lines.loc[station[on_segment]].to_numpy()
    share = things["share_above"].to_numpy(dtype=np.float64)[on_segment]
    points[on_segment] = shapely.line_interpolate_point(own, share, normalized=True)
    return points
