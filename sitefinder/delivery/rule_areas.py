"""The areas in which rules act, for maps: of rules alone whose features may be published exactly."""

import geopandas
import numpy as np
import shapely

from sitefinder.delivery.checking import checked_table
from sitefinder.rules.confidentiality import doubt_of_features
from sitefinder.rules.overlaps import acting_areas
from sitefinder.schema import empty_table

EXACT = "exact"


def find_rule_shapes(rule):
    """The areas of one rule's features; the stage runs once for each rule.

    Parameters
    ----------
    rule : sitefinder.steps.scope.ScopedRule

    Returns
    -------
    GeoDataFrame or None
        ``rule``, ``action``, ``effect`` (as set), ``feature_id`` and ``doubt``, and as geometry each feature that
        the rule's filter selects or may select, with its buffer. None of a rule that is generalised or hidden, so
        that no result beyond the overlaps holds its places.
    """
    own, frame, _, match = rule
    if own.publish != EXACT or match is None:
        return None
    chosen, areas = acting_areas(frame, own, match)
    shown = {
        "rule": own.name,
        "action": own.action,
        "effect": own.effect,
        "feature_id": chosen["feature_id"].to_numpy(dtype=object),
        "doubt": doubt_of_features(match.category_missing[match.selected | match.category_missing]),
    }
    parts = [shapely.multipolygons(shapely.get_parts(area)) for area in areas]
    return geopandas.GeoDataFrame(shown, geometry=np.array(parts, dtype=object), crs=frame.crs)


def rule_shapes(found):
    """The areas of every rule that has some, in the order of the settings."""
    return [each for each in found.values() if each is not None and len(each)]


def make_rule_areas(settings, rule_shapes):
    """The ``rule_areas`` layer."""
    crs = settings.run.crs
    if not rule_shapes:
        return empty_table("rule_areas", crs)
    columns = {name: np.concatenate([each[name].to_numpy() for each in rule_shapes]) for name in rule_shapes[0]}
    geometry = columns.pop("geometry")
    return checked_table(geopandas.GeoDataFrame(columns, geometry=geometry, crs=crs), "rule_areas", crs)
