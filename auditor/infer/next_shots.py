"""What to shoot next: the shortest list of test frames that would settle what is open."""

from __future__ import annotations

from typing import Any

from auditor.infer.criteria import Criteria

__all__ = ["next_shots"]


def next_shots(lenses: list[dict[str, Any]], criteria: Criteria) -> list[dict[str, Any]]:
    """Test series by expected gain, none where nothing would change."""
    return []
