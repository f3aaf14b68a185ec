"""Profile to what the photographer sees: page, card, tables, and lines for the terminal.

Names are looked up when they are first used: a run over an unchanged archive says a few lines and
writes nothing, and loads none of what draws pages.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from auditor.report.page import prepare
    from auditor.report.summary import summary_lines
    from auditor.report.write import profile_schema, write_profile, write_report

__all__ = [
    "prepare",
    "profile_schema",
    "summary_lines",
    "write_profile",
    "write_report",
]

_HOME: Final = {
    "prepare": "page",
    "profile_schema": "write",
    "summary_lines": "summary",
    "write_profile": "write",
    "write_report": "write",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__} has no attribute {name}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
