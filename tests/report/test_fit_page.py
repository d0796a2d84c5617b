"""The page of plots: whole without a network, every gauge in its place, and text that cannot break it."""

import re
import xml.etree.ElementTree as ElementTree

import numpy as np
import pandas as pd
import pytest

from sitefinder.config import FitSettings, GaugeTable
from sitefinder.flows.regional_fit import fit_regions
from sitefinder.report.fit_page import fit_page
from sitefinder.report.fit_text import fit_text
from sitefinder.report.scatter import scatter

TABLE = GaugeTable(path="g.csv", predictors=["area_km2"], source="made up")


@pytest.fixture(scope="module")
def fitted():
    rng = np.random.default_rng(1)
    area = 10 ** rng.uniform(0, 3, 30)
    low = 0.001 * area * 10 ** (0.2 * rng.normal(size=30))
    low[:5] = 0.0
    gauges = pd.DataFrame(
        {
            "area_km2": area,
            "flow_mean_m3s": 0.02 * area * 10 ** (0.1 * rng.normal(size=30)),
            "flow_q95_m3s": low,
        },
        index=[f"<g{number}>" for number in range(30)],
    )
    return gauges, fit_regions(gauges, table=TABLE, settings=FitSettings())


def test_the_page_loads_nothing_and_shows_every_gauge(fitted):
    gauges, fits = fitted

    page = fit_page("a source with <b>tags</b> & more", fits, gauges)

    assert not re.search(r"(src|href)=\"(?!#)", page)
    assert "url(" not in page
    assert "<script" not in page
    assert "a source with &lt;b&gt;tags&lt;/b&gt; &amp; more" in page
    plots = [ElementTree.fromstring(text) for text in re.findall(r"<svg.*?</svg>", page, flags=re.S)]
    # Observed, residual, quantiles, leverage and one predictor for each of two statistics.
    assert len(plots) == 10
    circles = [len(plot.findall(".//{*}circle")) for plot in plots]
    assert circles == [30] * 5 + [25] * 5
    assert "zero, in the probability of zero" in page


def test_a_page_of_a_censored_fit_shows_the_gauges_that_have_a_residual(fitted):
    gauges, _ = fitted
    fits = fit_regions(gauges, table=TABLE, settings=FitSettings(zero_flows="censored"))

    page = fit_page("made up", fits, gauges)

    plots = [ElementTree.fromstring(text) for text in re.findall(r"<svg.*?</svg>", page, flags=re.S)]
    assert [len(plot.findall(".//{*}circle")) for plot in plots] == [30] * 5 + [25] * 5
    assert "(5 not shown)" in page


def test_the_printed_lines_keep_to_their_width(fitted):
    _, fits = fitted

    text = fit_text("made up", fits, ["out/equations.toml"])

    assert max(map(len, text.splitlines())) <= 100
    assert text.endswith("Files\n  out/equations.toml\n")


def test_points_stand_where_their_numbers_say():
    plot = ElementTree.fromstring(
        scatter("t", "x", "y", [0.0, 10.0, np.nan], [0.0, 5.0, 1.0], ["a", "b", "c"], marked=[False, True, True])
    )

    low, high = plot.findall(".//{*}circle")
    assert float(low.get("cx")) < float(high.get("cx"))
    assert float(low.get("cy")) > float(high.get("cy"))
    assert (low.get("class"), high.get("class")) == ("point", "marked")
    assert high[0].text == "b"
    # The axis from -0.5 to 10.5 has round numbers: 0, 5, 10.
    numbers = [item.text for item in plot.findall(".//{*}text") if item.get("class") == "number"]
    assert numbers[:3] == ["0", "5", "10"]


def test_a_plot_of_nothing_and_of_one_point_are_drawn():
    assert "<circle" not in scatter("t", "x", "y", [], [], [])
    assert scatter("t", "x", "y", [1.0], [1.0], ["a"], lines=[(0.0, 9.0)]).count("<circle") == 1
