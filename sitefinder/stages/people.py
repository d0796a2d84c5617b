"""What people do to the flow: water taken and brought, and the year by months that rules and energy go by."""

from functools import partial
from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.errors import ConfigError, listed
from sitefinder.flows.altered import alterations_of, widened, with_alterations
from sitefinder.flows.estimate import with_flags
from sitefinder.flows.seasons import is_far_scaled, month_statistics, split_by_month, year_of_months
from sitefinder.stages.flow_regions import flow_by_regions, region_weights
from sitefinder.stages.marks import carried_marks
from sitefinder.streams.lines import REPAIR_COLUMNS

ABSTRACTIONS = "abstractions"


class Used(NamedTuple):
    """Flows as they are with people: see `sitefinder.stages.worth.Flows`; ``year`` holds natural flows."""

    estimate: object
    bins_m3s: np.ndarray
    year: object
    repairs: pd.DataFrame


def refuse_unfit_months(settings, equations, reserve):
    """Refuse months that are not whole, and rules by month without flows by month.

    Parameters
    ----------
    settings : sitefinder.config.Settings
    equations : list of Equation
    reserve : list of ReserveRule

    Returns
    -------
    list of Equation
        Those of the whole year.

    Raises
    ------
    ConfigError, InputError
    """
    yearly, monthly = split_by_month(equations)
    seasonal = [rule.kind for rule in reserve if rule.is_seasonal]
    if not monthly and (seasonal or settings.flows.closed_months):
        asked = ["flows.closed_months"] if settings.flows.closed_months else []
        raise ConfigError.of(
            "the settings go by the month, but no equation tells the flow of a month",
            expected="a mean (month_01_mean) or two quantiles (month_01_exceedance_50) for each month",
            found=f"by the month: {listed([*asked, *(f'a reserve rule of kind {kind}' for kind in seasonal)])}",
            fix="add equations, or columns such as flow_month_01_mean_m3s to the gauge table; or take rules of "
            "the whole year",
        )
    return yearly


def use_by_people(settings, inputs, placed, catchments, estimate, equations):
    """Flows less abstractions, with wider intervals in karst, and by months where there are statistics of months.

    Parameters
    ----------
    settings, inputs, placed, catchments
        Results of the stages of those names.
    estimate : FlowEstimate
        Natural flows.
    equations : list of Equation
        Those of months.

    Returns
    -------
    Used
    """
    if "karst" in inputs.layers and settings.flags.karst_log_sd > 0:
        losing = carried_marks(settings, inputs, placed, catchments, "karst")[1]
        estimate = widened(estimate, losing, settings.flags.karst_log_sd)
    year = None
    if equations:
        weights = region_weights(settings, inputs, catchments)
        statistics = month_statistics(catchments, equations, partial(flow_by_regions, weights=weights))
        year = year_of_months(statistics, estimate.curve_m3s, estimate.mean_m3s)
        unknown = np.isnan(year.flow_m3s[:, 0]) & ~np.isnan(estimate.mean_m3s)
        estimate = with_flags(estimate, "months_missing", unknown)
        estimate = with_flags(estimate, "months_scaled", is_far_scaled(year))
    bins_m3s = estimate.curve_m3s if year is None else year.flow_m3s
    repairs = pd.DataFrame(columns=REPAIR_COLUMNS, dtype="str")
    if ABSTRACTIONS in inputs.layers:
        frame = inputs.layers[ABSTRACTIONS].frame
        station, repairs = _placed(settings, frame, placed)
        altered = with_alterations(
            estimate,
            alterations_of(frame, ABSTRACTIONS),
            station,
            placed.stations["downstream"].to_numpy().astype(np.int32),
            settings.flags.altered_percent,
            year,
        )
        estimate, bins_m3s = altered.estimate, altered.bins_m3s
    return Used(estimate, bins_m3s, year, repairs)


# Station at whose segment each point takes or brings water: the nearest, of several the lowest number. What is far
# from all streams is told and left out.
def _placed(settings, frame, placed):
    snap_m = settings.stretches.structure_snap_m
    lines, stations = placed.segments.geometry.to_numpy(), placed.segments["station"].to_numpy()
    point, line = shapely.STRtree(lines).query_nearest(
        frame.geometry.to_numpy(), max_distance=snap_m, all_matches=True
    )
    found = np.full(len(frame), len(placed.stations))
    np.minimum.at(found, point, stations[line])
    found[found == len(placed.stations)] = -1
    far = [
        (ABSTRACTIONS, name, f"abstraction or transfer: no stream within {snap_m:g} m", "not used")
        for name in frame["feature_id"][found < 0]
    ]
    return found, pd.DataFrame(far, columns=REPAIR_COLUMNS, dtype="str")
