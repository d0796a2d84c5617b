"""Regional equations fitted by least squares in log space, with diagnostics."""

import math
import re
from itertools import combinations
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.catalogue.equations import LN_10, Equation, Predictor, percent_from_log10
from sitefinder.errors import InputError, listed
from sitefinder.settings.flows import PredictorForm
from sitefinder.units import TO_INTERNAL_UNIT

# Ratio of singular values of the scaled design below which its columns count as collinear.
MIN_SINGULAR_RATIO = 1e-10
# The test of normality takes from 3 to 5000 residuals.
NORMALITY_ROWS = (3, 5000)


# Predictors enter by their logarithm where nothing else is stated.
LOG = PredictorForm()
NO_FORMS = MappingProxyType({})
IN_FORM = {"log": np.log10, "linear": np.asarray, "square_root": np.sqrt}


class LeastSquares(NamedTuple):
    """A linear fit of n rows on k columns.

    ``covariance`` is MSE·(XᵀWX)⁻¹, or (XᵀΛ⁻¹X)⁻¹ of a generalised fit; ``mse`` = Σ w r² / (n − k) with weights of
    mean 1; ``leverage`` the diagonal of the hat matrix; ``left_out`` each row's residual from the fit without it;
    ``model_error_variance`` what the model itself is in error by, which is ``mse`` but for generalised fits;
    ``cook`` Cook's distance of each row.
    """

    coefficients: np.ndarray
    standard_errors: np.ndarray
    covariance: np.ndarray
    mse: float
    r_squared: float
    residuals: np.ndarray
    leverage: np.ndarray
    left_out: np.ndarray
    model_error_variance: float
    cook: np.ndarray


def least_squares(design, response, weights=None):
    """A linear least-squares fit with diagnostics.

    Parameters
    ----------
    design : ndarray, shape (n, k)
        Columns are predictors, including the constant if there is one.
    response : ndarray, shape (n,)
    weights : ndarray, shape (n,), optional
        Positive; scaled to a mean of 1.

    Returns
    -------
    LeastSquares or None
        None where the columns are collinear.

    Notes
    -----
    ``r_squared`` is 1 − SSR/SST about the (weighted) mean, also without a constant, as in [1]_; it may then be
    negative. The residual without a row's own influence is r / (1 − h), which is exact for least squares.

    References
    ----------
    .. [1] K. Eng, Y.-Y. Chen, J. E. Kiang, "User's guide to the weighted-multiple-linear-regression program,"
       U.S. Geol. Surv. Tech. Methods 4-A8, 2009.
    """
    from scipy import linalg
    from statsmodels.regression.linear_model import WLS

    if not _are_independent(design):
        return None
    weights = np.ones(len(response)) if weights is None else weights / weights.mean()
    found = WLS(response, design, weights=weights).fit()
    residuals = response - design @ found.params
    squares = float(weights @ residuals**2)
    mse = squares / found.df_resid
    # The hat matrix of the whitened rows, from their orthonormal basis.
    leverage = np.sum(linalg.qr(design * np.sqrt(weights)[:, None], mode="economic")[0] ** 2, axis=1)
    covariance = mse * found.normalized_cov_params
    return LeastSquares(
        coefficients=found.params,
        standard_errors=np.sqrt(np.diag(covariance)),
        covariance=(covariance + covariance.T) / 2,
        mse=mse,
        r_squared=_r_squared(squares, response, weights),
        residuals=residuals,
        leverage=leverage,
        left_out=residuals / (1.0 - leverage),
        model_error_variance=mse,
        cook=_cook(np.sqrt(weights) * residuals, leverage, mse, design.shape[1]),
    )


