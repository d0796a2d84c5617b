"""The page of plots that shows how well each fitted equation meets its gauges: one HTML file, to open offline."""

from html import escape

import numpy as np
from scipy import stats

from sitefinder.flows.fit_tables import HIGH_COOK, accounted
from sitefinder.report.scatter import scatter

STYLE = """
body { font: 15px/1.5 system-ui, sans-serif; color: #1b2730; background: #fff; margin: 2rem auto; max-width: 66rem;
  padding: 0 1rem; }
h2 { border-top: 2px solid #1b2730; padding-top: .6rem; margin-top: 2.4rem; }
table { border-collapse: collapse; margin: .6rem 0 1rem; font-variant-numeric: tabular-nums; }
th, td { padding: .15rem .7rem .15rem 0; text-align: right; white-space: nowrap; }
th { border-bottom: 1px solid #8a979f; font-weight: 600; }
th:first-child, td:first-child, .words td, .words th { text-align: left; }
.words td:last-child { white-space: normal; }
.figures th { white-space: normal; max-width: 6.5rem; vertical-align: bottom; }
.wide { overflow-x: auto; }
.plots { display: flex; flex-wrap: wrap; gap: .6rem 1rem; }
.frame { fill: none; stroke: #8a979f; }
.tick { stroke: #e3e8eb; }
.line { stroke: #1b2730; stroke-dasharray: 5 3; }
.point { fill: #fff; stroke: #00588a; stroke-width: 1.4; }
.marked { fill: #b3410f; stroke: #b3410f; }
text { font: 10px system-ui, sans-serif; fill: #3b4a54; }
text.title { font-weight: 600; font-size: 11px; fill: #1b2730; }
@media print { h2 { break-before: page; } h2:first-of-type { break-before: auto; } }
"""


def fit_page(source, fits, gauges):
    """Tables, warnings and plots of all fitted equations.

    Parameters
    ----------
    source : str
        Where the gauges come from.
    fits : sitefinder.flows.regional_fit.RegionalFits
    gauges : DataFrame
        The gauge table that was fitted, for the predictors.

    Returns
    -------
    str
        HTML that loads nothing.
    """
    parts = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8"><title>Fitted flow equations</title>',
        f'<meta name="viewport" content="width=device-width"><style>{STYLE}</style></head><body>',
        "<h1>Fitted flow equations</h1>",
        f"<p>From {escape(source)}. A filled point is a gauge whose influence (Cook's distance) is above 4 / n. "
        "Point at a gauge to see its name. Logarithms are to base 10; residuals are observed less fitted.</p>",
        "<h3>What became of the gauges</h3>",
        _table(accounted(fits.gauges), "words"),
    ]
    common = fits.warnings[fits.warnings["statistic"] == ""]
    if len(common):
        parts += ["<h3>Warnings by region</h3>", _table(common[["region", "warning"]], "words")]
    links = [
        f'<a href="#{_anchor(row)}">{escape(row.statistic)}, {escape(row.region)}</a>'
        for row in fits.summary.itertuples()
    ]
    parts.append(f"<h3>Equations</h3><p>{' · '.join(links)}</p>")
    for row in fits.summary.itertuples():
        parts += _section(row, fits, gauges)
    return "\n".join([*parts, "</body></html>", ""])


# One equation: its figures, coefficients, warnings and plots.
def _section(row, fits, gauges):
    def own(table):
        return table[(table["region"] == row.region) & (table["statistic"] == row.statistic)]

    figures = own(fits.summary).drop(columns=["region", "statistic", "fit", "predictors"])
    coefficients = own(fits.coefficients).drop(columns=["region", "statistic"])
    warnings = own(fits.warnings)[["warning"]]
    seen = own(fits.gauges)
    seen = seen[seen["fitted_m3s"].notna()]
    parts = [
        f'<h2 id="{_anchor(row)}">{escape(row.statistic)}, region {escape(row.region)}</h2>',
        f"<p>{escape(row.fit)} on {escape(row.predictors)}.</p>",
        _table(figures, "figures"),
        _table(coefficients, ""),
    ]
    if len(warnings):
        parts.append(_table(warnings, "words"))
    parts.append('<div class="plots">')
    parts += _plots(seen, row.predictors.split(", "), gauges)
    return [*parts, "</div>"]


def _anchor(row):
    return escape(f"{row.statistic}-{row.region}".replace(" ", "-"), quote=True)


def _plots(seen, predictors, gauges):
    names, marked = seen["gauge"].tolist(), (seen["cook"] > HIGH_COOK / len(seen)).tolist()
    fitted = np.log10(seen["fitted_m3s"].to_numpy())
    positive = seen["observed_m3s"].to_numpy() > 0
    observed = np.full(len(seen), np.nan)
    observed[positive] = np.log10(seen["observed_m3s"].to_numpy()[positive])
    residual = seen["residual_log10"].to_numpy()
    known = np.isfinite(residual)
    # Where each residual would stand if they were normal, at Blom's plotting positions.
    normal = np.full(len(seen), np.nan)
    ranks = stats.rankdata(residual[known])
    normal[known] = stats.norm.ppf((ranks - 0.375) / (known.sum() + 0.25))
    spread, middle = float(np.std(residual[known], ddof=1)), float(np.mean(residual[known]))
    parts = [
        scatter(
            "Observed and fitted",
            "log fitted",
            "log observed [m³/s]",
            fitted,
            observed,
            names,
            marked=marked,
            lines=[(1.0, 0.0)],
            same_scale=True,
        ),
        scatter(
            "Residual and fitted",
            "log fitted",
            "residual",
            fitted,
            residual,
            names,
            marked=marked,
            lines=[(0.0, 0.0)],
        ),
        scatter(
            "Are residuals normal?",
            "normal quantile",
            "residual",
            normal,
            residual,
            names,
            marked=marked,
            lines=[(spread, middle)],
        ),
        scatter(
            "Leverage and the gauge left out",
            "leverage",
            "residual without it",
            seen["leverage"],
            seen["left_out_log10"],
            names,
            marked=marked,
            lines=[(0.0, 0.0)],
        ),
    ]
    by_id = gauges.set_axis(gauges.index.astype(str))
    for predictor in predictors:
        value = np.log10(by_id.loc[seen["gauge"], predictor].to_numpy(dtype=np.float64))
        parts.append(
            scatter(
                f"Residual and {predictor}",
                f"log {predictor}",
                "residual",
                value,
                residual,
                names,
                marked=marked,
                lines=[(0.0, 0.0)],
            )
        )
    return parts


def _table(frame, kind):
    head = "".join(f"<th>{escape(name.replace('_', ' '))}</th>" for name in frame.columns)
    rows = "".join(
        "<tr>" + "".join(f"<td>{escape(_cell(value))}</td>" for value in row) + "</tr>"
        for row in frame.itertuples(index=False)
    )
    return f'<div class="wide"><table class="{kind}"><tr>{head}</tr>{rows}</table></div>'


def _cell(value):
    if isinstance(value, float):
        return "" if np.isnan(value) else f"{value:.5g}"
    return str(value)
