"""Conduits of several intakes found together: the same as alone, over each other's streams, to the last vertex."""

import math

import conduit_terms
import numpy as np
import pandas as pd
import pytest

from sitefinder.siting.conduits import (
    BARRED,
    BEST,
    COST,
    END,
    FIELD,
    HELD,
    MOVES,
    NO_ROUTE,
    OWNER,
    TARGET,
    WAY,
    WORTHWHILE_SEARCH,
    Ground,
    _look_from_all,
    find_conduits,
)

CELL_M = 10.0
LIMITS = conduit_terms.LIMITS._replace(max_detour=1.2)
PRICES = conduit_terms.PRICES._replace(cut_per_m2=400.0, cut_per_m3=200.0)


def test_moves_over_the_lattice_lead_to_the_sixteen_nearest_places_of_other_directions():
    near = range(-2, 3)
    expected = {(down, across) for down in near for across in near if math.gcd(down, across) == 1}

    assert len(MOVES) == 16
    assert set(MOVES) == expected


# A valley that winds to the east, 2 % steep, with a stream that joins from the north half way; its sides are even.
ROWS, COLUMNS, JOINS = 20, 34, 15


def middle(columns):
    return 10.0 + 1.5 * np.sin(columns / 4.0)


def valley():
    rows, columns = np.mgrid[:ROWS, :COLUMNS]
    height_m = 100.0 - 0.2 * columns + 1.2 * np.abs(rows - middle(columns))
    link = np.full((ROWS, COLUMNS), -1, dtype=np.int32)
    every = np.arange(COLUMNS)
    link[np.floor(middle(every) + 0.5).astype(int), every] = np.where(every < JOINS, 1, 2)
    link[: int(middle(JOINS)), JOINS] = 0
    obstacle = np.zeros((ROWS, COLUMNS), dtype=np.uint8)
    return Ground(height_m.astype(np.float32), link, obstacle, 2000.0, 5000.0, CELL_M, CELL_M)


# Five stations of the stream from the north, then those of the river: link 0, then 1 and, from where they join, 2.
def stations():
    river = np.arange(2.0, 32.0)
    row, column = np.append(np.arange(2.0, 7.0), middle(river)), np.append(np.full(5, float(JOINS)), river)
    above = int((river < JOINS).sum())
    downstream = np.append(np.arange(1, len(row)), -1)
    downstream[4] = 5 + above
    # Water as high as the ground.
    level_m = 100.0 - 0.2 * column + 1.2 * np.abs(row - middle(column))
    step_m = np.zeros(len(row))
    known = downstream >= 0
    step_m[known] = CELL_M * np.hypot(
        row[downstream[known]] - row[known], column[downstream[known]] - column[known]
    )
    return pd.DataFrame(
        {
            "x_m": 2000.0 + (column + 0.5) * CELL_M,
            "y_m": 5000.0 - (row + 0.5) * CELL_M,
            "downstream": downstream,
            "link": np.repeat([0, 1, 2], [5, above, len(river) - above]),
            "to_downstream_m": step_m,
            "level_m": level_m,
        }
    )


# From the stream of the north, and from two places of the river above it.
INTAKE, TAILRACE = [0, 5, 5, 8], [20, 28, 24, 30]


@pytest.fixture(scope="module")
def together():
    return find_conduits(valley(), stations(), INTAKE, TAILRACE, LIMITS, PRICES)


def test_the_conduits_of_an_intake_are_the_same_whatever_other_intakes_there_are(together):
    assert (together.table["route"] != NO_ROUTE).all()
    # Long enough lines that they outgrow the room that there is at first for all of them.
    assert sum(len(line) for line in together.lines) > 8 * len(INTAKE) + 8
    for number in range(len(INTAKE)):
        alone = find_conduits(valley(), stations(), [INTAKE[number]], [TAILRACE[number]], LIMITS, PRICES)
        assert alone.table.iloc[0].to_dict() == together.table.iloc[number].to_dict()
        assert alone.lines[0].tolist() == together.lines[number].tolist()


def test_from_the_river_a_canal_crosses_the_stream_that_was_the_own_river_of_another_intake(together):
    # The bank without a tributary barred, so that canals cross it.
    ground = valley()
    rows = np.arange(ROWS)[:, None]
    ground.obstacle[rows > middle(np.arange(COLUMNS)) + 1.5] = BARRED

    found = find_conduits(ground, stations(), INTAKE, TAILRACE, LIMITS, PRICES).table
    alone = find_conduits(ground, stations(), INTAKE[1:], TAILRACE[1:], LIMITS, PRICES).table

    assert (found["bank"] == "left").all()
    pd.testing.assert_frame_equal(found[1:].reset_index(drop=True), alone)
    assert (found["crossings"][1:] >= 1).all()
    assert (found["cost"][1:] > together.table["cost"][1:]).all()


def test_what_number_a_link_has_makes_no_difference_to_conduits(together):
    ground, places = valley(), stations()
    ground.link[ground.link >= 0] += 3
    places["link"] += 3

    found = find_conduits(ground, places, INTAKE, TAILRACE, LIMITS, PRICES)

    pd.testing.assert_frame_equal(found.table, together.table)
    assert [line.tolist() for line in found.lines] == [line.tolist() for line in together.lines]


