"""Printed output and plots of `sitefinder fit-flows`."""

import math
import textwrap

import numpy as np

from sitefinder.hydrology.regional_fit import HIGH_COOK, accounted
from sitefinder.hydrology.regression import NO_FORMS, design_of, term_of
from sitefinder.report.flow_quality import mean_flow_text, suspect_lines
from sitefinder.report.templates import environment
from sitefinder.report.text import WIDTH

WARNINGS_SHOWN = 12
COEFFICIENTS_SHOWN = 24


def fit_text(source, fits, files=()):
    """The fits as text.

    Parameters
    ----------
    source : str
        Source of the gauges.
    fits : sitefinder.hydrology.regional_fit.RegionalFits
    files : iterable of path-like
        Files written.

    Returns
    -------
    str
        The same for the same fits; ends with a line break.
    """
    summary = fits.summary
    regions, gauges = summary["region"].nunique(), fits.gauges["gauge"].nunique()
    head = f"{len(fits.equations)} equations in {_counted(regions, 'region')} from {gauges} gauges: {source}"
    lines = [
        ("region", "statistic", "n", "zeros", "s log10", "SE %", "R²", "bias", "left out", "inside %", "widened")
    ]
    lines += [
        (
            row.region,
            row.statistic,
            str(row.gauges),
            str(row.zeros),
            f"{row.standard_error_log10:.5f}",
            f"{row.standard_error_percent:.2f}",
            f"{row.r_squared:.5f}",
            f"{row.bias_correction:.5f}",
            f"{row.leave_one_out_rmse_log10:.5f}",
            f"{row.held_out_inside_percent:.0f}",
            f"{row.interval_widening:.2f}" if row.interval_widening > 1 else "",
        )
        for row in summary.itertuples()
    ]
    meaning = (
        "n: gauges in the fit. s, SE %: standard error. bias: factor from the median to the mean. left out: error "
        "(RMSE, log10) at each gauge from a fit without it. inside %: gauges within the 90 % interval of a fit "
        "without their neighbourhood. widened: factor on the interval's width in logs for that."
    )
    regressions = [one._asdict() for one in fits.mean_regressions]
    suspects = fits.suspects.to_dict("records")
    parts = [
        *textwrap.wrap(head, WIDTH),
        *textwrap.wrap(mean_flow_text(regressions, refuses=False), WIDTH),
        *suspect_lines(suspects, gauges, "gauges"),
        "",
        *_aligned(lines, left=2),
        "",
        *textwrap.wrap(meaning, WIDTH),
        "",
        "Coefficients and their standard errors, of log10 of the flow",
        *("  " + line for line in _aligned(_coefficients(fits), left=3)),
        "",
        "Use of the gauges",
        *("  " + line for line in _aligned(_fates(fits), left=2)),
    ]
    if len(fits.warnings):
        parts += ["", "Beware", *_warnings(fits.warnings)]
    if files:
        parts += ["", "Files", *(f"  {file}" for file in files)]
    return "\n".join(parts) + "\n"


# A row a coefficient, of the first few equations; diagnostics.csv has them all.
def _coefficients(fits):
    rows = [("region", "statistic", "term", "coefficient", "standard error", "t-value", "p-value")]
    table = fits.coefficients
    for row in table.head(COEFFICIENTS_SHOWN).itertuples():
        p = f"below {SMALLEST_P}" if row.p < SMALLEST_P else f"{row.p:.3f}"
        figures = f"{row.coefficient:.5g}", f"{row.standard_error:.3g}", f"{row.t:.2f}", p
        rows.append((row.region, row.statistic, row.term, *figures))
    rest = len(table) - COEFFICIENTS_SHOWN
    return [*rows, (f"and {rest} more, see diagnostics.csv", *6 * ("",))] if rest > 0 else rows


def _fates(fits):
    rows = [("statistic", "became", "gauges", "zero flows")]
    for row in accounted(fits.gauges).itertuples():
        rows.append((row.statistic, row.became, str(row.gauges), str(row.zero)))
    return rows


# The first few; plots.html has them all.
def _warnings(warnings):
    lines = []
    for row in warnings.head(WARNINGS_SHOWN).itertuples():
        where = f"{row.region}, {row.statistic}" if row.statistic else row.region
        lines += textwrap.wrap(f"{where}: {row.warning}", WIDTH - 2, initial_indent="  ", subsequent_indent="    ")
    rest = len(warnings) - WARNINGS_SHOWN
    return [*lines, f"  and {rest} more, see plots.html"] if rest > 0 else lines


