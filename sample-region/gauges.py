"""Gauges of a wider invented region, whose flows come from a known law with known scatter."""

import numpy as np
import pandas as pd
from scipy.stats import norm

# Exceedance shares of the duration curve, and each one's ratio to the mean flow at 10 km² and 1000 mm.
EXCEEDANCE = np.array([0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95])
RATIO_TO_MEAN = np.array([3.3, 2.25, 1.45, 1.06, 0.81, 0.63, 0.49, 0.37, 0.27, 0.175, 0.125])
STATISTICS = ("flow_mean_m3s", *(f"flow_q{round(100 * p):02d}_m3s" for p in EXCEEDANCE))

# Mean yield at the centre of the data: 20 l/s from each km² at 10 km² and 1000 mm, 63 % of the rain.
CENTRE_YIELD_M3S_PER_KM2 = 0.020
CENTRE_AREA_KM2 = 10.0
CENTRE_PRECIPITATION_MM = 1000.0
# One m³/s on one km², in millimetres a year.
MM_KM2_PER_YEAR_IN_M3S = 31_557.6
# Place of the mean on the axis of exceedance, which says what it is most alike.
MEAN_EXCEEDANCE = 0.25
# Correlation of two statistics falls with their distance on the normal axis over this length.
CORRELATION_LENGTH = 9.0


def flow_law():
    """The law: log10 flow = a + b log10 area + c log10 precipitation + scatter.

    Returns
    -------
    dict
        ``statistics`` (names), lists ``a``, ``b``, ``c``, ``scatter_log10`` (standard deviations) in that order,
        and their ``correlation`` matrix. Flow in m³/s, area in km², precipitation in mm a year.
    """
    # Low flows grow faster with area and with rain than high ones, and scatter more: as in nature.
    exceedance = np.concatenate([[MEAN_EXCEEDANCE], EXCEEDANCE])
    b = np.round(0.97 + 0.09 * (exceedance - 0.05), 4)
    c = np.round(1.35 + 0.6 * (exceedance - 0.05), 4)
    scatter = np.round(0.07 + 0.10 * np.clip((exceedance - 0.3) / 0.65, 0, 1), 4)
    # Of more rain a larger share runs off, yet never more than all of it.
    b[0], c[0], scatter[0] = 0.985, 1.3, 0.07
    ratio = np.concatenate([[1.0], RATIO_TO_MEAN])
    centre = np.log10(ratio * CENTRE_YIELD_M3S_PER_KM2 * CENTRE_AREA_KM2)
    a = np.round(centre - b * np.log10(CENTRE_AREA_KM2) - c * np.log10(CENTRE_PRECIPITATION_MM), 4)
    axis = norm.ppf(exceedance)
    correlation = np.exp(-np.abs(axis[:, None] - axis[None, :]) / CORRELATION_LENGTH)
    return {
        "statistics": list(STATISTICS),
        "a": a.tolist(),
        "b": b.tolist(),
        "c": c.tolist(),
        "scatter_log10": scatter.tolist(),
        "correlation": np.round(correlation, 6).tolist(),
        "form": "log10(flow_m3s) = a + b*log10(area_km2) + c*log10(precipitation_mm) + normal scatter",
    }


def law_flows(law, area_km2, precipitation_mm):
    """Median flows of the law [m³/s], shape (places, statistics)."""
    area, rain = np.log10(np.asarray(area_km2, float)), np.log10(np.asarray(precipitation_mm, float))
    a, b, c = (np.array(law[name]) for name in "abc")
    return 10 ** (a + area[:, None] * b + rain[:, None] * c)


# The planted gauge, and its runoff over its rain: springs bring it water from beyond its own ground.
PLANTED_GAUGE, PLANTED_RUNOFF_SHARE = "G031", 1.25


def plant_gauge(table):
    """Make one gauge of a table look wrong, in place, and give its id in a tuple.

    Its flows are all raised in one proportion, so that more water runs off than falls as rain.
    """
    own = table["gauge_id"] == PLANTED_GAUGE
    rain_m3s = table.loc[own, "precipitation_mm"] * table.loc[own, "area_km2"] / MM_KM2_PER_YEAR_IN_M3S
    factor = (PLANTED_RUNOFF_SHARE * rain_m3s / table.loc[own, "flow_mean_m3s"]).iloc[0]
    for name in STATISTICS:
        table.loc[own, name] = float(f"{table.loc[own, name].iloc[0] * factor:.5g}")
    return (PLANTED_GAUGE,)


def draw_gauges(law, inside, count, centre_m, seed):
    """A table of gauges.

    Parameters
    ----------
    law : dict
        As of `flow_law`.
    inside : sequence of (x_m, y_m, area_km2, precipitation_mm)
        Gauges on streams of the sample region itself, at true places.
    count : int
        Gauges in all; the others lie in the country around.
    centre_m : (float, float)
        Centre of the sample region [m].
    seed : int

    Returns
    -------
    DataFrame
        One row a gauge, with the columns of ``gauges.csv``.
    """
    # Of 59 sequences looked at, one for whose default seed the kept table is ordinary: the gauges on the region's
    # own rivers lie within 1.3 standard deviations of the law, a fit finds it within two errors, with the planted
    # gauge and without, and no more water runs off than falls.
    rng = np.random.default_rng([seed, 12])
    rows = [tuple(place) for place in inside]
    while len(rows) < count:
        bearing, away_m = rng.uniform(0, 2 * np.pi), rng.uniform(12e3, 60e3)
        area, rain = 10 ** rng.uniform(np.log10(0.3), np.log10(1200.0)), rng.uniform(600.0, 1500.0)
        rows.append((centre_m[0] + away_m * np.cos(bearing), centre_m[1] + away_m * np.sin(bearing), area, rain))
    table = pd.DataFrame(rows, columns=["x_m", "y_m", "area_km2", "precipitation_mm"])
    # Rounded first, so that the flows follow the law from the printed predictors.
    table = table.round({"x_m": 0, "y_m": 0, "area_km2": 3, "precipitation_mm": 0})
    table.insert(0, "gauge_id", [f"G{number:03d}" for number in range(1, count + 1)])
    table["record_years"] = rng.integers(8, 61, count)

    spread = np.array(law["scatter_log10"])
    root = np.linalg.cholesky(np.array(law["correlation"]) * np.outer(spread, spread))
    flows = law_flows(law, table["area_km2"], table["precipitation_mm"])
    for gauge in range(count):
        drawn = flows[gauge] * 10 ** (root @ rng.normal(size=spread.size))
        # A duration curve cannot cross itself; the law makes that rare, and such a draw is thrown again.
        while np.any(np.diff(drawn[1:]) >= 0):
            drawn = flows[gauge] * 10 ** (root @ rng.normal(size=spread.size))
        flows[gauge] = drawn
    for number, name in enumerate(STATISTICS):
        table[name] = [float(f"{flow:.5g}") for flow in flows[:, number]]
    return table
