"""Profile to what the photographer sees: page, card, tables, and lines for the terminal."""

from __future__ import annotations

from auditor.report.page import prepare
from auditor.report.profile_file import profile_schema, write_profile
from auditor.report.summary import summary_lines
from auditor.report.write import write_report

__all__ = [
    "prepare",
    "profile_schema",
    "summary_lines",
    "write_profile",
    "write_report",
]
