"""Printed pages: field sheets of the best sites, and the map plate of the region."""

from sitefinder.report.sheets.field_sheets import field_sheets_pdf, sites_with_sheet
from sitefinder.report.sheets.plate import district_map_pdf

__all__ = ["district_map_pdf", "field_sheets_pdf", "sites_with_sheet"]
