"""The summary of a run as the command prints it."""

from sitefinder.report.printed import printed_summary
from sitefinder.report.summary import summary_parts


def summary_text(title, tables, *, files=(), **options):
    """The summary with the files that were written.

    Parameters
    ----------
    title, tables
        See `sitefinder.report.summary.summary_parts`.
    files : iterable of path-like
    **options
        The other arguments of `summary_parts`.

    Returns
    -------
    str
    """
    return printed_summary(summary_parts(title, tables, **options), files)
