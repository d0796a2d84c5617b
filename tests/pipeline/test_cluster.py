"""Tasks on real worker processes: the answers of one process, whatever becomes of a worker or of a task."""

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import tasks_to_do
from partial_run import results_of
from small_valley import write_valley

from sitefinder.errors import InputError, StageError
from sitefinder.pipeline.cluster import Cluster
from sitefinder.pipeline.executors import OBJECTS_BEFORE_COLLECTION, InThisProcess, Remade
from sitefinder.running import run_and_deliver
from sitefinder.steps import systems

pytestmark = pytest.mark.slow
FORM, SOFTWARE = "sitefinder.io.containers", "sitefinder.io.software:software"
# What workers are reached by.
LIBRARIES = {"dask", "distributed"}
WAIT_S = 60.0


@pytest.fixture(scope="module")
def two(tmp_path_factory):
    """Two workers of this machine, prepared for their tasks, and what they said when they were there."""
    said, folder = [], tmp_path_factory.mktemp("workers")
    with Cluster(folder, FORM, SOFTWARE, workers=2, announce=said.append) as workers:
        workers.prepare(["colorsys:rgb_to_hls", "wave:open", "tasks_to_do:squared"])
        yield workers, said
        pids = [result["pid"] for result in values(those_of(workers)).values()]
    assert not list(folder.rglob("worker-*"))
    assert len(set(pids) - {os.getpid()}) == 2
    wait_until_ended(pids)


def those_of(workers):
    """The answers of tasks that all workers have a part in."""
    return workers.answers(tasks_to_do.squared, {}, numbers(*range(8)), "squares")


def numbers(*wanted):
    """An item for each number."""
    return [(f"number {number}", {"number": number}) for number in wanted]


def values(answers):
    """Results by item."""
    return {answer.item: answer.result for answer in answers}


def test_workers_are_other_processes_and_give_the_answers_of_this_one(two):
    workers, said = two
    common = {"offset": Remade("builtins:int", "7")}

    there = values(workers.answers(tasks_to_do.squared, common, numbers(*range(8)), "squares"))
    here = values(InThisProcess().answers(tasks_to_do.squared, {"offset": 7}, numbers(*range(8)), "squares"))

    assert {item: result["value"] for item, result in there.items()} == {
        item: result["value"] for item, result in here.items()
    }
    assert len({result["pid"] for result in there.values()} - {os.getpid()}) == 2
    assert len(said) == 1
    assert said[0].startswith("2 worker processes on this machine; dashboard: ")
    assert workers.peak_memory_mb > 10


# Before a worker is killed, whose successor has loaded nothing.
def test_workers_that_were_prepared_have_loaded_what_they_need_and_set_what_costs_time(two):
    workers, _ = two

    answers = values(workers.answers(tasks_to_do.surroundings, {"module": "wave"}, numbers(0, 1), "look"))

    threads = {"OMP_NUM_THREADS": "1", "MALLOC_TRIM_THRESHOLD_": ""}
    expected = {"loaded": True, "is_fork": sys.platform == "linux", "gc": OBJECTS_BEFORE_COLLECTION} | threads
    assert list(answers.values()) == 2 * [expected]


# They are ended before, and started again for tasks that come after all.
def test_where_workers_were_chosen_tasks_are_done_here_until_it_takes_long_and_they_are_there(
    two, tmp_path, monkeypatch
):
    hasty, _ = two
    found, before = [], {result["pid"] for result in values(those_of(hasty)).values()}

    def until_another_does_one():
        for number in range(10_000):
            if len({result["pid"] for result in found}) == 3:
                return
            time.sleep(0.01)
            yield from numbers(number)

    with Cluster(tmp_path, FORM, SOFTWARE, workers=2, patience_s=100.0) as patient:
        for answer in patient.answers(tasks_to_do.squared, {}, numbers(1, 2, 3), "squares"):
            assert answer.result["pid"] == os.getpid()
        assert patient._local is None
    hasty.release()
    monkeypatch.setattr(hasty, "_patience_s", 1e-9)
    common = {"offset": Remade("builtins:int", "7")}
    for answer in hasty.answers(tasks_to_do.squared, common, until_another_does_one(), "squares"):
        found.append(answer.result)
        assert answer.result["value"] == int(answer.item.removeprefix("number ")) ** 2 + 7

    short = [answer.result["pid"] for answer in hasty.answers(tasks_to_do.squared, {}, numbers(*range(20)), "s")]

    assert found[0]["pid"] == os.getpid()
    assert len({result["pid"] for result in found} - before | {os.getpid()}) == 3
    # Tasks of no length are done here once that has shown.
    assert short[0] != os.getpid()
    assert short.count(os.getpid()) >= 10


