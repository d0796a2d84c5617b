"""The report page: one HTML file that shows and explains an inventory, and loads nothing."""

from sitefinder.report.page.page import page_html

__all__ = ["page_html"]
