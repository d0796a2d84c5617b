"""One bad number must not take the machine's memory or disk: what a run needs is worked out and refused before."""

import time
import tracemalloc
from types import SimpleNamespace

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
from small_valley import CRS, write_valley

from sitefinder import inventory
from sitefinder.errors import ConfigError, InputError, StageError
from sitefinder.io import computer
from sitefinder.io.computer import available_memory_mb, free_disk_mb
from sitefinder.io.settings_files import read_settings, read_toml
from sitefinder.network.quality import count_crossings, list_crossings
from sitefinder.pipeline import memory
from sitefinder.planning import plan
from sitefinder.preparation import check, read_run
from sitefinder.rules.overlaps import pairs_within_buffer
from sitefinder.running import run_and_deliver
from sitefinder.scenarios import run_scenarios
from sitefinder.steps.demand import PAYING_S, Counts, demand_of, with_workers, within_memory
from sitefinder.units import gigabytes_of

SOUND = Counts(11, 61, 10.0, 0.6, 1, 0, {})


@pytest.fixture
def valley(tmp_path):
    """The settings file of a small valley."""
    return write_valley(tmp_path)


def changed(settings, *pairs):
    """The settings file with texts in place of others."""
    text = settings.read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    settings.write_text(text, encoding="utf-8")
    return settings


def limited(settings, size_gb):
    """The same with a limit of memory."""
    return changed(settings, ("[run]", f"[run]\nmemory_limit_gb = {size_gb}"))


def write_layer(settings, name, geometry):
    """Put a layer in place of another."""
    columns = {"id": [f"B{number}" for number in range(len(geometry))], "name": "Plain Brook"}
    frame = geopandas.GeoDataFrame(columns, geometry=geometry, crs=CRS)
    frame.to_file(settings.parent / "layers.gpkg", layer=name, driver="GPKG")


def jagged(vertices):
    """A polygon with this number of vertices around the valley, its border up and down by 1 % of its radius."""
    angle = np.linspace(0.0, 2.0 * np.pi, vertices, endpoint=False)
    radius_m = 1000.0 * (1.0 + 0.01 * np.random.default_rng(0).random(vertices))
    return shapely.polygons(
        np.column_stack([500_300.0 + radius_m * np.cos(angle), 4_999_945.0 + radius_m * np.sin(angle)])
    )


def test_a_sound_region_needs_little_and_says_so(valley):
    assert check(limited(valley, 1.0)) == []

    lines = plan(valley).summary.splitlines()

    assert lines[-2] == "  size:      671 cells, 1 km of stream, about 14 stations"
    assert lines[-1].startswith("  needs:     at most about 700 MB of memory, ")


def test_cells_of_a_millimetre_are_refused_for_want_of_disk(valley):
    (problem,) = check(changed(valley, ("[terrain]", "[terrain]\ncell_size_m = 0.001")))

    lines = problem.splitlines()
    assert lines[0] == "the run needs more room on disk than there is"
    assert "  cause:     110,000 × 610,000 cells of 0.001 m" in lines
    assert lines[-1].startswith("  fix:       raise terrain.cell_size_m, ")
    assert check(changed(valley, ("cell_size_m = 0.001", "cell_size_m = 5.0"))) == []


def test_a_vertex_far_away_counts_as_far_as_the_margin_of_the_dem(valley):
    middle = 5_000_000.0 - 55.0
    write_layer(valley, "streams", [shapely.LineString([(500_003.0, middle), (500_603.0, middle), (1e9, middle)])])

    _, inputs = read_run(limited(valley, 2.0))
    assert inputs.counts.stream_km == pytest.approx(5.607, abs=0.01)
    (problem,) = check(changed(valley, ("[network]", "[network]\ndem_margin_m = 4e7")))

    assert "stations on 40,00" in problem
    assert "network.station_spacing_m = 50" in problem
    assert "  expected:  at most 2.0 GB" in problem


def test_hundreds_of_lines_that_cross_are_counted_and_refused(valley):
    angle, shift = np.random.default_rng(0).random((2, 350))
    away = np.column_stack([np.cos(np.pi * angle), np.sin(np.pi * angle)]) * 300.0
    centre = np.column_stack([500_300.0 + shift, 4_999_945.0 - shift])
    lines = shapely.linestrings(np.stack([centre - away, centre + away], axis=1))
    write_layer(valley, "streams", lines)

    (problem,) = check(limited(valley, 0.73))

    assert "crossings of stream lines without a common end" in problem
    assert "join the streams where they meet" in problem
    assert check(changed(valley, ("memory_limit_gb = 0.73", "memory_limit_gb = 2.0"))) == []


