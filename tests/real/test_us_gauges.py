"""Regional regression against a published table of gauges.

N. Addor, A. J. Newman, N. Mizukami, M. P. Clark, "The CAMELS data set: catchment attributes and meteorology for
large-sample studies," Hydrol. Earth Syst. Sci., vol. 21, pp. 5293-5313, 2017, doi:10.5194/hess-21-5293-2017,
attribute tables, version 2.0. The rows of hydrologic region 01 below were read in the table (mean precipitation
times 365.25; depths of flow times area).

What the fits are compared with was derived once, outside this project, from the full table by ordinary least
squares; it is reproducible, but it is no published figure. In that table q5 is the 5 % quantile, which is the flow
exceeded on 95 % of days.
"""

import io
import re

import numpy as np
import pandas as pd
import pytest

from sitefinder.catalogue.equations import LN_10
from sitefinder.delivery.fitted_equations import fit_and_deliver
from sitefinder.hydrology.equations import apply_equation
from sitefinder.hydrology.plausibility import suspect_gauges
from sitefinder.hydrology.regression import fit_equation
from sitefinder.io.gauges import read_equations
from sitefinder.report.fit import fit_text

pytestmark = pytest.mark.slow

PREDICTORS = ["area_km2", "precipitation_mm"]
SOURCE = "Addor et al. (2017), CAMELS attributes, version 2.0"

# gauge, area [km²], precipitation [mm/a], mean flow and flow exceeded 95 % of the time [m³/s]
REGION_01 = """
    01013500 2252.7 1142.02 44.30191 6.28634
    01022500 573.6 1317.87 14.42672 1.35921
    01030500 3676.17 1195.98 77.44242 4.55901
    01031500 769.05 1286.76 18.07127 0.99109
    01047000 909.1 1213.78 22.96813 2.06713
    01052500 383.82 1362.70 10.68434 1.35921
    01054200 180.98 1485.52 5.72211 0.53802
    01055000 250.64 1276.25 6.61381 0.53802
    01057000 190.92 1304.12 4.02954 0.17273
    01073000 31.3 1279.48 0.61701 0.02384
    01078000 222.46 1301.34 4.52079 0.37378
    01118300 10.36 1423.54 0.25535 0.00708
    01121000 70.25 1358.58 1.59229 0.06513
    01123000 77.85 1396.80 1.56541 0.19539
    01134500 195.13 1266.47 4.69211 0.53802
    01137500 228.55 1455.23 6.29429 1.27426
    01139000 246.33 1144.89 4.83957 0.76455
    01139800 22.8 1206.61 0.47808 0.06513
    01142500 82.17 1210.68 1.63866 0.16990
    01144000 1790.24 1249.47 38.51409 4.92713
    01162500 49.71 1381.94 1.05627 0.05097
    01169000 230.64 1432.21 5.97145 0.56634
    01170100 106.99 1422.50 2.68931 0.26051
    01181000 243.5 1393.44 6.06333 0.42475
    01187300 53.92 1442.96 1.24957 0.03964
    01195100 14.84 1345.03 0.27865 0.00708
    04296000 302.19 1320.49 6.42933 1.01941
"""
# Half of the last printed digit of each column.
HALF_DIGIT_PRECIPITATION_MM, HALF_DIGIT_FLOW_M3S = 0.005, 0.000005

# log10 Q = b0 + bA log10 A + bP log10 P, derived from the full table.
COEFFICIENTS = [-5.9652967, 1.04138913, 1.35651849]
STANDARD_ERRORS = [0.90535531, 0.01440219, 0.28569633]
LOW_FLOW_COEFFICIENTS = [-5.62289167, 1.21591024, 0.76736467]

