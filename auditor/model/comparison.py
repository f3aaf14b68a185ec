"""Comparisons: what an accessory or a habit costs."""

from __future__ import annotations

from typing import Annotated, Any, NotRequired, TypedDict

from auditor.model.schema import Count

__all__ = ["AddedBlur", "Comparison", "Finding", "LeftOutPairs", "Typical"]


class AddedBlur(TypedDict):
    """Gaussian blur that would cost as much, px."""

    value: float
    low: Annotated[float, "lower end of the 90% interval"]
    high: Annotated[float, "upper end"]


class LeftOutPairs(TypedDict):
    """Pairs or frames that were not compared."""

    reason: str
    count: Count


class Typical(TypedDict):
    """Medians of the frames that were focused by a habit."""

    focal_mm: float
    f_number: float
    hyperfocal_m: float
    focus_m: float


class Finding(TypedDict):
    """A difference, of the label less its opposite."""

    what: Annotated[str, "sharpness, cast, light, ..."]
    zone: str | None
    pairs: Annotated[Count | None, "pairs of frames"]
    difference: float | None
    low: Annotated[float | None, "90% interval"]
    high: Annotated[float | None, "90% interval"]
    verdict: Annotated[str | None, "plain words"]
    unit: NotRequired[str]
    f_number: NotRequired[Annotated[float, "median aperture of the pairs"]]
    unmatched: NotRequired[
        Annotated[Count, "frames held against the lens's curve, for want of a pair"]
    ]
    sound_pairs: NotRequired[Annotated[float, "pairs in which nothing else failed"]]
    unmeasured_pairs: NotRequired[Count]
    added_blur_px: NotRequired[AddedBlur | None]
    lost_stops: NotRequired[float]
    from_pictures: NotRequired[Annotated[Count, "pairs whose light the pictures told"]]
    delta_uv: NotRequired[Annotated[list[float] | None, "of the cast, CIE 1976 u'v'"]]
    ciede2000: NotRequired[Annotated[float | None, "of a mid grey"]]
    even: NotRequired[Annotated[bool, "the cast is the same across the frame"]]
    neutral_areas_uv: NotRequired[list[float] | None]
    matched_areas_uv: NotRequired[list[float] | None]
    found: NotRequired[Annotated[bool, "a cast, or unevenness, was found"]]
    automatic_white_balance: NotRequired[bool]
    note: NotRequired[str | None]
    cast_left_out: NotRequired[list[LeftOutPairs]]
    closed_form: NotRequired[Annotated[Any, "what optics say without a measurement"]]
    disc_at_infinity_px: NotRequired[float]
    typical: NotRequired[Typical]
    frames: NotRequired[Annotated[Any, "frames with the label, or of both sides"]]


class Comparison(Finding):
    """What an accessory or a habit costs."""

    label: str | None
    against: str | None
    lens: NotRequired[str | None]
    body: NotRequired[str | None]
    left_out: NotRequired[list[LeftOutPairs]]
    asked: NotRequired[Annotated[bool, "it names an accessory or was asked about"]]
