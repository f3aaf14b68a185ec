"""Whose gear it is: what the photographer says, and what follows from use where nothing is said."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from auditor.gear.gear_file import Chosen, GearFileError, read_chosen, write_example

if TYPE_CHECKING:
    from auditor.gear.usage import IN_USE, USE_COLUMNS, gear_in_use

__all__ = [
    "IN_USE",
    "USE_COLUMNS",
    "Chosen",
    "GearFileError",
    "gear_in_use",
    "read_chosen",
    "write_example",
]


def __getattr__(name: str) -> Any:
    # What looks at tables is loaded when there are some to look at.
    if name not in ("IN_USE", "USE_COLUMNS", "gear_in_use"):
        raise AttributeError(f"module {__name__} has no attribute {name}")
    return getattr(import_module("auditor.gear.usage"), name)
