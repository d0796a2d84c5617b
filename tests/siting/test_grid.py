"""Connections to lines and substations by voltage, and free capacity, by hand and by search over all features."""

import geopandas
import numpy as np
import pytest
import shapely
from pydantic import ValidationError

from sitefinder.errors import InputError
from sitefinder.settings import GridConnection, GridSettings, PowerLineSource, SubstationSource
from sitefinder.siting.grid import (
    band_of,
    connections,
    fits,
    grid_of,
    left_at_substations,
    power_lines_of,
    substations_of,
    voltages_of,
)

CRS = "EPSG:32633"
BANDS = [
    GridConnection(up_to_kw=100.0, min_kv=0.2, max_kv=36.0),
    GridConnection(up_to_kw=5000.0, min_kv=3.0, max_kv=36.0),
    GridConnection(min_kv=50.0, max_kv=150.0),
]
# Nominal voltages of IEC 60038 [kV]: three-phase systems up to 1 kV, those above 1 kV to 35 kV (series I), and
# above 35 kV to 230 kV; from memory, not read in the standard.
LOW_KV = (0.23, 0.4, 0.69, 1.0)
MEDIUM_KV = (3.0, 3.3, 6.0, 6.6, 10.0, 11.0, 15.0, 20.0, 22.0, 30.0, 33.0, 35.0)
HIGH_KV = (45.0, 66.0, 69.0, 110.0, 115.0, 132.0, 138.0, 150.0, 220.0, 230.0)


def layer(shapes, **columns):
    own = {"source_row": range(len(shapes)), "feature_name": ""}
    ids = {"feature_id": [f"S{number}" for number in range(len(shapes))]}
    return geopandas.GeoDataFrame(own | ids | columns, geometry=list(shapes), crs=CRS)


def substations(shapes, settings, **columns):
    return substations_of(layer(shapes, **columns), SubstationSource(path="grid.gpkg", **settings))


def test_the_usual_connections_are_at_standard_voltages_of_the_size_of_plant():
    bands = GridSettings().connections

    def fitting(power_kw, voltages):
        return fits(voltages, np.full(len(voltages), power_kw), bands)

    assert fitting(100.0, LOW_KV).all()
    assert fitting(100.0, MEDIUM_KV).all()
    assert not fitting(100.0, HIGH_KV).any()
    assert not fitting(2000.0, LOW_KV).any()
    assert fitting(2000.0, MEDIUM_KV).all()
    assert not fitting(2000.0, HIGH_KV).any()
    assert not fitting(20_000.0, LOW_KV).any()
    assert fitting(20_000.0, [110.0, 132.0]).all()
    assert not fitting(20_000.0, [220.0, 230.0]).any()
    assert fitting(20_000.0, [np.nan]).all()


@pytest.mark.parametrize(
    ("cell", "voltages"),
    [
        ("110/20", [110, 20]),
        ("110000;400", [110000, 400]),
        (20.0, [20]),
        (" 33 kV ", [33]),
        ("", []),
        ("HV", None),
    ],
)
def test_voltages_are_read_as_layers_write_them(cell, voltages):
    assert voltages_of(cell) == voltages


def test_capacity_in_every_unit_becomes_kilowatts():
    points = shapely.points([[0, 0], [1, 0]])
    for unit, expected_kw in (("kW", 2.0), ("MW", 2000.0), ("kVA", 1.8), ("MVA", 1800.0)):
        settings = {"capacity_column": "free", "capacity_unit": unit, "power_factor": 0.9}
        read, notes = substations(points, settings, free=[2.0, None])
        assert read["free_kw"].tolist()[0] == pytest.approx(expected_kw)
        assert np.isnan(read["free_kw"].tolist()[1])
        assert notes == [("no free capacity: 1 of 2 substations", "taken as not known, no limit")]


