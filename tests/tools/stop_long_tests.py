"""Plugin of pytest: skip a test once it has worked for SITEFINDER_TEST_LONGEST_S seconds, and say so.

    SITEFINDER_TEST_LONGEST_S=20 python -m pytest -p tests.tools.stop_long_tests …

For tests of kernels with the compiler off, some of which would take an hour. Only work of the process itself
counts, not waiting. Not on systems without interval timers.
"""

import os
import signal

import pytest

LONGEST_S = float(os.environ["SITEFINDER_TEST_LONGEST_S"])


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol():
    """Stop the test, its fixtures included, when its time is over."""

    def stop(number, frame):
        pytest.skip(f"longer than {LONGEST_S:g} s without the compiler")

    before = signal.signal(signal.SIGVTALRM, stop)
    signal.setitimer(signal.ITIMER_VIRTUAL, LONGEST_S)
    try:
        return (yield)
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)
