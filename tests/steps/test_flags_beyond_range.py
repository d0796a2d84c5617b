"""Flags of places that the tool is not meant for, on the small valley: each limit of the settings sets its own."""

import pytest
from small_valley import write_valley

from sitefinder.inventory import run_and_deliver

pytestmark = pytest.mark.slow

LIMITS = """
[flags]
min_catchment_cells = {cells}
min_river_share = {share}
max_river_width_m = {width}
max_low_head_slope = {slope}
"""
NEVER = {"cells": 0, "share": 0.0, "width": 1e6, "slope": 10.0}
FLAGS = ["catchment_coarse", "small_part_of_river", "river_wide", "steep_stream"]


def flagged(folder, **limits):
    settings = write_valley(folder)
    settings.write_text(settings.read_text(encoding="utf-8") + LIMITS.format(**NEVER | limits), encoding="utf-8")
    sites = run_and_deliver(settings).tables["sites"]
    assert len(sites)
    return [flag for flag in FLAGS if sites["flags"].str.contains(flag).any()], sites


# Each run goes on with what those before it kept.
def test_each_limit_sets_its_own_flag_and_nothing_else(tmp_path):
    found, sites = flagged(tmp_path)
    assert found == []
    size = sites.iloc[0]

    assert flagged(tmp_path, share=0.99 * size["flow_design_m3s"] / size["flow_mean_m3s"])[0] == []
    assert flagged(tmp_path, share=1.01 * size["flow_design_m3s"] / size["flow_mean_m3s"])[0] == [
        "small_part_of_river"
    ]
    assert flagged(tmp_path, width=0.01)[0] == ["river_wide"]
    cells = round(size["area_km2"] * 1e6 / 100.0)
    assert flagged(tmp_path, cells=cells)[0] == []
    assert flagged(tmp_path, cells=cells + 1)[0] == ["catchment_coarse"]
