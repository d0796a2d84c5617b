"""Tasks on worker processes of Dask: those of this machine, or of a cluster that is running already.

Arguments and results lie in files, as a store holds them, in a folder that all workers can reach: they hold data
alone. What Dask itself sends is the names of a function and of these files, and errors. It does so by pickles, so
that whoever reaches a scheduler can run code on its workers: the workers of this machine listen on the loopback
address alone and know each other by certificates that are made for the run.
"""

from __future__ import annotations

import functools
import gc
import hashlib
import importlib
import importlib.util
import itertools
import json
import os
import secrets
import tempfile
import threading
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from sitefinder import __version__
from sitefinder.errors import InputError, SitefinderError, StageError, listed
from sitefinder.pipeline.code import own_code
from sitefinder.pipeline.disk import validate_room
from sitefinder.pipeline.executors import (
    LOGGER,
    OBJECTS_BEFORE_COLLECTION,
    Answer,
    Function,
    InThisProcess,
    Item,
    Remade,
    Written,
    called,
    loaded,
    name_of,
    peak_memory_mb,
    place_of,
    remade,
)
from sitefinder.pipeline.linear_algebra import one_thread
from sitefinder.pipeline.local_workers import LocalWorkers

# A task that raised an error is done once more, on whichever worker is free.
RETRIES = 1
# Tasks that wait at each worker beside the one it does, so that none waits for files to be written.
WAITING = 1
# Tasks that take less are done sooner here than their files are written [s]; and after how many of them, for each
# worker, the others of a stage are done here (a made region of 25 million cells: 200 tasks of 5 ms took 6 s).
SHORT_S, SHORT_TASKS = 0.03, 2
# How long to wait for a scheduler, for the first worker, and for another one where all are gone [s].
ANSWER_S, WORKERS_S, LOOK_S = 15.0, 30.0, 5.0


class Identity(NamedTuple):
    """What a worker must have in common with the run: the program and the software that results are made with."""

    version: str
    code: str
    software: dict[str, str]

    @property
    def digest(self) -> str:
        """SHA-256 over all of it, hexadecimal."""
        return hashlib.sha256(json.dumps(self, sort_keys=True).encode()).hexdigest()


@functools.cache
def own_identity(software: str) -> Identity:
    """The identity of this process.

    Parameters
    ----------
    software : str
        Name of the function that gives versions of libraries, as ``module:function``.

    Returns
    -------
    Identity
    """
    code = json.dumps(own_code().digests, sort_keys=True)
    return Identity(__version__, hashlib.sha256(code.encode()).hexdigest(), loaded(software)())


class Order(NamedTuple):
    """A task as a worker gets it: names, digests and paths, all texts.

    ``makers`` are functions, by the names of the arguments that they make. ``common`` and ``own`` are files of
    arguments with their digests, ``answer`` is where the result goes. ``form`` is the module that reads and
    writes such files.
    """

    function: str
    place: str
    form: str
    makers: dict[str, str]
    common: tuple[str, str]
    own: tuple[str, str]
    answer: str
    software: str
    identity: str


class Done(NamedTuple):
    """What a worker says of a task that it has done."""

    size: int
    digest: str
    seconds: float
    peak_memory_mb: float


