"""Which cells streams pass through, and who gets a cell that several pass through."""

import numpy as np
import pytest

from sitefinder.dem.grid import Grid, Window
from sitefinder.dem.priority_flood import NO_SEED
from sitefinder.dem.stream_cells import seeds_in, stream_cells

# Four rows of five cells of 10 m; north-western corner at (0, 40).
GRID = Grid(rows=4, columns=5, west_m=0.0, north_m=40.0, cell_width_m=10.0, cell_height_m=10.0)


# Stream cells of pieces given as (label, link, vertices); all links end at an outlet unless stated otherwise.
def cells_of(pieces, downstream_link=None, grid=GRID):
    start = np.cumsum([0] + [len(vertices) for _, _, vertices in pieces])
    places = np.array([place for _, _, vertices in pieces for place in vertices], dtype=float).reshape(-1, 2)
    link = np.array([link for _, link, _ in pieces], dtype=np.int32)
    if downstream_link is None:
        downstream_link = [-1] * (link.max() + 1)
    label = np.array([label for label, _, _ in pieces], dtype=np.int32)
    return stream_cells(
        start, places[:, 0], places[:, 1], label, link, np.array(downstream_link, dtype=np.int32), grid
    )


# The grid drawn: a digit for the station of a stream cell, a dot for the others.
def drawn(cells, grid=GRID):
    seed = seeds_in(cells, Window(0, 0, grid.rows, grid.columns))
    return ["".join("." if value == NO_SEED else str(value) for value in row) for row in seed]


def test_a_line_takes_every_cell_it_passes_through():
    cells = cells_of([(3, 0, [(5, 35), (45, 15)])])

    # The line falls 1 in 2: it crosses row borders at x = 15 and x = 35.
    assert drawn(cells) == [
        "33...",
        ".333.",
        "...33",
        ".....",
    ]


def test_a_line_through_corners_stays_connected_by_sides_and_goes_to_the_next_column_first():
    cells = cells_of([(3, 0, [(0, 40), (30, 10)])])

    assert drawn(cells) == [
        "33...",
        ".33..",
        "..33.",
        "...3.",
    ]


def test_a_line_may_run_in_any_direction_through_the_same_cells():
    for vertices in ([(4, 33), (46, 3)], [(46, 33), (4, 3)], [(25, 38), (25, 2)], [(2, 15), (48, 15)]):
        there = cells_of([(1, 0, vertices)])
        back = cells_of([(1, 0, vertices[::-1])])

        assert drawn(there) == drawn(back)


def test_a_cell_of_two_stations_goes_to_the_one_with_the_longer_run():
    # In column 2 (x 20..30) station 1 runs 7 m and station 2 runs 3 m.
    cells = cells_of([(1, 0, [(5, 25), (27, 25)]), (2, 0, [(27, 25), (45, 25)])])

    assert drawn(cells)[1] == "11122"
    assert cells.shared.empty


def test_runs_of_a_station_that_comes_back_into_a_cell_add_up():
    # Station 1 passes the cell x 20..30 twice, 4 m each time; station 2 passes it once with 6 m.
    loop = [(24, 35), (24, 26), (24, 35), (15, 35), (15, 25), (24, 25)]
    cells = cells_of([(1, 0, loop), (2, 0, [(24, 25), (45, 25)])])

    # In the cell of row 1, column 2: station 1 has 4 + 4 + 4 m, station 2 has 6 m.
    assert drawn(cells)[1][2] == "1"


def test_a_tie_goes_to_the_higher_station():
    cells = cells_of([(1, 0, [(5, 25), (25, 25)]), (2, 0, [(25, 25), (45, 25)])])

    assert drawn(cells)[1] == "11222"


def test_a_single_vertex_claims_its_cell_within_its_link():
    cells = cells_of([(0, 0, [(15, 25)]), (1, 0, [(15, 25), (45, 25)])])

    assert drawn(cells)[1] == ".0111"


def test_a_single_vertex_claims_nothing_from_another_link():
    cells = cells_of([(0, 0, [(15, 29)]), (1, 0, [(15, 29), (15, 35)]), (5, 1, [(5, 25), (45, 25)])])

    assert drawn(cells)[1] == "55555"


def test_a_confluence_belongs_to_the_link_below_it_however_short_its_run():
    # Links 0 and 1 meet at (29, 25); link 2 has 1 m in that cell.
    pieces = [(1, 0, [(5, 25), (29, 25)]), (2, 1, [(29, 5), (29, 25)]), (3, 2, [(29, 25), (45, 25)])]
    cells = cells_of(pieces, downstream_link=[2, 2, -1])

    assert drawn(cells) == [
        ".....",
        "11333",
        "..2..",
        "..2..",
    ]
    assert cells.shared.empty


def test_of_three_links_one_after_the_other_in_a_cell_the_lowest_wins():
    pieces = [(1, 0, [(5, 25), (22, 25)]), (2, 1, [(22, 25), (28, 25)]), (3, 2, [(28, 25), (45, 25)])]
    cells = cells_of(pieces, downstream_link=[1, 2, -1])

    assert drawn(cells)[1] == "11333"


def test_a_cell_shared_by_strangers_goes_to_the_longer_run_and_is_listed():
    # Two parallel streams: the second dips into the first one's cell for 2 + 2 m.
    cells = cells_of([(1, 0, [(5, 25), (45, 25)]), (2, 1, [(5, 15), (22, 15), (22, 22), (22, 15), (45, 15)])])

    assert drawn(cells)[1] == "11111"
    assert cells.shared.to_dict("records") == [
        {"row": 1, "column": 2, "label": 1, "link": 0, "other_label": 2, "other_link": 1, "is_sibling": False}
    ]


