"""What all tests share: which sitefinder is tested, what a skip means, and one run of the sample region."""

import bisect
import gc
import importlib.metadata
import importlib.util
import json
import os
import pickle
import shutil
import subprocess
import sys
import sysconfig
import urllib.parse
from pathlib import Path
from typing import NamedTuple

# One thread for linear algebra: two test processes with two threads each would wait for each other. Set before
# numpy is loaded, and inherited by all processes that tests start.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# Layers that tests write do not wait for the disk either, see `_no_waiting_for_the_disk`.
os.environ.setdefault("OGR_SQLITE_SYNCHRONOUS", "OFF")

import filelock
import known_files
import pytest
from _pytest.doctest import DoctestModule
from caught_run import caught_run
from known_files import know_files
from known_layers import know_layers

import sitefinder

REPOSITORY = Path(__file__).resolve().parents[1]
PACKAGE = Path(sitefinder.__file__).resolve().parent
# Set where every test must run, as before a merge: a skip is a failure then, and so is an uninstalled checkout.
STRICT = "SITEFINDER_NO_SKIPS"
FAULTS = REPOSITORY / "tests" / "faults"
STORE = ".sitefinder-store"
# For runs that are about their tables: pages and sheets take longer than a run.
TABLES_ALONE = """
[delivery]
page = false
field_sheets = 0
district_map = false
gpx = false
csv = false
field_form = false
gis_project = false
"""


def pytest_addoption(parser):
    parser.addoption(
        "--no-skips",
        action="store_true",
        default=os.environ.get(STRICT, "") not in ("", "0"),
        help=f"count a skipped test as failed, and test nothing but an installed package (also {STRICT}=1)",
    )


def pytest_configure(config):
    # What is loaded and collected stays: to search it for garbage time and again takes a tenth of the collection.
    gc.set_threshold(200_000, 50, 100)
    config.stash[TESTED] = tested = _what_is_tested()
    if tested is None:
        raise pytest.UsageError(
            "the tests would test another sitefinder than this checkout's\n"
            f"  tests:     {REPOSITORY}\n"
            f"  imported:  {PACKAGE}\n"
            "  fix:       install this checkout: pip install -e '.[test]'"
        )
    if tested == CHECKOUT and config.getoption("--no-skips"):
        raise pytest.UsageError(
            "the tests would test the folder that you stand in, not what is installed\n"
            f"  imported:  {PACKAGE}\n"
            "  fix:       install this checkout: pip install -e '.[test]'; or start pytest by its own name, not by"
            " python -m pytest"
        )
    # Processes that tests start import the same one, wherever they are started.
    search = [str(PACKAGE.parent), *filter(None, [os.environ.get("PYTHONPATH")])]
    os.environ["PYTHONPATH"] = os.pathsep.join(search)
    if tested == INSTALLED:
        os.environ["PYTHONSAFEPATH"] = "1"


TESTED = pytest.StashKey()
CHECKOUT, EDITABLE, INSTALLED = "checkout, not installed", "editable install of this checkout", "installed package"


# Which sitefinder was imported: one of the three above, or None for that of another checkout.
def _what_is_tested():
    if PACKAGE.parent != REPOSITORY:
        places = {Path(sysconfig.get_path(name)).resolve() for name in ("purelib", "platlib")}
        return INSTALLED if PACKAGE.parent in places else None
    for distribution in importlib.metadata.distributions(name="sitefinder"):
        origin = json.loads(distribution.read_text("direct_url.json") or "{}")
        path = urllib.parse.unquote(urllib.parse.urlparse(origin.get("url", "")).path)
        if origin.get("dir_info", {}).get("editable") and Path(path).resolve() == REPOSITORY:
            return EDITABLE
    return CHECKOUT


@pytest.hookimpl(wrapper=True)
def pytest_collect_file(file_path):
    """Examples in docstrings are those of the package: to look for any in the tests takes each worker a second."""
    found = yield
    within_tests = (REPOSITORY / "tests") in file_path.parents
    return [each for each in found if not (within_tests and isinstance(each, DoctestModule))]


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector):
    """Of several workers each begins with another part of the tests.

    In a fresh checkout pytest rewrites the assertions of all files, which takes longer than all else before the
    first test, and keeps what it made: so each worker finds in the second part what another has made there.
    """
    report = yield
    if collector.path == REPOSITORY / "tests" and hasattr(collector.config, "workerinput") and report.passed:
        worker = collector.config.workerinput
        share = int(worker["workerid"].removeprefix("gw")) / worker["workercount"]
        report.result = _from_share(report.result, share)
    return report


