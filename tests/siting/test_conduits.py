"""Ways of conduits over made ground whose answer is known, and against Dijkstra's search on a made hillside."""

import numpy as np
import pandas as pd
import pytest
from conduit_terms import LIMITS

from sitefinder.siting.conduits import (
    BARRED,
    BUILDING,
    LEFT,
    RIGHT,
    ROAD,
    Ground,
    Prices,
    find_conduits,
)

CELL_M = 10.0
SLOPE = 0.005
PRICES = {
    "canal_per_m": 300.0,
    "penstock_per_m": 650.0,
    "cut_per_m2": 50.0,
    "cut_per_m3": 25.0,
    "bench_per_m": 100.0,
    "aqueduct_per_m": 900.0,
    "tunnel_per_m": np.inf,
    "per_crossing": 5000.0,
    "per_road": 4000.0,
}
# So that no cut, no aqueduct from bend to bend and no pipe all along is cheaper than the way round.
AROUND = {"cut_per_m2": 1e4, "penstock_per_m": 3000.0, "aqueduct_per_m": 1e4}


def prices(**given):
    return Prices(**{name: np.array([value]) for name, value in (PRICES | given).items()})


# Ground of 1500 m by 1000 m whose stream runs east along y = 500 m, 5 m lower each kilometre.
def made_ground(height_m, *, cell_m=CELL_M, tributary=None, roads=None, barred=None, buildings=None):
    rows, columns = round(1000 / cell_m), round(1500 / cell_m)
    x_m, y_m = np.meshgrid((np.arange(columns) + 0.5) * cell_m, 1000 - (np.arange(rows) + 0.5) * cell_m)
    link = np.full(x_m.shape, -1, dtype=np.int32)
    link[np.abs(y_m - 500) < cell_m] = 0
    if tributary is not None:
        link[tributary(x_m, y_m) & (y_m - 500 > cell_m)] = 1
    obstacle = np.zeros(x_m.shape, dtype=np.uint8)
    for bit, place in ((ROAD, roads), (BARRED, barred), (BUILDING, buildings)):
        if place is not None:
            obstacle[place(x_m, y_m)] |= bit
    return Ground(height_m(x_m, y_m).astype(np.float32), link, obstacle, 0.0, 1000.0, cell_m, cell_m)


def river(x_m):
    return 100.0 - SLOPE * x_m


# Stations every 50 m from x = 105 m on; water as high as the bed.
def course(x_m=None, y_m=None, level_m=None):
    x_m = np.arange(105.0, 1400.0, 50.0) if x_m is None else x_m
    y_m = np.full(len(x_m), 500.0) if y_m is None else y_m
    step_m = np.append(np.hypot(np.diff(x_m), np.diff(y_m)), 0.0)
    return pd.DataFrame(
        {
            "x_m": x_m,
            "y_m": y_m,
            "downstream": [*range(1, len(x_m)), -1],
            "link": np.minimum(np.arange(len(x_m)), 0),
            "to_downstream_m": step_m,
            "level_m": river(x_m) if level_m is None else level_m,
        }
    )


def found(ground, *, stations=None, tailrace=16, limits=LIMITS, **given):
    stations = course() if stations is None else stations
    return find_conduits(ground, stations, [0], [tailrace], limits, prices(**given)).table.iloc[0]


@pytest.mark.parametrize("cell_m", [5.0, 10.0])
@pytest.mark.parametrize("grade", [0.0, 0.001, 0.002])
def test_a_headrace_in_a_straight_valley_follows_the_line_in_which_hillside_and_canal_meet(cell_m, grade):
    valley = made_ground(lambda x_m, y_m: river(x_m) + 0.1 * np.abs(y_m - 500), cell_m=cell_m)

    way = found(valley, limits=LIMITS._replace(grade=grade, max_fill_m=0.0), penstock_per_m=900.0)

    # The contour leaves the stream by (slope - grade) / 0.1 m for each metre of valley; a pipe that costs three
    # times the canal meets it where the cosine of the angle between them is one third (as light is refracted).
    from_stream = np.arctan((SLOPE - grade) / 0.1)
    angle = np.arccos(1 / 3)
    headrace_m = 800.0 * np.sin(angle - from_stream) / np.sin(angle)
    penstock_m = 800.0 * np.sin(from_stream) / np.sin(angle)
    assert way["route"] in (LEFT, RIGHT)
    assert way["headrace_length_m"] == pytest.approx(headrace_m, rel=0.05)
    assert way["headrace_length_m"] + way["penstock_length_m"] == pytest.approx(headrace_m + penstock_m, rel=0.05)
    assert way["crossings"] == way["road_crossings"] == way["tunnel_length_m"] == 0
    assert way["canal_length_m"] == pytest.approx(way["headrace_length_m"] - way["aqueduct_length_m"])


