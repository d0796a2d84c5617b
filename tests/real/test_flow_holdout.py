"""Intervals of fitted equations at gauges unseen, by the benchmark's own experiment on the 671 gauges.

N. Addor et al., "The CAMELS data set," Hydrol. Earth Syst. Sci., vol. 21, pp. 5293-5313, 2017; see
`tests/benchmarks/flow_holdout.py`, which prints the whole and holds gauges out alone as well.
"""

import importlib.util

import pandas as pd
import pytest

from sitefinder.hydrology import regional_fit
from sitefinder.hydrology.plausibility import MEAN_FLOW, suspect_gauges

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def rows(repository, public_data, tmp_path_factory):
    path = repository / "tests" / "benchmarks" / "flow_holdout.py"
    spec = importlib.util.spec_from_file_location("flow_holdout", path)
    bench = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(bench)
    folder = tmp_path_factory.mktemp("holdout")
    text = (repository / "tests" / "real" / "us_gauges.toml").read_text(encoding="utf-8")
    (folder / "fit.toml").write_text(text.replace('"data/', f'"{public_data.as_posix()}/'), encoding="utf-8")
    none = suspect_gauges(pd.DataFrame({MEAN_FLOW: []}), [])
    with pytest.MonkeyPatch.context() as patch:
        # Implausible gauges are listed for each region and change no equation; they take a third of the time.
        patch.setattr(regional_fit, "suspect_gauges", lambda *_: none.copy())
        measured = bench.measured(folder / "fit.toml", ["neighbourhood"])
    return measured[measured["interval"] == "widened"]


def test_of_gauges_in_neighbourhoods_held_out_85_to_95_percent_lie_inside(rows):
    inside = rows.groupby("statistic")["inside"].mean()

    assert inside.between(0.85, 0.95).all(), inside
    assert 0.85 <= rows["inside"].mean() <= 0.95


@pytest.mark.parametrize("kind", ["region", "size_class", "aridity_class"])
def test_no_class_of_25_gauges_falls_under_80_percent(rows, kind):
    classes = rows.groupby([kind, "statistic"], observed=True)["inside"].agg(["size", "mean"])

    enough = classes[classes["size"] >= 25]

    # Eleven regions, four sizes and four classes of aridity, most of them for all three statistics.
    assert len(enough) >= 12
    assert enough["mean"].min() >= 0.80, pd.DataFrame(enough).to_string()
