"""Gauges with implausible figures: runoff against rain and other gauges, units, outliers."""

import warnings
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.special import stdtr

from sitefinder.hydrology.regression import NO_FORMS, design_of, have_form

AREA, PRECIPITATION, MEAN_FLOW = "area_km2", "precipitation_mm", "flow_mean_m3s"
LOW_FLOW, HIGH_FLOW, MAX_OVER_HIGH_FLOW = "flow_q95_m3s", "flow_q05_m3s", 10.0
# Depth of runoff over a year [mm] of a specific discharge of 1 m³/s from 1 km², in a year of 365.25 days.
MM_PER_M3S_KM2 = 31_557.6
# The greatest mean annual rainfall that was measured is just under 12 m (Mawsynram, from memory).
MAX_RUNOFF_MM = 12_000.0
# More runoff than rain is not possible, but rain gauges miss snow and wind-driven rain: of the 671 gauges of
# tests/real, 12 have a ratio above 1 and 5 above 1.1. Only 3 lie below 0.01, in semi-arid country (own choice).
MAX_RUNOFF_RATIO, MIN_RUNOFF_RATIO = 1.1, 0.01
ROUNDING = 1e-9
# Modified z-score 0.6745 (x - median) / MAD above which a value is a potential outlier: Iglewicz & Hoaglin (1993),
# see `suspect_gauges` (from memory).
Z_PER_MAD, MAX_MODIFIED_Z = 0.6745, 3.5
# A gauge that is off by less is not doubted, however much alike the others are (own choice).
MIN_FACTOR = 5.0
# MAD below this many log10 units is no scale: gauges are never measured so well (own choice).
MIN_MAD_LOG10 = 0.01
# With fewer gauges there is no telling who is the odd one (own choice).
MIN_GAUGES, MIN_SPARE_GAUGES = 6, 6
# Leverage above this multiple of the mean, k / n: Helsel et al. (2020), U.S. Geol. Surv. Tech. Methods 4-A3, ch. 9
# (from memory). Cook's distance above 1: R. D. Cook & S. Weisberg (1982), "Residuals and influence in regression"
# (from memory). Such a gauge is doubted if its deleted residual is this improbable (own choice).
HIGH_LEVERAGE, HIGH_COOK, SMALL_P = 3.0, 1.0, 0.01
# Specific runoff over that expected where flow or area is in the unit named.
UNITS_OF_FLOW = {
    "l/s": 1000.0,
    "ft³/s": 35.3147,
    "million m³ a year": 31.5576,
    "Ml a day": 86.4,
    "m³ a day": 86_400.0,
}
UNITS_OF_AREA = {"ha": 0.01, "acres": 1 / 247.105, "m²": 1.0e-6}
# A unit is named where the factor comes as near to it as this many robust standard deviations, or the second
# figure, and never where it is further away than the third [log10] (own choice).
NEAR_UNIT_SD, MIN_NEAR_UNIT_LOG10, NEAR_UNIT_LOG10 = 3.0, 0.1, 0.5
SUSPECT_COLUMNS = ("gauge", "found", "expected", "fix")
# How the table of repairs begins what it says of such a gauge.
IMPLAUSIBLE = "implausible gauge: "


# Of a table: at least this number of gauges, and this share, whose runoff is far above all that can fall (own
# choice).
MIN_IMPOSSIBLE, IMPOSSIBLE_SHARE, IMPOSSIBLE_RATIO = 3, 0.5, 1.5
# What a usual region makes of its rain, to name the unit that explains more (own choice).
USUAL_RUNOFF_RATIO, USUAL_RUNOFF_MM = 0.4, 500.0


class ImpossibleRunoff(NamedTuple):
    """What a table of gauges should hold, what it holds, and what to do."""

    expected: str
    found: str
    fix: str


