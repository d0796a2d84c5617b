"""The page of plots: whole without a network, every gauge in its place, and text that cannot break it."""

import re
import xml.etree.ElementTree as ElementTree

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from sitefinder.hydrology.regional_fit import fit_regions
from sitefinder.report.fit import fit_page, fit_text, scatter
from sitefinder.settings import FitSettings, GaugeTable

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


def test_points_lie_where_their_numbers_say():
    plot = scatter(
        "t", "x", "y", [0.0, 10.0, np.nan], [0.0, 5.0, 1.0], ["a", "b", "c"], marked=[False, True, True]
    )

    (x1, y1, kind1, _), (x2, y2, kind2, name2) = plot["points"]
    assert (kind1, kind2, name2) == ("point", "marked", "b")
    # The axes run from -0.5 to 10.5 and from -0.25 to 5.25, so that both points are 1/22 of the frame inside.
    width, height = plot["right"] - plot["left"], plot["bottom"] - plot["top"]
    assert float(x1) == pytest.approx(plot["left"] + width / 22, abs=0.05)
    assert float(x2) == pytest.approx(plot["right"] - width / 22, abs=0.05)
    assert float(y1) == pytest.approx(plot["bottom"] - height / 22, abs=0.05)
    assert float(y2) == pytest.approx(plot["top"] + height / 22, abs=0.05)
    assert plot["left_out"] == 1
    # Round numbers: 0, 5, 10, and 0 to 5.
    assert [label for _, label in plot["x_ticks"]] == ["0", "5", "10"]
    assert [label for _, label in plot["y_ticks"]] == ["0", "2", "4"]


def test_plots_of_nothing_and_of_one_point_can_be_made_and_a_line_outside_is_left_out():
    assert scatter("t", "x", "y", [], [], [])["points"] == []
    lone = scatter("t", "x", "y", [1.0], [1.0], ["a"], lines=[(0.0, 9.0), (0.0, 1.0)])
    assert len(lone["points"]) == len(lone["lines"]) == 1


def test_the_plot_of_residuals_compares_them_with_normal_quantiles_at_the_positions_of_blom(fitted):
    gauges, fits = fitted

    page = fit_page("made up", fits, gauges)

    text = next(svg for svg in re.findall(r"<svg.*?</svg>", page, flags=re.S) if "normal quantile" in svg)
    circles = ElementTree.fromstring(text).findall(".//{*}circle")
    places = {circle[0].text: float(circle.get("cx")) for circle in circles}
    # scipy.stats, by another way than the page's own: 30 gauges, ranks 1 to 30.
    residual = fits.gauges[fits.gauges["statistic"] == "mean"].set_index("gauge")["residual_log10"]
    expected = stats.norm.ppf((stats.rankdata(residual) - 0.375) / 30.25)
    drawn = np.array([places[name] for name in residual.index])
    slope, intercept = np.polyfit(expected, drawn, 1)
    assert np.abs(slope * expected + intercept - drawn).max() < 0.1
    assert slope > 0
