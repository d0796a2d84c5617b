"""What sample-region/README.md says that a run prints."""

import pytest
from refresh_documents import PRINTED, RUN, marked

pytestmark = pytest.mark.slow


def test_what_the_sample_region_shows_of_a_run_is_what_the_command_prints(other_run, repository):
    shown = (repository / PRINTED).read_text(encoding="utf-8")

    # That run was made so, with other tiles and workers and without progress.
    assert marked(shown, "command", RUN).split() == [".venv/bin/sitefinder", "run", "config/sample.toml"]
    assert other_run.printed == marked(shown, "result", RUN)
