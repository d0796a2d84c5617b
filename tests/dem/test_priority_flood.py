"""Where single cells drain, on ground small enough to follow by eye or simple enough for a closed form."""

import numpy as np
import pytest

from sitefinder.dem.priority_flood import NO_POINTER, NO_SEED, OFF_DEM, UNKNOWN, _mark_ends, edge_cells, flood

CLOSED = (False, False, False, False)
OPEN = (True, True, True, True)
# How a label is drawn; a station is drawn as its number.
SIGNS = {OFF_DEM: "-", UNKNOWN: "?", NO_SEED: "."}
ARROWS = dict(zip(range(8), "→↘↓↙←↖↑↗", strict=True)) | {NO_POINTER: "o"}


# Ground from a drawing: one digit a cell, x for a cell without data.
def ground(drawing):
    rows = drawing.split()
    valid = np.array([[sign != "x" for sign in row] for row in rows])
    elevation_m = np.array([[float(sign) if sign != "x" else -9999.0 for sign in row] for row in rows])
    return elevation_m.astype(np.float32), valid


# Stream cells from a drawing: a digit for the station, a dot elsewhere.
def streams(drawing):
    return np.array(
        [[NO_SEED if sign == "." else int(sign) for sign in row] for row in drawing.split()], dtype=np.int32
    )


# The flood of a drawing, with cells of 10 m.
def flooded(elevation, seed=None, edges=CLOSED, cell_width_m=10.0, cell_height_m=10.0):
    elevation_m, valid = ground(elevation)
    stream = streams(seed) if seed else np.full(valid.shape, NO_SEED, dtype=np.int32)
    return flood(elevation_m, valid, stream, edges, cell_width_m, cell_height_m)


def drawn(labels):
    return ["".join(SIGNS.get(label, str(label)) for label in row) for row in labels.tolist()]


def arrows(pointers):
    return ["".join(ARROWS[pointer] for pointer in row) for row in pointers.tolist()]


def test_both_sides_of_a_ridge_drain_to_their_own_stream():
    answer = flooded("""
        12321
        12321
        12321
    """, """
        4...7
        4...7
        4...7
    """)  # fmt: skip

    # The crest itself falls alike to both sides; east comes before west.
    assert arrows(answer.pointer) == ["o←→→o"] * 3
    assert drawn(answer.label) == ["44777"] * 3


def test_equal_slopes_go_to_the_first_direction_clockwise_from_east():
    answer = flooded("""
        99999
        99899
        98989
        99899
        99999
    """, """
        .....
        ..4..
        .3.1.
        ..2..
        .....
    """)  # fmt: skip

    assert answer.label[2, 2] == 1
    assert ARROWS[answer.pointer[2, 2]] == "→"


def test_a_diagonal_counts_as_the_longer_way():
    # East falls 2 in 10 m; south-east falls 2.7 in 14.1 m, which is less steep.
    elevation_m = np.full((5, 5), 20.0, dtype=np.float32)
    elevation_m[2, 2], elevation_m[2, 3], elevation_m[3, 3] = 10.0, 8.0, 7.3
    seed = np.full((5, 5), NO_SEED, dtype=np.int32)
    seed[2, 3], seed[3, 3] = 1, 2

    square = flood(elevation_m, elevation_m > 0, seed, CLOSED, 10.0, 10.0)
    # With cells twice as wide as high, east is 2 in 20 m and south-east 2.7 in 22.4 m, which is steeper.
    wide = flood(elevation_m, elevation_m > 0, seed, CLOSED, 20.0, 10.0)

    assert square.label[2, 2] == 1
    assert wide.label[2, 2] == 2


def test_a_pit_fills_to_its_lowest_rim_and_drains_over_it():
    answer = flooded("""
        99999
        92165
        99999
    """, """
        .....
        ....3
        .....
    """)  # fmt: skip

    assert answer.surface[1].tolist() == [9.0, 6.0, 6.0, 6.0, 5.0]
    assert arrows(answer.pointer)[1] == "→→→→o"
    # The western border cell is a way off the DEM too, but it falls inward, so that it follows.
    assert drawn(answer.label)[1] == "33333"