def test_workers_that_were_ended_are_started_again_for_tasks_that_wait_for_them(tmp_path, monkeypatch):
    started = []

    class Local:
        is_released = False

        def __init__(self, *_):
            started.append(self)

        def reached(self):
            raise RuntimeError(f"start {len(started)}")

        def release(self):
            self.is_released = True

        close = release

    monkeypatch.setattr("sitefinder.pipeline.cluster.LocalWorkers", Local)
    with Cluster(tmp_path, FORM, SOFTWARE, workers=2) as workers:
        workers.prepare([])
        workers.release()
        with pytest.raises(RuntimeError, match="start 2"):
            values(those_of(workers))

    assert [local.is_released for local in started] == [True, True]


def test_a_single_item_is_done_here(two):
    (answer,) = two[0].answers(tasks_to_do.squared, {"offset": Remade("builtins:int", "1")}, numbers(5), "squares")

    assert answer.result == {"value": 26, "pid": os.getpid()}


def test_a_worker_that_is_killed_loses_its_task_only(two, tmp_path):
    answers = two[0].answers(tasks_to_do.killed_once, {"folder": str(tmp_path)}, numbers(*range(8)), "squares")

    assert values(answers) == {f"number {number}": number**2 for number in range(8)}
    assert (tmp_path / "killed").exists()


def test_a_failed_task_is_done_once_more_and_the_others_are_finished(two, tmp_path):
    found = []

    with pytest.raises(StageError) as caught:
        found.extend(two[0].answers(tasks_to_do.failing, {"folder": str(tmp_path)}, numbers(*range(6)), "squares"))

    lines = str(caught.value).splitlines()
    assert lines[0] == "a task failed twice"
    assert lines[1].split() == ["stage:", "squares"]
    assert "number 2: ValueError: no square of 2 (tasks_to_do.py, line " in lines[2]
    assert {path.name: path.stat().st_size for path in tmp_path.iterdir()} == {
        f"tries-{number}": 2 if number in (2, 4) else 1 for number in range(6)
    }


def test_files_of_tasks_are_gone_when_they_are_done(two):
    workers, _ = two
    values(workers.answers(tasks_to_do.squared, {}, numbers(1, 2, 3), "squares"))

    assert list(workers._folder.glob("tasks-*")) == []


@pytest.fixture
def valley(two, tmp_path, monkeypatch):
    """Settings of a small valley whose terrain the two drain in four tiles, by `tasks_to_do.draining`."""
    settings = write_valley(tmp_path)
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text.replace("[terrain]", "[terrain]\ntile_rows = 8\ntile_columns = 31"), encoding="utf-8")
    monkeypatch.setattr("sitefinder.running._executor", lambda *_: contextlib.nullcontext(two[0]))
    monkeypatch.setattr("sitefinder.steps.terrain._drain_one", tasks_to_do.draining)
    return settings


def made(settings, *stages, **options):
    """Results of stages of a run that keeps results; of one that is stopped, the last of them is not kept."""
    store = settings.parent / "out" / ".sitefinder-store"
    try:
        return results_of(settings, *stages, store=store, **options)
    finally:
        kept = kept_by(settings)
        assert "surface" in kept
        assert (stages[-1] in kept) == (sys.exc_info()[0] is None)
        assert [path.name for path in (settings.parent / "out").iterdir()] == [store.name]
        # Nor does anything of a task stay on its way.
        assert list(settings.parent.rglob("tasks-*")) == []


def kept_by(settings):
    """Stages, and items of stages, whose results are kept."""
    entries = (settings.parent / "out" / ".sitefinder-store").glob("results/*/entry.json")
    return {json.loads(path.read_text())["place"] for path in entries}


# Of 11 by 61 cells all drain to the stream along the middle row.
ALL_CELLS = 11 * 61


def test_a_disk_that_takes_no_more_of_a_worker_is_reported_and_what_is_kept_goes_on(valley, two):
    (valley.parent / tasks_to_do.FULL).touch()

    with pytest.raises(StageError) as stopped:
        made(valley, "terrain")

    assert str(stopped.value) == (
        "what stage terrain makes cannot be written\n"
        f"  folder:    {two[0]._folder}\n"
        "  expected:  a disk with room for it\n"
        "  found:     File too large\n"
        "  fix:       make room there, or name another disk: run.store_folder, or TMPDIR for a run that keeps "
        "nothing"
    )
    (valley.parent / tasks_to_do.FULL).unlink()
    assert made(valley, "terrain")["terrain"].sums.cells.sum() == ALL_CELLS