@pytest.mark.parametrize("seed", range(4))
def test_the_nearest_of_a_fitting_voltage_is_that_of_a_search_over_all(seed):
    rng = np.random.default_rng([seed, 71])
    lines = layer(
        [shapely.LineString(rng.uniform(0, 5000, (3, 2))) for _ in range(25)],
        kv=rng.choice(["0.4", "20", "110", "110/20", ""], 25),
    )
    lines, _ = power_lines_of(lines, PowerLineSource(path="grid.gpkg", voltage_column="kv"))
    settings = {"capacity_column": "free", "capacity_unit": "kW", "voltage_column": "kv"}
    stations, _ = substations(
        shapely.points(rng.uniform(0, 5000, (12, 2))),
        settings,
        kv=rng.choice(["110;20", "20", "0.4"], 12),
        free=rng.uniform(0, 900, 12),
    )
    x_m, y_m = rng.uniform(0, 5000, (2, 40))
    power_kw = rng.choice([20.0, 100.0, 700.0, 9000.0, np.nan], 40)

    found = connections(x_m, y_m, power_kw, grid_of(lines, stations), BANDS)

    for row, (x, y, power) in enumerate(zip(x_m, y_m, power_kw, strict=True)):
        band = BANDS[0] if power <= 100 else BANDS[1] if power <= 5000 else BANDS[2]

        def is_fitting(text, band=band):
            return text == "" or any(band.min_kv <= float(one) <= band.max_kv for one in text.split(";"))

        place = shapely.Point(x, y)
        far_m = {
            name: [
                place.distance(shape)
                for shape, kv in zip(frame.geometry, frame["voltages_kv"], strict=True)
                if is_fitting(kv)
            ]
            for name, frame in (("lines", lines), ("stations", stations))
        }
        assert found["line_distance_m"][row] == pytest.approx(min(far_m["lines"] + far_m["stations"]))
        own = stations[stations["voltages_kv"].map(is_fitting)]
        nearest = own.iloc[int(np.argmin(own.geometry.distance(place)))]
        assert found["substation_id"][row] == nearest["feature_id"]
        assert found["substation_distance_m"][row] == pytest.approx(min(far_m["stations"]))
        assert found["substation_free_kw"][row] == nearest["free_kw"]


def test_where_nothing_fits_the_nearest_of_any_voltage_is_priced_and_no_capacity_is_taken():
    lines, _ = power_lines_of(
        layer([shapely.LineString([(0, 100), (1000, 100)])], kv=[380]),
        PowerLineSource(path="grid.gpkg", voltage_column="kv"),
    )
    stations, _ = substations(shapely.points([[500, 50]]), {"voltage_column": "kv"}, kv=[0.4])

    found = connections(np.array([500.0]), np.array([0.0]), np.array([9000.0]), grid_of(lines, stations), BANDS)

    row = found.iloc[0]
    assert (row["line_distance_m"], row["connection_kv"], row["substation_id"]) == (50.0, 0.4, "")
    assert np.isnan(row["substation_distance_m"])


def test_lines_without_a_column_of_voltages_stay_as_they_are():
    lines = layer([shapely.LineString([(0, 0), (1, 1)])], kv=["high"])
    assert power_lines_of(lines, PowerLineSource(path="grid.gpkg")) == (lines, [])


