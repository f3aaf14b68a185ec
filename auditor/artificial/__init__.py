"""Artificial frames, archives and measurement tables with known truth."""
