"""Whole ways of conduits in a small valley: what they cost by their parts, and what mirrors and order change."""

import conduit_terms
import numpy as np
import pandas as pd
import pytest

from sitefinder.siting.conduits import (
    BARRED,
    LEFT,
    PARTS,
    RIGHT,
    ROAD,
    STRAIGHT,
    Ground,
    find_conduits,
)

CELL_M = 10.0
ROWS, COLUMNS = 19, 26
LIMITS = conduit_terms.LIMITS._replace(max_detour=1.4)
PRICES = conduit_terms.PRICES
# What a way is made of, and the price of each.
PRICED = {
    "canal_length_m": "canal_per_m",
    "penstock_length_m": "penstock_per_m",
    "cut_m2": "cut_per_m2",
    "cut_m3": "cut_per_m3",
    "bench_m": "bench_per_m",
    "aqueduct_length_m": "aqueduct_per_m",
    "crossings": "per_crossing",
    "road_crossings": "per_road",
}


# A valley whose stream runs east along the middle row, 2 % steep, between sides of which the southern is steeper;
# a gully comes down on both, and a road crosses them.
def valley(bars=None):
    rows, columns = np.mgrid[:ROWS, :COLUMNS]
    north_m, south_m = np.maximum(8.5 - rows, 0.0), np.maximum(rows - 9.5, 0.0)
    height_m = 100.0 - 0.2 * columns + 1.1 * north_m + 2.0 * south_m
    height_m -= np.where(np.abs(columns - 12) < 2, np.minimum(1.5, north_m + south_m), 0.0)
    link = np.full((ROWS, COLUMNS), -1, dtype=np.int32)
    link[9] = 0
    obstacle = np.zeros((ROWS, COLUMNS), dtype=np.uint8)
    obstacle[:, 16] = ROAD
    if bars is not None:
        obstacle[bars] |= BARRED
    return Ground(height_m.astype(np.float32), link, obstacle, 2000.0, 5000.0, CELL_M, CELL_M)


def stations(row=9.0):
    columns = np.arange(3.0, 23.0)
    return pd.DataFrame(
        {
            "x_m": 2000.0 + (columns + 0.5) * CELL_M,
            "y_m": 5000.0 - (row + 0.5) * CELL_M,
            "downstream": [*range(1, 20), -1],
            "link": 0,
            "to_downstream_m": [*[CELL_M] * 19, 0.0],
            "level_m": 100.0 - 0.2 * columns,
        }
    )


INTAKE, TAILRACE = [0, 0, 4], [17, 12, 18]


@pytest.fixture(scope="module")
def ways():
    return find_conduits(valley(), stations(), INTAKE, TAILRACE, LIMITS, PRICES)


def length_m(line):
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def test_a_way_costs_what_its_parts_cost_at_their_prices(ways):
    cost = sum(ways.table[part] * getattr(PRICES, price) for part, price in PRICED.items())

    assert (ways.table["route"] == RIGHT).all()
    assert ways.table["cost"].to_numpy() == pytest.approx(cost.to_numpy())
    assert ways.table["road_crossings"].tolist() == [1, 0, 1]
    assert (ways.table["headrace_length_m"] > 0).all()
    whole = ways.table["canal_length_m"] + ways.table["aqueduct_length_m"] + ways.table["tunnel_length_m"]
    assert whole.to_numpy() == pytest.approx(ways.table["headrace_length_m"].to_numpy())


def test_the_line_of_a_way_leads_from_the_intake_to_the_powerhouse_and_is_as_long_as_its_parts(ways):
    places = stations()[["x_m", "y_m"]].to_numpy()
    for number, line in enumerate(ways.lines):
        way = ways.table.iloc[number]
        assert line[[0, -1]] == pytest.approx(places[[INTAKE[number], TAILRACE[number]]])
        assert length_m(line[:-1]) == pytest.approx(way["headrace_length_m"])
        # The penstock falls from the canal's end to the powerhouse.
        fall_m = 0.2 * (TAILRACE[number] - INTAKE[number]) - LIMITS.grade * way["headrace_length_m"]
        assert way["penstock_length_m"] == pytest.approx(np.hypot(length_m(line[-2:]), fall_m))
        assert (np.diff(line[:-1, 0]) > 0).all()


