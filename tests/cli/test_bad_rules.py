"""What the command says of rules whose layer or filter is wrong, and that an empty layer passes only if it may."""

import geopandas
import numpy as np
import pyogrio
import pytest
import shapely

from sitefinder.settings import RuleSettings

UTM = "EPSG:32633"
RULE = """
[[rules]]
name = "reserve"
path = "reserves.gpkg"
action = "exclude"
"""
ELSEWHERE = """\
the rule reserve layer is not in this region
  file:      reserves.gpkg, layer "reserves"
  expected:  features between 500000, 4998800 and 500800, 5000000
  found:     features between 600000, 4999400 and 600900, 4999500, from EPSG:32633
  fix:       check the layer's coordinate system, or name the layer of this region
"""
EMPTY = """\
the rule reserve layer is empty
  file:      reserves.gpkg, layer "reserves"
  expected:  at least one feature
  found:     no features
  fix:       name another layer; for a rule that may be without features, set may_be_empty = true
"""
NO_COLUMN = """\
the layer of rule reserve has no column zome
  file:      reserves.gpkg
  where:     character 18 of kind = 'core' or zome < 3
  expected:  the column that the rule filters by
  found:     columns kind, zone, feature_id, feature_name
  fix:       did you mean zone?
"""
NOT_READ = """\
settings.toml: 1 problem
  rules[1].where: at character 12: expected AND, OR, =, <>, <, <=, >, >=, BETWEEN, IN, LIKE, IS NULL or the end \
(found core)
"""
OLD_SPELLING = """\
settings.toml: 1 problem
  rules[1].where: at character 6: expected <>, as CQL2 writes it (found !=)
"""
NO_AREA = """\
the area of rule reserve layer's file does not exist
"""


@pytest.fixture
def with_rule(region):
    """A function that gives the region a rule with a layer of one square, or of none."""

    def write(setting="", *, count=1, moved_m=0.0):
        shape = shapely.box(500_000 + moved_m, 4_999_400, 500_900 + moved_m, 4_999_500)
        columns = {"kind": ["core"][:count], "zone": np.array([2][:count], dtype=np.int64)}
        frame = geopandas.GeoDataFrame(columns, geometry=[shape][:count], crs=UTM)
        pyogrio.write_dataframe(frame, region.folder / "reserves.gpkg", layer="reserves", geometry_type="Polygon")
        path = region.folder / "settings.toml"
        path.write_text(path.read_text(encoding="utf-8") + RULE + setting, encoding="utf-8")

    return write


@pytest.mark.parametrize("verb", ["run", "check"])
@pytest.mark.parametrize(
    ("setting", "layer", "message"),
    [
        ("", {"moved_m": 100_000.0}, ELSEWHERE),
        ("", {"count": 0}, EMPTY),
        ("where = \"kind = 'core' or zome < 3\"\n", {}, NO_COLUMN),
        ("where = \"kind = 'a' core\"\n", {}, NOT_READ),
        ("where = \"kind != 'a'\"\n", {}, OLD_SPELLING),
        ('covered_by = { path = "surveyed.gpkg" }\n', {}, NO_AREA),
    ],
    ids=["elsewhere", "empty", "no such column", "no filter", "old spelling", "no such area"],
)
def test_a_wrong_rule_is_refused_before_anything_is_done(
    region, command, with_rule, verb, setting, layer, message
):
    with_rule(setting, **layer)
    before = region.contents()

    outcome = command(*([verb, "--quiet", "settings.toml"] if verb == "run" else [verb, "settings.toml"]))

    assert (outcome.status, outcome.out) == (2, "")
    assert outcome.err.startswith(message)
    assert region.contents() == before


@pytest.mark.parametrize("layer", [{"moved_m": 100_000.0}, {"count": 0}])
def test_an_empty_or_distant_layer_passes_where_that_is_said_to_be_right(command, with_rule, layer):
    with_rule("may_be_empty = true\n", **layer)

    assert command("check", "settings.toml").status == 0


def test_rules_are_read_as_they_are_written():
    rule = RuleSettings(name="a", path="a.gpkg", action="note", covered_by={"path": "b.gpkg", "layer": "c"})

    assert rule.covered_by.layer == "c"
    assert rule.display_name == "a"
