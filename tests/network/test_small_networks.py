"""Small networks by hand: names carried on wherever links are numbered, and what is set aside, in order."""

import pytest

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