# Columns with two spaces between; the first few to the left, numbers to the right.
def _aligned(rows, left):
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return [
        "  ".join(
            cell.ljust(width) if column < left else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]


def _counted(number, word):
    return f"{number} {word}" + ("" if number == 1 else "s")


# Size of a plot and the edges of its frame [pixels].
PLOT_WIDTH, HEIGHT = 250, 210
LEFT, RIGHT, TOP, BOTTOM = 46, PLOT_WIDTH - 8, 20, HEIGHT - 34
MAXIMUM_TICKS = 5
STEPS = (1, 2, 5, 10)
# Words of headings of columns; others are shown as they are, without underlines.
HEADINGS = {
    "became": "use",
    "zero": "zero flows",
    "zeros": "zero flows",
    "p": "p-value",
    "t": "t-value",
    "normality_p": "normality, p-value",
    "r_squared": "R²",
    "standard_error_log10": "standard error, log10",
    "standard_error_percent": "standard error [%]",
    "leave_one_out_rmse_log10": "leave-one-out RMSE, log10",
    "held_out_inside_percent": "held-out gauges inside their interval [%]",
}
P_VALUES, SMALLEST_P = ("p", "normality_p"), 0.001


def fit_page(source, fits, gauges, forms=NO_FORMS):
    """Tables, warnings and plots of all fitted equations.

    Parameters
    ----------
    source : str
        Source of the gauges.
    fits : sitefinder.hydrology.regional_fit.RegionalFits
    gauges : DataFrame
        The gauge table that was fitted, for the predictors.
    forms : dict of str to sitefinder.settings.flows.PredictorForm, optional

    Returns
    -------
    str
        HTML that loads nothing and runs no script.
    """
    common = fits.warnings[fits.warnings["statistic"] == ""]
    return (
        environment(__package__)
        .get_template("fit_page.html.j2")
        .render(
            source=source,
            gauges=_table(accounted(fits.gauges), "words"),
            mean_flow=mean_flow_text([one._asdict() for one in fits.mean_regressions], refuses=False),
            suspects=_table(fits.suspects, "words") if len(fits.suspects) else None,
            warnings=_table(common[["region", "warning"]], "words") if len(common) else None,
            fits=[_fit(row, fits, gauges, forms) for row in fits.summary.itertuples()],
        )
    )


# One equation: its figures, coefficients, warnings and plots.
def _fit(row, fits, gauges, forms):
    def own(table):
        return table[(table["region"] == row.region) & (table["statistic"] == row.statistic)]

    warnings = own(fits.warnings)[["warning"]]
    used = own(fits.gauges)
    used = used[used["fitted_m3s"].notna()]
    return {
        "statistic": row.statistic,
        "region": row.region,
        "anchor": f"{row.statistic}-{row.region}".replace(" ", "-"),
        "method": row.fit,
        "predictors": row.predictors,
        "figures": _table(own(fits.summary).drop(columns=["region", "statistic", "fit", "predictors"]), "figures"),
        "coefficients": _table(own(fits.coefficients).drop(columns=["region", "statistic"]), ""),
        "warnings": _table(warnings, "words") if len(warnings) else None,
        "plots": _plots(used, row.predictors.split(", "), gauges, forms),
    }


def _table(frame, kind):
    headings = [HEADINGS.get(name, name.replace("_", " ")) for name in frame.columns]
    return {
        "kind": kind,
        "headings": headings,
        "rows": [
            [_cell(name, value) for name, value in zip(frame.columns, row, strict=True)]
            for row in frame.itertuples(index=False)
        ],
    }


def _cell(name, value):
    if not isinstance(value, float):
        return str(value)
    if np.isnan(value):
        return ""
    return f"below {SMALLEST_P}" if name in P_VALUES and value < SMALLEST_P else f"{value:.4g}"


def _plots(used, predictors, gauges, forms):
    names, marked = used["gauge"].tolist(), (used["cook"] > HIGH_COOK / len(used)).tolist()
    fitted = np.log10(used["fitted_m3s"].to_numpy())
    positive = used["observed_m3s"].to_numpy() > 0
    observed = np.full(len(used), np.nan)
    observed[positive] = np.log10(used["observed_m3s"].to_numpy()[positive])
    residual = used["residual_log10"].to_numpy()
    spread, middle = float(np.nanstd(residual, ddof=1)), float(np.nanmean(residual))

    def plot(title, x_label, y_label, x, y, line=(0.0, 0.0), same_scale=False):
        return scatter(title, x_label, y_label, x, y, names, marked=marked, lines=[line], same_scale=same_scale)

    by_id = gauges.set_axis(gauges.index.astype(str))
    in_form = design_of(by_id.loc[used["gauge"]], predictors, forms)[:, 1:].T
    return [
        plot("Observed and fitted", "log fitted", "log observed [m³/s]", fitted, observed, (1.0, 0.0), True),
        plot("Residual and fitted", "log fitted", "residual", fitted, residual),
        plot(
            "Residuals and normal quantiles",
            "normal quantile",
            "residual",
            _normal_quantiles(used["residual_log10"]),
            residual,
            (spread, middle),
        ),
        plot(
            "Leverage and deleted residual",
            "leverage",
            "deleted residual",
            used["leverage"],
            used["left_out_log10"],
        ),
        *(
            plot(f"Residual and {name}", _axis(name, forms), "residual", values, residual)
            for name, values in zip(predictors, in_form, strict=True)
        ),
    ]


def _axis(name, forms):
    term = term_of(name, forms)
    return term if name in forms and forms[name].transform != "log" else f"log {term}"


# Where each residual would lie if they were normal, at Blom's plotting positions (i − 3/8) / (n + 1/4).
def _normal_quantiles(residuals):
    from scipy.special import ndtri  # noqa: PLC0415 (only this command needs it)

    return ndtri((residuals.rank().to_numpy(dtype=np.float64) - 0.375) / (residuals.notna().sum() + 0.25))


def scatter(title, x_label, y_label, x, y, names, *, marked=None, lines=(), same_scale=False):
    """A scatter plot for the template, in pixels.

    Parameters
    ----------
    title, x_label, y_label : str
    x, y : sequence of float
        Points where either is not finite are left out, and the title says how many.
    names : sequence of str
        What a browser shows of a point under the pointer.
    marked : sequence of bool, optional
        Points to fill.
    lines : sequence of (float, float)
        Straight lines to draw, as slope and intercept.
    same_scale : bool
        Whether both axes span the same numbers.

    Returns
    -------
    dict
        ``points`` of (x, y, class, name), ``x_ticks`` and ``y_ticks`` of (place, label), ``lines`` of their ends,
        ``left_out`` (number of points), the texts, and the edges of the frame.
    """
    marked = [False] * len(x) if marked is None else marked
    points = [
        (float(one), float(other), "marked" if mark else "point", str(name))
        for one, other, name, mark in zip(x, y, names, marked, strict=True)
        if math.isfinite(one) and math.isfinite(other)
    ]
    across, up = _span([point[0] for point in points]), _span([point[1] for point in points])
    if same_scale:
        across = up = (min(across[0], up[0]), max(across[1], up[1]))

    def column(value):
        return f"{LEFT + (value - across[0]) / (across[1] - across[0]) * (RIGHT - LEFT):.1f}"

    def row(value):
        return f"{BOTTOM - (value - up[0]) / (up[1] - up[0]) * (BOTTOM - TOP):.1f}"

    ends = [_ends(slope, intercept, across, up) for slope, intercept in lines]
    return {
        "title": title,
        "x_label": x_label,
        "y_label": y_label,
        "left_out": len(x) - len(points),
        "points": [(column(one), row(other), kind, name) for one, other, kind, name in points],
        "x_ticks": [(column(tick), f"{tick:g}") for tick in _ticks(*across)],
        "y_ticks": [(row(tick), f"{tick:g}") for tick in _ticks(*up)],
        "lines": [(column(x1), row(y1), column(x2), row(y2)) for x1, y1, x2, y2 in filter(None, ends)],
        "width": PLOT_WIDTH,
        "height": HEIGHT,
        "left": LEFT,
        "right": RIGHT,
        "top": TOP,
        "bottom": BOTTOM,
    }


# The range of the numbers with a twentieth of it on either side; around a lone number, half a unit.
def _span(numbers):
    if not numbers:
        return 0.0, 1.0
    lowest, highest = min(numbers), max(numbers)
    room = 0.05 * (highest - lowest) or 0.5
    return lowest - room, highest + room


# Round numbers inside a range, at most five or six.
def _ticks(lowest, highest):
    rough = (highest - lowest) / MAXIMUM_TICKS
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(factor * power for factor in STEPS if factor * power >= rough * (1 - 1e-9))
    first, last = math.ceil(lowest / step), math.floor(highest / step)
    return [round(number * step, 12) + 0.0 for number in range(first, last + 1)]


# The ends of the piece of a line inside the frame, or None.
def _ends(slope, intercept, across, up):
    left, right = across
    if slope != 0:
        where = sorted((height - intercept) / slope for height in up)
        left, right = max(left, where[0]), min(right, where[1])
    elif not up[0] <= intercept <= up[1]:
        return None
    if left >= right:
        return None
    return left, slope * left + intercept, right, slope * right + intercept
