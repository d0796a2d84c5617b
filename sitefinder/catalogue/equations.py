"""Equation files: forms, terms, errors and sources of regional equations."""

import math
import re
from typing import Annotated, Literal

import numpy as np
from pydantic import Field, StringConstraints, ValidationError, field_validator, model_validator

from sitefinder.errors import ConfigError, all_of, listed
from sitefinder.settings import Section, checked
from sitefinder.units import TO_INTERNAL_UNIT

LN_10 = math.log(10.0)


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


# Standard error in log10 units of the upper number of a printed pair such as −35 to +54 %.
def _log10_from_upper_percent(upper_percent):
    return math.log1p(upper_percent / 100.0) / LN_10


# Keys that an equation inherits from the header of its file.
SHARED_KEYS = ("source", "table", "region", "flow_unit", "gauges")
# Statistics that are probabilities: of a day without flow, and of another statistic being zero.
DRY_DAY = "zero_flow_probability"
ZERO_OF = "zero_probability_"
# Exactly one of these is given, as the form allows.
ERRORS = (
    "standard_error_log10",
    "standard_error_percent",
    "standard_error_upper_percent",
    "standard_error_in_flow_unit",
    "misclassified_percent",
)
LOG_FORMS = ("log10", "ln")
Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]


class Predictor(Section):
    """A predictor of an equation in the unit of its source, with its own term if it has a coefficient."""

    name: Text = Field(description="station column without its unit, for example area")
    unit: Text = Field(description="unit in which the source states the predictor, for example mi2")
    coefficient: float | None = Field(
        None,
        description="exponent of the predictor, or its factor if it is not logged; absent: used in terms only",
    )
    offset: float = Field(0.0, description="added before the predictor is transformed")
    transform: Literal["log", "log10", "ln", "none", "power"] = Field(
        "log", description="log: as the form; none: untransformed; power: raised to its exponent"
    )
    exponent: float | None = Field(None, description="exponent of the transform power")
    minimum: float = Field(description="minimum among the source's gauges, in the source's unit")
    maximum: float = Field(description="maximum among the source's gauges, in the source's unit")

    @field_validator("unit")
    @classmethod
    def _unit_is_known(cls, unit):
        if unit not in TO_INTERNAL_UNIT:
            raise ValueError(f"unit {unit!r} is not known; known are {', '.join(TO_INTERNAL_UNIT)}")
        return unit

    @model_validator(mode="after")
    def _range_is_valid(self):
        if self.minimum > self.maximum:
            raise ValueError(f"minimum ({self.minimum:g}) is above maximum ({self.maximum:g})")
        if self.transform in ("log", "log10", "ln") and self.minimum + self.offset <= 0:
            raise ValueError(f"minimum + offset is {self.minimum + self.offset:g}, which has no logarithm")
        if (self.transform == "power") != (self.exponent is not None):
            raise ValueError('transform = "power" and exponent belong together')
        return self

    @property
    def column(self):
        """Name of the station column, with the internal unit."""
        kept = TO_INTERNAL_UNIT[self.unit][0]
        return self.name if kept == "none" else f"{self.name}_{kept}"


class Term(Section):
    """A product of transformed predictors, each raised to a power, times a coefficient."""

    coefficient: float = Field(description="factor of the product")
    powers: dict[Text, float] = Field(min_length=1, description="power of each predictor, by its name")


