"""Implausible gauges: each kind of mistake in made tables is found and named, and sound ones are not.

The modified z-score is that of B. Iglewicz & D. C. Hoaglin, "How to detect and handle outliers," ASQC Quality
Press, 1993 (from memory); leverage, Cook's distance and the externally studentised residual are statsmodels' own.
"""

import numpy as np
import pandas as pd
import pytest

from sitefinder.hydrology.plausibility import SUSPECT_COLUMNS, impossible_runoff, suspect_gauges

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
