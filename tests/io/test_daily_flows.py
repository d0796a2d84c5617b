"""Daily files of gauges: read in the user's units, refused with all that is wrong, made into a gauge table."""

import numpy as np
import pandas as pd
import pytest

from sitefinder.errors import InputError
from sitefinder.io.gauges import read_daily_flows, read_gauges
from sitefinder.settings import GaugeTable
from sitefinder.settings.flows import DailyRecords

SETTINGS = DailyRecords(unit="ls", flag_column="flag", min_years=1)


@pytest.fixture
def written(tmp_path):
    def write(text, name="daily.csv"):
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_a_record_comes_in_order_of_time_in_cubic_metres_with_its_marks(written):
    path = written(
        "date,flow,flag\n2020-01-03,1500,A\n2020-01-01,500,A:e\n2020-01-02,,P\n2020-01-05,Ice,\n2020-01-06,-999999,A\n"
        "2020-01-07,20,A Ice\n"
    )

    record = read_daily_flows(path, "G1", SETTINGS)

    assert record.date.tolist() == [np.datetime64(f"2020-01-{day:02d}").item() for day in (1, 2, 3, 5, 6, 7)]
    assert record.flow_m3s == pytest.approx([0.5, np.nan, 1.5, np.nan, np.nan, 0.02], nan_ok=True)
    assert record.estimated.tolist() == [True, False, False, False, False, False]
    assert record.ice.tolist() == [False, False, False, True, False, True]


def test_every_problem_of_a_record_is_reported_at_once(written):
    path = written("date,flow,flag\n2020-01-01,x,\n2020-13-01,1,\n2020-01-02,-3,\n2020-01-02,inf,\n")

    with pytest.raises(InputError) as raised:
        read_daily_flows(path, "G1", SETTINGS)

    assert str(raised.value) == (
        f"{path}: 4 problems\n"
        "  date: no date in rows 3 (first '2020-13-01')\n"
        "  date: the same day appears more than once, rows 4, 5\n"
        "  flow: not a number in rows 2, 5 (first 'x'); texts that mean a missing flow belong in"
        " flows.gauges.daily.missing_values\n"
        "  flow: negative in rows 4 (lowest -3); a number that means missing belongs in"
        " flows.gauges.daily.missing_values\n"
        "  fix:  correct these places in the file, or the settings that name them"
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("day,flow,flag\n2020-01-01,1,\n", r"column date: missing \(the record has day, flow, flag\)"),
        ("date,flow\n2020-01-01,1\n", "column flag: missing"),
        ("date,flow,flag\n", "the record has no days"),
    ],
)
def test_a_record_without_what_it_needs_is_refused(written, text, message):
    with pytest.raises(InputError, match=message):
        read_daily_flows(written(text), "G1", SETTINGS)


def daily(flow):
    return "date,flow,flag\n" + "".join(
        f"{day:%Y-%m-%d},{flow},\n" for day in pd.date_range("2019-01-01", "2019-12-31")
    )


def test_a_gauge_table_may_name_daily_files_in_place_of_statistics(written):
    written(daily(250), "a.csv")
    written(daily(2000), "b.csv")
    path = written(
        "gauge_id,area_km2,x,y,daily_file\n007,12.5,-3.5,-50,a.csv\n008,90,7,50, b.csv \n", "gauges.csv"
    )
    table = GaugeTable(
        path="gauges.csv",
        predictors=["area_km2"],
        record_years_column="record_years",
        source="made up",
        x_column="x",
        y_column="y",
        crs="EPSG:4326",
        daily=SETTINGS,
    )

    gauges = read_gauges(path, table)

    assert gauges.index.tolist() == ["007", "008"]
    assert gauges["flow_mean_m3s"].tolist() == pytest.approx([0.25, 2.0])
    assert gauges["flow_q95_m3s"].tolist() == pytest.approx([0.25, 2.0])
    assert gauges["area_km2"].tolist() == [12.5, 90.0]
    assert gauges["x"].tolist() == [-3.5, 7.0]
    assert gauges["record_years"].tolist() == [1, 1]


def test_daily_files_that_are_not_there_are_reported_together(written):
    path = written("gauge_id,area_km2,daily_file\n007,12.5,a.csv\n008,90,\n", "gauges.csv")
    table = GaugeTable(path="gauges.csv", predictors=["area_km2"], source="made up", daily=SETTINGS)

    with pytest.raises(InputError) as raised:
        read_gauges(path, table)

    notes = str(raised.value)
    assert notes.startswith("daily records: 2 problems\n")
    assert "no such file, from column daily_file: gauges 007 (" in notes
    assert "no file in column daily_file: gauges 008" in notes
