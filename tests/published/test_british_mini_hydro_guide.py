"""Power and load factor against the rules of the British guide to small plants, over recorded flows.

British Hydropower Association, "A guide to UK mini-hydro developments," section 3.4, web edition; read: peak power
is 7 · flow · head [kW, m³/s, m], and a first estimate of the load factor is 40, 50, 60 and 70 % for design flows
of 1, 0.75, 0.5 and 0.33 of the mean flow. Flows: gauges of wet catchments with little snow in the table of
tests/real/data/us_gauges, by their mean and the flows exceeded 5 and 95 % of the time.
"""

import pandas as pd
import pytest
from published_plants import KAPLAN, SCREW, Flow, Plant, built

pytestmark = pytest.mark.slow

# What is left in the stream is usually the flow exceeded 95 % of the time; common practice, no source.
LEFT = {"kind": "exceedance_flow", "exceedance_percent": 95}


@pytest.fixture(scope="module")
def gauges(repository):
    table = pd.read_csv(repository / "tests" / "real" / "data" / "us_gauges" / "attributes_671.csv")
    wet = (table["aridity"] < 0.8) & (table["frac_snow"] < 0.15) & (table["Q95exc_m3s"] > 0)
    # From 4 m³/s, so that a third of the mean flow still suits a Kaplan turbine; every fourth of them.
    return table[wet & table["Qmean_m3s"].between(4, 40)].iloc[::4]


@pytest.mark.parametrize(("share_of_mean", "load_factor"), [(1.0, 0.40), (0.75, 0.50), (0.5, 0.60), (1 / 3, 0.70)])
def test_load_factor_falls_with_design_flow_as_the_guide_has_it(share_of_mean, load_factor, gauges):
    found = []
    for gauge in gauges.itertuples():
        flow = Flow({5: gauge.Q5exc_m3s, 95: gauge.Q95exc_m3s}, gauge.Qmean_m3s, "recorded", LEFT)
        plant = Plant("gauge", KAPLAN, 3.0, share_of_mean * gauge.Qmean_m3s, None, None, "", flow)
        found.append(built(plant)["capacity_factor"])

    # A first estimate in steps of ten points, without a word on availability or on what is left in the stream.
    assert len(found) >= 15
    assert pd.Series(found).median() == pytest.approx(load_factor, abs=0.09)


@pytest.mark.parametrize(("turbine", "tolerance"), [(KAPLAN, 0.17), (SCREW, 0.05)])
def test_peak_power_is_near_seven_times_flow_and_head(turbine, tolerance):
    power_kw = built(Plant("rule", turbine, 3.0, 4.0, None, None, ""))["power_kw"]

    # Seven is an efficiency of 0.714 from water to wire: that of a screw; a Kaplan turbine has 0.80.
    assert power_kw == pytest.approx(7 * 4.0 * 3.0, rel=tolerance)
