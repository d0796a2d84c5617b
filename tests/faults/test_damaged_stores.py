"""A run that is killed at any file operation, or finds any file of its store damaged, gives what is right."""

import os
import shutil
import signal

import faults
import pytest
from small_sums import Sums

from sitefinder.errors import InputError

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="what is killed are forks of one process")
# 1² + 2, 10² + 2, together 105; and 3.
RIGHT = (108, "2", [])


@pytest.fixture
def kept(quick_folder):
    """The graph of sums, all of whose results are kept."""
    sums = Sums(quick_folder / "store")
    assert sums.run() == RIGHT
    return sums


def left_over(folder):
    """What is no result, record or part of a store."""
    return [path for path in (*folder.glob(".*"), *folder.glob("runs/.*"), *folder.glob("drafts/*"))]


def test_a_first_run_that_is_killed_at_any_operation_is_continued(quick_folder):
    sums, count = Sums(quick_folder / "store"), 0
    for _ in faults.kills(sums.run, sums.folder, lambda: None):
        count += 1
        assert sums.run() == RIGHT
        assert left_over(sums.folder) == []
    assert count > 50


def test_a_first_run_that_is_interrupted_at_any_operation_is_continued_too(quick_folder):
    # Ctrl-C clears up on its way out, which SIGKILL does not; SIGTERM ends a process as that does.
    sums, count = Sums(quick_folder / "store"), 0
    for _ in faults.kills(sums.run, sums.folder, lambda: None, every=3, by=signal.SIGINT):
        count += 1
        assert sums.run() == RIGHT
        assert left_over(sums.folder) == []
    assert count > 16


def test_of_runs_that_begin_at_once_with_a_new_store_one_is_done_and_the_others_are_refused(quick_folder):
    for number in range(4):
        sums = Sums(quick_folder / f"store{number}")
        outcomes = faults.at_once(sums.run, count=3)
        assert set(outcomes) <= {"right", "refused"}
        assert "right" in outcomes
        assert sums.run() == RIGHT


@pytest.mark.parametrize("jump_s", faults.JUMPS_S)
def test_a_clock_that_jumps_between_two_runs_changes_nothing(kept, jump_s):
    kept.files["total"] = "2"

    def run():
        assert kept.run() == RIGHT

    assert faults.outcome(run, lambda: faults.at_another_time(kept.folder, jump_s)) == []
    assert kept.run() == RIGHT


def test_a_run_that_makes_some_results_again_is_continued_too(kept, quick_folder):
    template = quick_folder / "template"
    shutil.copytree(kept.folder, template)
    kept.numbers["a"] = 3

    for _ in faults.kills(kept.run, kept.folder, lambda: shutil.copytree(template, kept.folder)):
        assert kept.run() == (110, "3", [])
        assert left_over(kept.folder) == []


def test_no_damage_to_any_file_of_the_store_gives_another_result(kept, quick_folder):
    template = quick_folder / "template"
    shutil.copytree(kept.folder, template)
    outcomes, refusals = {"reported": 0, "without effect": 0}, []
    for path in faults.files_in(template):
        for damage in faults.DAMAGES.values():
            shutil.rmtree(kept.folder)
            shutil.copytree(template, kept.folder)
            if not damage(kept.folder / path.relative_to(template)):
                continue
            try:
                total, text, notes = kept.run()
            except InputError as error:
                refusals.append((path.name, str(error)))
                continue
            assert (total, text) == RIGHT[:2]
            outcomes["reported" if notes else "without effect"] += 1
            assert kept.run() == RIGHT

    # Without its marker it is no store; a lock is not taken through a link.
    assert {name for name, _ in refusals} == {"store.json", "lock"}
    assert all("fix:" in text for _, text in refusals)
    # All damages but a few to three files of the result that is read, and to two of the one that joins the others;
    # those of the results that were joined are not read.
    assert outcomes["reported"] > 25
