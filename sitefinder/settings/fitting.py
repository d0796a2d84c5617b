"""Settings of `sitefinder fit-flows`: how regional equations are fitted from a table of gauges."""

import difflib
from collections.abc import Collection
from typing import Any, Literal, Self

from pydantic import Field, model_validator

from sitefinder.errors import ConfigError, all_of
from sitefinder.settings.flows import WEAK_BELOW_GAUGES, GaugeTable, RegressionLimits
from sitefinder.settings.loading import Written, checked
from sitefinder.settings.section import Section


class FitSettings(Section):
    """How `sitefinder fit-flows` fits regional equations; `run` does not read it."""

    gauges: GaugeTable | None = Field(None, description="gauge table to fit from; absent: that of flows.gauges")
    region_column: str | None = Field(
        None, description="column of each gauge's region; every region gets its own equations; absent: one region"
    )
    statistics: list[str] = Field(default_factory=list, description="flow columns to fit; empty: all of the table")
    method: Literal["ordinary", "weighted", "generalised"] = Field(
        "ordinary",
        description="least squares: ordinary, weighted by years of record, or generalised (sampling error and "
        "cross-correlation of concurrent records)",
    )
    candidates: list[str] = Field(
        default_factory=list,
        description="columns to select further predictors from, by leave-one-out error; empty: none",
    )
    max_candidates: int = Field(2, ge=1, le=5, description="maximum number of candidates in an equation")
    min_gauges: int = Field(
        WEAK_BELOW_GAUGES, ge=5, description="minimum number of gauges of a region with its own equations"
    )
    zero_flows: Literal["probability", "censored"] = Field(
        "probability",
        description="gauges whose statistic is zero: a logistic equation for the probability of zero beside the "
        "regression of the others, or one censored regression",
    )
    censored_below_m3s: float | None = Field(
        None, gt=0, description="censoring limit [m³/s]; absent: the region's minimum flow above zero"
    )
    short_record_years: float = Field(
        10.0, ge=0, description="records shorter than this are listed as short (own choice)"
    )
    downstream_column: str | None = Field(
        None,
        description="column of the id of the next gauge downstream, to find nested gauges; absent: by distance",
    )
    year_to_year_log10: dict[str, float] = Field(
        default_factory=dict,
        description="for generalised least squares: standard deviation of annual values about the statistic, in "
        "log10, by flow column",
    )
    correlation_theta: float = Field(
        0.98,
        gt=0,
        lt=1,
        description="theta of the correlation of concurrent years at distance d [km], theta^(d / (alpha d + 1)); "
        "used where the gauges have coordinates (0.98 and 0.01 are the defaults of Eng et al. 2009, "
        "for miles)",
    )
    correlation_alpha_per_km: float = Field(0.01, ge=0, description="alpha of that equation [1/km]")
    group_size: int = Field(
        5,
        ge=1,
        description="neighbouring gauges held out together when intervals are tested; 1: leave one out (own "
        "choice)",
    )
    output_folder: str = Field(
        "fitted-flows",
        description="folder of the equation file, diagnostics and plots, relative to the settings file",
    )

    @model_validator(mode="after")
    def _generalised_is_complete(self) -> Self:
        if self.method == "generalised" and not self.year_to_year_log10:
            raise ValueError('method = "generalised" needs year_to_year_log10')
        if any(not 0 < value < 10 for value in self.year_to_year_log10.values()):
            raise ValueError("year_to_year_log10 must be above 0 and below 10")
        return self


# The tables of a settings file that fitting reads, each under its key, so that problems are reported by that key.
class _FitTable(Section):
    fit: FitSettings


class _Gauges(Section):
    gauges: GaugeTable


class _FlowTable(Section):
    flows: _Gauges


class _Limits(Section):
    weak_regression: RegressionLimits = RegressionLimits.of_defaults()


class _LimitTable(Section):
    flows: _Limits


def check_fit_settings(
    mapping: dict[str, Any], name: str, known: Collection[str], written: Written | None = None
) -> tuple[FitSettings, GaugeTable, RegressionLimits]:
    """Settings of `sitefinder fit-flows` from a mapping as read from TOML.

    Parameters
    ----------
    mapping : dict
        Nested tables: ``fit``, the gauges at ``fit.gauges`` or ``flows.gauges``, and the limits of a weak
        regression at ``flows.weak_regression``. Other tables of a run's settings are left to the run.
    name : str
        Name of the file in messages.
    known : collection of str
        The tables that a settings file may have.
    written : callable, optional
        See `sitefinder.settings.loading.checked`.

    Returns
    -------
    (FitSettings, GaugeTable, RegressionLimits)

    Raises
    ------
    ConfigError
        Listing every problem of the first table that has one.
    """
    problems = []
    for key in mapping:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            problems.append(f"{key}: no such setting" + (f"; did you mean {near[0]}?" if near else ""))
    if problems:
        raise all_of(ConfigError, name, problems)
    fit = checked(_FitTable, {"fit": mapping.get("fit", {})}, name, written).fit
    flows = mapping.get("flows")
    of_flows = flows if isinstance(flows, dict) else {}
    stated = {key: value for key, value in of_flows.items() if key == "weak_regression"}
    limits = checked(_LimitTable, {"flows": stated}, name, written).flows
    if fit.gauges is not None:
        return fit, fit.gauges, limits.weak_regression
    if not isinstance(flows, dict) or "gauges" not in flows:
        raise ConfigError.of(
            "there are no gauges to fit from",
            file=name,
            expected="a table fit.gauges or flows.gauges",
            found="neither",
            fix="state the gauge table, its predictors and its source",
        )
    table = checked(_FlowTable, {"flows": {"gauges": flows["gauges"]}}, name, written).flows.gauges
    return fit, table, limits.weak_regression
