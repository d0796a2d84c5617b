"""Implausible gauges: each kind of mistake in made tables is found and named, and sound ones are not.

The modified z-score is that of B. Iglewicz & D. C. Hoaglin, "How to detect and handle outliers," ASQC Quality
Press, 1993 (from memory); leverage, Cook's distance and the externally studentised residual are statsmodels' own.
"""

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats
from statsmodels.regression.linear_model import OLS

from sitefinder.hydrology.plausibility import (
    SUSPECT_COLUMNS,
    _Checks,
    _figure,
    _unit_of,
    _with_leverage,
    impossible_runoff,
    suspect_gauges,
)

PREDICTORS = ["area_km2", "precipitation_mm"]
FT3S_PER_M3S, HA_PER_KM2 = 35.3147, 100.0


def region(count=40, scatter_log10=0.1, seed=0, runoff_share=0.45):
    """A region whose gauges yield a share of their rain, more of it where there is more, with some scatter."""
    rng = np.random.default_rng(seed)
    area = 10 ** rng.uniform(0.5, 3.0, count)
    rain = rng.uniform(600.0, 1400.0, count)
    share = (
        runoff_share * (rain / 1000.0) ** 0.5 * 10 ** (scatter_log10 * np.clip(rng.normal(size=count), -2.5, 2.5))
    )
    return pd.DataFrame(
        {"area_km2": area, "precipitation_mm": rain, "flow_mean_m3s": share * rain * area / 31_557.6},
        index=[f"G{number:02d}" for number in range(count)],
    )


def spoiled(gauges, **factors):
    """The table with cells multiplied: ``G03_flow_mean_m3s=1000``."""
    gauges = gauges.copy()
    for place, factor in factors.items():
        gauge, column = place.split("_", 1)
        gauges.loc[gauge, column] *= factor
    return gauges


def test_a_table_in_another_unit_is_refused_and_one_with_a_few_such_gauges_is_not():
    sound = region()
    in_litres = sound.assign(flow_mean_m3s=1000.0 * sound["flow_mean_m3s"])
    # Half of the gauges are enough, and one fewer is not.
    half, fewer = (pd.concat([in_litres[:count], sound[count:]]) for count in (20, 19))

    assert impossible_runoff(sound) is None
    assert impossible_runoff(fewer) is None
    for wrong, count in ((half, 20), (in_litres, 40)):
        found = impossible_runoff(wrong)
        assert found.found.startswith(f"{count} of 40 gauges above it; the middle one ")
        assert "l/s" in found.fix
    assert impossible_runoff(sound.drop(columns="area_km2")) is None
    assert impossible_runoff(in_litres.drop(columns="flow_mean_m3s")) is None
    assert impossible_runoff(in_litres.assign(flow_mean_m3s=np.inf)) is None


def test_where_rain_is_known_it_bounds_the_runoff_and_where_it_is_not_the_wettest_place_does():
    # Thrice the rain of a dry region is less than falls in the wettest one.
    gauges = region().assign(precipitation_mm=500.0)
    gauges["flow_mean_m3s"] = 1500.0 * gauges["area_km2"] / 31_557.6

    assert impossible_runoff(gauges).found == "40 of 40 gauges above it; the middle one 1,500 mm"
    assert impossible_runoff(gauges.assign(precipitation_mm=np.nan)) is None
    assert impossible_runoff(gauges.assign(precipitation_mm=0.0)) is None


@pytest.mark.parametrize("seed", range(20))
def test_wrong_units_are_found_and_named_and_nothing_else(seed):
    gauges = spoiled(
        region(seed=seed),
        G03_flow_mean_m3s=1000.0,
        G11_flow_mean_m3s=FT3S_PER_M3S,
        G20_area_km2=HA_PER_KM2,
    )

    found = suspect_gauges(gauges, PREDICTORS).set_index("gauge")["fix"].to_dict()

    assert set(found) == {"G03", "G11", "G20"}
    # Units whose factors are alike cannot be distinguished in a region with scatter; each likely one is named.
    assert "l/s" in found["G03"].removeprefix("check whether the flow is in ")
    assert "ft³/s" in found["G11"].removeprefix("check whether the flow is in ")
    assert "ha" in found["G20"].removeprefix("check whether the area is in ")