# Valleys with a floor half a metre under the water and 40 m wide; the hillside begins `edge` from it.
def floor_and_sides(left_slope, right_slope, edge=lambda x_m: 0.0 * x_m):
    def height_m(x_m, y_m):
        left_m = left_slope * np.maximum(y_m - 520 - edge(x_m), 0.0)
        right_m = right_slope * np.maximum(480 - y_m, 0.0)
        return river(x_m) - 0.5 + left_m + right_m

    return height_m


def right_bank(x_m, y_m):
    return y_m < 485


# A spur that comes 120 m into the valley between x = 300 and 700 m.
def spur(x_m):
    return 130.0 - np.where(np.abs(x_m - 500) < 200, 60 * (1 + np.cos(np.pi * (x_m - 500) / 200)), 0.0)


SPUR = made_ground(floor_and_sides(0.2, 0.2, spur), barred=right_bank)


def length_of(line):
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


# The headrace: the line without the penstock.
def headrace_line(ground, **given):
    return find_conduits(ground, course(), [0], [16], LIMITS, prices(**given)).lines[0][:-1]


def test_around_a_spur_the_headrace_is_as_long_as_the_contour():
    way, line = found(SPUR, **AROUND), headrace_line(SPUR, **AROUND)

    # Where the hillside's plane has the level of the canal, between where the line comes to the spur and leaves
    # it.
    x_m = np.linspace(105.0, 905.0, 8001)
    y_m = 520 + spur(x_m) + (river(105.0) - LIMITS.grade * (x_m - 105.0) - river(x_m) + 0.5) / 0.2
    at_spur = line[(line[:, 0] >= 320.0) & (line[:, 0] <= 680.0)]
    beside = (x_m >= at_spur[:, 0].min()) & (x_m <= at_spur[:, 0].max())
    assert way["route"] == LEFT
    assert way["bank"] == "left"
    assert length_of(at_spur) == pytest.approx(length_of(np.column_stack([x_m, y_m])[beside]), rel=0.05)
    assert np.abs(np.interp(at_spur[:, 0], x_m, y_m) - at_spur[:, 1]).max() < CELL_M
    assert length_of(line) == pytest.approx(way["headrace_length_m"], rel=1e-9)


# A small spur, 24 m into the valley and 80 m wide: a line straight through it is 4.8 m below its top.
def small_spur(x_m):
    return 50.0 - np.where(np.abs(x_m - 500) < 40, 12 * (1 + np.cos(np.pi * (x_m - 500) / 40)), 0.0)


def test_a_spur_is_cut_through_where_that_is_cheaper_and_no_deeper_than_allowed():
    ground = made_ground(floor_and_sides(0.2, 0.2, small_spur), barred=right_bank, cell_m=5.0)
    cheap = {"penstock_per_m": 3000.0, "cut_per_m2": 1.0, "cut_per_m3": 0.1, "aqueduct_per_m": 1e4}

    def at_spur_m(line):
        x_m = np.linspace(440.0, 560.0, 241)
        return length_of(np.column_stack([x_m, np.interp(x_m, *line.T)]))

    around, through = (headrace_line(ground, **given) for given in (AROUND, cheap))
    assert found(ground, **AROUND)["deepest_cut_m"] < 0.5
    assert found(ground, **cheap)["deepest_cut_m"] == pytest.approx(4.8, abs=0.2 * 5.0)
    # Straight through lies beside around by 24 m: the small angle of its sides.
    assert np.interp(500.0, *through.T) > np.interp(500.0, *around.T) + 15.0
    assert at_spur_m(through) < at_spur_m(around)
    assert found(ground, limits=LIMITS._replace(max_cut_m=2.0), **cheap)["deepest_cut_m"] <= 2.0


