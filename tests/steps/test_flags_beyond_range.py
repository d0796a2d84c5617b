"""Flags of places that the tool is not meant for, on the small valley: each limit of the settings sets its own."""

from functools import partial

import pytest
from partial_run import tables_of
from small_valley import write_valley

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


def flagged(folder, text, **limits):
    settings = folder / "run.toml"
    settings.write_text(text + LIMITS.format(**NEVER | limits), encoding="utf-8")
    sites = tables_of(settings, "sites", store=folder / "store")["sites"]
    assert len(sites)
    return [flag for flag in FLAGS if sites["flags"].str.contains(flag).any()], sites


# Each run goes on with what those before it kept.
def test_each_limit_sets_its_own_flag_and_nothing_else(tmp_path):
    flags_with = partial(flagged, tmp_path, write_valley(tmp_path).read_text(encoding="utf-8"))
    found, sites = flags_with()
    assert found == []
    size = sites.iloc[0]

    assert flags_with(share=0.99 * size["flow_design_m3s"] / size["flow_mean_m3s"])[0] == []
    assert flags_with(share=1.01 * size["flow_design_m3s"] / size["flow_mean_m3s"])[0] == ["small_part_of_river"]
    assert flags_with(width=0.01)[0] == ["river_wide"]
    cells = round(size["area_km2"] * 1e6 / 100.0)
    assert flags_with(cells=cells)[0] == []
    assert flags_with(cells=cells + 1)[0] == ["catchment_coarse"]