@pytest.mark.parametrize("seed", range(20))
def test_they_are_found_in_a_scattered_region_and_without_rain_too(seed):
    # 0.25 in log10 is a standard error of 63 %.
    gauges = spoiled(
        region(seed=100 + seed, scatter_log10=0.25, runoff_share=0.2),
        G03_flow_mean_m3s=1000.0,
        G20_area_km2=HA_PER_KM2,
    ).drop(columns="precipitation_mm")

    found = suspect_gauges(gauges, ["area_km2"])["gauge"].tolist()

    assert found == ["G03", "G20"]


@pytest.mark.parametrize("seed", range(20))
def test_an_outlier_with_leverage_is_found_once(seed):
    gauges = region(seed=200 + seed, scatter_log10=0.06)
    # A catchment a hundred times the largest, with a third of the runoff: not impossible by itself.
    gauges.loc["far", ["area_km2", "precipitation_mm"]] = [1e5, 1000.0]
    gauges.loc["far", "flow_mean_m3s"] = 0.45 / 3 * 1000.0 * 1e5 / 31_557.6

    found = suspect_gauges(gauges, PREDICTORS)

    assert found["gauge"].tolist() == ["far"]
    assert "leverage" in found["found"].iloc[0]
    assert found["expected"].iloc[0].startswith("about ")


def test_a_far_gauge_on_the_line_is_not_doubted():
    gauges = region(scatter_log10=0.06)
    gauges.loc["far", ["area_km2", "precipitation_mm"]] = [1e5, 1000.0]
    gauges.loc["far", "flow_mean_m3s"] = 0.45 * 1000.0 * 1e5 / 31_557.6

    assert suspect_gauges(gauges, PREDICTORS).empty


def test_sound_regions_give_few_alarms():
    alarms = [len(suspect_gauges(region(seed=seed, scatter_log10=0.1), PREDICTORS)) for seed in range(300, 400)]

    print(f"{sum(alarms)} of {40 * len(alarms)} sound gauges are doubted")
    assert sum(alarms) <= 0.002 * 40 * len(alarms)


@pytest.mark.parametrize(
    ("runoff_mm", "is_doubted"), [(1100.0, False), (1101.0, True), (10.0, False), (9.9, True), (500.0, False)]
)
def test_runoff_must_lie_between_a_hundredth_and_eleven_tenths_of_rain(runoff_mm, is_doubted):
    # One gauge alone, so that no other speaks against it; depth = flow · seconds of a year / area.
    gauge = pd.DataFrame(
        {
            "area_km2": [50.0],
            "precipitation_mm": [1000.0],
            "flow_mean_m3s": [runoff_mm / 1000.0 * 50.0e6 / (365.25 * 86_400)],
        },
        index=["A"],
    )

    assert len(suspect_gauges(gauge, PREDICTORS)) == is_doubted


def test_a_table_wholly_in_litres_is_found_without_rain():
    gauges = region().drop(columns="precipitation_mm")
    gauges["flow_mean_m3s"] *= 1000.0

    found = suspect_gauges(gauges, ["area_km2"])

    assert len(found) == len(gauges)
    assert found["expected"].str.startswith("at most 12,000 mm").all()


def test_the_text_says_what_was_found_and_expected():
    gauges = spoiled(region(scatter_log10=0.001), G03_flow_mean_m3s=1000.0)
    runoff_mm = 31_557.6 * gauges.loc["G03", "flow_mean_m3s"] / gauges.loc["G03", "area_km2"]

    (row,) = suspect_gauges(gauges, PREDICTORS).to_dict("records")

    assert tuple(row) == SUSPECT_COLUMNS
    assert f"runoff of {float(f'{runoff_mm:.3g}'):,.0f} mm a year" in row["found"]
    assert "times what the other gauges give" in row["found"]
    assert "mm like the other gauges" in row["expected"]