# region, gauges, b0, bA, bP, s(log10), R², SE %, Duan factor, leave-one-out RMSE (log10); derived.
ALL_REGIONS = [
    (1, 27, -5.96530, 1.04139, 1.35652, 0.04225, 0.99604, 9.75, 1.00424, 0.04496),
    (2, 75, -11.43940, 1.04538, 3.08897, 0.06209, 0.98998, 14.37, 1.00967, 0.06366),
    (3, 92, -8.38428, 0.90410, 2.14526, 0.12076, 0.94342, 28.35, 1.03407, 0.12231),
    (4, 31, -6.55445, 1.00900, 1.54583, 0.08222, 0.97905, 19.10, 1.01710, 0.09377),
    (5, 44, -9.37476, 0.98948, 2.45860, 0.07269, 0.98649, 16.86, 1.01292, 0.07481),
    (6, 17, -7.12838, 0.97452, 1.73570, 0.06074, 0.98461, 14.05, 1.00816, 0.06330),
    (7, 33, -6.87167, 0.98087, 1.62266, 0.07298, 0.97549, 16.92, 1.01312, 0.10607),
    (10, 70, -9.55625, 0.79073, 2.69371, 0.32524, 0.77965, 86.73, 1.36667, 0.32918),
    (17, 91, -7.44169, 1.04969, 1.81399, 0.13103, 0.96609, 30.87, 1.04299, 0.13409),
    (18, 40, -8.71479, 0.91677, 2.34233, 0.24124, 0.93468, 60.12, 1.15315, 0.24981),
]


@pytest.fixture(scope="module")
def region_01():
    names = ["gauge_id", *PREDICTORS, "flow_mean_m3s", "flow_q95_m3s"]
    return pd.read_csv(io.StringIO(REGION_01), sep=r"\s+", names=names, dtype={"gauge_id": str}).set_index(
        "gauge_id"
    )


@pytest.fixture(scope="module")
def all_gauges(public_data):
    table = pd.read_csv(public_data / "us_gauges" / "attributes_671.csv", dtype={"gauge_id": str})
    columns = {
        "area_gages2": "area_km2",
        "P_mm_yr": "precipitation_mm",
        "Qmean_m3s": "flow_mean_m3s",
        "Q95exc_m3s": "flow_q95_m3s",
    }
    return table.rename(columns=columns).set_index("gauge_id")


def test_the_mean_flow_fit_is_found_from_the_printed_rows(region_01):
    found = fit_equation(region_01, "flow_mean_m3s", PREDICTORS, SOURCE).diagnostics.fit

    # Areas are printed in full. What the rounding of flow and precipitation can do to log flow is carried through
    # the least-squares solution to first order, all roundings at their worst.
    logs = np.log10(region_01[PREDICTORS].to_numpy())
    solution = np.linalg.pinv(np.column_stack([np.ones(27), logs]))
    rounding = HALF_DIGIT_FLOW_M3S / region_01["flow_mean_m3s"]
    rounding += COEFFICIENTS[2] * HALF_DIGIT_PRECIPITATION_MM / region_01["precipitation_mm"]
    slack = np.abs(solution) @ (rounding.to_numpy() / LN_10)
    assert (np.abs(found.coefficients - COEFFICIENTS) <= slack).all()
    assert (slack < [0.002, 0.00002, 0.0005]).all()


def test_the_fit_on_the_full_table_agrees_to_all_derived_digits(all_gauges):
    gauges = all_gauges[all_gauges["huc_02"] == 1]

    _, diagnostics = fit_equation(gauges, "flow_mean_m3s", PREDICTORS, SOURCE)

    fit = diagnostics.fit
    assert fit.coefficients == pytest.approx(COEFFICIENTS, abs=0.5e-7)
    assert fit.standard_errors == pytest.approx(STANDARD_ERRORS, abs=0.5e-8)
    assert fit.mse == pytest.approx(0.001784990358, abs=0.5e-12)
    assert fit.r_squared == pytest.approx(0.9960350918, abs=0.5e-10)
    assert diagnostics.standard_error_percent == pytest.approx(9.751287, abs=0.5e-6)
    assert diagnostics.smearing_factor == pytest.approx(1.00424044, abs=0.5e-8)
    assert diagnostics.leave_one_out_rmse_log10 == pytest.approx(0.04495577, abs=0.5e-8)
    assert fit.leverage.max() == pytest.approx(0.26247, abs=0.5e-5)
    assert diagnostics.gauges[fit.leverage.argmax()] == "01139800"


