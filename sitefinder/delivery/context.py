"""What tables and maps share: the money that all amounts are in, and the layers that lie under the results."""

from typing import NamedTuple

import geopandas

from sitefinder.report.handover import ON_MAPS


class Money(NamedTuple):
    """Currency and year of all money, for example "EUR of 2024", and whether some was stated in another."""

    name: str
    is_converted: bool

    @property
    def described(self):
        """The name, with a hint where amounts were converted."""
        return self.name + (", some converted, see provenance" if self.is_converted else "")


def name_money(inputs):
    """What all amounts of money are in.

    Returns
    -------
    Money
    """
    return Money(f"{inputs.costs.currency} of {inputs.costs.year}", len(inputs.conversions) > 0)


def take_map_context(settings, inputs):
    """What maps show under the results, of the layers that the user gave.

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
