"""Artificial data: scenes, frames, archives and measurement tables with known truth."""
