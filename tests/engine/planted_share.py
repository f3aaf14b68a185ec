"""A share that never answers for some files, in the decoder process that loads this module."""

from __future__ import annotations

import os
import time

from planted import measure

from auditor.engine import file_bytes

__all__ = ["measure"]

STALLED_S = 30.0
_open = file_bytes.open_unnoticed


def _answer_late(path: str) -> int:
    if "stall" in os.path.basename(path):
        time.sleep(STALLED_S)
    return _open(path)


file_bytes.open_unnoticed = _answer_late
