"""Small networks by hand: names carried on wherever links are numbered, and what is set aside, in order."""

import numpy as np
import pytest

from sitefinder.network.quality import list_ridges
from sitefinder.network.stations import place_stations
from sitefinder.network.topology import build_network


@pytest.mark.parametrize("sides", [1, 2])
def test_a_name_is_carried_on_between_two_of_it_whatever_numbers_the_links_have(lines, sides):
    # A stem of five links that is named above, in the middle and below; brooks join on one or on both sides.
    drawn = {f"stem {number}": [(0, 500 - 100 * number), (0, 400 - 100 * number)] for number in range(5)}
    for number in range(1, 5):
        for side in (-1, 1)[: sides if number == 4 else 1]:
            drawn[f"brook {number} {side}"] = [(70 * side, 530 - 100 * number), (0, 500 - 100 * number)]
    frame = lines(**drawn)
    frame["stream"] = ["Ardelm" if name in ("stem 0", "stem 2", "stem 4") else "" for name in drawn]

    network = build_network(frame, snap_m=1.0)

    first = network.parts.groupby("link")["feature_id"].first()
    names = dict(zip(first, network.links["stream"], strict=True))
    assert {name for name, own in names.items() if own == "Ardelm"} == {f"stem {number}" for number in range(5)}
    assert (network.repairs["action"] == "called Ardelm").sum() == 2


def test_what_is_set_aside_is_listed_by_feature_and_place_with_rows_counted_anew(lines):
    # Two rings without a way out, each of two pieces, drawn before and after a sound stream.
    drawn = lines(
        west=[(0, 0), (100, 0), (100, 100)],
        brook=[(900, 300), (900, 0)],
        back=[(100, 100), (0, 100), (0, 0)],
    )

    unresolved = build_network(drawn, snap_m=1.0).unresolved

    assert unresolved["feature_id"].tolist() == ["back", "west"]
    assert unresolved.index.tolist() == [0, 1]
    assert unresolved["feature_from_m"].tolist() == [0.0, 0.0]
    assert unresolved["feature_to_m"].tolist() == [200.0, 200.0]
    assert (unresolved["because"] == "flows in a circle without a way out").all()


def turned(network):
    return set(network.repairs.loc[network.repairs["action"].str.startswith("turned"), "feature"])


def test_what_is_set_aside_as_a_whole_is_not_reported_as_turned_as_well(lines):
    # A stream that gathers six brooks uphill, of which the last is drawn upstream; a creek beside it is sound.
    drawn, elevation_m = {"creek": [(5000, 100), (5000, 0)]}, {"creek": (9.0, 0.0)}
    for number in range(6):
        brook = [(-500, 1000.0 * number), (0, 1000.0 * number)]
        drawn[f"brook {number}"] = brook if number < 5 else brook[::-1]
        ground_m = (0.0, 40.0 * number + 40.0)
        elevation_m[f"brook {number}"] = ground_m if number < 5 else ground_m[::-1]
    drawn["stem"], elevation_m["stem"] = [(0, 0), (0, 6000)], (40.0, 280.0)
    ends = np.array([elevation_m[name] for name in drawn])
    frame = lines(**drawn)
    # The stem is what is left of a feature whose first 250 m lie elsewhere.
    frame["drawn_from_m"] = np.where(frame["feature_id"] == "stem", 250.0, 0.0)

    network = build_network(frame, snap_m=1.0, end_elevation_m=ends)

    assert set(network.unresolved["feature_id"]) == set(drawn) - {"creek"}
    stem = network.unresolved[network.unresolved["feature_id"] == "stem"]
    assert stem["feature_from_m"].tolist() == [250.0, 1250.0, 2250.0, 3250.0, 4250.0, 5250.0]
    assert stem["feature_to_m"].tolist() == [1250.0, 2250.0, 3250.0, 4250.0, 5250.0, 6250.0]
    assert turned(network) == set()
    problems = network.repairs[network.repairs["feature"] != "creek"]["problem"]
    assert set(problems) == {"climbs to its outlet, whichever way it is turned", "another line ends on it"}


@pytest.mark.parametrize(("long_m", "is_turned"), [(1000.0, False), (30.0, True)])
def test_a_stream_is_turned_that_climbs_over_the_greater_part_of_its_length(lines, long_m, is_turned):
    # A long piece that falls by 3 m and two of 20 m each that climb by 1 m: by number most climb, by length few.
    drawn = lines(
        long=[(0, 1040), (0, 1040 - long_m)],
        middle=[(0, 1040 - long_m), (0, 1020 - long_m)],
        last=[(0, 1020 - long_m), (0, 1000 - long_m)],
    )
    ends = np.array([[12.0, 9.0], [9.0, 10.0], [10.0, 11.0]])

    network = build_network(drawn, snap_m=1.0, end_elevation_m=ends)

    whole = "drawn upstream with all that it connects to"
    assert (whole in network.repairs["problem"].tolist()) == is_turned


def test_straightness_is_that_of_the_first_fifty_metres_whatever_the_length_of_the_arms(lines):
    # Straight on to the south and then a long way round, or a little aside and shortly home.
    drawn = lines(
        upper=[(0, 300), (0, 0)],
        straight=[(0, 0), (0, -60), (300, -200), (0, -400)],
        aside=[(0, 0), (20, -60), (0, -400)],
        lower=[(0, -400), (0, -500)],
    )

    network = build_network(drawn, snap_m=1.0, main_path="straightest")

    first = network.parts.groupby("link")["feature_id"].first()
    assert set(first[network.links["is_divergence"]]) == {"aside"}


@pytest.mark.parametrize(
    ("limit_m", "fitted_m", "is_listed"),
    [(39.9, 60.0, True), (40.0, 60.0, False), (39.0, 70.4, True), (39.0, 70.5, False)],
)
def test_a_ridge_is_higher_than_the_limit_and_stands_above_the_profile_by_more_than_half_of_it(
    lines, limit_m, fitted_m, is_listed
):
    # From 50 m up to 90 m and down to 40 m: 40 m above what is upstream.
    network = build_network(lines(river=[(0, 500.0), (0, 0)]), snap_m=1.0)
    stations = place_stations(network, station_spacing_m=100.0, reach_length_m=500.0).stations
    raw_m = np.array([60.0, 50.0, 70.0, 90.0, 60.0, 40.0])
    profile_m = np.array([75.0, 75.0, 72.0, fitted_m, 60.0, 40.0])

    assert len(list_ridges(raw_m, profile_m, stations, network, limit_m)) == is_listed