CHANGED = "an input changed while the run was going on"


def test_an_input_that_a_worker_exchanges_and_puts_back_stops_the_run(valley):
    dem, mark = valley.parent / "dem.tif", valley.parent / tasks_to_do.EXCHANGED
    before = dem.read_bytes()
    mark.touch()

    # Tiles are drained on the run's own copy and are right; the next stage that reads the DEM is not made.
    with pytest.raises(InputError, match=CHANGED) as stopped:
        made(valley, "terrain", "long_profile")

    assert f"  file:      {dem}\n" in str(stopped.value)
    assert dem.read_bytes() == before
    mark.unlink()
    assert made(valley, "long_profile", "terrain")["terrain"].sums.cells.sum() == ALL_CELLS


def test_an_input_exchanged_while_workers_value_candidates_and_put_back_stops_the_run(valley, monkeypatch):
    monkeypatch.setattr(systems, "SMALL_STATIONS", 0)
    monkeypatch.setattr("sitefinder.steps.part_size.PART_STATIONS", 8)
    costs, exchanges = valley.parent / "costs.toml", []

    def exchange(said, *_):
        if said.startswith("evaluating stretches, 1 of") and not exchanges:
            exchanges.append(said)
            os.rename(costs, costs.with_name("aside"))
            costs.write_text("other", encoding="utf-8")
            os.replace(costs.with_name("aside"), costs)

    with pytest.raises(InputError, match=CHANGED) as stopped:
        made(valley, "energy", progress=exchange)

    assert len(exchanges) == 1
    # What was valued before is kept, and nothing after.
    assert len([place for place in kept_by(valley) if place.startswith("energy: ")]) == 1
    assert f"  file:      {costs}\n" in str(stopped.value)


