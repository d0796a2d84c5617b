"""What the summary says of fish-safe turbines: both questions, and what one point of the bar moves."""

import pandas as pd

from sitefinder.report.fish_safety import fish_safety_text

SETTINGS = {"fish.evidence": "['tested', 'modelled']"}


def group(site, as_built, screened, *, evidence=("modelled", "modelled"), bar=0.95, name="smolts"):
    counts = [each in ("tested", "modelled") for each in evidence]
    safe = as_built >= bar and counts[0]
    return {
        "site_id": site,
        "fish_group": name,
        "is_assumed": False,
        "length_m": 0.15,
        "min_survival": bar,
        "survival_as_built": as_built,
        "survival_screened": screened,
        "evidence_as_built": evidence[0],
        "evidence_screened": evidence[1],
        "safe_as_built": safe,
        "safe_screened": safe or (screened >= bar and counts[1]),
    }


def case(question, change, sites, changed, energy, *, as_set=False, length_km=4.0):
    return {
        "district": "",
        "question": question,
        "evidence": "modelled",
        "bar_change": change,
        "as_set": as_set,
        "only_safe_length_km": length_km,
        "only_safe_theoretical_kw": 300.0,
        "any_theoretical_kw": 900.0,
        "sites_only_safe": 2,
        "energy_only_safe_mwh": 1500.0,
        "sites": sites,
        "sites_changed": changed,
        "energy_mwh": energy,
        "energy_any_mwh": 2000.0,
    }


def gain(as_built_changed=3, lower=0, higher=5):
    return pd.DataFrame(
        [
            case("screened", 0.0, 8, 0, 4000.0, as_set=True),
            case("as_built", 0.0, 8 - as_built_changed, as_built_changed, 3000.0),
            case("screened", -0.01, 8, lower, 4100.0),
            case("screened", 0.01, 8 - higher, higher, 2500.0),
        ]
    )


def test_a_fleet_on_the_bar_is_not_passed_over_in_silence():
    # Nine plants behind a screen at 0.956: one point more, and none of them is safe.
    groups = pd.DataFrame([group(f"S{number}", 0.88, 0.956) for number in range(9)])

    of_plants, of_rules = fish_safety_text(gain(), groups, SETTINGS)

    assert (
        "Of 9 sites, 0 meet the bar of survival with the turbine as built, and 9 as built or behind" in of_plants
    )
    assert "0 instead of 9 as built or behind a screen with the bar +0.01" in of_plants
    assert "-0.01" not in of_plants
    assert "safe as built, without a screen, 3 sites would change" in of_rules
    assert "5 sites with 3.00 GWh" in of_rules
    assert "With the bar 0.01 higher, 5 sites would change (2.50 GWh instead of 4.00)" in of_rules


def test_where_a_point_moves_nothing_that_is_said_too():
    groups = pd.DataFrame([group("A", 0.99, 0.995), group("B", 0.6, 0.8)])

    of_plants, of_rules = fish_safety_text(gain(0, 0, 0), groups, SETTINGS)

    assert "A bar 0.01 lower or higher moves none of these plants across it" in of_plants
    assert "without a screen, no site would change" in of_rules
    assert "A bar 0.01 lower or higher would change none of them" in of_rules


def test_the_worst_group_and_the_evidence_decide():
    groups = pd.DataFrame(
        [
            group("A", 0.99, 0.99),
            group("A", 0.80, 0.955, name="eels", bar=0.95),
            group("B", 0.99, 0.99, evidence=("claimed", "claimed")),
        ]
    )

    of_plants, _ = fish_safety_text(gain(), groups, SETTINGS)

    assert of_plants.startswith("Fish that go downstream: smolts, eels.")
    assert (
        "Of 2 sites, 0 meet the bar of survival with the turbine as built, and 1 as built or behind" in of_plants
    )
    assert "0 instead of 1 as built or behind a screen with the bar +0.01" in of_plants
    # Where claims count, B is safe whatever the bar.
    lenient, _ = fish_safety_text(gain(), groups, {"fish.evidence": "['tested', 'modelled', 'claimed']"})
    assert "1 instead of 2 as built or behind a screen with the bar +0.01" in lenient


def test_an_assumed_group_is_called_so_and_without_rules_nothing_is_said_of_them():
    groups = pd.DataFrame([group("A", 0.99, 0.99) | {"is_assumed": True}])
    none = gain()
    none["only_safe_length_km"] = 0.0

    of_plants, of_rules = fish_safety_text(none, groups, SETTINGS)

    assert "(an assumption: state fish.groups)" in of_plants
    assert of_rules == ""
