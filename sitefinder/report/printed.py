"""Printed output of a run, from stored results of its stages; needs no tables."""

import json

from sitefinder.report.languages import say


def printed_summary(parts, files):
    """The summary of a run with its files.

    Parameters
    ----------
    parts : tuple of str
        Text before and after the files, see `sitefinder.report.summary.summary_parts`.
    files : iterable of path-like

    Returns
    -------
    str
        Ends with a line break.
    """
    before, after = parts
    listed = f"{say('Files')}\n" + "\n".join(f"  {file}" for file in files) if files else ""
    return "\n\n".join(part for part in (before, listed, after) if part) + "\n"


def printed_json(figures, files, notes=()):
    """The figures of a run with its files and warnings, as one JSON object.

    Parameters
    ----------
    figures : dict
        See `sitefinder.report.figures.run_figures`.
    files : iterable of path-like
        Files written.
    notes : iterable of str
        Notes on the store of results.

    Returns
    -------
    str
    """
    last = {"warnings": [*figures["warnings"], *notes], "caution": figures["caution"]}
    first = {name: value for name, value in figures.items() if name not in last}
    whole = first | {"files": [str(file) for file in files]} | last
    return json.dumps(whole, ensure_ascii=False, allow_nan=False, indent=2)
