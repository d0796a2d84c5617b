"""Tables and layers of decisions: what is read, and every fault of a table at once."""

import geopandas
import pytest
import shapely

from sitefinder.errors import InputError
from sitefinder.io.decisions import read_decisions
from sitefinder.settings import DecisionSource

CRS = "EPSG:32633"
HEAD = "decision_id,decision,scheme_type,reach_id,x,y,author,date,valid_until,justification,head_m,rule_verdict\n"


@pytest.fixture
def read(tmp_path):
    def of(text, **settings):
        (tmp_path / "decisions.csv").write_text(text, encoding="utf-8")
        source = DecisionSource(path="decisions.csv", crs=CRS, **settings)
        return read_decisions(source, tmp_path, CRS)

    return of


def test_a_table_gives_decisions_with_places_and_without(read):
    text = HEAD + "K1,keep,,,500100,5000000,A. Author,2026-01-10,2027-12-31,Letter 12,2.5,excluded\n"
    text += "D1,drop,,S1@50,,,B. Author,2026-02-01,,Spawning,,open\n"

    found = read(text, on_date="2026-05-31")

    frame = found.frame
    assert frame["decision_id"].tolist() == ["K1", "D1"]
    assert frame["geometry"].tolist() == [shapely.Point(500100, 5000000), None]
    assert frame["head_m"].tolist() == [2.5, pytest.approx(float("nan"), nan_ok=True)]
    assert found.lineage["crs"].startswith(CRS)


def test_a_layer_of_points_gives_the_same(tmp_path):
    columns = {"decision_id": ["K1"], "decision": ["keep"], "author": ["A"], "date": ["2026-01-10"]}
    frame = geopandas.GeoDataFrame(columns | {"justification": ["J"]}, geometry=[shapely.Point(1, 2)], crs=CRS)
    frame.to_file(tmp_path / "d.gpkg", layer="d")

    found = read_decisions(DecisionSource(path="d.gpkg"), tmp_path, CRS).frame

    assert found[["decision_id", "decision", "valid_until", "reach_id"]].iloc[0].tolist() == ["K1", "keep", "", ""]
    assert found["geometry"].tolist() == [shapely.Point(1, 2)]


def test_every_fault_of_a_table_is_said_at_once_with_where_expected_found_and_fix(read):
    rows = (
        "K1,kep,,,1,2,A,2026-01-10,,J,,",
        "K1,pin,weir,,1,2,A,2026-01-10,,J,,",
        "K3,keep,diversion,,1,2,,10.1.2026,,,,",
        "K4,keep,,,1,,A,2026-01-10,2026-02-30,J,high,barred",
        "K5,keep,,,,,A,2026-01-10,2026-01-09,J,-1,",
        "K6,keep,,S1@50,,,A,2026-01-10,,J,,",
        "K;7,keep,,,1,2,A,2026-01-10,2027-01-01,J,,",
    )

    with pytest.raises(InputError, match=r"decisions\.csv: 16 problems") as caught:
        read(HEAD + "\n".join(rows) + "\n")

    text = str(caught.value)
    for words in (
        "decision_id: more than once\n    where:     rows 2, 3\n    expected:  an id of its own for each\n"
        "    found:     'K1'",
        "decision: not a known word\n    where:     row 2\n    expected:  drop, keep, pin\n    found:     'kep'",
        "scheme_type: a decision that pins one must name it\n    where:     row 3",
        "scheme_type: only a decision that pins states it\n    where:     row 4",
        "author: missing\n    where:     row 4",
        "justification: missing\n    where:     row 4",
        "date: no day\n    where:     row 4",
        "valid_until: no day\n    where:     row 5",
        "valid_until: before the day of the decision\n    where:     row 6",
        "the settings do not say for which day decisions must be valid\n    where:     rows 6, 8",
        "head_m: no height\n    where:     rows 5, 6\n    expected:  the gross head of the reach in metres",
        "rule_verdict: not a known verdict\n    where:     row 5",
        "x and y: no place\n    where:     row 5",
        "a decision names neither a reach nor a place\n    where:     row 6",
        "nothing by which to see whether it is still the same\n    where:     row 7",
        "decision_id: holds ;\n    where:     row 8",
    ):
        assert words in text
    assert text.count("fix:") == 16


def test_a_table_without_its_columns_is_refused(read):
    with pytest.raises(InputError, match="the table of decisions lacks columns") as caught:
        read("id,verdict\nK1,keep\n")

    assert "add decision_id, decision, author, date, justification" in str(caught.value)
