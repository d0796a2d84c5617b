"""Small invented regions surveyed again: long profiles as the run's own stages fit them, beside the truth."""

import importlib
import sys
from pathlib import Path
from typing import NamedTuple

import numpy as np
from scipy.spatial import cKDTree

from sitefinder.delivery.graph import STAGES
from sitefinder.pipeline.graph import run_stages
from sitefinder.preparation import read_run
from sitefinder.profile.errors import head_standard_error
from sitefinder.steps.graph import GIVEN

REPOSITORY = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(REPOSITORY / "sample-region"))
make = importlib.import_module("make")
channels = importlib.import_module("channels")
layers = importlib.import_module("layers")
landscape = importlib.import_module("landscape")
sys.path.remove(str(REPOSITORY / "sample-region"))

# A region of few kilometres has small streams only, which fall steeply. At this share of the sample region's
# steepness they fall as the sample's do, by 0.3 to 4 %.
STEEPNESS_SHARE = 0.4
# Further surveys of a region have seeds of their own.
OTHER_NOISE = 1000
# A station so near to a step may read the water above it or below it: where the step stands on the drawn line is
# known to a few cells [m].
NEAR_STEP_M = 30.0
# Where lines are drawn beside the channel, they lie so far from it [m] (least, most); and half of a transect is so
# wide, as the settings of somebody would be who knows it of the map [m].
BESIDE_M = (30.0, 60.0)
HALF_WIDTH_M, HALF_WIDTH_BESIDE_M = 35.0, 75.0
# A lake that the stream leaves higher than this above its surface is none [m].
HELD_UP_M = 0.05
# What a run knows of weirs and falls: the places; their surveyed drops are not used up to the fitted profile.
STRUCTURES = """
[inputs.structures]
path = "layers.gpkg"
layer = "structures"
id_column = "structure_id"
"""
# Error of the DEM: that which make.py gives it, 0.15 m in all.
SETTINGS = """\
[run]
name = "Small region"
crs = "EPSG:32633"
output_folder = "out"
seed = {seed}

[inputs.dem]
path = "dem.tif"
vertical_unit = "metre"
vertical_datum = "invented"
error_rmse_m = 0.15
error_correlation_length_m = 60.0

[inputs.streams]
path = "streams.gpkg"
id_column = "stream_id"
name_column = "name"

[heads]
transect_half_width_m = {half_width_m}
quantile = 0.4

[flows]
equations = ["equations.toml"]

[[flows.environmental]]
kind = "share_of_mean"
share = 0.1

[energy]
turbines = ["{turbines}"]

[costs]
file = "{costs}"
price_per_kwh = 0.3
"""
EQUATIONS = """\
source = "invented, and not used"
table = "none"
flow_unit = "m3s"
gauges = 20
""" + "".join(
    f'\n[[equations]]\nstatistic = "{statistic}"\nform = "log10"\nfactor = {factor}\nstandard_error_log10 = 0.1\n'
    '\n[[equations.predictors]]\nname = "area"\nunit = "km2"\ncoefficient = 1.0\nminimum = 0.001\n'
    "maximum = 1000.0\n"
    for statistic, factor in (("mean", 0.02), ("exceedance_10", 0.04), ("exceedance_90", 0.01))
)


class Survey(NamedTuple):
    """A surveyed region of n stations.

    ``true_m`` is the true water level at each station [m], ``clear`` whether it is far from steps and lakes,
    ``steps`` the stations whose segments hold a step; ``stations``, ``channels``, ``long_profile`` and ``reaches``
    are those of the stages.
    """

    stations: object
    true_m: np.ndarray
    clear: np.ndarray
    steps: np.ndarray
    channels: object
    long_profile: object
    reaches: object = None


class Heads(NamedTuple):
    """Heads between pairs of stations, shape (m,) [m]: what is found less the truth, its error, the true head."""

    off_m: np.ndarray
    se_m: np.ndarray
    true_m: np.ndarray
    way_m: np.ndarray


def is_beside(seed):
    """Whether the lines of a region are drawn beside the channel, where half of the regions have such lines."""
    return seed % 2 == 1


def small_region(cells, seed, *, beside=False):
    """A region of terrain of its own, with gentle streams.

    Parameters
    ----------
    cells : int
        Rows and columns of the DEM.
    seed : int
    beside : bool
        Whether all lines are drawn 30 to 60 m beside the channel instead of within 22 m of it.

    Returns
    -------
    Region
    """
    whole = landscape.ERODIBILITY_PER_YEAR
    landscape.ERODIBILITY_PER_YEAR = whole / STEEPNESS_SHARE
    try:
        return make.build_region(cells, seed, BESIDE_M if beside else None)
    finally:
        landscape.ERODIBILITY_PER_YEAR = whole


