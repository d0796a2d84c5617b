"""A delivered run, with the results of its stages beside what it delivered."""

import pytest


def caught_run(path, *, in_memory=False):
    """Run a settings file and deliver, and keep what its stages made.

    Parameters
    ----------
    path : Path
        The settings file.
    in_memory : bool
        True where tables are enough: no file is written, and no result kept.

    Returns
    -------
    delivered : sitefinder.inventory.Inventory
    results : dict
        By the names of the stages.
    """
    # Tests that need no run start without its libraries.
    from sitefinder.pipeline.graph import run_stages  # noqa: PLC0415
    from sitefinder.running import run, run_and_deliver  # noqa: PLC0415

    results = {}

    def caught(*arguments, **options):
        made = run_stages(*arguments, **options)
        results.update(made)
        return made

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sitefinder.running.run_stages", caught)
        return (run if in_memory else run_and_deliver)(path), results
