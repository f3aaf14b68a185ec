"""The list of keepers that fall short, each with its cause in plain words and the evidence for it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from auditor.exposure import ABOUT_THE_RULE, aperture_text, shutter_text, slower_text
from auditor.infer.criteria import Criteria
from auditor.infer.keepers.judge import PLAIN_STREAKS
from auditor.infer.lenses.grouping import PRIME
from auditor.model import Keeper, Verdicts

__all__ = ["MOST", "count_verdicts", "list_keepers"]

Block = Mapping[str, Any]

MOST: Final = 50_000
"""So many of the most probable are listed; the counts of `count_verdicts` hold all of them."""
SETTINGS: Final = (
    "body",
    "lens",
    "converter",
    "focal_length_mm",
    "f_number",
    "exposure_time_s",
    "iso",
)


def list_keepers(frames: pd.DataFrame, verdicts: pd.DataFrame, criteria: Criteria) -> list[Keeper]:
    """Frames softer or noisier than their settings had to be, by their verdicts.

    Parameters
    ----------
    frames : DataFrame
        Frame table with `path`, `file_id` and `SETTINGS`.
    verdicts : DataFrame
        One row per frame, from `judge_frames`, with `answer` where the photographer gave any.
    criteria : Criteria
        Thresholds that the evidence names.

    Returns
    -------
    list of Keeper
        The most probable first, at most `MOST`; each with its cause and evidence in words.
    """
    frames, verdicts = frames.reset_index(drop=True), verdicts.reset_index(drop=True)
    failed = verdicts[verdicts["soft"] | verdicts["noisy"]]
    surest = failed.sort_values(["probability", "loss"], ascending=False).head(MOST)
    names = [n for n in ("path", "file_id", *SETTINGS) if n in frames]
    own = frames.loc[surest.index, names].astype(object).replace([np.inf, -np.inf], np.nan)
    rows = own.where(own.notna(), None).to_dict("records")
    found = surest.to_dict("records")
    out = [_keeper(row, verdict, criteria) for row, verdict in zip(rows, found, strict=True)]
    out.sort(key=lambda k: (-round(k["probability"] or 0.0, 2), -(k["loss"] or 0.0), k["path"]))
    return out


def count_verdicts(verdicts: pd.DataFrame) -> Verdicts:
    """Counts of verdicts.

    Parameters
    ----------
    verdicts : DataFrame
        Columns `judged`, `soft`, `noisy`, `cause`, `rule_stops`.

    Returns
    -------
    Verdicts
        Frames that could be judged, were soft, were noisy, and by cause; and the shaken ones of a shutter faster
        than the rule of thumb.
    """
    failed = verdicts["soft"] | verdicts["noisy"]
    causes = verdicts.loc[failed, "cause"].value_counts()
    # Noise shows without an edge to judge sharpness by.
    judged = verdicts["judged"] | failed
    fast = failed & (verdicts["cause"] == "shake") & (verdicts["rule_stops"] <= -ABOUT_THE_RULE)
    return {
        "judged": int(judged.sum()),
        "soft": int(verdicts["soft"].sum()),
        "noisy": int(verdicts["noisy"].sum()),
        "causes": {str(cause): int(n) for cause, n in causes.items()},
        "shaken_fast": int(fast.sum()),
    }


def _number(value: Any, digits: int = 4) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits)


def _keeper(row: Block, v: Block, criteria: Criteria) -> Keeper:
    soft = bool(v["soft"])
    return {
        "path": row["path"],
        "soft": soft,
        "noisy": bool(v["noisy"]),
        "cause": v["cause"],
        "expected_cpp": _number(v["expected_cpp"]),
        "measured_cpp": _number(v["measured_cpp"]),
        "loss": _number(v["loss"]) if soft else None,
        "probability": round(float(v["probability"]), 3),
        "evidence": _evidence(row, v, criteria),
        "maybe_deliberate": bool(v["maybe_deliberate"]) and soft,
        "snr": _number(v["snr"], 1),
        "file_id": row.get("file_id"),
        "settings": {n: row.get(n) for n in SETTINGS},
        "answer": None if pd.isna(v.get("answer")) else v["answer"],
    }


def _focal(row: Block, full_frame: float) -> str:
    """'20 mm (117 mm in full-frame terms)'; the second alone where the tags name no other."""
    own = row.get("focal_length_mm")
    if own is None or 1 / PRIME < full_frame / own < PRIME:
        return f"{full_frame:.0f} mm"
    return f"{own:.0f} mm ({full_frame:.0f} mm in full-frame terms)"


def _rule_of_thumb(row: Block, seconds: float, stops: float, moved: bool) -> str:
    """The shutter time against one over the focal length; 'though' where it is evidence against the cause."""
    rule = seconds / 2**stops
    focal = _focal(row, 1 / rule)
    if abs(stops) < ABOUT_THE_RULE:
        return f"{shutter_text(seconds)} is about the rule of thumb for {focal}"
    against = "though " if moved != (stops > 0) else ""
    return (
        f"{against}{shutter_text(seconds)} is {slower_text(stops)} than {shutter_text(rule)}, "
        f"the rule of thumb for {focal}"
    )


def _evidence(row: Block, v: Block, criteria: Criteria) -> list[str]:
    """Evidence for the cause, in sentences; the first one carries the weight."""
    out: list[str] = []
    seconds, stops = row.get("exposure_time_s"), v["rule_stops"]
    if v["moved"] and math.isfinite(v["measured_cpp"]):
        softest, sharpest = f"{v['softest_cpp']:.2f}", f"{v['sharpest_cpp']:.2f}"
        out.append(
            f"edges across the blur reach {softest} c/px, others up to {sharpest}"
            if softest != sharpest
            else f"no edge reaches more than {sharpest} c/px"
        )
    if v["moved"] and v["streaks"] > PLAIN_STREAKS:
        out.append("the finest detail is missing along one direction in most of the frame")
    if v["blurred"]:
        out.append(
            f"its sharpest edges reach {v['measured_cpp']:.2f} c/px, about {v['expected_cpp']:.2f} is expected "
            "without a fault"
        )
        if v["cause"] in ("focus in front", "focus behind"):
            lower = v["near_over_far"] > 0
            part = (
                "lower part of the picture, as a rule the nearer"
                if lower
                else "upper part of the picture, as a rule the farther"
            )
            out.append(f"the {part}, is the sharper one")
    if (v["moved"] or v["blurred"]) and seconds and math.isfinite(stops):
        out.append(_rule_of_thumb(row, seconds, stops, bool(v["moved"])))
    if v["setting"]:
        zone = "whole frame" if v["small"] else "corners"
        best = aperture_text(v["sweet_spot"])
        out.append(f"{aperture_text(row['f_number'])} costs the {zone} more than {best} would")
    if v["noisy"]:
        out.append(_noise_words(row, v, criteria))
    if v["maybe_deliberate"] and v["soft"]:
        out.append("it may be meant so")
    return out


def _noise_words(row: Block, v: Block, criteria: Criteria) -> str:
    limit = f"{criteria.snr_acceptable:.0f}:1"
    iso = "" if row.get("iso") is None else f" at ISO {row['iso']:.0f}"
    if v["dark"]:
        return f"hardly anything is brighter than a quarter of white, and signal to noise{iso} stays under {limit}"
    if math.isfinite(v["snr"]) and v["snr"] < criteria.snr_acceptable:
        return f"signal to noise {_ratio(v['snr'], limit)}{iso}, acceptable is {limit}"
    typical = _ratio(v["snr_allowed"], limit)
    return f"a typical frame in this light shows {typical}{iso}, acceptable is {limit}"


def _ratio(snr: float, limit: str) -> str:
    """A signal to noise ratio, with a decimal where rounding would make it the limit itself."""
    text = f"{snr:.0f}:1"
    return text if text != limit else f"{snr:.1f}:1"