def generalised_least_squares(design, response, sampling_covariance, with_left_out=True):
    r"""A fit that knows how well each row's response was measured, and what errors the rows share.

    Parameters
    ----------
    design : ndarray, shape (n, k)
    response : ndarray, shape (n,)
    sampling_covariance : ndarray, shape (n, n)
        Covariance Σ of the errors with which the responses were measured, see `sampling_covariance`.
    with_left_out : bool
        Whether to compute ``left_out``, which costs a fit for each row; NaN where not.

    Returns
    -------
    LeastSquares or None
        None where the columns are collinear. ``left_out`` comes from a fit without the row, with the same
        covariance.

    Notes
    -----
    The errors' covariance is :math:`\Lambda = \gamma^2 I + \Sigma`; the model error variance :math:`\gamma^2` is
    the root of :math:`(y - Xb)' \Lambda^{-1} (y - Xb) = n - k`, with *b* the generalised solution for that very
    :math:`\Lambda` [1]_, eq. 21 of [2]_; zero where the sampling errors alone are larger than the scatter.

    References
    ----------
    .. [1] J. R. Stedinger and G. D. Tasker, "Regional hydrologic analysis: 1. Ordinary, weighted, and generalized
       least squares compared," Water Resour. Res., vol. 21, no. 9, pp. 1421-1432, 1985.
    .. [2] K. Eng, Y.-Y. Chen, J. E. Kiang, "User's guide to the weighted-multiple-linear-regression program,"
       U.S. Geol. Surv. Tech. Methods 4-A8, 2009.
    """
    from scipy import linalg, optimize
    from statsmodels.regression.linear_model import GLS

    if not _are_independent(design):
        return None
    rows, columns = design.shape
    unit = np.eye(rows)

    def surplus(variance):
        fitted = GLS(response, design, sigma=variance * unit + sampling_covariance).fit()
        return float(fitted.wresid @ fitted.wresid) - (rows - columns)

    maximum = 2.0 * float(np.sum((response - response.mean()) ** 2)) / (rows - columns) + np.finfo(float).tiny
    minimum = maximum * 1e-12
    # The surplus falls as the variance grows. Without a root the sampling errors explain all of the scatter.
    variance = (
        0.0 if surplus(minimum) <= 0 else optimize.brentq(surplus, minimum, maximum, rtol=1e-13, xtol=1e-300)
    )
    errors = max(variance, minimum) * unit + sampling_covariance
    found = GLS(response, design, sigma=errors).fit()
    residuals = response - design @ found.params
    covariance = found.normalized_cov_params
    leverage = np.sum(linalg.qr(found.model.wexog, mode="economic")[0] ** 2, axis=1)
    left_out = np.full(rows, np.nan)
    for row in range(rows) if with_left_out else ():
        others = np.arange(rows) != row
        without = GLS(response[others], design[others], sigma=errors[np.ix_(others, others)]).fit()
        left_out[row] = response[row] - design[row] @ without.params
    squares = float(residuals @ residuals)
    return LeastSquares(
        coefficients=found.params,
        standard_errors=np.sqrt(np.diag(covariance)),
        covariance=(covariance + covariance.T) / 2,
        mse=squares / (rows - columns),
        r_squared=_r_squared(squares, response, np.ones(rows)),
        residuals=residuals,
        leverage=leverage,
        left_out=left_out,
        model_error_variance=variance,
        cook=_cook(found.wresid, leverage, 1.0, columns),
    )


def sampling_covariance(year_sd, years, correlation):
    r"""Covariance of the sampling errors of statistics from records of limited length.

    Parameters
    ----------
    year_sd : float
        Standard deviation of the statistic of single years, in the units of the response, of a typical gauge.
    years : ndarray, shape (n,)
        Years of record.
    correlation : ndarray, shape (n, n)
        Correlation of single years between the gauges.

    Returns
    -------
    ndarray, shape (n, n)

    Notes
    -----
    :math:`\Sigma_{ij} = \rho_{ij} \sigma^2 m_{ij} / (m_i m_j)`, eqs. 19-20 of [1]_ for the mean of the records
    (their factors of frequency and skew apply to floods only). How long two records overlap, *m_ij*, is taken as
    the shorter of both, the maximum possible (own choice, on the side of more shared error).

    References
    ----------
    .. [1] K. Eng, Y.-Y. Chen, J. E. Kiang, "User's guide to the weighted-multiple-linear-regression program,"
       U.S. Geol. Surv. Tech. Methods 4-A8, 2009.

    Examples
    --------
    Four years halve the error of one:

    >>> sampling_covariance(0.2, np.array([4.0]), np.eye(1)).round(6).tolist()
    [[0.01]]
    """
    overlap = np.minimum(years[:, None], years[None, :])
    return correlation * year_sd**2 * overlap / (years[:, None] * years[None, :])


def correlation_by_distance(distance_km, theta, alpha_per_km):
    r"""Correlation of years between gauges, :math:`\theta^{d / (\alpha d + 1)}`, eq. 20 of Eng et al. (2009).

    Examples
    --------
    >>> correlation_by_distance(np.array([0.0, 100.0]), 0.98, 0.01).round(4).tolist()
    [1.0, 0.3642]
    """
    return theta ** (distance_km / (alpha_per_km * distance_km + 1.0))


