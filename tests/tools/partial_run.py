"""Runs that end early: what some results or tables of a run need is made, and nothing else."""

import pytest


class _Enough(Exception):
    """What was asked for is there."""


def results_of(settings, *stages, **options):
    """Run a settings file in memory, as far as some of its stages need.

    What comes before the stages is that of `sitefinder.running.run`: settings and inputs are read and judged.
    Each stage is made by the same graph and from the same results as in a whole run.

    Parameters
    ----------
    settings : Path or Settings
    *stages : str
        Names of the stages whose results are wanted.
    **options
        Of `sitefinder.running.run`.

    Returns
    -------
    dict
        Results by stage.
    """
    # Tests that need no run start without its libraries.
    from sitefinder.pipeline.graph import run_stages  # noqa: PLC0415
    from sitefinder.running import run  # noqa: PLC0415

    results = {}

    def run_some(all_stages, given, **how):
        made = run_stages(_needed(all_stages, stages), given, **how)
        results.update({name: made[name] for name in stages})
        raise _Enough

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sitefinder.running.run_stages", run_some)
        with pytest.raises(_Enough):
            run(settings, **options)
    return results


def tables_of(settings, *layers, **options):
    """Run a settings file in memory, as far as some of its tables need; see `results_of`.

    Parameters
    ----------
    settings : Path or Settings
    *layers : str
        Names of the delivered layers that are wanted.
    **options
        Of `sitefinder.running.run`.

    Returns
    -------
    dict of DataFrame
        Tables by layer.
    """
    results = results_of(settings, *(f"{layer}_table" for layer in layers), **options)
    return {layer: results[f"{layer}_table"] for layer in layers}


# Stages that others are made from, in the order of the run. Those that nothing reads judge and may stop a run.
def _needed(stages, names):
    by_name = {stage.name: stage for stage in stages}
    read = {name for stage in stages for name in stage.reads}
    judging = [stage.name for stage in stages if stage.name.startswith("check_") and stage.name not in read]
    needed, left = set(), [*names, *judging]
    while left:
        name = left.pop()
        if name in by_name and name not in needed:
            needed.add(name)
            left += by_name[name].reads
    return [stage for stage in stages if stage.name in needed]
