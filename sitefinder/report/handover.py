"""What a run hands over to page, sheets and other files: the delivered tables, and what maps lie on."""

import math
from typing import NamedTuple

import pandas as pd


class Handover(NamedTuple):
    """Everything that a delivery is made of; all figures are those of the tables.

    ``tables`` are as `sitefinder.schema` declares them, held against it, by name of layer, in the run's
    coordinates ``crs`` (as the settings name it). ``currency`` is of all money, for example "EUR of 2024".
    ``energy_p90_mwh``, ``energy_p50_mwh`` (NaN where nobody says it) and ``energy_p10_mwh`` are of all sites
    together [MWh/yr]. ``relief`` is as of
    `sitefinder.stages.relief.Relief`. ``context`` holds what else maps show, by name (roads, power_lines,
    settlements, lakes, districts, region), only those that the user gave: GeoDataFrames of ``name`` (text, empty
    where there is none) and geometry. ``font_paths`` are of fonts for letters that others lack. ``version`` is
    that of sitefinder. ``counts_unresolved`` is true where heads count that the DEM does not resolve.
    ``dem_path`` is the DEM's copy on the run's grid.
    """

    title: str
    crs: str
    currency: str
    tables: dict
    energy_p90_mwh: float
    energy_p10_mwh: float
    relief: object
    context: dict
    counts_unresolved: bool = False
    font_paths: tuple = ()
    version: str = ""
    dem_path: object = None
    energy_p50_mwh: float = math.nan

    @property
    def least_heads(self) -> pd.DataFrame:
        """The layer of that name."""
        return self.tables["least_heads"]