# A straight valley with sides of 1 m a cell, the river 0.25 m lower in each: all heights are held exactly.
def narrow(grade, min_valley_cells, tailrace):
    rows, columns = np.mgrid[:21, :24]
    height_m = 100.0 - 0.25 * columns + np.abs(rows - 10.0)
    link = np.full(rows.shape, -1, dtype=np.int32)
    link[10] = 0
    ground = Ground(
        height_m.astype(np.float32), link, np.zeros(rows.shape, dtype=np.uint8), 0.0, 1000.0, CELL_M, CELL_M
    )
    column = np.arange(20.0)
    course = pd.DataFrame(
        {
            "x_m": (column + 0.5) * CELL_M,
            "y_m": 1000.0 - 10.5 * CELL_M,
            "downstream": [*range(1, 20), -1],
            "link": 0,
            "to_downstream_m": [*[CELL_M] * 19, 0.0],
            "level_m": 100.0 - 0.25 * column,
        }
    )
    limits = LIMITS._replace(grade=grade, min_valley_cells=min_valley_cells, max_side_slope=0.01)
    return find_conduits(ground, course, [0], [tailrace], limits, PRICES).table["unresolved"].tolist() == [True]


@pytest.mark.parametrize(
    ("grade", "cells", "tailrace", "is_unresolved"),
    [
        # Twelve cells down the canal is 3 m above the river: 6 cells from side to side.
        (0.0, 6.0, 12, False),
        (0.0, 6.25, 12, True),
        # 120 m of 0.5 % are 0.6 m: 2.4 m above it, and 2.5 cells to each side to a quarter of a cell.
        (0.005, 5.0, 12, False),
        (0.005, 5.25, 12, True),
        (0.0, 6.0, 11, True),
    ],
)
def test_a_valley_is_resolved_that_is_wide_enough_at_the_level_that_the_canal_has_there(
    grade, cells, tailrace, is_unresolved
):
    assert narrow(grade, cells, tailrace) == is_unresolved


# Half a lattice of five by five places around cell (6, 6): places 0, 1 and 2 to the east of the intake, one to the
# south of it, with what the search may know of them.
COSTS = {12: 0.0, 13: 3_000.0, 17: 3_100.0, 14: 6_000.0}


def looked(best=1e6, *, level_m=95.0, costs=COSTS, grade=0.0, row=6.0, column=12.0, pipe_per_m=650.0):
    ground = np.full((20, 20), 100.0, dtype=np.float32)
    link = np.full(ground.shape, -1, dtype=np.int32)
    maps = ground, link, np.zeros(ground.shape, dtype=np.uint8), np.array([True])
    # Cells of 10 m to the east and 5 m to the south.
    limits = np.array([*LIMITS, 10.0, 5.0])
    limits[0] = grade
    price = np.array([300.0, 650.0, 50.0, 20.0, 70.0, 900.0, math.inf, 5e3, 4e3, math.inf])
    targets, field = np.zeros((1, TARGET)), np.zeros((25, FIELD))
    targets[0] = (row, column, level_m, pipe_per_m, best, -1.0, np.inf, 0.0)
    for place, cost in costs.items():
        field[place, COST], field[place, WAY] = cost, cost / 300.0
    reached = np.array(list(costs), dtype=np.int32)
    _look_from_all(
        maps, limits, price, 1.0, 2, 6.0, 6.0, 100.0, targets, 0, field, reached, len(costs), np.zeros(HELD)
    )
    assert targets[0, OWNER] == 0.0
    return targets[0, BEST], int(targets[0, END])


def test_of_all_places_reached_the_one_from_which_canal_and_pipe_together_are_cheapest_is_taken():
    # By hand: 6000 and a pipe of 40 m that falls 5 m, which is less than from any nearer place.
    assert looked() == (pytest.approx(6_000.0 + 650.0 * math.hypot(40.0, 5.0), rel=1e-6), 14)
    # To the south the place in that direction is the best, 20 m above the powerhouse.
    found, place = looked(row=11.0, column=6.0)
    assert (found, place) == (pytest.approx(3_100.0 + 650.0 * math.hypot(20.0, 5.0), rel=1e-6), 17)
    # To the north and the west as well: distances have no sign.
    assert looked(row=3.0, column=12.0)[1] == 14
    assert looked(row=6.0, column=0.0, costs={12: 0.0, 11: 3_000.0, 10: 6_000.0})[1] == 10


def test_from_the_intake_itself_no_pipe_is_looked_for_and_none_that_saves_too_little():
    assert looked(costs={12: 0.0}) == (1e6, -1)
    total = 6_000.0 + 650.0 * math.hypot(40.0, 5.0)
    # What saves 7 % is taken, and what saves less is not.
    assert looked(best=1.001 * total / WORTHWHILE_SEARCH)[1] == 14
    assert looked(best=0.999 * total / WORTHWHILE_SEARCH)[1] == -1
    # Water flows down: what 20 m of canal at 10 % leave of a fall is the pipe's; where they leave none there is no
    # way from there.
    assert looked(level_m=100.0)[1] == -1
    assert looked(level_m=98.5, grade=0.1)[1] == 13
    assert looked(level_m=98.0, grade=0.1, costs={12: 0.0, 14: 6_000.0})[1] == -1
    assert looked(level_m=97.9, grade=0.1, costs={12: 0.0, 14: 6_000.0})[1] == 14
