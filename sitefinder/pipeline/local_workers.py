"""The process beside a run that holds worker processes of this machine, and their scheduler; see `LocalWorkers`.

It is a process of its own for three reasons. It starts while the first stages run and takes nothing of their time;
the scheduler's work later takes none of the run's; and workers of Dask load the main program again, which here is
this module and not a user's script that calls the run.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import json
import logging
import multiprocessing
import os
import signal
import subprocess
import sys
import threading
import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

from sitefinder.pipeline.executors import OBJECTS_BEFORE_COLLECTION
from sitefinder.pipeline.linear_algebra import ENVIRONMENT

LOOPBACK = "127.0.0.1"
# How long workers get to end by themselves [s].
END_S = 10.0
# One thread of each library, since there is a worker for each core. Dask itself also sets
# MALLOC_TRIM_THRESHOLD_, after which the C library hands back the memory of every larger array as soon as it is
# freed: tasks of a made region of 4 million cells took a tenth more processor time by that.
CONFIGURATION = {
    # A compiled kernel can keep a worker from answering for minutes.
    "distributed.scheduler.worker-ttl": None,
    "distributed.nanny.pre-spawn-environ": {**ENVIRONMENT},
    # It would look at every worker's stack a hundred times a second.
    "distributed.worker.profile.enabled": False,
    # Each server would wake fifty times a second to see whether its loop is late, and twice to read the system's
    # counters: a tenth of a core while there is nothing to do.
    "distributed.admin.tick.interval": "1s",
    "distributed.admin.system-monitor.interval": "5s",
}
# The whole work of that process; where modules are found is handed to it, since a program may have added to its
# own path.
_PROGRAM = "import sys; sys.path[:] = {path!r}; from sitefinder.pipeline.local_workers import serve; serve()"


class Reached(NamedTuple):
    """How to reach the workers: the scheduler's address, and certificate and key of the run as texts."""

    address: str
    certificate: str
    key: str


class LocalWorkers:
    """Worker processes of this machine, which start while the caller goes on.

    Parameters
    ----------
    workers : int
    folder : Path
        For their files.
    modules : sequence of str
        Modules that their tasks will need, which they load at once.
    """

    def __init__(self, workers: int, folder: Path, modules: Sequence[str]) -> None:
        self._reached: Reached | None = None
        self._line, self._has_answered = "", threading.Event()
        self._process = subprocess.Popen(
            [sys.executable, "-c", _PROGRAM.format(path=sys.path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            encoding="utf-8",
        )
        request = {"workers": workers, "folder": str(folder), "modules": list(modules)}
        self._pipe.write(json.dumps(request) + "\n")
        self._pipe.flush()
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()

    # Take the one line that the process answers; an empty one if it ends before.
    def _listen(self) -> None:
        assert self._process.stdout is not None
        with contextlib.suppress(OSError, ValueError):
            self._line = self._process.stdout.readline()
        self._has_answered.set()

    @property
    def is_there(self) -> bool:
        """Whether `reached` answers at once, or fails at once."""
        return self._has_answered.is_set()

    @property
    def _pipe(self) -> Any:
        return self._process.stdin

    def reached(self) -> Reached:
        """How to reach them, once they are there.

        Raises
        ------
        RuntimeError
            If they could not be started.
        """
        if self._reached is None:
            self._has_answered.wait()
            answer = json.loads(self._line or '{"error": "it ended without an answer"}')
            if "error" in answer:
                raise RuntimeError(f"the process for workers could not start them: {answer['error']}")
            self._reached = Reached(**answer)
        return self._reached

    @property
    def is_released(self) -> bool:
        """Whether they were asked to end."""
        return bool(self._pipe.closed)

    def release(self) -> None:
        """Have them end, without waiting for it."""
        with contextlib.suppress(OSError):
            self._pipe.close()

    def close(self) -> None:
        """Have them end, and wait until they have."""
        self.release()
        try:
            self._process.wait(2 * END_S)
        except subprocess.TimeoutExpired:
            # Its workers end with it.
            self._process.kill()
            self._process.wait()
        self._listener.join(END_S)
        if self._process.stdout is not None:
            self._process.stdout.close()


def serve() -> None:
    """Start workers as the first line of standard input asks, answer how to reach them, and end with that input.

    So they end with the run, however that ends.
    """
    # An interrupt at the keyboard reaches all processes of the terminal; the run alone decides what follows.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    gc.set_threshold(OBJECTS_BEFORE_COLLECTION)
    request = json.loads(sys.stdin.readline())
    # What libraries print goes to standard error, not between the answers.
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "w", encoding="utf-8")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    try:
        cluster, reached = _started(**request)
    except Exception as error:
        print(json.dumps({"error": "".join(traceback.format_exception(error))}), file=answers, flush=True)
        os._exit(1)
    print(json.dumps(reached._asdict()), file=answers, flush=True)
    sys.stdin.read()
    # Whatever hangs at the end, workers end when this process has.
    threading.Timer(END_S, os._exit, (1,)).start()
    cluster.close()
    os._exit(0)


# Workers are forks of one process that has loaded all that they need: the time and the memory for that are taken
# once. That process finds modules as this one does; what it cannot load, workers load.
def _fork_workers(modules: list[str]) -> None:
    import dask
    from distributed import utils

    os.environ |= {"PYTHONPATH": os.pathsep.join(filter(None, sys.path)), "PYTHONSAFEPATH": "1", **ENVIRONMENT}
    dask.config.set({"distributed.worker.multiprocessing-method": "forkserver"})
    # It would load pandas here as well.
    utils._forkserver_preload_set = True
    multiprocessing.set_forkserver_preload(["distributed", *modules])


# The workers and how to reach them; they load modules while the run has nothing for them yet.
def _started(workers: int, folder: str, modules: list[str]) -> tuple[Any, Reached]:
    import dask
    from distributed import Client, LocalCluster, Security, WorkerPlugin

    # A worker that takes the place of a dead one is set up as the others are.
    class Loading(WorkerPlugin):
        def setup(self, worker: Any) -> None:
            load(modules)

    dask.config.set(CONFIGURATION)
    # Libraries of other systems start threads as they are loaded, which a fork would lose.
    if sys.platform == "linux":
        _fork_workers(modules)
    security = Security.temporary()
    cluster = LocalCluster(
        n_workers=workers,
        threads_per_worker=1,
        processes=True,
        host=LOOPBACK,
        protocol="tls://",
        security=security,
        # The servers of pages too: without an address they would listen to all networks.
        dashboard_address=f"{LOOPBACK}:0",
        worker_dashboard_address=f"{LOOPBACK}:0",
        memory_limit=0,
        local_directory=folder,
        silence_logs=logging.CRITICAL,
    )
    with Client(cluster, security=security, set_as_default=False) as client:
        client.register_plugin(Loading())
    return cluster, Reached(cluster.scheduler_address, security.tls_client_cert, security.tls_client_key)


def load(modules: Sequence[str]) -> None:
    """Load modules in a thread of their own, so that a worker can take tasks meanwhile; done by workers.

    Parameters
    ----------
    modules : sequence of str
        Dotted names.
    """
    gc.set_threshold(OBJECTS_BEFORE_COLLECTION)

    def load_all() -> None:
        for module in modules:
            importlib.import_module(module)

    threading.Thread(target=load_all, daemon=True).start()
