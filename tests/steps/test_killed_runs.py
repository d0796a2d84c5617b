"""A run that is killed at any moment, and run again, ends as one that was never disturbed."""

import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from sitefinder.delivery.graph import STAGES

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not hasattr(os, "fork"), reason="the runs to be killed are forks of one process"),
]


@pytest.fixture(scope="module")
def killed(write_valley, made_once):
    """What came of each kill, see killed_runs.py."""

    def made(folder):
        script = Path(__file__).parent / "killed_runs.py"
        command = [sys.executable, script, write_valley(folder)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)

    return made_once("killed", made)


def test_enough_runs_were_killed_and_each_really_was(killed):
    for stage in STAGES:
        assert sum(kill["moment"].startswith(f"in {stage.name},") for kill in killed) == 3
    assert sum(kill["moment"].startswith("before ") for kill in killed) >= 5
    assert len(killed) >= 60
    assert all(kill["ended"] == {"signal": signal.SIGKILL} for kill in killed)


def test_every_run_after_a_kill_ends_as_one_that_was_never_disturbed(killed):
    assert [kill["moment"] for kill in killed if not kill["same"]] == []


def test_no_kill_damages_what_is_kept(killed):
    assert [note for kill in killed for note in kill["notes"]] == []


def test_a_killed_run_delivers_nothing(killed):
    # Digests of files and the record of the run are written once everything is delivered.
    after = ["before files.json", "before 000001.json"]
    assert [kill["moment"] for kill in killed if kill["delivered"]] == after


def test_the_run_after_a_kill_clears_away_what_was_half_written(killed):
    assert all(kill["drafts"] == [] for kill in killed)
    assert {tuple(kill["left"]) for kill in killed} == {(".sitefinder-store", "sites.gpkg")}


def test_the_moments_lie_all_through_a_stage(killed):
    moments = [kill["moment"] for kill in killed if kill["moment"].startswith("in terrain, at")]
    (first, of), (middle, _) = (map(int, re.findall(r"\d+", moment)) for moment in moments)

    assert first == 1
    assert middle == pytest.approx(of / 2, abs=1)
    assert of > 100
