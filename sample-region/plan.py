"""The geography that the sample region is made after: its rivers, rocks, and what was built along them.

A region smaller than `MIN_CELLS` has no room for it: there rivers run where erosion puts them, none comes from
outside, and structures stand where chance draws them.
"""

from typing import NamedTuple

import numpy as np
from scipy.interpolate import CubicSpline

MIN_CELLS = 800


class River(NamedTuple):
    """A river whose valley is laid down before erosion begins.

    ``path`` holds places as (row, column) shares of the side, downstream; ``into`` the river that it joins, "" for
    one that leaves; ``inflow_km2`` is the catchment outside that it brings over the border, 0 for one that rises
    here; ``erodes_as_km2`` the ground with which it comes in as far as erosion goes, which decides its slope;
    ``bends_m`` the amplitude of its meanders.
    """

    name: str
    into: str
    path: tuple
    inflow_km2: float
    erodes_as_km2: float
    bends_m: float


class PlannedWeir(NamedTuple):
    """A weir at a share of its river's length from the head, with the attributes of the layer of structures.

    ``connected``: a power line leads there.
    """

    river: str
    at: float
    drop_m: float
    use: str
    owner: str
    condition: str
    powered: bool = False
    fish_pass: bool = False
    removal_planned: bool = False
    connected: bool = False


ARDELM, OSKERY, VELLEBECK, TARRIN = "Ardelm", "Oskery", "Vellebeck", "Tarrin"
RIVERS = (
    River(
        ARDELM, "",
        (
            (0.0, 0.20), (0.10, 0.27), (0.19, 0.16), (0.30, 0.13), (0.37, 0.27), (0.44, 0.40), (0.53, 0.33),
            (0.60, 0.17), (0.71, 0.13), (0.80, 0.25), (0.80, 0.42), (0.72, 0.53), (0.77, 0.66), (0.89, 0.66),
            (1.0, 0.60),
        ),
        560.0, 110.0, 110.0,
    ),
    River(
        OSKERY, ARDELM, ((0.24, 1.0), (0.27, 0.87), (0.34, 0.75), (0.33, 0.62), (0.39, 0.51), (0.44, 0.41)),
        70.0, 16.0, 60.0,
    ),
    River(
        VELLEBECK, ARDELM, ((0.60, 1.0), (0.57, 0.88), (0.64, 0.77), (0.72, 0.70), (0.77, 0.66)),
        56.0, 14.0, 60.0,
    ),
    River(TARRIN, "", ((0.20, 0.58), (0.15, 0.68), (0.09, 0.76), (0.06, 0.82), (0.0, 0.84)), 0.0, 0.0, 40.0),
)  # fmt: skip
# Rivers leave here: shares of the side, (row, column), and level of the ground over that of the first [m].
GAPS, GAP_LEVELS_M = ((1.0, 0.60), (0.0, 0.84)), (0.0, 55.0)

# Slope times root of area [m]: of the soft lowland, of the hills in the east, of a hard bed in them, which makes
# rapids of the two rivers there, and of a ridge that the Ardelm cuts.
LOWLAND_STEEPNESS_M, UPLAND_STEEPNESS_M, BED_STEEPNESS_M, RIDGE_STEEPNESS_M = 10.0, 26.0, 52.0, 17.0
# The hills begin east of this line, (row, column) shares, over this width; the ridge lies along another.
FOOT_OF_HILLS = ((0.0, 0.46), (0.30, 0.56), (0.60, 0.70), (0.85, 0.86), (1.0, 0.95))
FOOT_WIDTH = 0.05
# The hard bed lies so far behind the foot of the hills, and is so wide.
BED_BEHIND_FOOT, BED_WIDTH = 0.14, 0.06
RIDGE_BY, RIDGE_WIDTH = ((0.58, 0.05), (0.62, 0.17), (0.66, 0.45)), 0.035

