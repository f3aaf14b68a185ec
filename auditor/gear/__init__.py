"""Whose gear it is: what the photographer says, and what use tells where nothing is said."""

from auditor.gear.chosen import Chosen, GearFileError, read_chosen, write_example
from auditor.gear.use import IN_USE, gear_in_use

__all__ = [
    "IN_USE",
    "Chosen",
    "GearFileError",
    "gear_in_use",
    "read_chosen",
    "write_example",
]
