"""An equation with terms that are not logged, and its printed 90 % interval.

M. C. Mastin, C. P. Konrad, A. G. Veilleux, A. E. Tecca, "Magnitude, frequency, and trends of floods at gaged and
ungaged sites in Washington," U.S. Geol. Surv. Sci. Invest. Rep. 2016-5118, 2016, region 1. Equations, the example
(Goat Creek), its standard errors of prediction and intervals were read in recorded answers of the Survey's
regression-equation service. A peak flow is no statistic that sitefinder needs; the form and the interval are.
"""

import pandas as pd
import pytest

from sitefinder.catalogue.equations import Equation, Predictor
from sitefinder.hydrology.equations import apply_equation
from sitefinder.units import KM2_PER_SQUARE_MILE, M3S_PER_CUBIC_FOOT_SECOND, MILLIMETRES_PER_INCH

GOAT_CREEK = pd.DataFrame(
    {
        "area_km2": [412.0 * KM2_PER_SQUARE_MILE],
        "precipitation_mm": [45.62 * MILLIMETRES_PER_INCH],
        "canopy_percent": [45.242],
    }
)
# statistic, factor, exponents of area, precipitation, canopy; exact value [ft³/s], standard error of this
# prediction (log10), interval as printed to three figures [ft³/s]
ROWS = [
    ("peak_2_year", 3.846, (0.745, 0.032, -0.0078), 4365.7625, 0.350768271099932, (1140, 16700)),
    ("peak_5_year", 12.106, (0.713, 0.028, -0.0098), 6045.2015, 0.28093883640234, (2060, 17700)),
]


@pytest.mark.parametrize(("statistic", "factor", "exponents", "exact", "error", "interval"), ROWS)
def test_value_error_and_interval_are_reproduced(statistic, factor, exponents, exact, error, interval):
    ranges = [("area", "mi2", "log", 0.25, 3310), ("precipitation", "in", "none", 9.82, 52.5)]
    ranges.append(("canopy", "percent", "none", 0, 77.4))
    equation = Equation(
        statistic=statistic,
        form="log10",
        factor=factor,
        predictors=[
            Predictor(
                name=name, unit=unit, transform=transform, coefficient=exponent, minimum=minimum, maximum=maximum
            )
            for (name, unit, transform, minimum, maximum), exponent in zip(ranges, exponents, strict=True)
        ],
        flow_unit="ft3s",
        standard_error_log10=error,
        # The number of gauges was not read. The four printed ends together imply t between 1.6604 and 1.6647,
        # which 78 to 98 degrees of freedom have; with 90 of them t is 1.6620.
        gauges=94,
        source="Mastin et al. (2016)",
        table="region 1",
    )

    applied = apply_equation(equation, GOAT_CREEK)

    assert applied.flow_m3s / M3S_PER_CUBIC_FOOT_SECOND == pytest.approx(exact, abs=0.5e-4)
    # Three figures are printed: half of the last.
    assert applied.low_m3s / M3S_PER_CUBIC_FOOT_SECOND == pytest.approx(interval[0], abs=5)
    assert applied.high_m3s / M3S_PER_CUBIC_FOOT_SECOND == pytest.approx(interval[1], abs=50)
    assert not any(outside.any() for outside in applied.outside.values())
