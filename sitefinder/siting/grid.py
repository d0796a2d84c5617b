"""Where a plant connects to the grid: the nearest line or substation of a fitting voltage, and what is free."""

import re
from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.errors import InputError, listed
from sitefinder.siting.stated_columns import (
    problems_of_differing,
    raise_together,
    rows_of_layer,
    validate_columns,
    word_of,
)
from sitefinder.units import KILOWATTS_PER_MEGAWATT, VOLTS_PER_KILOVOLT

# Voltages between which a line or a substation may be: the highest in service is 1,100 kV (common practice, no
# source), and below this is no grid.
MIN_KV, MAX_KV = 0.1, 1200.0
# Free capacity above which a unit must be wrong: no power station is larger (own choice) [kW].
MAX_FREE_KW = 3.0e7
KW_PER_UNIT = {"kW": 1.0, "MW": KILOWATTS_PER_MEGAWATT, "kVA": 1.0, "MVA": KILOWATTS_PER_MEGAWATT}
# Units of apparent power, of which the power factor makes power.
APPARENT = ("kVA", "MVA")
# Several voltages of one substation or line, as layers write them.
SEPARATED = re.compile(r"[;,/|]")
VOLTAGES, FREE_KW = "voltages_kv", "free_kw"
# Columns of `connections`.
COLUMNS = ("line_distance_m", "connection_kv", "substation_id", "substation_distance_m", "substation_free_kw")


def voltages_of(cell):
    """Voltages that a cell states, in its own unit.

    Parameters
    ----------
    cell : object
        A number, or a text such as ``110/20`` or ``110000;20000``.

    Returns
    -------
    list of float or None
        Empty where nothing is stated; None for what is no voltage.

    Examples
    --------
    >>> voltages_of(20), voltages_of("110/20"), voltages_of(None), voltages_of("high")
    ([20.0], [110.0, 20.0], [], None)
    """
    text = word_of(cell)
    if text == "":
        return []
    try:
        return [float(part.strip().removesuffix("kv").removesuffix("v")) for part in SEPARATED.split(text)]
    except ValueError:
        return None


def power_lines_of(frame, source):
    """Power lines with their voltages, if a column states them.

    Parameters
    ----------
    frame : GeoDataFrame
        The layer as read.
    source : sitefinder.settings.PowerLineSource

    Returns
    -------
    frame : GeoDataFrame
        With ``voltages_kv`` [kV], such as ``20`` or ``110;20``, empty where none is stated; as given without a
        column of voltages.
    notes : list of (str, str)

    Raises
    ------
    InputError
        If the column is not there, or holds what is no voltage.
    """
    if source.voltage_column is None:
        return frame, []
    validate_columns(frame, source.path, "power_lines", {"voltage_column": source.voltage_column})
    problems = []
    texts = _voltages(frame, source, "power lines", problems)
    raise_together("power_lines", problems)
    return frame.assign(**{VOLTAGES: texts}), _unknown_voltages(texts, "power lines")


def substations_of(frame, source):
    """Substations with their free capacity and voltages.

    Parameters
    ----------
    frame : GeoDataFrame
        The layer as read.
    source : sitefinder.settings.SubstationSource

    Returns
    -------
    frame : GeoDataFrame
        ``feature_id``, ``feature_name``, ``free_kw`` [kW], NaN where none is stated, ``voltages_kv`` and the
        geometry.
    notes : list of (str, str)

    Raises
    ------
    InputError
        If a column is not there, a capacity or voltage is none, or features of one id differ.
    """
    asked = {setting: getattr(source, setting) for setting in ("capacity_column", "voltage_column")}
    validate_columns(frame, source.path, "substations", asked)
    own, problems = rows_of_layer(frame), []
    own[FREE_KW] = _free_kw(frame, source, problems)
    own[VOLTAGES] = _voltages(frame, source, "substations", problems)
    asked = {FREE_KW: "capacity_column", VOLTAGES: "voltage_column"}
    problems += problems_of_differing(own, source, asked, ("substation", "substations"))
    raise_together("substations", problems)
    notes = _unknown_voltages(own[VOLTAGES], "substations") if source.voltage_column else []
    unknown = int(own[FREE_KW].isna().sum())
    if source.capacity_column and unknown:
        notes.append((f"no free capacity: {unknown} of {len(own)} substations", "taken as not known, no limit"))
    return own.set_geometry(frame.geometry.to_numpy(), crs=frame.crs), notes


