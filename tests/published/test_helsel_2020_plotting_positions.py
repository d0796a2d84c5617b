"""Plotting positions of a flow duration curve, and curves of four real records.

D. R. Helsel et al., "Statistical methods in water resources," U.S. Geol. Surv. Tech. Methods 4-A3, 2020, as the US
Geological Survey's package hyswap applies it; the asserted values were read in that package's tests.

The records are the US Geological Survey's daily flows of 2000-01-01 to 2002-12-31 (1096 days) [ft³/s]. Their
quantiles were derived outside this project with positions rank / (n + 1) and linear interpolation; reproducible,
but not published.
"""

import numpy as np
import pandas as pd
import pytest

from sitefinder.flows.duration import duration_curve, exceedance_of, flow_exceeded

PERCENT = [5, 10, 20, 30, 40, 50, 60, 70, 80, 90, 95, 99, 100 * 347 / 365]
# gauge, mean, then the flow exceeded so often as above, as printed
RECORDS = [
    ("01022500", 364.9982, "1471.5 983.4 591.6 359 236 167 121 85 59 41 31.85 24.94 31.099"),
    ("01547700", 41.9578, "172.15 106 62 40 25 16 10 5.9 3.6 2.6 1.6 0.589 1.6"),
    ("02064000", 79.0863, "226.15 142.3 97 74 59 50 43 36 27 14 8.985 2.997 8.91"),
    ("03015500", 508.2536, "1760 1133 735.8 522.8 380 297.5 217.8 166 106 70 58 46 58"),
]


# Half of the last printed digit; a number printed short of decimals was exact, and is allowed a trifle.
def half_digit(printed):
    decimals = len(printed.partition(".")[2])
    return 0.5 * 10.0**-decimals * 1.02 if decimals else 0.05


@pytest.mark.parametrize(
    ("record", "flow", "share"),
    [([1, 2, 3, 4], 3, 0.4), ([1, 2, 3, 4], 5, 0.0), ([1, 1, 1, 1], 3, 0.0)],
)
def test_the_packages_asserted_exceedances_are_reproduced(record, flow, share):
    assert exceedance_of(duration_curve(record), flow) == pytest.approx(share, abs=1e-12)


def test_equal_days_share_the_position_of_the_last_of_them():
    # Two of four days reach 2 at least; by counting, 3 of 4 days reach 1.
    assert exceedance_of(duration_curve([5.0, 2.0, 1.0, 0.5]), 2.0) == pytest.approx(2 / 5)
    assert exceedance_of(duration_curve([2.0, 1.0, 1.0, 0.5]), 1.0) == pytest.approx(3 / 5)


@pytest.mark.parametrize(("gauge", "mean", "printed"), RECORDS, ids=[row[0] for row in RECORDS])
def test_the_curve_of_a_real_record_agrees_with_the_derived_one(shared_data, gauge, mean, printed):
    record = pd.read_csv(shared_data / "us_gauges" / f"daily_{gauge}.csv")
    days = record["date"].between("2000-01-01", "2002-12-31")
    flow = record.loc[days, "q_cfs"].to_numpy()

    curve = duration_curve(flow)

    assert curve.flow.size == 1096
    assert flow.mean() == pytest.approx(mean, abs=0.5e-4)
    for percent, text in zip(PERCENT, printed.split(), strict=True):
        assert flow_exceeded(curve, percent) == pytest.approx(float(text), abs=half_digit(text)), percent


def test_days_without_a_value_do_not_count():
    with_gaps = duration_curve([3.0, np.nan, 1.0, 2.0, np.nan])

    assert with_gaps.exceedance.tolist() == [0.25, 0.5, 0.75]
    assert with_gaps.flow.tolist() == [3.0, 2.0, 1.0]


def test_a_record_without_any_value_is_refused():
    with pytest.raises(ValueError, match="at least one daily flow"):
        duration_curve([np.nan, np.nan])
