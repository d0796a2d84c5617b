"""Weirs at every distance from a station, mapped where they are and beside it: the drop of each counts once."""

import geopandas
import numpy as np
import pytest
import shapely
import small_valley
from partial_run import results_of

pytestmark = pytest.mark.slow

CELL_M, ROWS, COLUMNS, WEST, NORTH = 10.0, 11, 91, 500_000.0, 5_000_000.0
# A station of each stream is here, others every 50 m.
STATION_M = 403.0
DROP_M, SLOPE, NOISE_M = 2.5, 0.001, 0.1
OFFSETS_M = np.arange(-24.0, 25.0, 4.0)
# How far the mapped point is from the weir along the stream: within a cell, and almost as far as points may be.
MAPPED_M = (-8.0, 0.0, 8.0)
FAR_M = (-45.0, 45.0)
CASES = [(offset, mapped) for offset in OFFSETS_M for mapped in MAPPED_M]
CASES += [(offset, mapped) for offset in OFFSETS_M[::3] for mapped in FAR_M]


# Valleys one below the other, each with a stream that falls evenly but for a weir; a cell that the weir stands in
# has part of its drop.
def write_valleys(folder):
    x_m = WEST + CELL_M * (np.arange(COLUMNS) + 0.5)
    rng = np.random.default_rng(5)
    elevation_m, streams, weirs = [], [], []
    for number, (offset, mapped) in enumerate(CASES):
        weir_m = WEST + STATION_M + offset
        below = np.clip((x_m + CELL_M / 2 - weir_m) / CELL_M, 0.0, 1.0)
        bed_m = 200.0 - SLOPE * (x_m - WEST) - DROP_M * below + rng.normal(0.0, NOISE_M, COLUMNS)
        elevation_m.append(bed_m + 10.0 * np.abs(np.arange(ROWS) - ROWS // 2)[:, None])
        y_m = NORTH - (ROWS / 2 + ROWS * number) * CELL_M
        streams.append(shapely.LineString([(WEST + 3.0, y_m), (WEST + 903.0, y_m)]))
        weirs.append(shapely.Point(weir_m + mapped, y_m + 4.0))
    streams = shapely.MultiLineString(streams)
    layers = {"streams": streams} | {
        name: shapely.affinity.translate(streams, 0.0, 45.0) for name in ("roads", "power_lines")
    }
    texts = {path.name: path.read_text(encoding="utf-8") for path in small_valley.BY_HAND.glob("*.toml")}
    before, rest = texts["run.toml"].split("[[rules]]")
    text = before + rest[rest.index("[uncertainty]") :]
    source = '[inputs.structures]\npath = "layers.gpkg"\nlayer = "structures"\nid_column = "id"\n\n'
    for old, new in (
        ("[network]", f"{source}[network]"),
        ("min_head_m = 2.6", "min_head_m = 0.5"),
        ("longest_m = 50.0", "longest_m = 150.0"),
        ('scheme_types = ["diversion"]', 'scheme_types = ["at_barrier", "diversion"]'),
        # A price at which even a small part of the drop would pay.
        ("price_per_kwh = 0.25", "price_per_kwh = 1.5"),
    ):
        assert old in text
        text = text.replace(old, new)
    texts["run.toml"] = text
    texts["turbine.toml"] = texts["turbine.toml"].replace('["diversion"]', '["at_barrier", "diversion"]')
    small_valley.write_region(folder, np.concatenate(elevation_m), (WEST, NORTH), CELL_M, layers, texts)
    frame = geopandas.GeoDataFrame(
        {"id": [f"W{number}" for number in range(len(CASES))], "drop_m": DROP_M, "drop_error_m": 0.05},
        geometry=weirs,
        crs=small_valley.CRS,
    )
    frame.to_file(folder / "layers.gpkg", layer="structures", driver="GPKG")
    return folder / "run.toml"


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    path = write_valleys(tmp_path_factory.mktemp("weirs"))
    return results_of(path, "stationing", "heads", "water_bodies", "sites_table")


@pytest.fixture(scope="module")
def structures(run):
    return run["water_bodies"].structures.set_index("structure_id")


def test_each_weir_is_on_the_segment_that_it_is_in_or_the_one_that_the_dem_shows(structures, run):
    stations = run["stationing"].stations

    for number, (offset, _) in enumerate(CASES):
        station = int(structures.loc[f"W{number}", "station"])
        top_m = stations["x_m"][station - 1] - WEST
        # Within a cell of the station, its elevation may be that of either side.
        assert top_m - CELL_M <= STATION_M + offset <= top_m + 50.0 + CELL_M, CASES[number]


def test_no_drop_is_left_in_the_segments_beside_it(structures, run):
    profile_m = run["heads"].profile_m
    left_m = []

    for number in range(len(CASES)):
        station = int(structures.loc[f"W{number}", "station"])
        falls_m = -np.diff(profile_m[station - 3 : station + 3])
        assert falls_m[2] == pytest.approx(DROP_M + 50.0 * SLOPE, abs=4.0 * NOISE_M), CASES[number]
        left_m += np.delete(falls_m, 2).tolist()

    # A split drop would leave a metre and more.
    assert np.max(left_m) < 0.5
    assert np.mean(left_m) == pytest.approx(50.0 * SLOPE, abs=0.05)


def test_each_weir_has_one_plant_and_nothing_uses_its_drop_again(run):
    sites = run["sites_table"]
    at_weir = sites["scheme_type"] == "at_barrier"

    assert len(sites) == len(CASES)
    assert sites.loc[at_weir, "head_m"].to_numpy() == pytest.approx(np.full(at_weir.sum(), DROP_M), abs=0.05)
    # The others are diversions from the weir, long enough to gain something below it.
    used = sites["flags"].str.extract(r"intake_at_structure: (W\d+)")[0].where(~at_weir, sites["structure_id"])
    assert used.nunique() == len(CASES)
    assert (sites.loc[~at_weir, "depleted_length_m"] > 100.0).all()
    assert at_weir.mean() > 0.5


def test_a_point_far_from_its_drop_says_so(structures):
    moved = structures["note"].str.contains("drop found")
    known = [number for number, (offset, _) in enumerate(CASES) if abs(offset) > CELL_M]

    for number in known:
        offset, mapped = CASES[number]
        top_m = 50.0 * np.floor(offset / 50.0)
        # Along the stream from the point to the segment that the weir is in.
        away_m = max(top_m - offset - mapped, offset + mapped - top_m - 50.0, 0.0)
        assert moved[f"W{number}"] == (away_m >= CELL_M), CASES[number]
    assert 2 < moved.iloc[known].sum() < len(known) / 2
