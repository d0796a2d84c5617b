"""Compiled kernels: one signature whatever flags arrays have, and never older than the source of their parts."""

import os
import subprocess
import sys
import sysconfig
from pathlib import Path

import numba
import numpy as np
import pytest

from sitefinder.compiled import CheckoutLocator, ProvidedLocator, _installed_folders
from sitefinder.network.ordering import main_upstream

PARTS = "from sitefinder.compiled import part\n\n\n@part\ndef grown(x):\n    return x + {by}\n"
KERNELS = """import numpy as np

from parts_of_it import grown
from sitefinder.compiled import kernel


@kernel
def of_array(values):
    return grown(values[0])


print(of_array(np.zeros(3)), sum(of_array.compiled.stats.cache_hits.values()))
"""


def test_a_kernel_is_compiled_once_for_arrays_of_any_scheme_type_and_flags():
    downstream, step_m = np.array([1, 2, -1], dtype=np.int32), np.array([1.0, 1.0, 0.0])
    fixed_m = step_m.copy()
    fixed_m.flags.writeable = False

    answers = [main_upstream(downstream, each) for each in (step_m, fixed_m, np.repeat(step_m, 2)[::2])]

    assert main_upstream.compiled.signatures == [main_upstream.declared_types()]
    assert [answer.tolist() for answer in answers] == [[-1, 0, 1]] * 3


@pytest.mark.slow
def test_what_is_kept_on_disk_is_compiled_again_when_a_part_in_another_file_changes(tmp_path, repository):
    (tmp_path / "of_it.py").write_text(KERNELS, encoding="utf-8")
    code = f"import sys; sys.path[:0] = [{str(tmp_path)!r}, {str(repository)!r}]; import of_it"
    found = []
    for by in (1.0, 1.0, 2.5):
        (tmp_path / "parts_of_it.py").write_text(PARTS.format(by=by), encoding="utf-8")
        done = subprocess.run([sys.executable, "-B", "-c", code], capture_output=True, text=True, check=True)
        found.append(done.stdout.split())

    assert found == [["1.0", "0"], ["1.0", "1"], ["2.5", "0"]]


AHEAD = """import sys
import time

import numpy as np

from sitefinder import compiled
from sitefinder.compiled import compiled_ahead, kernel


@kernel(takes="float64[::1]")
def first(values):
    return values[0] + 1.0


@kernel(takes="float64[::1], int64", fills=("values",))
def last(values, at):
    values[at] = 2.0
    return values.sum()


if __name__ != "__main__" and sys.argv[-1] == "run":
    with compiled_ahead(["ahead_of_it"]):
        answers = [first(np.zeros(3))]
        (helper,) = compiled._helpers
        if {is_killed}:
            helper.kill()
            helper.wait()
        else:
            while not last.compiled._cache._cache_file.load(last.compiled._cache._index_key(
                last.declared_types(), last.compiled.targetctx.codegen()
            )):
                assert helper.poll() is None
                time.sleep(0.05)
        answers.append(last(np.zeros(3), 1))
    print(*answers, helper.returncode is not None, sum(last.compiled.stats.cache_hits.values()))
"""
ONE_KERNEL = """import numpy as np

from sitefinder.network.ordering import main_upstream

found = main_upstream(np.array([1, 2, -1], dtype=np.int32), np.array([1.0, 1.0, 0.0]))
print(found.tolist(), sum(main_upstream.compiled.stats.cache_misses.values()))
"""


def started(code, *arguments, **variables):
    environment = os.environ | {name: str(value) for name, value in variables.items()}
    return subprocess.Popen(
        [sys.executable, "-B", "-c", code, *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
    )


def printed(process):
    out, errors = process.communicate(timeout=600)
    assert process.returncode == 0, errors
    return out.strip()


@pytest.mark.slow
@pytest.mark.parametrize(("is_killed", "from_disk"), [(False, 1), (True, 0)], ids=["helped", "helper killed"])
def test_kernels_to_come_are_compiled_by_a_second_process_that_may_die(tmp_path, repository, is_killed, from_disk):
    text = AHEAD.replace("{is_killed}", str(is_killed))
    (tmp_path / "ahead_of_it.py").write_text(text, encoding="utf-8")
    code = f"import sys; sys.path[:0] = [{str(tmp_path)!r}, {str(repository)!r}]; import ahead_of_it"

    answer = printed(started(code, "run", NUMBA_CACHE_DIR=tmp_path / "kept"))

    assert answer == f"1.0 2.0 True {from_disk}"


@pytest.mark.slow
def test_two_runs_at_once_on_an_empty_folder_compile_a_kernel_once(tmp_path, repository):
    both = [started(ONE_KERNEL, NUMBA_CACHE_DIR=tmp_path, PYTHONPATH=repository) for _ in range(2)]

    assert sorted(map(printed, both)) == ["[-1, 0, 1] 0", "[-1, 0, 1] 1"]


@pytest.mark.slow
def test_a_run_goes_on_where_nothing_compiled_can_be_kept(tmp_path, repository):
    (tmp_path / "a-file").write_text("", encoding="utf-8")

    answer = printed(started(ONE_KERNEL, NUMBA_CACHE_DIR=tmp_path / "a-file", PYTHONPATH=repository))

    assert answer.startswith("[-1, 0, 1]")


@pytest.mark.slow
def test_each_kernel_of_the_sample_is_compiled_for_the_types_that_it_says_alone(other_run):
    # Of the process of the run, and of those that drain its tiles.
    kernels = [kernel for own in other_run.kernels for kernel in own]

    assert len(other_run.kernels) > 1
    assert [name for name, types, _ in kernels if len(types) > 1] == []
    assert [name for name, types, says in kernels if says is not None and types not in ([], says)] == []
    assert len({name for name, types, says in kernels if says is not None and types}) > 40


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such permissions")
def test_compiled_code_is_kept_in_a_folder_of_its_owner_alone_and_read_from_no_other(tmp_path, monkeypatch):
    monkeypatch.setattr(numba.config, "CACHE_DIR", str(tmp_path))
    of_module = (test_compiled_code_is_kept_in_a_folder_of_its_owner_alone_and_read_from_no_other, __file__)

    locator = ProvidedLocator.from_function(*of_module)

    folder = Path(locator.get_cache_path())
    assert folder.parent == tmp_path
    assert folder.stat().st_mode & 0o777 == 0o700
    for mode in (0o770, 0o702):
        folder.chmod(mode)
        assert ProvidedLocator.from_function(*of_module) is None
    folder.chmod(0o755)
    assert ProvidedLocator.from_function(*of_module) is not None
    monkeypatch.setattr(os, "getuid", lambda: 4321)
    assert ProvidedLocator.from_function(*of_module) is None


def test_nothing_is_kept_beside_an_installed_package_since_uninstalling_would_leave_it(tmp_path, monkeypatch):
    installed, checkout = tmp_path / "site-packages", tmp_path / "checkout"
    for folder in (installed, checkout):
        (folder / "sitefinder").mkdir(parents=True)
        (folder / "sitefinder" / "module.py").write_text("", encoding="utf-8")
    monkeypatch.setattr(sysconfig, "get_path", lambda name: str(installed))
    monkeypatch.setattr("sitefinder.compiled._installed_folders", _installed_folders.__wrapped__)

    def locator(folder):
        return CheckoutLocator.from_function(locator, str(folder / "sitefinder" / "module.py"))

    assert locator(installed) is None
    assert not (installed / "sitefinder" / "__pycache__").exists()
    assert locator(checkout).get_cache_path() == str(checkout / "sitefinder" / "__pycache__")
