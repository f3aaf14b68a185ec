"""Numbers with bounds, and pairs of ends."""

from __future__ import annotations

from typing import Annotated

from auditor.model.schema import Above, AtLeast, AtMost, Length

__all__ = ["Count", "Ends", "NotNegative", "Positive", "PositiveCount", "PositiveShare", "Share"]

Positive = Annotated[float, Above(0)]
NotNegative = Annotated[float, AtLeast(0)]
Share = Annotated[float, AtLeast(0), AtMost(1)]
PositiveShare = Annotated[float, Above(0), AtMost(1)]
Count = Annotated[int, AtLeast(0)]
PositiveCount = Annotated[int, AtLeast(1)]
Ends = Annotated[list[float | None], Length(2)]
"""Lowest and highest."""
