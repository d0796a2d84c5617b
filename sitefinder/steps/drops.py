"""The stages of drops without a stream: the energy and cost of each, and the rules that hold there."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import geopandas
import numpy as np
import pandas as pd
import shapely

from sitefinder.energy.valuation import value_stretches
from sitefinder.hydrology.seasons import BIN_MONTH
from sitefinder.rules.overlaps import HIT_COLUMNS, all_rule_metres, along_link, overlaps, uncovered
from sitefinder.rules.verdicts import admissible, held_reaches, stretch_marks, verdicts
from sitefinder.siting.access import in_region, nearest_distance_m
from sitefinder.steps.candidates import settlements_to_serve, with_connections
from sitefinder.vocabulary import schemes_that

if TYPE_CHECKING:
    import numpy.typing as npt

    from sitefinder.settings import Settings
    from sitefinder.steps.inputs import RunInputs
    from sitefinder.steps.scope import ScopedRule

# A rule holds at a drop as on a stream of this length about it [m]: a metre, as good as a point.
ABOUT_M = 1.0


class DropValues(NamedTuple):
    """Drops as candidates at an existing structure, their valuation, and their flows of a mean year."""

    table: pd.DataFrame
    energy: pd.DataFrame
    bins_m3s: npt.NDArray[np.float64]


def value_drops(settings: Settings, inputs: RunInputs) -> DropValues | None:
    """Energy and cost of each drop with any turbine and with fish-safe ones, by the flow that the user states.

    The plant is sized by the flow and the drop as they are stated; what must go past the turbine is stated too,
    and no environmental flow of a stream. No water is taken in ``flows.closed_months``. A fish pass is priced
    where the user says that fish need one and there is none.

    Returns
    -------
    DropValues or None
        None without drops.
    """
    if inputs.drops is None:
        return None
    given, bins_m3s = inputs.drops
    [scheme_type] = schemes_that("uses_structure")
    table = given.assign(
        scheme_type=scheme_type,
        intake=np.arange(len(given)),
        head_m=given["drop_m"],
        head_se_m=given["drop_error_m"],
        conduit_length_m=0.0,
        pond_length_m=0.0,
        weir_height_m=given["drop_m"],
        has_fish_pass=given["fish_pass"] | ~given["needs_fish_pass"],
        flow_mean_m3s=bins_m3s.mean(axis=1),
    )
    x_m, y_m = table["x_m"].to_numpy(), table["y_m"].to_numpy()
    roads = inputs.layers["roads"].frame if "roads" in inputs.layers else None
    table["road_distance_m"] = nearest_distance_m(x_m, y_m, roads)
    table["line_distance_m"] = with_connections(settings, inputs, table)["line_distance_m"]
    table["settlement_distance_m"] = nearest_distance_m(x_m, y_m, settlements_to_serve(settings, inputs))
    table["is_in_region"] = in_region(table, inputs)
    left_m3s = np.minimum(given["flow_left_m3s"].to_numpy()[:, None], bins_m3s)
    months = settings.flows.closed_months
    closed = np.isin(BIN_MONTH, months) if len(months) else None
    data = (inputs.turbines, inputs.costs, settings)
    energy = value_stretches(table, bins_m3s, left_m3s, *data, closed=closed) if len(table) else pd.DataFrame()
    return DropValues(table, energy, bins_m3s)


def overlap_drops(inputs: RunInputs, rule: ScopedRule) -> pd.DataFrame:
    """Hits of one rule's features on the drops; effects along streams do not reach them.

    Returns
    -------
    DataFrame
        See `sitefinder.rules.overlaps.overlaps`; stations are rows of the drops.
    """
    if inputs.drops is None or not len(inputs.drops.table):
        return pd.DataFrame(columns=HIT_COLUMNS)
    own, frame, coverage, match = rule
    about = _about(inputs.drops.table)
    found = []
    if not frame.empty:
        found.append(overlaps(about, frame, own, match))
    if coverage is not None:
        found.append(uncovered(about, coverage.geometry.to_numpy(), own))
    return along_link(found) if found else pd.DataFrame(columns=HIT_COLUMNS)


# A short line about each drop, as the segments of streams.
def _about(drops: pd.DataFrame) -> geopandas.GeoDataFrame:
    x_m, y_m = drops["x_m"].to_numpy(), drops["y_m"].to_numpy()
    ends = np.array([[x_m - ABOUT_M / 2, y_m], [x_m + ABOUT_M / 2, y_m]]).transpose(2, 0, 1)
    number = np.arange(len(drops))
    columns = {"station": number, "reach": number, "from_m": 0.0, "to_m": ABOUT_M}
    return geopandas.GeoDataFrame(columns, geometry=shapely.linestrings(ends))


class JudgedDrops(NamedTuple):
    """Verdicts of drops, as of reaches, and the turbine choice that the rules leave each."""

    verdicts: pd.DataFrame
    choice: npt.NDArray[np.int8]


def judge_drops(
    settings: Settings, drop_values: DropValues | None, drop_overlaps: pd.DataFrame
) -> JudgedDrops | None:
    """Verdict and turbine choice of each drop; None without drops."""
    if drop_values is None:
        return None
    count, rules = len(drop_values.table), settings.rules
    metres = all_rule_metres(drop_overlaps, rules, count, by="station")
    length_m, number = np.full(count, ABOUT_M), np.arange(count)
    marks = stretch_marks(np.arange(count + 1), number, length_m, number, metres, rules)
    choice = admissible(drop_values.table["scheme_type"], marks.marks, settings.ranking.allow).choice
    return JudgedDrops(verdicts(held_reaches(pd.DataFrame({"length_m": length_m}), metres, rules), rules), choice)


def take_drop_choice(drop_verdicts: JudgedDrops | None) -> npt.NDArray[np.int8] | None:
    """The turbine choice of each drop, by itself, so that plants do not read which rule left it; None without."""
    return None if drop_verdicts is None else drop_verdicts.choice