def test_a_flat_drains_to_its_nearest_outlet():
    answer = flooded("""
        9999999
        5555555
        9999999
    """, """
        .......
        1.....2
        .......
    """)  # fmt: skip

    # The middle cell is three steps from both; the east comes first.
    assert arrows(answer.pointer)[1] == "o←←→→→o"
    assert drawn(answer.label)[1] == "1112222"


def test_a_flat_does_not_drain_over_its_higher_outlet():
    # The hollow of 3 spills at 5 to the east; the western saddle of 6 is nearer to its cells but higher.
    answer = flooded("""
        9999999
        1633352
        9999999
    """, """
        .......
        1.....2
        .......
    """)  # fmt: skip

    assert answer.surface[1].tolist() == [1, 6, 5, 5, 5, 5, 2]
    assert drawn(answer.label)[1] == "1122222"


def test_ground_on_the_border_that_falls_nowhere_leaves_the_dem():
    answer = flooded("""
        999999
        995511
        999999
    """, """
        ......
        ..7...
        ......
    """)  # fmt: skip

    # The border cell at the east of the middle row is the lowest of all.
    assert answer.label[1, 4:].tolist() == [OFF_DEM, OFF_DEM]
    assert answer.label[1, 2] == 7
    assert answer.label[1, 3] == OFF_DEM


def test_an_open_border_is_unknown_even_where_it_falls_inward():
    elevation = """
        999
        951
        999
    """
    seed = """
        ...
        ..4
        ...
    """
    closed = flooded(elevation, seed)
    opened = flooded(elevation, seed, edges=(False, False, True, False))

    assert drawn(closed.label) == ["444", "444", "444"]
    assert drawn(opened.label) == ["?44", "?44", "?44"]


@pytest.mark.parametrize(
    ("side", "labels"),
    [
        # No cell inside is an end.
        ("north", ["????", "-..-", "----"]),
        ("south", ["----", "-..-", "????"]),
        ("west", ["?---", "?..-", "?---"]),
        ("east", ["---?", "-..?", "---?"]),
    ],
)
def test_ends_on_an_open_border_are_unknown_and_on_others_off_the_dem(side, labels):
    edges = [side == each for each in ("north", "south", "west", "east")]
    label = np.zeros((3, 4), dtype=np.int32)

    _mark_ends(label, np.ones((3, 4), dtype=bool), np.full((3, 4), NO_SEED), edges)

    assert drawn(label) == labels


def test_a_stream_cell_on_an_open_border_keeps_its_station():
    answer = flooded("987", "..4", edges=OPEN)

    assert drawn(answer.label) == ["??4"]


def test_missing_data_is_an_edge_of_the_dem_and_no_pit_of_minus_9999():
    answer = flooded("""
        99999
        98789
        97x79
        98789
        99999
    """)  # fmt: skip

    assert answer.label[2, 2] == OFF_DEM
    assert np.all(answer.label == OFF_DEM)
    assert np.isnan(answer.surface[2, 2])
    assert np.nanmin(answer.surface) == 7.0
    # A cell beside the gap that has a lower neighbour follows it; the lowest of them are ends.
    assert [row[1:4] for row in arrows(answer.pointer)[1:4]] == ["→o↓", "ooo", "→o←"]


def test_ground_beside_missing_data_follows_a_lower_stream():
    answer = flooded("""
        99999
        9x531
        99999
    """, """
        .....
        ....6
        .....
    """)  # fmt: skip

    # The border cell in the west has no lower neighbour, for the gap is none.
    assert drawn(answer.label)[1] == "--666"


def test_a_cell_that_is_no_number_counts_as_missing():
    elevation_m = np.array([[3, 2, np.nan, 1], [3, 3, np.inf, 2]], dtype=np.float32)
    seed = streams("""
        .5.7
        ....
    """)

    answer = flood(elevation_m, np.ones((2, 4), dtype=bool), seed, CLOSED, 1.0, 1.0)

    assert drawn(answer.label) == ["55-7", "55-7"]


def test_a_stream_in_missing_data_does_not_count():
    answer = flooded("9x1", ".4.")

    assert drawn(answer.label) == ["---"]


