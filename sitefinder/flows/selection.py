"""Which of several candidate predictors an equation should have, by the error at gauges left out."""

from itertools import combinations

import numpy as np
import pandas as pd

from sitefinder.flows.fitting import log_design
from sitefinder.flows.regression import least_squares, variance_inflation

# Sets whose worst variance inflation factor is above this are not chosen: Helsel et al. (2020), U.S. Geol. Surv.
# Tech. Methods 4-A3, chapter 11 (from memory).
MOST_INFLATION = 10.0
# A larger set must lower the error by more than this share. Without it a predictor of mere noise came into 18 % of
# 200 equations of made gauges, with it into 9 % (own choice).
LEAST_GAIN = 0.02
COLUMNS = ["predictors", "gauges", "leave_one_out_rmse_log10", "greatest_inflation", "why_not"]


def compare_predictors(gauges, flow_column, always, candidates, most_candidates, weights_column=None):
    """Every set of candidate predictors on the same gauges, best first.

    Parameters
    ----------
    gauges : DataFrame
        Rows of which those with a logarithm of the flow and of every predictor are used, so that all sets are
        judged by the same gauges.
    flow_column : str
    always : list of str
        Predictors that each set has.
    candidates : list of str
        Predictors to choose from.
    most_candidates : int
        Greatest number of candidates in a set.
    weights_column : str, optional

    Returns
    -------
    DataFrame
        A row a set: ``predictors`` (tuple), ``gauges`` used, ``leave_one_out_rmse_log10``, ``greatest_inflation``
        and ``why_not``, a text that is empty where the set may be chosen. The first is the one to choose: the
        smallest of those within 2 % of the least error. The others follow by error, those that may not be chosen
        last.

    Notes
    -----
    All subsets are tried. The error is that of each gauge from a fit without it, which falls only as long as a
    predictor tells something of places that the fit has not seen; R² would never fall.
    """
    everything = [*always, *candidates, flow_column, *([weights_column] if weights_column else [])]
    numbers = gauges[everything].to_numpy(dtype=np.float64)
    used = gauges[(np.isfinite(numbers) & (numbers > 0)).all(axis=1)]
    response = np.log10(used[flow_column].to_numpy(dtype=np.float64))
    weights = used[weights_column].to_numpy(dtype=np.float64) if weights_column else None
    rows = []
    for size in range(min(most_candidates, len(candidates)) + 1):
        for chosen in combinations(candidates, size):
            predictors = (*always, *chosen)
            if predictors:
                rows.append(_judged(used, predictors, response, weights))
    table = pd.DataFrame(rows, columns=COLUMNS)
    barred, error = table["why_not"] != "", table["leave_one_out_rmse_log10"]
    good = ~barred & (error <= (1.0 + LEAST_GAIN) * error[~barred].min())
    size = table["predictors"].str.len()
    small = good & (size == size[good].min())
    first = table.index == error[small].idxmin() if small.any() else np.zeros(len(table), dtype=bool)
    order = pd.DataFrame({"not first": ~first, "barred": barred, "error": error})
    return table.loc[order.sort_values(list(order), kind="stable").index].reset_index(drop=True)


def _judged(used, predictors, response, weights):
    design = log_design(used, list(predictors))
    error, inflation, why_not = np.nan, np.nan, ""
    fit = least_squares(design, response, weights) if len(used) > design.shape[1] + 1 else None
    if fit is None:
        why_not = "too few gauges, or predictors that cannot be told apart"
    else:
        error = float(np.sqrt(np.mean(fit.left_out**2)))
        inflation = float(variance_inflation(design).max())
        if inflation > MOST_INFLATION:
            why_not = f"its predictors say nearly the same (variance inflation above {MOST_INFLATION:g})"
    return predictors, len(used), error, inflation, why_not
