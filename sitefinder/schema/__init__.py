"""The delivered tables: every column, declared once, and the check of a table against its declaration."""

from sitefinder.schema.change_layers import CHANGE_LAYERS, CHANGES
from sitefinder.schema.columns import ACTIONS, EVIDENCE, MONEY, SCHEME_TYPES, VERDICTS, Column, Layer
from sitefinder.schema.layers import LAYERS
from sitefinder.schema.validation import check_table, columns_table, empty_table, has_flag, is_scheme_that

__all__ = [
    "ACTIONS",
    "CHANGES",
    "CHANGE_LAYERS",
    "EVIDENCE",
    "LAYERS",
    "MONEY",
    "SCHEME_TYPES",
    "VERDICTS",
    "Column",
    "Layer",
    "check_table",
    "columns_table",
    "empty_table",
    "has_flag",
    "is_scheme_that",
]