BOARD, MILL, WATERWAY, FARMERS, NOBODY = (
    "Tarrin Water Board",
    "Hosk Mill",
    "Ardelm Navigation",
    "Meadow Farmers",
    "unknown",
)
WEIRS = (
    PlannedWeir(ARDELM, 0.040, 1.9, "mill", MILL, "good"),
    PlannedWeir(ARDELM, 0.095, 1.2, "none", NOBODY, "poor"),
    PlannedWeir(ARDELM, 0.1525, 2.6, "mill", NOBODY, "fair"),
    PlannedWeir(ARDELM, 0.2225, 2.2, "irrigation", FARMERS, "good"),
    PlannedWeir(ARDELM, 0.290, 1.5, "none", NOBODY, "fair"),
    PlannedWeir(ARDELM, 0.345, 3.2, "mill", MILL, "good", powered=True, connected=True),
    PlannedWeir(ARDELM, 0.420, 1.0, "none", NOBODY, "poor", removal_planned=True),
    PlannedWeir(ARDELM, 0.475, 2.05, "mill", BOARD, "good", fish_pass=True, connected=True),
    PlannedWeir(ARDELM, 0.611, 2.1, "mill", NOBODY, "fair"),
    PlannedWeir(ARDELM, 0.680, 2.8, "irrigation", FARMERS, "good"),
    PlannedWeir(ARDELM, 0.735, 0.8, "none", NOBODY, "poor"),
    PlannedWeir(ARDELM, 0.785, 1.7, "none", BOARD, "fair"),
    PlannedWeir(ARDELM, 0.840, 2.8, "navigation", WATERWAY, "good"),
    PlannedWeir(ARDELM, 0.895, 2.5, "navigation", WATERWAY, "good"),
    PlannedWeir(ARDELM, 0.955, 2.2, "navigation", WATERWAY, "good", powered=True, connected=True),
    PlannedWeir(OSKERY, 0.860, 2.4, "mill", NOBODY, "fair"),
    PlannedWeir(OSKERY, 0.940, 1.6, "mill", MILL, "good"),
    PlannedWeir(VELLEBECK, 0.910, 4.0, "none", BOARD, "fair"),
)
# Settlements lie on good ground near these places, (row, column) shares; the largest have electricity.
SETTLEMENTS = (
    ("Velden Oar", 640, (0.86, 0.65)),
    ("Tarrin", 310, (0.47, 0.42)),
    ("Ebbenstow", 130, (0.71, 0.50)),
    ("Hosk", 85, (0.83, 0.36)),
    ("Prunnock", 62, (0.63, 0.78)),
    ("Zelk", 47, (0.34, 0.74)),
    ("Mirrow", 45, (0.26, 0.16)),
    ("Upper Tarrin", 24, (0.58, 0.21)),
    ("Åmsted", 9, (0.25, 0.94)),
)
SETTLEMENT_NEAR_M, SERVED_SETTLEMENTS = 350.0, 7
# Of the weir below the first road embankment the layer says this; its place comes from the embankment.
WEIR_BELOW_ROAD = PlannedWeir("", 0.0, 1.8, "none", NOBODY, "fair")
# The fall: river, share of its length, drop. The lake and the road embankments lie on brooks of such areas.
FALL = (OSKERY, 0.46, 3.6)
LAKE_KM2, ROAD_BANKS_KM2 = (0.8, 12.0), (3.0, 9.0)
# A weir on a bare sill of rock, below which the water is wide and shallow, and a gorge in the ridge, where it is
# narrow and deep. Both were surveyed: flow [m³/s], width [m], mean depth [m].
SILL_WEIR_AT, SILL_VERTICES, SILL = 0.475, 8, (13.0, 62.0, 0.12)
GORGE_FROM, GORGE_TO, GORGE_WIDTH_M, GORGE = 0.492, 0.540, 9.0, (13.0, 9.0, 1.15)
# A canal for irrigation leaves above a weir and runs along the river's valley, down drops, back into the river.
CANAL_FROM, CANAL_TO, CANAL_OFFSET_M, CANAL_SLOPE, CANAL_FLOW_M3S = 0.220, 0.415, -260.0, 3e-4, 2.4
CANAL_DROPS = 4
# A treatment works lets its water out over a drop: place beside the river, flow and drop.
OUTFALL_AT, OUTFALL_OFFSET_M, OUTFALL_FLOW_M3S, OUTFALL_DROP_M = 0.765, 70.0, 0.6, 3.2
# Flood embankments stand on both sides of the lower river. Fish migrate up to the meadows, and spawn in the
# Vellebeck.
DYKED_FROM, DYKED_TO, DYKE_OFFSET_M, DYKE_OVER_WATER_M = 0.80, 0.97, 55.0, 1.8
MIGRATION_FROM = 0.70
SPAWNING_FROM, SPAWNING_TO = 0.66, 0.86
# Meadows that are wet in spring: two weirs stand in them. No new barrier in the vale around the lower river.
MEADOW_FROM, MEADOW_TO, MEADOW_HALF_WIDTH_M = 0.600, 0.700, 330.0
# A narrow strip along sill and gorge is kept for its scenery: no water may be led past it.
SCENERY_FROM, SCENERY_TO, SCENERY_HALF_WIDTH_M = 0.465, 0.545, 130.0
VALE_CENTRE, VALE_RADIUS, HOLE_CENTRE, HOLE_RADIUS = (0.76, 0.36), 0.20, (0.62, 0.40), 0.03