def test_links_that_lose_one_cell_are_listed_in_their_order_whatever_their_runs():
    # Of 7, 4 and 2 m in one cell.
    lines = [[(21, 25), (28, 25)], [(22, 22), (26, 22)], [(23, 28), (25, 28)]]

    shared = cells_of([(5, link, line) for link, line in enumerate(lines)]).shared

    assert shared["other_link"].to_dict() == {0: 1, 1: 2}


def test_siblings_that_meet_before_their_confluence_are_listed_as_siblings():
    pieces = [
        (1, 0, [(5, 25), (25, 25), (31, 25)]),
        (2, 1, [(24, 5), (24, 22), (31, 25)]),
        (3, 2, [(31, 25), (45, 25)]),
    ]
    cells = cells_of(pieces, downstream_link=[2, 2, -1])

    assert cells.shared[["row", "column", "is_sibling"]].to_numpy().tolist() == [[1, 2, True]]


def test_cells_beyond_the_grid_are_dropped_and_counted_by_piece():
    lines = [[(-15, 25), (25, 25)], [(25, 25), (75, 25)], [(75, 25), (75, 75)], [(35, 35), (35, 55)]]
    lines.append([(5, 5), (5, -5)])

    cells = cells_of([(number, 0, line) for number, line in enumerate(lines, start=1)])

    assert drawn(cells) == ["...4.", "11222", ".....", "5...."]
    # Piece 1: columns -2 and -1. Piece 2: columns 5, 6, 7. Piece 3: rows 1 to -4 in column 7. Piece 4: rows -1 and
    # -2 north of the grid. Piece 5: the row that follows on its last one.
    assert cells.outside.tolist() == [2, 3, 6, 2, 1]


def test_cells_come_sorted_and_once():
    generator = np.random.default_rng(3)
    places = generator.uniform(0, 40, size=(30, 2))
    pieces = [(number, 0, [places[number], places[number + 1]]) for number in range(29)]

    cells = cells_of(pieces)

    number = cells.row.astype(int) * GRID.columns + cells.column
    assert np.all(np.diff(number) > 0)


def test_a_wandering_line_is_connected_by_sides_and_touches_all_its_points():
    # Seeded: a path of many short and long steps, some along borders and through corners.
    generator = np.random.default_rng(11)
    grid = Grid(200, 200, -1000.0, 1000.0, 10.0, 10.0)
    places = np.cumsum(
        generator.integers(-20, 21, size=(400, 2)) * generator.choice([1.0, 2.5, 0.7], (400, 1)), axis=0
    )
    places = np.clip(places, -990, 990)

    cells = cells_of([(1, 0, places)], grid=grid)

    mask = seeds_in(cells, Window(0, 0, 200, 200)) == 1
    # Points densely on the line all lie in stream cells (away from borders, where either side would do).
    share = np.linspace(0, 1, 50)[None, :, None]
    dense = (places[:-1, None] * (1 - share) + places[1:, None] * share).reshape(-1, 2)
    column, row = (dense[:, 0] + 1000) / 10, (1000 - dense[:, 1]) / 10
    inside = (np.abs(column - np.round(column)) > 1e-6) & (np.abs(row - np.round(row)) > 1e-6)
    assert np.all(mask[row[inside].astype(int), column[inside].astype(int)])
    # Flooding by sides from one stream cell reaches all of them.
    reached = np.zeros_like(mask)
    waiting = [(int(cells.row[0]), int(cells.column[0]))]
    while waiting:
        cell = waiting.pop()
        if min(cell) < 0 or max(cell) > 199 or reached[cell] or not mask[cell]:
            continue
        reached[cell] = True
        waiting += [(cell[0] + 1, cell[1]), (cell[0] - 1, cell[1]), (cell[0], cell[1] + 1), (cell[0], cell[1] - 1)]
    assert np.array_equal(reached, mask)


def test_runs_through_cells_of_unequal_sides_are_measured_in_metres():
    # Cells 30 m wide and 10 m high. In the first cell station 1 runs 8 m down, station 2 runs 20 m across.
    grid = Grid(2, 2, 0.0, 20.0, 30.0, 10.0)
    cells = cells_of([(1, 0, [(10, 19), (10, 11)]), (2, 0, [(10, 11), (45, 11)])], grid=grid)

    assert drawn(cells, grid)[0] == "22"


def test_seeds_of_a_window_are_those_of_the_whole():
    cells = cells_of([(3, 0, [(5, 35), (45, 15)])])

    everything = seeds_in(cells, Window(0, 0, 4, 5))

    assert np.array_equal(seeds_in(cells, Window(1, 2, 2, 3)), everything[1:3, 2:5])
    # The stream goes on in the cell that follows on the window's first row.
    assert np.array_equal(seeds_in(cells, Window(1, 1, 2, 2)), everything[1:3, 1:3])


def test_no_pieces_give_no_cells():
    nothing = np.array([], dtype=float)
    whole_numbers = nothing.astype(np.int32)

    cells = stream_cells(np.array([0]), nothing, nothing, whole_numbers, whole_numbers, whole_numbers, GRID)

    assert cells.row.size == 0
    assert cells.outside.size == 0


def test_a_place_that_is_no_number_is_refused():
    with pytest.raises(ValueError, match="must be finite"):
        cells_of([(1, 0, [(5, 5), (np.nan, 5)])])


def test_a_piece_without_vertices_is_refused():
    with pytest.raises(ValueError, match="piece 1 has no vertex"):
        cells_of([(1, 0, [(5, 5), (6, 5)]), (2, 0, [])])