# What was collected, beginning with the file or folder that lies at that share of the source.
def _from_share(collected, share):
    ends, total = [], 0
    for each in collected:
        files = each.path.rglob("*.py") if each.path.is_dir() else [each.path]
        total += sum(file.stat().st_size for file in files)
        ends.append(total)
    first = bisect.bisect_right(ends, share * total)
    return collected[first:] + collected[:first]


def pytest_report_header(config):
    return f"sitefinder: {config.stash[TESTED]}, {PACKAGE}"


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items, config):
    """Mark what reads public data, opens a browser or needs a whole run, so that nobody has to remember.

    Of several workers each starts with the long tests, so that none is left to the end while the others idle.
    """
    # Asked of files, of which there are fewer than of tests.
    paths = {item.path for item in items}
    in_real = {path for path in paths if (REPOSITORY / "tests" / "real") in path.parents}
    of_package = {path for path in paths if PACKAGE in path.parents}
    for item in items:
        fixtures = set(getattr(item, "fixturenames", ()))
        if item.path in in_real or "public_data" in fixtures:
            item.add_marker("public_data")
        if "browser" in fixtures:
            item.add_marker("browser")
        if fixtures & {"browser", "sample_run"}:
            item.add_marker("slow")
    if hasattr(config, "workerinput"):
        # Workers collect in different orders, and must come to the same.
        items.sort(key=lambda item: (item.path in of_package, str(item.path)))
        items[:] = _long_ones_first(items, config.workerinput["workercount"])


# Tests in an order for `--dist worksteal`, which deals them out in equal parts, one for each worker, and then
# takes from the end of another's part. Files that look at the run of the sample region go to the first worker, so
# that no other waits for that run; other files with long tests go in turn to the rest, from the last file, so that
# no two workers come to `other_run` at once; short ones fill up. Before all that come those that fork this process
# hundreds of times: a fork of one that has loaded little and holds little takes a third of the time.
def _long_ones_first(items, workers):
    files = {}
    for item in items:
        files.setdefault(item.path, []).append(item)
    parts, long, short, forking = [[] for _ in range(workers)], [], [], []
    for path, own in files.items():
        if FAULTS in path.parents:
            forking[:0] = own
        elif any("sample_run" in getattr(item, "fixturenames", ()) for item in own):
            parts[0] += own
        elif any(item.get_closest_marker("slow") for item in own):
            long.append(own)
        else:
            short += own
    others = parts[1:] or parts
    for number, own in enumerate(reversed(long)):
        others[number % len(others)].extend(own)
    others[-1][:0] = forking
    ordered = []
    for number, part in enumerate(parts):
        # As xdist divides what is left by the workers that are left.
        wanted = (len(items) - len(ordered)) // (workers - number)
        taken = max(wanted - len(part), 0)
        ordered += part + short[:taken]
        short = short[taken:]
    return ordered + short


def pytest_collection_finish():
    """Search what was loaded for tests no more for garbage: it stays to the end."""
    gc.collect()
    gc.freeze()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item):
    report = yield
    if item.config.getoption("--no-skips") and report.skipped and not hasattr(report, "wasxfail"):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was not run, and nothing may be skipped here.\n{reason}"
    return report


def pytest_terminal_summary(terminalreporter):
    skipped = len(terminalreporter.stats.get("skipped", ()))
    count = {0: "no test", 1: "1 test"}.get(skipped, f"{skipped} tests")
    terminalreporter.write_line(f"{count} skipped")


@pytest.fixture(scope="session", autouse=True)
def _no_waiting_for_the_disk():
    # A run waits for the disk some 300 times so that a power cut does no harm. No test can cut the power, and what
    # was written stays when a process is killed, so that the wait is for nothing here.
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda _: None)
        yield


@pytest.fixture(scope="session", autouse=True)
def _compiled_once(tmp_path_factory):
    # Where two processes need the same kernel at once, one compiles it, and the other takes it from the disk.
    if "PYTEST_XDIST_WORKER" not in os.environ:
        yield
        return
    from numba.core.caching import NullCache  # noqa: PLC0415
    from numba.core.dispatcher import Dispatcher  # noqa: PLC0415

    shared, compile_here = tmp_path_factory.getbasetemp().parent, Dispatcher.compile

    def compile_once(dispatcher, signature):
        if isinstance(dispatcher._cache, NullCache):
            return compile_here(dispatcher, signature)
        function = dispatcher.py_func
        with filelock.FileLock(shared / f"{function.__module__}.{function.__qualname__}.lock"):
            return compile_here(dispatcher, signature)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Dispatcher, "compile", compile_once)
        yield


