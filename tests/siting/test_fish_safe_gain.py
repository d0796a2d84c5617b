"""What fish-safe turbines win, on sets worked by hand."""

import numpy as np
import pandas as pd
import pytest

from sitefinder.settings.fish import FishGroup, FishSettings
from sitefinder.siting.fish_passage import (
    SafetyCase,
    as_asked,
    fish_cases,
    gain_by_district,
    grades_counted,
    judged_by,
    weakest_counted,
    with_bars,
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
    return BestSet(candidates, valued.iloc[candidates].reset_index(drop=True), 0.0)


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


GROUPS = [
    FishGroup(name="salmon", lengths_m=[0.8]),
    FishGroup(name="eel", lengths_m=[0.6], min_survival=0.995),
    FishGroup(name="lamprey", lengths_m=[0.1], min_survival=0.004),
]


@pytest.mark.parametrize(
    ("change", "bars"), [(0.01, [0.96, 1.0, 0.014]), (-0.01, [0.94, 0.985, 0.0]), (0.0, [0.95, 0.995, 0.004])]
)
def test_bars_of_all_groups_are_raised_and_lowered_within_nothing_and_all(change, bars):
    fish = FishSettings(groups=GROUPS, min_survival=0.95)

    changed = with_bars(fish, change)

    assert [group.min_survival for group in changed.groups] == pytest.approx(bars)
    assert [group.name for group in changed.groups] == ["salmon", "eel", "lamprey"]
    assert changed.min_survival == 0.95
    assert [group.min_survival for group in fish.groups] == [None, 0.995, 0.004]


def test_the_assumed_group_has_a_bar_too():
    [group] = with_bars(FishSettings(min_survival=0.9), 0.01).groups

    assert group.min_survival == pytest.approx(0.91)


def test_fish_safety_is_judged_by_every_grade_and_by_one_point_of_the_bars_either_way():
    fish = FishSettings(groups=GROUPS, evidence=["claimed", "tested"])

    assert weakest_counted(fish) == "claimed"
    assert fish_cases(fish) == [
        ("tested", 0.0),
        ("modelled", 0.0),
        ("claimed", 0.0),
        ("none", 0.0),
        ("claimed", -0.01),
        ("claimed", 0.01),
    ]


@pytest.mark.parametrize(
    ("grade", "evidence"),
    # What is stated counts where it comes as far down, though it leaves a grade out.
    [("tested", ["tested"]), ("modelled", ["tested", "modelled"]), ("claimed", ["claimed", "tested"])],
)
def test_a_case_counts_all_grades_down_to_its_own_or_those_that_are_stated(grade, evidence):
    fish = FishSettings(groups=GROUPS, evidence=["claimed", "tested"])

    judged = judged_by(fish, grade, 0.0)

    assert judged.evidence == evidence
    assert judged.groups == fish.groups


def test_a_case_of_other_bars_keeps_the_stated_evidence():
    fish = FishSettings(groups=GROUPS, evidence=["claimed", "tested"])

    judged = judged_by(fish, "claimed", -0.01)

    assert judged.evidence == ["claimed", "tested"]
    assert judged.groups == with_bars(fish, -0.01).groups
    assert judged.groups != fish.groups
