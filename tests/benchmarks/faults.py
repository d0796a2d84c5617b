"""Faults that deliveries, stores and whole runs survive: one table with counts.

Run as ``python tests/benchmarks/faults.py``. Each process is killed (SIGKILL), asked to end (SIGTERM) or
interrupted (SIGINT, as by Ctrl-C) before one of its file operations, at every one of them in turn, and the work is
done again. Each file of a store is damaged in seven ways, clocks jump, two processes begin at once, and the run is
done again. What comes of it must be what an undisturbed run gives, or a refusal that says what to do. Of
the run of a small valley, with thousands of operations, each hundredth is taken (``--every 1``: all, in hours).
"""

import argparse
import os
import shutil
import signal
import sys
import tempfile
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(REPOSITORY), str(REPOSITORY / "tests" / "tools")]

import faults  # noqa: E402
import small_sums  # noqa: E402
import small_valley  # noqa: E402

from sitefinder import running  # noqa: E402
from sitefinder.delivery.atomic import deliver  # noqa: E402
from sitefinder.errors import InputError  # noqa: E402

KNOWN = ("a.txt", "b.txt", "c.txt", "d.txt")
DELIVERIES = [
    {"a.txt": "1", "b.txt": "1", "d.txt": "same"},
    {"a.txt": "2", "b.txt": "2", "d.txt": "same"},
    {"a.txt": "3", "c.txt": "3", "d.txt": "same"},
]
ROW = "{:<58} {:>7} {:>9} {:>8} {:>6}"


def delivered(folder, number):
    """Deliver small texts."""
    contents = DELIVERIES[number].items()
    writers = {name: lambda path, content=content: path.write_text(content) for name, content in contents}
    deliver(folder, writers, KNOWN, is_own=True)


def texts(folder):
    """Texts of the files right in a folder."""
    return {path.name: path.read_text() for path in folder.iterdir() if path.is_file()} if folder.is_dir() else {}


def counted(name, faults_with_outcome):
    """Print one row: faults, and of them those with a right result, a refusal, a wrong result."""
    count = {"right": 0, "refused": 0, "wrong": 0}
    for outcome in faults_with_outcome:
        count[outcome] += 1
    print(ROW.format(name, sum(count.values()), *count.values()), flush=True)
    return count["wrong"]


SIGNALS = {"killed": signal.SIGKILL, "asked to end": signal.SIGTERM, "interrupted": signal.SIGINT}


def killed_deliveries(folder, before, by):
    """A delivery after others, given a signal at each operation and done again."""
    template, out = folder / f"template-{before}", folder / "out"
    shutil.rmtree(template, ignore_errors=True)
    template.mkdir()
    for number in range(before):
        delivered(template, number)
    for _ in faults.kills(lambda: delivered(out, before), out, lambda: shutil.copytree(template, out), by=by):
        delivered(out, before)
        last = DELIVERIES[before - 1] if before else {}
        is_right = texts(out) == DELIVERIES[before] and texts(out / "previous") == last
        yield "right" if is_right else "wrong"


def killed_sums(folder, by):
    """A run with a store, given a signal at each operation and done again."""
    sums = small_sums.Sums(folder / "store")
    for _ in faults.kills(sums.run, sums.folder, lambda: None, by=by):
        yield "right" if sums.run() == SUMS else "wrong"


SUMS = (108, "2", [])


def sums_at_another_time(folder):
    """A run with a store of which another clock kept the time."""
    for jump_s in faults.JUMPS_S:
        sums = small_sums.Sums(folder / f"time{jump_s:g}")
        sums.run()
        # Something to keep and something to find.
        sums.files["total"] = "2"
        answer = faults.outcome(
            lambda sums=sums: _same(sums.run(), SUMS),
            lambda sums=sums, jump_s=jump_s: faults.at_another_time(sums.folder, jump_s),
        )
        yield "wrong" if answer or sums.run() != SUMS else "right"


def _same(found, expected):
    if found != expected:
        raise RuntimeError(f"{found} in place of {expected}")


def sums_at_once(folder):
    """Two runs that begin with one store at one time."""
    for number in range(20):
        sums = small_sums.Sums(folder / f"once{number}")
        outcomes = faults.at_once(lambda sums=sums: _same(sums.run(), SUMS))
        yield "wrong" if "right" not in outcomes or "wrong" in outcomes or sums.run() != SUMS else min(outcomes)


