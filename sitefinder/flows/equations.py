"""Regional equations for flow: what an equation file holds, and the flow and interval it gives at a station."""

import math
import re
from typing import Annotated, Literal, NamedTuple

import numpy as np
from pydantic import ConfigDict, Field, StringConstraints, field_validator, model_validator
from scipy import stats

from sitefinder.config import Section, checked
from sitefinder.errors import ConfigError, InputError, all_of, listed
from sitefinder.units import TO_KEPT_UNIT

LN_10 = math.log(10.0)
# The share of future gauges that the interval should hold.
INTERVAL_SHARE = 0.90
# Keys that an equation takes from the head of its file where it has none of its own.
SHARED_KEYS = ("source", "table", "region", "flow_unit", "gauges")

Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]


class EquationPart(Section):
    """A part of an equation file: closed, frozen, and without numbers that are not finite."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Predictor(EquationPart):
    """One term of an equation, in the unit of its source."""

    name: Text = Field(description="station column without its unit, for example area")
    unit: Text = Field(description="unit in which the source states the predictor, for example mi2")
    coefficient: float = Field(description="exponent of the predictor, or its factor where it is not logged")
    offset: float = Field(0.0, description="added before the logarithm is taken")
    transform: Literal["log", "none"] = Field("log", description="none: the predictor itself is the term")
    least: float = Field(description="least value among the source's gauges, in the source's unit")
    most: float = Field(description="greatest value among the source's gauges, in the source's unit")

    @field_validator("unit")
    @classmethod
    def _unit_is_known(cls, unit):
        if unit not in TO_KEPT_UNIT:
            raise ValueError(f"unit {unit!r} is not known; known are {', '.join(TO_KEPT_UNIT)}")
        return unit

    @model_validator(mode="after")
    def _range_makes_sense(self):
        if self.least > self.most:
            raise ValueError(f"least ({self.least:g}) is above most ({self.most:g})")
        if self.transform == "log" and self.least + self.offset <= 0:
            raise ValueError(f"least + offset is {self.least + self.offset:g}, which has no logarithm")
        return self

    @property
    def column(self):
        """Name of the station column, with the unit that sitefinder keeps."""
        kept = TO_KEPT_UNIT[self.unit][0]
        return self.name if kept == "none" else f"{self.name}_{kept}"


class Equation(EquationPart):
    """A log-linear regional equation: log flow = constant + sum of coefficient · term, with its error and source.

    The constant is without the bias-correction factor, so that the bare equation gives the median.
    """

    statistic: Text = Field(description="mean, exceedance_95 (flow exceeded 95 % of the time) or an index's name")
    form: Literal["log10", "ln"] = Field(description="logarithm of the regression")
    constant: float | None = Field(None, description="intercept, in logs of the form")
    factor: float | None = Field(None, gt=0, description="instead of constant: factor of the printed power law")
    predictors: tuple[Predictor, ...]
    flow_unit: Text = Field(description="unit of the source's flow: m3s, ls or ft3s")
    standard_error_log10: float | None = Field(None, gt=0, description="standard error in log10 units")
    standard_error_percent: float | None = Field(None, gt=0, description="standard error [%]")
    gauges: int = Field(description="number of gauges behind the equation")
    bias_correction: float = Field(1.0, gt=0, description="factor from the median to the mean; 1: the median")
    covariance: tuple[tuple[float, ...], ...] | None = Field(
        None, description="covariance of constant and coefficients, in squared logs of the form"
    )
    model_error_variance: float | None = Field(None, ge=0, description="in squared logs of the form")
    source: Text = Field(description="author, year, title")
    table: Text = Field(description="table or equation number in the source")
    region: Text | None = Field(None, description="where the equation holds")

    @field_validator("statistic")
    @classmethod
    def _statistic_is_named(cls, statistic):
        if not re.fullmatch(r"[a-z0-9_.]+", statistic):
            raise ValueError(f"statistic {statistic!r} should be lower case letters, digits and underscores")
        if statistic.startswith("exceedance") and exceedance_percent(statistic) is None:
            raise ValueError(f"statistic {statistic!r} should be exceedance_ and a percentage between 0 and 100")
        return statistic

    @field_validator("flow_unit")
    @classmethod
    def _flow_unit_is_known(cls, unit):
        flow_units = [name for name, (kept, _) in TO_KEPT_UNIT.items() if kept == "m3s"]
        if unit not in flow_units:
            raise ValueError(f"flow unit {unit!r} is not known; known are {', '.join(flow_units)}")
        return unit

    @model_validator(mode="after")
    def _is_whole(self):
        problems = [] if self.predictors else ["it has no predictors"]
        size = len(self.predictors) + 1
        names = [predictor.column for predictor in self.predictors if predictor.transform == "log"]
        if len(set(names)) < len(names):
            problems.append("a predictor stands twice")
        if (self.constant is None) == (self.factor is None):
            problems.append("give either constant or factor, one of the two")
        if self.gauges <= size:
            problems.append(f"{self.gauges} gauges leave no degree of freedom for {size} coefficients")
        if (self.covariance is None) != (self.model_error_variance is None):
            problems.append("covariance and model_error_variance belong together")
        if self.standard_error_log10 is None and self.standard_error_percent is None and self.covariance is None:
            problems.append("no error: give standard_error_log10, standard_error_percent or a covariance")
        if self.standard_error_log10 is not None and self.standard_error_percent is not None:
            problems.append("give standard_error_log10 or standard_error_percent, not both")
        if self.covariance is not None and not _is_covariance(self.covariance, size):
            problems.append(f"covariance should be a symmetric {size} × {size} matrix without negative variance")
        if problems:
            raise ValueError(f"{self.statistic}: " + "; ".join(problems))
        return self

    @property
    def log_sd(self):
        """Standard error as a standard deviation of natural logs; of the model variance where no other is."""
        if self.standard_error_log10 is not None:
            return LN_10 * self.standard_error_log10
        if self.standard_error_percent is not None:
            return LN_10 * log10_from_percent(self.standard_error_percent)
        return (LN_10 if self.form == "log10" else 1.0) * math.sqrt(self.model_error_variance)

    @property
    def exceedance_percent(self):
        """Share of time [%] that the statistic is exceeded; None where it is no quantile."""
        return exceedance_percent(self.statistic)


class EquationFile(EquationPart):
    """An equation file; what stands at its head holds for every equation that does not say it itself."""

    source: Text | None = None
    table: Text | None = None
    region: Text | None = None
    flow_unit: Text | None = None
    gauges: int | None = None
    remark: Text | None = Field(None, description="how the digits were come by, or what to beware of")
    equations: tuple[Equation, ...]

    @model_validator(mode="before")
    @classmethod
    def _head_holds_for_all(cls, mapping):
        if not isinstance(mapping, dict) or not isinstance(mapping.get("equations"), list | tuple):
            return mapping
        head = {key: mapping[key] for key in SHARED_KEYS if key in mapping}
        whole = [{**head, **item} if isinstance(item, dict) else item for item in mapping["equations"]]
        return {**mapping, "equations": whole}

    @model_validator(mode="after")
    def _has_equations(self):
        if not self.equations:
            raise ValueError("equations: the file has none")
        return self


class Applied(NamedTuple):
    """What an equation gives at n stations.

    ``flow_m3s`` carries the bias correction; the interval is about the median, so the median is
    ``sqrt(low_m3s * high_m3s)``. ``outside`` holds, for each predictor's column, where it lies out of the
    equation's range; ``missing`` is true where a predictor is absent or has no logarithm, and flow is NaN.
    """

    flow_m3s: np.ndarray
    low_m3s: np.ndarray
    high_m3s: np.ndarray
    log_sd: np.ndarray
    outside: dict
    missing: np.ndarray


def exceedance_percent(statistic):
    """Share of time [%] that a statistic such as ``exceedance_95`` is exceeded, or None.

    Examples
    --------
    >>> exceedance_percent("exceedance_95"), exceedance_percent("mean")
    (95.0, None)
    """
    matched = re.fullmatch(r"exceedance_(\d+(?:\.\d+)?)", statistic)
    percent = float(matched[1]) if matched else math.nan
    return percent if 0 < percent < 100 else None


def percent_from_log10(standard_error_log10):
    r"""Standard error [%] of a standard error in log10 units.

    Notes
    -----
    :math:`100 \sqrt{\exp((\ln 10)^2 s^2) - 1}`, eq. 34 of [1]_.

    References
    ----------
    .. [1] K. Eng, Y.-Y. Chen, J. E. Kiang, "User's guide to the weighted-multiple-linear-regression program,"
       U.S. Geol. Surv. Tech. Methods 4-A8, 2009.

    Examples
    --------
    >>> round(percent_from_log10(0.2), 3)
    48.605
    """
    return 100.0 * math.sqrt(math.expm1((LN_10 * standard_error_log10) ** 2))


def log10_from_percent(standard_error_percent):
    """Standard error in log10 units of a standard error [%]; the inverse of `percent_from_log10`.

    Examples
    --------
    >>> round(log10_from_percent(48.605), 5)
    0.2
    """
    return math.sqrt(math.log1p((standard_error_percent / 100.0) ** 2)) / LN_10


def check_equations(mapping, name):
    """Equations from a mapping as read from an equation file.

    Parameters
    ----------
    mapping : dict
        Nested tables, see `EquationFile`.
    name : str
        What to call the file in messages.

    Returns
    -------
    list of Equation

    Raises
    ------
    ConfigError
        Naming every problem at once: an equation without source, range or error does not load.
    """
    equations = list(checked(EquationFile, mapping, name).equations)
    seen = [(equation.statistic, equation.region) for equation in equations]
    twice = sorted({statistic for statistic, region in seen if seen.count((statistic, region)) > 1})
    if twice:
        raise all_of(
            ConfigError, name, [f"equations: {item} stands more than once for one region" for item in twice]
        )
    return equations


def apply_equation(equation, predictors):
    r"""Flow of one equation at every station, with its 90 % prediction interval.

    Parameters
    ----------
    equation : Equation
        In the units of its source.
    predictors : DataFrame, n rows
        One row a station; columns in kept units, such as ``area_km2`` and ``precipitation_mm``.

    Returns
    -------
    Applied
        Arrays of n; flows in [m³/s], ``log_sd`` in natural logs.

    Raises
    ------
    InputError
        If a column that the equation needs is not there.

    Notes
    -----
    The interval is that of [1]_ and [2]_: :math:`(Q/B)/T < Q < T (Q/B)` with the bias correction *B* divided out
    first, :math:`T = 10^{t S}`, *t* for n − k degrees of freedom and :math:`S = \sqrt{\gamma^2 + x U x'}` where
    the covariance *U* and the model error variance are published; else *S* is the standard error.

    References
    ----------
    .. [1] G. D. Tasker and N. E. Driver, "Nationwide regression models for predicting urban runoff water quality
       at unmonitored sites," Water Resour. Bull., vol. 24, no. 5, pp. 1091-1101, 1988.
    .. [2] K. G. Ries and P. J. Friesz, "Methods for estimating low-flow statistics for Massachusetts streams,"
       U.S. Geol. Surv. Water-Resources Invest. Rep. 00-4135, 2000.
    """
    absent = sorted({item.column for item in equation.predictors} - set(predictors.columns))
    if absent:
        raise InputError.of(
            f"the equation for {equation.statistic} needs predictors that the stations do not have",
            expected=listed([item.column for item in equation.predictors], 20),
            found=listed(predictors.columns, 20),
            fix=f"give a raster for each under inputs.covariates: {listed(absent, 20)}; or use another equation",
        )
    values = [
        predictors[item.column].to_numpy(dtype=np.float64) / TO_KEPT_UNIT[item.unit][1]
        for item in equation.predictors
    ]
    usable = np.ones(len(predictors), dtype=bool)
    for item, value in zip(equation.predictors, values, strict=True):
        usable &= np.isfinite(value) & ((item.transform == "none") | (value + item.offset > 0))
    design = _design(equation, values, usable)
    to_ln = LN_10 if equation.form == "log10" else 1.0
    median_log = to_ln * (design @ _coefficients(equation)) + math.log(TO_KEPT_UNIT[equation.flow_unit][1])
    log_sd = _prediction_log_sd(equation, design, to_ln)
    half_width = _t_factor(equation) * log_sd
    return Applied(
        flow_m3s=np.exp(median_log) * equation.bias_correction,
        low_m3s=np.exp(median_log - half_width),
        high_m3s=np.exp(median_log + half_width),
        log_sd=log_sd,
        outside=_outside(equation, values),
        missing=~usable,
    )


# A row a station, a column a coefficient; rows that cannot be used are NaN.
def _design(equation, values, usable):
    logarithm = np.log10 if equation.form == "log10" else np.log
    design = np.full((usable.size, len(values) + 1), np.nan)
    design[usable, 0] = 1.0
    for number, (item, value) in enumerate(zip(equation.predictors, values, strict=True), start=1):
        term = value[usable] + item.offset
        design[usable, number] = logarithm(term) if item.transform == "log" else term
    return design


def _coefficients(equation):
    logarithm = math.log10 if equation.form == "log10" else math.log
    constant = logarithm(equation.factor) if equation.constant is None else equation.constant
    return np.array([constant, *(item.coefficient for item in equation.predictors)])


# Standard deviation of a prediction in natural logs; NaN where the design is.
def _prediction_log_sd(equation, design, to_ln):
    if equation.covariance is None:
        return np.where(np.isnan(design[:, 0]), np.nan, equation.log_sd)
    own = np.einsum("ij,jk,ik->i", design, np.array(equation.covariance), design)
    return to_ln * np.sqrt(equation.model_error_variance + np.maximum(own, 0.0))


def _t_factor(equation):
    return stats.t.ppf(0.5 + INTERVAL_SHARE / 2, equation.gauges - len(equation.predictors) - 1)


# By column, where a predictor lies out of range. A billionth is forgiven, because a value at the very end of the
# range comes back from km² to mi² with a last digit changed.
def _outside(equation, values):
    outside = {}
    for item, value in zip(equation.predictors, values, strict=True):
        slack = 1e-9 * max(abs(item.least), abs(item.most))
        found = (value < item.least - slack) | (value > item.most + slack)
        outside[item.column] = outside.get(item.column, False) | found
    return outside


# Rounded digits may leave a small negative eigenvalue, so only the diagonal is asked to be no less than zero.
def _is_covariance(rows, size):
    if len(rows) != size or any(len(row) != size for row in rows):
        return False
    matrix = np.array(rows)
    scale = np.abs(matrix).max()
    return bool(np.allclose(matrix, matrix.T, rtol=0, atol=1e-6 * scale) and (np.diag(matrix) >= 0).all())
