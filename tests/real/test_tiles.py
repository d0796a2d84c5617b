"""Tiles of any size give the same station areas and covariates, bit for bit: sample region and Logan River."""

import pandas as pd
import pytest

from sitefinder.delivery.graph import STAGES
from sitefinder.pipeline.graph import run_stages
from sitefinder.preparation import read_run

pytestmark = pytest.mark.slow

# Tiles of the terrain stage [cells], as a share of the grid or as an odd shape.
CUTS = {"4 tiles": (2, 2), "9 tiles": (3, 3), "odd tiles": (251, 173)}


@pytest.fixture(scope="module", params=["config/sample.toml", "tests/real/logan.toml"])
def whole(request, repository, sample_run, tmp_path_factory):
    """Results of the stages up to catchments, with the region as one tile."""
    given = {"scratch": tmp_path_factory.mktemp("one-tile"), "progress": None}
    if request.param == "config/sample.toml":
        # Of the run of the session only the rasters on its grid are gone.
        results = run_stages([stage for stage in STAGES if stage.name == "surface"], sample_run.results | given)
    else:
        settings, inputs = read_run(repository / request.param)
        results = run_stages(_until("catchments"), {"settings": settings, "inputs": inputs} | given)
    assert len(results["terrain"].label_tiles) == 1
    return results


def _until(name):
    return STAGES[: [stage.name for stage in STAGES].index(name) + 1]


@pytest.mark.parametrize("cut", CUTS)
def test_tiles_change_no_area_and_no_covariate(whole, cut, tmp_path):
    grid = whole["surface"].grid
    rows, columns = CUTS[cut]
    if cut != "odd tiles":
        rows, columns = -(-grid.rows // rows), -(-grid.columns // columns)
    settings = whole["settings"]
    terrain = settings.terrain.model_copy(update={"tile_rows": rows, "tile_columns": columns, "margin_cells": 7})
    stages = [stage for stage in _until("catchments") if stage.name in ("terrain", "catchments")]
    given = whole | {"settings": settings.model_copy(update={"terrain": terrain}), "scratch": tmp_path}

    tiled = run_stages(stages, given)

    expected_tiles = -(-grid.rows // rows) * -(-grid.columns // columns)
    assert len(tiled["terrain"].label_tiles) == expected_tiles > 1
    pd.testing.assert_frame_equal(tiled["catchments"], whole["catchments"], check_exact=True)
