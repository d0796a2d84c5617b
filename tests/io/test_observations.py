"""Observations of visits: the form that a run wrote, filled in, and every fault of it at once."""

import csv

import numpy as np
import pytest
import shapely

from sitefinder.errors import InputError
from sitefinder.io.observations import conditions_of, gaugings_of, levels_of, read_observations
from sitefinder.schema.field_form import COLUMNS
from sitefinder.settings import Source

CRS = "EPSG:32633"
GIVEN = {"site_id": "S1@50", "crs": CRS, "intake_x": "500000", "intake_y": "5000000", "tailrace_x": "500050"}
GIVEN |= {"tailrace_y": "5000000", "structure_id": "W1"}
VISIT = {"observer": "A. Visitor", "date": "2026-04-02"}


@pytest.fixture
def read(tmp_path):
    def of(*rows, **settings):
        with open(tmp_path / "seen.csv", "w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, [column.name for column in COLUMNS], restval="", lineterminator="\n")
            writer.writeheader()
            writer.writerows(GIVEN | row for row in rows)
        return read_observations(Source(path="seen.csv", **settings), tmp_path, CRS)

    return of


def test_a_form_gives_levels_gaugings_and_the_condition_of_structures(read):
    levels = {"level_intake_m": "12.50", "level_tailrace_m": "10.00", "drop_error_m": "0.02"}
    gauging = {"flow_m3s": "0.4", "flow_error_percent": "8", "gauge_id": "G1", "gauge_flow_m3s": "2"}

    found = read(
        VISIT | levels | gauging | {"structure_condition": "poor"},
        VISIT | {"date": "2026-05-01", "drop_m": "2.4", "drop_error_m": "0.1", "structure_condition": "repaired"},
        {},
    )

    assert found.blank == 1
    assert found.lineage["crs"].startswith(CRS)
    drops = levels_of(found.frame)
    assert drops["drop_m"].tolist() == [pytest.approx(2.5), 2.4]
    assert drops["error_m"].tolist() == [0.02, 0.1]
    assert drops["level_id"].tolist() == ["S1@50 on 2026-04-02", "S1@50 on 2026-05-01"]
    assert drops[["upper", "lower"]].iloc[0].tolist() == [
        shapely.Point(500000, 5000000), shapely.Point(500050, 5000000)
    ]  # fmt: skip
    spots = gaugings_of(found.frame, CRS)
    assert spots[["gauging_id", "gauge_id", "flow_m3s", "error_percent", "gauge_flow_m3s"]].values.tolist() == [
        ["S1@50 on 2026-04-02", "G1", 0.4, 8.0, 2.0]
    ]
    assert spots.geometry.tolist() == [shapely.Point(500000, 5000000)]
    # The last visit counts.
    assert conditions_of(found.frame) == {"W1": "repaired"}


def test_a_gauging_without_the_reading_of_a_gauge_informs_no_curve(read):
    found = read(VISIT | {"flow_m3s": "0.4", "flow_error_percent": "8"})

    assert len(gaugings_of(found.frame, CRS)) == 0
    assert np.isnan(found.frame["gauge_flow_m3s"]).all()


def test_every_fault_of_a_form_is_said_at_once(read):
    rows = (
        {"remarks": "seen", "observer": "A", "date": "2.4.2026"},
        VISIT | {"observer": "", "level_intake_m": "12.5", "drop_error_m": "0.1"},
        VISIT | {"site_id": "S2@1", "level_intake_m": "9", "level_tailrace_m": "10", "drop_m": "1"},
        VISIT | {"site_id": "S3@1", "flow_m3s": "-1", "gauge_id": "G1", "structure_seen": "perhaps"},
        VISIT | {"site_id": "S4@1", "drop_m": "high", "drop_error_m": "0.1", "intake_x": ""},
        VISIT | {"site_id": "S4@1", "remarks": "again"},
    )

    with pytest.raises(InputError, match=r"seen\.csv: 13 problems") as caught:
        read(*rows)

    for words in (
        "date: no day\n    where:     row 2",
        "observer: missing\n    where:     row 3",
        "one level alone\n    where:     row 3\n    expected:  both levels, or none\n"
        "    found:     level_intake_m '12.5', level_tailrace_m nothing",
        "two levels and a drop\n    where:     row 4",
        "the water rises from intake to tailrace\n    where:     row 4",
        "drop_error_m: no standard error\n    where:     row 4",
        "flow_error_percent: no standard error\n    where:     row 5",
        "flow_m3s: negative\n    where:     row 5",
        "a gauge without its flow, or a flow without its gauge\n    where:     row 5",
        "structure_seen: not a known word\n    where:     row 5\n    expected:  yes, no or nothing",
        "drop_m: no number\n    where:     row 6",
        "intake_x: no number\n    where:     row 6",
        "two rows of one site and day\n    where:     rows 6, 7",
    ):
        assert words in str(caught.value)


def test_a_table_that_is_no_form_is_refused(tmp_path):
    (tmp_path / "seen.csv").write_text("site,level\nS1,2\n", encoding="utf-8")

    with pytest.raises(InputError, match="the table of observations lacks columns"):
        read_observations(Source(path="seen.csv", crs=CRS), tmp_path, CRS)