class Cluster:
    """Worker processes that do tasks; they are looked for, or started, when there are two tasks to do or before.

    Parameters
    ----------
    folder : Path
        For files of tasks on their way; every worker must reach it under this path.
    form : str
        Module that reads and writes them, see `sitefinder.pipeline.store.Format`.
    software : str
        See `own_identity`.
    workers : int
        Worker processes to start on this machine.
    scheduler : str, optional
        Address of the scheduler of a cluster to use instead, such as ``tcp://127.0.0.1:8786``.
    announce : callable, optional
        Called with a text about the workers once they are there.
    patience_s : float, optional
        Workers of this machine that nothing has prepared start when tasks have taken so long in this process; and
        it does tasks until they are there, and those of a stage whose first ones were short [s]. 0: workers do all
        tasks, and are waited for.

    Attributes
    ----------
    peak_memory_mb : float
        The most memory that a worker has held so far [MB].
    """

    is_here = False

    def __init__(
        self,
        folder: Path,
        form: str,
        software: str,
        *,
        workers: int,
        scheduler: str | None = None,
        announce: Callable[[str], None] | None = None,
        patience_s: float = 0.0,
    ) -> None:
        self._folder, self._form_name, self._software = Path(folder), form, software
        self._workers, self._address, self._announce = workers, scheduler, announce
        self._form = importlib.import_module(form)
        self._client: Any = None
        self._local: LocalWorkers | None = None
        self._patience_s, self._here_s = patience_s, 0.0
        self.peak_memory_mb = 0.0

    def __enter__(self) -> Cluster:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def prepare(self, functions: Iterable[Function | str]) -> None:
        """See `sitefinder.pipeline.executors.Executor`: workers of this machine are started, and load modules."""
        if self._local is not None and self._local.is_released:
            self.close()
        if self._address is None and self._local is None:
            modules = [name_of(function).partition(":")[0] for function in functions]
            self._local = LocalWorkers(self._workers, self._folder, [self._form_name, *dict.fromkeys(modules)])
            # The caller has other work than to wait for this library.
            threading.Thread(target=importlib.import_module, args=("distributed",), daemon=True).start()

    def answers(
        self, function: Function | str, common: Mapping[str, Any], items: Iterable[Item], stage: str
    ) -> Iterator[Answer]:
        """See `sitefinder.pipeline.executors.Executor`; a single item is done here.

        Raises
        ------
        SitefinderError
            Of the first item, by its place among them, that raised one which a user can mend.
        StageError
            Listing all items that failed twice. In either case the other items are done first.
        """
        waiting = iter(items)
        if not self._has_workers(function):
            arguments = remade(common)
            while not self._has_workers(function):
                here = InThisProcess().answers(function, arguments, itertools.islice(waiting, 1), stage)
                if (answer := next(here, None)) is None:
                    return
                self._here_s += answer.seconds
                yield answer
        first = list(itertools.islice(waiting, 2))
        if len(first) < 2:
            yield from InThisProcess().answers(function, remade(common), first, stage)
            return
        client = self._connected()
        with tempfile.TemporaryDirectory(prefix="tasks-", dir=self._folder) as folder:
            yield from self._answers(
                client, Path(folder), function, common, itertools.chain(first, waiting), stage
            )

    # Whether workers are to do the next tasks: they are there, or to be waited for.
    def _has_workers(self, function: Function | str) -> bool:
        if self._client is not None or self._address is not None or self._patience_s == 0.0:
            return True
        if self._local is None or self._local.is_released:
            if self._here_s < self._patience_s:
                return False
            self.prepare([function])
        return self._local is not None and self._local.is_there

    def _answers(
        self,
        client: Any,
        folder: Path,
        function: Function | str,
        common: Mapping[str, Any],
        items: Iterable[Item],
        stage: str,
    ) -> Iterator[Answer]:
        makers = {name: value.maker for name, value in common.items() if isinstance(value, Remade)}
        data = {name: value.data if isinstance(value, Remade) else value for name, value in common.items()}
        order = Order(
            name_of(function),
            stage,
            self._form_name,
            makers,
            self._wrote(folder / "common.data", data),
            ("", ""),
            "",
            self._software,
            own_identity(self._software).digest,
        )
        numbered = enumerate(items)
        pending: dict[Any, tuple[int, str, Order]] = {}
        taken_s: list[float] = []
        failed: list[tuple[int, str, BaseException]] = []
        try:
            while True:
                # Fewer than are pending where workers have gone since.
                workers = max(len(client.nthreads()), 1)
                if self._patience_s > 0.0 and len(taken_s) >= SHORT_TASKS * workers and max(taken_s) < SHORT_S:
                    others = (item for _, item in numbered)
                    yield from InThisProcess().answers(function, remade(common), others, stage)
                room = (1 + WAITING) * workers - len(pending)
                for number, (item, own) in itertools.islice(numbered, max(room, 0)):
                    one = order._replace(
                        place=place_of(stage, item),
                        own=self._wrote(folder / f"{number}-task.data", own),
                        answer=str(folder / f"{number}-answer.data"),
                    )
                    key = f"{stage}-{number}-{secrets.token_hex(4)}"
                    future = client.submit(
                        do_task, json.dumps(one._asdict()), key=key, retries=RETRIES, pure=False, priority=-number
                    )
                    pending[future] = (number, item, one)
                    del own
                if not pending:
                    break
                for future in self._next_done(client, list(pending), stage):
                    if future.status in DONE_AGAIN:
                        continue
                    number, item, one = pending.pop(future)
                    error = _error_of(future)
                    if error is None:
                        done = Done(*future.result())
                        taken_s.append(done.seconds)
                        yield self._answer(item, one, done)
                    else:
                        failed.append((number, item, error))
                    Path(one.own[0]).unlink(missing_ok=True)
        finally:
            if pending:
                client.cancel(list(pending))
        if failed:
            raise _failure(stage, sorted(failed, key=lambda one: one[0]))

    # Those of the tasks that are done, at least one; an error where nobody is left to do any.
    def _next_done(self, client: Any, futures: list[Any], stage: str) -> list[Any]:
        from distributed import wait

        alone_s = 0.0
        while True:
            try:
                with client.as_current():
                    return list(wait(futures, timeout=LOOK_S, return_when="FIRST_COMPLETED").done)
            except TimeoutError:
                reachable = client.status == "running"
                alone_s = 0.0 if reachable and client.nthreads() else alone_s + LOOK_S
                if not reachable or alone_s > WORKERS_S:
                    raise StageError.of(
                        "the workers are gone",
                        stage=stage,
                        expected="a scheduler and at least one worker that does tasks",
                        found="no worker" if reachable else "no scheduler",
                        fix="start them and run again; tasks that are done are kept",
                    ) from None

    # The result of a task from its file, every byte of it checked.
    def _answer(self, item: str, order: Order, done: Done) -> Answer:
        self.peak_memory_mb = max(self.peak_memory_mb, done.peak_memory_mb)
        written = Written(Path(order.answer), done.size, done.digest)
        return Answer(item, _read(self._form, order.answer, done.digest), done.seconds, written)

    # Path and digest of a file of arguments.
    def _wrote(self, path: Path, arguments: dict[str, Any]) -> tuple[str, str]:
        with open(path, "xb", opener=_private) as file:
            _, _, digest = self._form.write_container(arguments, file, None)
        return str(path), digest

    # The client of the workers, which are checked first.
    def _connected(self) -> Any:
        if self._client is None:
            try:
                self._client = self._started() if self._address is None else self._found(self._address)
                self._validate_workers(self._client)
            except BaseException:
                self.close()
                raise
            if self._announce is not None:
                self._announce(self._described(self._client))
        return self._client

    # Workers of this machine.
    def _started(self) -> Any:
        self.prepare([])
        assert self._local is not None
        from distributed import Client, Security

        reached = self._local.reached()
        security = Security(
            require_encryption=True,
            tls_ca_file=reached.certificate,
            tls_client_cert=reached.certificate,
            tls_client_key=reached.key,
        )
        return Client(reached.address, security=security, timeout=ANSWER_S, set_as_default=False)

    # Workers of a cluster that somebody has started.
    def _found(self, address: str) -> Any:
        from distributed import Client

        try:
            client = Client(address, timeout=ANSWER_S, set_as_default=False)
            client.wait_for_workers(1, timeout=WORKERS_S)
        except (OSError, ValueError, TimeoutError) as error:
            raise InputError.of(
                "no Dask cluster with a worker answers",
                scheduler=address,
                expected="the address of a running scheduler with workers, such as tcp://127.0.0.1:8786",
                found=str(error) or type(error).__name__,
                fix="start dask scheduler and dask worker, or leave --scheduler away",
            ) from None
        return client

    # Refuse workers that would make other results, or that cannot reach the files of tasks.
    def _validate_workers(self, client: Any) -> None:
        token = self._folder / f"seen-by-workers-{secrets.token_hex(4)}"
        text = secrets.token_hex(16)
        token.write_text(text, encoding="ascii")
        try:
            found = client.run(looked_at, self._software, str(token))
        except ImportError as error:
            raise InputError.of(
                "the workers of the cluster cannot load this program",
                scheduler=self._address,
                expected=f"sitefinder {__version__} on every worker",
                found=str(error),
                fix="install the same version there and start the workers again",
            ) from None
        finally:
            token.unlink(missing_ok=True)
        own, problems = own_identity(self._software), []
        for worker, (identity, seen) in sorted(found.items()):
            if differing := _differences(own, Identity(*identity)):
                problems.append(f"{worker}: {differing}")
            elif seen != text:
                problems.append(f"{worker}: does not see {self._folder}")
        if problems:
            raise InputError.of(
                "workers of the cluster differ from this run",
                scheduler=self._address,
                expected="the same program and libraries on each, and the folder of the run under the same path",
                found=listed(problems),
                fix="install the same there, share the folder, and start the workers again",
            )

    def _described(self, client: Any) -> str:
        count = len(client.nthreads())
        words = f"{count} worker process" + ("" if count == 1 else "es")
        words += " on this machine" if self._address is None else f" of {self._address}"
        has_page = self._address is not None or _has_dashboard()
        return f"{words}; dashboard: {client.dashboard_link if has_page else 'none, bokeh is not installed'}"

    def release(self) -> None:
        """See `sitefinder.pipeline.executors.Executor`: own workers end, a cluster is left to others."""
        client, self._client = self._client, None
        if client is not None:
            client.close()
        if self._local is not None:
            self._local.release()

    def close(self) -> None:
        """The same, and wait until workers of this machine have ended."""
        self.release()
        local, self._local = self._local, None
        if local is not None:
            local.close()


