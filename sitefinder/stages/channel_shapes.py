"""The stage of channel shapes: width and depth of each station, by hydraulic geometry or measured sections."""

from typing import NamedTuple

import pandas as pd

from sitefinder.power.channel_shape import ChannelShapes, MeasuredSection, channel_shapes
from sitefinder.stages.levels import NOT_USED, stations_along
from sitefinder.streams.lines import REPAIR_COLUMNS


class PlacedShapes(NamedTuple):
    """Channel shapes of all stations, and what measured sections changed."""

    shapes: ChannelShapes
    repairs: pd.DataFrame


def find_channel_shapes(settings, inputs, placed, flows):
    """Width and depth of each station by flow; a section holds within ``channel.section_reach_m`` on its link."""
    told, sections = [], []
    snap_m = settings.stretches.structure_snap_m
    for row in () if inputs.sections is None else inputs.sections.itertuples():
        text = f"section measured: {row.width_m:g} m wide, {row.depth_m:g} m deep at {row.flow_m3s:g} m³/s"
        near = stations_along(row.geometry, placed, snap_m, settings.channel.section_reach_m)
        if near is None:
            told.append(("sections", row.section_id, f"{text}; no stream within {snap_m:g} m", NOT_USED))
            continue
        sections.append(MeasuredSection(*near, row.flow_m3s, row.width_m, row.depth_m))
        used = f"used at {len(near[0])} stations in place of hydraulic geometry"
        told.append(("sections", row.section_id, text, used))
    shapes = channel_shapes(flows.estimate.mean_m3s, settings.tailwater, settings.channel, sections)
    return PlacedShapes(shapes, pd.DataFrame(told, columns=REPAIR_COLUMNS, dtype="str"))
