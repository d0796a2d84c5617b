"""The words of the inventory, each whole by itself and at one with the others."""

import pandas as pd
import pytest

from sitefinder.errors import TableError
from sitefinder.schema import LAYERS, check_table, empty_table
from sitefinder.schema.columns import MARKS
from sitefinder.vocabulary import (
    ACTIONS,
    DOUBT,
    EFFECTS,
    EVIDENCE_GRADES,
    FLAGS,
    HYDROKINETIC_REASONS,
    REJECTION_REASONS,
    SCHEME_TYPES,
    VERDICTS,
    SchemeType,
    named,
    names,
    passing_verdicts,
)

REGISTRIES = (
    VERDICTS,
    ACTIONS,
    SCHEME_TYPES,
    EFFECTS,
    EVIDENCE_GRADES,
    REJECTION_REASONS,
    FLAGS,
    HYDROKINETIC_REASONS,
)


def test_names_are_single_words_of_their_kind_and_have_a_sentence():
    for records in REGISTRIES:
        assert len(set(names(records))) == len(records)
        for record in records:
            assert record.phrase.endswith("."), record.name
            assert getattr(record, "label", record.name)


def test_every_action_leads_to_a_verdict_and_bars_what_scheme_types_know():
    for action in (*ACTIONS, DOUBT):
        assert action.verdict in names(VERDICTS)
        assert action.bars in ("", "all", *SchemeType._fields)
        # What bars says why, and what limits nothing leaves a place open.
        assert bool(action.bars) == bool(action.barred_because)
        assert action.limits == (action.verdict != "open")


def test_what_allows_an_action_opens_its_verdict():
    for action in (*ACTIONS, DOUBT):
        if action.allowed_by:
            assert action.verdict not in passing_verdicts([])
            assert action.verdict in passing_verdicts([action.allowed_by])


def test_reasons_name_flags_that_there_are():
    assert {reason.flag for reason in REJECTION_REASONS} - {""} <= set(names(FLAGS))


def test_a_name_that_is_not_declared_is_refused_with_those_that_are():
    with pytest.raises(ValueError, match="'at_weir' is not one of at_barrier, diversion, new_weir, kinetic"):
        named(SCHEME_TYPES, "at_weir")


def test_a_delivered_flag_must_be_declared():
    plain = {"text": "", "integer": 1, "real": 1.0, "boolean": False}
    columns = LAYERS["reaches"].columns
    row = {each.name: [each.values[-1] if each.values else plain[each.dtype]] for each in columns}
    frame = empty_table("reaches", "EPSG:32633")
    frame = pd.concat([frame, pd.DataFrame(row | {"geometry": [None]})]).set_crs("EPSG:32633")

    with pytest.raises(TableError, match=r"not one of the declared flags\n(.*\n)*.*avalanche"):
        check_table(frame.assign(flags="tidal; avalanche; structure_in_use: old mill"), "reaches")


def test_marks_of_sites_and_reaches_are_those_of_the_actions_and_of_doubt():
    assert {column.name for column in MARKS} == {f"mark_{name}" for name in (*names(ACTIONS), "unknown")}