def test_a_prediction_and_its_interval_agree_with_the_derived_ones(all_gauges):
    gauges = all_gauges[all_gauges["huc_02"] == 1]
    place = pd.DataFrame({"area_km2": [500.0], "precipitation_mm": [1200.0]})

    applied = apply_equation(fit_equation(gauges, "flow_mean_m3s", PREDICTORS, SOURCE).equation, place)

    assert applied.log_sd / LN_10 == pytest.approx(0.04428001, abs=0.5e-8)
    assert np.sqrt(applied.low_m3s * applied.high_m3s) == pytest.approx(10.528042, abs=0.5e-6)
    assert applied.flow_m3s == pytest.approx(10.572686, abs=0.5e-6)
    assert applied.low_m3s == pytest.approx(8.842799, abs=0.5e-6)
    assert applied.high_m3s == pytest.approx(12.534456, abs=0.6e-6)


def test_area_alone_gives_the_derived_law(all_gauges):
    gauges = all_gauges[all_gauges["huc_02"] == 1]

    found = fit_equation(gauges, "flow_mean_m3s", ["area_km2"], SOURCE).diagnostics.fit

    assert found.coefficients == pytest.approx([-1.66903098, 1.01262116], abs=0.5e-8)


def test_low_flow_is_several_times_less_certain_than_mean_flow(all_gauges):
    gauges = all_gauges[all_gauges["huc_02"] == 1]

    low = fit_equation(gauges, "flow_q95_m3s", PREDICTORS, SOURCE).diagnostics
    mean = fit_equation(gauges, "flow_mean_m3s", PREDICTORS, SOURCE).diagnostics

    assert low.fit.coefficients == pytest.approx(LOW_FLOW_COEFFICIENTS, abs=0.5e-8)
    assert low.fit.mse**0.5 == pytest.approx(0.24074516, abs=0.5e-8)
    assert low.standard_error_percent == pytest.approx(59.97778, abs=0.5e-5)
    assert low.smearing_factor == pytest.approx(1.14340464, abs=0.5e-8)
    assert low.standard_error_percent > 6 * mean.standard_error_percent


@pytest.mark.parametrize("row", ALL_REGIONS, ids=lambda row: f"region {row[0]:02d}")
def test_every_region_is_fitted_to_the_derived_digits(all_gauges, row):
    region, count, *numbers = row
    gauges = all_gauges[all_gauges["huc_02"] == region]

    diagnostics = fit_equation(gauges, "flow_mean_m3s", PREDICTORS, SOURCE).diagnostics

    fit = diagnostics.fit
    assert len(diagnostics.gauges) == count
    assert [*fit.coefficients, fit.mse**0.5, fit.r_squared] == pytest.approx(numbers[:5], abs=0.51e-5)
    assert diagnostics.standard_error_percent == pytest.approx(numbers[5], abs=0.51e-2)
    assert diagnostics.smearing_factor == pytest.approx(numbers[6], abs=0.51e-5)
    assert diagnostics.leave_one_out_rmse_log10 == pytest.approx(numbers[7], abs=0.51e-5)


def test_every_gauge_without_a_logarithm_is_accounted_for(all_gauges):
    low = fit_equation(all_gauges, "flow_q95_m3s", PREDICTORS, SOURCE).diagnostics
    mean = fit_equation(all_gauges, "flow_mean_m3s", PREDICTORS, SOURCE).diagnostics

    # Read in the table: 85 low flows are zero, and gauge 03281100 has no flow statistics at all.
    assert low.dropped["reason"].value_counts().to_dict() == {"flow_q95_m3s zero": 85, "flow_q95_m3s missing": 1}
    assert len(low.gauges) + len(low.dropped) == 671
    assert mean.dropped["gauge"].tolist() == ["03281100"]


@pytest.fixture(scope="module")
def fitted_by_one_command(public_data, repository, tmp_path_factory):
    """What `sitefinder fit-flows` prints for the 671 gauges, and the folder that it wrote."""
    folder = tmp_path_factory.mktemp("us_gauges")
    text = (repository / "tests" / "real" / "us_gauges.toml").read_text(encoding="utf-8")
    path = (public_data / "us_gauges" / "attributes_671.csv").as_posix()
    text = re.sub(r'^path = ".*"$', f'path = "{path}"', text, flags=re.M)
    (folder / "fit.toml").write_text(re.sub(r'^output_folder = ".*"$', 'output_folder = "out"', text, flags=re.M))
    delivered = fit_and_deliver(folder / "fit.toml")
    return fit_text(delivered.source, delivered.fits, []), folder / "out"