def deliveries_at_once(folder):
    """Two deliveries that begin into one folder at one time."""
    for number in range(20):
        out = folder / f"into{number}"
        delivered(out, 0)
        outcomes = faults.at_once(lambda out=out: delivered(out, 1))
        is_right = texts(out) == DELIVERIES[1] and "right" in outcomes and "wrong" not in outcomes
        yield min(outcomes) if is_right else "wrong"


def damaged_sums(folder):
    """A run with a store of which one file is damaged."""
    sums = small_sums.Sums(folder / "damaged")
    sums.run()
    for spoilt in damaged(sums.folder, folder / "sound", 1):
        yield spoilt(lambda: sums.run()[:2] == (108, "2"))


def damaged(store, template, every):
    """Each file of a store damaged in each way, in turn; gives what asks whether a run is right then."""
    shutil.copytree(store, template)
    number = 0
    for path in faults.files_in(template):
        for damage in faults.DAMAGES.values():
            number += 1
            if number % every:
                continue
            shutil.rmtree(store)
            shutil.copytree(template, store)
            if damage(store / path.relative_to(template)):
                yield outcome_of


def outcome_of(is_right):
    """What came of a run."""
    try:
        return "right" if is_right() else "wrong"
    except InputError:
        return "refused"


class Valley:
    """Runs of a small valley; each is a fork of this process, which has read the inputs."""

    def __init__(self, folder):
        self.settings = small_valley.write_valley(folder)
        self.out = self.settings.parent / "out"
        self.right = None
        running.run_and_deliver(self.settings)
        self.right = self.files()

    def run(self):
        """Run and deliver."""
        running.run_and_deliver(self.settings)

    def files(self):
        """What is delivered."""
        return {path.name: path.read_bytes() for path in self.out.iterdir() if path.is_file()}

    def is_right(self):
        """Whether a run gives what the first one gave, and keeps nothing half-made."""
        self.run()
        left = list((self.out / ".sitefinder-store" / "drafts").iterdir())
        return self.files() == self.right and not left

    def killed(self, every, by):
        """A first run given a signal, and done again."""
        for _ in faults.kills(self.run, self.out, lambda: None, every, by):
            yield outcome_of(self.is_right)

    def damaged(self, every):
        """A run with a store of which one file is damaged."""
        shutil.rmtree(self.out, ignore_errors=True)
        self.run()
        for spoilt in damaged(self.out / ".sitefinder-store", self.out.parent / "sound", every):
            yield spoilt(self.is_right)


def main():
    """Count and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--every", type=int, default=100, help="take one in this number of faults of a run")
    options = parser.parse_args()
    # A killed process loses nothing that it has handed to the system: there is nothing to wait for here.
    os.fsync = lambda _: None
    print(ROW.format("fault", "faults", "as undis-", "refused", "wrong"))
    print(ROW.format("", "", "turbed", "", ""))
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else None) as scratch:
        folder = Path(scratch)
        wrong = 0
        for word, by in SIGNALS.items():
            wrong += counted(f"first delivery, {word} at each operation", killed_deliveries(folder, 0, by))
            wrong += counted(f"later delivery, {word} at each operation", killed_deliveries(folder, 2, by))
            wrong += counted(f"run of four results, {word} at each operation", killed_sums(folder, by))
        wrong += counted("run of four results, each file of its store damaged", damaged_sums(folder))
        wrong += counted("run of four results, a clock that jumps", sums_at_another_time(folder))
        wrong += counted("two runs at once with one store", sums_at_once(folder))
        wrong += counted("two deliveries at once into one folder", deliveries_at_once(folder))
        (folder / "valley").mkdir()
        valley, one_in = Valley(folder / "valley"), f"1 in {options.every}"
        for word in ("killed", "interrupted"):
            faults_of_runs = valley.killed(options.every, SIGNALS[word])
            wrong += counted(f"run of a valley, {word} at operations ({one_in})", faults_of_runs)
        wrong += counted(f"run of a valley, files of its store damaged ({one_in})", valley.damaged(options.every))
    raise SystemExit(wrong > 0)


if __name__ == "__main__":
    main()
