"""What tests of comparisons share: a tint of a known size, and an entry found among others."""

from __future__ import annotations

import numpy as np

from auditor.infer.comparisons.colour import uv_of


def tint(size: float, red: float = 1.0, blue: float = 0.0) -> tuple[float, float]:
    """Logs of R over G and of B over G that shift a neutral by `size` in u'v', in the ratio of `red` to `blue`."""
    step = np.array([red, blue]) * 0.01
    shift = uv_of([np.exp(step[0]), 1.0, np.exp(step[1])]) - uv_of([1.0, 1.0, 1.0])
    factor = size / float(np.hypot(*shift))
    return float(step[0] * factor), float(step[1] * factor)


def find(entries: list[dict], what: str, zone: str | None = None) -> dict:
    """The one entry about `what` in a zone."""
    (found,) = (e for e in entries if e["what"] == what and e["zone"] == zone)
    return found
