"""The screening cascade and the passage of fish as text: whole texts for tables whose figures are plain."""

import pandas as pd
import pytest

from sitefinder.report.summary import cascade_text, fish_text


def screening_cascade(*steps):
    rows = []
    for number, (kind, rule, action, met, barred, left) in enumerate(steps):
        row = {"scope": "region", "way": "in order", "step": number, "kind": kind, "rule": rule, "action": action}
        row |= {"affected_reaches": met, "excluded_reaches": barred, "remaining_reaches": left}
        row |= {"remaining_km": left / 2, "remaining_mw": left / 10, "remaining_gwh": left * 0.876}
        rows.append(row)
    rows += [{**rows[0], "scope": "district"}, {**rows[-1], "way": "alone"}]
    return pd.DataFrame(rows)


def test_steps_that_affect_no_reach_are_left_out():
    text = cascade_text(
        screening_cascade(
            ("everything", "", "", 20, 0, 20),
            ("standing water", "", "", 0, 0, 20),
            ("rule", "nature reserve", "exclude", 6, 5, 15),
            ("rule", "migration stem", "fish_safe_only", 4, 0, 15),
            ("open", "", "", 15, 0, 15),
        )
    )

    # Half a kilometre, 100 kW and 876 MWh a reach.
    assert text == (
        "  screening cascade                         affected  excluded  remaining    km    MW   GWh\n"
        "  everything                                      20         0         20  10.0  2.00  17.5\n"
        "  nature reserve (no site)                         6         5         15  7.50  1.50  13.1\n"
        "  migration stem (fish-safe turbines only)         4         0         15  7.50  1.50  13.1\n"
        "  open                                            15         0         15  7.50  1.50  13.1"
    )


def test_of_many_rules_the_first_few_are_shown_and_the_rest_counted():
    steps = [("rule", f"rule {number}", "note", 1, 0, 3) for number in range(11)]

    text = cascade_text(screening_cascade(("everything", "", "", 3, 0, 3), *steps, ("open", "", "", 3, 0, 3)))

    assert "rule 7 " in text
    assert "rule 8" not in text
    assert text.endswith("\n  and 3 rules more")


def streams(survival, plants, developed_m=0.0):
    columns = {"min_survival": survival, "plants_on_migration_path": plants, "developed_m": developed_m}
    return pd.DataFrame(columns, index=range(len(survival)))


NO_FLAGS = pd.DataFrame({"flags": ["", "seam"]})


def test_passage_survival_is_that_of_the_least_favourable_route_with_what_it_leaves_out():
    two = streams([None, 0.9, 0.774], [None, 2, 5], developed_m=[0.0, 50.0, 0.0])
    start = (
        "Cumulative downstream passage survival from spawning grounds to the outlet, on the least favourable "
        "route: 77.4 % of fish, past 5 plants"
    )

    assert fish_text(two, NO_FLAGS, {"fish.existing_survival": "0.9"}) == f"{start}."
    assert fish_text(two, NO_FLAGS, {}) == (
        f"{start}; at existing plants 77.7 % count as surviving, since fish.existing_survival is not set."
    )
    asked = {"fish.existing_survival": "0.9", "fish.min_passage_survival": "0.75"}
    flagged = pd.DataFrame({"flags": ["seam; survival_rounded"]})
    assert fish_text(two, flagged, asked) == (
        f"{start} (minimum set: 75.0 %); losses were rounded up, so a better selection may exist "
        "(survival_rounded)."
    )


@pytest.mark.parametrize("survival", [[], [None, None]])
def test_without_spawning_grounds_nothing_is_said(survival):
    assert fish_text(streams(survival, survival), NO_FLAGS, {}) == ""