def survey(region, seed, folder, more_surveys=0, structures=(False,)):
    """Write a region to a folder, run the stages up to the fitted profile and look up the truth.

    Parameters
    ----------
    region : Region
    seed : int
    folder : Path
    more_surveys : int
        Further surveys of the same streams, each with noise of its own.
    structures : sequence of bool
        Whether a run knows where weirs and falls stand; one run each.

    Returns
    -------
    list of list of Survey
        For each run the region's own survey and the further ones.
    """
    folder.mkdir(parents=True, exist_ok=True)
    make._write_raster(folder / "dem.tif", region.dem, region.transform, -9999.0, 3)
    make._write_layers(folder / "streams.gpkg", {"streams": region.mapped.streams.set_crs(make.EPSG)})
    config = REPOSITORY / "config"
    text = SETTINGS.format(
        seed=seed,
        half_width_m=HALF_WIDTH_M if region.beside_m is None else HALF_WIDTH_BESIDE_M,
        turbines=(config / "turbines" / "generic.toml").as_posix(),
        costs=(config / "costs" / "generic.toml").as_posix(),
    )
    (folder / "equations.toml").write_text(EQUATIONS, encoding="utf-8")
    notes = region.layers["structures"]
    if len(notes):
        make._write_layers(folder / "layers.gpkg", {"structures": notes})
    given = []
    for is_reported in structures:
        whole = text + STRUCTURES if is_reported and len(notes) else text
        (folder / "settings.toml").write_text(whole, encoding="utf-8")
        given.append(dict(zip(GIVEN, (*read_run(folder / "settings.toml"), folder, None), strict=True)))
    stages = stages_up_to("long_profile")
    results = run_stages(stages, given[0])
    last = [stage for stage in stages if stage.name in ("channels", "long_profile")]
    known = (results["stationing"].stations, *truth_of_stations(region, seed, results["stationing"]))
    cells, lake = region.dem.shape[0], region.places.lake
    noise_m = make._dem_noise(cells, lake, seed)
    found = [[] for _ in given]
    for number in range(more_surveys + 1):
        if number > 0:
            dem = region.dem - noise_m + make._dem_noise(cells, lake, seed * OTHER_NOISE + number)
            make._write_raster(folder / "dem.tif", dem.astype(np.float32), region.transform, -9999.0, 3)
        for surveys, run in zip(found, given, strict=True):
            again = run_stages(last, results | run)
            surveys.append(Survey(*known, again["channels"], again["long_profile"], results["stationing"].reaches))
    return found


def stages_up_to(name):
    """The stage of a name and those that it needs, in order."""
    needed, chosen = {name}, []
    for stage in reversed(STAGES):
        if stage.name in needed:
            needed |= set(stage.reads)
            chosen.insert(0, stage)
    return chosen


def truth_of_stations(region, seed, stationing):
    """True water levels [m] at stations, whether each is far from steps and lakes, and the stations below steps.

    The truth of a station is the water nearest to it in the stream that its line was drawn from. Which stream that
    is, is known by drawing the true centrelines as the mapper drew them. A step lies on the segment between the
    last station whose water is above it and the first whose water is below.
    """
    stations, streams, lake = stationing.stations, region.streams, region.places.lake
    points = channels.dense_points(streams)
    shift = layers.mapper_shift(region.dem.shape, region.transform, seed, region.beside_m)
    drawn_at = np.column_stack(shift(points["x_m"], points["y_m"]))
    drawn = cKDTree(drawn_at)
    at = stations[["x_m", "y_m"]].to_numpy()
    # Two streams share the end of a link: who owns a link's stations is asked of its middle.
    link = stations["link"].to_numpy()
    number = points["stream"][drawn.query(at)[1]]
    true_m, vertex = np.full(len(stations), np.nan), np.full(len(stations), -1)
    # A drawn line may begin above the head of its stream, where there is no water.
    clear, steps = ~stations["is_headwater"].to_numpy(), []
    for own in (np.flatnonzero(link == each) for each in np.unique(link)):
        inner = own[1:-1] if own.size > 2 else own
        k = int(np.bincount(number[inner]).argmax())
        mine = np.flatnonzero(points["stream"] == k)
        places = cKDTree(np.column_stack([points["x_m"][mine], points["y_m"][mine]]))
        nearest = mine[places.query(at[own])[1]]
        # The ends of a link are where streams meet on the map, and so where they meet on the ground.
        ends = [0, -1]
        nearest[ends] = mine[cKDTree(drawn_at[mine]).query(at[own[ends]])[1]]
        true_m[own], vertex[own] = points["level_m"][nearest], points["vertex"][nearest]
        # Where two streams meet over the region's border, a link may run up the second.
        clear[own] &= true_m[own[0]] >= true_m[own[-1]]
        if lake is not None and lake.stream == k:
            last = _last_unknown(streams[k], k, lake, region.places.structures)
            clear[own] &= (vertex[own] < lake.first) | (vertex[own] > last)
        for item in region.places.structures:
            if item.stream == k:
                # Near as drawn, and near by the water that is read.
                at_step = [np.atleast_1d(part) for part in layers.step_place(streams[k], item.vertex)]
                clear[own] &= np.hypot(*(at[own] - np.ravel(shift(*at_step))).T) > NEAR_STEP_M
                along_m = streams[k].distance_m
                clear[own] &= np.abs(along_m[vertex[own]] - along_m[item.vertex]) > NEAR_STEP_M
                steps += own[1:][(vertex[own[:-1]] < item.vertex) & (vertex[own[1:]] >= item.vertex)].tolist()
    return true_m, clear, np.array(steps, dtype=np.int64)