class Equation(Section):
    """A regional equation with its error and source.

    Its sum is constant + coefficient · transformed predictor + … + coefficient · product + …. That is the log of
    the flow (``log10``, ``ln``), the flow itself (``untransformed``), or the logit of a probability
    (``logistic``). The constant excludes the bias-correction factor, so that the equation alone gives the median.
    """

    statistic: Text = Field(description="mean, exceedance_95 (flow exceeded 95 % of the time) or an index's name")
    form: Literal["log10", "ln", "untransformed", "logistic"] = Field(
        description="form of the equation: what the sum equals"
    )
    logit_of: Literal["zero", "flow"] | None = Field(
        None, description="whether the logit of a logistic equation is of zero flow or of flow"
    )
    constant: float | None = Field(None, description="intercept of the sum")
    factor: float | None = Field(None, gt=0, description="factor of the printed power law, instead of constant")
    predictors: tuple[Predictor, ...]
    terms: tuple[Term, ...] = Field((), description="products of predictors, for polynomials")
    flow_unit: Text = Field(description="unit of the source's flow: m3s, ls or ft3s; not needed for a probability")
    standard_error_log10: float | None = Field(None, gt=0, description="standard error in log10 units")
    standard_error_percent: float | None = Field(None, gt=0, description="standard error [%]")
    standard_error_upper_percent: float | None = Field(
        None, gt=0, description="upper number of a printed pair, 54 of −35 to +54 [%]"
    )
    standard_error_in_flow_unit: float | None = Field(
        None, gt=0, description="standard error of an untransformed equation, in flow_unit"
    )
    misclassified_percent: float | None = Field(
        None, ge=0, le=100, description="gauges that a logistic equation misclassifies [%]"
    )
    gauges: int = Field(description="number of gauges of the regression")
    bias_correction: float = Field(1.0, gt=0, description="factor from the median to the mean; 1: the median")
    covariance: tuple[tuple[float, ...], ...] | None = Field(
        None, description="covariance of constant, coefficients and terms, in squared units of the sum"
    )
    model_error_variance: float | None = Field(None, ge=0, description="in squared units of the sum")
    greatest_leverage: float | None = Field(
        None, gt=0, description="maximum leverage among the gauges; absent: the limit is 3 k / n"
    )
    interval_widening: float = Field(
        1.0,
        ge=1,
        description="factor on the log width of the prediction interval, from held-out gauges",
    )
    interval_widening_reason: Text | None = Field(None, description="result at those gauges")
    source: Text = Field(description="author, year, title")
    table: Text = Field(description="table or equation number in the source")
    region: Text | None = Field(None, description="code or name of the region of validity; absent: everywhere")

    # A wrong field must not hide a missing error, so both are reported at once.
    @model_validator(mode="wrap")
    @classmethod
    def _all_at_once(cls, mapping, handler):
        if isinstance(mapping, dict) and mapping.get("form") == "logistic":
            mapping = {"flow_unit": "none", **mapping}
        try:
            return handler(mapping)
        except ValidationError as error:
            lines = [
                {"type": item["type"], "loc": item["loc"], "input": item["input"], "ctx": item.get("ctx", {})}
                for item in error.errors()
            ]
            no_error = isinstance(mapping, dict) and not {*ERRORS, "covariance"} & set(mapping)
            messages = [str(item.get("ctx", {}).get("error", "")) for item in error.errors()]
            if no_error and not any("no error:" in text for text in messages):
                problem = ValueError(NO_ERROR)
                lines.append({"type": "value_error", "loc": (), "input": mapping, "ctx": {"error": problem}})
            raise ValidationError.from_exception_data(cls.__name__, lines) from None

    @field_validator("statistic")
    @classmethod
    def _statistic_is_valid(cls, statistic):
        if not re.fullmatch(r"[a-z0-9_.]+", statistic):
            raise ValueError(f"statistic {statistic!r} should be lower case letters, digits and underscores")
        if statistic.startswith("exceedance") and exceedance_percent(statistic) is None:
            raise ValueError(f"statistic {statistic!r} should be exceedance_ and a percentage between 0 and 100")
        return statistic

    @field_validator("flow_unit")
    @classmethod
    def _flow_unit_is_known(cls, unit):
        flow_units = [name for name, (kept, _) in TO_INTERNAL_UNIT.items() if kept == "m3s"]
        if unit not in (*flow_units, "none"):
            raise ValueError(f"flow unit {unit!r} is not known; known are {', '.join(flow_units)}")
        return unit

    @model_validator(mode="after")
    def _is_complete(self):
        size = self.coefficients
        problems = _predictor_problems(self) + _form_problems(self)
        if (self.interval_widening > 1) != (self.interval_widening_reason is not None):
            problems.append("an interval_widening above 1 and interval_widening_reason belong together")
        if self.gauges <= size:
            problems.append(f"{self.gauges} gauges leave no degrees of freedom for {size} coefficients")
        if self.covariance is not None and not _is_covariance(self.covariance, size):
            problems.append(f"covariance should be a symmetric {size} × {size} matrix without negative variance")
        if problems:
            raise ValueError(f"{self.statistic}: " + "; ".join(problems))
        return self

    @property
    def has_constant(self):
        """Whether there is an intercept; an untransformed equation may have none."""
        return self.constant is not None or self.factor is not None

    @property
    def coefficients(self):
        """Number of coefficients, the constant included."""
        own = sum(predictor.coefficient is not None for predictor in self.predictors)
        return self.has_constant + own + len(self.terms)

    @property
    def log_sd(self):
        """Standard error as a standard deviation of natural logs, from the model variance if no other is given.

        None for a probability, and for an untransformed equation with an error in flow.
        """
        if self.standard_error_log10 is not None:
            return LN_10 * self.standard_error_log10
        if self.standard_error_percent is not None:
            return LN_10 * log10_from_percent(self.standard_error_percent)
        if self.standard_error_upper_percent is not None:
            return LN_10 * _log10_from_upper_percent(self.standard_error_upper_percent)
        if self.form not in LOG_FORMS:
            return None
        return (LN_10 if self.form == "log10" else 1.0) * math.sqrt(self.model_error_variance)

    @property
    def exceedance_percent(self):
        """Share of time [%] that the statistic is exceeded; None if it is not a quantile."""
        return exceedance_percent(self.statistic)


