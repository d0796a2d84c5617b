"""The Logan River again with one more exclusion layer: what is done again, and the way back."""

import shutil

import geopandas
import pyogrio
import pytest
import rasterio
import shapely
from opened_rasters import note_opened

from sitefinder import running as stages
from sitefinder.pipeline.code import module_of
from sitefinder.running import run_and_deliver
from sitefinder.steps.graph import STEPS

pytestmark = pytest.mark.slow

RULE = """
[[rules]]
name = "one more"
path = "one_more.gpkg"
id_column = "id"
action = "exclude"
"""


def test_one_more_layer_redoes_no_terrain_flow_or_energy_and_leaves_no_trace_when_it_goes(
    logan_run, tmp_path, monkeypatch
):
    shutil.copytree(logan_run.folder, tmp_path, dirs_exist_ok=True)
    settings = tmp_path / "logan.toml"
    ran, opened = [], []
    # What the files of this copy hold is known from a run before.
    run_and_deliver(settings)

    def watched(stage):
        def run_it(**arguments):
            ran.append(stage.name)
            return stage.function(**arguments)

        run_it.__module__ = module_of(stage.run)
        return stage._replace(run=run_it)

    monkeypatch.setattr(stages, "STAGES", tuple(map(watched, stages.STAGES)))
    note_opened(monkeypatch, opened)
    first = tmp_path / "out" / "sites.gpkg"
    before, text = first.read_bytes(), settings.read_text(encoding="utf-8")
    sites = pyogrio.read_dataframe(first, layer="sites")
    hit = sites.iloc[::3]
    circles = shapely.buffer(hit.geometry.to_numpy(), 300.0)
    frame = geopandas.GeoDataFrame({"id": hit["site_id"].to_numpy()}, geometry=circles, crs=sites.crs)
    pyogrio.write_dataframe(frame, tmp_path / "one_more.gpkg")
    with rasterio.open(logan_run.dem):
        assert opened == [str(logan_run.dem)]
    opened.clear()

    settings.write_text(text + RULE, encoding="utf-8")
    run_and_deliver(settings)
    after = set(pyogrio.read_dataframe(first, layer="sites")["site_id"])
    # A stage that is cut by drainage system runs once for each.
    again = list(dict.fromkeys(name for name in ran if name in {stage.name for stage in STEPS}))
    settings.write_text(text, encoding="utf-8")
    ran.clear()
    with_store = run_and_deliver(settings).path.read_bytes()

    expected = [
        "rule_overlaps",
        "spawning_m",
        "rule_verdicts",
        "decisions",
        "verdicts",
        "drop_overlaps",
        "drop_verdicts",
        "closed_months",
        "sites",
    ]
    expected += ["limit_costs", "fish_safe_only", "fish_safety"]
    assert sorted(again) == sorted(expected)
    assert opened == []
    assert len(sites) > 3
    assert not after & set(hit["site_id"])
    # What is compared was made from nothing.
    assert with_store == before
    assert ran == []