def variance_inflation(design):
    """Variance inflation factor of each column but the constant, which comes first; NaN for a lone column's.

    Examples
    --------
    Two predictors with correlation *r* both have 1 / (1 − r²):

    >>> x = np.array([-1.0, -1.0, 1.0, 1.0])
    >>> variance_inflation(np.column_stack([np.ones(4), x, [-2.0, 0.0, 0.0, 2.0]])).round(6).tolist()
    [2.0, 2.0]
    """
    from statsmodels.stats.outliers_influence import variance_inflation_factor

    if design.shape[1] < 3:
        return np.ones(design.shape[1] - 1)
    return np.array([variance_inflation_factor(design, column) for column in range(1, design.shape[1])])


def normality_p(residuals):
    """Probability of residuals as far from normal as these if they were normal, after Shapiro & Wilk (1965).

    NaN for fewer than 3 residuals, more than 5000, or equal residuals.
    """
    from scipy import stats

    few, many = NORMALITY_ROWS
    if not few <= residuals.size <= many or np.ptp(residuals) < 1e-12:
        return math.nan
    return float(stats.shapiro(residuals).pvalue)


# Columns scaled to equal length, so that units do not look like a lack of rank.
def _are_independent(design):
    from scipy import linalg

    lengths = np.linalg.norm(design, axis=0)
    if not (lengths > 0).all():
        return False
    singular = linalg.svdvals(design / lengths)
    return bool(singular[-1] >= MIN_SINGULAR_RATIO * singular[0])


def _r_squared(squares, response, weights):
    about_mean = float(weights @ (response - np.average(response, weights=weights)) ** 2)
    return 1.0 - squares / about_mean if about_mean > 0 else math.nan


# Cook (1977): how far all fitted values move when a row is left out, in units of their error. A fit without
# scatter has no such unit, and nothing moves.
def _cook(whitened_residuals, leverage, mse, columns):
    if mse <= 0:
        return np.zeros_like(leverage)
    return whitened_residuals**2 * leverage / (columns * mse * (1.0 - leverage) ** 2)


FLOW_COLUMN = re.compile(r"flow_(mean|q\d+(?:\.\d+)?|[a-z0-9_]+)_m3s")
# Gauges beyond the number of coefficients that a fit needs before its error means anything (own choice).
MIN_SPARE_GAUGES = 3
# Above this squared error in log10 the percentage overflows; such a fit is useless, as infinity shows.
GREATEST_MSE_LOG10 = 700.0 / LN_10**2


class Diagnostics(NamedTuple):
    """How well an equation fits its gauges; logs are to base 10.

    ``gauges`` are the labels of the rows used and ``dropped`` a table (gauge, reason) of those that were not;
    ``variance_inflation`` has one factor a predictor, and ``normality_p`` is the residuals' by Shapiro and Wilk.
    """

    gauges: pd.Index
    dropped: pd.DataFrame
    fit: LeastSquares
    standard_error_percent: float
    smearing_factor: float
    leave_one_out_rmse_log10: float
    variance_inflation: np.ndarray
    normality_p: float


class Fit(NamedTuple):
    """An equation and how it was come by."""

    equation: Equation
    diagnostics: Diagnostics


def statistic_of(column):
    """Statistic that a gauge table's flow column holds, or None.

    Examples
    --------
    >>> statistic_of("flow_mean_m3s"), statistic_of("flow_q05_m3s"), statistic_of("area_km2")
    ('mean', 'exceedance_5', None)
    """
    matched = FLOW_COLUMN.fullmatch(column)
    if not matched:
        return None
    name = matched[1]
    return f"exceedance_{float(name[1:]):g}" if re.fullmatch(r"q\d+(?:\.\d+)?", name) else name


