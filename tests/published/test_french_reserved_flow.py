"""The floor of the environmental flow in France.

Code de l'environnement, Art. L.214-18: a tenth of the module, the interannual mean flow; a twentieth where it is
above 80 m³/s; all that arrives where that is less.
"""

import numpy as np
import pytest

from sitefinder.hydrology.environmental_flow import environmental_flow_by_bin
from sitefinder.io.catalogue_files import read_environmental_flow
from sitefinder.settings import EnvironmentalFlowSetting


@pytest.mark.parametrize(
    ("module_m3s", "inflow_m3s", "kept_m3s"), [(10, 50, 1.0), (80, 90, 8.0), (81, 90, 4.05), (10, 0.6, 0.6)]
)
def test_the_floor(repository, module_m3s, inflow_m3s, kept_m3s):
    rules = read_environmental_flow(
        [EnvironmentalFlowSetting(preset="environmental-flow/france_l214_18.toml", choice="floor")],
        repository / "config",
    )

    environmental_flow = environmental_flow_by_bin(
        np.full((1, 4), float(inflow_m3s)), np.array([float(module_m3s)]), rules
    )

    assert environmental_flow == pytest.approx(np.full((1, 4), kept_m3s), rel=1e-12)
