"""Equations of every statistic and region of a gauge table, what became of each gauge, and what to beware of."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.errors import InputError, listed
from sitefinder.flows.censored_fit import fit_censored_equation, least_squares_of_censored
from sitefinder.flows.equations import ZERO_OF, Equation
from sitefinder.flows.fit_tables import coefficient_rows, doubts_of_fit, gauge_rows, summary_row
from sitefinder.flows.fitting import Fit, fit_equation, log_design, predictor_of, statistic_of
from sitefinder.flows.held_out import hold_out, interval_widening, neighbour_groups
from sitefinder.flows.nested import nested_by_chain, nested_by_place
from sitefinder.flows.regression import (
    correlation_by_distance,
    generalised_least_squares,
    least_squares,
    sampling_covariance,
)
from sitefinder.flows.selection import compare_predictors
from sitefinder.flows.zero_flows import fit_zero_probability

ALL = "all"
FITTED = "fitted"
IN_PROBABILITY = "zero, in the probability of zero"
CENSORED = "zero, counted as less than the limit"


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
        If no region has enough gauges, or the method asks for years of record or their spread that are not there.

    Notes
    -----
    A gauge counts for a region whether its statistic is zero or not, since zeros are fitted too. Intervals are
    tried on whole neighbourhoods held out, and widened where they hold fewer than nine of ten gauges, see
    `sitefinder.flows.held_out.interval_widening`.
    """
    if settings.method != "ordinary" and table.record_years_column is None:
        raise InputError.of(
            f"a {settings.method} fit needs the years of record",
            expected="record_years_column of the gauges",
            found="none",
            fix='name the column, or set fit.method = "ordinary"',
        )
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
                parts["gauges"].append(gauge_rows(region, column, pd.Series(became, index=region.gauges.index)))
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
    if table.x_column and region.places_km is None:
        _warn(parts, region.name, "", "gauges without a place: distances are not used, each is held out alone")
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
    gauges, weights = region.gauges, None if settings.method == "ordinary" else table.record_years_column
    predictors = _chosen_predictors(parts, region, column, table, settings, weights)
    if predictors is None:
        became = pd.Series("no set of predictors could be fitted", index=gauges.index)
        parts["gauges"].append(gauge_rows(region, column, became))
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
        parts["gauges"].append(gauge_rows(region, column, became))
        return
    dropped = fit.diagnostics.dropped.set_index("gauge")["reason"]
    became = dropped.reindex(gauges.index).fillna(FITTED)
    became[zero] = CENSORED if censored else IN_PROBABILITY
    held, groups = _held_out(region, column, predictors, fit, zero if censored else None, weights, sampling)
    widening = interval_widening(held, groups)
    equation = _named(fit.equation, region, widening, held, groups)
    fit = Fit(equation, fit.diagnostics)
    equations = [equation]
    if zero.any() and not censored:
        equations.append(_zero_equation(parts, region, column, predictors, zero, has_logs, table))
    parts["equations"] += equations
    parts["summary"].append(summary_row(region, column, predictors, fit, zero, held, groups, widening))
    parts["coefficients"].append(coefficient_rows(region, statistic, predictors, fit.diagnostics))
    parts["gauges"].append(gauge_rows(region, column, became, fit, predictors, held))
    for doubt in doubts_of_fit(fit, widening, settings):
        _warn(parts, region.name, statistic, doubt)


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
    if column not in settings.year_to_year_log10:
        raise InputError.of(
            f"generalised least squares of {column} lacks its errors",
            expected=f"fit.year_to_year_log10 for {column}, the statistic's spread from year to year",
            found=f"for {listed(settings.year_to_year_log10)}",
            fix="give it, name the columns to fit in fit.statistics, or choose another fit.method",
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
        changes["interval_widening_reason"] = f"held {inside} of {count} gauges when {how} were held out"
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
