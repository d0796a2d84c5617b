"""What tests of every part share: where public data lies, if it is there."""

from pathlib import Path

import pytest

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
