"""What a run would do again, as text: `sitefinder plan`."""

from textwrap import wrap

from sitefinder.report.text import WIDTH

# Maximum number of reasons shown for a stage.
REASONS_OF_STAGE_SHOWN = 6


def plan_text(title, stages, *, store, results, size_gb):
    """What a run would do again, and why.

    Parameters
    ----------
    title : str
    stages : list
        With ``stage``, ``kept`` and ``reasons`` each, in the order of the run.
    store : path-like
        Folder of stored results.
    results : int
        Number of results in it.
    size_gb : float
        Their size [GB].

    Returns
    -------
    str
    """
    to_do = [stage for stage in stages if not stage.kept]
    kept = [stage.stage for stage in stages if stage.kept]
    lines = [f"{title}: {len(to_do)} of {len(stages)} stages would run"]
    width = max((len(stage.stage) for stage in to_do), default=0)
    for stage in to_do:
        shown = stage.reasons[:REASONS_OF_STAGE_SHOWN]
        rest = len(stage.reasons) - len(shown)
        shown += [f"and {rest} more"] if rest else []
        lines += [
            f"  {stage.stage if not number else '':<{width}}  {reason}" for number, reason in enumerate(shown)
        ]
    if kept:
        lines += wrap(f"up to date: {', '.join(kept)}", WIDTH, initial_indent="  ", subsequent_indent=" " * 14)
    lines.append(f"  store: {store}, {results} results, {size_gb * 1000:.1f} MB")
    return "\n".join(lines) + "\n"