def fit_equations(gauges, predictor_columns, source, weights_column=None, region=None, forms=NO_FORMS):
    """A `Fit` for each flow column of a gauge table, in the table's order.

    Parameters
    ----------
    gauges : DataFrame
        One row a gauge; flow columns ``flow_mean_m3s`` and ``flow_qNN_m3s`` (exceeded NN % of the time).
    predictor_columns : list of str
        Columns to regress the logarithm of the flow on, such as ``area_km2``.
    source : str
        Where the table comes from; goes into each equation.
    weights_column : str, optional
        Column of weights, such as years of record.
    region : str, optional
    forms : dict of str to sitefinder.settings.flows.PredictorForm, optional
        How predictors enter; by their logarithm where not given.

    Returns
    -------
    list of Fit

    Raises
    ------
    InputError
        If there is no flow column, or a fit fails, see `fit_equation`.
    """
    columns = [column for column in gauges.columns if statistic_of(column)]
    if not columns:
        raise InputError.of(
            "the gauge table has no flow statistics",
            expected="columns flow_mean_m3s and flow_qNN_m3s, the flow exceeded NN % of the time",
            found=listed(gauges.columns, 20),
            fix="rename the columns; a 5 % quantile is the flow exceeded 95 % of the time, flow_q95_m3s",
        )
    given = predictor_columns, source, weights_column, region
    return [fit_equation(gauges, column, *given, forms=forms) for column in columns]


def fit_equation(
    gauges,
    flow_column,
    predictor_columns,
    source,
    weights_column=None,
    region=None,
    sampling_errors=None,
    forms=NO_FORMS,
):
    """One statistic regressed on predictors in log10 space, as an equation with its covariance.

    Parameters
    ----------
    gauges : DataFrame
        See `fit_equations`.
    flow_column : str
        Column of the statistic [m³/s].
    predictor_columns : list of str
    source : str
    weights_column : str, optional
        Weights of the gauges; equal where not given.
    region : str, optional
    sampling_errors : ndarray, shape (rows of gauges, rows of gauges), optional
        Covariance of the errors of the statistic's log10 at the gauges; makes the fit a generalised one, see
        `sitefinder.hydrology.regression.generalised_least_squares`. Weights are then not used.
    forms : dict of str to sitefinder.settings.flows.PredictorForm, optional

    Returns
    -------
    Fit
        The equation carries MSE·(XᵀX)⁻¹ as covariance, MSE as model error variance (of a generalised fit its own),
        the gauges' ranges and greatest leverage and, as its bias correction, the smearing factor of [1]_
        (weighted as the fit is).

    Raises
    ------
    InputError
        If fewer gauges than coefficients + 3 can be used, or predictors are collinear.

    Notes
    -----
    A gauge whose statistic or predictor is missing, zero or negative has no logarithm. It is left out and listed
    with its reason, so that the equation applies to streams whose statistic is not zero.

    References
    ----------
    .. [1] N. Duan, "Smearing estimate: a nonparametric retransformation method," J. Am. Stat. Assoc., vol. 78,
       no. 383, pp. 605-610, 1983.
    """
    reasons = _reasons_against(gauges, flow_column, predictor_columns, weights_column, forms)
    is_used = (reasons == "").to_numpy()
    used = gauges[is_used]
    dropped = pd.DataFrame({"gauge": reasons.index, "reason": reasons.to_numpy()})[~is_used]
    size = len(predictor_columns) + 1
    if len(used) < size + MIN_SPARE_GAUGES:
        why = ", ".join(f"{count} {reason}" for reason, count in dropped["reason"].value_counts().items())
        raise InputError.of(
            f"too few gauges to fit {flow_column}",
            expected=f"at least {size + MIN_SPARE_GAUGES} for {size} coefficients",
            found=f"{len(used)} of {len(gauges)} can be used" + (f" ({why})" if why else ""),
            fix="add gauges, name fewer predictors, or leave this column out of the table",
        )
    design = design_of(used, predictor_columns, forms)
    response = np.log10(used[flow_column].to_numpy(dtype=np.float64))
    weights = None
    if sampling_errors is not None:
        method = "generalised"
        fit = generalised_least_squares(design, response, sampling_errors[np.ix_(is_used, is_used)])
    else:
        method = "ordinary" if weights_column is None else "weighted"
        weights = None if weights_column is None else used[weights_column].to_numpy(dtype=np.float64)
        fit = least_squares(design, response, weights)
    if fit is None:
        raise InputError.of(
            f"the predictors of {flow_column} are collinear",
            expected="predictors that vary among the gauges, each in its own way",
            found=f"{', '.join(predictor_columns)}: one is constant or follows from the others",
            fix="leave one of them out of flows.gauges.predictors",
        )
    smearing = float(np.average(10.0**fit.residuals, weights=weights))
    # A law without scatter would have no error at all, which an equation may not state.
    variance = max(fit.model_error_variance, np.finfo(np.float64).tiny)
    diagnostics = Diagnostics(
        gauges=used.index,
        dropped=dropped,
        fit=fit,
        standard_error_percent=(
            percent_from_log10(math.sqrt(variance)) if variance < GREATEST_MSE_LOG10 else math.inf
        ),
        smearing_factor=smearing,
        leave_one_out_rmse_log10=float(np.sqrt(np.mean(fit.left_out**2))),
        variance_inflation=variance_inflation(design),
        normality_p=normality_p(fit.residuals),
    )
    equation = Equation(
        statistic=statistic_of(flow_column) or flow_column,
        form="log10",
        constant=fit.coefficients[0],
        predictors=tuple(
            predictor_of(column, coefficient, used[column], forms)
            for column, coefficient in zip(predictor_columns, fit.coefficients[1:], strict=True)
        ),
        flow_unit="m3s",
        standard_error_log10=math.sqrt(variance),
        gauges=len(used),
        bias_correction=smearing,
        covariance=tuple(map(tuple, fit.covariance.tolist())),
        model_error_variance=variance,
        greatest_leverage=float(fit.leverage.max()),
        source=source,
        table=f"fitted by sitefinder, {method} least squares",
        region=region,
    )
    return Fit(equation, diagnostics)


