"""TOML as text, read back by Python's own parser."""

import json
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sitefinder.io.toml_text import toml_document, toml_value

TEXTS = st.text(st.characters(exclude_categories=("Cs",)), max_size=12)
PLAIN = st.one_of(
    st.booleans(), st.integers(-(2**63), 2**63 - 1), st.floats(allow_nan=False, allow_infinity=False), TEXTS
)
VALUES = st.recursive(
    PLAIN | st.lists(PLAIN, max_size=3),
    lambda inner: st.dictionaries(TEXTS, inner, max_size=3) | st.lists(st.dictionaries(TEXTS, inner), max_size=3),
    max_leaves=12,
)


@given(st.dictionaries(TEXTS, VALUES, max_size=4))
@settings(deadline=None, max_examples=60)
def test_what_is_read_back_is_what_was_written(tables):
    read = tomllib.loads(toml_document(tables))

    assert read == tables
    # Equal, and of the same kinds: 1 and 1.0 and true are not.
    assert json.dumps(read, sort_keys=True) == json.dumps(tables, sort_keys=True)


def test_numbers_that_no_file_holds_are_refused():
    with pytest.raises(ValueError, match="holds no nan"):
        toml_value(float("nan"))