def test_crossings_are_counted_as_they_are_listed():
    lines = shapely.linestrings(np.random.default_rng(3).random((230, 2, 2)))
    network = SimpleNamespace(
        links=pd.DataFrame({"geometry": lines}),
        parts=pd.DataFrame({"link": np.arange(230), "feature_id": [str(number) for number in range(230)]}),
    )

    assert count_crossings(lines) == len(list_crossings(network)) > 5000


def test_a_polygon_of_many_vertices_with_a_wide_buffer_is_refused(valley):
    write_layer(valley, "migration", [jagged(20_000)])
    with valley.open("a", encoding="utf-8") as file:
        file.write('\n[[rules]]\nname = "reserve"\npath = "layers.gpkg"\nlayer = "migration"\n')
        file.write('action = "exclude"\nbuffer_m = 10.0\n')

    (problem,) = check(limited(valley, 1.2))

    assert "  cause:     rule reserve: a polygon whose vertices lie much closer than its buffer is wide" in problem
    assert "lower buffer_m of the rule" in problem
    assert check(changed(valley, ("buffer_m = 10.0", "buffer_m = 0.1"))) == []


def test_what_a_buffer_takes_grows_with_its_width_until_it_smooths_all():
    shape = np.array([jagged(20_000)], dtype=object)

    narrow, wide, all_smooth = (pairs_within_buffer(shape, width_m) for width_m in (1.0, 10.0, 2000.0))

    vertices = shapely.get_coordinates(shape[0])[:-1]
    some = vertices[7::97]
    near = np.hypot(*(vertices[:, None] - some).T) <= 10.0
    # The library smooths a tenth of a metre away before.
    assert 0.7 < wide / (near.sum() / len(some) * len(vertices)) <= 1.0
    assert narrow < wide / 10.0
    assert all_smooth == 0.0
    assert pairs_within_buffer(np.array([shapely.box(0, 0, 1, 1)]), 10.0) == 0.0


def test_a_key_of_thousands_of_parts_is_refused_before_it_takes_memory(tmp_path):
    path = tmp_path / "settings.toml"
    tracemalloc.start()
    try:
        for text in ("{} = 1", "[{}]", "a = {{{} = 1}}", "a = 1\n b = {{c = 1, {} = 2}}"):
            path.write_text(text.format(".".join(["a", "'b'", '"c"'] * 1000)), encoding="utf-8")
            with pytest.raises(
                ConfigError, match=f"a key of more than 30 parts in line {1 + text.count(chr(10))}"
            ):
                read_toml(path)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()

    # The parser's own way took 36 MB for the first of them, and 1.6 GB for 20,000 parts.
    assert peak < 5e6
    path.write_text("a.b.c = 1\ntext = 'a.b.c, " + "d.e" * 50 + "'\n", encoding="utf-8")
    assert read_toml(path)["a"] == {"b": {"c": 1}}


def test_tiles_become_smaller_where_memory_is_short_and_nothing_else_changes(valley):
    settings = read_settings(valley)
    large = SOUND._replace(rows=50_000, columns=50_000)
    whole = demand_of(settings, large)
    assert settings.terrain.tile_rows == 2048

    fitted = within_memory(settings, large, whole.process_mb - 100.0)

    assert (fitted.terrain.tile_rows, fitted.terrain.tile_columns) == (1024, 1024)
    assert demand_of(fitted, large).process_mb <= whole.process_mb - 100.0
    assert fitted.model_copy(update={"terrain": settings.terrain}) == settings
    assert within_memory(settings, large, 1e6) == settings
    assert within_memory(settings, large, 1.0).terrain.tile_rows == 256


def test_parts_of_drainage_systems_become_smaller_where_they_take_more_than_tiles(valley):
    settings = read_settings(valley, ["run.workers=4", "stretches.longest_m=30000.0"])
    large = SOUND._replace(stream_km=1000.0)
    whole = demand_of(settings, large)
    assert whole.part_mb > whole.tile_mb
    assert whole.worker_mb == pytest.approx(500.0 + whole.part_mb)

    fitted = within_memory(settings, large, whole.total_mb(4) - 4 * 0.4 * whole.part_mb)

    assert fitted.run.part_stations == 250
    assert demand_of(fitted, large).part_mb == pytest.approx(whole.part_mb / 2)
    assert fitted.terrain == settings.terrain
    assert within_memory(settings, large, 1.0).run.part_stations == 60


def test_scenarios_hold_themselves_to_a_stated_memory_before_any_is_run(valley):
    with pytest.raises(InputError, match="the run needs more memory than there is") as raised:
        run_scenarios([valley], memory_gb=0.1)

    assert "expected:  at most 100 MB" in str(raised.value)
    assert not (valley.parent / "out").exists()