def design_of(gauges, predictor_columns, forms=NO_FORMS):
    """Design of a regression of the logarithm of a flow: a constant, then each predictor in its form.

    Parameters
    ----------
    gauges : DataFrame
    predictor_columns : list of str
    forms : dict of str to sitefinder.settings.flows.PredictorForm, optional
        By column; the others enter by log10.

    Returns
    -------
    ndarray of float64, shape (gauges, 1 + columns)
        Not finite where a predictor has no value in its form.

    Examples
    --------
    >>> from sitefinder.settings.flows import PredictorForm
    >>> towns = pd.DataFrame({"area_km2": [10.0, 100.0], "lakes": [0.0, 3.0]})
    >>> design_of(towns, ["area_km2", "lakes"], {"lakes": PredictorForm(transform="square_root", offset=1.0)})
    array([[1., 1., 1.],
           [1., 2., 2.]])
    """
    columns = [np.ones(len(gauges))]
    for name in predictor_columns:
        form = forms.get(name, LOG)
        shifted = gauges[name].to_numpy(dtype=np.float64) + form.offset
        with np.errstate(divide="ignore", invalid="ignore"):
            columns.append(IN_FORM[form.transform](shifted))
    return np.column_stack(columns)


def term_of(column, forms=NO_FORMS):
    """A predictor in its form, in words; its name alone where its logarithm enters.

    Examples
    --------
    >>> from sitefinder.settings.flows import PredictorForm
    >>> term_of("lakes", {"lakes": PredictorForm(transform="square_root", offset=1.0)})
    'square root of lakes + 1'
    """
    form = forms.get(column, LOG)
    shifted = f"{column} {'+' if form.offset > 0 else '-'} {abs(form.offset):g}" if form.offset else column
    if form.transform == "square_root":
        return f"square root of {shifted}"
    return f"{shifted}, linear" if form.transform == "linear" else shifted


def have_form(gauges, predictor_columns, forms=NO_FORMS):
    """Gauges that have a value of every predictor in its form, bool of shape (gauges,)."""
    return np.isfinite(design_of(gauges, predictor_columns, forms)).all(axis=1)


# Of each gauge, the first thing that has no value in its form, or an empty text.
def _reasons_against(gauges, flow_column, predictor_columns, weights_column, forms):
    columns = [flow_column, *predictor_columns, *([weights_column] if weights_column else [])]
    reasons = np.full(len(gauges), "", dtype=object)
    for column in columns:
        form = forms.get(column, LOG) if column in predictor_columns else LOG
        value = gauges[column].to_numpy(dtype=np.float64)
        bad = ~np.isfinite(value)
        reasons[bad & (reasons == "")] = f"{column} missing"
        if form.transform == "linear":
            continue
        shifted = value + form.offset
        is_bad_zero = (shifted == 0) & (form.transform == "log")
        plus = f" with {form.offset:g} added" if form.offset else ""
        for bad, word in ((is_bad_zero, "zero"), (shifted < 0, "negative")):
            reasons[bad & (reasons == "")] = f"{column} {word}{plus}"
    return pd.Series(reasons, index=gauges.index, dtype=object)


