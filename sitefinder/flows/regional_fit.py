"""Equations of every statistic and region of a gauge table, what became of each gauge, and what to beware of."""

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import stats

from sitefinder.errors import InputError, listed
from sitefinder.flows.censored_fit import fit_censored_equation, least_squares_of_censored
from sitefinder.flows.equations import HIGH_LEVERAGE, ZERO_OF, Equation
from sitefinder.flows.fitting import Fit, fit_equation, log_design, predictor_of, statistic_of
from sitefinder.flows.held_out import hold_out, interval_widening, neighbour_groups, widening_place
from sitefinder.flows.nested import nested_by_chain, nested_by_place
from sitefinder.flows.regression import (
    correlation_by_distance,
    generalised_least_squares,
    least_squares,
    sampling_covariance,
)
from sitefinder.flows.selection import MOST_INFLATION, compare_predictors
from sitefinder.flows.zero_flows import fit_zero_probability

ALL = "all"
FITTED = "fitted"
IN_PROBABILITY = "zero, in the probability of zero"
CENSORED = "zero, counted as less than the limit"
# Cook's distance above 4 / n is looked at (common practice, no source).
HIGH_COOK = 4.0
# Residuals this unlikely under a normal distribution are told.
SMALL_P = 0.05


class RegionalFits(NamedTuple):
    """What was fitted, as tables.

    Attributes
    ----------
    equations : list of Equation
    summary : DataFrame
        A row a region and statistic.
    coefficients : DataFrame
        A row a coefficient: its error, t, p and variance inflation.
    gauges : DataFrame
        A row a gauge and statistic: what ``became`` of it, and how the fit sees it.
    candidates : DataFrame
        A row a set of predictors that was compared.
    warnings : DataFrame
        ``region``, ``statistic`` (empty: all) and ``warning``.
    """

    equations: list
    summary: pd.DataFrame
    coefficients: pd.DataFrame
    gauges: pd.DataFrame
    candidates: pd.DataFrame
    warnings: pd.DataFrame


class Region(NamedTuple):
    """The gauges of one region, with what is the same for all of its statistics."""

    name: str
    gauges: pd.DataFrame
    places_km: np.ndarray | None
    groups: np.ndarray


def fit_regions(gauges, places_km=None, *, table, settings):
    """An equation for each statistic and region of a gauge table.

    Parameters
    ----------
    gauges : DataFrame
        As of `sitefinder.io.flow_files.read_gauges`, with the columns that the settings name.
    places_km : ndarray, shape (n, d), optional
        As of `sitefinder.flows.held_out.places_km`; NaN where a gauge has no place.
    table : sitefinder.config.GaugeTable
    settings : sitefinder.config.FitSettings

    Returns
    -------
    RegionalFits

    Raises
    ------
    InputError
        If no region has enough gauges.

    Notes
    -----
    A gauge counts for a region whether its statistic is zero or not, since zeros are fitted too. Intervals are
    tried on whole neighbourhoods held out, and widened where they hold fewer than nine of ten gauges, see
    `sitefinder.flows.held_out.interval_widening`.
    """
    columns = settings.statistics or [column for column in gauges.columns if statistic_of(column)]
    names = gauges[settings.region_column] if settings.region_column else pd.Series(ALL, index=gauges.index)
    parts = {key: [] for key in ("equations", "summary", "coefficients", "gauges", "candidates", "warnings")}
    for name in sorted(names.unique(), key=lambda text: (len(text), text)):
        inside = (names == name).to_numpy()
        region = _region(name, gauges[inside], None if places_km is None else places_km[inside], settings)
        enough = len(region.gauges) >= settings.least_gauges
        if not enough:
            _warn(parts, name, "", f"{inside.sum()} gauges are fewer than {settings.least_gauges}; not fitted")
        else:
            _warn_of_region(parts, region, table, settings)
        for column in columns:
            if enough:
                _fit_statistic(parts, region, column, table, settings)
            else:
                became = f"region has fewer than {settings.least_gauges} gauges"
                parts["gauges"].append(_gauge_rows(region, column, pd.Series(became, index=region.gauges.index)))
    if not parts["equations"]:
        raise InputError.of(
            "nothing could be fitted",
            expected=f"a region with at least {settings.least_gauges} gauges",
            found=listed([row["warning"] for row in parts["warnings"]]),
            fix="lower fit.least_gauges, join regions, or name fewer predictors",
        )
    warnings = pd.DataFrame(parts["warnings"], columns=["region", "statistic", "warning"])
    return RegionalFits(
        parts["equations"],
        pd.DataFrame(parts["summary"]),
        pd.concat(parts["coefficients"], ignore_index=True),
        pd.concat(parts["gauges"], ignore_index=True),
        pd.concat(parts["candidates"], ignore_index=True) if parts["candidates"] else pd.DataFrame(),
        warnings,
    )


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


