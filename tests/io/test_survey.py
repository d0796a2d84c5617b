"""Tables of measured drops and of ratings: read whole, or refused with all that is wrong."""

import numpy as np
import pytest
import shapely

from sitefinder.errors import InputError
from sitefinder.io.survey import read_field_levels, read_ratings, read_sections
from sitefinder.settings import Source

UTM = "EPSG:32633"
LEVELS = "level_id,kind,upper_x,upper_y,lower_x,lower_y,upper_m,lower_m,drop_m,error_m,date"
RATINGS = "rating_id,x,y,flow_m3s,level_m"


@pytest.fixture
def table(tmp_path):
    """A function that writes a table and gives what the settings would say of it."""

    def write(text, crs=UTM):
        (tmp_path / "table.csv").write_text(text, encoding="utf-8")
        return Source(path="table.csv", crs=crs, source="Hosk survey", date="2026")

    return write


def test_drops_are_read_as_pairs_of_levels_or_as_such(table, tmp_path):
    text = f"{LEVELS}\nA1,level_pair,500000,0,500010,5,102.5,100.25,,0.02,2026-05-01\n"
    text += "A2, Drop ,500020,0,500030,0,,,1.5,0.05,spring 2026\n"

    read = read_field_levels(table(text), tmp_path, UTM)

    frame = read.frame
    assert frame["level_id"].tolist() == ["A1", "A2"]
    assert frame["drop_m"].tolist() == [2.25, 1.5]
    assert frame["error_m"].tolist() == [0.02, 0.05]
    assert frame["date"].tolist() == ["2026-05-01", "spring 2026"]
    assert [(point.x, point.y) for point in frame["upper"]] == [(500000, 0), (500020, 0)]
    assert [(point.x, point.y) for point in frame["lower"]] == [(500010, 5), (500030, 0)]
    assert (read.lineage["name"], read.lineage["source"], read.lineage["date"]) == (
        "field_levels",
        "Hosk survey",
        "2026",
    )
    assert len(read.lineage["digest"]) == 64


def test_places_in_degrees_come_to_the_runs_system(table, tmp_path):
    # The central meridian of zone 33 at the equator is 500 000 m east, 0 m north, by the zone's definition.
    text = f"{LEVELS}\nA1,drop,15.0,0.0,15.0,0.001,,,1.0,0.05,2026\n"

    frame = read_field_levels(table(text, "EPSG:4326"), tmp_path, UTM).frame

    assert shapely.get_coordinates(frame["upper"].iloc[0])[0] == pytest.approx([500000.0, 0.0], abs=0.001)


@pytest.mark.parametrize(
    ("header", "row", "drops_m"),
    [
        (LEVELS, "", []),
        (LEVELS.replace("upper_m,lower_m,", ""), "A1,drop,1,2,3,4,1.5,0.1,2026\n", [1.5]),
        (LEVELS.replace("drop_m,", ""), "A1,level_pair,1,2,3,4,9.5,8,0.1,2026\n", [1.5]),
        (LEVELS.replace("upper_m,lower_m,drop_m,", ""), "", []),
    ],
    ids=["no rows", "drops alone", "pairs alone", "no rows and no columns of either"],
)
def test_a_table_needs_no_columns_of_a_kind_that_it_does_not_hold(table, tmp_path, header, row, drops_m):
    assert read_field_levels(table(f"{header}\n{row}"), tmp_path, UTM).frame["drop_m"].tolist() == drops_m