def _has_dashboard() -> bool:
    return importlib.util.find_spec("bokeh") is not None


# States of a task that was done by a worker that has gone since: the scheduler has it done again.
DONE_AGAIN = ("pending", "lost")


# What a task ended with; None where it has a result.
def _error_of(future: Any) -> BaseException | None:
    if future.status == "finished":
        return None
    if future.status == "error":
        error: BaseException = future.exception()
        return error
    return RuntimeError("the scheduler lost it")


# One error for all tasks of a stage that failed; one that a user can mend comes home as it is.
def _failure(stage: str, failed: list[tuple[int, str, BaseException]]) -> SitefinderError:
    for _, _, error in failed:
        if isinstance(error, SitefinderError):
            return error
    for _, item, error in failed:
        extra = {"event": "failed", "stage": stage, "part": item or None}
        LOGGER.error("%s failed", place_of(stage, item), exc_info=error, extra=extra)
    lines = [f"{item}: {_in_a_line(error)}" for _, item, error in failed]
    return StageError.of(
        "a task failed twice" if len(failed) == 1 else f"{len(failed)} tasks failed twice",
        stage=stage,
        failed="; ".join(lines),
        found="all other tasks of the stage are done and kept; nothing was delivered",
        fix="mend the cause and run again, which does these tasks alone; with one worker the error comes whole",
    )