def test_gauges_without_flow_area_or_number_are_left_alone_and_nothing_is_changed():
    gauges = region()
    gauges.iloc[0, 0], gauges.iloc[1, 2], gauges.iloc[2, 2] = np.nan, 0.0, np.nan
    before = gauges.copy()

    assert suspect_gauges(gauges, PREDICTORS).empty
    assert suspect_gauges(gauges.iloc[:0], PREDICTORS).empty
    pd.testing.assert_frame_equal(gauges, before)


def test_without_an_area_only_the_regression_speaks():
    gauges = region(scatter_log10=0.05).drop(columns="area_km2")

    assert set(suspect_gauges(gauges, ["precipitation_mm"])["found"].str.contains("runoff")) <= {False}


def test_a_mean_lies_between_its_own_low_flow_and_ten_times_its_high_flow():
    gauges = region()
    mean = gauges["flow_mean_m3s"]
    gauges = gauges.assign(flow_q95_m3s=0.2 * mean, flow_q05_m3s=3.0 * mean)
    gauges.loc["G03", "flow_q95_m3s"] = 1.001 * mean["G03"]
    gauges.loc["G05", "flow_q95_m3s"] = 0.999 * mean["G05"]
    gauges.loc["G11", "flow_q05_m3s"] = mean["G11"] / 10.01
    gauges.loc["G13", "flow_q05_m3s"] = mean["G13"] / 9.99
    gauges.loc["G17", ["flow_q95_m3s", "flow_q05_m3s"]] = 0.0

    found = suspect_gauges(gauges, PREDICTORS).set_index("gauge")

    assert found.index.tolist() == ["G03", "G11"]
    assert found.loc["G03", "expected"].startswith("at least ")
    assert found.loc["G11", "expected"].startswith("at most ")
    assert found["fix"].tolist() == [
        f"check whether the mean flow and flow_{quantile}_m3s are in one unit" for quantile in ("q95", "q05")
    ]
    # Either column alone is judged as well.
    assert suspect_gauges(gauges.drop(columns="flow_q95_m3s"), PREDICTORS)["gauge"].tolist() == ["G11"]


# Runoff [mm] of gauges of 100 km² without rain, as flows of a year of 365.25 days of 86,400 s.
def with_runoff(*runoff_mm, **columns):
    flow = np.array(runoff_mm) / 1000.0 * 100.0e6 / (365.25 * 86_400)
    ids = [f"G{number:02d}" for number in range(len(flow))]
    return pd.DataFrame({"area_km2": 100.0, "flow_mean_m3s": flow, **columns}, index=ids)


# The international foot has 0.3048 m and the acre 4046.8564224 m² (agreement of 1959, from memory).
UNITS = {
    "l/s": 1e3,
    "ft³/s": 0.3048**-3,
    "million m³ a year": 365.25 * 86_400 / 1e6,
    "Ml a day": 86_400 / 1e3,
    "m³ a day": 86_400.0,
    "ha": 1e-2,
    "acres": 4046.8564224e-6,
    "m²": 1e-6,
}


@pytest.mark.parametrize(("unit", "factor"), UNITS.items())
@pytest.mark.parametrize(("robust_sd", "near"), [(0.0, 0.1), (0.1, 0.3), (0.2, 0.5)])
def test_a_unit_is_named_as_far_from_its_factor_as_the_scatter_allows(unit, factor, robust_sd, near):
    def named(off_log10):
        text = _unit_of(np.log10(factor) + off_log10, robust_sd)
        what, right = ("flow", "m³/s") if factor > 1 else ("area", "km²")
        head, tail = f"check whether the {what} is in ", f", not {right}"
        assert not text or (text.startswith(head) and text.endswith(tail))
        return text.removeprefix(head).removesuffix(tail).split(" or ")

    assert named(0.0)[0] == unit
    for sign in (-1.0, 1.0):
        assert unit in named(sign * (near - 0.005))
        assert unit not in named(sign * (near + 0.005))


def test_figures_have_three_digits_and_no_exponent():
    figures = [_figure(value) for value in (1234.5, 0.000123456, 12.0, 1.0e7)]

    assert figures == ["1,230", "0.000123", "12", "10,000,000"]


