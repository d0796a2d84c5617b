"""The stage that tells the DEM's error at each station, from one figure or from the footprints of its surveys."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.errors import InputError, all_of, listed
from sitefinder.schema.vocabulary import SURFACE_MODEL
from sitefinder.stages.choice import in_region
from sitefinder.stages.layer_columns import no_such_column, numbers_of
from sitefinder.streams.dem_errors import OUTSIDE, TO_RMSE, footprints_at
from sitefinder.streams.least_head import least_heads
from sitefinder.streams.lines import REPAIR_COLUMNS

SURFACE = "surface model: heights are those of trees, roofs and bridges"
FLAGGED = f"kept; reaches and sites are flagged {SURFACE_MODEL.name}"
KINDS = ("terrain", "surface")
# Lengths of stretches for which the least resolvable head is told [m] (own choice).
LEAST_HEAD_LENGTHS_M = (100.0, 250.0, 500.0, 1000.0, 1500.0)
# A date as pandas reads it, in whole days.
DAY = "datetime64[D]"


class DemErrors(NamedTuple):
    """Error of the DEM at each station, all of shape (n,), and what is told of it.

    ``rmse_m`` and ``correlation_length_m`` are float64 [m]. ``is_surface`` is True where the DEM shows trees and
    roofs, ``across`` where two surveys of different date, error or kind meet along a station's segment.
    """

    rmse_m: np.ndarray
    correlation_length_m: np.ndarray
    is_surface: np.ndarray
    across: np.ndarray
    repairs: pd.DataFrame


def find_dem_errors(settings, inputs, placed):
    """Error of the DEM at each station.

    Where footprints overlap, the latest survey holds, of equal dates the most exact, then the first in the layer.
    A station in none of them takes the error that ``inputs.dem`` states.

    Returns
    -------
    DemErrors
    """
    stations, usual = placed.stations, inputs.dem_error
    count = len(stations)
    columns = [np.full(count, value) for value in (usual.rmse_m, usual.correlation_length_m, usual.is_surface)]
    survey = np.full(count, OUTSIDE)
    told = [("dem", "", SURFACE, FLAGGED)] if usual.is_surface else []
    if "dem_footprints" in inputs.layers:
        frame = inputs.layers["dem_footprints"].frame
        table = footprint_table(settings.inputs.dem_footprints, frame)
        x_m, y_m = stations["x_m"].to_numpy(), stations["y_m"].to_numpy()
        polygons = frame.geometry.to_numpy()
        footprint, over = footprints_at(x_m, y_m, polygons, table["day"].to_numpy(), table["rmse_m"].to_numpy())
        inside = footprint >= 0
        table["correlation_length_m"] = table["correlation_length_m"].fillna(usual.correlation_length_m)
        for column, name in zip(columns, ("rmse_m", "correlation_length_m", "is_surface"), strict=True):
            column[inside] = table[name].to_numpy()[footprint[inside]]
        # Surveys of one date, error and kind are one; a border between two of its polygons is none.
        survey[inside] = table.groupby(table.columns.tolist(), sort=False).ngroup().to_numpy()[footprint[inside]]
        told = _told(frame, table, footprint, over, usual)
    across = np.zeros(count, dtype=bool)
    end = placed.segments["station"].to_numpy()
    across[end] = survey[end] != survey[end - 1]
    repairs = pd.DataFrame(told, columns=REPAIR_COLUMNS, dtype="str")
    return DemErrors(*columns, across, repairs)


def footprint_table(source, frame):
    """Footprints as arrays.

    Parameters
    ----------
    source : sitefinder.config.DemFootprintSource
    frame : GeoDataFrame
        The layer as read.

    Returns
    -------
    DataFrame
        A row a polygon: ``rmse_m`` (float64) [m], ``correlation_length_m`` (float64, NaN where none is stated)
        [m], ``is_surface`` (bool), ``day`` (int64, days from 1970); a year or month counts as its first day.

    Raises
    ------
    InputError
        Listing each column that is missing, and each feature whose error, date, kind or correlation length is
        none.
    """
    problems = []
    named = {key: getattr(source, key) for key in ("error_column", "date_column", "kind_column")}
    if source.correlation_column is not None:
        named["correlation_column"] = source.correlation_column
    for key, column in named.items():
        if column not in frame:
            problems.append(
                no_such_column("dem_footprints", source, frame, f"inputs.dem_footprints.{key}", column)
            )
    found = {key: frame[column] for key, column in named.items() if column in frame}

    def column(key, values, wrong, expected):
        if wrong.any():
            problems.append(_unfit(source, frame, found[key], wrong, expected))
        return values

    table = {}
    if "error_column" in found:
        error_m = numbers_of(found["error_column"])
        table["rmse_m"] = column(
            "error_column",
            np.asarray(TO_RMSE[source.error_measure](error_m)),
            ~(np.isfinite(error_m) & (error_m > 0)),
            "an error above 0 [m]",
        )
    table["correlation_length_m"] = np.full(len(frame), np.nan)
    if "correlation_column" in found:
        given, length_m = found["correlation_column"].notna().to_numpy(), numbers_of(found["correlation_column"])
        wrong = given & ~(np.isfinite(length_m) & (length_m >= 0))
        table["correlation_length_m"] = column(
            "correlation_column", length_m, wrong, "a length of 0 or more [m], or nothing"
        )
    if "kind_column" in found:
        kind = found["kind_column"].astype(str).str.strip().str.lower()
        table["is_surface"] = column(
            "kind_column", (kind == "surface").to_numpy(), ~kind.isin(KINDS).to_numpy(), " or ".join(KINDS)
        )
    if "date_column" in found:
        date = _dates(found["date_column"])
        table["day"] = column(
            "date_column",
            date.to_numpy().astype(DAY).astype(np.int64),
            date.isna().to_numpy(),
            "a year, month or day such as 2019, 2019-04 or 2019-04-30",
        )
    if len(problems) == 1:
        raise problems[0]
    if problems:
        raise all_of(InputError, "the dem_footprints layer", [str(problem) for problem in problems])
    return pd.DataFrame(table)


def find_least_heads(settings, inputs, placed, fitted, waters):
    """The least head that the DEM resolves, by length of stretch, between stations of the region.

    Standing water is left out: its level is known better, and no head is taken there.

    Returns
    -------
    DataFrame
        See `sitefinder.streams.least_head.least_heads`.
    """
    stations = placed.stations
    return least_heads(
        fitted.errors_m,
        stations["downstream"].to_numpy().astype(np.int32),
        stations["to_downstream_m"].to_numpy(),
        [length_m for length_m in LEAST_HEAD_LENGTHS_M if length_m <= settings.stretches.longest_m],
        settings.heads.resolved_standard_errors,
        in_region(stations, inputs) & ~waters.standing,
    )


def greatest_rmse_m(settings, inputs):
    """The greatest error that is stated anywhere of the DEM [m]."""
    rmse_m = inputs.dem_error.rmse_m
    if "dem_footprints" in inputs.layers:
        table = footprint_table(settings.inputs.dem_footprints, inputs.layers["dem_footprints"].frame)
        rmse_m = max(rmse_m, table["rmse_m"].max())
    return float(rmse_m)


# What the footprints leave open or settle, as rows of the repairs.
def _told(frame, table, footprint, over, usual):
    told, count = [], len(footprint)
    outside = int((footprint < 0).sum())
    if outside:
        takes = f"they take the error of inputs.dem, {usual.rmse_m:.2f} m"
        told.append(("dem_footprints", "", f"stations in no footprint: {outside} of {count}", takes))
        if usual.is_surface:
            told.append(("dem", "", SURFACE, FLAGGED))
    several = int((over > 1).sum())
    if several:
        rule = "the latest survey holds, of equal dates the most exact"
        told.append(("dem_footprints", "", f"stations in several footprints: {several} of {count}", rule))
    used = np.unique(footprint[footprint >= 0])
    surfaces = used[table["is_surface"].to_numpy()[used]]
    names = frame["feature_id"].to_numpy()[surfaces]
    told += [("dem_footprints", name, SURFACE, FLAGGED) for name in dict.fromkeys(names)]
    return told


# Dates as given, or from text or numbers of years; NaT where there is none.
def _dates(column):
    if pd.api.types.is_datetime64_any_dtype(column):
        return column.dt.tz_localize(None)
    if pd.api.types.is_numeric_dtype(column):
        years = column.where((column > 0) & (column % 1 == 0)).astype("Int64")
        column = years.astype("string").str.zfill(4)
    text = column.astype("string").str.strip()
    text = text.where(text.str.fullmatch(r"\d{4}(-\d{2}(-\d{2})?)?").fillna(False).astype(bool))
    return pd.to_datetime(text, format="ISO8601", errors="coerce")


# A column that holds what it cannot hold, with every feature where it does.
def _unfit(source, frame, column, wrong, expected):
    first, names = column[wrong].tolist()[0], dict.fromkeys(frame["feature_id"][wrong])
    told = "nothing" if pd.isna(first) else repr(first)
    return InputError.of(
        f"the dem_footprints layer's column {column.name} holds what it cannot hold",
        file=source.path,
        expected=expected,
        found=f"{told} and such in features {listed(names, shown=len(names))}",
        fix="correct the values, or leave these features out of the layer",
    )
