"""Context of tables and maps: currency and price year, and the layers under the results."""

from typing import NamedTuple

import geopandas
import numpy as np

from sitefinder.io.gauges import STATIONS, points_of_table
from sitefinder.report.handover import GAUGES, ON_MAPS


class Money(NamedTuple):
    """Currency and year of all money, for example "EUR of 2024", and whether any was converted."""

    name: str
    is_converted: bool

    @property
    def described(self):
        """The name, with a note if amounts were converted."""
        return self.name + (", some converted, see provenance" if self.is_converted else "")


def name_money(inputs):
    """Currency and year of all amounts of money.

    Returns
    -------
    Money
    """
    return Money(f"{inputs.costs.currency} of {inputs.costs.year}", len(inputs.conversions) > 0)


def take_map_context(settings, inputs):
    """Layers of the user that maps show under the results.

    Returns
    -------
    dict of str to GeoDataFrame
        See `sitefinder.report.handover.Handover`.
    """
    context = {}
    for name in ON_MAPS:
        if name in inputs.layers:
            frame = inputs.layers[name].frame
            names = frame["feature_name"].fillna("").astype(str).to_numpy(dtype=object)
            geometry = frame.geometry.to_numpy()
            context[name] = geopandas.GeoDataFrame({"name": names}, geometry=geometry, crs=settings.run.crs)
    names, points = _gauges(settings, inputs)
    if len(names):
        context[GAUGES] = geopandas.GeoDataFrame({"name": names}, geometry=points, crs=settings.run.crs)
    return context


# Ids and points of the gauges that have coordinates, in the table or in the layer, which goes first.
def _gauges(settings, inputs):
    found = {}
    table, gauges = settings.flows.gauges, inputs.gauges
    if table is not None and gauges is not None:
        found |= dict(
            zip(
                gauges.index.astype(str),
                points_of_table(gauges, table, settings.run.crs, "flows.gauges"),
                strict=True,
            )
        )
    if STATIONS in inputs.layers:
        frame = inputs.layers[STATIONS].frame
        found |= dict(zip(frame["feature_id"].astype(str), frame.geometry, strict=True))
    placed = {name: point for name, point in found.items() if point is not None}
    return np.array(list(placed), dtype=object), list(placed.values())