@pytest.mark.parametrize(
    ("others", "odd_mm", "is_doubted"),
    [
        # A factor of five from 400 mm on either side, at the least.
        ([400.0] * 5, 2001.0, True),
        ([400.0] * 5, 1999.0, False),
        ([400.0] * 5, 79.9, True),
        ([400.0] * 5, 80.1, False),
        # Among five nobody is the odd one.
        ([400.0] * 4, 4000.0, False),
        # Three below and two above the middle by 10^0.15: a z-score of 3.5 is 3.5 · 0.15 / 0.6745 = 0.778.
        ([400.0, *[400.0 * 10**-0.15] * 3, *[400.0 * 10**0.15] * 2], 400.0 * 10**0.773, False),
        ([400.0, *[400.0 * 10**-0.15] * 3, *[400.0 * 10**0.15] * 2], 400.0 * 10**0.784, True),
    ],
)
def test_a_gauge_is_odd_by_factor_and_by_the_scatter_of_the_others(others, odd_mm, is_doubted):
    found = suspect_gauges(with_runoff(*others, odd_mm), [])

    assert found["gauge"].tolist() == [f"G{len(others):02d}"] * is_doubted


def test_what_is_said_of_an_odd_gauge_by_hand():
    (low,) = suspect_gauges(with_runoff(*[400.0] * 6, 16.0), []).to_dict("records")
    (high,) = suspect_gauges(with_runoff(*[400.0] * 6, 3000.0), []).to_dict("records")

    assert (low["found"], low["expected"]) == (
        "runoff of 16 mm a year; 1/25 of what the other gauges give",
        "about 400 mm like the other gauges",
    )
    assert high["found"] == "runoff of 3,000 mm a year; 7.5 times what the other gauges give"
    assert low["fix"] == high["fix"] == "check flow and area, and whether water is diverted"


def test_what_a_wrong_unit_explains_is_to_be_mended_there_alone():
    gauges = with_runoff(*[400.0] * 6, 400_000.0, precipitation_mm=1000.0)

    (row,) = suspect_gauges(gauges, []).to_dict("records")

    assert row["found"].split("; ") == [
        "runoff of 400,000 mm a year from 1,000 mm of precipitation",
        "1,000 times what the other gauges give",
    ]
    assert row["expected"] == "10 to 1,100 mm; about 400 mm like the other gauges"
    assert row["fix"] == "check whether the flow is in l/s, not m³/s"


# A predictor that is the same everywhere needs no further gauge.
@pytest.mark.parametrize(
    ("gauges", "odd", "predictors"), [(8, [], []), (8, [], ["slope"]), (8, [], ["lakes"]), (7, ["G06"], [])]
)
def test_rain_explains_the_odd_gauge_where_there_are_gauges_enough(gauges, odd, predictors):
    # Runoff as the square of rain. The median takes the wettest for odd; a regression, from 8 gauges on, does not.
    rain = np.append(np.linspace(380.0, 420.0, gauges - 1), 1400.0)

    # A predictor that one gauge lacks is left out.
    lakes = np.append(np.nan, np.arange(1.0, gauges))
    table = with_runoff(*(0.0005 * rain**2), precipitation_mm=rain, slope=0.1, lakes=lakes)
    found = suspect_gauges(table, predictors)

    assert found["gauge"].tolist() == [f"G{gauges - 1:02d}"] * bool(odd)


@pytest.mark.parametrize(("runoff_mm", "is_doubted"), [(11_990.0, False), (12_010.0, True)])
def test_without_rain_the_runoff_is_at_most_the_greatest_rainfall_on_earth(runoff_mm, is_doubted):
    assert len(suspect_gauges(with_runoff(runoff_mm), [])) == is_doubted


