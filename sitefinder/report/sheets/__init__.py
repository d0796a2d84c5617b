"""Printed pages: field sheets of the best sites, and the map plate of the region."""

from sitefinder.report.sheets.district_map import district_map_pdf
from sitefinder.report.sheets.field_sheets import field_sheets_pdf

__all__ = ["district_map_pdf", "field_sheets_pdf"]
