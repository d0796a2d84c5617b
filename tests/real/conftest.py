"""Runs of real terrain as far as catchments."""

import re
import tomllib
from pathlib import Path
from typing import NamedTuple

import pytest
from caught_run import caught_run

from sitefinder.delivery.graph import STAGES
from sitefinder.pipeline.graph import run_stages
from sitefinder.settings import check_settings
from sitefinder.steps.inputs import read_inputs

# No test here looks at page, sheets or the files of exchange, nor at a figure of a site's simulations.
TABLES_ALONE = """
[uncertainty]
simulations = 50

[delivery]
page = false
field_sheets = 0
district_map = false
gpx = false
csv = false
field_form = false
gis_project = false
"""


# Two of the twelve generic classes: nearly all sites would get one of these, and no test here looks at which.
TURBINES = ("Kaplan turbine", "crossflow turbine")


class LoganRun(NamedTuple):
    """A run of the Logan River: its folder with all that it left, its tables, and results of its stages."""

    folder: Path
    tables: dict
    results: dict
    dem: Path
    summary: str


@pytest.fixture(scope="session")
def logan_run(repository, made_once):
    """The Logan River, run once for all tests that look at it, in whatever process they are.

    Its folder is to be copied before it is used: ``logan.toml``, ``out`` and the store in it.
    """

    def made(folder):
        delivered, results = caught_run(_write_logan(folder, repository))
        wanted = ("stationing", "catchments", "heads", "stretches", "sites")
        dem = repository / "tests" / "real" / "data" / "logan" / "dem_100m.tif"
        return LoganRun(
            folder, dict(delivered.tables), {name: results[name] for name in wanted}, dem, delivered.summary
        )

    return made_once("logan", made)


# The settings of the Logan River, for tables alone, with absolute paths.
def _write_logan(folder, repository):
    here = repository / "tests" / "real"
    text = (here / "logan.toml").read_text(encoding="utf-8")
    for written in re.findall(r'"([^"]+\.(?:csv|toml|tif|gpkg))"', text):
        text = text.replace(f'"{written}"', f'"{(here / written).resolve().as_posix()}"')
    generic = (repository / "config" / "turbines" / "generic.toml").read_text(encoding="utf-8")
    head, *blocks = generic.split("[[turbines]]\n")
    chosen = [block for block in blocks if tomllib.loads(block)["name"] in TURBINES]
    assert len(chosen) == len(TURBINES)
    (folder / "turbines.toml").write_text("[[turbines]]\n".join([head, *chosen]), encoding="utf-8")
    text = re.sub(r'"[^"]*/turbines/generic.toml"', '"turbines.toml"', text)
    settings = folder / "logan.toml"
    settings.write_text(text + TABLES_ALONE, encoding="utf-8")
    return settings


@pytest.fixture
def drained(repository, tmp_path):
    """``drained(dem, streams, crs, **terrain)``: results of all stages up to catchments, by name."""

    def ran(dem, streams, crs, **terrain):
        mapping = {
            "run": {"name": "trial", "crs": crs, "output_folder": str(tmp_path / "out")},
            "inputs": {
                "dem": {
                    "path": str(dem),
                    "vertical_unit": "metre",
                    "vertical_datum": "NAVD 88",
                    "error_rmse_m": 2.44,
                },
                "streams": {"path": str(streams), "id_column": "id"},
            },
            "terrain": terrain,
            "flows": {
                "gauges": {
                    "path": str(repository / "tests" / "real" / "great_basin_gauges.csv"),
                    "predictors": ["area_km2"],
                    "source": "for this trial",
                },
                "environmental": [{"kind": "share_of_mean", "share": 0.1}],
            },
            "energy": {"turbines": [str(repository / "config" / "turbines" / "generic.toml")]},
            "costs": {"file": str(repository / "config" / "costs" / "generic.toml"), "price_per_kwh": 0.2},
        }
        settings = check_settings(mapping, "trial")
        inputs = read_inputs(settings, tmp_path)
        scratch = tmp_path / f"scratch-{len(list(tmp_path.iterdir()))}"
        scratch.mkdir()
        last = [stage.name for stage in STAGES].index("catchments") + 1
        given = {"settings": settings, "inputs": inputs, "scratch": scratch, "progress": None}
        return run_stages(STAGES[:last], given)

    return ran