# Voltages [kV] as text, with a semicolon between several; empty where none is stated.
def _voltages(frame, source, what, problems):
    if source.voltage_column is None:
        return pd.Series("", index=frame.index)
    cells, factor = frame[source.voltage_column], VOLTS_PER_KILOVOLT if source.voltage_unit == "V" else 1.0
    read = [voltages_of(cell) for cell in cells]
    kv = [None if each is None else [one / factor for one in each] for each in read]
    odd = np.array([each is None or any(not MIN_KV <= one <= MAX_KV for one in each) for each in kv], dtype=bool)
    if odd.any():
        problems.append(
            InputError.of(
                f"{what} have voltages that are none",
                file=f"{source.path}, column {source.voltage_column}",
                features=listed(dict.fromkeys(frame["feature_id"][odd])),
                expected=f"{MIN_KV:g} to {MAX_KV:g} kV, several with a semicolon between, or nothing",
                found=listed(dict.fromkeys(repr(cell) for cell in cells[odd].tolist())),
                fix=f"correct voltage_unit, which is {source.voltage_unit}, or the column",
            )
        )
    texts = [";".join(f"{one:g}" for one in each or []) for each in kv]
    return pd.Series(texts, index=frame.index)


def _unknown_voltages(texts, what):
    unknown = int((texts == "").sum())
    return [(f"no voltage: {unknown} of {len(texts)} {what}", "taken to fit any plant")] if unknown else []


