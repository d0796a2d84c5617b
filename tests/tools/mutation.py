"""How many small faults in the computations the tests notice: the mutation score, by package.

    python tests/tools/mutation.py --sample 200 --seed 1 --results FILE
    python tests/tools/mutation.py --sample 200 --seed 1 --results FILE --compiled
    python tests/tools/mutation.py --modules energy hydrology/records.py --survivors

A fault (`mutants.py`) is put into one function of a process that has loaded tests and package, and a fork of that
process runs the tests of the package's own folder that reach the faulty line; with ``--further``, what these miss
is shown to laws, published sources and whole runs of made valleys too. The first that fails has noticed it. The
compiler of kernels is off, so that kernels are faulty at once; tests that take long without it are left out, a
quarter of those of energy. With ``--compiled`` faults that are in no kernel are tried by all tests, with the
compiler on: to be run before, with the same file of results. What is no function's is put in while modules are
loaded. A fault with which tests last ten times as long is noticed too. Faults that change nothing that anybody
could see stand with the reason in ``mutation_equivalents.toml`` and do not count.

Results are appended to a file as they come, and a later call goes on from there: what was noticed stays so until
its module changes, what was missed is tried again when tests have changed.
"""

import argparse
import collections
import contextlib
import hashlib
import importlib
import io
import json
import os
import random
import resource
import select
import signal
import sys
import tempfile
import time
import tomllib
from functools import partial
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE)]
# Only as a command: pytest imports this file too, when it looks for examples in docstrings.
COMPILED = "--compiled"
if __name__ == "__main__":
    # Before numba is loaded.
    os.environ["NUMBA_DISABLE_JIT"] = "0" if COMPILED in sys.argv else "1"
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # What a shell may do to output is no fault of the tests.
    os.environ["PYTHONPATH"] = os.pathsep.join(
        [str(HERE.parents[1]), *filter(None, [os.environ.get("PYTHONPATH")])]
    )

import coverage  # noqa: E402
import pytest  # noqa: E402
from mutants import PACKAGE, PACKAGES, REPOSITORY, modules_of, mutants_of, mutated_tree, put_in  # noqa: E402

EQUIVALENT = HERE / "mutation_equivalents.toml"
# Where tests lie that notice a fault when those of the package's own folder do not.
FURTHER = (
    "tests/laws",
    "tests/published",
    "tests/steps/test_site_worked_by_hand.py",
    "tests/steps/test_depleted_reach_by_hand.py",
)
# Fixtures of runs that take minutes without the compiler, or need another program.
TOO_LONG = {"sample_run", "other_run", "logan_run", "browser", "copy_sample"}
# A test that takes longer than this without the compiler is left out [s]; with it, one may compile first.
LONGEST_S = 6.0
LONGEST_COMPILING_S = 120.0
# A fault may make its tests last this many times as long, and these seconds; then it is noticed.
TIMES, SPARE_S = 10.0, 5.0
# So much time is spent on one fault by tests that pass [s].
PATIENCE_S = 30.0
# No fault needs more memory than this, whatever it makes of a loop.
MEMORY_BYTES = 6 << 30
NOTICED, MISSED, UNREACHED = "noticed", "missed", "unreached"


