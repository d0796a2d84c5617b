"""Statistics of four real records, read from their files in the units of their source.

US Geological Survey, National Water Information System, daily mean flows [ft³/s] of 2000-01-01 to 2002-12-31 at
four gauges; a mark "A:e" is an approved day whose flow was estimated. What they are compared with was derived
once, outside this project: quantiles with positions rank / (n + 1) and linear interpolation, and the least mean of
7 days in a row whose last lies in the calendar year. It is reproducible, but it is no published figure.
"""

import numpy as np
import pytest

from sitefinder.hydrology.records import counted_flow, extension_line, gauge_statistics, yearly_statistics
from sitefinder.io.gauges import read_daily_flows
from sitefinder.settings.flows import DailyRecords
from sitefinder.units import M3S_PER_CUBIC_FOOT_SECOND

PERCENT = [5, 10, 20, 30, 40, 50, 60, 70, 80, 90, 95, 99]
SETTINGS = DailyRecords(
    unit="ft3s", flow_column="q_cfs", flag_column="flag", min_years=3, exceedance_percent=PERCENT
)
# gauge, days marked as estimated (counted in the file), mean, quantiles as above and the flow reached on 347 of
# 365 days, and the 7-day minima of 2000, 2001 and 2002, all [ft³/s] as printed
RECORDS = {
    "01022500": (
        225,
        "364.9982",
        "1471.5 983.4 591.6 359 236 167 121 85 59 41 31.85 24.94 31.099",
        "49.2857 19.8571 30.0",
    ),
    "01547700": (14, "41.9578", "172.15 106 62 40 25 16 10 5.9 3.6 2.6 1.6 0.589 1.6", "1.6 2.1571 0.4414"),
    "02064000": (
        107,
        "79.0863",
        "226.15 142.3 97 74 59 50 43 36 27 14 8.985 2.997 8.91",
        "30.5714 13.4286 1.4143",
    ),
    "03015500": (
        90,
        "508.2536",
        "1760 1133 735.8 522.8 380 297.5 217.8 166 106 70 58 46 58",
        "62.4286 47.4286 44.0",
    ),
}


# Half of the last printed digit, and a trifle for the digit's own rounding; a number without decimals was exact.
def half_digit(printed):
    decimals = len(printed.partition(".")[2])
    return 0.5 * 10.0**-decimals * 1.02 if decimals else 0.05


@pytest.fixture(scope="module")
def records(public_data):
    """The four records, by gauge."""
    return {
        gauge: read_daily_flows(public_data / "us_gauges" / f"daily_{gauge}.csv", gauge, SETTINGS)
        for gauge in RECORDS
    }


@pytest.fixture(scope="module")
def table(records):
    """Their statistics."""
    return gauge_statistics(list(records.values()), SETTINGS)


@pytest.mark.parametrize("gauge", RECORDS)
def test_mean_and_quantiles_agree_with_the_derived_ones(table, gauge):
    _, mean, quantiles, _ = RECORDS[gauge]

    row = table.loc[gauge]
    names = [*(f"flow_q{percent:02d}_m3s" for percent in PERCENT), "low347_m3s"]
    for name, printed in zip(["flow_mean_m3s", *names], [mean, *quantiles.split()], strict=True):
        assert row[name] / M3S_PER_CUBIC_FOOT_SECOND == pytest.approx(float(printed), abs=half_digit(printed)), (
            name
        )


@pytest.mark.parametrize("gauge", RECORDS)
def test_seven_day_minima_of_each_year_agree_with_the_derived_ones(records, table, gauge):
    printed = RECORDS[gauge][3].split()

    years = yearly_statistics(counted_flow(records[gauge], SETTINGS))

    assert years.index.tolist() == [2000, 2001, 2002]
    assert years["days"].tolist() == [366, 365, 365]
    found = years["min7day_m3s"].to_numpy() / M3S_PER_CUBIC_FOOT_SECOND
    for flow, text in zip(found, printed, strict=True):
        assert flow == pytest.approx(float(text), abs=half_digit(text))
    assert table.loc[gauge, "min7day_m3s"] == pytest.approx(years["min7day_m3s"].mean())


@pytest.mark.parametrize("gauge", RECORDS)
def test_estimated_days_are_counted_and_none_is_missing(table, gauge):
    row = table.loc[gauge]

    assert row["days_estimated"] == RECORDS[gauge][0]
    assert (row["days_used"], row["days_missing"], row["days_ice"], row["record_years"]) == (1096, 0, 0, 3)


def test_a_year_that_was_hidden_comes_back_from_a_neighbour_better_than_not_at_all(records):
    # The two nearest of the four lie 190 km apart, so much is not asked: the wet year 2002, hidden at Marsh Creek,
    # lifts its mean by a fifth; the extended record comes nearer to the whole one than the two dry years alone.
    short, long = records["01547700"], records["03015500"]
    hidden = short.date >= np.datetime64("2002-01-01")
    kept = short._replace(
        **{name: getattr(short, name)[~hidden] for name in ("date", "flow_m3s", "estimated", "ice")}
    )
    settings = SETTINGS.model_copy(update={"min_correlation": 0.7})
    whole = gauge_statistics([short, long], settings).loc["01547700", "flow_mean_m3s"]

    extended = gauge_statistics([kept, long], settings).loc["01547700"]
    alone = gauge_statistics([kept, long], settings.model_copy(update={"short_records": "flag"})).loc["01547700"]

    assert extended["extended_from"] == "03015500"
    assert abs(np.log(extended["flow_mean_m3s"] / whole)) < abs(np.log(alone["flow_mean_m3s"] / whole))


def test_the_line_between_two_real_records_is_that_of_their_logs_moments(records):
    flows = [records[gauge].flow_m3s for gauge in ("01547700", "03015500")]

    line = extension_line(*flows)

    y, x = (np.log(flow) for flow in flows)
    assert line.slope == pytest.approx(np.std(y, ddof=1) / np.std(x, ddof=1))
    assert line.intercept + line.slope * x.mean() == pytest.approx(y.mean())
    assert line.correlation == pytest.approx(np.corrcoef(x, y)[0, 1])
