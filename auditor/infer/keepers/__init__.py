"""Frames that fell short of their settings, the settings that make them, and the handheld limit."""

from __future__ import annotations

from auditor.infer.keepers.find import count_verdicts, list_keepers
from auditor.infer.keepers.judge import CAUSES, judge_frames
from auditor.infer.keepers.settings import handheld_limits, settings_to_avoid

__all__ = [
    "CAUSES",
    "count_verdicts",
    "handheld_limits",
    "judge_frames",
    "list_keepers",
    "settings_to_avoid",
]