def test_a_stream_needs_no_lower_ground_to_take_what_falls_to_it():
    # The stream climbs to the east, as when a DEM is wrong there; it is still the end of every path.
    answer = flooded("""
        99999
        12345
        99999
    """, """
        .....
        11122
        .....
    """)  # fmt: skip

    assert drawn(answer.label)[1] == "11122"
    assert np.all(answer.label >= 1)
    assert np.all(answer.pointer[1] == NO_POINTER)


def test_levels_that_float32_can_just_distinguish_are_kept_distinct():
    low = np.float32(1000.0)
    high = np.nextafter(low, np.float32(2000.0))
    elevation_m = np.array([[2000, 2000, 2000], [low, high, low], [2000, 2000, 2000]], dtype=np.float32)
    seed = streams("""
        ...
        1..
        ...
    """)

    answer = flood(elevation_m, elevation_m > 0, seed, CLOSED, 10.0, 10.0)

    # East comes before west; the border cell there is as low as the stream, and no lower ground holds it.
    assert arrows(answer.pointer)[1] == "o→o"
    assert drawn(answer.label)[1] == "1--"


def test_ground_below_sea_level_and_minus_zero_are_in_order():
    elevation_m = np.array([[9, 9, 9, 9, 9], [-3, -0.0, 0.0, -0.0, 9], [9, 9, 9, 9, 9]], dtype=np.float32)
    seed = streams("""
        .....
        8....
        .....
    """)

    answer = flood(elevation_m, elevation_m < 99, seed, CLOSED, 10.0, 10.0)

    assert arrows(answer.pointer)[1] == "o←←←←"
    assert np.all(answer.label == 8)


def test_edge_cells_are_those_on_the_dems_border_or_beside_a_gap():
    _, valid = ground("""
        111111
        111111
        111111
        1111x1
        111111
    """)

    assert edge_cells(valid, OPEN).astype(int).tolist() == [
        [0, 0, 0, 0, 0, 0],
        [0, 0, 0, 0, 0, 0],
        [0, 0, 0, 1, 1, 1],
        [0, 0, 0, 1, 0, 1],
        [0, 0, 0, 1, 1, 1],
    ]
    assert edge_cells(valid, (False, True, True, False)).astype(int).tolist() == [
        [1, 1, 1, 1, 1, 1],
        [0, 0, 0, 0, 0, 1],
        [0, 0, 0, 1, 1, 1],
        [0, 0, 0, 1, 0, 1],
        [0, 0, 0, 1, 1, 1],
    ]


def test_what_is_given_is_not_altered():
    elevation_m, valid = ground("""
        9999
        9239
        9999
    """)
    seed = streams("""
        ....
        ....
        .4..
    """)
    before = elevation_m.copy(), valid.copy(), seed.copy()

    flood(elevation_m, valid, seed, OPEN, 10.0, 10.0)

    assert np.array_equal(elevation_m, before[0])
    assert np.array_equal(valid, before[1])
    assert np.array_equal(seed, before[2])


def test_a_window_without_data_is_all_off_the_dem():
    answer = flooded("xxx", "...", edges=OPEN)

    assert drawn(answer.label) == ["---"]


def test_arrays_of_different_shape_are_refused():
    elevation_m, valid = ground("123")
    with pytest.raises(ValueError, match="differ in shape"):
        flood(elevation_m, valid, streams(".."), CLOSED, 10.0, 10.0)
    with pytest.raises(ValueError, match=r"elevation \(1, 3\), valid \(1, 2\) and seed \(1, 3\) differ in shape"):
        flood(elevation_m, valid[:, :2], streams("..."), CLOSED, 10.0, 10.0)


def test_elevations_that_are_not_float32_are_refused():
    elevation_m, valid = ground("123")
    with pytest.raises(ValueError, match="must be float32, not float64"):
        flood(elevation_m.astype(float), valid, streams("..."), CLOSED, 10.0, 10.0)


def test_a_window_of_more_cells_than_numbers_of_32_bits_count_is_refused():
    # With a ring of cells around it exactly 2 to the power of 31; one value in memory stands for all.
    shape = 2**16 - 2, 2**15 - 2
    ground, valid, seed = (
        np.broadcast_to(each, shape) for each in (np.float32(1.0), np.bool_(True), np.int32(NO_SEED))
    )

    with pytest.raises(ValueError, match="65534 × 32766 cells is too large"):
        flood(ground, valid, seed, (False,) * 4, 10.0, 10.0)
