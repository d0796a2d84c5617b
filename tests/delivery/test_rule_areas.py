"""Areas of rules for maps: what their filters select, with buffers, and nothing of rules that are not exact."""

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.delivery.rule_areas import find_rule_shapes, make_rule_areas, rule_shapes
from sitefinder.rules.filters import Matching
from sitefinder.settings.rules import RuleSettings
from sitefinder.steps.scope import ScopedRule

CRS = "EPSG:32633"


class Run:
    """What `make_rule_areas` may see of the settings."""

    class run:
        crs = CRS


def rule(name="reserve", **changes):
    return RuleSettings(**{"name": name, "action": "exclude", "path": "rules.gpkg"} | changes)


def scoped(settings, shapes, selected, missing=None):
    frame = geopandas.GeoDataFrame(
        {"feature_id": [f"F{number}" for number in range(len(shapes))]}, geometry=shapes, crs=CRS
    )
    missing = np.zeros(len(shapes), dtype=bool) if missing is None else np.array(missing)
    return ScopedRule(settings, frame, None, Matching(np.array(selected), missing, []))


SQUARES = [shapely.box(at, 0.0, at + 10.0, 10.0) for at in (0.0, 100.0, 200.0)]


def areas_of(*rules):
    return make_rule_areas(Run, rule_shapes({one.settings.name: find_rule_shapes(one) for one in rules}))


def test_the_features_that_apply_or_may_apply_are_there_with_their_buffer():
    table = areas_of(scoped(rule(buffer_m=5.0), SQUARES, [True, False, False], [False, False, True]))

    assert table["feature_id"].tolist() == ["F0", "F2"]
    assert table["doubt"].tolist() == ["", "category missing"]
    assert set(table["action"]) == {"exclude"}
    # A square of 10 m with 5 m about it: 100 + 4 × 50 and a circle of 5 m.
    assert table.geometry.area.to_numpy() == pytest.approx(300.0 + np.pi * 25.0, rel=1e-3)
    assert set(table.geom_type) == {"MultiPolygon"}


@pytest.mark.parametrize("publish", ["generalised", "hidden"])
def test_a_rule_that_is_not_published_exactly_leaves_nothing_at_all(publish):
    secret = scoped(rule("eagle's nest", publish=publish), SQUARES, [True] * 3)
    shown = scoped(rule("meadow", action="no_diversion"), SQUARES[:1], [True])

    assert find_rule_shapes(secret) is None
    table = areas_of(secret, shown)

    assert table["rule"].tolist() == ["meadow"]
    assert "eagle" not in pd.DataFrame(table).to_string()
    assert not len(areas_of(secret))


def test_without_a_rule_the_layer_is_empty_and_in_the_coordinates_of_the_run():
    table = areas_of()

    assert len(table) == 0
    assert table.crs == CRS
