"""Gauges with their flows and places, brought together from the gauge table and a layer of points."""

import geopandas
import numpy as np
import pandas as pd
import shapely

from sitefinder.errors import ConfigError, InputError, all_of, listed
from sitefinder.flows.fitting import statistic_of
from sitefinder.io.flow_files import flow_numbers, order_problems
from sitefinder.io.layer_crs import crs_of_layer, moved

# What a layer of gauges may hold besides flows.
LAYER_COLUMNS = ("area_km2", "record_years")
STATIONS = "gauge_stations"


def measured_gauges(settings, gauges, layer):
    """Gauges whose flows are known, with their places where those are.

    Parameters
    ----------
    settings : sitefinder.config.Settings
    gauges : DataFrame or None
        The gauge table, see `sitefinder.io.flow_files.read_gauges`.
    layer : GeoDataFrame or None
        Points of ``inputs.gauge_stations``, with ``feature_id``.

    Returns
    -------
    GeoDataFrame
        Index: gauge ids. Flow columns as in the gauge table, ``area_km2`` (as stated), ``record_years`` and
        ``year_to_year_log_sd``, NaN where not known; the place is None where it is not. A gauge that stands in
        both has the flows of the table and the place of the layer.

    Raises
    ------
    ConfigError
        If near gauges are asked for and no gauge has a place.
    InputError
        If the layer's flows are no numbers or negative, low flows stand above high ones, or a gauge stands twice.
    """
    crs = settings.run.crs
    tables = []
    if gauges is not None:
        of_table = settings.flows.gauges
        known = [name for name in gauges if statistic_of(name) or name in (*LAYER_COLUMNS, "year_to_year_log_sd")]
        table = gauges[known].copy()
        table.index = table.index.astype(str)
        if of_table.record_years_column:
            table["record_years"] = gauges[of_table.record_years_column].to_numpy()
        table["geometry"] = _points_of_table(gauges, of_table, crs)
        tables.append(table)
    if layer is not None:
        points = _flows_of_layer(layer, settings.inputs.gauge_stations)
        if tables:
            placed = points.index.intersection(tables[0].index)
            tables[0].loc[placed, "geometry"] = points.loc[placed, "geometry"]
            points = points.drop(index=placed)
        tables.append(points)
    if settings.flows.near_gauges is not None and not any(table["geometry"].notna().any() for table in tables):
        raise ConfigError.of(
            "flows.near_gauges asks for gauges with places, and there are none",
            expected="flows.gauges.x_column, y_column and crs, or a layer inputs.gauge_stations",
            found="neither" if layer is None else "points whose ids are not those of gauges",
            fix="name one of the two, or leave out the table flows.near_gauges",
        )
    if not tables:
        return geopandas.GeoDataFrame({"geometry": []}, geometry="geometry", crs=crs)
    joined = pd.concat(tables)
    return geopandas.GeoDataFrame(joined, geometry="geometry", crs=crs).rename_axis("gauge_id")


# Points of the gauges in the run's system; None where the table does not say.
def _points_of_table(gauges, table, crs):
    points = np.full(len(gauges), None, dtype=object)
    if table.x_column is None:
        return points
    x, y = (gauges[name].to_numpy(dtype=np.float64) for name in (table.x_column, table.y_column))
    known = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    if len(known):
        own = crs_of_layer(None, table.crs, "gauges", table.path)
        ids = gauges.index.to_numpy().astype(str)[known]
        points[known] = moved(shapely.points(x[known], y[known]), own, crs, ids, "gauges", table.path)[0]
    return points


# The layer's flows and places by gauge; columns of flow that it does not have are left out.
def _flows_of_layer(layer, source):
    columns = [name for name in layer.columns if statistic_of(str(name)) or name in LAYER_COLUMNS]
    text = pd.DataFrame({name: _as_text(layer[name]) for name in columns}, index=layer.index)
    numbers, problems = flow_numbers(text, columns)
    problems += order_problems(numbers, [name for name in columns if statistic_of(str(name))])
    ids = layer["feature_id"].astype(str).to_numpy()
    twice = pd.Series(ids).duplicated(keep=False).to_numpy()
    if twice.any():
        problems.append(f"gauges that stand more than once: {listed(dict.fromkeys(ids[twice]))}")
    if problems:
        raise all_of(InputError, f"{source.path} (inputs.{STATIONS})", problems)
    numbers.index = pd.Index(ids)
    numbers["geometry"] = layer.geometry.to_numpy()
    return numbers


def _as_text(values):
    values = pd.Series(values, dtype=object)
    return values.where(values.notna(), "").astype(str)