def test_a_run_that_takes_more_than_was_foreseen_is_stopped_and_delivers_nothing(valley, monkeypatch):
    monkeypatch.setattr(memory, "LOOK_S", 0.01)
    monkeypatch.setattr(memory, "used_mb", lambda: (5432.1, 3))

    with pytest.raises(StageError, match="the run takes more memory than it may") as raised:
        run_and_deliver(limited(valley, 2.0))

    assert "found:     5.43 GB in 3 processes" in str(raised.value)
    assert not (valley.parent / "out" / "sites.gpkg").exists()


def test_a_run_that_replaces_files_already_is_not_stopped(valley, monkeypatch):
    used = [(10.0, 1)]
    monkeypatch.setattr(memory, "LOOK_S", 0.01)
    monkeypatch.setattr(memory, "used_mb", lambda: used[-1])

    def deliver(*_, **__):
        used.append((5432.1, 3))
        time.sleep(0.1)
        return ["delivered"]

    monkeypatch.setattr(inventory, "deliver", deliver)

    with memory.held_to(2000.0):
        assert inventory.put_in_place(read_settings(valley), valley.parent / "out", [], {}, {}) == ["delivered"]


def test_workers_count_with_the_run(valley):
    demand = demand_of(read_settings(valley), SOUND)

    assert demand.system_mb == pytest.approx(0.02 * demand.stations * 0.2)
    assert demand.total_mb(1) == demand.process_mb + demand.system_mb
    assert demand.total_mb(3) == demand.process_mb + demand.system_mb + 3 * demand.worker_mb
    (problem,) = check(changed(valley, ("[run]", "[run]\nworkers = 8\nmemory_limit_gb = 2.0")))
    assert "or fewer workers" in problem
    assert "of each of 8 workers" in problem


def test_a_large_region_gets_as_many_workers_as_cores_pay_and_memory_allows(valley):
    lengths = ["network.station_spacing_m=50.0", "stretches.longest_m=1500.0"]
    settings = read_settings(valley, lengths)
    large = SOUND._replace(rows=5000, columns=5000, stream_km=2000.0)
    demand = demand_of(settings, large)
    assert 4 < demand.paid_workers < 20

    def chosen(counts=large, memory_mb=1e6, cores=4, given=settings):
        return with_workers(given, counts, memory_mb, lambda: cores).run.workers

    assert (chosen(), chosen(cores=1), chosen(cores=1000)) == (4, 1, demand.paid_workers)
    # Smaller tiles and parts first, then fewer workers, and one process at last.
    assert chosen(memory_mb=demand.total_mb(4) - 50.0) == 4
    assert chosen(memory_mb=demand.total_mb(1) + 2.5 * 500.0) == 2
    assert chosen(memory_mb=1.0) == 1
    stated = with_workers(read_settings(valley, ["run.workers=3"]), large, 1e6, lambda: 4)
    assert stated.run.workers == 3
    assert with_workers(settings, large, 1e6, lambda: 4).terrain == settings.terrain


def test_a_region_that_one_process_is_done_with_soon_gets_no_workers_and_asks_for_no_cores(valley):
    # Of stretches along 1 km at 50 m there are some 30 to a station: two workers pay from here on.
    least_km = 2 * PAYING_S / (30 * 0.6e-4) * 0.05

    def cores():
        raise AssertionError

    settings = read_settings(valley, ["network.station_spacing_m=50.0", "stretches.longest_m=1500.0"])
    below, above = (SOUND._replace(stream_km=share * least_km) for share in (0.98, 1.02))
    assert with_workers(settings, below, 1e6, cores).run.workers == 1
    assert with_workers(settings, above, 1e6, lambda: 8).run.workers == 2


@pytest.mark.parametrize("text", ["", "2", "GB", "-1 GB", "0 MB", "nan GB", "inf GB", "2 GX", "2 G B", "1e999 MB"])
def test_a_size_that_is_none_is_refused(text):
    with pytest.raises(ValueError, match=r'expected a size such as "2 GiB" or "500 MB"'):
        gigabytes_of(text)


def test_what_there_is_follows_the_limit_of_a_container(tmp_path, monkeypatch):
    monkeypatch.setattr(computer, "_GROUP_FILES", ())
    machine = available_memory_mb()
    (tmp_path / "max").write_text("900000000\n", encoding="ascii")
    (tmp_path / "used").write_text("899000000\n", encoding="ascii")
    monkeypatch.setattr(computer, "_GROUP_FILES", ((tmp_path / "max", tmp_path / "used"), ("none", "none")))

    assert machine > 1.0
    assert available_memory_mb() == 1.0
    (tmp_path / "max").write_text("max\n", encoding="ascii")
    assert available_memory_mb() > 1.0
    assert free_disk_mb(tmp_path / "not" / "there") == pytest.approx(free_disk_mb(tmp_path), rel=0.01)