@pytest.mark.parametrize(
    ("row", "problem"),
    [
        (
            "A1,level_pair,1,2,3,4,100,102,,0.1,2026",
            ("the water rises from upper to lower", "upper_m above lower_m", "upper_m '100', lower_m '102'"),
        ),
        (
            "A1,drop,1,2,3,4,,,-1,0.1,2026",
            ("the water rises from upper to lower", "a drop of 0 or more", "'-1'"),
        ),
        ("A1,drop,1,2,3,4,,,1,0,2026", ("error_m: not above 0", "a number above 0", "'0'")),
        ("A1,drop,1,2,3,4,,,1,0.1,", ("date: missing", "a text", "nothing")),
        (
            "A1,drop,1,2,3,4,,,1,0.1,May\a2026",
            ("date: no plain text", "at most 10,000 characters, no control characters", r"'May\x072026'"),
        ),
        (",drop,1,2,3,4,,,1,0.1,2026", ("level_id: missing", "an id for each", "nothing")),
        ("A1,drop,1,2,3,4,5,4,,0.1,2026", ("drop_m: no number", "a number", "nothing")),
        ("A1,level_pair,1,2,3,4,,4,,0.1,2026", ("upper_m: no number", "a number", "nothing")),
        ("A1,drop,east,2,3,4,,,1,0.1,2026", ("upper_x: no number", "a number", "'east'")),
        ("A1,guess,1,2,3,4,,,1,0.1,2026", ("kind: not a known word", "level_pair or drop", "'guess'")),
    ],
)
def test_a_row_that_cannot_be_right_is_refused_and_named(table, tmp_path, row, problem):
    with pytest.raises(InputError, match="table") as raised:
        read_field_levels(table(f"{LEVELS}\n{row}\n"), tmp_path, UTM)

    headline, expected, found = problem
    stated = (
        f"  {headline}\n    where:     row 2\n    expected:  {expected}\n    found:     {found}\n    fix:       "
    )
    assert str(raised.value).startswith(f"table.csv: 1 problem\n{stated}")


def test_all_problems_of_a_table_of_drops_are_reported_at_once(table, tmp_path):
    text = f"{LEVELS}\nA1,drop,1,2,3,4,,,-1,0.1,2026\nA1,drop,1,2,3,north,,,1,-0.1,2026\n"

    with pytest.raises(InputError, match="table") as raised:
        read_field_levels(table(text), tmp_path, UTM)

    assert str(raised.value) == (
        "table.csv: 4 problems\n"
        "  level_id: more than once\n"
        "    where:     rows 2, 3\n"
        "    expected:  an id of its own for each\n"
        "    found:     'A1'\n"
        "    fix:       change or remove all but one\n"
        "  lower_y: no number\n"
        "    where:     row 3\n"
        "    expected:  a number\n"
        "    found:     'north'\n"
        "    fix:       write it with a decimal point, without a unit\n"
        "  the water rises from upper to lower\n"
        "    where:     row 2\n"
        "    expected:  a drop of 0 or more\n"
        "    found:     '-1'\n"
        "    fix:       exchange the two ends and the sign, or correct the drop\n"
        "  error_m: not above 0\n"
        "    where:     row 3\n"
        "    expected:  a number above 0\n"
        "    found:     '-0.1'\n"
        "    fix:       state the standard error of the drop"
    )


def test_a_table_that_lacks_columns_or_a_coordinate_system_is_refused(table, tmp_path):
    with pytest.raises(InputError, match=r"measurement table lacks columns(.|\n)*fix: +add upper_x, .*, date;"):
        read_field_levels(table("level_id,kind\nA1,drop\n"), tmp_path, UTM)
    row = "A1,drop,1,2,3,4,,,1,0.1,2026"
    with pytest.raises(InputError, match="field_levels layer has no coordinate system"):
        read_field_levels(table(f"{LEVELS}\n{row}\n", crs=None), tmp_path, UTM)
    with pytest.raises(InputError, match="the measurement table cannot be read"):
        read_field_levels(Source(path="none.csv", crs=UTM), tmp_path, UTM)


