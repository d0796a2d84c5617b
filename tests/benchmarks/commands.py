"""What whole commands cost in processor time, on the sample region: one table, each the median of three.

Run as ``python tests/benchmarks/commands.py``, alone on the machine; ``--fresh`` adds the very first run, whose
compiled kernels are not on disk yet, and ``--first-region`` measures on the smaller region for which times were
first stated. It works in a copy of the sample region and needs the standard library alone.
User seconds of the command and of all processes that it starts are counted; the ratio is to the first full run.
"""

import argparse
import io
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tarfile
import tempfile
import time
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[2]
TIMES = 3
RULE = """
[[rules]]
name = "one more {number}"
path = "../sample-region/one-more-{number}.gpkg"
id_column = "protected_id"
buffer_m = {buffer_m}
action = "exclude"
"""
FIRST_COMMIT = "34dc0265"
COLUMNS = "{:<44} {:>12} {:>10} {:>11}"


def sample(folder):
    """The sample region in a folder of its own: its settings."""
    shutil.copytree(REPOSITORY / "config", folder / "config")
    not_data = shutil.ignore_patterns("*.py", "out*", "__pycache__")
    shutil.copytree(REPOSITORY / "sample-region", folder / "sample-region", ignore=not_data)
    return folder / "config" / "sample.toml"


def first_sample(folder):
    """The sample region as it was when these times were first stated, and settings that ask for no more than then.

    It has since gained drops, screens, groups of fish, seasons and measured sections, so that its times do not
    show how those of the program have changed.
    """
    packed = subprocess.run(
        ["git", "archive", FIRST_COMMIT, "sample-region"], cwd=REPOSITORY, capture_output=True, check=False
    )
    if packed.returncode:
        raise SystemExit(
            f"needs the history of the repository, with commit {FIRST_COMMIT}\n{packed.stderr.decode()}"
        )
    with tarfile.open(fileobj=io.BytesIO(packed.stdout)) as files:
        files.extractall(folder, filter="data")
    shutil.copytree(REPOSITORY / "config", folder / "config")
    shutil.copy(Path(__file__).with_name("first_region.toml"), folder / "config" / "sample.toml")
    return folder / "config" / "sample.toml"


def seconds_of(*arguments, environment=None):
    """User CPU and elapsed seconds of one command, which must succeed."""
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime, time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "sitefinder", *map(str, arguments)],
        cwd=REPOSITORY,
        env=os.environ | {"PYTHONDONTWRITEBYTECODE": ""} | (environment or {}),
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        raise SystemExit(done.stderr)
    user = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - before
    return user, time.perf_counter() - began


def first_runs(settings, folder, is_fresh):
    """Seconds of runs into an empty folder; where fresh, with an empty folder of compiled kernels as well."""
    measured = []
    for number in range(TIMES):
        shutil.rmtree(folder / "sample-region" / "out", ignore_errors=True)
        kernels = {"NUMBA_CACHE_DIR": str(folder / f"kernels-{number}")} if is_fresh else None
        measured.append(seconds_of("run", settings, "--quiet", environment=kernels))
    return measured


def with_one_more(settings, folder):
    """Seconds of runs that each have one exclusion layer that no run before had."""
    measured, text = [], settings.read_text(encoding="utf-8")
    for number in range(1, TIMES + 1):
        region = folder / "sample-region"
        shutil.copy(region / "protected.gpkg", region / f"one-more-{number}.gpkg")
        settings.write_text(text + RULE.format(number=number, buffer_m=10.0 * number), encoding="utf-8")
        measured.append(seconds_of("run", settings, "--quiet"))
    settings.write_text(text, encoding="utf-8")
    return measured


def main():
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--fresh", action="store_true", help="also the very first run, without compiled kernels")
    parser.add_argument(
        "--first-region", action="store_true", help="the smaller sample region for which times were first stated"
    )
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        settings = first_sample(folder) if options.first_region else sample(folder)
        seconds_of("run", settings, "--quiet")  # warms the caches
        measured = {
            "sitefinder --version": [seconds_of("--version") for _ in range(TIMES)],
            "first full run": first_runs(settings, folder, is_fresh=False),
            "run, nothing changed": [seconds_of("run", settings, "--quiet") for _ in range(TIMES)],
            "run, one more exclusion layer": with_one_more(settings, folder),
        }
        if options.fresh:
            measured["very first run, no compiled kernels"] = first_runs(settings, folder, is_fresh=True)
    medians = {
        name: [statistics.median(column) for column in zip(*rows, strict=True)] for name, rows in measured.items()
    }
    whole = medians["first full run"][0]
    print(COLUMNS.format("command", "user CPU [s]", "ratio", "elapsed [s]"))
    for name, (user, elapsed) in medians.items():
        print(COLUMNS.format(name, f"{user:.2f}", f"{user / whole:.2f}", f"{elapsed:.1f}"))


if __name__ == "__main__":
    main()