def predictor_of(column, coefficient, values, forms=NO_FORMS, log="log"):
    """A predictor of a fitted equation; its unit is the suffix after the last underscore, where that is a unit.

    ``log`` is the transform that stands for a logarithm in an equation of its form.
    """
    name, _, unit = column.rpartition("_")
    has_unit = name != "" and TO_INTERNAL_UNIT.get(unit, ("", 0.0)) == (unit, 1.0) and unit != "none"
    form = forms.get(column, LOG)
    transform = {"log": log, "linear": "none", "square_root": "power"}[form.transform]
    return Predictor(
        name=name if has_unit else column,
        unit=unit if has_unit else "none",
        coefficient=coefficient,
        transform=transform,
        offset=form.offset,
        exponent=0.5 if transform == "power" else None,
        minimum=values.min(),
        maximum=values.max(),
    )


# Sets whose worst variance inflation factor is above this are not chosen: Helsel et al. (2020), U.S. Geol. Surv.
# Tech. Methods 4-A3, chapter 11 (from memory).
MAX_INFLATION = 10.0
# A larger set must lower the error by more than this share. Without it a predictor of mere noise came into 18 % of
# 200 equations of made gauges, with it into 9 % (own choice).
MIN_GAIN = 0.02
COLUMNS = ["predictors", "gauges", "leave_one_out_rmse_log10", "greatest_inflation", "why_not"]


def compare_predictors(
    gauges, flow_column, always, candidates, max_candidates, weights_column=None, forms=NO_FORMS
):
    """Every set of candidate predictors on the same gauges, best first.

    Parameters
    ----------
    gauges : DataFrame
        Rows of which those with a logarithm of the flow and a value of every predictor are used, so that all sets
        are judged by the same gauges.
    flow_column : str
    always : list of str
        Predictors that each set has.
    candidates : list of str
        Predictors to choose from.
    max_candidates : int
        Greatest number of candidates in a set.
    weights_column : str, optional
    forms : dict of str to sitefinder.settings.flows.PredictorForm, optional

    Returns
    -------
    DataFrame
        A row a set: ``predictors`` (tuple), ``gauges`` used, ``leave_one_out_rmse_log10``, ``greatest_inflation``
        and ``why_not``, a text that is empty where the set may be chosen. The first is the one to choose: the
        smallest of those within 2 % of the minimum error. The others follow by error, those that may not be chosen
        last.

    Notes
    -----
    All subsets are tried. The error is that of each gauge from a fit without it, which falls only as long as a
    predictor improves predictions at places outside the fit; R² would never fall.
    """
    numbers = gauges[[flow_column, *([weights_column] if weights_column else [])]].to_numpy(dtype=np.float64)
    has_all = (np.isfinite(numbers) & (numbers > 0)).all(axis=1) & have_form(gauges, [*always, *candidates], forms)
    used = gauges[has_all]
    response = np.log10(used[flow_column].to_numpy(dtype=np.float64))
    weights = used[weights_column].to_numpy(dtype=np.float64) if weights_column else None
    rows = []
    for size in range(min(max_candidates, len(candidates)) + 1):
        for chosen in combinations(candidates, size):
            predictors = (*always, *chosen)
            if predictors:
                rows.append(_judged(used, predictors, response, weights, forms))
    table = pd.DataFrame(rows, columns=COLUMNS)
    barred, error = table["why_not"] != "", table["leave_one_out_rmse_log10"]
    good = ~barred & (error <= (1.0 + MIN_GAIN) * error[~barred].min())
    size = table["predictors"].str.len()
    small = good & (size == size[good].min())
    first = table.index == error[small].idxmin() if small.any() else np.zeros(len(table), dtype=bool)
    order = pd.DataFrame({"not first": ~first, "barred": barred, "error": error})
    return table.loc[order.sort_values(list(order), kind="stable").index].reset_index(drop=True)


def _judged(used, predictors, response, weights, forms):
    design = design_of(used, list(predictors), forms)
    error, inflation, why_not = np.nan, np.nan, ""
    fit = least_squares(design, response, weights) if len(used) > design.shape[1] + 1 else None
    if fit is None:
        why_not = "too few gauges, or predictors that are collinear"
    else:
        error = float(np.sqrt(np.mean(fit.left_out**2)))
        inflation = float(variance_inflation(design).max())
        if inflation > MAX_INFLATION:
            why_not = f"its predictors are nearly collinear (variance inflation above {MAX_INFLATION:g})"
    return predictors, len(used), error, inflation, why_not