def test_all_that_is_wrong_with_substations_is_said_at_once():
    points = shapely.points([[0, 0], [1, 0], [2, 0], [3, 0]])
    settings = {"capacity_column": "free", "capacity_unit": "MW", "voltage_column": "volts"}
    frame = layer(points, free=[-1.0, 5.0, 6.0, 1.0e6], volts=["110000", "20", "20", "high"])
    frame["feature_id"] = ["A", "B", "B", "C"]

    with pytest.raises(InputError) as caught:
        substations_of(frame, SubstationSource(path="grid.gpkg", **settings))

    assert str(caught.value) == (
        "the layer substations: 3 problems\n"
        "  substations have a free capacity that is none\n"
        "    file:      grid.gpkg, column free\n"
        "    features:  A, C\n"
        "    expected:  numbers from 0 to 30000 MW, or nothing; 0 where nothing is free\n"
        "    found:     -1.0, 1000000.0\n"
        "    fix:       correct capacity_unit, which is MW, or the column\n"
        "  substations have voltages that are none\n"
        "    file:      grid.gpkg, column volts\n"
        "    features:  A, C\n"
        "    expected:  0.1 to 1200 kV, several with a semicolon between, or nothing\n"
        "    found:     '110000', 'high'\n"
        "    fix:       correct voltage_unit, which is kV, or the column\n"
        "  features of one substation differ\n"
        "    file:      grid.gpkg, column free\n"
        "    expected:  the same in all features of one id\n"
        "    found:     B: 5000 and 6000\n"
        "    fix:       correct the column, or give different substations different ids"
    )
    with pytest.raises(InputError, match="the layer substations has no column free"):
        substations(points, settings, volts=[20] * 4)


def test_settings_of_the_grid_that_contradict_themselves_are_refused():
    with pytest.raises(ValidationError, match="capacity_column and capacity_unit belong together"):
        SubstationSource(path="grid.gpkg", capacity_column="free")
    with pytest.raises(ValidationError, match="up_to_kw must rise"):
        GridSettings(connections=[BANDS[2], BANDS[0]])
    with pytest.raises(ValidationError, match="is below min_kv"):
        GridConnection(min_kv=20.0, max_kv=10.0)


@pytest.mark.parametrize(
    ("power_kw", "number"), [(0.0, 0), (100.0, 0), (100.1, 1), (5000.0, 1), (5000.1, 2), (np.inf, 2), (np.nan, 2)]
)
def test_a_plant_takes_the_first_connection_whose_power_is_not_smaller(power_kw, number):
    assert band_of([power_kw], BANDS).tolist() == [number]
    # Where the last has a limit too, it is for all above it.
    bounded = [*BANDS[:2], BANDS[2].model_copy(update={"up_to_kw": 9000.0})]
    assert band_of([power_kw, 20_000.0], bounded).tolist() == [number, 2]


@pytest.mark.parametrize(
    ("kv", "power_kw", "may"),
    [(2.9, 200.0, False), (3.0, 200.0, True), (36.0, 200.0, True), (36.1, 200.0, False), (np.nan, 200.0, True)],
)
def test_a_voltage_fits_from_the_lowest_to_the_highest_of_its_connection(kv, power_kw, may):
    assert fits([kv], [power_kw], BANDS).tolist() == [may]


def test_plants_at_one_substation_take_its_free_capacity_one_after_the_other():
    substation = ["S", "", "T", "S", "S", ""]
    free_kw = [100.0, 500.0, np.nan, 100.0, 100.0, np.nan]

    left_kw = left_at_substations(substation, free_kw, [60.0, 10.0, 5.0, 30.0, 20.0, 1.0])

    assert left_kw == pytest.approx([40.0, np.nan, np.nan, 10.0, -10.0, np.nan], nan_ok=True)


@pytest.mark.parametrize(
    ("kv", "unit", "is_voltage"),
    [(0.1, "kV", True), (0.09, "kV", False), (1200.0, "kV", True), (1201.0, "kV", False), (100.0, "V", True)]
    + [(99.0, "V", False), (1.2e6, "V", True)],
)
def test_voltages_of_grids_lie_between_a_tenth_of_a_kilovolt_and_the_highest_in_service(kv, unit, is_voltage):
    frame = layer(shapely.points([[0, 0]]), kv=[kv])
    source = SubstationSource(path="grid.gpkg", voltage_column="kv", voltage_unit=unit)

    if not is_voltage:
        with pytest.raises(InputError, match="voltages that are none"):
            substations_of(frame, source)
        return
    read, notes = substations_of(frame, source)
    assert read["voltages_kv"].tolist() == [f"{kv / {'kV': 1.0, 'V': 1000.0}[unit]:g}"]
    assert notes == []


