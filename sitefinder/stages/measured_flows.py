"""Measured flow in a run: daily records, gauges near stations, spot gaugings, and what each changed."""

import numpy as np
import pandas as pd

from sitefinder.errors import InputError, listed
from sitefinder.flows.duration import exceedance_at
from sitefinder.flows.estimate import with_flags
from sitefinder.flows.near_gauges import gauge_flows, with_near_gauges
from sitefinder.flows.records import pooled_year_to_year
from sitefinder.flows.spot_gaugings import SpotGaugings, with_spot_gaugings
from sitefinder.streams.lines import REPAIR_COLUMNS
from sitefinder.streams.stations import nearest_segments

GAUGES, GAUGINGS = "gauges", "spot_gaugings"
NOT_USED = "not used"


def refuse_unknown_gauges(gaugings, gauges):
    """Refuse spot gaugings whose gauge has no flows to hold its reading against.

    Parameters
    ----------
    gaugings : DataFrame
        Column ``gauge_id``.
    gauges : DataFrame
        See `sitefinder.io.gauge_places.measured_gauges`.

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


def year_to_year_of(gauges):
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


def flag_extended(estimate, quantiles_percent, wanted_percent):
    """An estimate flagged where the run wants flows beyond the outermost quantiles that were regressed.

    Parameters
    ----------
    estimate : FlowEstimate
    quantiles_percent : list of float
        Exceedance of the regressed quantiles [%].
    wanted_percent : list of float
        What the run reads off the curves [%]: the low flow, design flows, the reserve.

    Returns
    -------
    FlowEstimate
        All stations with a flow are flagged ``curve_extended`` if any of it lies beyond.
    """
    least, most = min(quantiles_percent), max(quantiles_percent)
    beyond = sorted({percent for percent in wanted_percent if not least <= percent <= most})
    if not beyond:
        return estimate
    told = (
        f"flows exceeded {listed([f'{each:g}' for each in beyond])} % of the time are read off the curves' tails"
    )
    return with_flags(
        estimate._replace(notes=[*estimate.notes, told]), "curve_extended", ~np.isnan(estimate.mean_m3s)
    )


def use_measured_flows(settings, inputs, placed, catchments, estimate):
    """An estimate joined with near gauges and spot gaugings, and what they changed.

    Parameters
    ----------
    settings, inputs, placed, catchments
        Results of the stages of those names.
    estimate : FlowEstimate

    Returns
    -------
    estimate : FlowEstimate
    told : DataFrame
        Rows of the repairs.
    """
    told = []
    if inputs.measured_gauges is not None and settings.flows.near_gauges is not None:
        estimate = _join_gauges(settings, inputs, placed, catchments, estimate, told)
    if inputs.spot_gaugings is not None:
        estimate = _join_gaugings(settings, inputs, placed, catchments, estimate, told)
    return estimate, pd.DataFrame(told, columns=REPAIR_COLUMNS, dtype="str")


def list_record_doubts(gauges):
    """What daily records are short of, and how they were counted, as rows of the repairs."""
    told = []
    if gauges is not None and "days_estimated" in gauges:
        first, last = gauges["first_year"].iloc[0], gauges["last_year"].iloc[0]
        days = {name: int(gauges[f"days_{name}"].sum()) for name in ("used", "missing", "estimated", "ice")}
        counts = f"{days['estimated']} estimated, {days['ice']} under ice, {days['missing']} without a flow"
        told.append((GAUGES, "", f"daily records of {first}–{last}: {counts}", f"{days['used']} days used"))
        for gauge, row in gauges[gauges["note"] != ""].iterrows():
            used = "extended" if row["extended_from"] else "kept, though short"
            action = "left out" if np.isnan(row["flow_mean_m3s"]) else used
            told.append((GAUGES, gauge, f"record: {row['note']}", action))
    return pd.DataFrame(told, columns=REPAIR_COLUMNS, dtype="str")


def _join_gauges(settings, inputs, placed, catchments, estimate, told):
    asked, table = settings.flows.near_gauges, _with_spread(inputs.measured_gauges, settings)
    flows = gauge_flows(table, asked.gauge_log_sd)
    known = table.index.isin(flows.gauge)
    stations = _stations_of(table.geometry.to_numpy()[known], placed, asked.snap_m)
    stated = (
        table["area_km2"].to_numpy(dtype=float)[known] if "area_km2" in table else np.full(known.sum(), np.nan)
    )
    area_km2 = catchments["area_km2"].to_numpy()
    off = stated / np.where(stations >= 0, area_km2[stations], np.nan)
    # A gauge whose area is not stated cannot be doubted by it.
    unlike = np.maximum(off, 1 / off) > asked.most_area_difference
    for gauges, why in (
        (table.index[~known], "without a mean flow above 0 and two quantiles"),
        (table.index[known][stations < 0], f"no stream within {asked.snap_m:g} m"),
    ):
        if len(gauges):
            told.append((GAUGES, listed(gauges), f"{len(gauges)} gauges: {why}", NOT_USED))
    for row in np.flatnonzero(unlike):
        areas = f"{stated[row]:.4g} km² as stated, {area_km2[stations[row]]:.4g} km² on its stream"
        told.append((GAUGES, flows.gauge[row], f"gauge: {areas}; it may belong to another", NOT_USED))
    used = (stations >= 0) & ~unlike
    flows = flows._replace(
        gauge=[gauge for gauge, is_used in zip(flows.gauge, used, strict=True) if is_used],
        **{name: getattr(flows, name)[used] for name in ("mean_m3s", "curve_m3s", "log_sd")},
    )
    stations = stations[used]
    joined = with_near_gauges(estimate, flows, stations, _downstream(placed), area_km2, asked)
    for gauge, station, mean_m3s in zip(flows.gauge, stations.tolist(), flows.mean_m3s.tolist(), strict=True):
        named = sum(f"gauge {gauge} " in source for source in joined.source)
        said = _said(estimate, station)
        told.append((GAUGES, gauge, f"mean flow {mean_m3s:.3g} m³/s; {said}", f"carried to {named} stations"))
    return joined


def _join_gaugings(settings, inputs, placed, catchments, estimate, told):
    asked, frame = settings.flows.spot_gaugings, inputs.spot_gaugings
    flows = gauge_flows(inputs.measured_gauges, 0.0)
    curves = dict(zip(flows.gauge, flows.curve_m3s, strict=True))
    stations = _stations_of(frame.geometry.to_numpy(), placed, asked.snap_m)
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
    downstream, area_km2 = _downstream(placed), catchments["area_km2"].to_numpy()
    joined, changes = with_spot_gaugings(estimate, gaugings, downstream, area_km2, asked)
    changes = dict(zip(gaugings.name, changes, strict=True))
    for row, station, share in zip(frame.itertuples(), stations.tolist(), exceedance, strict=True):
        text = f"{row.flow_m3s:.3g} m³/s gauged with an error of {row.error_percent:g} %, {row.date}"
        if station < 0:
            told.append((GAUGINGS, row.gauging_id, f"{text}; no stream within {asked.snap_m:g} m", NOT_USED))
            continue
        reading = (
            f"gauge {row.gauge_id} at {row.gauge_flow_m3s:.3g} m³/s, exceeded {100 * share:.1f} % of the time"
        )
        change = changes[row.gauging_id]
        action = NOT_USED if np.isnan(change) else f"mean flow there changed by {100 * (change - 1):+.1f} %"
        told.append((GAUGINGS, row.gauging_id, f"{text}; {reading}; {_said(estimate, station)}", action))
    return joined


# Gauges whose own spread of years is not known take that of the settings, where those say one.
def _with_spread(table, settings):
    stated = settings.uncertainty.year_to_year_sd
    own = table.get("year_to_year_log_sd", pd.Series(np.nan, index=table.index))
    return table.assign(year_to_year_log_sd=own.fillna(np.nan if stated is None else stated))


# What the estimate says of a station's mean flow.
def _said(estimate, station):
    mean, low, high = (
        part[station] for part in (estimate.mean_m3s, estimate.mean_low_m3s, estimate.mean_high_m3s)
    )
    return f"the estimate said {mean:.3g} m³/s ({low:.3g} to {high:.3g})"


# Station nearest along the segment that is nearest to each point; -1 where there is no point or none within reach.
def _stations_of(points, placed, snap_m):
    found = np.full(len(points), -1, dtype=np.int64)
    there = np.array([point is not None for point in points], dtype=bool)
    station, distance_m, share_above = nearest_segments(points[there], placed.segments)
    # A segment ends at its station and starts at the one before it in its link.
    station = np.where(share_above < 0.5, station - 1, station)
    found[there] = np.where(distance_m <= snap_m, station, -1)
    return found


def _downstream(placed):
    return placed.stations["downstream"].to_numpy().astype(np.int32)
