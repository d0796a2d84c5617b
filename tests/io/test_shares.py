"""Polygons as a raster: cells whose centres lie inside, whatever the chunks."""

import numpy as np
import pytest
import shapely

from sitefinder.dem.grid import Grid, centre_of, whole
from sitefinder.io import surface as shares
from sitefinder.io.raster import read_window
from sitefinder.io.surface import write_share

GRID = Grid(70, 90, 500_000.0, 5_200_000.0, 10.0, 8.0)
BLOBS = np.array(
    [
        shapely.Point(500_203.1, 5_199_801.7).buffer(151.3),
        shapely.box(500_611.3, 5_199_502.9, 500_703.7, 5_200_100.0),
        shapely.Point(500_300.3, 5_199_777.7)
        .buffer(99.9)
        .difference(shapely.box(500_290.1, 5_199_700, 500_310.3, 5_199_900)),
    ]
)


def test_cells_are_inside_where_their_centres_are(tmp_path):
    count = write_share(BLOBS, GRID, "EPSG:32633", tmp_path / "share.tif")

    values, known = read_window(tmp_path / "share.tif", whole(GRID))
    inside = shapely.contains_xy(
        shapely.union_all(BLOBS), *centre_of(GRID, *np.mgrid[: GRID.rows, : GRID.columns])
    )
    assert known.all()
    assert np.array_equal(values, np.where(inside, 100.0, 0.0))
    assert count == inside.sum() > 0


@pytest.mark.parametrize("chunk", [7, 32, 89])
def test_chunks_of_any_size_give_the_same_cells(tmp_path, monkeypatch, chunk):
    write_share(BLOBS, GRID, "EPSG:32633", tmp_path / "whole.tif")
    monkeypatch.setattr(shares, "CHUNK_CELLS", chunk)

    write_share(BLOBS, GRID, "EPSG:32633", tmp_path / "parts.tif")

    whole_values, parts = (read_window(tmp_path / name, whole(GRID))[0] for name in ("whole.tif", "parts.tif"))
    assert np.array_equal(parts, whole_values)


def test_polygons_elsewhere_and_none_at_all_have_no_share(tmp_path):
    far = np.array([shapely.box(0, 0, 1, 1)])

    assert write_share(far, GRID, "EPSG:32633", tmp_path / "share.tif") == 0
    assert write_share(far[:0], GRID, "EPSG:32633", tmp_path / "share.tif") == 0