def _region(name, gauges, places_km, settings):
    if places_km is None or np.isnan(places_km).any():
        return Region(name, gauges, None, np.arange(len(gauges)))
    groups = neighbour_groups(places_km, settings.group_size) if len(gauges) > 1 else np.arange(len(gauges))
    return Region(name, gauges, places_km, groups)


def _warn(parts, region, statistic, warning):
    parts["warnings"].append({"region": region, "statistic": statistic, "warning": warning})


def _warn_of_region(parts, region, table, settings):
    ids = region.gauges.index.astype(str).tolist()
    years = table.record_years_column
    if years:
        short = region.gauges[years] < settings.short_record_years
        if short.any():
            names = listed(region.gauges.index[short])
            _warn(parts, region.name, "", f"records under {settings.short_record_years:g} years: {names}")
    pairs = []
    if settings.downstream_column:
        pairs = nested_by_chain(ids, region.gauges[settings.downstream_column].tolist())
    elif region.places_km is not None and "area_km2" in region.gauges:
        pairs = nested_by_place(region.gauges["area_km2"].to_numpy(), region.places_km)
    if pairs:
        told = listed([f"{ids[one]} and {ids[other]}" for one, other in pairs], 3)
        how = "nested gauges" if settings.downstream_column else "gauges so near that they may be nested"
        _warn(parts, region.name, "", f"{how}, which tell the same water twice: {told}")


def _fit_statistic(parts, region, column, table, settings):
    statistic = statistic_of(column)
    gauges, weights = region.gauges, table.record_years_column if settings.method == "weighted" else None
    predictors = _chosen_predictors(parts, region, column, table, settings, weights)
    if predictors is None:
        became = pd.Series("no set of predictors could be fitted", index=gauges.index)
        parts["gauges"].append(_gauge_rows(region, column, became))
        return
    needed = gauges[predictors].to_numpy(dtype=np.float64)
    has_logs = (np.isfinite(needed) & (needed > 0)).all(axis=1)
    zero = (gauges[column] == 0).to_numpy() & has_logs
    sampling = _sampling_errors(region, column, table, settings)
    censored = bool(zero.any()) and settings.zero_flows == "censored"
    try:
        if censored:
            fit = fit_censored_equation(
                gauges, column, predictors, zero, table.source, region.name, settings.censored_below_m3s
            )
        else:
            fit = fit_equation(gauges, column, predictors, table.source, weights, region.name, sampling)
    except InputError as error:
        _warn(parts, region.name, statistic, str(error).replace("\n", "; "))
        became = pd.Series("the fit failed", index=gauges.index)
        parts["gauges"].append(_gauge_rows(region, column, became))
        return
    dropped = fit.diagnostics.dropped.set_index("gauge")["reason"]
    became = dropped.reindex(gauges.index).fillna(FITTED)
    became[zero] = CENSORED if censored else IN_PROBABILITY
    held, groups = _held_out(region, column, predictors, fit, zero if censored else None, weights, sampling)
    widening = interval_widening(held)
    equation = _named(fit.equation, region, widening, held, groups)
    fit = Fit(equation, fit.diagnostics)
    equations = [equation]
    if zero.any() and not censored:
        equations.append(_zero_equation(parts, region, column, predictors, zero, has_logs, table))
    parts["equations"] += equations
    parts["summary"].append(_summary_row(region, column, predictors, fit, zero, held, groups, widening))
    parts["coefficients"].append(_coefficient_rows(region, statistic, predictors, fit.diagnostics))
    parts["gauges"].append(_gauge_rows(region, column, became, fit, predictors, held))
    _warn_of_fit(parts, region, statistic, fit, widening, settings)


def _chosen_predictors(parts, region, column, table, settings, weights):
    if not settings.candidates:
        return list(table.predictors)
    compared = compare_predictors(
        region.gauges, column, table.predictors, settings.candidates, settings.most_candidates, weights
    )
    statistic = statistic_of(column)
    shown = compared.assign(predictors=[", ".join(names) for names in compared["predictors"]])
    shown.insert(0, "region", region.name)
    shown.insert(1, "statistic", statistic)
    parts["candidates"].append(shown)
    best = compared.iloc[0]
    if best["why_not"]:
        _warn(parts, region.name, statistic, f"no set of predictors can be chosen: {best['why_not']}")
        return None
    return list(best["predictors"])


