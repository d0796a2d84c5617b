"""Kills a run over and over, at chosen moments, and runs it again after each; started by test_killed_runs.py.

Nothing in the package helps with it. Each run is a fork of this process, in which one function of the package or
of Python is replaced by one that sends SIGKILL to its own process when its moment has come.

Arguments: the settings file of a small region that has not been run. Prints one JSON object: the moments, and for
each what it left behind.
"""

import gc
import json
import os
import shutil
import signal
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import NamedTuple

from sitefinder import preparation
from sitefinder import running as stages
from sitefinder.pipeline import store
from sitefinder.pipeline.code import module_of

# Results between two kills of those before a move.
MOVES = 20
# Puts in place of a single file: the record of a result at first, and the delivery, digests and the account of the
# run at last.
FIRST_FILE, LAST_FILES = "entry.json", ("sites.gpkg", "files.json", "000001.json")
# Runs to the end that go on beside the next kill.
AT_ONCE = 1
# Of kills in stages that leave nothing but whole results, each twelfth is followed by a run to the end; after the
# others the next kill goes on from what was left, and the last run of all ends with the bytes of all of them.
RUN_AGAIN = 12


def die():
    """End this process at once; nothing is cleaned up."""
    os.kill(os.getpid(), signal.SIGKILL)


def begun(task):
    """A task that runs in a fork of this process: its number and the end of a pipe that its answer comes from."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        status = 1
        try:
            os.write(writing, json.dumps(task()).encode())
            status = 0
        finally:
            os._exit(status)
    os.close(writing)
    return child, reading


def ended(child, reading):
    """The answer of a task, or the number of the signal that ended it."""
    with os.fdopen(reading, "rb") as pipe:
        answer = pipe.read()
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return {"signal": os.WTERMSIG(status)}
    assert os.WEXITSTATUS(status) == 0, "a run failed without being killed; see above"
    return json.loads(answer)


def counted_stages(settings):
    """Calls of Python functions that each stage makes, in the order in which they are run."""
    counts = {}

    def watched(stage):
        def run(**arguments):
            counts.setdefault(stage.name, [])
            calls = [0]

            def count(frame, event, argument):
                calls[0] += event == "call"

            sys.setprofile(count)
            try:
                return stage.function(**arguments)
            finally:
                sys.setprofile(None)
                counts[stage.name].append(calls[0])

        run.__module__ = module_of(stage.run)
        return stage._replace(run=run)

    stages.STAGES = tuple(map(watched, stages.STAGES))
    stages.run_and_deliver(settings, keep=False)
    return {name: calls[0] for name, calls in counts.items()}


def killed_in_stage(settings, name, moment):
    """Run, and die within a stage when this number of its calls were made."""

    def doomed(stage):
        if stage.name != name:
            return stage

        def run(**arguments):
            calls = [0]

            def count(frame, event, argument):
                calls[0] += event == "call"
                if calls[0] >= moment:
                    die()

            sys.setprofile(count)
            try:
                stage.function(**arguments)
            finally:
                die()

        run.__module__ = module_of(stage.run)
        return stage._replace(run=run)

    stages.STAGES = tuple(map(doomed, stages.STAGES))
    stages.run_and_deliver(settings)


def killed_before_move(settings, number):
    """Run, and die when this number of results were moved to their names, and the next one is written aside."""
    moved, move_whole = [0], store.move_whole

    def move(draft, final):
        if moved[0] == number:
            assert Path(draft).is_dir()
            die()
        moved[0] += 1
        move_whole(draft, final)

    store.move_whole = move
    stages.run_and_deliver(settings)


def killed_before_replace(settings, name):
    """Run, and die before a file of this name is put in place: the account, the digests, the delivery."""
    replace = os.replace

    def replaced(source, target):
        if Path(target).name.endswith(name):
            die()
        replace(source, target)

    os.replace = replaced
    stages.run_and_deliver(settings)


def run_again(settings, undisturbed):
    """Run to the end; gives the messages, whether the bytes are right, and what is left lying about.

    What any run before it, killed or not, took for damaged lies with the damaged results.
    """
    notes = list(stages.run_and_deliver(settings).notes)
    out = settings.parent / "out"
    kept = out / ".sitefinder-store"
    return {
        "notes": notes,
        "same": (out / "sites.gpkg").read_bytes() == undisturbed,
        "left": sorted(path.name for path in out.iterdir()),
        "drafts": sorted(path.name for path in (kept / "drafts").iterdir()),
        "damaged": sorted(path.name for path in (kept / "damaged").iterdir()),
    }


def writing():
    """Names of the stages that are given a folder to write to."""
    return {stage.name for stage in stages.STAGES if "scratch" in stage.reads}


class Moment(NamedTuple):
    """A moment with its name, the run that is killed then, and what follows the kill."""

    name: str
    kill: Callable
    # True where a run to the end follows, besides the next kill, which goes on from what was left.
    run_again: bool
    # True where the run that is killed finds nothing kept.
    from_nothing: bool = False


def moments_of(settings):
    """The moments, in order."""
    moments, whole = [], 0
    calls = ended(*begun(partial(counted_stages, settings)))
    for number, (name, count) in enumerate(calls.items()):
        # At the first call, halfway, and when all is done but not kept. A stage without a folder to write to
        # leaves the same at any of them: such stages take turns.
        of_stage = (1, (count + 1) // 2, count + 1)
        whole += name not in writing()
        for at in of_stage if name in writing() else of_stage[number % 3 :][:1]:
            entries = f"in {name}, at call {at} of {count}" if at <= count else f"in {name}, after call {count}"
            again = at == of_stage[1] if name in writing() else whole % RUN_AGAIN == 0
            last = number + 1 == len(calls)
            kill = partial(killed_in_stage, settings, name, at)
            moments.append(Moment(entries, kill, again or last, from_nothing=not moments))
    kill = partial(killed_before_replace, settings, FIRST_FILE)
    moments.append(Moment(f"before {FIRST_FILE}", kill, run_again=True, from_nothing=True))
    # The record of a first result was not kept, so that all are still to be moved.
    for number in range(0, len(calls), MOVES):
        # The first dies at once, and each later one after some more.
        kill = partial(killed_before_move, settings, min(number, MOVES))
        moments.append(Moment(f"before move {number}", kill, run_again=number == 2 * MOVES))
    for name in LAST_FILES:
        moments.append(Moment(f"before {name}", partial(killed_before_replace, settings, name), run_again=True))
    return moments


def main():
    settings = Path(sys.argv[1])
    out, entries, going = settings.parent / "out", [], []
    # What was written stays when a process is killed, so that waiting for the disk would show nothing.
    os.fsync = lambda _: None
    # Inputs are read once, and all is compiled in this process, so that its forks are quick.
    inputs = preparation.read_run(settings)[1]
    preparation.read_inputs = lambda *_: inputs
    undisturbed = stages.run_and_deliver(settings, keep=False).path.read_bytes()
    moments = moments_of(settings)
    # What is loaded by now stays: forks need not search it for garbage, and so need not copy it.
    gc.collect()
    gc.freeze()
    gc.set_threshold(200_000, 50, 100)
    for number, moment in enumerate(moments):
        # From kill to kill the store grows, so that each run goes as far as its own moment.
        if moment.from_nothing:
            shutil.rmtree(out, ignore_errors=True)
        ending = ended(*begun(moment.kill))
        drafts = [path for path in (out / ".sitefinder-store" / "drafts").iterdir() if path.is_dir()]
        entries.append(
            {
                "moment": moment.name,
                "ended": ending,
                "delivered": (out / "sites.gpkg").exists(),
                "kept": len(list((out / ".sitefinder-store" / "results").iterdir())),
                "half_written": len(drafts),
            }
        )
        if not moment.run_again:
            continue
        # The run after it works on a copy, beside the next kill, which finds what this one left.
        copy = settings.parent / f"after-{number}"
        shutil.copytree(out, copy / "out")
        shutil.copy(settings, copy)
        going.append((entries[-1], begun(partial(run_again, copy / settings.name, undisturbed))))
        while len(going) > AT_ONCE:
            row, task = going.pop(0)
            row.update(ended(*task))
    for row, task in going:
        row.update(ended(*task))
    print(json.dumps(entries))


if __name__ == "__main__":
    main()