def impossible_runoff(gauges) -> ImpossibleRunoff | None:
    """Whether a whole table of gauges is in a wrong unit: most of them carry more water than can fall as rain.

    Parameters
    ----------
    gauges : DataFrame
        Index: ids. ``flow_mean_m3s`` and ``area_km2``, with ``precipitation_mm`` where known.

    Returns
    -------
    ImpossibleRunoff or None
        None where fewer than half of the gauges are so, or the table has no areas or no mean flows.
    """
    if MEAN_FLOW not in gauges or AREA not in gauges:
        return None
    own = gauges[_are_usable(gauges, [MEAN_FLOW, AREA])]
    runoff_mm = _runoff_mm(own)
    most_mm = np.full(len(own), MAX_RUNOFF_MM)
    usual_mm = np.full(len(own), USUAL_RUNOFF_MM)
    if PRECIPITATION in own:
        rain_mm = own[PRECIPITATION].to_numpy(dtype=np.float64)
        is_known = rain_mm > 0
        most_mm[is_known] = np.minimum(IMPOSSIBLE_RATIO * rain_mm[is_known], MAX_RUNOFF_MM)
        usual_mm[is_known] = USUAL_RUNOFF_RATIO * rain_mm[is_known]
    wrong = runoff_mm > most_mm
    if wrong.sum() < max(MIN_IMPOSSIBLE, IMPOSSIBLE_SHARE * len(own)):
        return None
    off_log10 = float(np.median(np.log10(runoff_mm[wrong] / usual_mm[wrong])))
    unit = _unit_of(off_log10, NEAR_UNIT_LOG10)
    return ImpossibleRunoff(
        "runoff of mean flow over area below the precipitation, or below 12 m a year",
        f"{wrong.sum()} of {len(own)} gauges above it; the middle one {_figure(np.median(runoff_mm[wrong]))} mm",
        unit or "check the units of flow, area and precipitation",
    )


class _Checks(NamedTuple):
    # For each gauge what was found and expected, and what to do; empty lists for a gauge beyond doubt.
    found: list
    expected: list
    fix: list


def suspect_gauges(gauges, predictors, forms=NO_FORMS) -> pd.DataFrame:
    """Gauges of one region whose mean flow, area or precipitation is implausible.

    Parameters
    ----------
    gauges : DataFrame
        Index: ids. Column ``flow_mean_m3s`` and the predictors; ``area_km2`` and ``precipitation_mm`` (of a mean
        year) where known, whether predictors or not. Without an area only outliers of the regression are found.
    predictors : list of str
        Columns of the regression of the mean flow.
    forms : dict of str to sitefinder.settings.flows.PredictorForm, optional

    Returns
    -------
    DataFrame of str
        A row a suspect, in the order of the table: ``gauge``, ``found``, ``expected`` and ``fix``. Nothing is left
        out of the table itself.

    Notes
    -----
    Rain: the depth of runoff over a year may be neither above 1.1 times nor below 0.01 times the precipitation;
    without precipitation, not above 12 m.

    Its own quantiles: the mean may neither be below the flow exceeded 95 % of the time nor above ten times that
    exceeded 5 % of it, where these are above zero.

    Other gauges: specific runoff is off that of the others by a modified z-score [1]_ above 3.5 and a factor of
    five or more. Where there are gauges enough it is relative to a robust regression (Tukey's biweight, [2]_) on
    precipitation and the predictors other than area, since area may be what is wrong. The factor is compared with
    those of wrong units: l/s, ft³/s, ha and so on.

    Leverage: in the regression without the gauges found so far, leverage above 3 k / n or Cook's distance above 1,
    and an externally studentised residual with a probability below 1 %.

    References
    ----------
    .. [1] B. Iglewicz and D. C. Hoaglin, "How to detect and handle outliers," ASQC Quality Press, 1993.
    .. [2] P. J. Huber, "Robust statistics," Wiley, 1981; `statsmodels.robust`.
    """
    own = gauges[_are_usable(gauges, [MEAN_FLOW])]
    checks = {gauge: _Checks([], [], []) for gauge in own.index}
    if AREA in own:
        own = own[_are_usable(own, [AREA])]
        _against_rain(own, checks)
        _against_others(own, predictors, checks, forms)
    _against_quantiles(gauges.loc[list(checks)], checks)
    sound = [gauge for gauge in gauges.index if gauge in checks and not checks[gauge].found]
    _with_leverage(gauges.loc[sound], predictors, checks, forms)
    rows = [
        (str(gauge), *("; ".join(dict.fromkeys(texts)) for texts in check))
        for gauge, check in checks.items()
        if check.found
    ]
    return pd.DataFrame(rows, columns=SUSPECT_COLUMNS, dtype="str")


