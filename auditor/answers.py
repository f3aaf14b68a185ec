"""What a photographer can answer on a frame that was listed."""

from __future__ import annotations

from typing import Final

__all__ = ["ANSWERS", "TAKEN_BACK"]

ANSWERS: Final = ("meant", "fine", "bad")
"""It was meant so; it is fine; it is indeed bad."""
TAKEN_BACK: Final = "none"
"""Takes an earlier answer back."""
