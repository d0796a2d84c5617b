"""The generated documents: every setting, column and word once, with kind, default and meaning."""

import re

import pytest

from sitefinder.schema import CHANGE_LAYERS, LAYERS
from sitefinder.schema.documentation import (
    documents,
    filled,
    layers_reference,
    settings_reference,
    vocabulary_reference,
)
from sitefinder.settings import Settings
from sitefinder.vocabulary import (
    ACTIONS,
    DECISIONS,
    EVIDENCE_GRADES,
    FLAGS,
    NOT_APPLIED,
    REJECTION_REASONS,
    SCHEME_TYPES,
    VERDICTS,
)


# Rows of all tables, as lists of cells, without heads and rules.
def rows(text):
    lines = [line for line in text.splitlines() if line.startswith("| `")]
    return [[cell.strip() for cell in re.split(r"(?<!\\)\|", line)[1:-1]] for line in lines]


def test_a_setting_is_listed_with_kind_limits_default_and_meaning():
    listed = settings_reference()

    # Typed by hand from the declarations of the settings; the meaning is the model's and may be reworded.
    for row in (
        "| `station_spacing_m` | number, above 0 | `50` | ",
        "| `simulations` | whole number, 16 or more | `64` | ",
        "| `availability` | number, 0 to 1 | `0.95` | ",
        "| `share` | number, 0 to 1 | none | ",
        "| `edge_is_divide` | true or false | `false` | ",
        '| `vertical_unit` | `"metre"`, `"foot"`, `"us_survey_foot"` | required | ',
        "| `vertical_datum` | text, not empty | required | ",
        "| `new_weir_heights_m` | list of numbers | `[1, 2, 3]` | ",
    ):
        assert row in listed
    meaning = Settings.model_fields["network"].annotation.model_fields["station_spacing_m"].description
    assert f"| `50` | {meaning} |" in listed


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


def test_every_word_of_the_inventory_has_a_row_with_its_sentence():
    text = vocabulary_reference()

    records = (VERDICTS, ACTIONS, SCHEME_TYPES, REJECTION_REASONS, DECISIONS, NOT_APPLIED, EVIDENCE_GRADES, FLAGS)
    listed = rows(text)
    assert [row[0].strip("`") for row in listed] == [word.name for words in records for word in words]
    assert [row[-1] for row in listed] == [word.phrase for words in records for word in words]
    assert "| `no_diversion` | no diversion | No water may be diverted from the stream here. |" in text


def test_the_dictionary_holds_the_layers_of_runs_and_comparisons_and_links_to_each():
    text = documents()["sitefinder/schema/README.md"]

    headings = re.findall(r"^### `(\w+)`$", text, flags=re.M)
    linked = re.findall(r"^\| \[`(\w+)`\]\(#\1\) \|", text, flags=re.M)
    assert headings == [*LAYERS, *(name for name in CHANGE_LAYERS if name not in LAYERS)]
    assert linked == list(LAYERS)


def test_the_reference_of_settings_links_to_each_table():
    text = documents()["config/SETTINGS.md"]

    headings = re.findall(r"^## `(.*)`$", text, flags=re.M)
    assert re.findall(r"\[`(.*?)`\]\(#", text) == headings
    assert len(headings) > 20


def test_a_document_is_brought_up_to_date_between_its_markers_and_nowhere_else():
    text = (
        "before\n<!-- generated: actions -->\n<!-- end -->\nbetween\n"
        "<!-- generated: rejection reasons -->\nold\n\nold\n<!-- end -->\nafter <!-- end -->\n"
    )

    made = filled(text)

    assert made == (
        f"before\n<!-- generated: actions -->\n{vocabulary_reference('actions')}\n<!-- end -->\nbetween\n"
        f"<!-- generated: rejection reasons -->\n{vocabulary_reference('rejection reasons')}\n<!-- end -->\n"
        "after <!-- end -->\n"
    )
    assert filled(made) == made


@pytest.mark.parametrize(
    "text", ["<!-- generated: birds -->\n\n<!-- end -->\n", "<!-- generated: flags -->\nold\n"]
)
def test_a_part_of_no_known_name_or_without_an_end_is_refused(text):
    with pytest.raises(ValueError, match=r"must name one of verdicts, actions, .*, closed by <!-- end -->"):
        filled(text)