# A fall or pond below a lake may hold the stream up into it, while its surface stays in the DEM: water that would
# rise on its way out. Down to that step the truth of no river is known. Otherwise the lake's own last vertex.
def _last_unknown(stream, number, lake, structures):
    below = [item.vertex for item in structures if item.stream == number and item.vertex > lake.last]
    if below and stream.level_m[lake.last] > lake.level_m + HELD_UP_M:
        return min(below) - 1
    return lake.last


def heads_over(found, way_m):
    """Heads from each station to the first one at least a way below it, both ends clear of steps and lakes."""
    downstream = found.stations["downstream"].to_numpy()
    step_m = found.stations["to_downstream_m"].to_numpy()
    lower, gone_m = np.arange(len(downstream)), np.zeros(len(downstream))
    for _ in range(len(downstream)):
        moving = (gone_m < way_m - 1e-6) & (downstream[lower] >= 0)
        if not moving.any():
            break
        gone_m = np.where(moving, gone_m + step_m[lower], gone_m)
        lower = np.where(moving, downstream[lower], lower)
    upper = np.flatnonzero((gone_m >= way_m - 1e-6) & found.clear & found.clear[lower])
    return _heads(found, upper, lower[upper])


def heads_of_reaches(found):
    """Heads of reaches whose ends are both clear of steps and lakes."""
    upper, lower = (found.reaches[name].to_numpy() for name in ("first_station", "last_station"))
    is_clear = found.clear[upper] & found.clear[lower]
    return _heads(found, upper[is_clear], lower[is_clear])


def heads_at_steps(found):
    """Heads from the last clear station above each step to the first clear one below it, within three each way."""
    downstream = found.stations["downstream"].to_numpy()
    pairs = []
    for below in found.steps.tolist():
        upper, lower = below - 1, below
        for _ in range(3):
            if not found.clear[upper] and found.stations["segment_length_m"].to_numpy()[upper] > 0:
                upper -= 1
            if not found.clear[lower] and downstream[lower] >= 0:
                lower = int(downstream[lower])
        if found.clear[upper] and found.clear[lower]:
            pairs.append((upper, lower))
    upper, lower = np.array(pairs, dtype=np.int64).reshape(-1, 2).T
    return _heads(found, upper, lower)


def _heads(found, upper, lower):
    profile_m, true_m = found.long_profile.profile_m, found.true_m
    along_m = found.stations["to_downstream_m"].to_numpy()
    way_m = np.array([_way(found.stations, along_m, a, b) for a, b in zip(upper, lower, strict=True)])
    off_m = (profile_m[upper] - profile_m[lower]) - (true_m[upper] - true_m[lower])
    se_m = head_standard_error(found.long_profile.errors_m, upper, lower)
    return Heads(off_m, se_m, true_m[upper] - true_m[lower], way_m)


def _way(stations, along_m, upper, lower):
    downstream, gone_m = stations["downstream"].to_numpy(), 0.0
    while upper != lower:
        gone_m += along_m[upper]
        upper = int(downstream[upper])
    return gone_m


def joined(parts):
    """Heads of several surveys as one."""
    return Heads(*(np.concatenate(column) for column in zip(*parts, strict=True)))
