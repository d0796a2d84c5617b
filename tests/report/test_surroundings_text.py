"""What the summary and an explanation say of water bodies, land, water rights and the grid."""

import pandas as pd

from sitefinder.report.explanation import explanation_text
from sitefinder.report.summary import substations_text, water_bodies_text

NOTHING_ELSE = {
    "about": {"title": "Valley", "kind": "site", "id": "S1", "stream": "", "distance_m": 0.0},
    "verdict": {"of_rules": "open", "means": "", "reasons": "", "rejection_reason": "", "because": ""},
    "rank": 1,
    "scheme_type": "diversion",
    "rules": [],
}


def test_the_summary_says_what_sites_do_where_the_status_must_not_fall():
    bodies = pd.DataFrame(
        {"must_not_fall": [True, False, True], "diverted_m": [400.0, 900.0, 150.0], "new_barriers": [1, 3, 0]}
    )
    sites = pd.DataFrame(
        {"flags": ["", "seam; status_must_not_fall: Moor (good)", "status_must_not_fall: A (high)"]}
    )

    assert water_bodies_text(bodies, sites) == (
        "2 water bodies have a status that must not fall: 2 sites use such water, with 0.550 km of depleted "
        "reaches and 1 new barrier there."
    )
    assert water_bodies_text(bodies[1:2], sites) == ""


def test_the_summary_says_whether_the_grid_takes_the_sites():
    table = pd.DataFrame(
        {
            "sites": [2, 1, 0, 1],
            "free_kw": [300.0, 2000.0, 9000.0, None],
            "left_kw": [-120.0, 1500.0, 9000.0, None],
            "sites_beyond": [1, 0, 0, 0],
        }
    )

    assert substations_text(table) == (
        "2 substations have sites near, and 2.30 MW free; at 1 of them the sites exceed it, by 0.120 MW: 1 site "
        "does not fit, taken by rank."
    )
    assert substations_text(table[1:2]) == "1 substation has sites near, and 2.00 MW free: enough at each of them."
    assert substations_text(table[2:]) == ""


def test_an_explanation_names_what_surrounds_a_site_and_nothing_without_layers():
    around = {
        "water_body_id": "B1; B2",
        "water_body_status": "good; poor",
        "intake_owner": "public",
        "conduit_owner": "private 82 m",
        "tailrace_owner": "no parcel",
        "substation_id": "U1",
        "substation_distance_m": 800.0,
        "substation_free_kw": 500.0,
        "substation_left_kw": -20.0,
        "rights": [
            {
                "licence": "L1",
                "name": "Old mill",
                "kind": "abstraction",
                "relation": "in the depleted reach",
                "distance_m": 40.0,
                "flow_m3s": 0.1,
                "share_of_time": 1.0,
                "months": "",
                "seniority": "1832",
            }
        ],
    }

    text = explanation_text(NOTHING_ELSE | {"surroundings": around})

    said = " ".join(text[text.index("Surroundings") :].split())
    assert said == (
        "Surroundings Water bodies: B1; B2; their status: good; poor. Owners of the ground: at the intake public, "
        "along the conduit private 82 m, at the tailrace no parcel. Substation U1, 800 m away: free 500 kW, left "
        "after this and better sites -20.0 kW. Water right L1, Old mill (abstraction, 0.1 m³/s, seniority 1832), "
        "40 m below the intake. It lies in the depleted reach: the plant takes its water."
    )
    nothing = dict.fromkeys(around, "") | {"rights": []}
    assert "Surroundings" not in explanation_text(NOTHING_ELSE | {"surroundings": nothing})
