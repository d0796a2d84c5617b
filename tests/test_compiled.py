"""Compiled kernels: one signature whatever flags arrays have, and never older than the source of their parts."""

import subprocess
import sys

import numpy as np
import pytest

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

    assert len(main_upstream.compiled.signatures) == 1
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
