"""Which sites the maximum head keeps from being longer or higher."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from sitefinder.delivery.site_tables import heads_capped

# Six stations 50 m apart; the stream falls by so much to each [m].
FALLS_M = (0.0, 3.0, 1.0, 1.0, 2.0, 4.0)


@pytest.mark.parametrize(
    ("scheme_type", "intake", "tailrace", "weir_height_m", "capped"),
    [
        # Of 4 m with 3 m more above it, 3 m with 4 m more below it, and 2 m that would have 5 m at most.
        ("diversion", 1, 4, 0.0, True),
        ("diversion", 2, 4, 0.0, True),
        ("diversion", 1, 3, 0.0, False),
        # A weir of 2 m would have 5 m of head with the next height, one of 1 m where the stream falls more 6 m.
        ("new_weir", 3, 4, 2.0, False),
        ("new_weir", 4, 5, 1.0, True),
        ("new_weir", 3, 4, 3.0, True),
        ("new_weir", 3, 4, 4.0, False),
        ("at_barrier", 4, 5, 4.0, False),
    ],
)
def test_a_head_is_capped_where_the_next_longer_or_higher_one_is_too_great(
    scheme_type, intake, tailrace, weir_height_m, capped
):
    stations = pd.DataFrame({"downstream": [1, 2, 3, 4, 5, -1], "to_downstream_m": [50.0] * 5 + [0.0]})
    limits = SimpleNamespace(max_head_m=5.5, new_weir_heights_m=[3.0, 1.0, 2.0, 4.0])
    order = pd.DataFrame(
        {"scheme_type": [scheme_type], "intake": intake, "tailrace": tailrace, "weir_height_m": weir_height_m}
    )

    found = heads_capped(
        SimpleNamespace(stretches=limits),
        SimpleNamespace(stations=stations),
        SimpleNamespace(profile_m=20.0 - np.cumsum(FALLS_M)),
        order,
    )

    assert found.tolist() == [capped]