@pytest.fixture(autouse=True)
def _layers_read_once():
    # A fifth of a run of a small region is the reading of its layers, which mostly are those of other tests.
    know_layers()


@pytest.fixture(scope="session")
def repository():
    """The checkout's folder."""
    return REPOSITORY


@pytest.fixture(scope="session")
def iso_19139():
    """The XML schema of ISO/TS 19139:2007 (root document gmd.xsd, version 2012-07-13), with GML 3.2.1 and XLink.

    As the test extra's package pycsw (MIT) brings it, of which nothing is run or copied: the files
    of GML are "Copyright (c) Open Geospatial Consortium", and those of ISO state no terms.
    """
    from lxml import etree  # noqa: PLC0415

    package = Path(importlib.util.find_spec("pycsw").submodule_search_locations[0])
    folder = package / "plugins/profiles/apiso/schemas/ogc/iso/19139/20070417"
    return etree.XMLSchema(etree.parse(folder / "gmd" / "gmd.xsd", etree.XMLParser(no_network=True)))


@pytest.fixture(scope="session")
def made_once(tmp_path_factory):
    """A function that makes something costly once for all workers of a session, and hands each a copy of it.

    ``made_once(name, make)``: ``make(folder)`` gets a folder that outlives the workers; what it gives is pickled.
    """
    base = tmp_path_factory.getbasetemp()
    # Workers have a folder each, in one of the session.
    shared = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base

    def made(name, make):
        kept = shared / f"{name}.pickle"
        with filelock.FileLock(shared / f"{name}.lock"):
            if not kept.exists():
                folder = shared / name
                shutil.rmtree(folder, ignore_errors=True)  # what a worker left that failed half-way
                folder.mkdir()
                content = pickle.dumps(make(folder))
                kept.write_bytes(content)
        return pickle.loads(kept.read_bytes())

    return made


@pytest.fixture(scope="session")
def public_data():
    """Folder of public data of real places."""
    return REPOSITORY / "tests" / "real" / "data"


class DeliveredCopy(NamedTuple):
    """What a run delivered, as copied: its files, its tables, and what page and sheets are made of."""

    files: tuple
    tables: dict
    handover: object
    title: str
    currency: str
    summary: str
    json: str

    @property
    def path(self):
        """The GeoPackage."""
        return self.files[0]


class SampleRun(NamedTuple):
    """A run of the sample region: its settings file, what it delivered, and the results of its stages.

    ``folder`` holds a copy of the delivered files, which no other run replaces. The settings file, which others
    extend, asks for no more than tables. ``store`` is the store as that one run left it: to copy, never to use.
    """

    settings: Path
    delivered: DeliveredCopy
    results: dict
    folder: Path
    store: Path

    @property
    def own_store(self):
        """The store of this process's copy of the region, which runs of it use."""
        return self.settings.parents[1] / "sample-region" / "out" / STORE

    def copy_store(self, folder):
        """A copy of the store as the run left it, for runs of this process's copy of the region; gives its folder.

        What the files of that copy hold is known there, as after a run of it.
        """
        shutil.copytree(self.store, folder)
        shutil.copy(self.own_store / known_files.NAME, folder)
        return folder


@pytest.fixture(scope="session")
def copy_sample(repository):
    """A function that copies settings, data files and region to a folder and gives the path of the settings."""

    def copied(folder, terrain="", beside=TABLES_ALONE):
        shutil.copytree(repository / "config", folder / "config")
        not_data = shutil.ignore_patterns("*.py", "out*", "__pycache__")
        shutil.copytree(repository / "sample-region", folder / "sample-region", ignore=not_data)
        settings = folder / "config" / "sample.toml"
        text = settings.read_text(encoding="utf-8")
        settings.write_text(text.replace("[terrain]\n", f"[terrain]\n{terrain}") + beside, encoding="utf-8")
        return settings

    return copied


# Loaded by every process of a run as it starts: as it ends it notes its kernels, the types that each was compiled
# for, and those that it says it takes. A process that compiles ahead is no run, nor is one that workers are forked
# from; a fork ends without what is to be done at exit.
NOTES_KERNELS = """
import atexit
import multiprocessing.util
import os
import pickle
import sys


def note():
    compiled = sys.modules.get("sitefinder.compiled")
    if compiled is None or "sitefinder.compiling" in sys.modules:
        return
    rows = []
    for each in compiled._kernels:
        says = [str(each.declared_types())] if hasattr(each, "declared_types") else None
        rows.append((each.__name__, list(map(str, each.compiled.signatures)), says))
    if not any(types for _, types, _ in rows):
        return
    with open(os.path.join(os.environ["NOTED_KERNELS"], str(os.getpid())), "wb") as file:
        pickle.dump(rows, file)


def note_at_end_of_fork(_):
    multiprocessing.util.Finalize(None, note, exitpriority=0)


atexit.register(note)
multiprocessing.util.register_after_fork(note, note_at_end_of_fork)
"""


