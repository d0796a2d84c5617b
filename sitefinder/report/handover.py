"""Input of page, sheets and other files: the delivered tables, and the background of maps."""

import math
from collections.abc import Mapping
from typing import NamedTuple

from sitefinder import __version__
from sitefinder.vocabulary import HEAD_UNRESOLVED

REGION, DROPS = "region", "drops"
# Input layers that maps show under the results.
GAUGES = "gauges"
ON_MAPS = ("roads", "power_lines", "settlements", "lakes", "districts", "region")


class Handover(NamedTuple):
    """Everything that page and sheets are made from; all figures are those of the tables.

    ``tables`` are as `sitefinder.schema` declares them, held against it, by name of layer, in the run's
    coordinates ``crs`` (as the settings name it). ``currency`` is of all money, for example "EUR of 2024".
    ``energy_p90_mwh``, ``energy_p50_mwh`` (NaN if not known) and ``energy_p10_mwh`` are of all sites
    together [MWh/yr]. ``relief`` is as of
    `sitefinder.steps.terrain.Relief`. ``context`` holds the other layers of maps, by name (roads, power_lines,
    settlements, lakes, districts, region, gauges), only those that the user gave: GeoDataFrames of ``name``
    (text, empty where there is none) and geometry. ``font_paths`` are of fonts for letters that others lack.
    ``version`` is that of sitefinder. ``counts_unresolved`` is true where heads count that the DEM does not
    resolve.
    ``contours`` are of the maps of sites: GeoDataFrame of ``site_id`` and ``interval_m`` [m], or empty.
    ``allow`` is the run's ``ranking.allow``. ``date`` is that of the delivery (YYYY-MM-DD), for sheets alone,
    empty where none is stated. ``files`` are the names of the files that are delivered together, and the best
    ``sheets`` sites have a field sheet. ``notes`` are those of the settings, for readers.
    """

    title: str
    crs: str
    currency: str
    tables: Mapping
    energy_p90_mwh: float
    energy_p10_mwh: float
    relief: object
    context: dict
    counts_unresolved: bool = False
    font_paths: tuple = ()
    version: str = ""
    contours: object = ()
    files: tuple = ()
    sheets: int = 0
    energy_p50_mwh: float = math.nan
    allow: tuple = ()
    date: str = ""
    notes: tuple = ()

    @property
    def minimum_heads(self):
        """The layer of that name."""
        return self.tables["minimum_heads"]


class TablesOf(Mapping):
    """The tables among results, by name of layer; each is read when accessed.

    Parameters
    ----------
    made : Mapping
        Results by name of stage: ``sites_table`` is the layer ``sites``.
    """

    ENDING = "_table"

    def __init__(self, made):
        self._made = made

    def __getitem__(self, layer):
        return self._made[f"{layer}{self.ENDING}"]

    def __iter__(self):
        return (name.removesuffix(self.ENDING) for name in self._made if name.endswith(self.ENDING))

    def __len__(self):
        return sum(1 for _ in self)


def drops_of(totals):
    """The row of the selected drops without a stream in the layer ``totals``, as a dict; None without one."""
    rows = totals[totals["scope"] == DROPS].to_dict("records")
    return rows[0] if rows and rows[0]["sites"] else None


def region_of(totals):
    """The row of the whole region in the layer ``totals``, as a dict."""
    (row,) = totals[totals["scope"] == REGION].to_dict("records")
    return row


def handover_of(settings, made, fonts=(), contours=()):
    """Input of page, sheets and map, from the results of stages.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
        ``run.name``, ``run.crs``, ``ranking.allow`` and ``delivery.notes``.
    made : Mapping
        Results by name of stage: ``money``, ``relief``, ``map_context``, ``totals_table`` and those tables that
        are shown.
    fonts, contours
        See `Handover`.

    Returns
    -------
    Handover
    """
    # P90, P50 and P10 of all sites together are simulated once, for the totals.
    region = region_of(made["totals_table"])
    return Handover(
        title=settings.run.name,
        crs=settings.run.crs,
        currency=made["money"].name,
        tables=TablesOf(made),
        energy_p90_mwh=region["energy_mwh_p90"],
        energy_p50_mwh=region["energy_mwh_p50"],
        energy_p10_mwh=region["energy_mwh_p10"],
        relief=made["relief"],
        context=made["map_context"],
        counts_unresolved=HEAD_UNRESOLVED.is_allowed(settings.ranking.allow),
        font_paths=tuple(fonts),
        contours=contours,
        version=__version__,
        allow=tuple(settings.ranking.allow),
        notes=tuple(settings.delivery.notes),
    )
