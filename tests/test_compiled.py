"""Compiled kernels: one signature whatever flags arrays have, and never older than the source of their parts."""

import ast
import importlib.util
import os
import subprocess
import sys
from pathlib import Path

import numba
import numpy as np
import pytest
from parsed_code import nodes_with_place, parsed

import sitefinder
from sitefinder.compiled import KEPT_SOURCES, ProvidedLocator, SharedLocator, kernel, part, sources_digest
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


def test_a_kernel_is_compiled_once_for_arrays_of_any_scheme_type_and_flags():
    downstream, step_m = np.array([1, 2, -1], dtype=np.int32), np.array([1.0, 1.0, 0.0])
    fixed_m = step_m.copy()
    fixed_m.flags.writeable = False

    answers = [main_upstream(downstream, each) for each in (step_m, fixed_m, np.repeat(step_m, 2)[::2])]

    assert main_upstream.compiled.signatures == [main_upstream.declared_types()]
    assert [answer.tolist() for answer in answers] == [[-1, 0, 1]] * 3


@pytest.mark.skipif(numba.config.DISABLE_JIT, reason="nothing is compiled")
def test_a_kernel_that_counts_no_references_to_arrays_may_fill_one_and_not_make_one():
    def doubled(values, found):
        for place in range(len(values)):
            found[place] = 2.0 * values[place]

    def made(values):
        return np.zeros(len(values))

    filled = np.zeros(2)
    kernel(fills=("found",), allocates=False)(doubled)(np.array([1.0, 3.0]), filled)
    assert filled.tolist() == [2.0, 6.0]
    with pytest.raises(numba.TypingError, match="zeros"):
        kernel(allocates=False)(made)(np.zeros(2))


@pytest.mark.skipif(numba.config.DISABLE_JIT, reason="nothing is compiled")
def test_a_part_may_make_an_array_only_where_it_says_so():
    def ones(count):
        return np.ones(count)

    def twos(count):
        return np.full(count, 2.0)

    allowed, refused = part(allocates=True)(ones), part(twos)

    def sum_of_ones(count):
        return allowed(count).sum()

    def sum_of_twos(count):
        return refused(count).sum()

    assert kernel(sum_of_ones)(3) == 3.0
    with pytest.raises(numba.TypingError, match="twos"):
        kernel(sum_of_twos)(3)


def test_a_part_that_hands_an_array_back_says_that_it_allocates():
    # Who calls it takes over the count of what it gets, and a part that counts nothing has none to hand over.
    handing, saying = [], []
    for path in sorted(Path(sitefinder.__file__).parent.rglob("*.py")):
        # To parse all others takes a second.
        if "@part" not in path.read_text(encoding="utf-8"):
            continue
        for node, _ in nodes_with_place(parsed(path)):
            decorators = [ast.unparse(each) for each in getattr(node, "decorator_list", ())]
            if not any(each == "part" or each.startswith("part(") for each in decorators):
                continue
            of_arrays = {
                each.value.id
                for each in ast.walk(node)
                if isinstance(each, ast.Subscript) and isinstance(each.value, ast.Name)
            }
            given = [each.value for each in ast.walk(node) if isinstance(each, ast.Return) and each.value]
            given += [element for each in given if isinstance(each, ast.Tuple) for element in each.elts]
            names = {each.id for each in given if isinstance(each, ast.Name)}
            if names & of_arrays or any("Slice(" in ast.dump(each) for each in given):
                handing.append((path.name, node.name))
            if "part(allocates=True)" in decorators:
                saying.append((path.name, node.name))

    assert len(saying) > 1
    assert set(handing) <= set(saying)


@pytest.mark.slow
def test_what_is_kept_on_disk_is_compiled_again_when_a_part_in_another_file_changes(tmp_path, repository):
    (tmp_path / "of_it.py").write_text(KERNELS, encoding="utf-8")
    code = f"import sys; sys.path[:0] = [{str(tmp_path)!r}, {str(repository)!r}]; import of_it"
    found = []
    for by in (1.0, 1.0, 2.5):
        (tmp_path / "parts_of_it.py").write_text(PARTS.format(by=by), encoding="utf-8")
        found.append(printed(started(code, XDG_CACHE_HOME=tmp_path, LOCALAPPDATA=tmp_path)).split())

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


@pytest.fixture
def shared(tmp_path, monkeypatch):
    """A function that gives the folder of the compiled code of a module of some text, by where its file lies."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "of_user"))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "of_user"))

    def folder_of(place, text):
        path = tmp_path / place / "module_of_it.py"
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
        specification = importlib.util.spec_from_file_location("module_of_it", path)
        module = importlib.util.module_from_spec(specification)
        monkeypatch.setitem(sys.modules, "module_of_it", module)
        specification.loader.exec_module(module)
        sources_digest.cache_clear()
        return Path(SharedLocator.from_function(module.grown, str(path)).get_cache_path())

    yield folder_of
    sources_digest.cache_clear()


def test_compiled_code_is_found_by_its_sources_wherever_these_lie_and_nothing_is_kept_beside_them(
    shared, tmp_path
):
    text = "def grown(x):\n    return x + {}\n"

    installed, checkout, edited = (
        shared(place, text.format(by)) for place, by in (("site-packages", 1), ("checkout", 1), ("checkout", 2))
    )

    assert installed == checkout != edited
    assert [path.name for path in (tmp_path / "site-packages").iterdir() if path.name != "__pycache__"] == [
        "module_of_it.py"
    ]


def test_of_many_states_of_a_module_the_oldest_compiled_code_goes(shared):
    folders = [shared("checkout", f"def grown(x):\n    return x + {by}\n") for by in range(KEPT_SOURCES)]
    for age, folder in enumerate(reversed(folders)):
        os.utime(folder, (1e9 - age, 1e9 - age))

    last = shared("checkout", "def grown(x):\n    return x\n")

    assert [folder.exists() for folder in [*folders, last]] == [False] + [True] * KEPT_SOURCES
