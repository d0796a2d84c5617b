"""The tables that tell of fitted equations: in a line, by coefficient, by gauge, and what to beware of."""

import numpy as np
import pandas as pd
from scipy import stats

from sitefinder.errors import listed
from sitefinder.flows.equations import HIGH_LEVERAGE
from sitefinder.flows.fitting import log_design, statistic_of
from sitefinder.flows.selection import MOST_INFLATION

# Cook's distance above 4 / n is looked at (common practice, no source).
HIGH_COOK = 4.0
# Residuals this unlikely under a normal distribution are told.
SMALL_P = 0.05


def summary_row(region, column, predictors, fit, zero, held, groups, widening):
    """One equation in a line: how many gauges, how large its error, what it holds of gauges unseen."""
    diagnostics = fit.diagnostics
    seen = np.isfinite(held.residuals)
    return {
        "region": region.name,
        "statistic": statistic_of(column),
        "fit": fit.equation.table.removeprefix("fitted by sitefinder, "),
        "predictors": ", ".join(predictors),
        "gauges": len(diagnostics.gauges),
        "zeros": int(zero.sum()),
        "standard_error_log10": fit.equation.standard_error_log10,
        "standard_error_percent": diagnostics.standard_error_percent,
        "r_squared": diagnostics.fit.r_squared,
        "bias_correction": fit.equation.bias_correction,
        "leave_one_out_rmse_log10": diagnostics.leave_one_out_rmse_log10,
        "normality_p": diagnostics.normality_p,
        "groups_held_out": len(np.unique(groups)),
        "held_out_inside_percent": 100.0 * float(held.covered[seen].mean()) if seen.any() else np.nan,
        "interval_widening": widening,
    }


def coefficient_rows(region, statistic, predictors, diagnostics):
    """A row a coefficient of one equation."""
    fit = diagnostics.fit
    t = fit.coefficients / fit.standard_errors
    freedom = len(diagnostics.gauges) - len(fit.coefficients)
    return pd.DataFrame(
        {
            "region": region.name,
            "statistic": statistic,
            "term": ["constant", *predictors],
            "coefficient": fit.coefficients,
            "standard_error": fit.standard_errors,
            "t": t,
            "p": 2 * stats.t.sf(np.abs(t), freedom),
            "variance_inflation": [np.nan, *diagnostics.variance_inflation],
        }
    )


def gauge_rows(region, column, became, fit=None, predictors=(), held=None):
    """A row a gauge of the region; what the fit says stands only beside those that it used."""
    rows = pd.DataFrame(
        {
            "region": region.name,
            "statistic": statistic_of(column),
            "gauge": region.gauges.index.astype(str),
            "became": became.to_numpy(),
            "observed_m3s": region.gauges[column].to_numpy(dtype=np.float64),
        }
    )
    told = ("fitted_m3s", "residual_log10", "left_out_log10", "leverage", "cook", "group", "held_out_log10")
    for name in (*told, "held_out_half_width_log10"):
        rows[name] = np.nan
    if fit is None:
        return rows
    used = region.gauges.index.get_indexer(fit.diagnostics.gauges)
    found = fit.diagnostics.fit
    fitted = log_design(region.gauges.iloc[used], list(predictors)) @ found.coefficients
    values = (10.0**fitted, found.residuals, found.left_out, found.leverage, found.cook, region.groups[used])
    for name, value in zip(told, (*values, held.residuals), strict=True):
        rows.loc[used, name] = value
    rows.loc[used, "held_out_half_width_log10"] = held.half_width
    return rows


def accounted(gauges):
    """How many gauges of each statistic became what.

    Parameters
    ----------
    gauges : DataFrame
        Of `RegionalFits`.

    Returns
    -------
    DataFrame
        A row a statistic and fate: ``statistic``, ``became``, ``gauges`` and ``zero``, how many of these have a
        statistic of zero.
    """
    zero = gauges.assign(zero=gauges["observed_m3s"] == 0)
    grouped = zero.groupby(["statistic", "became"], sort=False)
    return grouped.agg(gauges=("gauge", "size"), zero=("zero", "sum")).reset_index()


def doubts_of_fit(fit, widening, settings):
    """What to beware of in one equation, a text each."""
    found, ids = fit.diagnostics.fit, fit.diagnostics.gauges
    gauges, coefficients = len(ids), len(found.coefficients)
    told = []
    if gauges < settings.least_gauges:
        told.append(f"only {gauges} gauges in the fit, the others are zero or lack a number")
    if widening > 1.0:
        told.append(f"interval widened {widening:.2f} times: it {fit.equation.interval_widening_reason}")
    if (far := found.leverage > HIGH_LEVERAGE * coefficients / gauges).any():
        told.append(f"leverage above 3 k / n: {listed(ids[far])}")
    if (heavy := found.cook > HIGH_COOK / gauges).any():
        told.append(f"influence (Cook's distance above 4 / n): {listed(ids[heavy])}")
    if fit.diagnostics.normality_p < SMALL_P:
        told.append(f"residuals are hardly normal (Shapiro-Wilk p = {fit.diagnostics.normality_p:.2g})")
    if (fit.diagnostics.variance_inflation > MOST_INFLATION).any():
        told.append(f"predictors say nearly the same (variance inflation above {MOST_INFLATION:g})")
    if settings.method == "generalised" and found.model_error_variance == 0:
        told.append("sampling errors alone explain the scatter; no error is left to the model")
    return told