def test_one_command_prints_every_region_of_25_gauges_to_the_derived_digits(fitted_by_one_command):
    text, _ = fitted_by_one_command

    printed = {
        int(row[0]): [int(row[1]), *map(float, row[2].split())]
        for row in re.findall(r"^(\d+) +mean +(\d+) +0 +([\d. ]+)$", text, flags=re.M)
    }
    derived = {
        region: (count, s, se, r2, duan, loo) for region, count, _, _, _, s, r2, se, duan, loo in ALL_REGIONS
    }
    # Region 6 has 17 gauges; regions 11 and 12 have 25 and more but no derived row.
    assert set(printed) == {*derived, 11, 12} - {6}
    for region in set(printed) & set(derived):
        count, s, se, r2, duan, loo, *_ = printed[region]
        # Both are printed to the same digits, each rounded once.
        assert (count, s, se, r2, duan, loo) == pytest.approx(derived[region], abs=1e-9)


def test_few_of_the_real_gauges_are_doubted_and_those_for_a_reason(fitted_by_one_command):
    _, folder = fitted_by_one_command

    suspects = pd.read_csv(folder / "suspects.csv", dtype={"gauge": str})

    print(f"{len(suspects)} of 671 gauges are doubted: {', '.join(suspects['gauge'])}")
    assert len(suspects) <= 20
    # By the table itself, the runoff ratio of these five is above 1.1: more runoff than the rain that is stated.
    assert {"06746095", "12040500", "12041200", "12056500", "14400000"} <= set(suspects["gauge"])


@pytest.mark.parametrize("seed", range(5))
def test_wrong_units_are_found_among_the_real_gauges(all_gauges, seed):
    rng = np.random.default_rng(seed)
    found = []
    for number in (1, 2, 3, 5, 17):
        region = all_gauges[(all_gauges["huc_02"] == number) & (all_gauges["flow_mean_m3s"] > 0)].copy()
        before = set(suspect_gauges(region, PREDICTORS)["gauge"])
        litres, feet, hectares = rng.choice(
            [name for name in region.index if name not in before], 3, replace=False
        )
        region.loc[litres, "flow_mean_m3s"] *= 1000.0
        region.loc[feet, "flow_mean_m3s"] *= 35.3147
        region.loc[hectares, "area_km2"] *= 100.0
        found += [name in set(suspect_gauges(region, PREDICTORS)["gauge"]) for name in (litres, feet, hectares)]

    assert found == [True] * 15


def test_the_85_gauges_without_low_flow_are_all_accounted_for(fitted_by_one_command):
    text, folder = fitted_by_one_command

    gauges = pd.read_csv(folder / "gauges.csv", dtype={"gauge": str})
    low = gauges[gauges["statistic"] == "exceedance_95"]
    zero = low[low["observed_m3s"] == 0]
    assert len(low) == low["gauge"].nunique() == 671
    assert len(zero) == 85
    # Counted in the table itself: 13 of them lie in regions of fewer than 25 gauges.
    assert zero["became"].value_counts().to_dict() == {
        "zero, in the probability of zero": 72,
        "region has fewer than 25 gauges": 13,
    }
    assert low["became"].value_counts().to_dict() == {
        "fitted": 499,
        "region has fewer than 25 gauges": 99,
        "zero, in the probability of zero": 72,
        "flow_q95_m3s missing": 1,
    }
    assert re.search(r"exceedance_95 +zero, in the probability of zero +72 +72$", text, flags=re.M)
    assert re.search(r"exceedance_95 +region has fewer than 25 gauges +99 +13$", text, flags=re.M)


def test_what_was_fitted_is_an_equation_file_with_the_derived_coefficients(fitted_by_one_command):
    _, folder = fitted_by_one_command

    equations = {(item.region, item.statistic): item for item in read_equations(folder / "equations.toml")}

    found = equations["1", "mean"]
    assert [found.constant, *(item.coefficient for item in found.predictors)] == pytest.approx(
        COEFFICIENTS, abs=0.5e-7
    )
    assert {statistic for _, statistic in equations} >= {"mean", "exceedance_5", "zero_probability_exceedance_95"}
