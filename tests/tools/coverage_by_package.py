"""Lines and branches that the tests reach, by package.

    python tests/tools/coverage_by_package.py                  the quick tests; minutes
    python tests/tools/coverage_by_package.py --all            all tests; long
    python tests/tools/coverage_by_package.py --packages dem   of these packages alone, by their own tests
    python tests/tools/coverage_by_package.py --least 10       and the ten modules with the lowest share

Compiled code is not seen by what counts lines. So the tests of packages with compiled kernels run a second time,
beside the first, with the compiler off (``NUMBA_DISABLE_JIT=1``): each for at most 20 seconds of its own work
(`stop_long_tests.py`), after which it is skipped and counted as such. What it reached until then counts.
"""

import argparse
import collections
import concurrent.futures
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import coverage

REPOSITORY = Path(__file__).resolve().parents[2]
PACKAGE = REPOSITORY / "sitefinder"
# Packages with tests of compiled kernels.
WITH_KERNELS = ("dem", "network", "profile", "hydrology", "energy", "rules", "siting", "laws")
# A test that takes longer than this without the compiler is stopped [s].
LONGEST_S = 20
ROW = "{:<34} {:>7} {:>7} {:>9} {:>9} {:>7}"


def run_tests(data, tests, compiler=True):
    """Run tests and keep what they reach.

    Parameters
    ----------
    data : Path
        File of coverage, to which it is added.
    tests : list of str
        Arguments of pytest.
    compiler : bool
        Off: tests that take long then are stopped.

    Returns
    -------
    bool
        Whether all passed.
    """
    search = [str(REPOSITORY), *filter(None, [os.environ.get("PYTHONPATH")])]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(search), "COVERAGE_FILE": str(data)}
    stopped = []
    if not compiler:
        environment |= {"NUMBA_DISABLE_JIT": "1", "SITEFINDER_TEST_LONGEST_S": str(LONGEST_S)}
        stopped = ["-p", "tests.tools.stop_long_tests"]
    command = [sys.executable, "-m", "coverage", "run", "--branch", "--append", f"--source={PACKAGE}"]
    command += ["-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "no:benchmark", *stopped]
    return subprocess.run([*command, *tests], cwd=REPOSITORY, env=environment, check=False).returncode == 0


def counts(files):
    """Counts of files of coverage together, by module: lines, those reached, branches, those taken."""
    read = coverage.Coverage(data_file=None, branch=True, source=[str(PACKAGE)])
    read.combine([str(each) for each in files], keep=True)
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        inside = path.relative_to(PACKAGE)
        if path.name == "_version.py":
            continue
        numbers = read._analyze(str(path)).numbers
        found[inside.as_posix()] = collections.Counter(
            lines=numbers.n_statements,
            reached=numbers.n_executed,
            branches=numbers.n_branches,
            taken=numbers.n_executed_branches,
        )
    return found


def package_of(module):
    """The package that a module is in."""
    package, _, inside = module.partition("/")
    return package if inside else "top level"


def share_of(count):
    """Share of lines and branches that are reached; 1 where there is nothing to reach."""
    total = count["lines"] + count["branches"]
    return (count["reached"] + count["taken"]) / total if total else 1.0


def print_table(found, least):
    """Print a row for each package, and for the modules with the lowest share."""
    packages = collections.defaultdict(collections.Counter)
    for module, count in found.items():
        packages[package_of(module)] += count
    print(ROW.format("package", "lines", "reached", "branches", "taken", "share"))
    rows = [*packages.items(), ("all", sum(packages.values(), collections.Counter()))]
    for name, count in [*rows, *sorted(found.items(), key=lambda item: share_of(item[1]))[:least]]:
        numbers = (count[each] for each in ("lines", "reached", "branches", "taken"))
        print(ROW.format(name, *numbers, f"{100 * share_of(count):.1f} %"))


def main():
    """Run the tests and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--all", action="store_true", help="the slow tests too")
    parser.add_argument("--packages", nargs="+", metavar="NAME", help="these alone, by their own tests")
    parser.add_argument(
        "--least", type=int, default=0, metavar="N", help="name the N modules with the lowest share"
    )
    given = parser.parse_args()
    quick = [] if given.all else ["-m", "not slow"]
    own = [f"tests/{name}" for name in given.packages or () if (REPOSITORY / "tests" / name).is_dir()]
    kernels = [f"tests/{name}" for name in WITH_KERNELS if not given.packages or name in given.packages]
    with tempfile.TemporaryDirectory(prefix="coverage-") as folder:
        passes = [(Path(folder) / "compiled", [*quick, *own], True)]
        if kernels:
            passes.append((Path(folder) / "plain", ["-m", "not slow", *kernels], False))
        with concurrent.futures.ThreadPoolExecutor(len(passes)) as both:
            passed = all(list(both.map(lambda each: run_tests(*each), passes)))
        found = counts([data for data, *_ in passes])
    asked = {
        name: count for name, count in found.items() if package_of(name) in (given.packages or [package_of(name)])
    }
    print_table(asked, given.least)
    raise SystemExit(not passed)


if __name__ == "__main__":
    main()
