"""Expected energy of sites and totals: recomputed from the delivered file alone, and within its own interval."""

import numpy as np
import pandas as pd
import pyogrio
import pytest

pytestmark = pytest.mark.slow

HOURS = 8760.0


@pytest.fixture(scope="module")
def delivered(sample_run):
    names = ("sites", "site_simulations", "totals")
    return {name: pyogrio.read_dataframe(sample_run.delivered.path, layer=name) for name in names}


@pytest.fixture(scope="module")
def simulated(delivered):
    """Simulations of each column, a row a site in the order of the sites."""
    table = delivered["site_simulations"].set_index(["site_id", "simulation"])
    order = delivered["sites"].sort_values("rank")["site_id"]
    return {name: table[name].unstack("simulation").loc[order].to_numpy() for name in table}


def test_every_expected_figure_of_a_site_is_the_mean_of_its_simulations(delivered, simulated):
    sites = delivered["sites"].sort_values("rank")
    energy_mwh = simulated["energy_long_term_mwh"].mean(axis=1)

    np.testing.assert_allclose(sites["energy_mwh"], energy_mwh, rtol=1e-9)
    # The mean over 500 years has a little of their chance.
    np.testing.assert_allclose(sites["energy_mwh"], simulated["energy_mwh"].mean(axis=1), rtol=0.01)
    yearly = simulated["yearly_cost"].mean(axis=1)
    np.testing.assert_allclose(sites["lcoe_per_kwh"], yearly / energy_mwh / 1000.0, rtol=1e-9)
    np.testing.assert_allclose(sites["net_annual_value"], simulated["net_annual_value"].mean(axis=1), rtol=1e-9)
    np.testing.assert_allclose(
        sites["capacity_factor"], 1000.0 * energy_mwh / sites["power_kw"] / HOURS, rtol=1e-9
    )


@pytest.mark.parametrize(
    ("column", "of_cost"),
    [("energy_mwh", False), ("energy_long_term_mwh", False), ("power_kw", False), ("lcoe_per_kwh", True)],
)
def test_intervals_are_quantiles_of_the_simulations(delivered, simulated, column, of_cost):
    sites = delivered["sites"].sort_values("rank")
    for part, below in (("p90", 0.1), ("p50", 0.5), ("p10", 0.9)):
        share = 1.0 - below if of_cost else below
        expected = np.quantile(simulated[column], share, axis=1, method="inverted_cdf")
        np.testing.assert_allclose(sites[f"{column}_{part}"], expected, rtol=1e-9)


def test_a_single_year_is_less_sure_than_the_long_term(delivered):
    sites = delivered["sites"]

    assert (sites["energy_mwh_p90"] < sites["energy_long_term_mwh_p90"]).all()
    assert (sites["energy_mwh_p10"] > sites["energy_long_term_mwh_p10"]).all()


def test_totals_are_those_of_the_sites_common_simulations(delivered, simulated):
    region = delivered["totals"].set_index("scope").loc["region"]
    region = region.iloc[0] if isinstance(region, pd.DataFrame) else region

    for column in ("energy_mwh", "energy_long_term_mwh", "power_kw"):
        total = simulated[column].sum(axis=0)
        for part, share in (("p90", 0.1), ("p50", 0.5), ("p10", 0.9)):
            expected = np.quantile(total, share, method="inverted_cdf")
            assert region[f"{column}_{part}"] == pytest.approx(expected, rel=1e-9)
    # Whole watt-hours.
    assert region["energy_wh"] == pytest.approx(1e6 * simulated["energy_long_term_mwh"].mean(axis=1).sum(), abs=20)


def test_expected_energy_and_capacity_lie_within_their_own_intervals(delivered):
    for table, energy, power in (
        (delivered["sites"], delivered["sites"]["energy_mwh"], delivered["sites"]["power_kw"]),
        (delivered["totals"], delivered["totals"]["energy_wh"] / 1e6, delivered["totals"]["power_w"] / 1e3),
    ):
        has_sites = energy > 0
        for figure, column in ((energy, "energy_mwh"), (energy, "energy_long_term_mwh"), (power, "power_kw")):
            assert (table[f"{column}_p90"] <= figure * (1 + 1e-6))[has_sites].all(), column
            assert (figure <= table[f"{column}_p10"] * (1 + 1e-6))[has_sites].all(), column
