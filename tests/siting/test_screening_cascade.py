"""The screening cascade of potential on a handful of reaches, every figure worked out by hand."""

import numpy as np
import pandas as pd
import pytest

from sitefinder.rules.verdicts import Held
from sitefinder.settings import RuleSettings
from sitefinder.siting.potential import Step, rule_steps, screening_cascade


def step(kind, met, barred=None, **names):
    met = np.isin(np.arange(4), met)
    return Step(kind, met, met if barred is None else np.isin(np.arange(4), barred), **names)


# Four reaches; the third has no potential, and the fourth lies half in the north and half outside.
LENGTH_M = np.array([1000.0, 500.0, 500.0, 2000.0])
POWER_KW = np.array([100.0, 200.0, np.nan, 400.0])
SHARES = pd.DataFrame(
    {
        "reach": [0, 1, 2, 3, 3],
        "district": ["North", "South", "South", "North", ""],
        "length_m": [1000.0, 500.0, 500.0, 1000.0, 1000.0],
    }
)
STEPS = [
    step("everything", [0, 1, 2, 3], []),
    step("standing water", [2]),
    step("rule", [0, 2], rule="park", action="exclude"),
    step("rule", [0, 3], [], rule="stem", action="fish_safe_only"),
    step("rule", [0, 1], [1], rule="birds", action="exclude"),
]


# Rows of one area and way, by step.
def rows_of(scope, way, district=""):
    table = screening_cascade(STEPS, LENGTH_M, POWER_KW, SHARES)
    mine = (table["scope"] == scope) & (table["way"] == way) & (table["district"] == district)
    return table[mine].set_index("step")


def amounts(row, prefix):
    return tuple(row[f"{prefix}_{name}"] for name in ("reaches", "km", "mw"))


def test_in_order_each_step_counts_what_the_ones_before_it_leave():
    rows = rows_of("region", "in order")

    assert amounts(rows.loc[0], "remaining") == (4, 4.0, pytest.approx(0.7))
    assert amounts(rows.loc[1], "excluded") == (1, 0.5, 0.0)
    assert amounts(rows.loc[2], "affected") == amounts(rows.loc[2], "excluded") == (1, 1.0, pytest.approx(0.1))
    assert amounts(rows.loc[3], "affected") == (1, 2.0, pytest.approx(0.4))
    assert amounts(rows.loc[3], "excluded") == (0, 0.0, 0.0)
    assert amounts(rows.loc[4], "affected") == amounts(rows.loc[4], "excluded") == (1, 0.5, pytest.approx(0.2))
    assert amounts(rows.loc[4], "remaining") == (1, 2.0, pytest.approx(0.4))
    # 400 kW all 8760 hours of the year.
    assert rows.loc[4, "remaining_gwh"] == pytest.approx(3.504)


def test_alone_each_rule_counts_among_all_reaches_and_other_steps_have_no_row():
    rows = rows_of("region", "alone")

    assert rows.index.tolist() == [2, 3, 4]
    assert amounts(rows.loc[2], "excluded") == (2, 1.5, pytest.approx(0.1))
    assert amounts(rows.loc[2], "remaining") == (2, 2.5, pytest.approx(0.6))
    assert amounts(rows.loc[4], "affected") == (2, 1.5, pytest.approx(0.3))
    assert amounts(rows.loc[4], "excluded") == (1, 0.5, pytest.approx(0.2))
    assert amounts(rows.loc[4], "remaining") == (3, 3.5, pytest.approx(0.5))


def test_a_reach_across_a_border_is_shared_by_length_and_counts_on_both_sides():
    areas = [("region", ""), ("district", "North"), ("district", "South"), ("outside districts", "")]

    left = [amounts(rows_of(scope, "in order", district).loc[4], "remaining") for scope, district in areas]

    half = (1, 1.0, pytest.approx(0.2))
    assert left == [(1, 2.0, pytest.approx(0.4)), half, (0, 0.0, 0.0), half]
    whole = [amounts(rows_of(scope, "in order", district).loc[0], "remaining") for scope, district in areas]
    north, south = (2, 2.0, pytest.approx(0.3)), (2, 1.0, pytest.approx(0.2))
    assert whole == [(4, 4.0, pytest.approx(0.7)), north, south, half]


def test_without_districts_there_is_the_region_alone():
    assert set(screening_cascade(STEPS, LENGTH_M, POWER_KW, None)["scope"]) == {"region"}


RULES = [
    RuleSettings(name=action, path="a.gpkg", action=action)
    for action in ("exclude", "conditional", "fish_safe_only", "note")
]


# Reach 0 is under every rule, of reach 1 no layer says, reach 2 is free.
def steps_with(allow):
    holds, unknown = (np.tile(np.arange(3) == reach, (4, 1)) for reach in (0, 1))
    held = Held(holds, unknown, unknown, np.zeros_like(unknown))
    return rule_steps(RULES, held, allow)


@pytest.mark.parametrize(
    ("allow", "excluded"),
    [
        ([], [[0, 1], [0, 1], [1], []]),
        (["unknown"], [[0], [0], [], []]),
        (["conditional"], [[0, 1], [1], [1], []]),
        (["unknown", "conditional"], [[0], [], [], []]),
    ],
)
def test_a_rule_bars_what_it_excludes_and_what_is_conditional_or_unknown_unless_allowed(allow, excluded):
    steps = steps_with(allow)

    assert [np.flatnonzero(each.barred).tolist() for each in steps] == excluded
    assert all(np.flatnonzero(each.met).tolist() == [0, 1] for each in steps)
    assert [(each.rule, each.action) for each in steps] == [(rule.name, rule.action) for rule in RULES]
