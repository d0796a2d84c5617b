"""Levelised cost against the Annual Technology Baseline's hydropower figures.

National Renewable Energy Laboratory, Annual Technology Baseline, workbook values for hydropower, kept with the
calculation code in the folder tests/data/Hydropower of the public repository ATB-calc, commit e3fcfd5a. Research
and development case, US dollars of 2022, 30 and 100 years; read there. The project finance factor is not printed;
it is the one number that all three rows agree on (derived).
"""

import pytest

from sitefinder.energy.costs import levelised_cost_per_kwh

RATE = 0.03836008098862442
CONSTRUCTION_FINANCE_FACTOR = 1.0644783067453352
PROJECT_FINANCE_FACTOR = 1.0542759958280963

# Overnight capital, grid connection, capital a kW as printed, fixed operation a kW and year, capacity factor,
# cost of a MWh at 30 and at 100 years.
ROWS = {
    "new stream reach 1": (8567, 108, 9234.349311015783, 155, 0.66, 122.25883217277577, 92.93631274061376),
    "new stream reach 4": (6743, 108, 7292.740879512291, 35, 0.66, 81.43415024831663, 58.27696516131467),
    "dam without power 1": (3045, 0, 3241.3364440395458, 92, 0.33, 98.83240111646714, 78.24748545746232),
}


@pytest.mark.parametrize("name", ROWS)
@pytest.mark.parametrize(("years", "column"), [(30, 5), (100, 6)])
def test_levelised_cost_agrees_to_the_printed_digits(name, years, column):
    overnight, connection, capital_printed, operation, capacity_factor, *_ = ROWS[name]
    capital = CONSTRUCTION_FINANCE_FACTOR * (overnight + connection)

    cost = 1000 * levelised_cost_per_kwh(
        PROJECT_FINANCE_FACTOR * capital, operation, capacity_factor * 8760, RATE, years
    )

    # Both are printed as doubles; the derived finance factor carries their last digits.
    assert capital == pytest.approx(capital_printed, rel=1e-14)
    assert cost == pytest.approx(ROWS[name][column], rel=1e-13)
