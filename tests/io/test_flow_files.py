"""Equation files and gauge tables: read whole, or refused with all that is wrong."""

import math

import pytest

from sitefinder.errors import ConfigError, InputError
from sitefinder.io.gauges import read_equations, read_gauges
from sitefinder.settings import GaugeTable

TABLE = GaugeTable(path="gauges.csv", predictors=["area_km2"], source="made up")
HEADER = "gauge_id,area_km2,record_years,flow_mean_m3s,flow_q05_m3s,flow_q95_m3s"


@pytest.fixture
def written(tmp_path):
    def write(text, name="gauges.csv"):
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_a_gauge_table_is_read_with_its_ids_as_they_were_written(written):
    path = written(f"{HEADER},remark\n007,12.5,30,0.3,1.2,0.02,good\n010, 8 ,12,0.2,,0,short\n")

    gauges = read_gauges(path, TABLE)

    assert gauges.index.tolist() == ["007", "010"]
    assert gauges.columns.tolist() == ["flow_mean_m3s", "flow_q05_m3s", "flow_q95_m3s", "area_km2"]
    assert gauges["area_km2"].tolist() == [12.5, 8.0]
    assert math.isnan(gauges.loc["010", "flow_q05_m3s"])
    assert gauges.loc["010", "flow_q95_m3s"] == 0.0


def test_every_problem_of_a_gauge_table_is_reported_at_once(written):
    path = written(f"{HEADER}\na,12,1,0.3,1.2,2.0\na,x,1,-0.2,0.5,0.1\n,3,1,0.2,0.5,inf\n")
    table = TABLE.model_copy(update={"predictors": ["area_km2", "precipitation_mm"]})

    with pytest.raises(InputError) as raised:
        read_gauges(path, table)

    assert str(raised.value) == (
        f"{path}: 7 problems\n"
        "  column precipitation_mm: missing; if the table has it under another name, add to the setting columns: "
        'precipitation_mm = "ITS NAME" (the table has gauge_id, area_km2, record_years, flow_mean_m3s,'
        " flow_q05_m3s, flow_q95_m3s)\n"
        "  flow_mean_m3s: negative in rows 3 (lowest -0.2)\n"
        "  flow_q95_m3s: not a number in rows 4 (first 'inf')\n"
        "  area_km2: not a number in rows 3 (first 'x')\n"
        "  gauge_id: empty in rows 4\n"
        "  gauge_id: a appear more than once, rows 2, 3\n"
        "  flow_q95_m3s: greater than flow_q05_m3s in rows 2, 4; "
        "the number is the share of time exceeded, not the quantile\n"
        "  fix:  correct these places in the file, or the settings that name them"
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("gauge_id,area_km2\na,1\n", "column flow_mean_m3s: missing"),
        ("gauge_id,area_km2,flow_mean_m3s\na,1,1\n", "no column flow_qNN_m3s"),
        (f"{HEADER}\n", "the table has no rows"),
        (
            f"{HEADER}\na,1\nb,1,2,3,4,5,6,7\n",
            "row 2: fewer cells than the header, which has 6; row 3: more cells",
        ),
        ("", "not valid CSV"),
    ],
)
def test_a_table_that_cannot_serve_is_refused(written, text, message):
    with pytest.raises(InputError, match=message):
        read_gauges(written(text), TABLE)


def test_a_gauge_table_that_is_not_there_is_named(tmp_path):
    with pytest.raises(InputError, match="cannot be read") as raised:
        read_gauges(tmp_path / "none.csv", TABLE)

    assert "none.csv" in str(raised.value)


def test_years_of_record_are_read_where_they_are_named(written):
    path = written(f"{HEADER}\na,1,30,1,2,0.1\n")

    gauges = read_gauges(path, TABLE.model_copy(update={"record_years_column": "record_years"}))

    assert gauges["record_years"].tolist() == [30.0]


def test_an_equation_file_that_is_not_there_or_no_toml_is_refused(written, tmp_path):
    with pytest.raises(ConfigError, match="there is no such equation file"):
        read_equations(tmp_path / "none.toml")
    with pytest.raises(ConfigError, match="is not TOML"):
        read_equations(written("equations = [", "broken.toml"))


def test_an_equation_without_a_source_does_not_load(written):
    text = """
        [[equations]]
        statistic = "mean"
        form = "log10"
        factor = 0.02
        flow_unit = "m3s"
        standard_error_percent = 20.0
        gauges = 30
        table = "table 1"
        predictors = [{name = "area", unit = "km2", coefficient = 1.0, minimum = 1.0, maximum = 100.0}]
    """

    with pytest.raises(ConfigError, match=r"equations\[1\].source: missing"):
        read_equations(written(text, "equations.toml"))


def test_every_equation_file_that_comes_along_loads(repository):
    files = sorted((repository / "config" / "equations").glob("*.toml"))

    assert files
    for path in files:
        assert all(equation.source for equation in read_equations(path))
