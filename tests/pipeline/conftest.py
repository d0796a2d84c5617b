"""A small graph of sums, to keep and to plan, that knows nothing of rivers."""

import pytest
from small_sums import Sums


@pytest.fixture
def sums(tmp_path):
    """The graph of sums with a store in a folder that is not there yet."""
    return Sums(tmp_path / "store")
