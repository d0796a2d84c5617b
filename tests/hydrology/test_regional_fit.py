"""A whole table of gauges fitted by region: nothing dropped unseen, doubts reported, zeros taken in."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from sitefinder.errors import InputError
from sitefinder.hydrology.censored import fit_zero_probability
from sitefinder.hydrology.equations import apply_equation, zero_probability
from sitefinder.hydrology.regional_fit import (
    CENSORED,
    FITTED,
    IN_PROBABILITY,
    accounted,
    fit_regions,
    neighbour_groups,
    nested_by_chain,
)
from sitefinder.hydrology.regression import correlation_by_distance, fit_equation, sampling_covariance
from sitefinder.settings import FitSettings, GaugeTable

TABLE = GaugeTable(path="g.csv", predictors=["area_km2"], source="made up", record_years_column="years")


def made(count, seed, region="north", zeros=0):
    rng = np.random.default_rng(seed)
    area = 10 ** rng.uniform(0, 3, count)
    low = 10 ** (np.log10(area) - 3 + 0.2 * rng.normal(size=count))
    low[np.argsort(low)[:zeros]] = 0.0
    return pd.DataFrame(
        {
            "area_km2": area,
            "rain_mm": 10 ** rng.uniform(2.8, 3.2, count),
            "years": 20.0 + np.arange(count),
            "region": region,
            "flow_mean_m3s": 10 ** (np.log10(area) - 1.7 + 0.05 * rng.normal(size=count)),
            "flow_q95_m3s": low,
        },
        index=[f"{region}{number:02d}" for number in range(count)],
    )


def test_neighbours_are_held_out_together_or_each_gauge_alone():
    # Five towns of two gauges each, in no order.
    towns = np.array([60.0, 0.0, 121.0, 1.0, 31.0, 90.0, 61.0, 30.0, 120.0, 91.0])[:, None]

    assert neighbour_groups(towns, 2).tolist() == [1, 2, 3, 2, 4, 5, 1, 4, 3, 5]
    assert neighbour_groups(towns[:8], 2).max() == 4
    assert neighbour_groups(towns, 1).tolist() == [1, 2, 3, 4, 5, 6, 7, 8, 9, 10]
    # Fewer than four groups say nothing.
    assert neighbour_groups(towns, 3).tolist() == [1, 2, 3, 4, 5, 6, 7, 8, 9, 10]


def test_every_gauge_of_every_statistic_is_accounted_for():
    gauges = pd.concat([made(40, 1, zeros=6), made(10, 2, region="south", zeros=2)])
    gauges.loc["north03", "flow_mean_m3s"] = np.nan

    fits = fit_regions(gauges, table=TABLE, settings=FitSettings(region_column="region"))

    notes = accounted(fits.gauges).set_index(["statistic", "became"])
    assert notes["gauges"].to_dict() == {
        ("mean", FITTED): 39,
        ("exceedance_95", FITTED): 34,
        ("exceedance_95", IN_PROBABILITY): 6,
        ("mean", "flow_mean_m3s missing"): 1,
        ("mean", "region has fewer than 25 gauges"): 10,
        ("exceedance_95", "region has fewer than 25 gauges"): 10,
    }
    assert notes["zero"].sum() == 8
    for table in (fits.summary, fits.coefficients, fits.gauges, fits.warnings, fits.suspects):
        assert table.index.tolist() == list(range(len(table)))
    assert len(fits.gauges) == 2 * 50


def test_a_region_has_the_fit_of_its_own_gauges():
    gauges = pd.concat([made(40, 1), made(30, 2, region="south")])

    fits = fit_regions(gauges, table=TABLE, settings=FitSettings(region_column="region", group_size=1))

    found = next(item for item in fits.equations if (item.region, item.statistic) == ("south", "mean"))
    alone = fit_equation(gauges[gauges["region"] == "south"], "flow_mean_m3s", ["area_km2"], "made up").equation
    assert found.constant == alone.constant
    assert found.covariance == alone.covariance


def test_each_gauge_has_its_residual_in_the_fit_and_in_one_without_it():
    gauges = made(30, 3)
    design = np.column_stack([np.ones(30), np.log10(gauges["area_km2"])])
    response = np.log10(gauges["flow_mean_m3s"].to_numpy())

    fits = fit_regions(gauges, table=TABLE, settings=FitSettings())

    rows = fits.gauges[fits.gauges["statistic"] == "mean"].set_index("gauge").loc[gauges.index]
    # By numpy's own least squares.
    hat = design @ np.linalg.pinv(design)
    without = [
        response[row] - design[row] @ np.linalg.lstsq(design[rest], response[rest], rcond=None)[0]
        for row, rest in enumerate(~np.eye(30, dtype=bool))
    ]
    # Each gauge is held out alone: the share that its interval holds is what widens it.
    summary = fits.summary.set_index("statistic").loc["mean"]
    sigma2 = np.array(
        [
            np.square(
                response[rest] - design[rest] @ np.linalg.lstsq(design[rest], response[rest], rcond=None)[0]
            ).sum()
            / 27
            for rest in ~np.eye(30, dtype=bool)
        ]
    )
    leverage = np.array(
        [
            design[row] @ np.linalg.inv(design[rest].T @ design[rest]) @ design[row]
            for row, rest in enumerate(~np.eye(30, dtype=bool))
        ]
    )
    held = np.abs(without) <= stats.t.ppf(0.95, 27) * np.sqrt(sigma2 * (1 + leverage))
    assert summary["held_out_inside_percent"] == pytest.approx(100 * held.mean())
    assert (summary["gauges"], summary["groups_held_out"], summary["zeros"]) == (30, 30, 0)
    assert rows["residual_log10"].to_numpy() == pytest.approx(response - hat @ response, abs=1e-12)
    assert rows["left_out_log10"].to_numpy() == pytest.approx(without, abs=1e-12)
    assert rows["leverage"].to_numpy() == pytest.approx(np.diag(hat), abs=1e-12)
    assert rows["fitted_m3s"].to_numpy() == pytest.approx(10.0 ** (hat @ response), rel=1e-9)


def test_zeros_make_an_equation_for_their_probability():
    gauges = made(60, 3, zeros=12)

    fits = fit_regions(gauges, table=TABLE, settings=FitSettings())

    by_name = {item.statistic: item for item in fits.equations}
    probability = by_name["zero_probability_exceedance_95"]
    places = pd.DataFrame({"area_km2": [1.0, 1000.0]})
    small, large = zero_probability(probability, places).zero
    assert small > 0.5 > 0.01 > large
    assert probability.gauges == 60
    # One region of all has no name, others have their own.
    assert [item.region for item in fits.equations] == [None] * 3
    own = fit_regions(gauges, table=TABLE, settings=FitSettings(region_column="region")).equations
    assert [item.region for item in own] == ["north"] * 3
    assert by_name["exceedance_95"].gauges == 48


def test_zeros_count_as_less_than_the_limit_in_a_censored_fit():
    gauges = made(60, 3, zeros=12)

    fits = fit_regions(gauges, table=TABLE, settings=FitSettings(zero_flows="censored"))

    notes = accounted(fits.gauges).set_index(["statistic", "became"])["gauges"]
    assert notes["exceedance_95", CENSORED] == 12
    rows = fits.gauges[fits.gauges["statistic"] == "exceedance_95"]
    # Each gauge with a flow was held out, and its interval is that of a fit to the other 59.
    assert np.isfinite(rows["held_out_log10"]).tolist() == (rows["observed_m3s"] > 0).tolist()
    assert (rows["held_out_half_width_log10"] > 0).all()
    equation = {item.statistic: item for item in fits.equations}["exceedance_95"]
    assert equation.gauges == 60
    assert "12 zeros as below" in equation.table
    # Flows under the limit are foretold where the zeros are.
    dry = gauges[gauges["flow_q95_m3s"] == 0]
    minimum = gauges.loc[gauges["flow_q95_m3s"] > 0, "flow_q95_m3s"].min()
    assert (
        np.sqrt(apply_equation(equation, dry).low_m3s * apply_equation(equation, dry).high_m3s) < minimum
    ).mean() > 0.6


def test_candidates_are_compared_and_the_better_set_is_used():
    gauges = made(40, 4)
    gauges["flow_mean_m3s"] *= (gauges["rain_mm"] / 1000) ** 2

    fits = fit_regions(gauges, table=TABLE, settings=FitSettings(candidates=["rain_mm", "years"]))

    mean = fits.summary.set_index("statistic").loc["mean"]
    assert mean["predictors"] == "area_km2, rain_mm"
    assert fits.candidates.index.tolist() == list(range(8))
    assert fits.candidates[["region", "statistic"]].drop_duplicates().to_numpy().tolist() == [
        ["all", "mean"],
        ["all", "exceedance_95"],
    ]
    assert len(fits.candidates[fits.candidates["statistic"] == "mean"]) == 4
    assert fits.candidates.columns.tolist()[:3] == ["region", "statistic", "predictors"]


def test_a_region_just_large_enough_is_fitted_and_one_gauge_fewer_is_reported():
    gauges = pd.concat([made(25, 1), made(24, 2, region="south")])

    fits = fit_regions(gauges, table=TABLE, settings=FitSettings(region_column="region"))

    assert {item.region for item in fits.equations} == {"north"}
    of_south = fits.warnings[fits.warnings["region"] == "south"]
    assert of_south.to_dict("records") == [
        {"region": "south", "statistic": "", "warning": "24 gauges are fewer than 25; not fitted"}
    ]


def test_gauges_are_nested_by_the_stated_chain_and_three_pairs_are_named():
    # Five in a row make ten pairs; by place none would be.
    gauges = made(30, 12)
    gauges["next"] = ["north01", "north02", "north03", "north04", *[""] * 26]
    places = 1000.0 * np.arange(60.0).reshape(30, 2)

    def warnings(**settings):
        return fit_regions(gauges, places, table=TABLE, settings=FitSettings(**settings)).warnings["warning"]

    (text,) = [note for note in warnings(downstream_column="next") if "twice" in note]
    assert text == (
        "nested gauges, which measure the same water twice: north00 and north01, north00 and north02, "
        "north00 and north03 and 7 more"
    )
    assert not warnings().str.contains("twice").any()


def test_a_record_as_long_as_required_is_not_short():
    gauges = made(30, 13)
    gauges["years"] = 10.0
    gauges.loc["north07", "years"] = 9.9

    notes = fit_regions(gauges, table=TABLE, settings=FitSettings()).warnings["warning"]

    assert [note for note in notes if "records" in note] == ["records under 10 years: north07"]
    # Where nobody says where gauges are, none is short of a place.
    assert not notes.str.contains("coordinates").any()


def test_implausible_gauges_of_all_regions_are_in_one_table():
    gauges = pd.concat([made(30, 1), made(10, 2, region="south")])
    gauges.loc[["north03", "south04"], "flow_mean_m3s"] *= 1000.0

    found = fit_regions(gauges, table=TABLE, settings=FitSettings(region_column="region")).suspects

    assert found.columns.tolist() == ["region", "gauge", "found", "expected", "fix"]
    assert found.index.tolist() == list(range(len(found)))
    assert found[["region", "gauge"]].to_numpy().tolist() == [["north", "north03"], ["south", "south04"]]
    without = gauges.drop(columns="flow_mean_m3s")
    assert fit_regions(without, table=TABLE, settings=FitSettings(region_column="region")).suspects.empty


def test_a_zero_without_its_predictors_is_neither_fitted_nor_in_the_probability():
    gauges = made(60, 3, zeros=12)
    dry = gauges.index[gauges["flow_q95_m3s"] == 0]
    gauges.loc[dry[0], "area_km2"] = np.nan
    gauges.loc[gauges.index[gauges["flow_q95_m3s"] > 0][0], "flow_q95_m3s"] = np.nan

    fits = fit_regions(gauges, table=TABLE, settings=FitSettings())

    probability = next(item for item in fits.equations if item.statistic == "zero_probability_exceedance_95")
    assert probability.gauges == 58
    summary = fits.summary.set_index("statistic").loc["exceedance_95"]
    assert (summary["gauges"], summary["zeros"]) == (47, 11)
    became = fits.gauges[fits.gauges["statistic"] == "exceedance_95"].set_index("gauge")["became"]
    assert became[dry].tolist() == ["flow_q95_m3s zero"] + [IN_PROBABILITY] * 11


@pytest.mark.parametrize("parted", [True, False])
def test_a_probability_of_zero_that_its_predictors_part_from_the_rest_is_called_rough(parted):
    gauges = made(40, 14)
    small = gauges["area_km2"].sort_values().index
    gauges.loc[small[:8] if parted else small[[0, 1, 2, 5, 9, 14, 20, 30]], "flow_q95_m3s"] = 0.0

    fits = fit_regions(gauges, table=TABLE, settings=FitSettings())

    notes = fits.warnings["warning"][fits.warnings["statistic"] == "exceedance_95"]
    rough = "8 zeros are parted from the others by the predictors, or nearly"
    assert notes.str.startswith(rough).any() == parted
    probability = next(item for item in fits.equations if item.statistic == "zero_probability_exceedance_95")
    assert ("Firth" in probability.table) == parted
    design = np.column_stack([np.ones(40), np.log10(gauges["area_km2"])])
    alone = fit_zero_probability(design, (gauges["flow_q95_m3s"] == 0).to_numpy())
    assert np.array(probability.covariance) == pytest.approx(alone.covariance)
    assert (np.array(probability.covariance) == np.array(probability.covariance).T).all()
    assert probability.constant == alone.coefficients[0]
    assert probability.misclassified_percent == alone.misclassified_percent


def test_a_statistic_that_cannot_be_fitted_leaves_the_others_and_says_why():
    gauges = made(30, 15)
    gauges["flow_q95_m3s"] = np.nan

    fits = fit_regions(gauges, table=TABLE, settings=FitSettings())

    assert [item.statistic for item in fits.equations] == ["mean"]
    notes = fits.warnings[fits.warnings["statistic"] == "exceedance_95"]["warning"]
    assert notes.str.startswith("too few gauges to fit flow_q95_m3s; ").tolist() == [True]
    assert set(fits.gauges[fits.gauges["statistic"] == "exceedance_95"]["became"]) == {"the fit failed"}
    # Candidates of which no set can be fitted are another reason.
    gauges = made(30, 15).assign(twice=lambda table: table["area_km2"] ** 2)
    twice = TABLE.model_copy(update={"predictors": ["area_km2", "twice"]})
    with pytest.raises(InputError, match="no set of predictors can be chosen: too few gauges, or predictors that"):
        fit_regions(
            gauges, table=twice, settings=FitSettings(candidates=["rain_mm"], statistics=["flow_mean_m3s"])
        )


@pytest.mark.parametrize("method", ["weighted", "generalised", "ordinary"])
def test_each_method_holds_neighbourhoods_out_by_its_own_fit(method):
    gauges = made(30, 16).drop(columns="flow_q95_m3s")
    places = np.column_stack([np.repeat(np.arange(6) * 500.0, 5), np.arange(30.0)])
    settings = FitSettings(method=method, year_to_year_log10={"flow_mean_m3s": 0.1}, group_size=5)

    fits = fit_regions(gauges, places, table=TABLE, settings=settings)

    rows = fits.gauges.set_index("gauge").loc[gauges.index]
    assert rows["group"].tolist() == np.repeat(np.arange(1.0, 7.0), 5).tolist()
    kept = gauges[5:]
    apart = np.linalg.norm(places[5:, None] - places[None, 5:], axis=2)
    errors = sampling_covariance(0.1, kept["years"].to_numpy(), correlation_by_distance(apart, 0.98, 0.01))
    weights = {"weighted": {"weights_column": "years"}, "generalised": {"sampling_errors": errors}}
    without = fit_equation(kept, "flow_mean_m3s", ["area_km2"], "made up", **weights.get(method, {}))
    design = np.column_stack([np.ones(5), np.log10(gauges["area_km2"][:5])])
    expected = np.log10(gauges["flow_mean_m3s"][:5]) - design @ without.diagnostics.fit.coefficients
    assert rows["held_out_log10"][:5].to_numpy() == pytest.approx(expected.to_numpy(), abs=1e-9)
    own = np.einsum("ij,jk,ik->i", design, np.array(without.equation.covariance), design)
    half = stats.t.ppf(0.95, 23) * np.sqrt(without.equation.model_error_variance + own)
    assert rows["held_out_half_width_log10"][:5].to_numpy() == pytest.approx(half, rel=1e-6)
    assert fits.summary["groups_held_out"].item() == 6


def test_doubts_are_reported():
    gauges = made(40, 5, zeros=18)
    gauges.iloc[0, gauges.columns.get_loc("area_km2")] = 1e6
    gauges.iloc[:3, gauges.columns.get_loc("years")] = 4.0
    places = np.column_stack([np.arange(40) * 1000.0, np.zeros(40)])
    places[7] = places[6] + 0.1
    gauges.iloc[7, gauges.columns.get_loc("area_km2")] = gauges["area_km2"].iloc[6]

    fits = fit_regions(gauges, places, table=TABLE, settings=FitSettings())

    notes = " | ".join(fits.warnings["warning"])
    assert "records under 10 years: north00, north01, north02" in notes
    assert "may be nested, which measure the same water twice: north06 and north07" in notes
    assert "only 22 gauges in the fit" in notes
    assert "leverage above 3 k / n: north00" in notes
    assert "influence (Cook's distance above 4 / n): north00" in notes


def test_a_widened_interval_says_what_was_found_and_is_wider_at_work():
    rng = np.random.default_rng(6)
    gauges = made(40, 6)
    valley = np.repeat(np.arange(8), 5)
    gauges["area_km2"] = 10 ** (0.4 * valley + 0.05 * rng.normal(size=40))
    gauges["flow_mean_m3s"] = gauges["area_km2"] * 0.02 * 10 ** (0.3 * rng.normal(size=8)[valley])
    places = np.column_stack([1000.0 * valley, np.arange(40)])

    fits = fit_regions(gauges, places, table=TABLE, settings=FitSettings())

    mean = next(item for item in fits.equations if item.statistic == "mean")
    assert mean.interval_widening > 1.1
    assert "of 40 gauges when neighbourhoods were held out" in mean.interval_widening_reason
    plain = mean.model_copy(update={"interval_widening": 1.0})
    wide, narrow = apply_equation(mean, gauges), apply_equation(plain, gauges)
    ratio = np.log(wide.high_m3s / wide.low_m3s) / np.log(narrow.high_m3s / narrow.low_m3s)
    assert ratio == pytest.approx(mean.interval_widening)
    assert wide.widened.all()
    # An interval that held enough is as it was, and no reason is given.
    even = fit_regions(made(30, 3), table=TABLE, settings=FitSettings()).equations[0]
    assert (even.interval_widening, even.interval_widening_reason) == (1.0, None)
    assert not narrow.widened.any()


def test_generalised_fits_know_the_years_and_the_distance():
    gauges = made(30, 7)
    places = np.random.default_rng(7).uniform(0, 200, (30, 2))
    settings = FitSettings(
        method="generalised", statistics=["flow_mean_m3s"], year_to_year_log10={"flow_mean_m3s": 0.15}
    )

    fits = fit_regions(gauges, places, table=TABLE, settings=settings)

    apart = np.linalg.norm(places[:, None] - places[None, :], axis=2)
    errors = sampling_covariance(0.15, gauges["years"].to_numpy(), correlation_by_distance(apart, 0.98, 0.01))
    direct = fit_equation(gauges, "flow_mean_m3s", ["area_km2"], "made up", sampling_errors=errors).equation
    assert fits.equations[0].covariance == direct.covariance
    assert fits.equations[0].table == "fitted by sitefinder, generalised least squares"
    plain = fit_equation(gauges, "flow_mean_m3s", ["area_km2"], "made up").equation
    assert direct.model_error_variance < plain.model_error_variance


def test_a_generalised_fit_without_its_numbers_is_refused():
    settings = FitSettings(method="generalised", year_to_year_log10={"flow_mean_m3s": 0.15})

    with pytest.raises(InputError, match="generalised least squares of flow_q95_m3s lacks its errors"):
        fit_regions(made(30, 8), table=TABLE, settings=settings)


def test_a_table_without_a_region_of_enough_gauges_is_an_error():
    with pytest.raises(InputError, match="nothing could be fitted"):
        fit_regions(made(10, 9), table=TABLE, settings=FitSettings())


def test_a_chain_of_gauges_that_runs_in_a_circle_ends():
    assert nested_by_chain(["a", "b"], ["b", "a"]) == [(0, 1), (1, 0)]


def test_a_weighted_fit_without_years_of_record_is_refused():
    table = TABLE.model_copy(update={"record_years_column": None})

    with pytest.raises(InputError, match="a weighted fit needs the years of record"):
        fit_regions(made(30, 8), table=table, settings=FitSettings(method="weighted"))


@pytest.mark.parametrize("method", ["weighted", "generalised"])
def test_a_gauge_without_years_is_left_out_with_its_reason(method):
    gauges = made(30, 10).drop(columns="flow_q95_m3s")
    gauges.loc["north05", "years"] = np.nan

    fits = fit_regions(
        gauges,
        table=TABLE,
        settings=FitSettings(method=method, year_to_year_log10={"flow_mean_m3s": 0.1}),
    )

    assert accounted(fits.gauges).set_index("became")["gauges"].to_dict() == {FITTED: 29, "years missing": 1}
    assert np.isfinite(fits.equations[0].constant)


def test_gauges_without_a_place_are_reported():
    places = np.random.default_rng(11).uniform(0, 100, (30, 2))
    places[4] = np.nan
    table = TABLE.model_copy(update={"x_column": "x", "y_column": "y", "crs": "EPSG:32633"})

    fits = fit_regions(made(30, 11), places, table=table, settings=FitSettings())

    assert "gauges without coordinates" in fits.warnings["warning"].iloc[0]
