"""Standard errors of heads on small made regions, each with terrain of its own and surveyed on a raster.

The truth is that of the scripts that make the sample region. `tests/benchmarks/fresh_regions.py` does the same for
two hundred regions.
"""

import importlib
from pathlib import Path

import numpy as np
import pytest

pytestmark = [pytest.mark.slow, pytest.mark.exhaustive]

BENCHMARKS = Path(__file__).resolve().parents[1] / "benchmarks"
# Without a trace: that folder has modules of the same names as tests/tools, and those of the tests are meant.
with pytest.MonkeyPatch.context() as searched:
    searched.syspath_prepend(BENCHMARKS)
    fresh_regions = importlib.import_module("fresh_regions")
    made_regions = importlib.import_module("made_regions")

# Five regions, five surveys of each.
REGIONS, CELLS, MORE_SURVEYS = range(1, 6), 200, 4


@pytest.fixture(scope="module")
def kinds(made_once):
    return made_once("fresh-regions", lambda _: fresh_regions.surveyed_heads(REGIONS, CELLS, MORE_SURVEYS)[0])


# A figure over all heads, and its standard error from how it differs between regions: heads of one region share
# their terrain, those of one survey also their noise.
def pooled(parts, figure):
    own = len(parts) // len(REGIONS)
    regions = [made_regions.joined(parts[k : k + own]) for k in range(0, len(parts), own)]
    spread = np.std([figure(heads) for heads in regions], ddof=1)
    return figure(made_regions.joined(parts)), spread / np.sqrt(len(regions))


@pytest.mark.parametrize("kind", ["over 50 m", "over 100 m", "over 500 m"])
def test_three_to_eight_percent_of_heads_lie_beyond_two_standard_errors(kinds, kind, capsys):
    share, share_se = pooled(kinds[kind], lambda heads: fresh_regions.figures(heads)["beyond"])

    with capsys.disabled():
        print(f"\n{kind}: {100 * share:.1f} ± {100 * share_se:.1f} % of heads beyond two standard errors", end="")
    assert len(kinds[kind]) == 25
    # Few regions leave a doubt about the share; it must be small, and the share within it.
    assert share_se < 0.02
    assert 0.03 - 2 * share_se <= share <= 0.08 + 2 * share_se


@pytest.mark.parametrize("kind", ["over 50 m", "over 100 m", "over 500 m"])
def test_the_median_standard_error_is_no_larger_than_the_spread_of_errors(kinds, kind):
    def excess(heads):
        found = fresh_regions.figures(heads)
        return found["median_se_m"] / found["rmse_m"] - 1.0

    ratio, ratio_se = pooled(kinds[kind], excess)

    assert ratio <= 2 * ratio_se


@pytest.mark.parametrize("kind", ["over 50 m", "over 100 m", "over 500 m"])
def test_heads_are_right_on_the_average(kinds, kind):
    bias_m, bias_se_m = pooled(kinds[kind], lambda heads: fresh_regions.figures(heads)["bias_m"])

    assert abs(bias_m) <= 3 * bias_se_m + 0.01


def test_heads_are_real_ones(kinds):
    heads = made_regions.joined(kinds["over 100 m"])

    assert (heads.way_m >= 100.0 - 1e-6).all()
    assert (heads.true_m >= 0.0).all()
    assert np.mean(heads.true_m > 1.0) > 0.3
