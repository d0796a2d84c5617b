"""The sample region's law of flow, as `sitefinder fit-flows` finds it from the gauges alone.

The law and its scatter are those that the region was made from (truth.json); the gauges are 48 draws of it.
"""

import json

import numpy as np
import pandas as pd
import pytest

from sitefinder.delivery.fitted_equations import fit_and_deliver
from sitefinder.hydrology.equations import apply_equation

SEED = 5
SIMULATIONS = 400


@pytest.fixture(scope="module")
def truth(repository):
    return json.loads((repository / "sample-region" / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def equations(repository, tmp_path_factory):
    folder = tmp_path_factory.mktemp("fit")
    path = (repository / "sample-region" / "gauges.csv").as_posix()
    (folder / "fit.toml").write_text(
        f"""
        [fit.gauges]
        path = "{path}"
        predictors = ["area_km2", "precipitation_mm"]
        source = "sample region"
        x_column = "x_m"
        y_column = "y_m"
        crs = "EPSG:32633"
        """
    )
    return {item.statistic: item for item in fit_and_deliver(folder / "fit.toml").fits.equations}


# Each statistic with its place in the law.
def stationing(truth):
    names = {
        "flow_mean_m3s": "mean",
        **{f"flow_q{percent:02d}_m3s": f"exceedance_{percent}" for percent in range(1, 100)},
    }
    return [(names[column], number) for number, column in enumerate(truth["flow_law"]["statistics"])]


def test_the_law_is_found_within_two_standard_errors(truth, equations):
    law = truth["flow_law"]

    for statistic, number in stationing(truth):
        equation = equations[statistic]
        found = np.array([equation.constant, *(item.coefficient for item in equation.predictors)])
        errors = np.sqrt(np.diag(equation.covariance))
        made_with = np.array([law[name][number] for name in "abc"])
        assert (np.abs(found - made_with) <= 2 * errors).all(), statistic


def test_intervals_hold_85_to_95_percent_of_the_true_station_flows(truth, equations):
    law, rng = truth["flow_law"], np.random.default_rng(SEED)
    stations = pd.DataFrame(
        {
            name: np.concatenate([stream[name] for stream in truth["streams"]])
            for name in ("area_km2", "precipitation_mm")
        }
    )
    stations = stations[stations["area_km2"] >= equations["mean"].predictors[0].minimum]
    logs = np.log10(stations.to_numpy())

    held = {}
    for statistic, number in stationing(truth):
        median = law["a"][number] + logs @ [law["b"][number], law["c"][number]]
        # The law's own scatter makes a true flow of each station; many draws, so that luck averages out.
        true = 10 ** (median + law["scatter_log10"][number] * rng.normal(size=(SIMULATIONS, len(stations))))
        applied = apply_equation(equations[statistic], stations)
        held[statistic] = ((applied.low_m3s <= true) & (true <= applied.high_m3s)).mean()

    assert 0.85 <= held["mean"] <= 0.95
    assert 0.85 <= np.mean(list(held.values())) <= 0.95
    assert min(held.values()) >= 0.85
