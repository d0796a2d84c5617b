"""What a run would do again, as text."""

from textwrap import wrap

WIDTH = 100
# So many reasons of one stage are told.
SHOWN_REASONS = 6


def plan_text(title, stages, *, store, results, size_gb):
    """What a run would do again and why.

    Parameters
    ----------
    title : str
    stages : list
        With ``stage``, ``kept`` and ``reasons`` each, in the order of the run.
    store : path-like
        Where results are kept.
    results : int
        How many are there.
    size_gb : float
        And how large they are [GB].

    Returns
    -------
    str
    """
    to_do = [stage for stage in stages if not stage.kept]
    kept = [stage.stage for stage in stages if stage.kept]
    lines = [f"{title}: {len(to_do)} of {len(stages)} stages would be done"]
    width = max((len(stage.stage) for stage in to_do), default=0)
    for stage in to_do:
        shown = stage.reasons[:SHOWN_REASONS]
        rest = len(stage.reasons) - len(shown)
        shown += [f"and {rest} more"] if rest else []
        lines += [
            f"  {stage.stage if not number else '':<{width}}  {reason}" for number, reason in enumerate(shown)
        ]
    if kept:
        lines += wrap(f"kept: {', '.join(kept)}", WIDTH, initial_indent="  ", subsequent_indent=" " * 8)
    lines.append(f"  store: {store}, {results} results, {size_gb * 1000:.1f} MB")
    return "\n".join(lines) + "\n"
