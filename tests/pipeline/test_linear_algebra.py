"""Linear algebra in one thread, whatever the environment says, since the order of sums depends on the threads."""

import os
import subprocess
import sys

import pytest

THREADS = "print([each['num_threads'] for each in threadpoolctl.threadpool_info() if each['user_api'] == 'blas'])"
WITHIN = f"""
import numpy, threadpoolctl
from sitefinder.pipeline.linear_algebra import one_thread
with one_thread():
    {THREADS}
{THREADS}
"""
COMMAND = f"""
import sys
from sitefinder import cli
assert "numpy" not in sys.modules
sys.argv = ["sitefinder", "--version"]
try:
    cli.main()
except SystemExit:
    pass
import numpy, scipy.linalg, threadpoolctl
{THREADS}
"""


def printed(program):
    two = os.environ | {"OPENBLAS_NUM_THREADS": "2"}
    done = subprocess.run(
        [sys.executable, "-c", program], env=two, capture_output=True, text=True, check=False, timeout=100
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


@pytest.mark.skipif((os.cpu_count() or 1) < 2, reason="one core has one thread")
def test_libraries_that_were_loaded_with_more_threads_have_one_within_and_theirs_again_after():
    within, after = printed(WITHIN)

    # Those of NumPy and of SciPy.
    assert within == "[1, 1]"
    assert after == "[2, 2]"


def test_the_command_loads_them_with_one():
    assert printed(COMMAND)[-1] == "[1, 1]"