def _sampling_errors(region, column, table, settings):
    if settings.method != "generalised":
        return None
    if column not in settings.year_to_year_log10 or table.record_years_column is None:
        raise InputError.of(
            f"generalised least squares of {column} lacks its errors",
            expected="record_years_column of the gauges, and the statistic's spread from year to year",
            found=f"fit.year_to_year_log10 for {listed(settings.year_to_year_log10) or 'nothing'}",
            fix=f"give both, or choose another fit.method; {column} stands for a column of flow",
        )
    correlation = np.eye(len(region.gauges))
    if region.places_km is not None:
        apart = np.linalg.norm(region.places_km[:, None] - region.places_km[None, :], axis=2)
        correlation = correlation_by_distance(apart, settings.correlation_theta, settings.correlation_alpha_per_km)
    years = region.gauges[table.record_years_column].to_numpy(dtype=np.float64)
    return sampling_covariance(settings.year_to_year_log10[column], years, correlation)


# Each gauge from a fit without its neighbourhood. Groups are those of the region, the same for all statistics.
def _held_out(region, column, predictors, fit, censored, weights, sampling):
    used = region.gauges.index.get_indexer(fit.diagnostics.gauges)
    gauges, groups = region.gauges.iloc[used], region.groups[used]
    design = log_design(gauges, predictors)
    with np.errstate(divide="ignore"):
        response = np.log10(gauges[column].to_numpy(dtype=np.float64))
    if censored is not None:
        below = censored[used]
        limit = float(np.log10(fit.limit_m3s))

        def fitted(kept):
            return least_squares_of_censored(design[kept], response[kept], below[kept], limit)

        held = hold_out(fitted, design, np.where(below, np.nan, response), groups)
        return held, groups
    if sampling is not None:
        errors = sampling[np.ix_(used, used)]

        def fitted(kept):
            return generalised_least_squares(design[kept], response[kept], errors[np.ix_(kept, kept)], False)
    else:
        years = None if weights is None else gauges[weights].to_numpy(dtype=np.float64)

        def fitted(kept):
            return least_squares(design[kept], response[kept], None if years is None else years[kept])

    return hold_out(fitted, design, response, groups), groups


def _named(equation, region, widening, held, groups):
    changes = {"region": None if region.name == ALL else region.name}
    if widening > 1.0:
        inside, count = int(np.nansum(held.covered)), int(np.isfinite(held.residuals).sum())
        how = "neighbourhoods" if len(np.unique(groups)) < len(groups) else "single gauges"
        changes["interval_widening"] = widening
        asked = widening_place(count)
        changes["interval_widening_reason"] = (
            f"held {inside} of {count} gauges when {how} were held out, where {asked} are asked"
        )
    return equation.model_copy(update=changes)


def _zero_equation(parts, region, column, predictors, zero, has_logs, table):
    known = has_logs & np.isfinite(region.gauges[column].to_numpy(dtype=np.float64))
    gauges, statistic = region.gauges[known], statistic_of(column)
    found = fit_zero_probability(log_design(gauges, predictors), zero[known])
    if found.penalised:
        _warn(
            parts,
            region.name,
            statistic,
            f"{zero.sum()} zeros are parted from the others by the predictors, or nearly; the probability of zero "
            "comes from a penalised fit and is rough",
        )
    return Equation(
        statistic=ZERO_OF + statistic,
        form="logistic",
        logit_of="zero",
        constant=found.coefficients[0],
        predictors=tuple(
            predictor_of(name, coefficient, gauges[name], transform="log10")
            for name, coefficient in zip(predictors, found.coefficients[1:], strict=True)
        ),
        flow_unit="none",
        misclassified_percent=found.misclassified_percent,
        covariance=tuple(map(tuple, ((found.covariance + found.covariance.T) / 2).tolist())),
        gauges=int(known.sum()),
        source=table.source,
        table="fitted by sitefinder, logistic regression" + (" with Firth's penalty" if found.penalised else ""),
        region=None if region.name == ALL else region.name,
    )


def _summary_row(region, column, predictors, fit, zero, held, groups, widening):
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


def _coefficient_rows(region, statistic, predictors, diagnostics):
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


# A row a gauge of the region; what the fit says stands only beside those that it used.
def _gauge_rows(region, column, became, fit=None, predictors=(), held=None):
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


def _warn_of_fit(parts, region, statistic, fit, widening, settings):
    found, ids = fit.diagnostics.fit, fit.diagnostics.gauges
    gauges, coefficients = len(ids), len(found.coefficients)
    told = []
    if gauges < settings.least_gauges:
        told.append(f"only {gauges} gauges in the fit, the others are zero or lack a number")
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
    if widening > 1.0:
        told.append(f"interval widened {widening:.2f} times: it {fit.equation.interval_widening_reason}")
    for warning in told:
        _warn(parts, region.name, statistic, warning)
