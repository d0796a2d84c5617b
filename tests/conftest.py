"""What tests of every part share: where public data lies, if it is there."""

import importlib.util
from pathlib import Path

import pytest
from lxml import etree

REPOSITORY = Path(__file__).resolve().parents[1]
SHARED_DATA = REPOSITORY.parent / "shared" / "data"


@pytest.fixture(scope="session")
def repository():
    """The checkout's folder."""
    return REPOSITORY


@pytest.fixture(scope="session")
def shared_data():
    """Folder of public data beside the checkout; the test skips where it is absent."""
    if not SHARED_DATA.is_dir():
        pytest.skip("public test data is not beside this checkout (folder shared/data)")
    return SHARED_DATA


@pytest.fixture(scope="session")
def iso_19139():
    """The XML schema of ISO/TS 19139:2007 (root document gmd.xsd, version 2012-07-13), with GML 3.2.1 and XLink.

    As the test extra's package pycsw (MIT) brings it, of which nothing is run or copied: the files
    of GML are "Copyright (c) Open Geospatial Consortium", and those of ISO state no terms.
    """
    package = Path(importlib.util.find_spec("pycsw").submodule_search_locations[0])
    folder = package / "plugins/profiles/apiso/schemas/ogc/iso/19139/20070417"
    return etree.XMLSchema(etree.parse(folder / "gmd" / "gmd.xsd", etree.XMLParser(no_network=True)))
