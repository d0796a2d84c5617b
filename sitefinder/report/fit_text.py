"""What `sitefinder fit-flows` prints: a line an equation, what became of the gauges, what to beware of."""

import textwrap

from sitefinder.flows.fit_tables import accounted

WIDTH = 100
WARNINGS_SHOWN = 12


def fit_text(source, fits, files=()):
    """The fits as text.

    Parameters
    ----------
    source : str
        Where the gauges come from.
    fits : sitefinder.flows.regional_fit.RegionalFits
    files : iterable of path-like
        What was written.

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
    parts = [
        *textwrap.wrap(head, WIDTH),
        "",
        *_aligned(lines, left=2),
        "",
        *textwrap.wrap(meaning, WIDTH),
        "",
        "What became of the gauges",
        *("  " + line for line in _aligned(_fates(fits), left=2)),
    ]
    if len(fits.warnings):
        parts += ["", "Beware", *_warnings(fits.warnings)]
    if files:
        parts += ["", "Files", *(f"  {file}" for file in files)]
    return "\n".join(parts) + "\n"


def _fates(fits):
    rows = [("statistic", "became", "gauges", "of them zero")]
    for row in accounted(fits.gauges).itertuples():
        rows.append((row.statistic, row.became, str(row.gauges), str(row.zero)))
    return rows


# The first few; the page of plots has them all.
def _warnings(warnings):
    lines = []
    for row in warnings.head(WARNINGS_SHOWN).itertuples():
        where = f"{row.region}, {row.statistic}" if row.statistic else row.region
        lines += textwrap.wrap(f"{where}: {row.warning}", WIDTH - 2, initial_indent="  ", subsequent_indent="    ")
    rest = len(warnings) - WARNINGS_SHOWN
    return [*lines, f"  and {rest} more, on the page of plots"] if rest > 0 else lines


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
