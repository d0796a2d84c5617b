"""How long one rule takes on many reaches: a hundred thousand polygons across a hundred thousand reaches.

Run as ``python tests/benchmarks/rules.py [polygons] [reaches]``. The same reaches and polygons are then handed to
a plain overlay of all that meet (``geopandas.overlay``), which gives lengths by reach, not places along it; both
times are of one run on one turbine, and so is their ratio. Lengths of both ways are compared.
"""

import resource
import sys
import time

import geopandas
import numpy as np
import pandas as pd
import shapely

from sitefinder.rules.overlaps import all_rule_metres, overlaps
from sitefinder.rules.upstream_downstream import Barriers, Steps, carried_along
from sitefinder.rules.verdicts import held_reaches, verdicts
from sitefinder.settings import RuleSettings

COUNT = 100_000
REACH_M, SEGMENTS, VERTICES = 500.0, 10, 40
# So large that a third or so of the reaches meets a polygon, as in a land with many small protected areas.
PER_KM2 = 1.0
CRS = "EPSG:32633"


def made_reaches(count, side_m, draw):
    """Crooked reaches of 500 m in ten segments of four vertices each, at random places, one below the other."""
    steps = np.full((count, VERTICES), REACH_M / VERTICES)
    turn = draw.uniform(0, 2 * np.pi, (count, 1)) + np.cumsum(draw.normal(0, 0.25, (count, VERTICES)), axis=1)
    xy = np.stack([np.cos(turn), np.sin(turn)], axis=-1) * steps[..., None]
    xy = np.concatenate([np.zeros((count, 1, 2)), np.cumsum(xy, axis=1)], axis=1)
    xy += draw.uniform(0, side_m, (count, 1, 2))
    each = VERTICES // SEGMENTS
    pieces = np.stack([xy[:, each * n : each * (n + 1) + 1] for n in range(SEGMENTS)], axis=1)
    lines = shapely.linestrings(pieces.reshape(-1, each + 1, 2))
    reach = np.repeat(np.arange(count), SEGMENTS)
    at = np.tile(np.arange(SEGMENTS) * REACH_M / SEGMENTS, count)
    table = {"station": np.arange(len(lines)), "reach": reach, "from_m": at, "to_m": at + REACH_M / SEGMENTS}
    segments = geopandas.GeoDataFrame(table, geometry=lines, crs=CRS)
    return segments, shapely.linestrings(xy)


def made_polygons(count, side_m, draw):
    """Blobs of 8 to 200 corners and 50 to 1500 m across, a few much larger, as protected areas are."""
    shapes = []
    sizes = np.minimum(50.0 * (1.0 - draw.random(count)) ** -0.9, 15_000.0)
    for size, corners in zip(sizes, draw.integers(8, 200, count), strict=True):
        angle = np.sort(draw.uniform(0, 2 * np.pi, corners))
        radius = size / 2 * draw.uniform(0.6, 1.0, corners)
        ring = np.column_stack([np.cos(angle), np.sin(angle)]) * radius[:, None] + draw.uniform(0, side_m, 2)
        shapes.append(shapely.Polygon(ring))
    valid = shapely.make_valid(np.array(shapes, dtype=object), method="structure")
    return geopandas.GeoDataFrame({"feature_id": np.arange(count).astype(str)}, geometry=valid, crs=CRS)


def main():
    """Print the seconds of each step, and the ratio to a plain overlay."""
    polygons = int(sys.argv[1]) if len(sys.argv) > 1 else COUNT
    count = int(sys.argv[2]) if len(sys.argv) > 2 else COUNT
    draw = np.random.default_rng(1)
    side_m = np.sqrt(max(polygons, count) / PER_KM2) * 1000.0
    segments, lines = made_reaches(count, side_m, draw)
    features = made_polygons(polygons, side_m, draw)
    rule = RuleSettings(name="reserve", action="exclude", path="reserves.gpkg", effect="downstream")

    # A first call on little, so that compiling is not timed.
    stations = pd.DataFrame({"reach": segments["reach"], "distance_m": segments["to_m"], "segment_length_m": 50.0})
    upper = np.flatnonzero(np.arange(len(segments) - 1) % (SEGMENTS * 1000) != SEGMENTS * 1000 - 1)
    steps, none = Steps(upper, upper + 1), Barriers(np.zeros(0), np.zeros(0))
    level = np.zeros(len(segments))
    carried_along(overlaps(segments[:1000], features, rule), stations, steps, rule, none, level)

    begun = time.perf_counter()
    hits = overlaps(segments, features, rule)
    overlapped = time.perf_counter()
    metres = all_rule_metres(hits, [rule], count, by="reach")
    reaches = pd.DataFrame({"length_m": np.full(count, REACH_M)})
    judged_reaches = verdicts(held_reaches(reaches, metres, [rule]), [rule])
    judged = time.perf_counter()
    carried = carried_along(hits, stations, steps, rule, none, level)
    followed = time.perf_counter()

    whole = geopandas.GeoDataFrame({"reach": np.arange(count)}, geometry=lines, crs=CRS)
    plain_begun = time.perf_counter()
    pieces = geopandas.overlay(whole, features, how="intersection", keep_geom_type=True)
    plain_s = time.perf_counter() - plain_begun
    ours_m = hits.groupby(["reach", "feature_id"])["overlap_m"].sum()
    theirs_m = pieces.length.groupby([pieces["reach"], pieces["feature_id"]]).sum()
    apart_m = (ours_m.reindex(theirs_m.index, fill_value=0.0) - theirs_m).abs().max()

    excluded = (judged_reaches["verdict"] == "excluded").mean()
    corners = shapely.get_num_coordinates(features.geometry).mean()
    print(f"{polygons:,} polygons of {corners:.0f} corners, {count:,} reaches of {SEGMENTS} segments")
    print(
        f"{len(hits):,} hits; {100 * excluded:.0f} % of the reaches excluded; {len(carried):,} pieces downstream"
    )
    print(f"overlaps                  {overlapped - begun:8.1f} s")
    print(f"metres and verdicts       {judged - overlapped:8.1f} s")
    print(f"downstream to the outlet  {followed - judged:8.1f} s")
    print(f"plain overlay             {plain_s:8.1f} s, {plain_s / (overlapped - begun):.2f} times as long")
    print(f"lengths of both differ by at most {apart_m:.1e} m")
    print(f"memory at the highest {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20:.1f} GiB")


if __name__ == "__main__":
    main()