# A loop of the river: 300 m north, 500 m east, 300 m south, and a ridge across the neck 4 m above the intake.
def neck_stations():
    corners = np.array([[300.0, 500.0], [300.0, 800.0], [800.0, 800.0], [800.0, 500.0]])
    along_m = np.arange(0.0, 1100.1, 50.0)
    reached_m = np.append(0.0, np.cumsum(np.hypot(*np.diff(corners, axis=0).T)))
    x_m, y_m = (np.interp(along_m, reached_m, corners[:, each]) for each in (0, 1))
    return course(x_m, y_m, 100.0 - SLOPE * along_m)


def neck_ground(cell_m=CELL_M, ridge_m=4.0):
    stations = neck_stations()

    def height_m(x_m, y_m):
        away_m = np.hypot(x_m[..., None] - stations["x_m"].to_numpy(), y_m[..., None] - stations["y_m"].to_numpy())
        bed_m = stations["level_m"].to_numpy()[away_m.argmin(axis=-1)] - 0.5
        land_m = np.maximum(99.5, 100.0 + ridge_m - 0.04 * np.abs(x_m - 550))
        land_m = np.where(x_m > 650, 100.0 - 0.04 * (x_m - 650), land_m)
        return np.where(away_m.min(axis=-1) < 30, bed_m, land_m)

    ground = made_ground(height_m, cell_m=cell_m)
    x_m, y_m = np.meshgrid(
        (np.arange(ground.link.shape[1]) + 0.5) * cell_m, 1000 - (np.arange(ground.link.shape[0]) + 0.5) * cell_m
    )
    lines = (np.abs(x_m - 300) < cell_m) | (np.abs(x_m - 800) < cell_m)
    near = ((y_m > 490) & (y_m < 810) & lines) | ((np.abs(y_m - 800) < cell_m) & (x_m > 290) & (x_m < 810))
    return ground._replace(link=np.where(near, 0, -1).astype(np.int32))


@pytest.mark.parametrize("cell_m", [5.0, 10.0])
def test_across_the_neck_of_a_meander_a_straight_cut_is_as_deep_as_the_ridge(cell_m):
    stations, ground = neck_stations(), neck_ground(cell_m)

    # An aqueduct in place of the pipe's first piece would cost more than it saves.
    way = found(
        ground, stations=stations, tailrace=22, penstock_per_m=3000.0, aqueduct_per_m=3000.0, per_crossing=1e5
    )

    # The ridge is sharp: within a cell of its top it is lower by half a cell at its slope.
    ridge_m = 4.0 + LIMITS.grade * 250.0
    assert way["headrace_length_m"] + way["penstock_length_m"] == pytest.approx(500.0, rel=0.05)
    assert way["deepest_cut_m"] == pytest.approx(ridge_m, abs=0.04 * cell_m)
    assert way["crossings"] == 0


def test_a_cut_deeper_than_allowed_is_refused_and_a_tunnel_is_only_dug_where_it_is_priced():
    stations, shallow = neck_stations(), LIMITS._replace(max_cut_m=2.0)
    given = {"stations": stations, "tailrace": 22, "limits": shallow, "penstock_per_m": 3000.0}
    high = neck_ground(ridge_m=30.0)

    refused, tunnel = found(high, **given), found(high, **given, tunnel_per_m=1500.0)

    assert refused["route"] == 0 or refused["deepest_cut_m"] <= 2.0
    assert refused["tunnel_length_m"] == 0
    # The ridge is 2 m above the canal for 28 m / 0.04 on the western side; on the eastern it drops to the plain.
    assert tunnel["tunnel_length_m"] > 0
    assert tunnel["deepest_cut_m"] <= 2.0


def test_in_a_gorge_nothing_can_be_built_but_a_tunnel():
    gorge = made_ground(floor_and_sides(30.0, 30.0))

    assert found(gorge)["route"] == 0
    assert np.isnan(found(gorge)["cost"])
    assert not found(gorge)["unresolved"]
    # Nor from tunnel to tunnel on aqueducts over the floor.
    tunnel = found(gorge, limits=LIMITS._replace(max_aqueduct_length_m=20.0), tunnel_per_m=1500.0)
    assert tunnel["route"] in (LEFT, RIGHT)
    assert tunnel["tunnel_length_m"] > 500.0


