"""Connections to lines and substations by voltage, and free capacity, by hand and by search over all features."""

import geopandas
import numpy as np
import pytest
import shapely
from pydantic import ValidationError

from sitefinder.errors import InputError
from sitefinder.settings import GridConnection, GridSettings, PowerLineSource, SubstationSource
from sitefinder.siting.grid import connections, fits, grid_of, power_lines_of, substations_of, voltages_of

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