def notes_of(weir):
    """What the layer of structures says of a planned weir, by column."""
    names = ("use", "owner", "powered", "condition", "fish_pass", "removal_planned")
    return {name: getattr(weir, name) for name in names}


class Course(NamedTuple):
    """Dense places along planned rivers, as shares of the side, and their level over the first gap [m]."""

    row: np.ndarray
    column: np.ndarray
    level_m: np.ndarray


def lay_courses(side_m, seed):
    """Where the planned rivers are to run, and about how high, on a side of this length [m].

    Returns
    -------
    Course
    """
    rng = np.random.default_rng([seed, 8])
    courses, gaps = {}, iter(GAP_LEVELS_M)
    for river in RIVERS:
        control = np.array(river.path)
        chord = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(control, axis=0).T))])
        at = np.linspace(0.0, chord[-1], 2000)
        place = CubicSpline(chord, control)(at)
        along = np.gradient(place, axis=0)
        normal = np.column_stack([along[:, 1], -along[:, 0]]) / np.hypot(*along.T)[:, None]
        # Meanders of some 700 m, unlike each other, that fade at both ends.
        swing = np.sin(
            2 * np.pi * at * side_m / 750.0 + 1.3 * np.sin(2 * np.pi * at * side_m / 2900.0 + rng.uniform(0, 6))
        )
        fade = np.clip(np.minimum(at, at[-1] - at) * side_m / 500.0, 0, 1)
        place = place + normal * (swing * fade * river.bends_m / side_m)[:, None]
        place = np.clip(place, 0.0, 1.0)
        length_m = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(place, axis=0).T))]) * side_m
        steep_m = steepness_m(place[:, 0], place[:, 1])
        area_m2 = 1e6 * (max(river.erodes_as_km2, 1.0) + 0.0013 * length_m)
        slope = steep_m / np.sqrt(area_m2)
        climb = np.concatenate([[0.0], np.cumsum((slope[1:] + slope[:-1]) / 2 * np.diff(length_m))])
        if river.into:
            stem = courses[river.into]
            foot_m = stem.level_m[np.argmin(np.hypot(stem.row - place[-1, 0], stem.column - place[-1, 1]))]
        else:
            foot_m = next(gaps)
        courses[river.name] = Course(place[:, 0], place[:, 1], foot_m + climb[-1] - climb)
    return Course(*(np.concatenate(column) for column in zip(*courses.values(), strict=True)))


# 0 in the plain, 1 in the hills.
def _hilliness(row, column):
    foot = np.interp(row, *np.array(FOOT_OF_HILLS).T)
    return 1 / (1 + np.exp(-(column - foot) / (FOOT_WIDTH / 4)))


def steepness_m(row, column):
    """Slope of a river times the root of its area [m], at shares of the side: what the rock there resists.

    Parameters
    ----------
    row, column : ndarray of float64
        Shares of the side, 0 to 1.

    Returns
    -------
    ndarray of float64
    """
    hills = _hilliness(row, column)
    # The plain is softer the farther south.
    soft = LOWLAND_STEEPNESS_M * (1.1 - 0.45 * row)
    steep = soft * (UPLAND_STEEPNESS_M / soft) ** hills
    foot = np.interp(row, *np.array(FOOT_OF_HILLS).T)
    bed = np.exp(-(((column - foot - BED_BEHIND_FOOT) / (BED_WIDTH / 2)) ** 2))
    steep = steep * (BED_STEEPNESS_M / UPLAND_STEEPNESS_M) ** bed
    line = np.array(RIDGE_BY)
    middle = np.interp(column, line[:, 1], line[:, 0])
    ridge = np.exp(-(((row - middle) / (RIDGE_WIDTH / 2)) ** 2)) * (column < line[-1, 1])
    return np.maximum(steep, soft * (RIDGE_STEEPNESS_M / soft) ** ridge)


def ground_slope(row, column):
    """How fast the ground first rises away from the planned rivers [m/m], at shares of the side."""
    return 0.02 + 0.08 * _hilliness(row, column)


def entries(size, coarseness):
    """Cells at which rivers come in, one coarse cell from the border.

    Parameters
    ----------
    size : int
        Rows and columns of the grid.
    coarseness : int
        Cells of the coarsest grid over those of this one: how far inside the border they lie.

    Returns
    -------
    list of (int, int, River)
        Row, column and river.
    """
    found = []
    for river in RIVERS:
        if river.inflow_km2 > 0:
            row, column = (round(share * (size - 1)) for share in river.path[0])
            found.append((*np.clip([row, column], coarseness, size - 1 - coarseness).tolist(), river))
    return found