# Three significant digits, never an exponent.
def _figure(value):
    return f"{float(f'{value:.3g}'):,.12g}"


# Rows with a logarithm of each column.
def _are_usable(gauges, columns):
    numbers = gauges[columns].to_numpy(dtype=np.float64)
    return (np.isfinite(numbers) & (numbers > 0)).all(axis=1)


def _runoff_mm(gauges):
    flow_m3s, area_km2 = (gauges[name].to_numpy(dtype=np.float64) for name in (MEAN_FLOW, AREA))
    # From an area of nearly nothing comes more than a number holds, which is above any limit.
    with np.errstate(over="ignore"):
        return MM_PER_M3S_KM2 * flow_m3s / area_km2


def _against_rain(gauges, checks):
    runoff_mm = _runoff_mm(gauges)
    rain_mm = np.full(len(gauges), np.nan)
    if PRECIPITATION in gauges:
        rain_mm = gauges[PRECIPITATION].to_numpy(dtype=np.float64)
        rain_mm = np.where(rain_mm > 0, rain_mm, np.nan)
    low, high = MIN_RUNOFF_RATIO * rain_mm, MAX_RUNOFF_RATIO * rain_mm
    for gauge, runoff, rain, lowest, highest in zip(gauges.index, runoff_mm, rain_mm, low, high, strict=True):
        if lowest * (1 - ROUNDING) <= runoff <= highest * (1 + ROUNDING) or (
            np.isnan(rain) and runoff <= MAX_RUNOFF_MM
        ):
            continue
        check = checks[gauge]
        if np.isnan(rain):
            check.found.append(f"runoff of {_figure(runoff)} mm a year")
            check.expected.append(f"at most {_figure(MAX_RUNOFF_MM)} mm, the greatest rainfall on earth")
        else:
            check.found.append(f"runoff of {_figure(runoff)} mm a year from {_figure(rain)} mm of precipitation")
            check.expected.append(f"{_figure(lowest)} to {_figure(highest)} mm")
        check.fix.append("check the units of flow, area and precipitation")


# The mean flow against the flows exceeded most and least of the time. Of the 671 gauges of tests/real the mean is
# 1.4 times the flow exceeded 95 % of the time and more, and at most 0.9 times that exceeded 5 % of it.
def _against_quantiles(gauges, checks):
    mean_m3s = gauges[MEAN_FLOW].to_numpy(dtype=np.float64)
    for column, times, too_low in ((LOW_FLOW, 1.0, True), (HIGH_FLOW, MAX_OVER_HIGH_FLOW, False)):
        if column not in gauges:
            continue
        bound_m3s = times * gauges[column].to_numpy(dtype=np.float64)
        wrong = (bound_m3s > 0) & ((mean_m3s < bound_m3s) if too_low else (mean_m3s > bound_m3s))
        for row in np.flatnonzero(wrong):
            check = checks[gauges.index[row]]
            check.found.append(f"mean flow of {_figure(mean_m3s[row])} m³/s")
            side = "at least" if too_low else "at most"
            check.expected.append(f"{side} {_figure(bound_m3s[row])} m³/s, by its {column}")
            if not check.fix:
                check.fix.append(f"check whether the mean flow and {column} are in one unit")


# The factor by which specific runoff is off that of the other gauges, and whether that is too much.
def _against_others(gauges, predictors, checks, forms):
    if len(gauges) < MIN_GAUGES:
        return
    runoff_mm = _runoff_mm(gauges)
    log_runoff = np.log10(runoff_mm)
    off = log_runoff - _expected_log_runoff(gauges, predictors, log_runoff, forms)
    off = off - np.median(off)
    mad = max(float(np.median(np.abs(off))), MIN_MAD_LOG10)
    suspect = (np.abs(Z_PER_MAD * off / mad) > MAX_MODIFIED_Z) & (np.abs(off) >= np.log10(MIN_FACTOR))
    for row in np.flatnonzero(suspect):
        factor = 10.0 ** off[row]
        times = f"{_figure(factor)} times" if factor >= 1 else f"1/{_figure(1 / factor)} of"
        check = checks[gauges.index[row]]
        if not check.found:
            check.found.append(f"runoff of {_figure(runoff_mm[row])} mm a year")
        check.found.append(f"{times} what the other gauges give")
        check.expected.append(f"about {_figure(runoff_mm[row] / factor)} mm like the other gauges")
        unit = _unit_of(off[row], mad / Z_PER_MAD)
        if unit:
            # Where a unit explains it, that is what to do.
            check.fix[:] = [unit]
        elif not check.fix:
            check.fix.append("check flow and area, and whether water is diverted")


