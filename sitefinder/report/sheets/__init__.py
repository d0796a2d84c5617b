"""Printed pages: field sheets of the best sites, and the map plate of the region."""

from sitefinder.report.sheets.field_sheets import field_sheets_pdf

__all__ = ["field_sheets_pdf"]