@pytest.mark.parametrize(("free_kw", "is_capacity"), [(0.0, True), (-0.1, False), (3.0e7, True), (3.01e7, False)])
def test_free_capacity_is_nothing_or_up_to_what_no_power_station_exceeds(free_kw, is_capacity):
    frame = layer(shapely.points([[0, 0]]), free=[free_kw])
    source = SubstationSource(path="grid.gpkg", capacity_column="free", capacity_unit="kW")

    if is_capacity:
        read, notes = substations_of(frame, source)
        assert (read["free_kw"].tolist(), notes) == ([free_kw], [])
    else:
        with pytest.raises(InputError, match="a free capacity that is none"):
            substations_of(frame, source)


def test_voltages_that_are_not_stated_are_counted_where_a_column_states_them():
    frame = layer(shapely.points([[0, 0], [1, 0], [2, 0]]), kv=["20", None, ""])

    _, with_column = substations_of(frame, SubstationSource(path="grid.gpkg", voltage_column="kv"))
    _, without = substations_of(frame, SubstationSource(path="grid.gpkg"))
    lines, of_lines = power_lines_of(frame, PowerLineSource(path="grid.gpkg", voltage_column="kv"))

    assert with_column == [("no voltage: 2 of 3 substations", "taken to fit any plant")]
    assert without == []
    assert of_lines == [("no voltage: 2 of 3 power lines", "taken to fit any plant")]
    assert lines["voltages_kv"].tolist() == ["20", "", ""]


def test_each_voltage_of_a_line_and_a_substation_is_one_row_of_the_grid():
    lines, _ = power_lines_of(
        layer([shapely.LineString([(0, 0), (9, 0)]), shapely.LineString([(0, 5), (9, 5)])], kv=["110/20", None]),
        PowerLineSource(path="grid.gpkg", voltage_column="kv"),
    )
    settings = {"capacity_column": "free", "capacity_unit": "kW"}
    stations, _ = substations(shapely.points([[3, 3]]), settings, free=[70.0])

    grid = grid_of(lines, stations)

    assert grid.kv.tolist() == pytest.approx([110.0, 20.0, np.nan, np.nan], nan_ok=True)
    assert grid.is_substation.tolist() == [False, False, False, True]
    assert grid.ids.tolist() == ["", "", "", "S0"]
    assert grid.free_kw.tolist() == pytest.approx([np.nan, np.nan, np.nan, 70.0], nan_ok=True)
    assert grid_of(None, stations).ids.tolist() == ["S0"]
    assert grid_of(lines, stations[:0]).ids.tolist() == ["", "", ""]


def test_of_two_fitting_voltages_at_one_place_a_plant_takes_one():
    stations, _ = substations(shapely.points([[0, 30], [10, 30]]), {"voltage_column": "kv"}, kv=["20/10", "20"])
    # No capacity is stated, so none is known.
    assert stations["free_kw"].dtype == np.float64
    assert stations["free_kw"].isna().all()

    found = connections(np.array([0.0, 5.0]), np.zeros(2), [700.0] * 2, grid_of(None, stations), BANDS)

    assert found["line_distance_m"].tolist() == pytest.approx([30.0, np.hypot(5.0, 30.0)])
    assert found["connection_kv"][0] in (10.0, 20.0)
    assert found["substation_id"][0] == "S0"
    assert found["substation_id"][1] in ("S0", "S1")


def test_a_grid_without_substations_has_lines_to_connect_to():
    lines, _ = power_lines_of(layer([shapely.LineString([(0, 30), (9, 30)])]), PowerLineSource(path="grid.gpkg"))

    [row] = connections(np.array([5.0]), np.array([0.0]), [50.0], grid_of(lines, None), BANDS).to_dict("records")

    assert (row["line_distance_m"], row["substation_id"]) == (30.0, "")
    assert np.isnan([row["connection_kv"], row["substation_distance_m"], row["substation_free_kw"]]).all()
