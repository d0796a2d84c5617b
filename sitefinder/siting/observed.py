"""What visitors observed at sites, held against the data."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sitefinder.schema.field_form import NO, YES
from sitefinder.siting.profiles import NORMAL_90
from sitefinder.vocabulary import IN_ONE_CELL

if TYPE_CHECKING:
    from collections.abc import Sequence


def held_against_data(
    observations: pd.DataFrame, levels: pd.DataFrame, gauged: pd.DataFrame, mapped: Sequence[Sequence[str] | None]
) -> pd.DataFrame:
    """Observations beside what the data say, what of them is used, and what contradicts.

    Parameters
    ----------
    observations : DataFrame, k rows
        See `sitefinder.io.observations.ObservationsRead`.
    levels : DataFrame
        ``level_id``, ``dem_drop_m`` and ``dem_drop_se_m`` [m] of the drops that are used.
    gauged : DataFrame
        ``gauging_id``, ``expected_m3s``, ``expected_low_m3s`` and ``expected_high_m3s`` [m³/s] of the gaugings at
        a stream.
    mapped : sequence of (sequence of str or None), length k
        Ids of the structures that are mapped between intake and tailrace; None where these are not on one stream.

    Returns
    -------
    DataFrame
        The observations with the columns above, ``structure_ids``, ``used``, ``not_used`` and ``contradictions``.

    Notes
    -----
    A drop contradicts the DEM where the two differ by more than the 90 % interval of their difference, both errors
    taken as independent; a gauging, where it lies outside the 90 % interval of the flow of that day.
    """
    table = observations.merge(levels, how="left", left_on="observation_id", right_on="level_id")
    table = table.merge(gauged, how="left", left_on="observation_id", right_on="gauging_id")
    structure_ids, used, not_used, contradictions = [], [], [], []
    for row, names in zip(table.to_dict("records"), mapped, strict=True):
        structure_ids.append(IN_ONE_CELL.join(names or []))
        is_used, is_not, against = _of_visit(row, names)
        used.append(IN_ONE_CELL.join(is_used))
        not_used.append(IN_ONE_CELL.join(is_not))
        contradictions.append(IN_ONE_CELL.join(against))
    return table.assign(structure_ids=structure_ids, used=used, not_used=not_used, contradictions=contradictions)


def _of_visit(row, names):  # type: ignore[no-untyped-def]
    used, not_used, against = [], [], []
    if np.isfinite(row["drop_m"]):
        dem_m, dem_se_m = row["dem_drop_m"], row["dem_drop_se_m"]
        if not np.isfinite(dem_m):
            not_used.append("drop: its places are not on one stream with a long profile")
        else:
            used.append("drop")
            limit_m = NORMAL_90 * np.hypot(dem_se_m, row["drop_error_m"])
            if abs(row["drop_m"] - dem_m) > limit_m:
                against.append(
                    f"drop of {row['drop_m']:.2f} m measured, and {dem_m:.2f} m in the DEM "
                    f"(90 % interval of the difference ± {limit_m:.2f} m)"
                )
    if np.isfinite(row["flow_m3s"]):
        low, high = row["expected_low_m3s"], row["expected_high_m3s"]
        if not row["gauge_id"]:
            not_used.append("flow: no reading of a gauge on that day")
        elif not np.isfinite(low):
            not_used.append("flow: no stream or no flow estimate at the intake")
        else:
            used.append("flow")
            if not low <= row["flow_m3s"] <= high:
                against.append(
                    f"flow of {row['flow_m3s']:.3g} m³/s gauged, and {row['expected_m3s']:.3g} m³/s expected on "
                    f"that day ({low:.3g} to {high:.3g})"
                )
    if row["structure_condition"] and row["structure_id"] in (names or ()):
        used.append("condition of the structure")
    elif row["structure_condition"]:
        not_used.append("condition: the site's structure is not among those mapped here")
    if names is not None and row["structure_seen"] == YES and not names:
        kind = row["structure_kind"] or "structure"
        against.append(f"a {kind} was seen, and none is mapped between intake and tailrace")
    if row["structure_seen"] == NO and names:
        against.append(f"no structure was seen, and mapped is {', '.join(names)}")
    return used, not_used, against
