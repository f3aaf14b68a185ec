"""A verdict in plain words, never without its interval; and the pairs that would settle an open one."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Final

from auditor.infer.enough import NEGLIGIBLE
from auditor.model import Comparison, Finding, Shot, shot_of

__all__ = [
    "NEGLIGIBLE_STOPS",
    "USUAL_PAIRS",
    "entry",
    "few_scenes",
    "pairs_to_settle",
    "pairs_to_shoot",
    "sharpness_verdict",
    "verdict",
]

USUAL_PAIRS: Final = 8
"""Pairs asked for where none tell how many are needed."""
NEGLIGIBLE_STOPS: Final = 0.1
"""Stops of light, of an exposure or in the corners, below which nothing was lost: a third of the third of a stop that
cameras set (common practice, no source). Clear filters take about that much."""


def pairs_to_settle(pairs: int, half_width: float, wanted: float) -> int:
    """Pairs after which an interval is likely as narrow as wanted: it shrinks with their square root.

    Parameters
    ----------
    pairs : int
        Pairs now.
    half_width : float
        Half the interval now.
    wanted : float
        Half the interval wanted.

    Returns
    -------
    int
        More than `pairs`; `USUAL_PAIRS` where there is no interval.
    """
    if pairs < 1 or not math.isfinite(half_width):
        return USUAL_PAIRS
    return max(math.ceil(pairs * (half_width / wanted) ** 2), pairs + 1)


def _percent(value: float) -> str:
    return f"{abs(value) * 100:.0f}%"


def sharpness_verdict(difference: float, low: float, high: float, pairs: int) -> str:
    """Verdict on a relative difference of MTF50.

    Parameters
    ----------
    difference, low, high : float
        As shares, negative for softer.
    pairs : int
        Independent pairs behind it: scenes, or outings a side.

    Returns
    -------
    str
        Begins with "cannot tell" where more pairs are needed, and then says how many.
    """
    if high < 0:
        return f"softer by {_percent(difference)} ({_percent(high)} to {_percent(low)})"
    if low > 0:
        return f"sharper by {_percent(difference)} ({_percent(low)} to {_percent(high)})"
    if low > -NEGLIGIBLE:
        return f"no difference found; a loss of more than {_percent(low)} can be ruled out"
    more = pairs_to_settle(pairs, (high - low) / 2, NEGLIGIBLE)
    return (
        f"cannot tell: between {_percent(low)} softer and {_percent(high)} sharper; "
        f"about {more} pairs would settle it"
    )


def few_scenes(pairs: int, scenes: int) -> str:
    """Why pairs of fewer than `FEWEST` scenes say nothing, and what would: one missed focus passes for the difference."""
    of = f"{pairs} pair{'s' * (pairs > 1)} of {scenes} scene{'s' * (scenes > 1)}"
    return (
        f"cannot tell from {of}; about {USUAL_PAIRS} pairs, each of another scene, would settle it"
    )


def verdict(low: float, high: float, pairs: int, texts: tuple[str, str | None, str]) -> str:
    """Verdict on a difference in stops of light.

    Parameters
    ----------
    low, high : float
        Ends of its interval.
    pairs : int
        Pairs behind it.
    texts : tuple of str
        What to say when it lies below zero, above zero, or when nothing was found; None for the second where
        nothing real lies above zero.

    Returns
    -------
    str
        Begins with "cannot tell" where more pairs are needed, and then says how many.
    """
    if pairs < 2 or not (math.isfinite(low) and math.isfinite(high)):
        return few_scenes(1, 1)
    bounds = f"{low:.2f} to {high:.2f} stops"
    if max(-low, 0.0 if texts[1] is None else high) <= NEGLIGIBLE_STOPS:
        return f"{texts[2]} ({low:+.2f} to {high:+.2f} stops)"
    if high < 0:
        return f"{texts[0]} ({-high:.2f} to {-low:.2f} stops)"
    if low > 0:
        return f"{texts[1]} ({bounds})"
    more = pairs_to_settle(pairs, (high - low) / 2, NEGLIGIBLE_STOPS)
    return f"cannot tell ({bounds}); about {more} pairs would settle it"


def entry(
    what: str, zone: str | None, pairs: int, unit: str, text: str,
    value: float | None = None, low: float = math.nan, high: float = math.nan,
) -> Finding:  # fmt: skip
    """What every comparison says of its difference.

    Parameters
    ----------
    what : str
        What was compared.
    zone : str or None
        Zone, None for the frame as a whole.
    pairs : int
        Pairs behind it.
    unit : str
        Unit of all three figures.
    text : str
        Verdict.
    value, low, high : float
        Difference and the ends of its interval, where it is known.

    Returns
    -------
    Finding
        Bounds that are not finite are None.
    """
    finite = math.isfinite(low) and math.isfinite(high)
    return {
        "what": what, "zone": zone, "pairs": pairs, "difference": None if value is None else float(value),
        "low": float(low) if finite else None, "high": float(high) if finite else None,
        "unit": unit, "verdict": text,
    }  # fmt: skip


_MOST_PAIRS: Final = 24
"""Pairs of a series at most: more fill an afternoon."""
_WANTED: Final = re.compile(r"about (\d+) pairs")
_HOW: Final = (
    "tripod, self-timer or remote release, a detailed scene in steady light; every scene once with "
    "and once without, within minutes, at one aperture, refocused every time, white balance fixed"
)


def pairs_to_shoot(comparisons: Sequence[Comparison]) -> list[Shot]:
    """Series of test frames for accessories of which the verdict is open, in the form of `next_shots`.

    Only what was asked about or names an accessory: no mood or place is worth a test.

    Parameters
    ----------
    comparisons : sequence of Comparison
        The profile's, of which those count whose verdict begins with "cannot tell" and whose `zone` is None.

    Returns
    -------
    list of Shot
        Shortest series first, one for each label and lens.
    """
    wanted: dict[tuple[str | None, str | None, str | None], tuple[Shot, list[str]]] = {}
    for c in comparisons:
        verdict = str(c.get("verdict") or "")
        if not c.get("asked") or not verdict.startswith("cannot tell"):
            continue
        if c["zone"] is not None:
            continue  # the frame as a whole stands for its zones
        found = _WANTED.search(verdict)
        if found is None:
            continue  # no pairs to shoot would settle it
        more = min(int(found[1]), _MOST_PAIRS)
        more -= int(c.get("scenes") or c["pairs"] or 0)
        if more < 1:
            continue
        series = shot_of(
            "comparison", 0, _HOW, "", lens=c["lens"], label=c["label"], against=c["against"],
            apertures=[c["f_number"]] if c.get("f_number") else [],
            gain="a verdict that rules a loss in or out",
        )  # fmt: skip
        series, unsettled = wanted.setdefault((c["label"], c["against"], c["lens"]), (series, []))
        series["frames"] = max(series["frames"] or 0, 2 * more)
        if c["what"] not in unsettled:
            unsettled.append(c["what"])
    out = []
    for series, unsettled in sorted(wanted.values(), key=lambda s: s[0]["frames"] or 0):
        series["why"] = (
            f"{(series['frames'] or 0) // 2} more pairs, {series['label']} against "
            f"{series['against']}: the {' and '.join(unsettled)} cannot be told yet"
        )
        out.append(series)
    return out
