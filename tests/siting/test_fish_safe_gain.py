"""What fish-safe turbines win, on sets worked by hand."""

import numpy as np
import pandas as pd

from sitefinder.siting.fish_passage import (
    SafetyCase,
    as_asked,
    gain_by_district,
    grades_counted,
    without_fish_safe,
)
from sitefinder.siting.selection import BestSet

TURBINES = np.array(["propeller", "screw"], dtype=object)


def best_set(chosen, energy_mwh, turbine, screened):
    valued = pd.DataFrame(
        {
            "energy_mwh": energy_mwh,
            "power_kw": np.array(energy_mwh) / 5.0,
            "turbine": turbine,
            "screened": screened,
        }
    )
    candidates = np.flatnonzero(chosen)
    return BestSet(candidates, valued.iloc[candidates].reset_index(drop=True))


def test_grades_are_counted_from_the_best_down():
    assert grades_counted("tested") == ["tested"]
    assert grades_counted("none") == ["tested", "modelled", "claimed", "none"]


def test_without_fish_safe_turbines_nothing_may_stand_where_only_they_may():
    choice = np.array([0, 1, 2, -1], dtype=np.int8)

    assert without_fish_safe(choice).tolist() == [0, -1, -1, -1]
    assert without_fish_safe(choice).dtype == np.int8


def test_the_other_question_is_asked_of_every_rule_and_the_own_one_as_each_rule_asks():
    choice = np.array([0, 1, 2, -1], dtype=np.int8)

    assert as_asked(choice, "screened", "screened").tolist() == [0, 1, 2, -1]
    assert as_asked(choice, "as_built", "screened").tolist() == [0, 2, 2, -1]
    assert as_asked(choice, "screened", "as_built").tolist() == [0, 1, 1, -1]
    assert as_asked(choice, "as_built", "screened").dtype == np.int8


def test_both_measures_are_reported_for_each_district_and_grade():
    # The second, on a protected stretch, takes the place of the first; the third is open to any turbine.
    district = np.array(["Up", "Up", "Down"], dtype=object)
    only_safe = np.array([False, True, False])
    without = best_set([True, False, True], [40.0, np.nan, 10.0], [0, -1, 0], [False] * 3)
    tested = best_set([False, True, True], [40.0, 100.0, 10.0], [0, 0, 0], [False, True, False])
    claimed = best_set([False, True, True], [40.0, 120.0, 10.0], [0, 1, 0], [False] * 3)

    own = SafetyCase("screened", "tested")
    cases = {own: tested, SafetyCase("screened", "claimed"): claimed, SafetyCase("as_built", "tested"): without}
    both = gain_by_district(["Up", "Down", ""], district, only_safe, without, cases, own, TURBINES)
    table = both[both["question"] == "screened"].set_index(["district", "evidence"])
    as_built = both[both["question"] == "as_built"].set_index("district")

    up = table.loc[("Up", "tested")]
    assert (up["sites_any"], up["energy_any_mwh"]) == (1, 40.0)
    assert (up["sites"], up["energy_mwh"]) == (1, 100.0)
    assert (up["sites_only_safe"], up["power_only_safe_kw"], up["energy_only_safe_mwh"]) == (1, 20.0, 100.0)
    # The gain is less than what stands there, because of the site that gave way.
    assert up["gain_mwh"] == 60.0
    assert up["turbines"] == "propeller with screen"
    assert table.loc[("Up", "claimed"), ["gain_mwh", "turbines"]].tolist() == [80.0, "screw"]
    down = table.loc[("Down", "claimed")]
    assert (down["sites"], down["sites_only_safe"], down["gain_mwh"], down["turbines"]) == (1, 0, 0.0, "")
    assert table.loc[("", "tested"), "sites"] == 0
    # The site on the protected stretch has another turbine where claims count, and without a screen is not there.
    assert table.loc[("Up", ["tested", "claimed"]), "sites_changed"].tolist() == [0, 1]
    assert (as_built.loc["Up", "sites_changed"], as_built.loc["Down", "sites_changed"]) == (1, 0)
    # Without a screen nothing may stand there: as if no turbine were safe.
    assert as_built.loc["Up", ["sites", "sites_only_safe", "gain_mwh"]].tolist() == [1, 0, 0.0]
