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
    pytest.mark.exhaustive,
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
        # Where a stage writes files, what is left depends on the moment.
        expected = 3 if "scratch" in stage.reads else 1
        assert sum(kill["moment"].startswith(f"in {stage.name},") for kill in killed) == expected
    assert sum("scratch" in stage.reads for stage in STAGES) >= 3
    for words in ("at call 1 of", "after call"):
        assert sum(words in kill["moment"] for kill in killed) >= 15
    assert sum(kill["moment"].startswith("before ") for kill in killed) >= 8
    assert len(killed) >= 60
    assert all(kill["ended"] == {"signal": signal.SIGKILL} for kill in killed)


@pytest.fixture
def run_again(killed):
    """Those kills after which a run went on to the end."""
    return [kill for kill in killed if "same" in kill]


def test_every_run_after_a_kill_ends_as_one_that_was_never_disturbed(killed, run_again):
    assert [kill["moment"] for kill in run_again if not kill["same"]] == []
    # After a kill in each stage that writes files, after all kills before a file is put in place, and after the
    # last in a stage and of all: those went on from what the kills before them had left.
    moments = [kill["moment"] for kill in run_again]
    for stage in STAGES:
        if "scratch" in stage.reads:
            assert sum(moment.startswith(f"in {stage.name},") for moment in moments) == 1
    in_stages = [kill["moment"] for kill in killed if kill["moment"].startswith("in ")]
    files = {f"before {name}" for name in ("entry.json", "sites.gpkg", "files.json", "000001.json")}
    assert {in_stages[-1], killed[-1]["moment"], *files} <= set(moments)
    assert len(moments) >= 15


def test_no_kill_damages_what_is_kept(run_again):
    assert [note for kill in run_again for note in kill["notes"]] == []
    # Nor did a run find damage that was killed itself and could not say so.
    assert [name for kill in run_again for name in kill["damaged"]] == []


def test_each_run_goes_on_from_what_the_one_before_had_kept(killed):
    kept = [kill["kept"] for kill in killed if kill["moment"].startswith("in ")]
    assert kept == sorted(kept)
    assert kept[0] == 0
    assert kept[-1] >= len(STAGES) - 1
    # What is written aside at the moment of a kill is not yet there by its name.
    moves = {kill["moment"]: kill["kept"] for kill in killed if kill["moment"].startswith("before move ")}
    assert moves == {f"before move {number}": number for number in range(0, len(STAGES), 20)}
    assert all(kill["half_written"] for kill in killed)


def test_a_killed_run_delivers_nothing(killed):
    # Digests of files and the record of the run are written once everything is delivered.
    after = ["before files.json", "before 000001.json"]
    assert [kill["moment"] for kill in killed if kill["delivered"]] == after


def test_the_run_after_a_kill_clears_away_what_was_half_written(run_again):
    assert all(kill["drafts"] == [] for kill in run_again)
    left = (".sitefinder-delivery", ".sitefinder-store", "sites.gpkg")
    assert {tuple(kill["left"]) for kill in run_again} == {left}


def test_the_moments_lie_all_through_a_stage(killed):
    moments = [kill["moment"] for kill in killed if kill["moment"].startswith("in terrain, at")]
    (first, of), (middle, _) = (map(int, re.findall(r"\d+", moment)) for moment in moments)

    assert first == 1
    assert middle == pytest.approx(of / 2, abs=1)
    assert of > 100
