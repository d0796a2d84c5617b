"""The low-flow equations of western Washington against recorded answers of a public service.

C. A. Curran, K. Eng, C. P. Konrad, "Analysis of low flows and selected methods for estimating low-flow
characteristics at partial-record and ungaged stream sites in western Washington," U.S. Geol. Surv. Sci. Invest.
Rep. 2012-5078, 2012. Equations, ranges, errors and the worked example (Skookumchuck River near Vail) were read in
recorded answers of the Survey's regression-equation service, not in the report's tables.
"""

import numpy as np
import pandas as pd
import pytest

from sitefinder.catalogue.equations import LN_10
from sitefinder.hydrology.equations import apply_equation
from sitefinder.io.gauges import read_equations
from sitefinder.units import KM2_PER_SQUARE_MILE, M3S_PER_CUBIC_FOOT_SECOND, MILLIMETRES_PER_INCH

# file, answer printed to three figures, exact answer [ft³/s], error [%], sigma log10 (derived)
EQUATIONS = [
    ("western_washington_low_flow_area.toml", 16.2, 16.19298213, 0.43828),
    ("western_washington_low_flow_area_precipitation.toml", 12.0, 11.99798482, 0.39631),
]


def stations(area_mi2, precipitation_in):
    return pd.DataFrame(
        {
            "area_km2": np.array(area_mi2, dtype=float) * KM2_PER_SQUARE_MILE,
            "precipitation_mm": np.array(precipitation_in, dtype=float) * MILLIMETRES_PER_INCH,
        }
    )


@pytest.mark.parametrize(("file", "printed", "exact", "sigma_log10"), EQUATIONS)
def test_the_worked_example_is_reproduced(repository, file, printed, exact, sigma_log10):
    (equation,) = read_equations(repository / "config" / "equations" / file)

    applied = apply_equation(equation, stations([39.9], [71.07]))

    flow_ft3s = applied.flow_m3s / M3S_PER_CUBIC_FOOT_SECOND
    assert flow_ft3s == pytest.approx(exact, abs=0.5e-8)
    assert flow_ft3s == pytest.approx(printed, abs=0.05)
    assert equation.log_sd / LN_10 == pytest.approx(sigma_log10, abs=0.5e-5)
    assert not any(outside.any() for outside in applied.outside.values())


def test_what_lies_out_of_range_is_computed_and_flagged(repository):
    (equation,) = read_equations(repository / "config" / "equations" / EQUATIONS[1][0])
    at_the_ends = stations([0.1, 48.9], [25.1, 143.0])
    beyond = stations([0.099, 48.91, 10.0, 10.0], [50.0, 50.0, 25.0, 143.1])

    inside, applied = apply_equation(equation, at_the_ends), apply_equation(equation, beyond)

    # The service answers outside the range without a word.
    assert not any(outside.any() for outside in inside.outside.values())
    assert applied.outside["area_km2"].tolist() == [True, True, False, False]
    assert applied.outside["precipitation_mm"].tolist() == [False, False, True, True]
    assert np.isfinite(applied.flow_m3s).all()
