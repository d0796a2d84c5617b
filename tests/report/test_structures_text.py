"""What the summary says of several inventories of weirs, and the signs of what is gone on maps."""

import pandas as pd
import pytest

from sitefinder.report.map_signs import MAP_KINDS, kinds_on_map, outline
from sitefinder.report.structures import merged_sentence, structures_text
from sitefinder.siting.inventories import DIFFERENT, DOUBTFUL


def structures(*sources):
    return pd.DataFrame({"sources": list(sources)})


def repairs(*problems, layer="structures"):
    return pd.DataFrame({"layer": layer, "problem": list(problems)})


def test_nothing_is_said_of_one_inventory_without_duplicates():
    assert merged_sentence(structures("structures:W1", "structures:W2", "")) == ""
    # What other layers have is no matter of the weirs.
    one = structures("structures:W1")
    assert merged_sentence(one, repairs(f"{DOUBTFUL}: x", layer="lakes")) == ""
    assert merged_sentence(one, repairs("the id is missing")) == ""


@pytest.mark.parametrize(
    ("problems", "text"),
    [
        ((), "Inventories: 2 structures are listed several times and counted once."),
        (
            (
                f"{DIFFERENT} drop: 2 m in a 1, 3 m in b 1",
                f"{DIFFERENT} use: x in a 1, y in b 1",
                f"{DOUBTFUL}: b 7",
            ),
            "Inventories: 2 structures are listed several times and counted once; 2 differences and 1 possible "
            "duplicate to look at (layer repairs).",
        ),
    ],
)
def test_merged_structures_are_counted_with_what_is_to_be_looked_at(problems, text):
    mapped = structures("structures:W1; region:1", "structures:W2; region:2; state:9", "structures:W3", "")

    assert merged_sentence(mapped, repairs(*problems)) == text


def test_a_possible_duplicate_is_said_although_nothing_is_merged():
    text = merged_sentence(structures("structures:W1", "region:1"), repairs(f"{DOUBTFUL}: region 1"))

    assert text.startswith(
        "Inventories: no structure is listed several times and counted once; 1 possible duplicate "
    )


def test_what_has_been_removed_is_no_existing_structure_and_is_counted_among_the_reasons():
    reasons = ["removal planned", "removed", "removed", "no mapped structure"]
    table = structures("structures:1", "structures:2", "structures:3", "").assign(
        structure_id=["1", "2", "3", "step:1"],
        rejection_reason=reasons,
        site_id="",
        turbine="",
        net_annual_value=0.0,
    )

    assert structures_text(table) == (
        "Existing structures: 1 mapped, none could carry a plant.\n"
        "Other structures: removed (2), removal planned (1)."
    )


def test_a_removed_structure_has_a_sign_of_its_own_whatever_its_kind():
    table = pd.DataFrame({"kind": ["weir", "weir", "fall"], "use": "", "powered": False})
    kinds = kinds_on_map(table.assign(removed=[False, True, True]))

    assert kinds.tolist() == ["weir", "removed", "removed"]
    shapes = {kind.name: kind.shape for kind in MAP_KINDS}
    assert list(shapes.values()).count(shapes["removed"]) == 1
    assert outline("plus", 5.0, 5.0, 2.0) == "M4.00 5.00h2.00M5.00 4.00v2.00"
