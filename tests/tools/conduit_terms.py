"""Ground, limits and prices of conduits in made valleys, of which each test file replaces what its cases need."""

import numpy as np

from sitefinder.siting.conduits import ROAD, Limits, Prices

LIMITS = Limits(
    grade=0.001,
    max_cut_m=5.0,
    max_fill_m=1.0,
    max_aqueduct_height_m=6.0,
    max_aqueduct_length_m=60.0,
    max_side_slope=1.0,
    max_detour=3.0,
    min_valley_cells=2.0,
)
PRICES = Prices(
    canal_per_m=300.0,
    penstock_per_m=900.0,
    cut_per_m2=50.0,
    cut_per_m3=25.0,
    bench_per_m=100.0,
    aqueduct_per_m=500.0,
    tunnel_per_m=np.inf,
    per_crossing=1000.0,
    per_road=1500.0,
)


def limits_of(cells_m=(10.0, 5.0), **given):
    """Limits as kernels take them, on cells of a width and a height [m]; level canals where no grade is given."""
    return np.array([*LIMITS._replace(**({"grade": 0.0} | given)), *cells_m])


def maps_of(ground, river=(), roads=()):
    """Elevation, links, obstacles and the links of the way down as kernels take them.

    ``river`` and ``roads`` hold indices of cells: a row, or a tuple of row and column.
    """
    link, obstacle = np.full(ground.shape, -1, dtype=np.int32), np.zeros(ground.shape, dtype=np.uint8)
    for place in river:
        link[place] = 0
    for place in roads:
        obstacle[place] = ROAD
    return ground.astype(np.float32), link, obstacle, np.array([True])
