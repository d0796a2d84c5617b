"""A folder in memory: what is killed hundreds of times waits for no disk."""

import os
import tempfile
from pathlib import Path

import pytest


@pytest.fixture
def quick_folder(tmp_path):
    """An empty folder in memory where the system has such, else on the disk."""
    memory = Path("/dev/shm")
    if not os.access(memory, os.W_OK):
        yield tmp_path
        return
    with tempfile.TemporaryDirectory(prefix="sitefinder-", dir=memory) as folder:
        yield Path(folder)
