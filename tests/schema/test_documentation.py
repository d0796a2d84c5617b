"""The reference parts of README: every setting and column once, with kind, default and meaning."""

import re

import pytest

from sitefinder.schema import CHANGE_LAYERS, LAYERS
from sitefinder.schema.documentation import filled, layers_reference, settings_reference, vocabulary_reference
from sitefinder.settings import Settings
from sitefinder.vocabulary import ACTIONS, FLAGS, REJECTION_REASONS, SCHEME_TYPES, VERDICTS


# Rows of all tables, as lists of cells, without heads and rules.
def rows(text):
    lines = [line for line in text.splitlines() if line.startswith("| `")]
    return [[cell.strip() for cell in re.split(r"(?<!\\)\|", line)[1:-1]] for line in lines]


def test_a_setting_is_listed_with_kind_limits_default_and_meaning():
    listed = settings_reference()

    # Typed by hand from the declarations in config.
    for row in (
        "| `snap_m` | number, 0 or more | `5` | farthest gap between line ends that is closed [m] |",
        "| `simulations` | whole number, 16 or more | `64` | simulations of the profile's error |",
        "| `availability` | number, 0 to 1 | `0.95` | share of the time that the plant is ready |",
        "| `share` | number, 0 to 1 | none | share of the mean flow, or of the flow of the moment |",
        "| `edge_is_divide` | true or false | `false` | "
        "true where the DEM was cut along the divide, so that no water enters over its edge |",
        '| `vertical_unit` | `"metre"`, `"foot"`, `"us_survey_foot"` | required | unit of the elevations |',
        "| `new_weir_heights_m` | list of number | `[1, 2, 3]` | heights of new weirs to try [m] |",
    ):
        assert row in listed


def test_every_setting_has_a_meaning_and_a_unit_wherever_its_name_has_one():
    listed = rows(settings_reference())

    assert [name for name, _, _, meaning in listed if not meaning] == []
    in_metres = [(name, meaning) for name, _, _, meaning in listed if name.endswith("_m`")]
    assert len(in_metres) > 10
    assert [name for name, meaning in in_metres if "[m]" not in meaning] == []


def test_every_section_of_a_settings_file_has_its_heading():
    headings = re.findall(r"`(\[+[\w.]+)", settings_reference())

    for key in Settings.model_fields:
        assert f"[{key}" in headings or f"[[{key}" in headings
    for nested in ("[inputs.dem", "[inputs.covariates.NAME", "[flows.gauges", "[[flows.environmental"):
        assert nested in headings


def test_every_column_is_listed_in_the_order_of_delivery():
    names = [row[0].strip("`") for row in rows(layers_reference())]

    assert names == [column.name for layer in LAYERS.values() for column in layer.columns]


def test_a_document_is_brought_up_to_date_between_its_markers_and_nowhere_else():
    text = (
        "before\n<!-- generated: settings -->\nold\n<!-- end -->\nbetween\n"
        "<!-- generated: layers -->\n\n<!-- end -->\nafter <!-- end -->\n"
        "<!-- generated: changes -->\n\n<!-- end -->\n"
    )
    own = {name: layer for name, layer in CHANGE_LAYERS.items() if name != "columns"}

    made = filled(text)

    assert made == (
        f"before\n<!-- generated: settings -->\n{settings_reference()}\n<!-- end -->\nbetween\n"
        f"<!-- generated: layers -->\n{layers_reference()}\n<!-- end -->\nafter <!-- end -->\n"
        f"<!-- generated: changes -->\n{layers_reference(own)}\n<!-- end -->\n"
    )
    assert filled(made) == made


def test_a_document_without_its_markers_is_refused():
    with pytest.raises(ValueError, match="must hold <!-- generated: settings --> once, closed by <!-- end -->"):
        filled("nothing here")


def test_every_word_of_the_inventory_has_a_row_with_its_sentence():
    text = vocabulary_reference()

    assert "| `no_diversion` | no diversion | No water may be diverted from the stream here. |" in text
    assert "| `tidal` | The tide reaches it. |" in text
    assert "| `tidal` | tidal | The tide reaches the stretch. |" in text
    assert text.count("\n| `") == sum(map(len, (VERDICTS, ACTIONS, SCHEME_TYPES, REJECTION_REASONS, FLAGS)))
