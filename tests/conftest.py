"""What tests of every part share: where the checkout lies, which sitefinder is tested, and what a skip means."""

import importlib.metadata
import importlib.util
import json
import os
import pickle
import shutil
import sysconfig
import urllib.parse
from pathlib import Path

import filelock
import pytest

import sitefinder

REPOSITORY = Path(__file__).resolve().parents[1]
PACKAGE = Path(sitefinder.__file__).resolve().parent
# Set where every test must run, as before a merge: a skip is a failure then, and so is an uninstalled checkout.
STRICT = "SITEFINDER_NO_SKIPS"


def pytest_addoption(parser):
    parser.addoption(
        "--no-skips",
        action="store_true",
        default=os.environ.get(STRICT, "") not in ("", "0"),
        help=f"count a skipped test as failed, and test nothing but an installed package (also {STRICT}=1)",
    )


def pytest_configure(config):
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


def pytest_report_header(config):
    return f"sitefinder: {config.stash[TESTED]}, {PACKAGE}"


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    """Mark what reads public data, opens a browser or needs a whole run, so that nobody has to remember."""
    for item in items:
        fixtures = set(getattr(item, "fixturenames", ()))
        in_real = (REPOSITORY / "tests" / "real") in item.path.parents
        if in_real or "public_data" in fixtures:
            item.add_marker("public_data")
        if "browser" in fixtures:
            item.add_marker("browser")
        if fixtures & {"browser", "sample_run"}:
            item.add_marker("slow")


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