# Log specific runoff that the other gauges make likely at each gauge.
def _expected_log_runoff(gauges, predictors, log_runoff, forms):
    columns = [name for name in dict.fromkeys([PRECIPITATION, *predictors]) if name in gauges and name != AREA]
    columns = [name for name in columns if have_form(gauges, [name], forms).all() and gauges[name].nunique() > 1]
    middle = float(np.median(log_runoff))
    if not columns or len(gauges) < len(columns) + 1 + MIN_SPARE_GAUGES:
        return np.full(len(gauges), middle)
    from statsmodels.robust.norms import TukeyBiweight
    from statsmodels.robust.robust_linear_model import RLM

    design = design_of(gauges, columns, forms)
    # From the median on, which gross errors do not move; a fit without scatter ends with a warning.
    start = np.concatenate([[middle], np.zeros(len(columns))])
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        found = RLM(log_runoff, design, M=TukeyBiweight()).fit(start_params=start)
    fitted = design @ found.params
    return fitted if np.isfinite(fitted).all() else np.full(len(gauges), middle)


# What to look at where the factor found is that of a wrong unit, or of several, nearest first; empty otherwise.
def _unit_of(off_log10, robust_sd):
    what, units, right = ("flow", UNITS_OF_FLOW, "m³/s") if off_log10 > 0 else ("area", UNITS_OF_AREA, "km²")
    near = min(max(NEAR_UNIT_SD * robust_sd, MIN_NEAR_UNIT_LOG10), NEAR_UNIT_LOG10)
    distances = {unit: abs(off_log10 - np.log10(factor)) for unit, factor in units.items()}
    named = [unit for unit in sorted(distances, key=distances.get) if distances[unit] <= near]
    return f"check whether the {what} is in {' or '.join(named)}, not {right}" if named else ""


def _with_leverage(gauges, predictors, checks, forms):
    used = gauges[have_form(gauges, list(predictors), forms)]
    coefficients = len(predictors) + 1
    if len(used) < coefficients + MIN_SPARE_GAUGES:
        return
    from statsmodels.regression.linear_model import OLS

    design = design_of(used, list(predictors), forms)
    response = np.log10(used[MEAN_FLOW].to_numpy(dtype=np.float64))
    if np.linalg.matrix_rank(design) < coefficients:
        return
    fitted = OLS(response, design).fit()
    if fitted.mse_resid < MIN_MAD_LOG10**2:
        return
    influence = fitted.get_influence()
    leverage, cook = influence.hat_matrix_diag, influence.cooks_distance[0]
    far = np.flatnonzero((leverage > HIGH_LEVERAGE * coefficients / len(used)) | (cook > HIGH_COOK))
    # Only for these the scatter of the others is asked for, which takes a fit each.
    without = (OLS(np.delete(response, row), np.delete(design, row, axis=0)).fit() for row in far)
    sigma = np.sqrt(np.array([fit.mse_resid for fit in without]))
    with np.errstate(all="ignore"):
        residuals = fitted.resid[far] / sigma / np.sqrt(1.0 - leverage[far])
    probability = 2.0 * stdtr(len(used) - coefficients - 1, -np.abs(residuals))
    is_pulling = probability < SMALL_P
    for row, residual in zip(far[is_pulling], residuals[is_pulling], strict=True):
        observed = 10.0 ** response[row]
        # Without the gauge's own pull: r / (1 - h) is its residual from the fit of the others.
        others = 10.0 ** (response[row] - fitted.resid[row] / (1.0 - leverage[row]))
        check = checks[used.index[row]]
        check.found.append(
            f"mean flow of {_figure(observed)} m³/s, which pulls the regression (leverage {leverage[row]:.2f}, "
            f"Cook's distance {cook[row]:.2g}, studentised residual {residual:.1f})"
        )
        check.expected.append(f"about {_figure(others)} m³/s by the regression of the other gauges")
        check.fix.append("check its flow and predictors, and whether it is of this region")
