"""One thread for linear algebra: sums of several threads depend on their number, and so on the machine."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

# Each library reads its own as it is loaded.
ENVIRONMENT = {"OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


@contextmanager
def one_thread() -> Iterator[None]:
    """Linear algebra in one thread within, also where its libraries were loaded with more.

    Notes
    -----
    Nothing has to be done in a process that had `ENVIRONMENT` as it started.
    """
    if all(os.environ.get(name) == value for name, value in ENVIRONMENT.items()):
        yield
        return
    import scipy.linalg  # noqa: F401, a library of its own, which is then limited too
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1, user_api="blas"):
        yield