def test_ways_do_not_depend_on_the_order_of_candidates_nor_on_the_others_of_their_intake(ways):
    turned = find_conduits(valley(), stations(), INTAKE[::-1], TAILRACE[::-1], LIMITS, PRICES)
    alone = find_conduits(valley(), stations(), INTAKE[2:], TAILRACE[2:], LIMITS, PRICES)

    pd.testing.assert_frame_equal(turned.table[::-1].reset_index(drop=True), ways.table)
    pd.testing.assert_frame_equal(alone.table, ways.table[2:].reset_index(drop=True))
    for one, other in zip([*turned.lines[::-1], *alone.lines], [*ways.lines, ways.lines[2]], strict=True):
        assert one.tolist() == other.tolist()


def test_in_the_mirrored_valley_the_way_lies_on_the_other_bank_and_costs_the_same(ways):
    ground = valley()
    mirrored = ground._replace(
        **{name: getattr(ground, name)[::-1].copy() for name in ("elevation_m", "link", "obstacle")}
    )

    table = find_conduits(mirrored, stations(), INTAKE, TAILRACE, LIMITS, PRICES).table

    assert (ways.table["bank"] == "right").all()
    assert (table["bank"] == "left").all()
    assert (table["route"] == LEFT).all()
    # But for places on the edge of two cells, which count for the southern one.
    assert table["cost"].to_numpy() == pytest.approx(ways.table["cost"].to_numpy(), rel=0.01)


def test_a_lake_on_the_better_bank_sends_the_way_to_the_other_at_a_higher_cost(ways):
    barred = find_conduits(
        valley((slice(10, 19), slice(9, 12))), stations(), INTAKE, TAILRACE, LIMITS, PRICES
    ).table

    assert (barred["bank"] == "left").all()
    assert (barred["cost"] > ways.table["cost"]).all()


def test_a_valley_narrower_than_its_cells_is_unresolved_at_that_powerhouse_alone():
    ground = valley()
    # Beside the last powerhouse, walls.
    ground.elevation_m[[8, 10], 18:] += 20.0

    table = find_conduits(ground, stations(), INTAKE, TAILRACE, LIMITS, PRICES).table

    assert table["unresolved"].tolist() == [True, False, True]
    assert (table["route"] > 0).tolist() == [False, True, False]
    assert table["cost"].isna().tolist() == [True, False, True]


def test_a_table_of_conduits_says_first_which_way_each_goes(ways):
    assert ways.table.columns.tolist() == ["route", "bank", "unresolved", "cost", *PARTS]


# On ground that falls away from the intake faster than any canal, no contour leads on: the pipe goes all along.
@pytest.mark.parametrize("slope", [0.05, 0.2])
def test_a_pipe_all_along_is_the_straight_line_and_no_way_along_a_bank(slope):
    ground = valley()
    falling = ground._replace(
        elevation_m=(99.5 - slope * np.mgrid[:ROWS, :COLUMNS][1]).astype(np.float32),
        link=np.full_like(ground.link, -1),
    )

    found = find_conduits(falling, stations(), [0, 0], [17, 12], LIMITS, PRICES._replace(penstock_per_m=100.0))

    assert (found.table["route"] == STRAIGHT).all()
    assert (found.table["headrace_length_m"] == 0.0).all()
    # From the intake 3.4 and 2.4 m down, 170 and 120 m away.
    assert found.table["penstock_length_m"].to_numpy() == pytest.approx(np.hypot([170.0, 120.0], [3.4, 2.4]))