def main():
    """Try the faults and print the score."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--modules", nargs="+", metavar="NAME", help="packages or modules; absent: all")
    parser.add_argument("--functions", nargs="+", metavar="NAME", help="only in these functions")
    parser.add_argument("--sample", type=int, metavar="N", help="a number of them, drawn at random; absent: all")
    parser.add_argument("--seed", type=int, default=1, help="of the draw")
    parser.add_argument("--results", type=Path, metavar="FILE", help="where results are kept; absent: nowhere")
    parser.add_argument(
        "--further", action="store_true", help="ask laws, published sources and whole runs as well"
    )
    parser.add_argument(COMPILED, action="store_true", help="only faults outside of kernels, with the compiler on")
    parser.add_argument("--survivors", action="store_true", help="list the faults that no test notices")
    given = parser.parse_args()
    chosen = drawn(given.modules or list(PACKAGES), given.functions, given.sample, given.seed)
    if given.compiled:
        chosen = [mutant for mutant in chosen if mutant.function and not mutant.is_compiled]
    with tempfile.TemporaryDirectory(prefix="mutation-") as scratch:
        kept = Path(scratch) / "results.jsonl" if given.results is None else given.results
        results = Results(kept, given.further, given.compiled)
        for package in PACKAGES:
            own = [mutant for mutant in chosen if mutant.package == package and not results.has(mutant)]
            if own:
                try_all(package, own, results, Path(scratch))
        print_score(chosen, results, given.survivors)


def drawn(names, functions, count, seed):
    """The mutants to try.

    Parameters
    ----------
    names : list of str
        Packages or modules.
    functions : list of str or None
        Names of functions, without what they are in.
    count : int or None
    seed : int

    Returns
    -------
    list of Mutant
        Without those that are equivalent.
    """
    modules = [name if name.endswith(".py") else each for name in names for each in _modules_named(name)]
    mutants = [mutant for module in dict.fromkeys(modules) for mutant in mutants_of(module)]
    if functions:
        mutants = [mutant for mutant in mutants if mutant.function.split(".")[-1] in functions]
    if count is not None and count < len(mutants):
        mutants = sorted(random.Random(seed).sample(mutants, count), key=lambda one: (one.module, one.number))
    without_effect = equivalents()
    return [mutant for mutant in mutants if mutant.name not in without_effect]


def _modules_named(name):
    return [name] if name.endswith(".py") else modules_of([name])


def equivalents():
    """Why some faults change nothing that anybody could see, by the names of the mutants."""
    listed = tomllib.loads(EQUIVALENT.read_text(encoding="utf-8"))
    return {name: why for group in listed.get("group", ()) for name in group["mutants"] for why in [group["why"]]}


class Results:
    """Outcomes by mutant, in a file of JSON lines."""

    def __init__(self, path, further=False, compiled=False):
        self.path, self.further, self.compiled = Path(path), further, compiled
        self._tests = _digest(sorted((REPOSITORY / "tests").rglob("*.py")))
        # Of tests and package: which tests reach which lines is kept for it beside the results.
        self.state = _digest([*sorted((REPOSITORY / "tests").rglob("*.py")), *sorted(PACKAGE.rglob("*.py"))])
        self.read()

    def read(self):
        """Take in what another process has added."""
        self._found = {}
        lines = self.path.read_text(encoding="utf-8").splitlines() if self.path.exists() else []
        for line in lines:
            row = json.loads(line)
            self._found[row["mutant"]] = row

    def has(self, mutant):
        """Whether the outcome is known, and still what it was."""
        row = self._found.get(mutant.name)
        if row is None or row["module"] != _digest([PACKAGE / mutant.module]):
            return False
        is_final = row["tests"] == self._tests and row["further"] >= self.further
        is_final &= row.get("compiled", False) >= self.compiled
        return row["outcome"] == NOTICED or is_final

    def outcome(self, mutant):
        """What came of a mutant."""
        return self._found[mutant.name]["outcome"]

    def add(self, mutant, outcome, by="", seconds=0.0):
        """Keep an outcome, and the test that noticed it."""
        row = {"mutant": mutant.name, "line": mutant.line, "outcome": outcome, "by": by, "seconds": seconds}
        row |= {"further": self.further, "compiled": self.compiled}
        row |= {"module": _digest([PACKAGE / mutant.module]), "tests": self._tests}
        self._found[mutant.name] = row
        with self.path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row, ensure_ascii=False) + "\n")


def _digest(paths):
    digest = hashlib.sha256()
    for path in paths:
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def try_all(package, mutants, results, scratch):
    """Try mutants of one package, each in a process of its own.

    Parameters
    ----------
    package : str
    mutants : list of Mutant
    results : Results
    scratch : Path
        A folder for what tests write.
    """
    folders = [*PACKAGES[package], *(FURTHER if results.further else ())]
    asked = ("all" if results.further else "own") + ("-compiled" if results.compiled else "")
    reached = results.path.with_name(f"{results.path.stem}-{package}-{asked}-{results.state}.json")
    if not reached.exists():
        _in_fork(lambda: _pytest(Reach(package, reached, scratch), folders), _NO_LIMIT_S)
    reach = json.loads(reached.read_text(encoding="utf-8"))
    print(f"{package}: {len(mutants)} faults, {len(reach['seconds'])} tests", file=sys.stderr, flush=True)
    of_functions = [mutant for mutant in mutants if mutant.function]
    left = scratch / f"{package}-left.json"
    left.write_text("[]", encoding="utf-8")
    if of_functions:
        _in_fork(lambda: _pytest(Trials(of_functions, reach, results, left, scratch), folders), _NO_LIMIT_S)
    results.read()
    not_in_functions = set(json.loads(left.read_text(encoding="utf-8")))
    for mutant in mutants:
        if not mutant.function or mutant.name in not_in_functions:
            _try_while_loading(mutant, reach, results, scratch)


_NO_LIMIT_S = 1e6


# Run pytest in this process, quietly.
def _pytest(plugin, arguments):
    os.chdir(REPOSITORY)
    # What a test prints is caught, but what this module says of its own faults is not.
    options = [
        "--capture=sys",
        "-p",
        "no:cacheprovider",
        "-p",
        "no:benchmark",
        "-q",
        "--no-header",
        "-W",
        "ignore::pytest.PytestAssertRewriteWarning",
    ]
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        status = pytest.main([*options, *arguments], plugins=[plugin])
    if status not in (pytest.ExitCode.OK, pytest.ExitCode.TESTS_FAILED):
        print(printed.getvalue()[-3000:], file=sys.stderr)
    return status


# What a fork of this process gives: its exit status, or None where it was stopped.
def _in_fork(task, limit_s):
    child = os.fork()
    if child == 0:
        status = 1
        try:
            os.setpgid(0, 0)
            status = task() or 0
        except BaseException as error:
            if limit_s == _NO_LIMIT_S:
                os.write(2, f"{type(error).__name__}: {error}\n".encode())
        finally:
            os._exit(int(status))
    with contextlib.suppress(OSError):
        os.setpgid(child, child)
    descriptor = os.pidfd_open(child)
    try:
        ready = select.select([descriptor], [], [], limit_s)[0]
        if not ready:
            os.killpg(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
    finally:
        os.close(descriptor)
    return None if not ready else status


class Reach:
    """A plugin of pytest that runs all tests once and notes which lines each reaches, and how long it takes.

    What a fixture of a module or session reaches is reached by every test that uses it.
    """

    def __init__(self, package, path, scratch):
        self._package, self._path, self._scratch = package, path, scratch
        self._notes = scratch / f"{package}-notes.jsonl"
        self._coverage, self._failed, self._of_fixtures = None, False, {}

    def pytest_collection_modifyitems(self, items):
        """Leave out what takes too long."""
        items[:] = [item for item in items if not TOO_LONG & set(getattr(item, "fixturenames", ()))]

    def pytest_runtest_logreport(self, report):
        """Note what fails or is skipped."""
        self._failed |= report.outcome != "passed"

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef):
        """Count lines for the fixture where others use it too."""
        if fixturedef.scope == "function" or self._coverage is None:
            return (yield)
        try:
            return (yield)
        finally:
            self._note(fixture=_fixture_name(fixturedef), lines=self._lines())

    def pytest_runtestloop(self, session):
        """Run and note; a test that takes too long is stopped, and those after it go on in another process."""
        rest = list(session.items)
        while rest:
            self._notes.touch()
            _in_fork(partial(self._run, session, rest), _NO_LIMIT_S)
            done = [json.loads(line) for line in self._notes.read_text(encoding="utf-8").splitlines()]
            started = {row["started"] for row in done if "started" in row}
            rest = [item for item in rest if item.nodeid not in started]
        self._write(session.items, done)
        return True

    def _run(self, session, items):
        _use_folder(session.config, self._scratch / f"reach-{self._package}")
        _without_chance()
        self._begin()
        for item, after in zip(items, [*items[1:], None], strict=True):
            self._note(started=item.nodeid)
            self._failed, started = False, time.process_time()
            _limit_time(LONGEST_S if os.environ["NUMBA_DISABLE_JIT"] == "1" else LONGEST_COMPILING_S)
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
            seconds = round(time.process_time() - started, 4)
            self._note(test=item.nodeid, failed=self._failed, seconds=seconds, lines=self._lines())
        self._coverage.stop()

    def _begin(self):
        include = [str(PACKAGE / self._package / "*")]
        self._coverage = coverage.Coverage(data_file=None, config_file=False, include=include, branch=False)
        # Most tests reach nothing of a package but their own.
        self._coverage.set_option("run:disable_warnings", ["no-data-collected"])
        self._coverage.start()

    # Lines reached since this was last called.
    def _lines(self):
        self._coverage.stop()
        data = self._coverage.get_data()
        lines = {Path(file).relative_to(PACKAGE).as_posix(): data.lines(file) for file in data.measured_files()}
        self._begin()
        return lines

    def _note(self, **row):
        with self._notes.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")

    def _write(self, items, rows):
        sound = {row["test"]: row["seconds"] for row in rows if "test" in row and not row["failed"]}
        of_fixtures = {}
        for row in rows:
            if "fixture" in row:
                of_fixtures.setdefault(row["fixture"], []).append(row["lines"])
        of_tests = {row["test"]: [row["lines"]] for row in rows if "test" in row}
        for item in items:
            for defined in item._fixtureinfo.name2fixturedefs.values():
                if item.nodeid in sound:
                    of_tests[item.nodeid] += of_fixtures.get(_fixture_name(defined[-1]), [])
        by_line = {}
        for name in sound:
            for part in of_tests[name]:
                for module, lines in part.items():
                    for line in lines:
                        by_line.setdefault(module, {}).setdefault(line, set()).add(name)
        lines = {module: {line: sorted(names) for line, names in of.items()} for module, of in by_line.items()}
        self._path.write_text(json.dumps({"seconds": sound, "lines": lines}), encoding="utf-8")


# From now on the system stops this process after that number of seconds of its own work.
def _limit_time(seconds):
    _, hard = resource.getrlimit(resource.RLIMIT_CPU)
    resource.setrlimit(resource.RLIMIT_CPU, (int(time.process_time() + seconds) + 1, hard))


def _fixture_name(fixturedef):
    return f"{fixturedef.baseid}::{fixturedef.argname}"


# Tests write into a folder of this process, which the parent removes.
def _use_folder(config, folder):
    folder.mkdir(parents=True, exist_ok=True)
    config._tmp_path_factory._basetemp = folder


# Made cases are the same each time, and none is kept on disk.
def _without_chance():
    import hypothesis  # noqa: PLC0415

    hypothesis.settings.register_profile(
        "mutation",
        database=None,
        derandomize=True,
        deadline=None,
        suppress_health_check=list(hypothesis.HealthCheck),
    )
    hypothesis.settings.load_profile("mutation")


class Trials:
    """A plugin of pytest that puts each fault into a fork of its process, and runs the tests that reach it."""

    def __init__(self, mutants, reach, results, left, scratch):
        self._mutants, self._reach, self._results = mutants, reach, results
        self._left, self._scratch = left, scratch

    def pytest_runtestloop(self, session):
        """Try each mutant, after a fork without any fault, which must pass."""
        items, left = {item.nodeid: item for item in session.items}, []
        _without_chance()
        sound = [name for name in self._reach["seconds"] if name in items]
        outcome = _tried(
            sound,
            self._reach["seconds"],
            partial(self._run, session, None, None, items),
            self._scratch,
        )
        if outcome[0] != MISSED:
            raise RuntimeError(f"without any fault this fails: {outcome[1]}")
        for mutant in self._mutants:
            names = [name for name in tests_of(mutant, self._reach) if name in items]
            if not names:
                self._results.add(mutant, UNREACHED)
                continue
            module = importlib.import_module("sitefinder." + mutant.module.removesuffix(".py").replace("/", "."))
            outcome = _tried(
                names,
                self._reach["seconds"],
                partial(self._run, session, mutant, module, items),
                self._scratch,
            )
            if outcome is None:
                left.append(mutant.name)
            else:
                self._results.add(mutant, *outcome)
        self._left.write_text(json.dumps(left), encoding="utf-8")
        return True

    def _run(self, session, mutant, module, items, names, tell):
        _use_folder(session.config, self._scratch / "tried")
        try:
            if mutant is not None:
                put_in(module, mutant)
        except LookupError:
            return _CANNOT
        watch = _Watch(tell)
        session.config.pluginmanager.register(watch)
        chosen = [items[name] for name in names]
        for item, after in zip(chosen, [*chosen[1:], None], strict=True):
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
            if watch.failed:
                return _FAILED
        return 0


_FAILED, _CANNOT = 10, 11


class _Watch:
    # Hears of the first failure.
    def __init__(self, tell):
        self.failed, self._tell = False, tell

    def pytest_runtest_logstart(self, nodeid):
        self._tell(nodeid)

    def pytest_runtest_logreport(self, report):
        self.failed |= report.outcome == "failed"


def tests_of(mutant, reach):
    """Names of the tests that may notice a mutant: those of its line, own folder first, the quickest first.

    Parameters
    ----------
    mutant : Mutant
    reach : dict
        As `Reach` writes it.

    Returns
    -------
    list of str
        After these, where the fault is in no function or may change what was kept in memory, those of the own
        folder that reach the module at all.
    """
    lines, seconds = reach["lines"].get(mutant.module, {}), reach["seconds"]
    own = PACKAGES[mutant.package]

    def order(name):
        return not name.startswith(own), seconds[name]

    of_line = set(lines.get(str(mutant.line), ())) if mutant.function else set()
    of_module = {name for names in lines.values() for name in names} - of_line
    rest = [name for name in of_module if name.startswith(own) or not mutant.function]
    if mutant.function and not of_line and not rest:
        return []
    return sorted(of_line, key=order) + sorted(rest, key=order)


# Outcome, test and seconds of one mutant, or None where it could not be put in; tests run in a fork.
def _tried(names, seconds, run, scratch):
    chosen, total = [], 0.0
    for name in names:
        total += seconds[name]
        if chosen and total > PATIENCE_S:
            break
        chosen.append(name)
    limit_s = SPARE_S + TIMES * sum(seconds[name] for name in chosen)
    note, started = scratch / "running.txt", time.perf_counter()
    note.write_text("", encoding="utf-8")

    def task():
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
        _limit_time(limit_s)
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 1)
        os.dup2(nowhere, 2)
        return run(chosen, lambda name: note.write_text(name, encoding="utf-8"))

    # What waits without work, for a lock or for ever, is stopped too.
    status = _in_fork(task, 20 * limit_s)
    _empty(scratch / "tried")
    took = round(time.perf_counter() - started, 2)
    if status is not None and os.WIFEXITED(status) and os.WEXITSTATUS(status) == _CANNOT:
        return None
    by = note.read_text(encoding="utf-8")
    if status is None or (os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGXCPU):
        return NOTICED, f"{by} (does not end)", took
    return (MISSED, "", took) if status == 0 else (NOTICED, by, took)


def _empty(folder):
    import shutil  # noqa: PLC0415

    shutil.rmtree(folder, ignore_errors=True)


# A fault that is there when the module is loaded: in a constant, a default, a declaration.
def _try_while_loading(mutant, reach, results, scratch):
    names = tests_of(mutant, reach) or sorted(reach["seconds"], key=reach["seconds"].get)
    path = str(PACKAGE / mutant.module)

    def run(names, tell):
        from importlib.machinery import SourceFileLoader  # noqa: PLC0415

        get_code = SourceFileLoader.get_code

        def faulty(loader, fullname):
            if loader.path != path:
                return get_code(loader, fullname)
            return compile(mutated_tree(mutant), path, "exec")

        SourceFileLoader.get_code = faulty
        return _FAILED if _pytest(_Loaded(tell, scratch), ["-x", *names]) else 0

    seconds = {name: max(reach["seconds"][name], LOADED_S) for name in names[:MANY]}
    outcome = _tried(names[:MANY], seconds, run, scratch)
    results.add(mutant, *outcome)


# The greatest number of tests that are asked where a fault is in no function.
MANY = 400
# What a test costs at least where modules have to be loaded for it [s].
LOADED_S = 0.1


class _Loaded(_Watch):
    # The same where pytest runs by itself.
    def __init__(self, tell, scratch):
        super().__init__(tell)
        self._scratch = scratch

    def pytest_runtestloop(self, session):
        _use_folder(session.config, self._scratch / "tried")
        _without_chance()


def print_score(mutants, results, survivors):
    """Print a row for each package, and the survivors where they are asked for."""
    row = "{:<12} {:>7} {:>8} {:>7} {:>7}"
    print(row.format("package", "faults", "noticed", "missed", "score"))
    counts = {package: collections.Counter() for package in PACKAGES}
    for mutant in mutants:
        counts[mutant.package][results.outcome(mutant)] += 1
    counts["all"] = sum(counts.values(), collections.Counter())
    for package, count in counts.items():
        if total := count.total():
            share = f"{100 * count[NOTICED] / total:.1f} %"
            print(row.format(package, total, count[NOTICED], total - count[NOTICED], share))
    for mutant in mutants if survivors else ():
        if results.outcome(mutant) != NOTICED:
            print(f"{results.outcome(mutant)}: {mutant.line}: {mutant.name}")


if __name__ == "__main__":
    # Loaded here, so that each fork has them: all but the package and its tests.
    for name in ("geopandas", "numba", "scipy.stats", "scipy.sparse.csgraph", "scipy.optimize", "rasterio"):
        importlib.import_module(name)
    main()