# Kind, text and place of an error.
def _in_a_line(error: BaseException) -> str:
    places = traceback.extract_tb(error.__traceback__)
    where = f" ({Path(places[-1].filename).name}, line {places[-1].lineno})" if places else ""
    return f"{type(error).__name__}: {str(error).splitlines()[0] if str(error) else ''}{where}"


# In what a worker differs, as a text; empty where it does not.
def _differences(own: Identity, other: Identity) -> str:
    if other.version != own.version:
        return f"sitefinder {other.version}, here {own.version}"
    if other.code != own.code:
        return "other code of the same version"
    names = sorted(own.software.keys() | other.software.keys())
    changed = [name for name in names if own.software.get(name) != other.software.get(name)]
    return ", ".join(f"{name} {other.software.get(name)}, here {own.software.get(name)}" for name in changed)


# Makes a file that only its owner may read.
def _private(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)


# The content of a file of arguments or of a result, which must be what was written.
def _read(form: Any, path: str, digest: str) -> Any:
    data = bytearray(Path(path).read_bytes())
    if hashlib.sha256(data).hexdigest() != digest:
        raise OSError(f"{path} holds other bytes than were written")
    return form.read_container(data, {})


# What follows is done by workers.


def looked_at(software: str, token: str) -> tuple[Identity, str]:
    """The identity of a worker, and what it reads in a file of the run; empty where it sees none."""
    try:
        seen = Path(token).read_text(encoding="ascii")
    except OSError:
        seen = ""
    return own_identity(software), seen


# A worker may have several threads; the computations are made for one at a time in a process.
_TURN = threading.Lock()


def do_task(text: str) -> Done:
    """Do a task and leave its result in a file.

    Parameters
    ----------
    text : str
        An `Order` as JSON.

    Returns
    -------
    Done

    Raises
    ------
    StageError
        If this worker came later than the others and has other code, or if the disk refuses what the task makes.
    """
    order = Order(**json.loads(text))
    gc.set_threshold(OBJECTS_BEFORE_COLLECTION)
    if own_identity(order.software).digest != order.identity:
        raise StageError.of(
            "a worker that joined the cluster differs from the run",
            stage=order.place,
            expected="the same program and libraries on each worker",
            fix="stop that worker, or install the same there",
        )
    form = importlib.import_module(order.form)
    folder = Path(order.answer).parent
    try:
        with _TURN, one_thread():
            common = _common(order.form, *order.common, json.dumps(order.makers))
            own = _read(form, *order.own)
            result, seconds = called(loaded(order.function), {**common, **own}, order.place)
            # Put in place whole: a worker that was thought dead may still do the same task.
            descriptor, draft = tempfile.mkstemp(dir=folder)
            with os.fdopen(descriptor, "wb") as file:
                _, size, digest = form.write_container(result, file, None)
            os.replace(draft, order.answer)
    except SitefinderError:
        raise
    except Exception:
        # Asked here, since room and limits are those of this worker.
        validate_room(folder.parent, order.place.partition(": ")[0])
        raise
    return Done(size, digest, seconds, peak_memory_mb())


# The arguments that tasks of a stage share, read once by each worker.
@functools.lru_cache(maxsize=1)
def _common(form: str, path: str, digest: str, makers: str) -> dict[str, Any]:
    data = _read(importlib.import_module(form), path, digest)
    functions = json.loads(makers)
    return {name: loaded(functions[name])(value) if name in functions else value for name, value in data.items()}
