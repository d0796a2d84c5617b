"""Limits and prices of conduits in made valleys, of which each test file replaces what its own cases need."""

import numpy as np

from sitefinder.siting.conduits import Limits, Prices

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
