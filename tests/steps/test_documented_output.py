"""What sample-region/README.md says that a run prints."""

import shutil

import pytest
from refresh_documents import PRINTED, RUN, command_output, marked

pytestmark = pytest.mark.slow


def test_what_the_sample_region_shows_of_a_run_is_what_the_command_prints(sample_run, repository, tmp_path):
    shown = (repository / PRINTED).read_text(encoding="utf-8")
    region = sample_run.settings.parents[1]
    # Beside the results that the run of all tests kept; the settings as they are in the checkout.
    shutil.copytree(region, tmp_path, dirs_exist_ok=True)
    shutil.copy(repository / "config" / "sample.toml", tmp_path / "config" / "sample.toml")

    printed = command_output(marked(shown, "command", RUN).rstrip("\n") + " --quiet", tmp_path)

    assert printed == marked(shown, "result", RUN)
