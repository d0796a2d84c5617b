"""Context of tables and maps: currency and price year, and the layers under the results."""

from typing import NamedTuple

import geopandas

from sitefinder.report.handover import ON_MAPS


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
    return context