# It waits for the disk no more than the tests do, see `_no_waiting_for_the_disk`.
NO_WAITING = "os.fsync = lambda _: None\n"


class OtherRun(NamedTuple):
    """A run of the sample region by the command: its GeoPackage, what it printed, and the kernels of processes.

    Kernels are by process; one is its name, the types that it was compiled for, and those that it says it takes or
    None. The command was given in the region's folder, as documents have it.
    """

    delivered: Path
    printed: str
    kernels: list


@pytest.fixture(scope="session")
def other_run(copy_sample, made_once):
    """The sample region run from nothing by another process, in another folder, with other tiles and workers."""

    def made(folder):
        region, noted, path = (folder / name for name in ("region", "noted", "path"))
        for each in (noted, path):
            each.mkdir()
        (path / "sitecustomize.py").write_text(NOTES_KERNELS + NO_WAITING, encoding="utf-8")
        settings = copy_sample(region, "tile_rows = 501\ntile_columns = 347\n", beside="")
        search = os.pathsep.join([str(path), os.environ["PYTHONPATH"]])
        # Another seed of Python's hashes would show any order that depends on them; time zone, locale, threads of
        # linear algebra, permissions and the folder that it is started in may get into no file either.
        changed = {"PYTHONPATH": search, "NOTED_KERNELS": str(noted), "PYTHONHASHSEED": "4321"}
        changed |= {"TZ": "Pacific/Kiritimati", "LC_ALL": "C", "OPENBLAS_NUM_THREADS": "2"}
        masked = {"umask": 0o077} if hasattr(os, "fork") else {}
        relative = settings.relative_to(region).as_posix()
        command = [sys.executable, "-m", "sitefinder", "run", relative, "--quiet", "--workers", "2"]
        done = subprocess.run(
            command,
            env=os.environ | changed,
            cwd=region,
            capture_output=True,
            encoding="utf-8",
            check=False,
            **masked,
        )
        assert done.returncode == 0, done.stderr
        kernels = [pickle.loads(each.read_bytes()) for each in sorted(noted.iterdir())]
        return OtherRun(region / "sample-region" / "out" / "sites.gpkg", done.stdout, kernels)

    return made_once("elsewhere", made)


@pytest.fixture(scope="session")
def sample_run(copy_sample, made_once, tmp_path_factory):
    """The sample region, run once for all tests that look at it, in whatever process they are."""

    def made(folder):
        settings = copy_sample(folder / "region", beside="")
        delivered, results = caught_run(settings)
        kept = folder / "delivered" / "out"
        shutil.copytree(delivered.path.parent, kept, ignore=shutil.ignore_patterns(".*", "previous"))
        settings.write_text(settings.read_text(encoding="utf-8") + TABLES_ALONE, encoding="utf-8")
        # During a run the DEM's copy lies elsewhere.
        (dem,) = (delivered.path.parent / STORE).glob("results/*/surface-0.tif")
        dem = Path(shutil.copy(dem, kept.parent / "dem.tif"))
        files = tuple(kept / path.name for path in delivered.files)
        results["surface"] = results["surface"]._replace(dem_path=dem)
        delivered = DeliveredCopy(
            files,
            dict(delivered.tables),
            delivered.handover,
            delivered.title,
            delivered.currency,
            delivered.summary,
            delivered.json,
        )
        # Coordinate operations and progress belong to a process, and files are made of the results themselves.
        of_process = ("inputs", "progress", "made")
        lasting = {name: result for name, result in results.items() if name not in of_process}
        # Nor may a run change the store, into which others put more results where they find them.
        store = shutil.copytree(settings.parents[1] / "sample-region" / "out" / STORE, folder / "store")
        return SampleRun(settings, delivered, lasting, kept, store)

    whole = made_once("sample", made)
    # Other runs extend these settings and use what is kept beside them: each process has its own.
    own = tmp_path_factory.mktemp("sample") / "region"
    region = whole.settings.parents[1]
    shutil.copytree(region, own)
    whole = whole._replace(settings=own / whole.settings.relative_to(region))
    # Each run of this copy would read all files to see that they are the same: they are read once.
    return whole._replace(results=whole.results | {"inputs": know_files(whole.settings, whole.own_store)})
