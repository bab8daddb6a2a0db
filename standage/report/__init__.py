"""The report that people hand over: one page, complete in itself."""

from standage.report.page import report_html, report_writer

__all__ = ["report_html", "report_writer"]