@pytest.mark.parametrize(
    ("runoff_mm", "rain_mm", "limit_mm"),
    [(2000.0, None, 12_000.0), (2000.0, 1000.0, 1500.0), (2000.0, 9000.0, 12_000.0)],
)
def test_a_table_is_impossible_beyond_half_as_much_again_as_its_rain(runoff_mm, rain_mm, limit_mm):
    columns = {} if rain_mm is None else {"precipitation_mm": rain_mm}

    def judged(*runoff_mm):
        return impossible_runoff(with_runoff(*runoff_mm, **columns))

    assert judged(*[0.999 * limit_mm] * 5) is None
    assert judged(*[1.001 * limit_mm] * 5).found.startswith("5 of 5 gauges")
    # Two are too few to speak for a table, three are enough.
    assert judged(*[1.001 * limit_mm] * 2) is None
    assert judged(*[1.001 * limit_mm] * 3, *[100.0] * 3).found.startswith("3 of 6 gauges")


@pytest.mark.parametrize(("columns", "usual_mm"), [({}, 500.0), ({"precipitation_mm": 1000.0}, 400.0)])
def test_the_unit_of_a_table_is_named_by_what_runs_off_usually(columns, usual_mm):
    def fix(off_log10):
        return impossible_runoff(with_runoff(*[usual_mm * 1000.0 * 10**off_log10] * 5, **columns)).fix

    for off_log10 in (-0.49, 0.0, 0.49):
        assert fix(off_log10) == "check whether the flow is in l/s, not m³/s"
    assert fix(0.51) == "check the units of flow, area and precipitation"


def test_next_to_no_rain_is_known_all_the_same():
    # Ten times as much runs off as falls, of half a millimetre.
    gauges = with_runoff(*[5.0] * 5, precipitation_mm=0.5)

    assert impossible_runoff(gauges).found.startswith("5 of 5 gauges")
    assert suspect_gauges(gauges[:1], [])["expected"].tolist() == ["0.005 to 0.55 mm"]


# At either of two depths of rain two gauges of five yield least, three 10^0.2 times as much: whatever line runs
# between them, the middle gauge is one of the three.
def test_how_odd_a_gauge_is_counts_from_the_middle_one():
    rain = np.append(np.repeat([500.0, 1500.0], 10), 500.0)
    above = np.append(np.tile([0.0, 0.0, 0.2, 0.2, 0.2], 4), 0.2 + np.log10(15.0))

    found = suspect_gauges(with_runoff(*(0.02 * rain * 10**above), precipitation_mm=rain), [])

    assert found["gauge"].tolist() == ["G20"]
    assert found["found"].item().endswith("15 times what the other gauges give")
    assert found["expected"].item() == f"about {_figure(10.0 * 10**0.2)} mm like the other gauges"


def test_a_flow_a_tenth_of_a_decade_short_of_its_unit_is_one_of_flow():
    # 10^1.4991 is that of a million m³ a year, half a decade is as far as a unit may be.
    assert _unit_of(0.9995, 1.0) == "check whether the flow is in million m³ a year, not m³/s"


def test_a_mean_just_at_its_own_quantiles_is_sound():
    gauges = with_runoff(500.0, flow_q95_m3s=0.0, flow_q05_m3s=0.0)
    gauges[["flow_mean_m3s", "flow_q95_m3s", "flow_q05_m3s"]] = [2.0, 2.0, 0.2]

    assert suspect_gauges(gauges, []).empty


# By figures written out and the limits of the text: 3 k / n, Cook's distance 1, probability 0.01, and a
# scatter of 0.01 in log10 at least.
def test_a_gauge_pulls_the_regression_by_the_limits_of_leverage_influence_and_residual():
    rng, outcomes = np.random.default_rng(1), []
    for _ in range(50):
        count = int(rng.integers(7, 14))
        x, residual, scatter = rng.normal(size=count), rng.normal(size=count), 10 ** rng.uniform(-2.1, -1.0)
        x[0], residual[0] = rng.uniform(1.0, 6.0), rng.uniform(2.0, 9.0)
        design = np.column_stack([np.ones(count), x])
        residual -= design @ np.linalg.lstsq(design, residual, rcond=None)[0]
        residual *= scatter / np.sqrt(residual @ residual / (count - 2))
        gauges = pd.DataFrame({"lakes": 10.0**x, "flow_mean_m3s": 10.0 ** (0.3 * x + residual)})
        checks = {gauge: _Checks([], [], []) for gauge in gauges.index}

        _with_leverage(gauges, ["lakes"], checks, {})

        response = np.log10(gauges["flow_mean_m3s"].to_numpy())
        found = OLS(response, design).fit()
        hat = np.diag(design @ np.linalg.pinv(design))
        standard = found.resid / np.sqrt(found.mse_resid * (1 - hat))
        cook = standard**2 * hat / (1 - hat) / 2
        deleted = standard * np.sqrt((count - 3) / (count - 2 - standard**2))
        pulls = ((hat > 6 / count) | (cook > 1)) & (2 * stats.t.sf(np.abs(deleted), count - 3) < 0.01)
        expected = pulls & (count >= 8) & (scatter >= 0.01)
        assert [bool(check.found) for check in checks.values()] == expected.tolist()
        outcomes += expected.tolist()
    assert 10 < sum(outcomes) < len(outcomes) / 10