class EquationFile(Section):
    """An equation file; its header applies to every equation without its own entry."""

    source: Text | None = None
    table: Text | None = None
    region: Text | None = None
    flow_unit: Text | None = None
    gauges: int | None = None
    remark: Text | None = Field(None, description="how the figures were obtained, or cautions")
    equations: tuple[Equation, ...]

    @model_validator(mode="before")
    @classmethod
    def _header_applies_to_all(cls, mapping):
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


NO_ERROR = f"no error: give {', '.join(ERRORS[:-1])}, a covariance, or {ERRORS[-1]} of a logistic equation"


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


def check_equations(mapping, name):
    """Equations from a mapping as read from an equation file.

    Parameters
    ----------
    mapping : dict
        Nested tables, see `EquationFile`.
    name : str
        Name of the file in messages.

    Returns
    -------
    list of Equation

    Raises
    ------
    ConfigError
        Listing every problem at once: an equation without source, range or error is rejected.
    """
    equations = list(checked(EquationFile, mapping, name).equations)
    seen = [(equation.statistic, equation.region) for equation in equations]
    twice = sorted({statistic for statistic, region in seen if seen.count((statistic, region)) > 1})
    if twice:
        raise all_of(
            ConfigError, name, [f"equations: {item} occurs more than once for one region" for item in twice]
        )
    return equations


# Problems of predictors and terms together.
def _predictor_problems(equation):
    problems = [] if equation.predictors else ["there are no predictors"]
    shapes = [(item.column, item.transform, item.exponent) for item in equation.predictors]
    names = [item.name for item in equation.predictors]
    if len(set(shapes)) < len(shapes) or (equation.terms and len(set(names)) < len(names)):
        problems.append("a predictor occurs twice")
    in_terms = {name for term in equation.terms for name in term.powers}
    if unknown := sorted(in_terms - set(names)):
        problems.append(f"terms use {listed(dict.fromkeys(unknown))}, which is not a predictor of the equation")
    idle = [item.name for item in equation.predictors if item.coefficient is None and item.name not in in_terms]
    if idle:
        problems.append(f"{listed(dict.fromkeys(idle))}: give a coefficient, or use it in a term")
    if equation.form not in LOG_FORMS and any(item.transform == "log" for item in equation.predictors):
        problems.append(f"a {equation.form} equation has no logarithm of its own: state log10, ln, none or power")
    return problems


# Problems of constant, error and units with the form of the equation.
def _form_problems(equation):
    form, statistic = equation.form, equation.statistic
    problems = []
    if form in LOG_FORMS and (equation.constant is None) == (equation.factor is None):
        problems.append("give either constant or factor")
    if form not in LOG_FORMS and equation.factor is not None:
        problems.append("factor is for a power law, in log10 or ln; give constant")
    if form == "logistic" and equation.constant is None:
        problems.append("a logistic equation needs a constant")
    if form not in LOG_FORMS and equation.bias_correction != 1.0:
        problems.append("bias_correction is for logarithms")
    is_probability = statistic == DRY_DAY or statistic.startswith(ZERO_OF)
    if is_probability != (form == "logistic"):
        problems.append(f"the logistic form and the statistics {DRY_DAY} and {ZERO_OF}… belong together")
    if (form == "logistic") != (equation.logit_of is not None):
        problems.append('logit_of ("zero" or "flow") belongs to the logistic form')
    if form != "logistic" and equation.flow_unit == "none":
        problems.append("flow_unit: only a probability has none")
    return problems + _error_problems(equation)


def _error_problems(equation):
    form, problems = equation.form, []
    given = [name for name in ERRORS if getattr(equation, name) is not None]
    if form != "logistic" and (equation.covariance is None) != (equation.model_error_variance is None):
        problems.append("covariance and model_error_variance belong together")
    if not given and equation.covariance is None:
        problems.append(NO_ERROR)
    if len(given) > 1:
        problems.append(f"give {' or '.join(given)}, not both" if len(given) == 2 else "give one error only")
    allowed = {
        "logistic": ("misclassified_percent",),
        "untransformed": ("standard_error_percent", "standard_error_in_flow_unit"),
    }.get(form, ERRORS[:3])
    if strange := [name for name in given if name not in allowed]:
        problems.append(f"{listed(dict.fromkeys(strange))} is not an error of the form {form}")
    return problems


# Rounding may leave a small negative eigenvalue, so only the diagonal must not be negative.
def _is_covariance(rows, size):
    if len(rows) != size or any(len(row) != size for row in rows):
        return False
    matrix = np.array(rows)
    scale = np.abs(matrix).max()
    return bool(np.allclose(matrix, matrix.T, rtol=0, atol=1e-6 * scale) and (np.diag(matrix) >= 0).all())
