"""Lenses in a profile."""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired, Required, TypedDict

from auditor.model.schema import (
    Count,
    Ends,
    Interval,
    OpenInterval,
    Positive,
    Share,
)

__all__ = [
    "Aperture",
    "ConverterComparison",
    "ConverterZone",
    "CurvePoint",
    "Diffraction",
    "Failures",
    "FocalRange",
    "Fringing",
    "Lens",
    "Seams",
    "Sides",
    "SweetSpot",
    "Zone",
]


class Zone(OpenInterval, total=False):
    """Sharpness of one zone."""

    mtf50_cpp: Required[Annotated[Positive, "system MTF50, cycles per pixel of the file"]]
    frames: Annotated[Count | None, "frames behind the figure"]
    with_best: Annotated[
        float, "correlation of its error with that of the figure at the best aperture"
    ]
    frames_error: Annotated[
        float, "standard error (ln) as far as frames decide it: what two lenses do not share"
    ]
    lacking: Annotated[float, "what the frames nearest to the lens lack as a rule (ln)"]


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


class CurvePoint(TypedDict, total=False):
    """Fitted curve at a third of a stop."""

    f_number: Required[Positive]
    used: Annotated[bool, "frames were taken at it"]
    centre: Annotated[Zone | None, "fitted"]
    middle: Annotated[Zone | None, "fitted"]
    corner: Annotated[Zone | None, "fitted"]


class SweetSpot(OpenInterval):
    """Aperture at which the weaker of centre and corner is sharpest."""

    f_number: Positive


class Seams(TypedDict):
    """Colour fringing at one aperture, medians with their 90% intervals, px."""

    f_number: Positive
    frames: Count
    outings: NotRequired[Annotated[Count, "outings in which they were taken"]]
    lateral_red_px: float | None
    lateral_red_px_low: float | None
    lateral_red_px_high: float | None
    lateral_blue_px: float | None
    lateral_blue_px_low: float | None
    lateral_blue_px_high: float | None
    fringe_width_px: float | None
    fringe_width_px_low: float | None
    fringe_width_px_high: float | None


class Fringing(TypedDict, total=False):
    """Colour fringing."""

    onset_f_number: Annotated[float | None, "smallest aperture at which colour seams still show"]
    onset_frames: Annotated[int | None, "frames behind it, at that aperture and wider"]
    onset_low: Annotated[float | None, "lower end of its 90% interval"]
    onset_high: Annotated[float | None, "upper end"]
    by_aperture: list[Seams]
    inside_acceptable: bool | None


class Sides(TypedDict, total=False):
    """Whether one side is softer than its opposite in frame after frame."""

    verdict: Annotated[str | None, "plain words"]
    confidence: Annotated[Share | None, "how sure"]
    frames: Annotated[Count | None, "frames behind it"]
    left: Annotated[float | None, "its MTF50 against the mean of it and its opposite"]
    right: float | None
    top: float | None
    bottom: float | None


class Diffraction(TypedDict, total=False):
    """Diffraction at this pitch against what the archive shows."""

    ruling_from_f_number: Annotated[
        float | None,
        "from here diffraction is the larger blur; none where no aperture used shows it",
    ]
    ruling_low: Annotated[float | None, "lower end of its 90% interval"]
    ruling_high: Annotated[float | None, "upper end; none where it reaches past the apertures used"]
    perfect_lens_from_f_number: Annotated[float, "the same without aberrations, by the pitch alone"]
    loss_at_smallest: Annotated[
        float | None, "share lost at the smallest aperture against the sharpest, where told apart"
    ]
    text: Annotated[str | None, "plain words"]


class Failures(TypedDict):
    """How often frames failed, and how sound ones scatter."""

    soft_share: Annotated[Share, "those left out of the curve included"]
    scatter: Annotated[dict[str, float], "ln MTF50, by zone"]


class ConverterZone(Interval):
    """MTF50 with a converter against without, as a share."""

    difference: float
    pairs: NotRequired[
        Annotated[Count, "pairs of one scene that it comes from, where curves say less"]
    ]


class ConverterComparison(TypedDict):
    """A lens with its converter against the bare lens."""

    converter: str
    factor: Annotated[
        Positive | None, "magnification; null where neither name nor focal lengths tell"
    ]
    frames: Count
    frames_without: Count
    focal_mm: Ends | None
    zones: dict[str, ConverterZone | None]
    text: str


class FocalRange(TypedDict, total=False):
    """One focal range of a lens."""

    focal_mm: Required[Annotated[Ends | None, "shortest and longest focal length, mm"]]
    frames: Required[Annotated[Count | None, "frames"]]
    outings: Annotated[Count | None, "outings"]
    apertures: Required[Annotated[list[Aperture], "in order of f-number"]]
    curve: Annotated[list[CurvePoint], "fitted, never past the apertures used"]
    sweet_spot: Required[Annotated[SweetSpot | None, "best aperture"]]
    pin_sharp: Required[Annotated[Ends | None, "f-numbers, lowest and highest"]]
    acceptable: Required[Annotated[Ends | None, "f-numbers, lowest and highest"]]
    pin_sharp_intervals: Annotated[list[Ends] | None, "90% intervals of both ends of `pin_sharp`"]
    acceptable_intervals: list[Ends] | None
    failures: Failures | None
    evidence: Required[Literal["strong", "fair", "thin"] | None]
    reasons: Required[list[str]]
    fringing: Fringing | None
    sides: Sides | None
    diffraction: Diffraction | None
    sharpening: Annotated[
        dict[str, float] | None,
        "of the files, as fitted: amount of an unsharp mask of one pixel, and its error",
    ]


class Lens(TypedDict, total=False):
    """A lens on a body, with its converter."""

    lens: Required[Annotated[str | None, "name as the files state it"]]
    body: Required[Annotated[str | None, "body"]]
    converter: Required[Annotated[str | None, "converter, null without"]]
    lens_serial: Annotated[str | None, "serial where one name has several copies"]
    pixel_pitch_um: Required[Annotated[float | None, "micrometres"]]
    frames: Required[Annotated[Count | None, "frames"]]
    source: Annotated[str | None, "kind of file that the curves were drawn from"]
    frames_by_source: dict[str, int] | None
    outings: Annotated[Count | None, "outings"]
    files: Annotated[
        str | None, "the exports that a curve is drawn from where there is nothing else"
    ]
    focal_ranges: Required[Annotated[list[FocalRange], "from shortest to longest"]]
    converter_comparison: ConverterComparison | None
    reasons: list[str]