# As a user writes it, without a guard around what a main program does.
SCRIPT = f"""
import os, signal, sys
from pathlib import Path
import tasks_to_do
from sitefinder.pipeline.cluster import Cluster

with Cluster(Path(sys.argv[1]), {FORM!r}, {SOFTWARE!r}, workers=2) as workers:
    items = [(str(number), {{"number": number}}) for number in range(4)]
    found = list(workers.answers(tasks_to_do.squared, {{}}, items, "squares"))
    print(*{{answer.result["pid"] for answer in found}}, flush=True)
    if sys.argv[2] == "killed":
        os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.parametrize("end", ["by itself", "killed"])
def test_workers_serve_a_plain_script_and_end_with_it_however_it_ends(tmp_path, end):
    script, folder = tmp_path / "script.py", tmp_path / "tasks"
    script.write_text(SCRIPT, encoding="utf-8")
    folder.mkdir()
    places = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))}

    run = subprocess.run(
        [sys.executable, script, folder, end], env=places, stdout=subprocess.PIPE, timeout=3 * WAIT_S, check=False
    )

    assert run.returncode == (0 if end == "by itself" else -signal.SIGKILL)
    pids = run.stdout.split()
    assert len(pids) == 2
    wait_until_ended(pids)


def wait_until_ended(pids):
    """Fail where a process runs on."""
    until = time.monotonic() + WAIT_S
    while any(map(is_running, pids)) and time.monotonic() < until:
        time.sleep(0.1)
    assert not any(map(is_running, pids))


def is_running(pid):
    """Whether there is a process of that number."""
    try:
        os.kill(int(pid), 0)
    except ProcessLookupError:
        return False
    return True


@contextlib.contextmanager
def starting():
    """Gives a function that starts processes with this Python, which end with the context."""
    running = []

    def start(*arguments, path=()):
        places = os.pathsep.join([*map(str, path), *filter(None, sys.path)])
        command = [sys.executable, "-m", *map(str, arguments)]
        process = subprocess.Popen(
            command,
            # Python looks for modules in the folder that it is started in before all others.
            cwd=path[0] if path else None,
            env=os.environ | {"PYTHONPATH": places},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        running.append(process)
        return process

    try:
        yield start
    finally:
        for process in running:
            process.kill()
            process.wait()


@pytest.fixture
def started():
    """Starts processes with this Python, which end with the test."""
    with starting() as start:
        yield start


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory):
    """The address of a scheduler on this machine, without workers."""
    said = tmp_path_factory.mktemp("scheduler") / "scheduler.json"
    with starting() as start:
        start("distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", 0, "--no-dashboard",
              "--scheduler-file", said)  # fmt: skip
        until = time.monotonic() + WAIT_S
        while not said.exists() and time.monotonic() < until:
            time.sleep(0.05)
        time.sleep(0.1)
        yield json.loads(said.read_text(encoding="utf-8"))["address"]


def worker(started, scheduler, folder, **more):
    """A worker of a cluster, which nobody starts again."""
    return started("distributed.cli.dask_worker", scheduler, "--no-nanny", "--nthreads", 1, "--no-dashboard",
                   "--local-directory", folder, **more)  # fmt: skip


def delivered(folder):
    """Bytes of every file of a delivery."""
    files = [path for path in (folder / "out").rglob("*") if path.is_file() and ".sitefinder" not in str(path)]
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}


def test_one_process_and_a_cluster_that_loses_a_worker_deliver_the_same_bytes(
    started, scheduler, tmp_path, monkeypatch
):
    # Many tasks of a small region: cut here, so that workers need not know of it.
    monkeypatch.setattr(systems, "SMALL_STATIONS", 0)
    monkeypatch.setattr("sitefinder.steps.part_size.PART_STATIONS", 8)
    # Two workers of this machine deliver the sample region in steps/test_whole_run.py.
    (tmp_path / "one").mkdir()
    settings = {"one": write_valley(tmp_path / "one", valleys=2)}
    text = settings["one"].read_text(encoding="utf-8")
    small = text.replace("[terrain]", "[terrain]\ntile_rows = 11\ntile_columns = 31")
    assert small != text
    settings["one"].write_text(small, encoding="utf-8")
    shutil.copytree(tmp_path / "one", tmp_path / "cluster")
    settings["cluster"] = tmp_path / "cluster" / settings["one"].name
    mortal, _ = (worker(started, scheduler, tmp_path) for _ in range(2))
    words = []

    def kill_in_the_middle(said, *_):
        words.append(said)
        if said.startswith("evaluating stretches, 2 of") and mortal.poll() is None:
            os.kill(mortal.pid, signal.SIGKILL)

    run_and_deliver(settings["one"])
    run_and_deliver(settings["cluster"], scheduler=scheduler, progress=kill_in_the_middle)

    assert mortal.wait(WAIT_S) == -signal.SIGKILL
    assert any(said.startswith("evaluating stretches, 4 of") for said in words)
    first = delivered(tmp_path / "one")
    assert "out/sites.gpkg" in first
    assert delivered(tmp_path / "cluster") == first
    # Nothing has changed, or some seconds of tasks are left: neither workers nor their library are needed.
    monkeypatch.setattr("sitefinder.pipeline.cluster.LocalWorkers", None)
    for name in [name for name in sys.modules if name.partition(".")[0] in LIBRARIES]:
        monkeypatch.delitem(sys.modules, name)
    run_and_deliver(settings["one"], workers=2)
    changed = small.replace("share = 0.1", "share = 0.2")
    assert changed != small
    settings["one"].write_text(changed, encoding="utf-8")
    words.clear()
    run_and_deliver(settings["one"], workers=2, progress=lambda said, *_: words.append(said))
    assert any(said.startswith("evaluating stretches, 4 of") for said in words)
    assert not LIBRARIES & set(sys.modules)


def test_a_worker_with_other_code_is_refused(started, scheduler, repository, tmp_path):
    shutil.copytree(repository / "sitefinder", tmp_path / "sitefinder")
    units = tmp_path / "sitefinder" / "units.py"
    units.write_text(units.read_text(encoding="utf-8") + "\nOTHER = 1\n", encoding="utf-8")
    worker(started, scheduler, tmp_path, path=[tmp_path])

    with (
        Cluster(tmp_path, FORM, SOFTWARE, workers=1, scheduler=scheduler) as other,
        pytest.raises(InputError, match="workers of the cluster differ from this run") as caught,
    ):
        list(other.answers(tasks_to_do.squared, {}, numbers(1, 2), "squares"))

    assert "other code of the same version" in str(caught.value)


def test_an_address_where_nobody_answers_is_named(tmp_path, monkeypatch):
    monkeypatch.setattr("sitefinder.pipeline.cluster.ANSWER_S", 0.5)

    with (
        Cluster(tmp_path, FORM, SOFTWARE, workers=1, scheduler="tcp://127.0.0.1:9") as nobody,
        pytest.raises(InputError, match="no Dask cluster with a worker answers") as caught,
    ):
        list(nobody.answers(tasks_to_do.squared, {}, numbers(1, 2), "squares"))

    assert "tcp://127.0.0.1:9" in str(caught.value)
    assert list(Path(tmp_path).iterdir()) == []