# Of 40 gauges and two coefficients the first is put where it has the leverage, then lifted to Cook's distance or
# the probability of its deleted residual, as stated; each limit is passed by a twentieth.
@pytest.mark.parametrize(
    ("leverage", "cook", "probability", "scatter", "is_doubted"),
    [
        (0.1575, None, 0.001, 0.02, True),
        (0.1425, None, 0.001, 0.02, False),
        (0.1425, 1.05, None, 0.02, True),
        (0.1425, 0.95, None, 0.02, False),
        (0.25, None, 0.0095, 0.02, True),
        (0.25, None, 0.0105, 0.02, False),
        (0.25, None, 0.001, 0.0105, True),
        (0.25, None, 0.001, 0.0095, False),
    ],
)
def test_each_limit_of_a_gauge_that_pulls_the_regression(leverage, cook, probability, scatter, is_doubted):
    count = 40
    x, noise = np.random.default_rng(5).normal(size=(2, count))

    def design_at(first):
        return np.column_stack([np.ones(count), np.append(first, x[1:])])

    def hat_at(first):
        return (design_at(first) @ np.linalg.pinv(design_at(first)))[0, 0]

    design = design_at(optimize.brentq(lambda first: hat_at(first) - leverage, 1.0, 20.0))
    hat = leverage

    def standard_of(lift):
        lifted = 0.02 * noise + lift * (np.arange(count) == 0)
        left = lifted - design @ np.linalg.lstsq(design, lifted, rcond=None)[0]
        return left[0] / np.sqrt(left @ left / (count - 2) * (1 - hat)), lifted

    wanted = np.sqrt(2 * cook * (1 - hat) / hat) if cook else None
    if wanted is None:
        deleted = stats.t.isf(probability / 2, count - 3)
        # The studentised residual without the gauge, turned round.
        wanted = deleted * np.sqrt((count - 2) / (count - 3 + deleted**2))
    lift = optimize.brentq(lambda lift: standard_of(lift)[0] - wanted, 0.0, 5.0)
    lifted = standard_of(lift)[1]
    left = lifted - design @ np.linalg.lstsq(design, lifted, rcond=None)[0]
    log_flow = 0.3 * design[:, 1] + scatter * lifted / np.sqrt(left @ left / (count - 2))
    gauges = pd.DataFrame({"lakes": 10.0 ** design[:, 1], "flow_mean_m3s": 10.0**log_flow})
    checks = {gauge: _Checks([], [], []) for gauge in gauges.index}

    _with_leverage(gauges, ["lakes"], checks, {})

    assert bool(checks[0].found) == is_doubted
    if is_doubted:
        # The others' own fit says what is likely there.
        others = np.linalg.lstsq(design[1:], log_flow[1:], rcond=None)[0]
        assert checks[0].found[0].startswith(f"mean flow of {_figure(10 ** log_flow[0])} m³/s, which pulls the")
        likely = _figure(10 ** (design[0] @ others))
        assert checks[0].expected == [f"about {likely} m³/s by the regression of the other gauges"]


def test_rain_of_nothing_is_not_known():
    assert suspect_gauges(with_runoff(500.0, precipitation_mm=0.0), []).empty