# A hillside with the valley of a tributary at x = 500 m: its floor of 30 m comes down at 2 %, its sides rise at 20
# %.
def tributary_valley(x_m, y_m):
    hill_m = river(x_m) - 0.5 + 0.2 * np.maximum(y_m - 520, 0.0)
    own_m = river(500.0) - 0.5 + 0.02 * np.maximum(y_m - 520, 0.0) + 0.2 * np.maximum(np.abs(x_m - 500) - 15, 0.0)
    return np.minimum(hill_m, own_m) + 0.2 * np.maximum(480 - y_m, 0.0)


def tributary_cells(x_m, y_m):
    return np.abs(x_m - 500) < CELL_M


def test_a_tributary_on_the_bank_is_crossed_once_and_roads_are_counted():
    ground = made_ground(
        tributary_valley,
        tributary=tributary_cells,
        roads=lambda x_m, y_m: np.abs(x_m - 700) < 5.1,
        barred=right_bank,
    )

    # An aqueduct hardly more expensive than the canal: there is no reason to look for a narrower place. One more
    # in place of the pipe would cost more than it saves.
    given = {"penstock_per_m": 3000.0, "aqueduct_per_m": 400.0, "per_crossing": 1e5}

    way = found(ground, **given)

    assert way["route"] == LEFT
    assert way["crossings"] == 1
    assert way["road_crossings"] == 1
    above_m = river(105.0) - LIMITS.grade * 400.0 - (river(500.0) - 0.5)
    # At the mouth the canal is 2 m above the tributary: an aqueduct is shorter than the way up its valley.
    assert way["headrace_length_m"] == pytest.approx(800.0, rel=0.05)
    assert way["aqueduct_length_m"] >= 30.0
    # Where an aqueduct may only be 1.2 m high, it goes up the valley to where the bed, at 2 %, is so much higher.
    low = LIMITS._replace(max_aqueduct_height_m=1.2)
    ends = ([0], [16])
    lines = [find_conduits(ground, course(), *ends, limits, prices(**given)).lines[0] for limits in (LIMITS, low)]
    crossed_m = [float(np.interp(500.0, *line[:-1].T)) for line in lines]
    assert crossed_m[0] == pytest.approx(520 + above_m / 0.2, abs=CELL_M)
    assert crossed_m[1] == pytest.approx(520 + (above_m - 1.2) / 0.02, abs=2 * CELL_M)


def test_of_two_banks_the_cheaper_one_is_taken_and_a_lake_bars_its_bank():
    valley = floor_and_sides(0.2, 0.2, edge=lambda x_m: 0.0 * x_m + 100.0)

    assert found(made_ground(valley), penstock_per_m=3000.0)["bank"] == "right"
    barred = made_ground(valley, barred=lambda x_m, y_m: (y_m < 495) & (np.abs(x_m - 500) < 40))
    assert found(barred, penstock_per_m=3000.0)["bank"] == "left"


# Two rows of houses across the only bank, as far as the stream's own cells.
def test_no_conduit_goes_through_a_building_but_at_a_price():
    def houses(x_m, y_m):
        return (np.abs(x_m - 350) < 40) | (np.abs(x_m - 600) < 40)

    def ground(buildings):
        return made_ground(floor_and_sides(0.2, 0.2), barred=right_bank, buildings=buildings)

    # No pipe or aqueduct goes far in the stream's bed.
    limits = LIMITS._replace(max_aqueduct_length_m=30.0)
    free, shut = (found(ground(each), limits=limits) for each in (None, houses))
    paid = found(ground(houses), limits=limits, per_building=7e4)

    assert free["route"] == LEFT
    assert free["building_crossings"] == 0
    assert shut["route"] == 0
    assert paid["building_crossings"] == 2
    assert paid["cost"] == pytest.approx(free["cost"] + 2 * 7e4, rel=0.01)
    # A row that leaves a gap is gone around.
    gap = found(ground(lambda x_m, y_m: houses(x_m, y_m) & (y_m > 560)), limits=limits)
    assert gap["route"] == LEFT
    assert gap["building_crossings"] == 0
    assert free["cost"] <= gap["cost"] < free["cost"] + 2 * 7e4


def test_ground_too_coarse_for_the_valley_is_said_and_gives_no_way():
    narrow = made_ground(lambda x_m, y_m: river(x_m) + 1.0 * np.abs(y_m - 500), cell_m=20.0)

    way = found(narrow)

    assert way["unresolved"]
    assert way["route"] == 0
    assert not found(made_ground(lambda x_m, y_m: river(x_m) + 0.1 * np.abs(y_m - 500), cell_m=20.0))["unresolved"]
