"""The stages of flows: equations by region, measured flows, abstractions, environmental flow, width and depth."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from sitefinder.energy.hydraulics import ChannelShapes, MeasuredSection, channel_shapes
from sitefinder.errors import ConfigError, InputError, listed
from sitefinder.hydrology.abstractions import alterations_of, widened, with_alterations
from sitefinder.hydrology.change import changed_by_regime, changed_curve, changed_year, ratio_of_curves
from sitefinder.hydrology.duration_curve import exceedance_at, falling, flow_at
from sitefinder.hydrology.environmental_flow import environmental_flow_by_bin
from sitefinder.hydrology.estimate import FlowEstimate, estimate_flows, lift_weak_flags, with_flags
from sitefinder.hydrology.flow_errors import FlowModel, flow_errors
from sitefinder.hydrology.gauges import SpotGaugings, gauge_flows, with_near_gauges, with_spot_gaugings
from sitefinder.hydrology.months import NO_MONTHS, Months
from sitefinder.hydrology.plausibility import IMPLAUSIBLE, SUSPECT_COLUMNS, suspect_gauges
from sitefinder.hydrology.records import pooled_year_to_year
from sitefinder.hydrology.regime import possible_share, year_by_regime
from sitefinder.hydrology.seasons import is_far_scaled, month_statistics, split_by_month, year_of_months
from sitefinder.hydrology.strength import MeanRegression, mean_regressions
from sitefinder.network.stations import nearest_segments
from sitefinder.network.topology import REPAIR_COLUMNS
from sitefinder.siting.profiles import NORMAL_90
from sitefinder.siting.water_rights import place_rights
from sitefinder.steps.flags import carried_flags
from sitefinder.steps.flow_regions import flow_by_regions, list_region_doubts, region_codes, region_weights
from sitefinder.steps.heads import NOT_USED, stations_along

if TYPE_CHECKING:
    from collections.abc import Sequence

    import geopandas
    import numpy.typing as npt

    from sitefinder.catalogue.equations import Equation
    from sitefinder.hydrology.change import FlowChange
    from sitefinder.hydrology.regime import Regime
    from sitefinder.hydrology.regression import Fit
    from sitefinder.hydrology.seasons import YearBins
    from sitefinder.network.stations import Stationing
    from sitefinder.network.topology import RepairRow
    from sitefinder.profile.water_slopes import WaterSlopes
    from sitefinder.settings import EnvironmentalFlowRule, Settings
    from sitefinder.settings.flows import GaugeTable, NearGauges, SpotSettings
    from sitefinder.steps.inputs import RunInputs

# Layers as the table of repairs names them.
GAUGES, GAUGINGS, ABSTRACTIONS = "gauges", "spot_gaugings", "abstractions"
# What is kept of a spot gauging: its id, and the flow of that day by the estimate before it [m³/s].
GAUGED = ("gauging_id", "expected_m3s", "expected_low_m3s", "expected_high_m3s")
# Share of time that the low flow of the summary is exceeded [%].
LOW_FLOW_PERCENT = 95.0


def validate_unknown_gauges(gaugings: pd.DataFrame, gauges: pd.DataFrame) -> None:
    """Refuse spot gaugings whose gauge has no flows to hold its reading against.

    Parameters
    ----------
    gaugings : DataFrame
        Column ``gauge_id``.
    gauges : DataFrame
        See `sitefinder.io.gauges.measured_gauges`.

    Raises
    ------
    InputError
    """
    known = gauge_flows(gauges, 0.0).gauge
    those = listed(known) or "there are none"
    unknown = [gauge for gauge in dict.fromkeys(gaugings["gauge_id"]) if gauge not in known]
    if unknown:
        raise InputError.of(
            "spot gaugings name gauges whose duration curve is not known",
            expected=f"gauges with flow_mean_m3s and two columns flow_qNN_m3s: {those}",
            found=listed(unknown),
            fix="correct gauge_id in inputs.spot_gaugings, or add those gauges to the gauge table or to "
            "inputs.gauge_stations",
        )


def validate_unfit_months(
    settings: Settings,
    equations: list[Equation],
    environmental: Sequence[EnvironmentalFlowRule],
    regime: Regime | None = None,
    change: FlowChange | None = None,
) -> list[Equation]:
    """Refuse months that are not whole, and rules or a climate table by month without flows by month.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    equations : list of Equation
    environmental : list of EnvironmentalFlowRule
    regime : Regime, optional
    change : FlowChange, optional

    Returns
    -------
    list of Equation
        Those of the whole year.

    Raises
    ------
    ConfigError, InputError
    """
    yearly: list[Equation]
    yearly, monthly = split_by_month(equations)
    seasonal = [rule.kind for rule in environmental if rule.is_seasonal]
    by_month = change is not None and change.is_by_month
    if not monthly and regime is None and (seasonal or settings.flows.closed_months or by_month):
        asked = ["flows.closed_months"] if settings.flows.closed_months else []
        asked += ["flows.change"] if by_month else []
        raise ConfigError.of(
            "the settings go by the month, but nothing gives the flow of a month",
            expected="a mean (month_01_mean) or two quantiles (month_01_exceedance_50) for each month, daily "
            "records (flows.gauges.daily), or a regional regime (flows.regime)",
            found="by the month: "
            + listed([*asked, *(f"an environmental flow rule of kind {kind}" for kind in seasonal)]),
            fix="state the regime of the region in flows.regime, or add equations or columns such as "
            "flow_month_01_mean_m3s to the gauge table; or take rules of the whole year",
        )
    return yearly


def year_to_year_of(gauges: pd.DataFrame | None) -> float | None:
    """The year-to-year spread of flow that daily records show, to four digits after the point.

    Parameters
    ----------
    gauges : DataFrame or None

    Returns
    -------
    float or None
        None where there are no daily records, or too few.
    """
    if gauges is None or "year_to_year_log_sd" not in gauges:
        return None
    found = pooled_year_to_year(gauges)
    return None if found is None else float(round(found, 4))


class Flows(NamedTuple):
    """Flow of each station: the estimate, the flow exceeded 95 % of the time and the environmental flow [m³/s].

    ``bins_m3s`` are the flows that energy goes by, in bins of equal time that ``environmental_flow_m3s`` shares:
    the duration curve, or with statistics of months the days of a year, whose months ``bin_month`` holds (else
    None). Abstractions are off them, so that they need not fall from bin to bin; ``closed`` are bins in which
    nothing may be taken, or None. ``equations`` are those used, ``fits`` their diagnostics where they were fitted,
    ``repairs`` what is doubtful or left out, and ``measured`` what gauges and gaugings changed. ``model`` is what
    the flows may be, given their errors; ``mean_regressions`` give the strength of those of the mean flow.
    ``months`` says how the bins are shared among the months. ``gauged`` holds for each spot gauging at a stream
    what the estimate before it said of that day, see `GAUGED`; None without any.
    """

    estimate: FlowEstimate
    q95_m3s: npt.NDArray[np.float64]
    environmental_flow_m3s: npt.NDArray[np.float64]
    equations: list[Equation]
    fits: list[Fit]
    bins_m3s: npt.NDArray[np.float64]
    bin_month: npt.NDArray[np.int8] | None
    closed: npt.NDArray[np.bool_] | None
    repairs: pd.DataFrame
    measured: pd.DataFrame
    model: FlowModel
    mean_regressions: list[MeanRegression]
    months: Months = Months(NO_MONTHS)
    gauged: pd.DataFrame | None = None


def estimate_station_flows(
    settings: Settings, inputs: RunInputs, stationing: Stationing, catchments: pd.DataFrame
) -> Flows:
    """Mean flow, duration curve and environmental flow of each station.

    The environmental flow goes by natural flow, changed where there is a climate table unless that says otherwise,
    and is never more than what is left after abstractions.
    """
    fits = list(inputs.fits)
    equations = inputs.equations or [fit.equation for fit in fits]
    yearly, monthly = split_by_month(equations)
    limits = settings.flows.weak_regression
    natural = estimate_flows(catchments, yearly, region_weights(settings, inputs, catchments), limits)
    today, measured, gauged = use_measured_flows(
        settings, inputs, stationing, catchments, _flagged(settings, inputs, natural, yearly)
    )
    today, year_today = flows_by_month(settings, inputs, catchments, today, monthly)
    natural, year = change_flows(inputs, today, year_today)
    used = apply_abstractions(settings, inputs, stationing, catchments, natural, year)
    estimate = used.estimate
    q95_m3s = flow_at(estimate.curve_exceedance, estimate.curve_m3s, LOW_FLOW_PERCENT)
    closed_months = settings.flows.closed_months
    area_km2 = catchments["area_km2"].to_numpy()
    judged_by, year_judged_by, moment_m3s = natural, year, None
    if inputs.change is not None and inputs.change.environmental_from == "today":
        judged_by, year_judged_by = today, year_today
        moment_m3s = natural.curve_m3s if year is None else year.flow_m3s
    environmental_flow_m3s = environmental_flow_by_bin(
        judged_by.curve_m3s,
        judged_by.mean_m3s,
        inputs.environmental,
        area_km2,
        year_judged_by,
        closed_months,
        moment_m3s,
    )
    if used.bins_m3s is not natural.curve_m3s:
        environmental_flow_m3s = np.minimum(environmental_flow_m3s, used.bins_m3s)
    month = None if year is None else year.month
    closed = np.isin(month, closed_months) if closed_months and month is not None else None
    model = FlowModel(
        flow_errors(
            used.natural,
            area_km2,
            settings.uncertainty.quantile_correlation_span,
            None if year is None else year.flow_m3s,
            _taken(used, year),
            month,
            *_judged_ratios(natural, year, judged_by, year_judged_by),
        ),
        inputs.environmental,
        tuple(closed_months),
    )
    doubts = [
        list_region_doubts(inputs, equations),
        list_gauge_doubts(inputs.gauges, settings.flows.gauges),
        list_record_doubts(inputs.gauges),
        used.repairs,
    ]
    return Flows(
        estimate,
        q95_m3s,
        environmental_flow_m3s,
        equations,
        fits,
        used.bins_m3s,
        month,
        closed,
        pd.concat(doubts, ignore_index=True),
        measured,
        model,
        mean_regressions(equations, limits, region_codes(inputs)),
        _months(inputs, today, year, bool(monthly)),
        gauged,
    )


# How the bins are shared among the months, and what says so.
def _months(inputs: RunInputs, today: FlowEstimate, year: YearBins | None, has_equations: bool) -> Months:
    regime, change = inputs.regime, inputs.change
    if year is not None:
        source = "monthly flow statistics" if has_equations or regime is None else regime.source
        return Months(source, year.month)
    if regime is None:
        return Months(NO_MONTHS)
    by_month = change if change is not None and change.is_by_month else None
    return Months(regime.source, None, today.curve_m3s, regime, by_month)


def flows_by_month(
    settings: Settings,
    inputs: RunInputs,
    catchments: pd.DataFrame,
    estimate: FlowEstimate,
    equations: list[Equation],
) -> tuple[FlowEstimate, YearBins | None]:
    """Natural flow of each day of the year, where it is needed at all stations.

    Equations of months give it. A regime gives it where the settings close months or have environmental flow rules
    by month; otherwise the year's curve stays as it is, and is split among the months later.

    Parameters
    ----------
    settings, inputs, catchments
        Results of the stages of those names.
    estimate : FlowEstimate
        Natural flows of today.
    equations : list of Equation
        Those of months.

    Returns
    -------
    estimate : FlowEstimate
        With flags of stations whose months are not known or do not fit.
    year : YearBins or None
    """
    if equations:
        weights = region_weights(settings, inputs, catchments)
        statistics = month_statistics(catchments, equations, partial(flow_by_regions, weights=weights))
        year: YearBins = year_of_months(statistics, estimate.curve_m3s, estimate.mean_m3s)
        unknown = np.isnan(year.flow_m3s[:, 0]) & ~np.isnan(estimate.mean_m3s)
        estimate = with_flags(estimate, "months_missing", unknown)
        return with_flags(estimate, "months_scaled", is_far_scaled(year)), year
    if inputs.regime is None:
        return estimate, None
    estimate = with_flags(estimate, "months_flattened", possible_share(estimate.curve_m3s, inputs.regime) < 1.0)
    if settings.flows.closed_months or any(rule.is_seasonal for rule in inputs.environmental):
        return estimate, year_by_regime(estimate.curve_m3s, inputs.regime)
    return estimate, None


def change_flows(
    inputs: RunInputs, estimate: FlowEstimate, year: YearBins | None
) -> tuple[FlowEstimate, YearBins | None]:
    """Natural flows by the climate table of the run; as they were without one.

    Parameters
    ----------
    inputs : RunInputs
    estimate : FlowEstimate
        Natural flows of today.
    year : YearBins or None
        The same by month.

    Returns
    -------
    estimate : FlowEstimate
        No equation is evaluated again: the errors of mean flow stay what they are, in logarithms, and those of the
        factors are not in them.
    year : YearBins or None
    """
    change: FlowChange | None = inputs.change
    if change is None:
        return estimate, year
    before = estimate.curve_m3s
    changed = None if year is None else changed_year(year, change)
    if not change.is_by_month:
        curve = changed_curve(before, change)
    elif year is not None and changed is not None:
        curve = falling(before * ratio_of_curves(year.flow_m3s, changed.flow_m3s, before.shape[1]))
    else:
        curve = changed_by_regime(before, inputs.regime, change).curve_m3s
    means = (before, curve) if year is None or changed is None else (year.flow_m3s, changed.flow_m3s)
    mean_before, mean_after = (flow.mean(axis=1) for flow in means)
    factor = np.divide(mean_after, mean_before, out=np.ones_like(mean_before), where=mean_before > 0)
    note = f"natural flow changed by a climate table: {change.label} ({change.source})"
    return (
        estimate._replace(
            curve_m3s=curve,
            mean_m3s=estimate.mean_m3s * factor,
            mean_low_m3s=estimate.mean_low_m3s * factor,
            mean_high_m3s=estimate.mean_high_m3s * factor,
            notes=[*estimate.notes, note],
        ),
        changed,
    )


# What abstractions take of natural flow in each bin; None where nothing is taken.
def _taken(used: AlteredFlows, year: YearBins | None) -> npt.NDArray[np.float64] | None:
    natural: npt.NDArray[np.float64] = used.natural.curve_m3s if year is None else year.flow_m3s
    return None if used.bins_m3s is natural else natural - used.bins_m3s


# The flows that the rules of the environmental flow go by over natural flows, of curves and bins; None where these
# are the same.
def _judged_ratios(
    natural: FlowEstimate, year: YearBins | None, judged_by: FlowEstimate, year_judged_by: YearBins | None
) -> tuple[npt.NDArray[np.float64] | None, npt.NDArray[np.float64] | None]:
    def ratio(judged: npt.NDArray[np.float64], flow: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        found: npt.NDArray[np.float64] = np.divide(judged, flow, out=np.ones_like(flow), where=flow > 0)
        return found

    if judged_by is natural:
        return None, None
    of_curve = ratio(judged_by.curve_m3s, natural.curve_m3s)
    if year is None or year_judged_by is None:
        return of_curve, None
    return of_curve, ratio(year_judged_by.flow_m3s, year.flow_m3s)


# The estimate, flagged where the run reads off flows beyond the regressed quantiles.
def _flagged(
    settings: Settings, inputs: RunInputs, estimate: FlowEstimate, equations: list[Equation]
) -> FlowEstimate:
    quantiles = [equation.exceedance_percent for equation in equations if equation.exceedance_percent]
    wanted = [LOW_FLOW_PERCENT, *settings.energy.design_exceedance_percent]
    wanted += [rule.exceedance_percent for rule in inputs.environmental if rule.exceedance_percent is not None]
    return flag_extended(estimate, quantiles, wanted)


def flag_extended(
    estimate: FlowEstimate, quantiles_percent: list[float], wanted_percent: list[float]
) -> FlowEstimate:
    """An estimate flagged where the run wants flows beyond the outermost quantiles that were regressed.

    Parameters
    ----------
    estimate : FlowEstimate
    quantiles_percent : list of float
        Exceedance of the regressed quantiles [%].
    wanted_percent : list of float
        What the run reads off the curves [%]: the low flow, design flows, the environmental flow.

    Returns
    -------
    FlowEstimate
        All stations with a flow are flagged ``curve_extended`` if any of it lies beyond.
    """
    minimum, maximum = min(quantiles_percent), max(quantiles_percent)
    beyond = sorted({percent for percent in wanted_percent if not minimum <= percent <= maximum})
    if not beyond:
        return estimate
    entries = (
        f"flows exceeded {listed([f'{each:g}' for each in beyond])} % of the time are read off the curves' tails"
    )
    return with_flags(
        estimate._replace(notes=[*estimate.notes, entries]), "curve_extended", ~np.isnan(estimate.mean_m3s)
    )


def use_measured_flows(
    settings: Settings, inputs: RunInputs, stationing: Stationing, catchments: pd.DataFrame, estimate: FlowEstimate
) -> tuple[FlowEstimate, pd.DataFrame, pd.DataFrame | None]:
    """An estimate joined with near gauges and spot gaugings, and what they changed.

    Parameters
    ----------
    settings, inputs, stationing, catchments
        Results of the stages of those names.
    estimate : FlowEstimate

    Returns
    -------
    estimate : FlowEstimate
    repairs : DataFrame
        Rows of the table of repairs.
    gauged : DataFrame or None
        Columns `GAUGED`: each spot gauging, and the flow of that day by the estimate before it, with its 90 %
        interval [m³/s].
    """
    entries: list[RepairRow] = []
    gauged: pd.DataFrame | None = None
    regressed = estimate.mean_log_sd
    gauges, near_gauges, gaugings = inputs.measured_gauges, settings.flows.near_gauges, inputs.spot_gaugings
    if gauges is not None and near_gauges is not None:
        table = _with_spread(gauges, settings)
        estimate = _join_gauges(near_gauges, table, stationing, catchments, estimate, entries)
    if gauges is not None and gaugings is not None:
        asked = settings.flows.spot_gaugings
        estimate, gauged = _join_gaugings(asked, gauges, gaugings, stationing, catchments, estimate, entries)
    estimate = lift_weak_flags(estimate, regressed)
    return estimate, pd.DataFrame(entries, columns=REPAIR_COLUMNS, dtype="str"), gauged


def _join_gauges(
    asked: NearGauges,
    table: geopandas.GeoDataFrame,
    stationing: Stationing,
    catchments: pd.DataFrame,
    estimate: FlowEstimate,
    entries: list[RepairRow],
) -> FlowEstimate:
    flows = gauge_flows(table, asked.gauge_log_sd)
    known = table.index.isin(flows.gauge)
    stations = _stations_of(table.geometry.to_numpy()[known], stationing, asked.snap_m)
    stated = (
        table["area_km2"].to_numpy(dtype=float)[known] if "area_km2" in table else np.full(known.sum(), np.nan)
    )
    area_km2 = catchments["area_km2"].to_numpy()
    off = stated / np.where(stations >= 0, area_km2[stations], np.nan)
    # A gauge whose area is not stated cannot be doubted by it.
    unlike = np.maximum(off, 1 / off) > asked.max_area_difference
    for gauges, why in (
        (table.index[~known], "without a mean flow above 0 and two quantiles"),
        (table.index[known][stations < 0], f"no stream within {asked.snap_m:g} m"),
    ):
        if len(gauges):
            entries.append((GAUGES, listed(gauges), f"{len(gauges)} gauges: {why}", NOT_USED))
    for row in np.flatnonzero(unlike):
        areas = f"{stated[row]:.4g} km² as stated, {area_km2[stations[row]]:.4g} km² on its stream"
        entries.append((GAUGES, flows.gauge[row], f"gauge: {areas}; it may belong to another", NOT_USED))
    used = (stations >= 0) & ~unlike
    flows = flows._replace(
        gauge=[gauge for gauge, is_used in zip(flows.gauge, used, strict=True) if is_used],
        **{name: getattr(flows, name)[used] for name in ("mean_m3s", "curve_m3s", "log_sd")},
    )
    stations = stations[used]
    joined: FlowEstimate = with_near_gauges(estimate, flows, stations, _downstream(stationing), area_km2, asked)
    for gauge, station, mean_m3s in zip(flows.gauge, stations.tolist(), flows.mean_m3s.tolist(), strict=True):
        named = sum(f"gauge {gauge} " in source for source in joined.source)
        said = _said(estimate, station)
        entries.append((GAUGES, gauge, f"mean flow {mean_m3s:.3g} m³/s; {said}", f"carried to {named} stations"))
    return joined


# Gauges whose own spread of years is not known take that of the settings, where those say one.
def _with_spread(table: geopandas.GeoDataFrame, settings: Settings) -> geopandas.GeoDataFrame:
    stated = settings.uncertainty.year_to_year_sd
    own = table.get("year_to_year_log_sd", pd.Series(np.nan, index=table.index))
    return table.assign(year_to_year_log_sd=own.fillna(np.nan if stated is None else stated))


def _join_gaugings(
    asked: SpotSettings,
    gauges: geopandas.GeoDataFrame,
    frame: geopandas.GeoDataFrame,
    stationing: Stationing,
    catchments: pd.DataFrame,
    estimate: FlowEstimate,
    entries: list[RepairRow],
) -> tuple[FlowEstimate, pd.DataFrame]:
    flows = gauge_flows(gauges, 0.0)
    curves = dict(zip(flows.gauge, flows.curve_m3s, strict=True))
    stations = _stations_of(frame.geometry.to_numpy(), stationing, asked.snap_m)
    exceedance = [
        exceedance_at(estimate.curve_exceedance, curves[row.gauge_id], row.gauge_flow_m3s)
        for row in frame.itertuples()
    ]
    on = stations >= 0
    gaugings = SpotGaugings(
        frame["gauging_id"][on].tolist(),
        stations[on],
        frame["flow_m3s"].to_numpy()[on],
        np.sqrt(np.log1p((frame["error_percent"].to_numpy()[on] / 100.0) ** 2)),
        np.array(exceedance)[on],
    )
    downstream, area_km2 = _downstream(stationing), catchments["area_km2"].to_numpy()
    joined: FlowEstimate
    joined, factors = with_spot_gaugings(estimate, gaugings, downstream, area_km2, asked)
    changes = dict(zip(gaugings.name, factors, strict=True))
    for row, station, share in zip(frame.itertuples(), stations.tolist(), exceedance, strict=True):
        text = f"{row.flow_m3s:.3g} m³/s gauged with an error of {row.error_percent:g} %, {row.date}"
        if station < 0:
            entries.append((GAUGINGS, row.gauging_id, f"{text}; no stream within {asked.snap_m:g} m", NOT_USED))
            continue
        reading = (
            f"gauge {row.gauge_id} at {row.gauge_flow_m3s:.3g} m³/s, exceeded {100 * share:.1f} % of the time"
        )
        change = changes[row.gauging_id]
        action = NOT_USED if np.isnan(change) else f"mean flow there changed by {100 * (change - 1):+.1f} %"
        entries.append((GAUGINGS, row.gauging_id, f"{text}; {reading}; {_said(estimate, station)}", action))
    return joined, _against(estimate, gaugings, asked)


# The flow of the day of each gauging by an estimate, and its 90 % interval: errors of the estimate, of the gauging
# and of taking both places to have the same exceedance.
def _against(estimate: FlowEstimate, gaugings: SpotGaugings, asked: SpotSettings) -> pd.DataFrame:
    rows = []
    for name, station, log_sd, share in zip(
        gaugings.name, gaugings.station, gaugings.log_sd, gaugings.exceedance, strict=True
    ):
        curve_m3s = estimate.curve_m3s[station][np.newaxis]
        flow_m3s = float(flow_at(estimate.curve_exceedance, curve_m3s, 100.0 * share)[0])
        spread = np.sqrt(estimate.mean_log_sd[station] ** 2 + log_sd**2 + asked.concurrency_log_sd**2)
        factor = float(np.exp(NORMAL_90 * spread))
        rows.append((str(name), flow_m3s, flow_m3s / factor, flow_m3s * factor))
    return pd.DataFrame(rows, columns=list(GAUGED))


# What the estimate says of a station's mean flow.
def _said(estimate: FlowEstimate, station: int) -> str:
    mean, low, high = (
        part[station] for part in (estimate.mean_m3s, estimate.mean_low_m3s, estimate.mean_high_m3s)
    )
    return f"the estimate said {mean:.3g} m³/s ({low:.3g} to {high:.3g})"


# Station nearest along the segment that is nearest to each point; -1 where there is no point or none within reach.
def _stations_of(points: npt.NDArray[np.object_], stationing: Stationing, snap_m: float) -> npt.NDArray[np.int64]:
    found = np.full(len(points), -1, dtype=np.int64)
    there = np.array([point is not None for point in points], dtype=bool)
    station, distance_m, share_above = nearest_segments(points[there], stationing.segments)
    # A segment ends at its station and starts at the one before it in its link.
    station = np.where(share_above < 0.5, station - 1, station)
    found[there] = np.where(distance_m <= snap_m, station, -1)
    return found


def _downstream(stationing: Stationing) -> npt.NDArray[np.int32]:
    return stationing.stations["downstream"].to_numpy().astype(np.int32)


class AlteredFlows(NamedTuple):
    """Flows after abstractions and transfers, see `Flows`.

    ``natural`` is the estimate before them.
    """

    natural: FlowEstimate
    estimate: FlowEstimate
    bins_m3s: npt.NDArray[np.float64]
    repairs: pd.DataFrame


def apply_abstractions(
    settings: Settings,
    inputs: RunInputs,
    stationing: Stationing,
    catchments: pd.DataFrame,
    estimate: FlowEstimate,
    year: YearBins | None,
) -> AlteredFlows:
    """Flows less abstractions, with wider intervals in karst.

    Parameters
    ----------
    settings, inputs, stationing, catchments
        Results of the stages of those names.
    estimate : FlowEstimate
        Natural flows.
    year : YearBins or None
        The same by month.

    Returns
    -------
    AlteredFlows
    """
    if "karst" in inputs.layers and settings.flags.karst_log_sd > 0:
        losing = carried_flags(settings, inputs, stationing, catchments, "karst")[1]
        estimate = widened(estimate, losing, settings.flags.karst_log_sd)
    bins_m3s, before = estimate.curve_m3s if year is None else year.flow_m3s, estimate
    repairs = pd.DataFrame(columns=REPAIR_COLUMNS, dtype="str")
    if ABSTRACTIONS in inputs.layers:
        frame = inputs.layers[ABSTRACTIONS].frame
        station, repairs = _place_abstractions(settings, frame, stationing)
        altered = with_alterations(
            estimate,
            alterations_of(frame, ABSTRACTIONS),
            station,
            stationing.stations["downstream"].to_numpy().astype(np.int32),
            settings.flags.altered_percent,
            year,
        )
        estimate, bins_m3s = altered.estimate, altered.bins_m3s
    return AlteredFlows(before, estimate, bins_m3s, repairs)


# Station at whose segment each right takes or brings water. What is far from all streams is left out, with a row
# of the repairs.
def _place_abstractions(
    settings: Settings, frame: geopandas.GeoDataFrame, stationing: Stationing
) -> tuple[npt.NDArray[np.int64], pd.DataFrame]:
    snap_m = settings.stretches.structure_snap_m
    found, _ = place_rights(frame.geometry.to_numpy(), stationing.segments, snap_m)
    far = [
        (ABSTRACTIONS, name, f"abstraction or transfer: no stream within {snap_m:g} m", NOT_USED)
        for name in frame["feature_id"][found < 0]
    ]
    return found, pd.DataFrame(far, columns=REPAIR_COLUMNS, dtype="str")


def list_gauge_doubts(gauges: pd.DataFrame | None, table: GaugeTable | None) -> pd.DataFrame:
    """Implausible gauges, and those that the settings leave out, as rows of the repairs.

    Parameters
    ----------
    gauges : DataFrame or None
        See `sitefinder.io.gauges.read_gauges`.
    table : sitefinder.settings.GaugeTable or None

    Returns
    -------
    DataFrame
    """
    entries: list[RepairRow] = []
    for suspect in suspects_of(gauges, table):
        problem = f"{IMPLAUSIBLE}{suspect['found']}; expected {suspect['expected']}"
        entries.append((GAUGES, suspect["gauge"], problem, f"used as it is; {suspect['fix']}"))
    for gauge in () if table is None else table.leave_out:
        entries.append((GAUGES, gauge, "left out by flows.gauges.leave_out", NOT_USED))
    return pd.DataFrame(entries, columns=REPAIR_COLUMNS, dtype="str")


def suspects_of(gauges: pd.DataFrame | None, table: GaugeTable | None) -> list[dict[str, str]]:
    """Implausible gauges, see `sitefinder.hydrology.plausibility.suspect_gauges`.

    Returns
    -------
    list of dict of str to str
        ``gauge``, ``found``, ``expected`` and ``fix``; empty without gauges.
    """
    if gauges is None or table is None:
        return []
    found = suspect_gauges(gauges, table.predictors, table.forms)
    return [dict(zip(SUSPECT_COLUMNS, row, strict=True)) for row in found.itertuples(index=False, name=None)]


def list_record_doubts(gauges: pd.DataFrame | None) -> pd.DataFrame:
    """What daily records are short of, and how they were counted, as rows of the repairs."""
    entries: list[RepairRow] = []
    if gauges is not None and "days_estimated" in gauges:
        first, last = gauges["first_year"].iloc[0], gauges["last_year"].iloc[0]
        days = {name: int(gauges[f"days_{name}"].sum()) for name in ("used", "missing", "estimated", "ice")}
        counts = f"{days['estimated']} estimated, {days['ice']} under ice, {days['missing']} without a flow"
        entries.append((GAUGES, "", f"daily records of {first}–{last}: {counts}", f"{days['used']} days used"))
        for gauge, row in gauges[gauges["note"] != ""].iterrows():
            used = "extended" if row["extended_from"] else "kept, though short"
            action = "left out" if np.isnan(row["flow_mean_m3s"]) else used
            entries.append((GAUGES, str(gauge), f"record: {row['note']}", action))
    return pd.DataFrame(entries, columns=REPAIR_COLUMNS, dtype="str")


class StationShapes(NamedTuple):
    """Channel shapes of all stations, and what measured sections changed."""

    shapes: ChannelShapes
    repairs: pd.DataFrame


def find_channel_shapes(
    settings: Settings, inputs: RunInputs, stationing: Stationing, flows: Flows, water_slopes: WaterSlopes
) -> StationShapes:
    """Width and depth of each station by flow; a section holds within ``channel.section_reach_m`` on its link."""
    entries: list[RepairRow] = []
    sections = []
    snap_m = settings.stretches.structure_snap_m
    for row in () if inputs.sections is None else inputs.sections.itertuples():
        text = f"section measured: {row.width_m:g} m wide, {row.depth_m:g} m deep at {row.flow_m3s:g} m³/s"
        near = stations_along(row.geometry, stationing, snap_m, settings.channel.section_reach_m)
        if near is None:
            entries.append(("sections", row.section_id, f"{text}; no stream within {snap_m:g} m", NOT_USED))
            continue
        sections.append(MeasuredSection(*near, row.flow_m3s, row.width_m, row.depth_m))
        used = f"used at {len(near[0])} stations in place of slope or hydraulic geometry"
        entries.append(("sections", row.section_id, text, used))
    shapes = channel_shapes(
        flows.estimate.mean_m3s, settings.tailwater, settings.channel, sections, water_slopes.slope
    )
    return StationShapes(shapes, pd.DataFrame(entries, columns=REPAIR_COLUMNS, dtype="str"))
