"""Lenses in a profile."""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired, TypedDict

from auditor.model.schema import (
    Count,
    Ends,
    Positive,
    Share,
)


class Zone(TypedDict):
    """Sharpness of one zone."""

    mtf50_cpp: Annotated[Positive, "system MTF50, cycles per pixel of the file"]
    low: Annotated[float | None, "lower end of the 90% interval, c/px"]
    high: Annotated[float | None, "upper end, c/px"]
    frames: NotRequired[Annotated[Count | None, "frames behind the figure"]]
    with_best: NotRequired[
        Annotated[float, "correlation of its error with that of the figure at the best aperture"]
    ]
    frames_error: NotRequired[
        Annotated[
            float, "standard error (ln) as far as frames decide it: what two lenses do not share"
        ]
    ]
    lacking: NotRequired[
        Annotated[float, "what the frames nearest to the lens lack as a rule (ln)"]
    ]


class Aperture(TypedDict):
    """One aperture that was used."""

    f_number: Positive
    frames: Annotated[Count | None, "frames at this aperture"]
    centre: Annotated[Zone | None, "under 0.35 of the half-diagonal"]
    middle: Annotated[Zone | None, "from 0.35 to 0.7"]
    corner: Annotated[Zone | None, "from 0.7"]
    usual_centre_cpp: NotRequired[
        Annotated[float | None, "median of all frames: what was usually got"]
    ]
    usual_middle_cpp: NotRequired[Annotated[float | None, "the same in the middle"]]
    usual_corner_cpp: NotRequired[Annotated[float | None, "the same in the corner"]]
    sound_frames: NotRequired[Annotated[Count | None, "frames in which nothing else failed"]]


class CurvePoint(TypedDict):
    """Fitted curve at a third of a stop."""

    f_number: Positive
    used: NotRequired[Annotated[bool, "frames were taken at it"]]
    centre: NotRequired[Annotated[Zone | None, "fitted"]]
    middle: NotRequired[Annotated[Zone | None, "fitted"]]
    corner: NotRequired[Annotated[Zone | None, "fitted"]]


class SweetSpot(TypedDict):
    """Aperture at which the weaker of centre and corner is sharpest."""

    f_number: Positive
    low: Annotated[float | None, "lower end of the 90% interval"]
    high: Annotated[float | None, "upper end"]


class Seams(TypedDict):
    """Colour fringing at one aperture, medians with their 90% intervals, px."""

    f_number: Positive
    frames: Count
    lateral_red_px: float | None
    lateral_red_px_low: float | None
    lateral_red_px_high: float | None
    lateral_blue_px: float | None
    lateral_blue_px_low: float | None
    lateral_blue_px_high: float | None
    fringe_width_px: float | None
    fringe_width_px_low: float | None
    fringe_width_px_high: float | None


class Fringing(TypedDict):
    """Colour fringing."""

    onset_f_number: NotRequired[
        Annotated[float | None, "smallest aperture at which colour seams still show"]
    ]
    onset_frames: NotRequired[Annotated[int | None, "frames behind it, at that aperture and wider"]]
    onset_low: NotRequired[Annotated[float | None, "lower end of its 90% interval"]]
    onset_high: NotRequired[Annotated[float | None, "upper end"]]
    by_aperture: NotRequired[list[Seams]]
    inside_acceptable: NotRequired[bool | None]


class Sides(TypedDict):
    """Whether one side is softer than its opposite in frame after frame."""

    verdict: NotRequired[Annotated[str | None, "plain words"]]
    confidence: NotRequired[Annotated[Share | None, "how sure"]]
    frames: NotRequired[Annotated[Count | None, "frames behind it"]]
    left: NotRequired[Annotated[float | None, "its MTF50 against the mean of it and its opposite"]]
    right: NotRequired[float | None]
    top: NotRequired[float | None]
    bottom: NotRequired[float | None]


class Diffraction(TypedDict):
    """Diffraction at this pitch against what the archive shows."""

    ruling_from_f_number: NotRequired[
        Annotated[float | None, "from here diffraction is the larger blur"]
    ]
    ruling_low: NotRequired[Annotated[float | None, "lower end of its 90% interval"]]
    ruling_high: NotRequired[
        Annotated[
            float | None, "upper end; none where it reaches past the apertures of lenses in use"
        ]
    ]
    perfect_lens_from_f_number: NotRequired[
        Annotated[float, "the same without aberrations, by the pitch alone"]
    ]
    loss_at_smallest: NotRequired[
        Annotated[
            float | None,
            "share lost at the smallest aperture against the sharpest, where told apart",
        ]
    ]
    text: NotRequired[Annotated[str | None, "plain words"]]


class Failures(TypedDict):
    """How often frames failed otherwise, and how sound ones scatter."""

    soft_share: Share
    scatter: Annotated[dict[str, float], "ln MTF50, by zone"]


class ConverterZone(TypedDict):
    """MTF50 with a converter against without, as a share."""

    difference: float
    low: Annotated[float, "lower end of the 90% interval"]
    high: Annotated[float, "upper end"]


class ConverterComparison(TypedDict):
    """A lens with its converter against the bare lens."""

    converter: str
    factor: Positive
    frames: Count
    frames_without: Count
    focal_mm: Ends | None
    focal_mm_without: Ends | None
    zones: dict[str, ConverterZone | None]
    text: str


class FocalRange(TypedDict):
    """One focal range of a lens."""

    focal_mm: Annotated[Ends | None, "shortest and longest focal length, mm"]
    frames: Annotated[Count | None, "frames"]
    outings: NotRequired[Annotated[Count | None, "outings"]]
    apertures: Annotated[list[Aperture], "in order of f-number"]
    curve: NotRequired[Annotated[list[CurvePoint], "fitted, never past the apertures used"]]
    sweet_spot: Annotated[SweetSpot | None, "best aperture"]
    pin_sharp: Annotated[Ends | None, "f-numbers, lowest and highest"]
    acceptable: Annotated[Ends | None, "f-numbers, lowest and highest"]
    pin_sharp_intervals: NotRequired[
        Annotated[list[Ends] | None, "90% intervals of both ends of `pin_sharp`"]
    ]
    acceptable_intervals: NotRequired[list[Ends] | None]
    failures: NotRequired[Failures | None]
    evidence: Literal["strong", "fair", "thin"] | None
    reasons: list[str]
    fringing: NotRequired[Fringing | None]
    sides: NotRequired[Sides | None]
    diffraction: NotRequired[Diffraction | None]
    sharpening: NotRequired[
        Annotated[
            dict[str, float] | None,
            "of the files, as fitted: amount of an unsharp mask of one pixel, and its error",
        ]
    ]


class Lens(TypedDict):
    """A lens on a body, with its converter."""

    lens: Annotated[str | None, "name as the files state it"]
    body: Annotated[str | None, "body"]
    converter: Annotated[str | None, "converter, null without"]
    lens_serial: NotRequired[Annotated[str | None, "serial where one name has several copies"]]
    pixel_pitch_um: Annotated[float | None, "micrometres"]
    frames: Annotated[Count | None, "frames"]
    source: NotRequired[Annotated[str | None, "kind of file that the curves were drawn from"]]
    frames_by_source: NotRequired[dict[str, int] | None]
    outings: NotRequired[Annotated[Count | None, "outings"]]
    files: NotRequired[
        Annotated[str | None, "the exports that a curve is drawn from where there is nothing else"]
    ]
    focal_ranges: Annotated[list[FocalRange], "from shortest to longest"]
    converter_comparison: NotRequired[ConverterComparison | None]
    reasons: NotRequired[list[str]]