def test_ratings_are_read_by_rating_and_flow(table, tmp_path):
    text = f"{RATINGS}\nR2,500000,0,2.0,0.8\nR1,500500,0,1,10.0\nR2,500000,0,0.5,0.3\nR1,500500,0,3,10.9\n"

    frame = read_ratings(table(text), tmp_path, UTM).frame

    assert frame["rating_id"].tolist() == ["R2", "R2", "R1", "R1"]
    assert frame["flow_m3s"].tolist() == [0.5, 2.0, 1.0, 3.0]
    assert frame["level_m"].tolist() == [0.3, 0.8, 10.0, 10.9]
    np.testing.assert_array_equal(frame.geometry.x, [500000, 500000, 500500, 500500])


@pytest.mark.parametrize(
    ("rows", "problem"),
    [
        (["R1,1,2,1,5"], "a rating that is no curve\n    where:     rating R1, row 2\n"),
        (
            ["R1,1,2,1,5", "R1,1,2,1,6"],
            "at least two flows, each once\n    found:     the flows 1, 1\n",
        ),
        (["R1,1,2,1,5", "R1,1.0,3,2,6"], "one x and y in all of its rows\n    found:     1 2, 1.0 3\n"),
        (["R2,1,2,1,5", "R1,1,2,2,6", "R1,1,2,1,6.5", "R2,1,2,2,5"], "where:     rating R1, rows 3, 4\n"),
        (["R1,1,2,2,4", "R1,1,2,1,5"], "found:     by flow, the levels 5, 4\n"),
        (["R1,1,2,-1,5", "R1,1,2,2,6"], "flow_m3s: negative\n    where:     row 2\n"),
        (["R1,1,2,low,5", "R1,1,2,2,6"], "flow_m3s: no number\n    where:     row 2\n"),
        ([",1,2,1,5", ",1,2,2,6"], "rating_id: missing\n    where:     rows 2, 3\n"),
    ],
)
def test_a_rating_that_cannot_be_right_is_refused(table, tmp_path, rows, problem):
    with pytest.raises(InputError, match="table") as raised:
        read_ratings(table("\n".join([RATINGS, *rows]) + "\n"), tmp_path, UTM)

    assert problem in str(raised.value)
    assert str(raised.value).startswith("table.csv: 1 problem\n")


def test_one_place_written_in_two_ways_is_one(table, tmp_path):
    rows = ["R1,500000,0,1,5", "R1,500000.0,0.00,2,6"]

    assert len(read_ratings(table("\n".join([RATINGS, *rows]) + "\n"), tmp_path, UTM).frame) == 2


SECTIONS = "section_id,x,y,flow_m3s,width_m,depth_m"


def test_sections_are_read_as_they_are(table, tmp_path):
    read = read_sections(table(f"{SECTIONS}\nP2,500000,0,0.8,6.5,0.31\nP1,500500,0,1.1,4,0.5\n"), tmp_path, UTM)

    assert read.frame["section_id"].tolist() == ["P2", "P1"]
    assert read.frame[["flow_m3s", "width_m", "depth_m"]].to_numpy().tolist() == [
        [0.8, 6.5, 0.31],
        [1.1, 4.0, 0.5],
    ]
    np.testing.assert_array_equal(read.frame.geometry.x, [500000, 500500])
    assert read.lineage["name"] == "sections"


def test_all_that_is_wrong_with_sections_is_said_at_once(table, tmp_path):
    rows = ["P1,1,2,0,6,0.3", "P1,1,2,1,-6,0.3", "P3,1,2,1,6,0"]
    with pytest.raises(InputError, match="table") as raised:
        read_sections(table("\n".join([SECTIONS, *rows]) + "\n"), tmp_path, UTM)

    notes = str(raised.value)
    assert "flow_m3s: not above 0\n    where:     row 2\n" in notes
    assert "width_m: not above 0\n    where:     row 3\n" in notes
    assert "depth_m: not above 0\n    where:     row 4\n" in notes
    assert "section_id: more than once\n    where:     rows 2, 3\n" in notes
    with pytest.raises(InputError, match=r"the section table lacks columns(.|\n)*fix:       add depth_m;"):
        read_sections(table("section_id,x,y,flow_m3s,width_m\n"), tmp_path, UTM)