# Free capacity as power [kW], NaN where none is stated.
def _free_kw(frame, source, problems):
    if source.capacity_column is None:
        return np.full(len(frame), np.nan)
    cells = frame[source.capacity_column]
    is_empty = np.array([word_of(cell) == "" for cell in cells], dtype=bool)
    number = pd.to_numeric(cells, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
    factor = KW_PER_UNIT[source.capacity_unit]
    kw = number * factor * (source.power_factor if source.capacity_unit in APPARENT else 1.0)
    odd = ~is_empty & ~((kw >= 0) & (kw <= MAX_FREE_KW))
    if odd.any():
        problems.append(
            InputError.of(
                "substations have a free capacity that is none",
                file=f"{source.path}, column {source.capacity_column}",
                features=listed(dict.fromkeys(frame["feature_id"][odd])),
                expected=f"numbers from 0 to {MAX_FREE_KW / factor:g} {source.capacity_unit}, or nothing; 0 where "
                "nothing is free",
                found=listed(dict.fromkeys(repr(cell) for cell in cells[odd].tolist())),
                fix=f"correct capacity_unit, which is {source.capacity_unit}, or the column",
            )
        )
    return np.where(is_empty, np.nan, kw)


class Grid(NamedTuple):
    """Lines and substations, a row for each with each of its voltages.

    ``shapes`` are their geometries, ``kv`` the voltages (NaN: not known), ``is_substation`` bool, ``ids`` and
    ``free_kw`` of substations ("" and NaN of lines).
    """

    shapes: np.ndarray
    kv: np.ndarray
    is_substation: np.ndarray
    ids: np.ndarray
    free_kw: np.ndarray


def grid_of(power_lines, substations):
    """The grid as one table.

    Parameters
    ----------
    power_lines, substations : GeoDataFrame or None
        Of `power_lines_of` and `substations_of`.

    Returns
    -------
    Grid
    """
    parts = []
    for frame, is_substation in ((power_lines, False), (substations, True)):
        if frame is None or frame.empty:
            continue
        texts = frame[VOLTAGES] if VOLTAGES in frame else pd.Series("", index=frame.index)
        split = [text.split(";") for text in texts]
        row = np.repeat(np.arange(len(frame)), [len(each) for each in split])
        kv = [float(one) if one else np.nan for each in split for one in each]
        ids = frame["feature_id"].to_numpy(dtype=object)[row] if is_substation else np.full(len(row), "", object)
        free_kw = frame[FREE_KW].to_numpy(np.float64)[row] if is_substation else np.full(len(row), np.nan)
        shapes = frame.geometry.to_numpy()[row]
        parts.append((shapes, np.array(kv), np.full(len(row), is_substation), ids, free_kw))
    return Grid(*(np.concatenate(each) for each in zip(*parts, strict=True)))


def band_of(power_kw, bands):
    """The connection of the settings that a plant of some power takes.

    Parameters
    ----------
    power_kw : array_like of float, shape (n,)
        [kW].
    bands : sequence of sitefinder.settings.GridConnection
        With rising powers.

    Returns
    -------
    ndarray of int, shape (n,)
        Number of the first whose power is not smaller; the last one for what is above all of them, and for NaN.
    """
    limits = [np.inf if band.up_to_kw is None else band.up_to_kw for band in bands]
    return np.minimum(np.searchsorted(limits, np.asarray(power_kw, dtype=np.float64)), len(bands) - 1)


def fits(kv, power_kw, bands):
    """Whether plants of some power may connect at a voltage; where it is not known they may.

    Parameters
    ----------
    kv, power_kw : array_like of float, shape (n,)
        [kV], [kW].
    bands : sequence of sitefinder.settings.GridConnection

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    band = band_of(power_kw, bands)
    low, high = (np.array([getattr(each, end) for each in bands])[band] for end in ("min_kv", "max_kv"))
    kv = np.asarray(kv, dtype=np.float64)
    return np.isnan(kv) | ((kv >= low) & (kv <= high))


def connections(x_m, y_m, power_kw, grid, bands):
    """The nearest line or substation of a fitting voltage, and the nearest such substation.

    Parameters
    ----------
    x_m, y_m : ndarray of float64, shape (n,)
        Places of plants [m].
    power_kw : ndarray of float64, shape (n,)
        Power by which the voltage is chosen [kW].
    grid : Grid
    bands : sequence of sitefinder.settings.GridConnection

    Returns
    -------
    DataFrame
        `COLUMNS`: ``line_distance_m`` to what it connects to in a straight line [m] and its voltage
        ``connection_kv`` (NaN: not known); id, distance and free capacity [kW] of the nearest fitting substation
        ("", NaN where there is none).

    Notes
    -----
    Where nothing has a fitting voltage, the nearest of any voltage is taken. A plant that connects to a line takes
    the free capacity of the substation that is nearest to the plant: which one feeds the line is not known.
    """
    count = len(x_m)
    table = pd.DataFrame({name: np.full(count, np.nan) for name in COLUMNS})
    table["substation_id"] = np.full(count, "", dtype=object)
    points, band = shapely.points(x_m, y_m), band_of(power_kw, bands)
    for number in np.unique(band):
        own = np.flatnonzero(band == number)
        is_fitting = fits(grid.kv, np.full(len(grid.kv), _power_in(bands, number)), bands)
        for name, rows in (("connection", is_fitting), ("substation", is_fitting & grid.is_substation)):
            among = np.flatnonzero(rows)
            if not len(among) and name == "connection":
                among = np.arange(len(grid.kv))
            if not len(among):
                continue
            tree = shapely.STRtree(grid.shapes[among])
            (_, near), distance_m = tree.query_nearest(points[own], return_distance=True, all_matches=False)
            at = among[near]
            if name == "connection":
                table.loc[own, "line_distance_m"], table.loc[own, "connection_kv"] = distance_m, grid.kv[at]
            else:
                table.loc[own, "substation_distance_m"] = distance_m
                table.loc[own, "substation_free_kw"] = grid.free_kw[at]
                table.loc[own, "substation_id"] = grid.ids[at]
    return table


# A power that takes the connection of this number.
def _power_in(bands, number):
    limit = bands[number].up_to_kw
    return np.inf if limit is None else limit


def left_at_substations(substation_id, free_kw, power_kw):
    """Free capacity that is left at substations after plants, one after the other.

    Parameters
    ----------
    substation_id : array_like of str, shape (n,)
        Of each plant, in the order in which they connect; "" for none.
    free_kw, power_kw : array_like of float, shape (n,)
        Free capacity of that substation and power of the plant [kW].

    Returns
    -------
    ndarray of float64, shape (n,)
        After this plant and those before it at the same substation [kW], below zero where they exceed it; NaN
        without a substation or a known capacity.

    Examples
    --------
    >>> free_kw, power_kw = [300.0, np.nan, 300.0, np.nan], [200.0, 50.0, 150.0, 10.0]
    >>> left_at_substations(["S", "T", "S", ""], free_kw, power_kw).tolist()
    [100.0, nan, -50.0, nan]
    """
    taken = (
        pd.Series(np.asarray(power_kw, dtype=np.float64)).groupby(np.asarray(substation_id, dtype=object)).cumsum()
    )
    left = np.asarray(free_kw, dtype=np.float64) - taken.to_numpy()
    return np.where(np.asarray(substation_id, dtype=object) == "", np.nan, left)
